//! Events put in our terms, and a few real ones.

#![allow(clippy::unwrap_used, clippy::expect_used)]
#![allow(
    clippy::disallowed_methods,
    reason = "these tests play the capture software, which renames as it likes"
)]

use std::time::Duration;

use notify::event::{DataChange, Flag, MetadataKind};

use super::*;

fn folder(path: &Path, mode: WatchMode) -> WatchFolder {
    WatchFolder {
        name: "incoming".into(),
        path: path.to_owned(),
        mode,
        ignore: vec![],
    }
}

fn roots(paths: &[&Path]) -> Vec<Watched> {
    let watched = |path: &&Path| Watched {
        path: path.to_path_buf(),
        incomplete: AtomicBool::new(false),
    };
    paths.iter().map(watched).collect()
}

fn all_seen(_: &Path) -> bool {
    false
}

fn rel(path: &str) -> RelPath {
    RelPath::new(Path::new(path)).unwrap()
}

/// Waits for a hint; only a hint that never comes takes time.
fn expect(hints: &Hints, want: &Hint) {
    let clock = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    let mut seen = Vec::new();
    let found = clock.block_on(async {
        tokio::time::timeout(Duration::from_secs(30), async {
            while !seen.contains(want) {
                seen.extend(hints.wait().await);
            }
        })
        .await
    });
    assert!(found.is_ok(), "{want:?} did not come, only {seen:?}");
}

#[test]
fn events_become_hints() {
    let root = tempfile::tempdir().unwrap();
    let second = tempfile::tempdir().unwrap();
    fs::create_dir(second.path().join("sub")).unwrap();
    let roots = roots(&[root.path(), second.path()]);
    let name = |mode| EventKind::Modify(ModifyKind::Name(mode));
    let metadata = EventKind::Modify(ModifyKind::Metadata(MetadataKind::Any));
    let closed = EventKind::Access(AccessKind::Close(AccessMode::Write));
    let a = || rel("a.fits");
    for (kind, path, want) in [
        (
            EventKind::Create(CreateKind::File),
            "a.fits",
            Some(Hint::Touched(1, a())),
        ),
        (
            EventKind::Modify(ModifyKind::Data(DataChange::Any)),
            "a.fits",
            Some(Hint::Touched(1, a())),
        ),
        (metadata, "a.fits", Some(Hint::Touched(1, a()))),
        (closed, "a.fits", Some(Hint::Closed(1, a()))),
        (name(RenameMode::To), "a.fits", Some(Hint::Closed(1, a()))),
        (name(RenameMode::To), "sub", Some(Hint::Rescan(1))),
        (name(RenameMode::From), "a.fits", Some(Hint::Gone(1, a()))),
        (name(RenameMode::Both), "a.fits", None),
        (name(RenameMode::Any), "a.fits", Some(Hint::Rescan(1))),
        (
            EventKind::Remove(RemoveKind::File),
            "a.fits",
            Some(Hint::Gone(1, a())),
        ),
        (
            EventKind::Create(CreateKind::Folder),
            "sub",
            Some(Hint::Rescan(1)),
        ),
        (
            EventKind::Remove(RemoveKind::Folder),
            "sub",
            Some(Hint::Rescan(1)),
        ),
        (
            EventKind::Access(AccessKind::Open(AccessMode::Any)),
            "a.fits",
            None,
        ),
        (
            EventKind::Access(AccessKind::Close(AccessMode::Read)),
            "a.fits",
            None,
        ),
        (
            EventKind::Remove(RemoveKind::Folder),
            "",
            Some(Hint::Rescan(1)),
        ),
        (name(RenameMode::From), "", Some(Hint::Rescan(1))),
        (metadata, "", None),
    ] {
        let hints = Hints::default();
        let event = Event::new(kind).add_path(second.path().join(path));
        translate(&roots, &event, &hints);
        assert_eq!(hints.take(), Vec::from_iter(want), "{kind:?} of {path:?}");
    }
}

