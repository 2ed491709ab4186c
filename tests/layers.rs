//! The house keeps its layers: who may use whom, who reads the clock, who writes to the disk.
//!
//! The tables below are the rules; DEVELOPERS.md says why. A failure prints file and line, what
//! stands there and the rule against it. Beside them, messages that README.md explains are those that
//! `src` has.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "layers/messages.rs"]
mod messages;
#[path = "layers/source.rs"]
mod source;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use source::{Token, test_modules, text_at, tokens};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Layer {
    Facts,
    Pure,
    Edge,
    Top,
}

/// Every room and its layer. A room that is missing here has no business in `src`.
const ROOMS: [(&str, Layer); 19] = [
    ("facts", Layer::Facts),
    ("frame", Layer::Pure),
    ("config", Layer::Pure),
    ("settle", Layer::Pure),
    ("plan", Layer::Pure),
    ("combine", Layer::Pure),
    ("measure", Layer::Pure),
    ("judge", Layer::Pure),
    ("night", Layer::Pure),
    ("page", Layer::Pure),
    ("fits", Layer::Edge),
    ("publish", Layer::Edge),
    ("catalogue", Layer::Edge),
    ("scan", Layer::Edge),
    ("watch", Layer::Edge),
    ("make", Layer::Edge),
    ("daemon", Layer::Top),
    ("simulate", Layer::Top),
    ("cli", Layer::Top),
];

/// The only edges that may use other edges.
const BETWEEN_EDGES: [(&str, &str); 3] =
    [("make", "fits"), ("make", "publish"), ("fits", "publish")];

/// Crates that are the business of a few rooms.
const MACHINERY: [(&str, &[&str]); 15] = [
    ("askama", &["page"]),
    ("jpeg_encoder", &["page"]),
    ("fitsio", &["fits"]),
    ("fitsio_sys", &["fits"]),
    ("flate2", &["fits", "simulate"]),
    ("rusqlite", &["catalogue"]),
    ("notify", &["watch"]),
    ("clap", &["cli"]),
    ("clap_complete", &["cli"]),
    ("clap_mangen", &["cli"]),
    ("schemars", &["config", "facts"]),
    ("indicatif", &["cli", "daemon"]),
    ("sd_notify", &["daemon"]),
    ("tokio", &["cli", "daemon", "watch"]),
    ("anyhow", &["cli", "daemon"]),
];

/// Calls that change the disk.
const WRITING: [&str; 12] = [
    "rename",
    "remove_file",
    "remove_dir",
    "remove_dir_all",
    "create_dir",
    "create_dir_all",
    "hard_link",
    "symlink",
    "set_permissions",
    "set_modified",
    "set_times",
    "set_len",
];

/// Options that open a file for more than reading.
const OPENING: [&str; 5] = ["write", "append", "truncate", "create", "create_new"];

/// Files outside `publish` that may change the disk, and why.
const MAY_WRITE: [(&str, &str); 3] = [
    (
        "src/fits/unpack.rs",
        "the decoder's scratch file loses its name before anything is written to it",
    ),
    (
        "src/cli/demo.rs",
        "it plays capture software, which writes raw frames into a scratch watch folder",
    ),
    (
        "src/simulate.rs",
        "invented frames get the times that their exposures would have given them",
    ),
];

/// Rooms and files whose results stand in products to the last digit.
const IN_PRODUCTS: [&str; 4] = ["combine", "make", "fits", "src/measure/colour/line.rs"];

/// Limits of a test for outliers: they decide, and stand nowhere.
const DECIDES: &str = "src/combine/student.rs";

/// Functions that each system's library rounds in its own way, unlike roots.
const ROUNDED_SOMEHOW: [&str; 24] = [
    "acos", "acosh", "asin", "asinh", "atan", "atan2", "atanh", "cbrt", "cos", "cosh", "exp",
    "exp2", "exp_m1", "hypot", "ln", "ln_1p", "log", "log10", "log2", "powf", "sin", "sin_cos",
    "sinh", "tan",
];

/// All that the top level may hold, beside names that begin with a dot.
const TOP_LEVEL: [&str; 10] = [
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "src",
    "config",
    "tests",
    "deploy",
    "demo-data",
];

