//! What a file's name says: wanted, ignored with a reason, or not seen at all.
//!
//! Names are bytes. Letter case never matters in the tables here; it does in the settings' globs.

use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;

use globset::{GlobBuilder, GlobSet, GlobSetBuilder};

/// Endings of FITS files.
const FITS: [&[u8]; 3] = [b".fits", b".fit", b".fts"];

/// Endings that may follow those: compressed FITS.
const COMPRESSED: [&[u8]; 2] = [b".fz", b".gz"];

/// Names under which programs keep what is not finished. `*` stands for anything, and only at one
/// end or in the middle.
const TEMPORARY: [&str; 14] = [
    "*.tmp",
    "*.temp",
    "*.part",
    "*.partial",
    "*.filepart",
    "*.crdownload",
    "*.download",
    "*.incomplete",
    "*.unfinished",
    "*.writing",
    "*.swp",
    "*.lock",
    "*~",
    "#*#",
];

/// Folders where systems keep what is deleted, lost or their own.
const NOT_ENTERED: [&[u8]; 3] = [b"lost+found", b"$recycle.bin", b"system volume information"];

/// What a name amounts to.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    Wanted,
    Ignored(String),
    Unseen,
}

/// The settings' own patterns, ready for use.
pub(super) struct Globs {
    set: GlobSet,
    /// The pattern as typed, for each glob in the set.
    typed: Vec<String>,
}

/// False for a folder that is not walked.
pub(super) fn is_entered(name: &[u8]) -> bool {
    !name.starts_with(b".")
        && !NOT_ENTERED
            .iter()
            .any(|skipped| name.eq_ignore_ascii_case(skipped))
}

/// Judges a file by its path in the watch folder.
pub(super) fn verdict(path: &Path, globs: Option<&Globs>) -> Verdict {
    let Some(name) = path.file_name().map(|name| name.as_encoded_bytes()) else {
        return Verdict::Unseen;
    };
    if name.starts_with(b".") {
        return if is_fits(name) {
            Verdict::Ignored("hidden: its name begins with a dot".to_owned())
        } else {
            Verdict::Unseen
        };
    }
    if let Some(pattern) = TEMPORARY.iter().find(|pattern| fits(pattern, name)) {
        return Verdict::Ignored(format!("temporary name: {pattern}"));
    }
    if let Some(globs) = globs
        && let Some(&first) = globs.set.matches(path).first()
    {
        return Verdict::Ignored(format!("the settings ignore {}", globs.typed[first]));
    }
    if is_fits(name) {
        Verdict::Wanted
    } else {
        Verdict::Ignored("not a FITS name".to_owned())
    }
}

/// Blanks at the end of a name do not hide its ending.
fn is_fits(name: &[u8]) -> bool {
    let name = name.trim_ascii_end();
    let plain = COMPRESSED
        .iter()
        .find_map(|ending| without(name, ending))
        .unwrap_or(name);
    FITS.iter()
        .any(|ending| without(plain, ending).is_some_and(|stem| !stem.is_empty()))
}

fn without<'a>(name: &'a [u8], ending: &[u8]) -> Option<&'a [u8]> {
    let (stem, tail) = name.split_at_checked(name.len().checked_sub(ending.len())?)?;
    tail.eq_ignore_ascii_case(ending).then_some(stem)
}

fn fits(pattern: &str, name: &[u8]) -> bool {
    let (head, tail) = pattern.split_once('*').unwrap_or((pattern, ""));
    without(name, tail.as_bytes()).is_some_and(|rest| rest.starts_with(head.as_bytes()))
}

/// Makes the settings' patterns ready. A pattern without a slash fits the name of a file or of any
/// folder above it; one with a slash fits the path in the watch folder, where `*` stays within a
/// part and `**` crosses parts. What lies in a folder that fits is ignored with it.
///
/// # Errors
/// The first pattern that is not a glob, and why.
pub(super) fn globs(patterns: &[String]) -> Result<Option<Rc<Globs>>, (String, String)> {
    // Events ask for one file at a time, thousands in a burst, while compiling takes longer than
    // looking: the last patterns of this thread are kept.
    type Kept = Vec<(Vec<String>, Rc<Globs>)>;
    const KEPT: usize = 16;
    thread_local! {
        static COMPILED: RefCell<Kept> = const { RefCell::new(Vec::new()) };
    }
    if patterns.is_empty() {
        return Ok(None);
    }
    COMPILED.with_borrow_mut(|kept| {
        if let Some((_, globs)) = kept.iter().find(|(of, _)| of == patterns) {
            return Ok(Some(globs.clone()));
        }
        let globs = Rc::new(compile(patterns)?);
        if kept.len() >= KEPT {
            kept.remove(0);
        }
        kept.push((patterns.to_vec(), globs.clone()));
        Ok(Some(globs))
    })
}