#[test]
fn dropped_events_and_errors_mean_a_scan() {
    let roots = roots(&[Path::new("/one"), Path::new("/two")]);
    let hints = Hints::default();
    let both = [Hint::Rescan(0), Hint::Rescan(1)];
    let overflow = Event::new(EventKind::Other).set_flag(Flag::Rescan);
    translate(&roots, &overflow, &hints);
    assert_eq!(hints.take(), both);
    trouble(&roots, &notify::Error::generic("odd"), &hints);
    assert_eq!(hints.take(), both);
    let limit = notify::Error::new(ErrorKind::MaxFilesWatch).add_path("/two/new".into());
    trouble(&roots, &limit, &hints);
    assert_eq!(hints.take(), [Hint::Rescan(1)]);
    assert!(!roots[0].incomplete.load(Ordering::Relaxed));
    assert!(roots[1].incomplete.load(Ordering::Relaxed));
}

#[test]
fn real_files_are_hinted_at() {
    let root = tempfile::tempdir().unwrap();
    let at = |path: &str| root.path().join(path);
    fs::create_dir(at("sub")).unwrap();
    let watcher = Watcher::new(&[folder(root.path(), WatchMode::Events)], all_seen);
    let hints = watcher.hints();
    assert!(watcher.is_watching(0));
    assert_eq!(hints.take(), [Hint::Rescan(0)]);
    fs::write(at("sub/a.tmp"), b"x").unwrap();
    expect(&hints, &Hint::Closed(0, rel("sub/a.tmp")));
    fs::rename(at("sub/a.tmp"), at("sub/a.fits")).unwrap();
    expect(&hints, &Hint::Closed(0, rel("sub/a.fits")));
    fs::remove_file(at("sub/a.fits")).unwrap();
    expect(&hints, &Hint::Gone(0, rel("sub/a.fits")));
    fs::create_dir(at("new")).unwrap();
    expect(&hints, &Hint::Rescan(0));
}

#[test]
fn root_that_leaves_and_returns_is_watched_again() {
    let place = tempfile::tempdir().unwrap();
    let root = place.path().join("root");
    let mut watcher = Watcher::new(&[folder(&root, WatchMode::Events)], all_seen);
    let hints = watcher.hints();
    assert!(!watcher.is_watching(0));
    for round in 0..3 {
        fs::create_dir(&root).unwrap();
        watcher.check_roots();
        assert!(watcher.is_watching(0), "round {round}");
        expect(&hints, &Hint::Rescan(0));
        fs::write(root.join("a.fits"), b"x").unwrap();
        expect(&hints, &Hint::Closed(0, rel("a.fits")));
        // Away by rename, as an unmounted disk is away: what was watched lives on elsewhere.
        fs::rename(&root, place.path().join(format!("away-{round}"))).unwrap();
        watcher.check_roots();
        assert!(!watcher.is_watching(0), "round {round}");
        watcher.check_roots();
        expect(&hints, &Hint::Rescan(0));
    }
}

#[test]
fn root_replaced_between_two_checks_is_watched_again() {
    let place = tempfile::tempdir().unwrap();
    let root = place.path().join("root");
    fs::create_dir(&root).unwrap();
    let mut watcher = Watcher::new(&[folder(&root, WatchMode::Events)], all_seen);
    let hints = watcher.hints();
    fs::rename(&root, place.path().join("away")).unwrap();
    fs::create_dir(&root).unwrap();
    watcher.check_roots();
    fs::write(root.join("a.fits"), b"x").unwrap();
    expect(&hints, &Hint::Closed(0, rel("a.fits")));
}

#[test]
fn quiet_check_of_a_watched_root_hints_at_nothing_and_polled_folders_are_left_alone() {
    let [one, two] = [(); 2].map(|()| tempfile::tempdir().unwrap());
    let mut watcher = Watcher::new(
        &[
            folder(one.path(), WatchMode::Polling(Duration::from_secs(1))),
            folder(two.path(), WatchMode::Events),
        ],
        all_seen,
    );
    let hints = watcher.hints();
    assert_eq!(hints.take(), [Hint::Rescan(1)]);
    assert!(!watcher.is_watching(0) && watcher.is_watching(1));
    watcher.check_roots();
    assert_eq!(hints.take(), []);
}

#[test]
fn what_others_may_change_unseen_is_watched_and_scanned() {
    let here = tempfile::tempdir().unwrap();
    let watcher = Watcher::new(&[folder(here.path(), WatchMode::Events)], |_| true);
    assert!(!watcher.is_watching(0));
    fs::write(here.path().join("a.fits"), "a").unwrap();
    expect(&watcher.hints(), &Hint::Closed(0, rel("a.fits")));
}