struct File {
    /// From the repository's root, `/` between parts.
    path: String,
    text: String,
    tokens: Vec<Token>,
    is_test: bool,
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn layer(room: &str) -> Option<Layer> {
    ROOMS
        .iter()
        .find(|(name, _)| *name == room)
        .map(|(_, layer)| *layer)
}

/// The module path of a file in `src`: empty for the crate's root.
fn module_of(path: &str) -> Vec<String> {
    let inside = path.strip_prefix("src/").unwrap_or(path);
    let inside = inside.strip_suffix(".rs").unwrap_or(inside);
    match inside {
        "lib" | "main" => Vec::new(),
        _ => inside.split('/').map(str::to_owned).collect(),
    }
}

fn parse(path: &str, text: &str) -> File {
    let module = module_of(path);
    File {
        path: path.to_owned(),
        tokens: tokens(text, &module),
        text: text.to_owned(),
        is_test: module.iter().any(|part| part == "tests"),
    }
}

fn files() -> Vec<File> {
    fn walk(folder: &Path, into: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            match path.extension() {
                _ if path.is_dir() => walk(&path, into),
                Some(ending) if ending == "rs" => into.push(path),
                _ => {}
            }
        }
    }
    let mut paths = Vec::new();
    walk(&root().join("src"), &mut paths);
    paths.sort();
    let mut files: Vec<File> = paths
        .iter()
        .map(|path| {
            let inside = path.strip_prefix(root()).unwrap().to_str().unwrap();
            parse(inside, &fs::read_to_string(path).unwrap())
        })
        .collect();
    let only_tests: BTreeSet<Vec<String>> =
        files.iter().flat_map(|f| test_modules(&f.tokens)).collect();
    for file in &mut files {
        let module = module_of(&file.path);
        file.is_test |= (1..=module.len()).any(|end| only_tests.contains(&module[..end]));
    }
    files
}

/// Applies a rule to every file and fails with all it has to say.
fn hold(rule: impl Fn(&File) -> Vec<String>) {
    let complaints: Vec<String> = files().iter().flat_map(rule).collect();
    assert!(complaints.is_empty(), "\n{}\n", complaints.join("\n"));
}

fn room_of(module: &[String]) -> &str {
    module.first().map_or("", String::as_str)
}

/// What `from` may not do with `to`; nothing where the table allows it.
fn objection(from: &str, to: &str) -> Option<String> {
    // The crate's root: `lib.rs` declares the rooms, `main.rs` calls them.
    if from.is_empty() || from == to {
        return None;
    }
    let Some(target) = layer(to) else {
        return Some(format!("`{to}` is no room of the table in tests/layers.rs"));
    };
    let rule = match layer(from) {
        None => return Some(format!("the room `{from}` has no layer yet")),
        Some(Layer::Top) => return None,
        Some(Layer::Facts) => "facts use no other room",
        Some(Layer::Pure) if matches!(target, Layer::Facts | Layer::Pure) => return None,
        Some(Layer::Pure) => "pure rooms use facts and pure rooms only",
        Some(Layer::Edge) if matches!(target, Layer::Facts | Layer::Pure) => return None,
        Some(Layer::Edge) if BETWEEN_EDGES.contains(&(from, to)) => return None,
        Some(Layer::Edge) => {
            "edges use facts, pure rooms and no other edge, except make -> fits, \
             make -> publish and fits -> publish"
        }
    };
    Some(rule.to_owned())
}

/// Rooms that the path beginning at token `at` (`crate` or the first of some `super`) leads to.
fn targets(tokens: &[Token], mut at: usize) -> Vec<String> {
    let mut base = match tokens[at].text.as_str() {
        "crate" => Vec::new(),
        _ => tokens[at].module.clone(),
    };
    while text_at(tokens, at) == "super" {
        base.pop();
        at += 2;
    }
    if tokens.get(at).is_some_and(|token| token.text == "crate") {
        at += 2;
    }
    if let Some(room) = base.first() {
        return vec![room.clone()];
    }
    if text_at(tokens, at) != "{" {
        return vec![text_at(tokens, at).to_owned()];
    }
    let (mut depth, mut found) = (0, Vec::new());
    while at < tokens.len() {
        let begins = matches!(text_at(tokens, at), "{" | ",");
        match text_at(tokens, at) {
            "{" => depth += 1,
            "}" => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            break;
        }
        if begins && depth == 1 && text_at(tokens, at + 1) != "}" {
            found.push(text_at(tokens, at + 1).to_owned());
        }
        at += 1;
    }
    found
}

