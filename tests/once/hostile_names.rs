//! Names and header texts made to escape, to break a reader or to be run: they stay what they are,
//! and stay inside.

use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Component, Path, PathBuf};

use dawnledger::facts::RelPath;

use crate::document::Document;
use crate::mutants::RIG;
use crate::observatory::{Observatory, files, said};

const NIGHT: &str = "2026-09-05";

const FRAMES: &str = "rigs:
  - camera: Petrel 26M
    sensor: {width: 32, height: 24}
    filters: [{name: Ha}]
    targets: [{name: Veil Nebula, stars: 3}]
    runs:
      - {kind: flat, filter: Ha, exposure_s: 2, start: '2026-09-05T19:00:00Z', count: 3}
      - {kind: light, filter: Ha, target: Veil Nebula, exposure_s: 60, start: '2026-09-05T21:00:00Z', count: 1}
      - {kind: bias, start: '2026-09-06T04:00:00Z', count: 3}
";

/// Texts that somebody may hope to get through with.
const TEXTS: [&str; 48] = [
    "..",
    ".",
    "/",
    "../../../escaped",
    "/tmp/escaped",
    "a/../../b",
    "con",
    "NUL",
    "two\nlines",
    "cr\rlf\n2026-09-06T00:00:00Z  INFO dawnledger: forged",
    "tab\there",
    "\u{1b}[2J\u{1b}[31mred\u{1b}[0m",
    "\u{1b}]0;title\u{7}",
    "\u{9b}31mred",
    "nul\0byte",
    "back\u{8}space",
    "del\u{7f}",
    "<script>alert(1)</script>",
    "</title><script src=//x></script>",
    "<img src=x onerror=alert(1)>",
    "\" onmouseover=\"alert(1)",
    "' onload='alert(1)",
    "javascript:alert(1)",
    "&lt;b&gt; &amp; &#0;",
    "--> ]]> <!--",
    "$(touch escaped)",
    "`touch escaped`",
    "; touch escaped;",
    "| touch escaped &",
    "%s%n%x",
    "{{ 7 * 7 }}",
    "*alias",
    "&anchor x",
    "!!str x",
    "- item",
    "key: value",
    "# remark",
    "it's \"quoted\"",
    "back\\slash \\n",
    "yes",
    "~",
    "12:30:00",
    "\u{202e}stif.gnp",
    "zero\u{200b}width \u{feff} \u{2028} \u{2066}",
    "m  31",
    "M 31",
    "M-31",
    "\u{5929}\u{9df9} e\u{301} \u{1f52d}",
];

/// File names, beside those made of the texts.
const NAMES: [&[u8]; 8] = [
    b"caf\xe9 \xff\xfe.fits",
    b"-rf.fits",
    b" .fits",
    b"~.fits",
    b"new\nline.fits",
    b"\x1b[2J.fits",
    b"$(touch escaped).fits",
    b"case.FITS",
];

/// A header record, or several where the text needs them: strings go on in CONTINUE records.
fn records(keyword: &str, text: &[u8]) -> Vec<u8> {
    let quoted: Vec<&[u8]> = text
        .iter()
        .map(|byte| match byte {
            b'\'' => b"''".as_slice(),
            byte => std::slice::from_ref(byte),
        })
        .collect();
    let pieces: Vec<_> = quoted.chunks(30).map(|piece| piece.concat()).collect();
    let mut records = Vec::new();
    for (at, piece) in pieces.iter().enumerate() {
        let mut record = match at {
            0 => format!("{keyword:<8}= '").into_bytes(),
            _ => b"CONTINUE  '".to_vec(),
        };
        record.extend_from_slice(piece);
        if at + 1 < pieces.len() {
            record.push(b'&');
        }
        record.push(b'\'');
        record.resize(80, b' ');
        records.extend(record);
    }
    records
}

/// The frame with these texts in its header, and pixels of its own.
fn spelled(frame: &[u8], texts: &[(&str, &[u8])], number: usize) -> Vec<u8> {
    let end = frame
        .chunks(80)
        .position(|record| record.starts_with(b"END     "));
    let (head, data) = frame.split_at((end.unwrap() * 80).next_multiple_of(2880));
    let stale = |record: &&[u8]| {
        texts
            .iter()
            .any(|(keyword, _)| record.starts_with(format!("{keyword:<8}=").as_bytes()))
            || record.starts_with(b"END     ")
            || record.trim_ascii().is_empty()
    };
    let mut bytes: Vec<u8> = head
        .chunks(80)
        .filter(|record| !stale(record))
        .collect::<Vec<_>>()
        .concat();
    for (keyword, text) in texts {
        bytes.extend(records(keyword, text));
    }
    bytes.extend(format!("{:<80}", "END").bytes());
    bytes.resize(bytes.len().next_multiple_of(2880), b' ');
    bytes.extend_from_slice(data);
    // A few pixels' lower bits.
    let place = bytes.len() - 2880;
    for (at, byte) in number.to_be_bytes()[6..].iter().enumerate() {
        bytes[place + 2 * at + 1] ^= byte & 0x0f;
        bytes[place + 2 * at + 5] ^= byte >> 4;
    }
    bytes
}