fn compile(patterns: &[String]) -> Result<Globs, (String, String)> {
    let mut set = GlobSetBuilder::new();
    let mut typed = Vec::new();
    for pattern in patterns {
        let wrong = |error: globset::Error| (pattern.clone(), error.kind().to_string());
        let bare = pattern.trim_matches('/');
        let anywhere = if pattern.trim_end_matches('/').contains('/') {
            bare.to_owned()
        } else {
            format!("**/{bare}")
        };
        for glob in [format!("{anywhere}/**"), anywhere] {
            let glob = GlobBuilder::new(&glob)
                .literal_separator(true)
                .build()
                .map_err(wrong)?;
            set.add(glob);
            typed.push(pattern.clone());
        }
    }
    let set = set
        .build()
        .map_err(|error| (patterns.join(", "), error.kind().to_string()))?;
    Ok(Globs { set, typed })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;

    fn judged(name: &[u8], patterns: &[&str]) -> Verdict {
        let patterns: Vec<String> = patterns.iter().map(|&glob| glob.to_owned()).collect();
        let globs = globs(&patterns).unwrap();
        verdict(Path::new(OsStr::from_bytes(name)), globs.as_deref())
    }

    #[test]
    fn fits_names_in_any_case_and_compression_are_wanted() {
        for name in [
            "a.fits",
            "a.FIT",
            "a.Fts",
            "x/y/a.fits",
            "a.fits.fz",
            "a.FIT.GZ",
            "a.fts.Fz",
            "~x.fits",
            "a b.fits",
            "#1.fits",
            "a.tmp.fits",
            "partial.fits",
            "x.fits.fits",
        ] {
            assert_eq!(judged(name.as_bytes(), &[]), Verdict::Wanted, "{name}");
        }
        assert_eq!(judged(b"\xff\xfe.fits", &[]), Verdict::Wanted);
    }

    #[test]
    fn other_names_are_ignored_with_a_reason() {
        for (name, reason) in [
            ("a.txt", "not a FITS name"),
            ("fits", "not a FITS name"),
            ("a.fitsx", "not a FITS name"),
            ("a.gz", "not a FITS name"),
            ("a.fits.bz2", "not a FITS name"),
            ("a.fits.gz.gz", "not a FITS name"),
            ("a.fits.tmp", "temporary name: *.tmp"),
            ("a.fits.PART", "temporary name: *.part"),
            ("a.fits~", "temporary name: *~"),
            ("#a.fits#", "temporary name: #*#"),
            (".a.fits", "hidden: its name begins with a dot"),
        ] {
            let want = Verdict::Ignored(reason.to_owned());
            assert_eq!(judged(name.as_bytes(), &[]), want, "{name}");
        }
        for name in [".DS_Store", ".a.fits.tmp", ".fits"] {
            assert_eq!(judged(name.as_bytes(), &[]), Verdict::Unseen, "{name}");
        }
    }

    #[test]
    fn settings_patterns_fit_names_folders_and_paths() {
        for (pattern, name, hit) in [
            ("focus*", "focus-1.fits", true),
            ("focus*", "m1/focus-1.fits", true),
            ("focus*", "focus/m1/a.fits", true),
            ("focus*", "in-focus.fits", false),
            ("test/*.fits", "test/a.fits", true),
            ("test/*.fits", "test/b/a.fits", false),
            ("test/**", "test/b/a.fits", true),
            ("/test", "test/b/a.fits", true),
            ("/test", "b/test/a.fits", false),
            ("test/", "b/test/a.fits", true),
            ("**/x/*.fits", "b/x/a.fits", true),
        ] {
            let want = if hit {
                Verdict::Ignored(format!("the settings ignore {pattern}"))
            } else {
                Verdict::Wanted
            };
            assert_eq!(
                judged(name.as_bytes(), &[pattern]),
                want,
                "{pattern} {name}"
            );
        }
    }

    #[test]
    fn pattern_that_is_no_glob_is_named() {
        let error = globs(&["[a".to_owned()]).err().unwrap();
        assert_eq!(error.0, "[a");
    }

    #[test]
    fn hidden_and_system_folders_are_not_entered() {
        for (name, entered) in [
            ("lights", true),
            (".hidden", false),
            ("lost+found", false),
            ("$RECYCLE.BIN", false),
        ] {
            assert_eq!(is_entered(name.as_bytes()), entered, "{name}");
        }
    }
}