fn imports(file: &File) -> Vec<String> {
    let tokens = &file.tokens;
    let mut complaints = Vec::new();
    for (at, token) in tokens.iter().enumerate() {
        let after_path = at > 0 && tokens[at - 1].text == "::";
        let from = room_of(&token.module);
        let found = match token.text.as_str() {
            "crate" | "super" if after_path => continue,
            "crate" | "super" if text_at(tokens, at + 1) == "::" => targets(tokens, at),
            // An alias of the root would hide what is reached through it.
            "crate" if text_at(tokens, at + 1) == "as" => vec!["*".to_owned()],
            _ => continue,
        };
        for to in found {
            if let Some(rule) = objection(from, &to) {
                let (path, line) = (&file.path, token.line);
                complaints.push(format!("{path}:{line}: `{from}` uses `{to}`: {rule}"));
            }
        }
    }
    complaints
}

fn machinery(file: &File) -> Vec<String> {
    let tokens = &file.tokens;
    let mut complaints = Vec::new();
    for (at, token) in tokens.iter().enumerate() {
        let Some((name, rooms)) = MACHINERY.iter().find(|(name, _)| *name == token.text) else {
            continue;
        };
        let before = at
            .checked_sub(1)
            .map_or("", |before| text_at(tokens, before));
        let is_path = text_at(tokens, at + 1) == "::" || before == "use";
        let room = room_of(&token.module);
        let own_module = root().join("src").join(room).join(format!("{name}.rs"));
        if is_path && before != "::" && !rooms.contains(&room) && !own_module.is_file() {
            let (path, line, rooms) = (&file.path, token.line, rooms.join(" and "));
            complaints.push(format!(
                "{path}:{line}: `{room}` uses the crate `{name}`: only {rooms} may use it"
            ));
        }
    }
    complaints
}

fn clocks(file: &File) -> Vec<String> {
    let tokens = &file.tokens;
    let mut complaints = Vec::new();
    for (at, token) in tokens.iter().enumerate() {
        let room = room_of(&token.module);
        let (before, after) = match at {
            0 => continue,
            _ => (text_at(tokens, at - 1), text_at(tokens, at + 1)),
        };
        let reads = match token.text.as_str() {
            "now" => before == "::",
            "elapsed" => before == "." && after == "(",
            // The host's time zone is as fleeting as its time.
            "system" => before == "::" && at > 1 && text_at(tokens, at - 2) == "TimeZone",
            _ => false,
        };
        if reads && layer(room) != Some(Layer::Top) {
            let (path, line, what) = (&file.path, token.line, &token.text);
            complaints.push(format!(
                "{path}:{line}: `{room}` reads the clock (`{what}`): only daemon, cli and \
                 simulate may; take the time as an argument"
            ));
        }
    }
    complaints
}

fn writes(file: &File) -> Vec<String> {
    let (path, tokens) = (&file.path, &file.tokens);
    let mut complaints = Vec::new();
    if file.is_test || MAY_WRITE.iter().any(|(allowed, _)| allowed == path) {
        return complaints;
    }
    for (at, token) in tokens.iter().enumerate() {
        let (name, room) = (token.text.as_str(), room_of(&token.module));
        if at == 0 || token.in_tests || room == "publish" {
            continue;
        }
        let before = text_at(tokens, at - 1);
        let owner = at.checked_sub(2).map_or("", |owner| text_at(tokens, owner));
        let called = text_at(tokens, at + 1) == "(" && before != "fn";
        let writing = called && WRITING.contains(&name)
            || before == "::" && owner == "fs" && matches!(name, "write" | "copy")
            || before == "::" && owner == "File" && matches!(name, "create" | "create_new")
            || called && OPENING.contains(&name) && text_at(tokens, at + 2) == "true";
        if writing {
            complaints.push(format!(
                "{path}:{}: `{room}` changes the disk (`{name}`): only publish may; go through \
                 its `Disk`",
                token.line
            ));
        }
    }
    complaints
}

/// Facts and pure rooms read no files, no environment, and start nothing.
fn purity(file: &File) -> Vec<String> {
    let tokens = &file.tokens;
    let mut complaints = Vec::new();
    for (at, token) in tokens.iter().enumerate() {
        let room = room_of(&token.module);
        let is_pure = matches!(layer(room), Some(Layer::Facts | Layer::Pure));
        let outside = matches!(
            token.text.as_str(),
            "fs" | "File" | "env" | "process" | "net" | "thread"
        );
        let as_path = text_at(tokens, at + 1) == "::"
            || at > 1 && text_at(tokens, at - 1) == "::" && text_at(tokens, at - 2) == "std";
        if is_pure && outside && as_path && !file.is_test && !token.in_tests {
            let (path, line, what) = (&file.path, token.line, &token.text);
            complaints.push(format!(
                "{path}:{line}: `{room}` reaches outside (`{what}`): pure rooms take data as \
                 arguments"
            ));
        }
    }
    complaints
}

