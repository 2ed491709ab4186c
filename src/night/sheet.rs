//! A sheet of plain text for a terminal.
//!
//! Invariants: no line is wider than [`WIDTH`] columns, and no character gets through that could
//! move the cursor, ring, or turn the line around, whatever files and headers are called.
//!
//! It does not know what the text is about.

/// Columns of a sheet.
pub(super) const WIDTH: usize = 80;
/// Lines of one entry before it is cut short.
const LINES: usize = 3;
/// Where wrapped lines continue.
const HANGING: usize = 6;

/// Text that grows line by line.
#[derive(Default)]
pub(super) struct Sheet {
    text: String,
}

impl Sheet {
    /// The whole text, each line ended.
    pub(super) fn into_text(self) -> String {
        self.text
    }

    /// One line, cut at the right edge.
    pub(super) fn line(&mut self, line: &str) {
        self.text.push_str(cut(&plain(line), WIDTH).trim_end());
        self.text.push('\n');
    }

    /// An empty line and a heading.
    pub(super) fn heading(&mut self, heading: &str) {
        self.text.push('\n');
        self.line(heading);
    }

    /// One text at each end of a line.
    pub(super) fn spread(&mut self, left: &str, right: &str) {
        let room = WIDTH.saturating_sub(width(right) + 2);
        self.line(&format!("{}  {right}", fit(left, room)));
    }

    /// An entry of a list: wrapped, the following lines further in, over a few lines at most.
    pub(super) fn item(&mut self, text: &str) {
        self.wrapped(text, 2);
    }

    /// What belongs to the entry above it.
    pub(super) fn note(&mut self, text: &str) {
        self.wrapped(text, HANGING);
    }

    fn wrapped(&mut self, text: &str, first: usize) {
        let mut lines = wrap(&tame(text), WIDTH - first, WIDTH - HANGING);
        if lines.len() > LINES {
            lines.truncate(LINES);
            if let Some(last) = lines.last_mut() {
                *last = format!("{}...", cut(last, WIDTH - HANGING - 3));
            }
        }
        for (at, line) in lines.iter().enumerate() {
            let indent = if at == 0 { first } else { HANGING };
            self.line(&format!("{:indent$}{line}", ""));
        }
    }
}

/// Foreign text on one line: blanks and line ends become single spaces, what a terminal should
/// not see becomes `?`.
pub fn tame(text: &str) -> String {
    let words: Vec<&str> = text.split_whitespace().collect();
    plain(&words.join(" "))
}

/// The same text with `?` for each character that a terminal should not see.
pub fn plain(text: &str) -> String {
    text.chars().map(harmless).collect()
}

/// Cut with three dots, or padded, to exactly so many columns.
pub(super) fn fit(text: &str, room: usize) -> String {
    let text = if width(text) > room {
        format!("{}...", cut(text, room.saturating_sub(3)))
    } else {
        text.to_owned()
    };
    let pad = room.saturating_sub(width(&text));
    format!("{text}{:pad$}", "")
}

/// The longest end that fits, since a path's end tells more than its beginning.
pub(super) fn tail(text: &str, room: usize) -> String {
    if width(text) <= room {
        return text.to_owned();
    }
    let mut used = 3;
    let kept: Vec<char> = text
        .chars()
        .rev()
        .take_while(|&c| {
            used += columns(c);
            used <= room
        })
        .collect();
    format!("...{}", kept.into_iter().rev().collect::<String>())
}

/// Columns that a text takes in a terminal.
pub(super) fn width(text: &str) -> usize {
    text.chars().map(columns).sum()
}

/// Two for the wide characters of East Asia and for pictures, none for the common combining marks.
fn columns(c: char) -> usize {
    match u32::from(c) {
        0x0300..=0x036f | 0xfe00..=0xfe0f => 0,
        0x1100..=0x115f
        | 0x2e80..=0xa4cf
        | 0xac00..=0xd7a3
        | 0xf900..=0xfaff
        | 0xfe30..=0xfe6f
        | 0xff00..=0xff60
        | 0xffe0..=0xffe6
        | 0x1f300..=0x1faff
        | 0x20000..=0x3fffd => 2,
        _ => 1,
    }
}

/// Control characters, the invisible ones that join, turn or tag text, and codes that are no
/// character become `?`.
pub fn harmless(c: char) -> char {
    let is_invisible = matches!(
        u32::from(c),
        0x200b..=0x200f | 0x2028..=0x202e | 0x2060..=0x206f | 0xfeff | 0xfff9..=0xfffb | 0xe0000..=0xe007f
    );
    let is_no_character = u32::from(c) & 0xfffe == 0xfffe;
    if c.is_control() || is_invisible || is_no_character {
        '?'
    } else {
        c
    }
}

/// The longest beginning that fits.
fn cut(text: &str, room: usize) -> &str {
    let mut used = 0;
    let end = text.char_indices().find(|&(_, c)| {
        used += columns(c);
        used > room
    });
    &text[..end.map_or(text.len(), |(at, _)| at)]
}

/// Breaks at spaces; a word wider than a line is broken where it must. `first` and `rest` are the
/// columns of the first and the following lines, at least two.
fn wrap(text: &str, first: usize, rest: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for mut word in text.split(' ') {
        loop {
            let room = if lines.is_empty() { first } else { rest };
            let gap = usize::from(!line.is_empty());
            if width(&line) + gap + width(word) <= room {
                line.extend(std::iter::repeat_n(' ', gap));
                line.push_str(word);
                break;
            }
            if line.is_empty() {
                let head = cut(word, room);
                word = &word[head.len()..];
                lines.push(head.to_owned());
            } else {
                lines.push(std::mem::take(&mut line));
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_wrap_and_long_ones_break() {
        assert_eq!(wrap("one two three", 8, 6), ["one two", "three"]);
        assert_eq!(wrap("abcdefghij k", 4, 3), ["abcd", "efg", "hij", "k"]);
        assert_eq!(wrap("", 4, 4), Vec::<String>::new());
        assert_eq!(wrap("\u{4e00}\u{4e00}\u{4e00}", 3, 3).len(), 3);
    }

    #[test]
    fn fitting_counts_columns_not_letters() {
        assert_eq!(fit("abc", 5), "abc  ");
        assert_eq!(fit("abcdefgh", 6), "abc...");
        assert_eq!(width(&fit("\u{4e00}\u{4e00}\u{4e00}\u{4e00}", 6)), 6);
        assert_eq!(tail("lights/of/night/a.fits", 9), "...a.fits");
    }

    #[test]
    fn a_terminal_never_sees_what_moves_it() {
        let mut sheet = Sheet::default();
        sheet.item("a\u{1b}[2Jb\nc\u{202e}d\u{200b}");
        sheet.line("x\ty\u{9b}");
        assert_eq!(sheet.into_text(), "  a?[2Jb c?d?\nx?y?\n");
    }

    #[test]
    fn an_endless_entry_is_cut_short() {
        let mut sheet = Sheet::default();
        sheet.item(&"word ".repeat(400));
        let text = sheet.into_text();
        assert_eq!(text.lines().count(), LINES);
        assert!(text.ends_with("...\n"), "{text}");
    }
}