/// What the log calls a target: the text without blanks around it.
fn target(text: &str) -> Option<String> {
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

/// Contents and times of all that lies in a folder, and the folders' own.
fn seal(folder: &Path) -> BTreeMap<PathBuf, (Vec<u8>, [i64; 4], u32)> {
    let mut sealed = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(path) = open.pop() {
        let about = fs::symlink_metadata(&path).unwrap();
        let times = [
            about.mtime(),
            about.mtime_nsec(),
            about.ctime(),
            about.ctime_nsec(),
        ];
        let contents = match about.is_dir() {
            true => {
                open.extend(
                    fs::read_dir(&path)
                        .unwrap()
                        .map(|entry| entry.unwrap().path()),
                );
                Vec::new()
            }
            false => fs::read(&path).unwrap(),
        };
        sealed.insert(path, (contents, times, about.mode()));
    }
    sealed
}

/// What in a text could do anything to a terminal or to the next line.
fn odd(text: &str, what: &str) -> Vec<String> {
    let is_odd = |c: char| {
        let invisible = matches!(
            u32::from(c),
            0x200b..=0x200f | 0x2028..=0x202e | 0x2066..=0x2069 | 0xfeff
        );
        c != '\n' && (c.is_control() || invisible)
    };
    let lines = text.split('\n').filter(|line| line.contains(is_odd));
    lines.map(|line| format!("{what}: {line:?}")).collect()
}

/// What a page holds that is not ours.
fn foreign(page: &Path) -> Vec<String> {
    let text = fs::read_to_string(page).unwrap();
    let page = page.display();
    let mut found = odd(&text, &page.to_string());
    for element in &Document::read(&text).elements {
        let name = element.name.as_str();
        if matches!(name, "script" | "iframe" | "object" | "embed") {
            found.push(format!("{page}: <{name}>"));
        }
        for (key, value) in &element.attributes {
            let leads = matches!(key.as_str(), "href" | "src");
            let inside = value.starts_with('#')
                || value.starts_with("data:image/")
                || value == "data:,"
                || !value.contains(':') && !value.starts_with('/');
            if key.starts_with("on") || leads && !inside {
                found.push(format!("{page}: {key}={value:?} in <{name}>"));
            }
        }
    }
    found
}

/// Everything below the folder but what is in these.
fn around(root: &Path, but: &[&str]) -> BTreeSet<PathBuf> {
    files(root)
        .into_iter()
        .filter(|path| !but.iter().any(|inside| path.starts_with(root.join(inside))))
        .collect()
}

#[test]
fn hostile_names_and_texts_stay_what_they_are_and_inside() {
    let here = Observatory::new(&[("any", RIG)], "");
    here.shoot(FRAMES);
    let raws = files(&here.incoming());
    let raw = |kind: &str| {
        let found = raws
            .iter()
            .find(|path| path.to_string_lossy().contains(kind));
        fs::read(found.unwrap_or_else(|| panic!("no {kind}"))).unwrap()
    };
    let (light, bias, flat) = (raw("light_"), raw("bias_"), raw("flat_"));
    let mut targets: BTreeMap<String, Option<String>> = BTreeMap::new();
    let mut number = 0;
    let mut add = |path: &Path, frame: &[u8], texts: &[(&str, &[u8])]| {
        number += 1;
        let whole = here.incoming().join(path);
        fs::create_dir_all(whole.parent().unwrap()).unwrap();
        fs::write(whole, spelled(frame, texts, number)).unwrap();
    };
    let long = "x".repeat(5000);
    let invalid = b"bad \xff\xfe\xc3 bytes".as_slice();
    let texts = TEXTS
        .iter()
        .map(|text| text.as_bytes())
        .chain([long.as_bytes(), invalid]);
    for (at, text) in texts.enumerate() {
        let path = PathBuf::from(format!("targets/{at}.fits"));
        add(&path, &light, &[("OBJECT", text)]);
        let name = RelPath::new(&path).unwrap().to_string();
        targets.insert(name, target(&String::from_utf8_lossy(text)));
    }
    // The same texts as names of files and folders, as far as a file system takes them.
    let named = TEXTS
        .iter()
        .filter(|text| !text.contains(['/', '\0']) && !text.trim_matches('.').is_empty())
        .flat_map(|text| [format!("{text}.fits"), format!("in/{text}/x.fits")])
        .map(|name| name.into_bytes())
        .chain(NAMES.map(<[u8]>::to_vec))
        .chain([
            [[b'y'; 250].as_slice(), b".fits"].concat(),
            b"case.fits".to_vec(),
        ]);
    for name in named {
        let path = Path::new(OsStr::from_bytes(&name));
        add(path, &light, &[]);
        let name = RelPath::new(path).unwrap().to_string();
        targets.insert(name, Some("Veil Nebula".to_owned()));
    }
    // A set of its own for each odd camera, filter and telescope.
    for (at, text) in [
        "../../../../escaped",
        "<script>\n\u{1b}[31m",
        "$(touch escaped)",
    ]
    .into_iter()
    .enumerate()
    {
        let odd = text.as_bytes();
        let words = [("INSTRUME", odd), ("FILTER", odd), ("TELESCOP", odd)];
        for count in 0..3 {
            add(
                format!("sets/{at}/bias_{count}.fits").as_ref(),
                &bias,
                &words[..1],
            );
            add(
                format!("sets/{at}/flat_{count}.fits").as_ref(),
                &flat,
                &words,
            );
        }
        let path = PathBuf::from(format!("sets/{at}/light.fits"));
        add(&path, &light, &words);
        targets.insert(
            RelPath::new(&path).unwrap().to_string(),
            Some("Veil Nebula".to_owned()),
        );
    }
    for (at, keyword) in ["IMAGETYP", "EXPTIME", "BAYERPAT", "DATE-OBS", "GAIN"]
        .into_iter()
        .enumerate()
    {
        add(
            format!("odd/{at}.fits").as_ref(),
            &light,
            &[(keyword, b"\x1b[2J<script>\n$(touch escaped)")],
        );
    }

    // Nobody may write to the raw frames, not even root by way of a folder's times.
    let sealed = seal(&here.incoming());
    let outside = around(&here.path(""), &["products", "state"]);
    let told = here.once();
    assert!(
        sealed == seal(&here.incoming()),
        "something was done to the watch folder"
    );
    assert_eq!(around(&here.path(""), &["products", "state"]), outside);
    let mut complaints = odd(&told, "once");

    // Products: lower-case words, each in its place.
    let log = here.session(NIGHT);
    let mut names = BTreeSet::new();
    for path in files(&here.products()) {
        let inside = path.strip_prefix(here.products()).unwrap();
        for part in inside.components() {
            let Component::Normal(part) = part else {
                panic!("{inside:?}")
            };
            let safe = |b: &u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b"-._".contains(b);
            let bytes = part.as_bytes();
            assert!(
                bytes.len() < 200 && bytes.iter().all(safe) && bytes[0] != b'-',
                "{inside:?}"
            );
        }
        names.insert(inside.to_str().unwrap().to_lowercase());
        if path.extension() == Some(OsStr::new("html")) {
            complaints.extend(foreign(&path));
        }
        if path.extension() == Some(OsStr::new("yaml")) {
            let text = fs::read_to_string(&path).unwrap();
            complaints.extend(odd(&text, &path.display().to_string()));
        }
    }
    // Each light once, under the very name and target that it has.
    let mut products = BTreeSet::new();
    for light in &log.lights {
        let Some(wanted) = targets.remove(&light.file) else {
            continue;
        };
        assert_eq!(light.target, wanted, "{}", light.file);
        assert_eq!(
            light.state, "calibrated",
            "{}: {:?}",
            light.file, light.reason
        );
        let product = light.product.clone().unwrap();
        assert!(names.contains(&product), "{product}");
        assert!(products.insert(product), "two lights share a product");
    }
    assert!(targets.is_empty(), "not in the log: {targets:#?}");
    let text = fs::read_to_string(here.products().join("targets.yaml")).unwrap();
    let all = dawnledger::night::parse_targets(&text).unwrap();
    let spelt = |name: &str| {
        all.targets
            .iter()
            .filter(|target| target.target == name)
            .count()
    };
    for name in [
        "..",
        "<script>alert(1)</script>",
        "m  31",
        "M 31",
        "M-31",
        &long,
    ] {
        assert_eq!(spelt(name), 1, "{name:?}");
    }

    // What is printed about it.
    for words in [&["log"][..], &["log", NIGHT], &["plan"]] {
        let output = here.call(words);
        assert!(output.status.success(), "{}", said(&output));
        complaints.extend(odd(&said(&output), words[0]));
    }
    for light in log.lights.iter().step_by(9) {
        let output = here.call(&["explain", &format!("./{}", light.file)]);
        assert!(output.status.success(), "{}", said(&output));
        complaints.extend(odd(&said(&output), "explain"));
    }
    assert!(complaints.is_empty(), "{complaints:#?}");
}

#[test]
fn a_watch_folder_that_cannot_be_written_to_is_all_it_needs() {
    let here = Observatory::new(&[("any", RIG)], "");
    here.shoot(FRAMES);
    let mode =
        |mode| fs::set_permissions(here.incoming(), fs::Permissions::from_mode(mode)).unwrap();
    for file in files(&here.incoming()) {
        fs::set_permissions(file, fs::Permissions::from_mode(0o444)).unwrap();
    }
    mode(0o555);
    let sealed = seal(&here.incoming());
    here.once();
    here.once();
    assert!(
        sealed == seal(&here.incoming()),
        "something was done to the watch folder"
    );
    assert_eq!(here.session(NIGHT).ledger.lights, 1);
    mode(0o755);
}