/// Nothing speaks to a network. The sockets of journal and service manager are of this machine, and each
/// has one page of ours to itself.
fn network(file: &File) -> Vec<String> {
    const OF_THIS_MACHINE: [&str; 2] = ["src/daemon/journal.rs", "src/daemon/service.rs"];
    const TO_THEM: [&str; 3] = ["UnixDatagram", "socket", "net"];
    const SPEAKING: [&str; 8] = [
        "TcpStream",
        "TcpListener",
        "UdpSocket",
        "UnixStream",
        "UnixListener",
        "UnixDatagram",
        "ToSocketAddrs",
        "socket",
    ];
    let is_of_this_machine = OF_THIS_MACHINE.contains(&file.path.as_str());
    let speaks = |at: usize, name: &str| {
        if is_of_this_machine && TO_THEM.contains(&name) {
            return false;
        }
        let path = |before: &str| at > 1 && text_at(&file.tokens, at - 2) == before;
        SPEAKING.contains(&name)
            || name == "net"
                && ["std", "tokio", "rustix"]
                    .iter()
                    .any(|&before| path(before))
    };
    let found = file.tokens.iter().enumerate();
    let found = found.filter(|(at, token)| !token.in_tests && speaks(*at, &token.text));
    found
        .map(|(_, token)| {
            let (path, line, what) = (&file.path, token.line, &token.text);
            format!("{path}:{line}: `{what}`: nothing here speaks to a network")
        })
        .collect()
}

fn unsafety(file: &File) -> Vec<String> {
    let path = &file.path;
    let lines: Vec<&str> = file.text.lines().collect();
    let mut complaints = Vec::new();
    for token in file.tokens.iter().filter(|token| token.text == "unsafe") {
        let line = token.line;
        let allowed = room_of(&token.module) == "fits" || path.starts_with("src/combine/simd");
        if !allowed {
            complaints.push(format!(
                "{path}:{line}: `unsafe`: only in `fits` and src/combine/simd*"
            ));
        }
        let above = &lines[line.saturating_sub(8)..line];
        if !above.iter().any(|text| text.contains("SAFETY:")) {
            complaints.push(format!(
                "{path}:{line}: `unsafe` without a SAFETY line above it"
            ));
        }
    }
    complaints
}

/// Products are the same to the byte on every processor and with every library of the system's.
fn digits(file: &File) -> Vec<String> {
    let (path, tokens) = (&file.path, &file.tokens);
    let mut complaints = Vec::new();
    for (at, token) in tokens.iter().enumerate() {
        let (name, room) = (token.text.as_str(), room_of(&token.module));
        let called = at > 0
            && matches!(text_at(tokens, at - 1), "." | "::")
            && text_at(tokens, at + 1) == "(";
        let stored = IN_PRODUCTS.contains(&room) || IN_PRODUCTS.contains(&path.as_str());
        let is_test = file.is_test || token.in_tests || path == DECIDES;
        if called && stored && !is_test && ROUNDED_SOMEHOW.contains(&name) {
            complaints.push(format!(
                "{path}:{}: `{name}`: its last digit hangs on the system's library, and would stand \
                 in products",
                token.line
            ));
        }
    }
    complaints
}

fn heads(file: &File) -> Vec<String> {
    // What is nothing but tests says enough by its name.
    if file.is_test || file.text.starts_with("//!") || file.text.trim().is_empty() {
        return Vec::new();
    }
    vec![format!(
        "{}:1: does not begin with `//!`: say its purpose, its invariants and what it does not know",
        file.path
    )]
}

#[test]
fn rooms_use_only_what_their_layer_allows() {
    hold(imports);
}

#[test]
fn every_room_has_a_layer_and_every_layer_its_rooms() {
    let there: BTreeSet<String> = files()
        .iter()
        .map(|file| room_of(&module_of(&file.path)).to_owned())
        .filter(|room| !room.is_empty())
        .collect();
    let named: BTreeSet<String> = ROOMS.iter().map(|(room, _)| (*room).to_owned()).collect();
    assert_eq!(there, named, "rooms in src (left) and in the table (right)");
}

#[test]
fn crates_for_the_outside_world_stay_in_their_rooms() {
    hold(machinery);
}

#[test]
fn only_the_top_reads_the_clock() {
    hold(clocks);
}

