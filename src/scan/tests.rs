//! Walks over folders made for the purpose.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::ops::ControlFlow;
use std::os::unix::fs::{MetadataExt, symlink};

use super::*;
use crate::facts::WatchMode;

fn folder(path: &Path) -> WatchFolder {
    WatchFolder {
        name: "incoming".into(),
        path: path.to_owned(),
        mode: WatchMode::Events,
        ignore: vec!["focus*".to_owned()],
    }
}

/// The walk goes on.
const ON: ControlFlow<()> = ControlFlow::Continue(());

fn walk(folder: &WatchFolder) -> Vec<(String, Option<String>)> {
    let mut all = Vec::new();
    scan(folder, &mut |found| {
        all.push(match found {
            Found::Wanted(look) => (look.file.path.to_string(), None),
            Found::Ignored(look, reason) => (look.file.path.to_string(), Some(reason)),
        });
        ON
    })
    .unwrap();
    all.sort();
    all
}

fn rel(path: &str) -> RelPath {
    RelPath::new(Path::new(path)).unwrap()
}

#[test]
fn walk_finds_what_one_look_finds() {
    let root = tempfile::tempdir().unwrap();
    let folder = folder(root.path());
    let put = |path: &str| {
        let path = root.path().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, b"x").unwrap();
    };
    for path in [
        "a.fits",
        "deep/er/b.FIT.gz",
        "notes.txt",
        ".hidden/c.fits",
        ".d.fits",
        ".DS_Store",
        "lost+found/e.fits",
        "focus/f.fits",
        "g.fits.part",
    ] {
        put(path);
    }
    let odd = OsStr::from_bytes(b"\xff\\.fits");
    fs::write(root.path().join(odd), b"x").unwrap();
    symlink("../deep", root.path().join("deep/loop")).unwrap();
    symlink("a.fits", root.path().join("link.fits")).unwrap();
    symlink("nowhere", root.path().join("dangling.fits")).unwrap();
    fs::create_dir(root.path().join("folder.fits")).unwrap();

    let found = walk(&folder);
    let says = |path: &str, reason: Option<&str>| (path.to_owned(), reason.map(str::to_owned));
    assert_eq!(
        found,
        [
            says(".d.fits", Some("hidden: its name begins with a dot")),
            says("\\xff\\\\.fits", None),
            says("a.fits", None),
            says("deep/er/b.FIT.gz", None),
            says("focus/f.fits", Some("the settings ignore focus*")),
            says("g.fits.part", Some("temporary name: *.part")),
            says("link.fits", None),
            says("notes.txt", Some("not a FITS name")),
        ]
    );
    scan(&folder, &mut |found| {
        let (Found::Wanted(seen) | Found::Ignored(seen, _)) = &found;
        assert_eq!(look(&folder, &seen.file.path).as_ref(), Some(&found));
        assert_eq!(stamp(&folder, &seen.file.path), Some(seen.stamp));
        ON
    })
    .unwrap();
    for unseen in [
        ".hidden/c.fits",
        ".DS_Store",
        "lost+found/e.fits",
        "folder.fits",
        "dangling.fits",
        "absent.fits",
        "deep/loop/er/b.FIT.gz",
    ] {
        assert_eq!(look(&folder, &rel(unseen)), None, "{unseen}");
    }
}

#[test]
fn stamp_is_the_file_systems() {
    let root = tempfile::tempdir().unwrap();
    let folder = folder(root.path());
    fs::write(root.path().join("a.fits"), b"12345").unwrap();
    let about = fs::metadata(root.path().join("a.fits")).unwrap();
    let stamp = stamp(&folder, &rel("a.fits")).unwrap();
    assert_eq!(stamp.size, 5);
    assert_eq!(stamp.inode, about.ino());
    assert_eq!(
        stamp.mtime_ns,
        about.mtime() * 1_000_000_000 + about.mtime_nsec()
    );
    assert_eq!(
        stamp.ctime_ns,
        about.ctime() * 1_000_000_000 + about.ctime_nsec()
    );
}

#[test]
fn walk_reports_the_root_it_walked() {
    let root = tempfile::tempdir().unwrap();
    let about = fs::metadata(root.path()).unwrap();
    let walked = scan(&folder(root.path()), &mut |_| ON).unwrap();
    assert_eq!(walked.root, (about.dev(), about.ino()));
    assert_eq!(walked.names, 0);
    fs::write(root.path().join(".x"), b"").unwrap();
    assert_eq!(scan(&folder(root.path()), &mut |_| ON).unwrap().names, 1);
}

