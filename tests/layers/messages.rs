//! The messages that README.md explains are those that the program gives.
//!
//! A message is laid out as words. Each must be a value (a number, a path, a name in quotes) or part of
//! a fixed text that stands in `src` between two of its values, or that the system or a library says. It
//! does not know which texts belong together, so words that stand alone somewhere are found anywhere.

use std::collections::HashSet;
use std::{fs, io};

use rustix::io::Errno;

use super::source::texts;
use super::{files, root};

/// What the libraries say that read settings and the catalogue.
const LIBRARIES: [&str; 6] = [
    "unknown field",
    "expected one of",
    "invalid type",
    "integer",
    "expected a list",
    "file is not a database",
];

/// What the system says: with its number, and without where README.md is short.
fn system() -> impl Iterator<Item = String> {
    let numbers = [Errno::NOENT, Errno::ACCESS, Errno::NOSPC, Errno::ROFS];
    let texts = numbers.map(|number| io::Error::from(number).to_string());
    texts.into_iter().flat_map(|text| {
        let short = text.split(" (os error").next().unwrap().to_owned();
        [short, "os error".to_owned()]
    })
}

/// Words without the punctuation around them.
fn words(text: &str) -> Vec<String> {
    let bare = |word: &str| {
        word.trim_matches(|c: char| c.is_ascii_punctuation())
            .to_owned()
    };
    let words = text.split_whitespace().map(bare);
    words.filter(|word| !word.is_empty()).collect()
}

/// The fixed parts of a text with `{}` for values.
fn parts(text: &str) -> Vec<Vec<String>> {
    let text = text.replace("{{", " ").replace("}}", " ");
    let outside = |part: &str| match part.split_once('}') {
        Some((_, after)) => after.to_owned(),
        None => part.to_owned(),
    };
    let parts = text.split('{').map(|part| words(&outside(part)));
    parts.filter(|part| !part.is_empty()).collect()
}

/// All fixed texts, as words.
struct Fixed {
    whole: HashSet<Vec<String>>,
    longest: usize,
}

/// So many words of a longer text are enough to know it by; no message is of more than the other.
const KNOWN_BY: usize = 4;
const LONG: usize = 20;

impl Fixed {
    fn new() -> Self {
        let files = files();
        let ours = files.iter().filter(|file| !file.is_test);
        let ours = ours.flat_map(|file| texts(&file.text));
        let others = LIBRARIES.map(str::to_owned).into_iter().chain(system());
        let mut whole = HashSet::new();
        for part in ours.chain(others).flat_map(|text| parts(&text)) {
            // README.md need not quote all of a long one.
            for length in KNOWN_BY..part.len().min(LONG) {
                whole.extend(part.windows(length).map(<[String]>::to_vec));
            }
            whole.insert(part);
        }
        let longest = whole.iter().map(Vec::len).max().unwrap();
        Self { whole, longest }
    }

    /// Where a message leaves what is known.
    fn complaint(&self, message: &str) -> Option<String> {
        let words = words(&message_values(message));
        let mut reached = HashSet::from([0]);
        for at in 0..words.len() {
            if !reached.contains(&at) {
                continue;
            }
            if is_value(&words[at]) {
                reached.insert(at + 1);
            }
            for end in at + 1..=words.len().min(at + self.longest) {
                if self.whole.contains(&words[at..end]) {
                    reached.insert(end);
                }
            }
        }
        // From its beginning, as far as it can be laid out.
        let reached = reached.into_iter().max().unwrap();
        (reached < words.len()).then(|| format!("{message}: from `{}`", words[reached]))
    }
}

/// A message with `0` for what stands in quotes, and for single words in backticks.
fn message_values(message: &str) -> String {
    let mut text = String::new();
    for (place, part) in message.split('"').enumerate() {
        text.push_str(if place % 2 == 0 { part } else { "0" });
    }
    let parts: Vec<&str> = text.split('`').collect();
    let named =
        |place: usize, part: &str| place % 2 == 1 && place + 1 < parts.len() && !part.contains(' ');
    let parts = parts.iter().enumerate();
    let parts = parts.map(|(place, part)| if named(place, part) { "0" } else { part });
    parts.collect()
}

fn is_value(word: &str) -> bool {
    word.contains(|c: char| c.is_ascii_digit() || matches!(c, '/' | '\u{2026}'))
}

/// The code spans of a table's cell.
fn spans(cell: &str) -> Vec<String> {
    let (mut rest, mut found) = (cell, Vec::new());
    while let Some(at) = rest.find('`') {
        let ticks = rest[at..].chars().take_while(|&c| c == '`').count();
        let (fence, inside) = rest[at..].split_at(ticks);
        let Some((span, after)) = inside.split_once(fence) else {
            break;
        };
        found.push(span.to_owned());
        rest = after;
    }
    found
}

/// Messages in the table: all that stands in its first column, and plain words in the other.
fn messages() -> Vec<String> {
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    let (_, table) = readme
        .split_once("| message | means |\n|---|---|\n")
        .unwrap();
    let (table, _) = table.split_once("\n\n").unwrap();
    let mut found = Vec::new();
    for row in table.lines() {
        let (message, means) = row.trim_matches('|').split_once(" | ").unwrap();
        let spans_of_both = (spans(message), spans(means));
        assert!(!spans_of_both.0.is_empty(), "no message in {row}");
        found.extend(spans_of_both.0);
        let plain = |c: char| c.is_ascii_lowercase() || c == ' ';
        let is_said = |span: &String| span.contains(' ') && span.chars().all(plain);
        found.extend(spans_of_both.1.into_iter().filter(is_said));
    }
    found
}

#[test]
fn messages_that_the_readme_explains_are_those_that_are_given() {
    let (fixed, messages) = (Fixed::new(), messages());
    assert!(messages.len() > 20, "{messages:#?}");
    let complaints = messages.iter().filter_map(|text| fixed.complaint(text));
    let complaints: Vec<String> = complaints.collect();
    assert!(
        complaints.is_empty(),
        "nothing in src says\n{}",
        complaints.join("\n")
    );
}

/// A test that could not fail would hold nothing.
#[test]
fn a_message_that_nothing_gives_is_found_out() {
    let fixed = Fixed::new();
    for (message, is_said) in [
        (
            "/data/x: could not write: No space left on device (os error 28)",
            true,
        ),
        (
            "/data/x: could not scribble: No space left on device",
            false,
        ),
        ("/data/x: could not write: No room on device", false),
        ("refused: poisoned: the decoder ended with SIGSEGV", true),
        ("refused: poisoned: the decoder died of SIGSEGV", false),
        (
            "still arriving: truncated: 5 bytes, its header promises 7",
            true,
        ),
        (
            "still arriving: truncated: 5 bytes, its header offers 7",
            false,
        ),
        ("no profile names the camera \"Any Name\"", true),
        ("no profile names the camera Any Name", false),
    ] {
        let complaint = fixed.complaint(message);
        assert_eq!(complaint.is_none(), is_said, "{message}: {complaint:?}");
    }
}