#[test]
fn only_publish_changes_the_disk() {
    hold(writes);
}

#[test]
fn pure_rooms_reach_for_nothing_outside() {
    hold(purity);
}

#[test]
fn nothing_speaks_to_a_network() {
    hold(network);
    // Crates that could are built without it.
    let manifest = fs::read_to_string(root().join("Cargo.toml")).unwrap();
    for line in manifest.lines() {
        let able = line.starts_with("tokio ") || line.starts_with("rustix ");
        assert!(
            !able || !line.contains("\"net\"") && !line.contains("\"full\""),
            "{line}"
        );
    }
}

#[test]
fn unsafe_stays_where_it_belongs_and_is_proven() {
    hold(unsafety);
}

#[test]
fn products_hang_on_no_library_of_the_system() {
    hold(digits);
}

#[test]
fn every_file_opens_with_its_purpose() {
    hold(heads);
}

#[test]
fn the_top_level_holds_what_it_may_and_nothing_else() {
    let names = fs::read_dir(root()).unwrap();
    let names = names.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    // `target` is where cargo builds; it is not part of the repository.
    let found: BTreeSet<String> = names
        .filter(|name| !name.starts_with('.') && name != "target")
        .collect();
    let allowed: BTreeSet<String> = TOP_LEVEL.iter().map(|name| (*name).to_owned()).collect();
    assert_eq!(found, allowed, "found (left), allowed (right)");
}

/// A rule that could not fail would hold nothing.
#[test]
fn each_rule_finds_its_breach() {
    type Rule = fn(&File) -> Vec<String>;
    let breaches: [(Rule, &str, &str, usize); 25] = [
        (imports, "src/plan/x.rs", "use crate::publish::Disk;", 1),
        (imports, "src/plan/x.rs", "use super::super::publish;", 1),
        (
            imports,
            "src/plan.rs",
            "use crate::{facts::{A, B}, fits::C, make};",
            2,
        ),
        (
            imports,
            "src/plan.rs",
            "use crate::{\n    facts::A,\n    frame,\n};",
            0,
        ),
        (
            imports,
            "src/plan/x.rs",
            "fn f() { crate::scan::walk() }",
            1,
        ),
        (
            imports,
            "src/plan.rs",
            "// crate::fits\n/* crate::make */ const A: &str = \"crate::fits\";",
            0,
        ),
        (
            imports,
            "src/plan.rs",
            "const A: &str = r#\"\" crate::fits\"#; use crate::make;",
            1,
        ),
        (
            imports,
            "src/plan.rs",
            "mod tests { use super::*; fn f() { super::super::fits::x() } }",
            1,
        ),
        (imports, "src/facts/a.rs", "use crate::frame::B;", 1),
        (imports, "src/facts/a.rs", "use super::b::C;", 0),
        (imports, "src/catalogue.rs", "use crate::publish::Disk;", 1),
        (
            imports,
            "src/make.rs",
            "use crate::{fits::A, publish::B, plan::C};",
            0,
        ),
        (imports, "src/night.rs", "use crate as house;", 1),
        (machinery, "src/make.rs", "use rusqlite::Connection;", 1),
        (clocks, "src/plan.rs", "let t = Timestamp::now();", 1),
        (clocks, "src/daemon.rs", "let t = Timestamp::now();", 0),
        (
            writes,
            "src/make.rs",
            "fs::rename(a, b)?; File::create(c)?;",
            2,
        ),
        (
            writes,
            "src/scan.rs",
            "OpenOptions::new().read(true).write(true)",
            1,
        ),
        (
            writes,
            "src/scan.rs",
            "#[cfg(test)] mod tests { fn f() { fs::rename(a, b); } }",
            0,
        ),
        (purity, "src/config.rs", "let t = std::fs::read(p);", 1),
        (
            network,
            "src/daemon.rs",
            "use std::net::TcpStream; fn f() { TcpStream::connect(a) }",
            3,
        ),
        (unsafety, "src/make.rs", "fn f() { unsafe { g() } }", 2),
        (
            digits,
            "src/make/x.rs",
            "let a = x.sin() + f64::exp(y) + z.sqrt(); fn exp(a: f64);",
            2,
        ),
        (digits, "src/measure/colour.rs", "let a = x.sin();", 0),
        (heads, "src/make/x.rs", "use std::fs;", 1),
    ];
    for (rule, path, text, count) in breaches {
        let found = rule(&parse(path, text));
        assert_eq!(found.len(), count, "{path}: {text}: {found:#?}");
    }
}