#[test]
fn missing_root_is_away_not_empty() {
    let root = tempfile::tempdir().unwrap();
    let gone = folder(&root.path().join("unmounted"));
    let error = scan(&gone, &mut |_| ON).unwrap_err();
    assert!(matches!(error, ScanError::Away { .. }), "{error}");
    fs::write(root.path().join("file"), b"").unwrap();
    let file = folder(&root.path().join("file"));
    assert!(matches!(
        scan(&file, &mut |_| ON),
        Err(ScanError::Away { .. })
    ));
}

#[test]
fn path_too_deep_to_open_is_partly_and_the_rest_is_walked() {
    // As many folders as make a path longer than the system opens in one go, made step by step.
    let root = tempfile::tempdir().unwrap();
    fs::write(root.path().join("a.fits"), b"").unwrap();
    let step = "d".repeat(250);
    let mut at = fs::File::open(root.path()).unwrap();
    for _ in 0..17 {
        rustix::fs::mkdirat(&at, &step, Mode::RWXU).unwrap();
        at = openat(&at, &step, OFlags::DIRECTORY, Mode::empty())
            .unwrap()
            .into();
    }
    let mut seen = 0;
    let error = scan(&folder(root.path()), &mut |_| {
        seen += 1;
        ON
    })
    .unwrap_err();
    assert!(matches!(error, ScanError::Partly { .. }), "{error}");
    assert_eq!(seen, 1);
}

#[test]
fn bad_pattern_is_an_error_with_its_text() {
    let root = tempfile::tempdir().unwrap();
    let mut folder = folder(root.path());
    folder.ignore = vec!["{a".to_owned()];
    let error = scan(&folder, &mut |_| ON).unwrap_err();
    assert!(error.to_string().contains("\"{a\""), "{error}");
}

#[test]
fn absolute_paths_resolve_also_through_links() {
    let root = tempfile::tempdir().unwrap();
    let real = root.path().join("real");
    fs::create_dir_all(real.join("sub")).unwrap();
    symlink(&real, root.path().join("by-link")).unwrap();
    let folder = folder(&real);
    let resolved = |path: &str| resolve(&folder, &root.path().join(path));
    assert_eq!(resolved("real/sub/a.fits"), Some(rel("sub/a.fits")));
    assert_eq!(
        resolved("by-link/sub/gone.fits"),
        Some(rel("sub/gone.fits"))
    );
    symlink("sub", real.join("inner-link")).unwrap();
    assert_eq!(resolved("real/inner-link/a.fits"), Some(rel("sub/a.fits")));
    assert_eq!(resolved("real/moved/a.fits"), Some(rel("moved/a.fits")));
    assert_eq!(resolved("real"), None);
    assert_eq!(resolved("elsewhere/a.fits"), None);
    assert_eq!(resolved("real/../a.fits"), None);
}

#[test]
fn listing_that_does_not_tell_kinds_is_looked_up() {
    let root = tempfile::tempdir().unwrap();
    fs::create_dir(root.path().join("folder")).unwrap();
    fs::write(root.path().join("file"), b"x").unwrap();
    symlink("file", root.path().join("to-file")).unwrap();
    symlink("folder", root.path().join("to-folder")).unwrap();
    symlink("to-itself", root.path().join("to-itself")).unwrap();
    let open = fs::File::open(root.path()).unwrap();
    let sorted = |name: &CStr| match sort(&open, name, FileType::Unknown).unwrap() {
        Sort::Folder => "folder",
        Sort::File(_) => "file",
        Sort::Other => "other",
    };
    for (name, want) in [
        (c"folder", "folder"),
        (c"file", "file"),
        (c"to-file", "file"),
        (c"to-folder", "other"),
        (c"to-itself", "other"),
    ] {
        assert_eq!(sorted(name), want, "{name:?}");
    }
    assert!(matches!(
        sort(&open, c"absent", FileType::Unknown),
        Err(Errno::NOENT)
    ));
}

#[test]
fn a_walk_that_is_left_shows_nothing_more_and_says_so() {
    let root = tempfile::tempdir().unwrap();
    for name in ["a.fits", "b.fits", "c.fits"] {
        fs::write(root.path().join(name), "").unwrap();
    }
    let mut seen = 0;
    let left = scan(&folder(root.path()), &mut |_| {
        seen += 1;
        match seen {
            2 => ControlFlow::Break(()),
            _ => ON,
        }
    });
    assert!(matches!(left, Err(ScanError::Left { .. })), "{left:?}");
    assert_eq!(seen, 2);
}
