//! The catalogue's file is damaged while the daemon runs.

use std::os::unix::fs::FileExt;

use dawnledger::daemon::CATALOGUE;

use super::*;

fn overwrite(path: &Path, from: u64, length: u64) {
    let file = File::options().write(true).open(path).unwrap();
    let length = usize::try_from(length).unwrap();
    file.write_all_at(&vec![0xa5; length], from).unwrap();
}

fn journal(catalogue: &Path) -> PathBuf {
    let mut name = catalogue.as_os_str().to_owned();
    name.push("-wal");
    name.into()
}

/// Products while the daemon is at work: pages come and go under their temporary names.
fn made_so_far(here: &Observatory) -> observatory::Tree {
    let folder = here.products();
    let fits = |path: &PathBuf| path.extension().is_some_and(|end| end == "fits");
    let found = observatory::files(&folder).into_iter().filter(fits);
    let named = found.map(|path| {
        let name = path.strip_prefix(&folder).unwrap().to_owned();
        (name, fs::read(&path).unwrap())
    });
    named.collect()
}

/// What becomes of the file.
#[derive(Clone, Copy, PartialEq)]
enum Fate {
    /// It holds nothing that can be read.
    SetAside,
    /// What its journal brings to it may be a part or nothing.
    SetAsideOrEmpty,
    /// It is still good.
    Kept,
}

type Damage = (&'static str, fn(&Path), Fate);

const DAMAGES: [Damage; 7] = [
    (
        "overwritten",
        |path| overwrite(path, 0, fs::metadata(path).unwrap().len()),
        Fate::SetAside,
    ),
    (
        "its middle overwritten",
        |path| overwrite(path, 4096, fs::metadata(path).unwrap().len() - 8192),
        Fate::SetAside,
    ),
    (
        "cut off",
        |path| {
            let file = File::options().write(true).open(path).unwrap();
            file.set_len(10_000).unwrap();
        },
        Fate::SetAside,
    ),
    (
        "emptied",
        |path| drop(File::create(path).unwrap()),
        Fate::SetAsideOrEmpty,
    ),
    (
        "another file in its place",
        |path| {
            fs::remove_file(path).unwrap();
            fs::write(path, "this is no database. ".repeat(1000)).unwrap();
        },
        Fate::SetAside,
    ),
    (
        "removed",
        |path| fs::remove_file(path).unwrap(),
        Fate::SetAsideOrEmpty,
    ),
    (
        "only touched",
        |path| {
            let file = File::options().append(true).open(path).unwrap();
            file.set_modified(std::time::UNIX_EPOCH).unwrap();
        },
        Fate::Kept,
    ),
];

#[test]
fn a_catalogue_that_is_damaged_while_it_runs_is_built_anew_and_nothing_is_lost() {
    let here = by_events();
    here.shoot(FRAMES);
    here.once();
    let catalogue = here.path("state").join(CATALOGUE);
    let (mut aside, mut begun) = (0, 0);
    for (number, (what, damage, fate)) in (1..).zip(DAMAGES) {
        // Started anew, so that all is in the file and nothing in its journal.
        let mut daemon = Daemon::start(&here);
        let lights = 2 + usize::from(number);
        let starts = |said: String| said.matches("watching folders").count();
        let errors = daemon.errors.clone();
        daemon.wait_for("the start", || {
            starts(fs::read_to_string(&errors).unwrap()) > begun
        });
        let said = daemon.said().len();
        let before = made_so_far(&here);
        let made = observatory::stamps(&here.products().join("masters"));
        damage(&catalogue);
        fs::write(
            here.incoming().join(format!("new-{number}.fits")),
            another_light(number),
        )
        .unwrap();
        daemon.wait_for(what, || calibrated(&here) == lights + 1);
        let fresh = daemon.said().split_off(said);
        assert!(fresh.contains("changed by another hand"), "{what}: {fresh}");
        assert!(!fresh.contains("refused"), "{what}: {fresh}");
        let is_set_aside = fresh.contains("set aside and rebuilt");
        match fate {
            Fate::SetAside => assert!(is_set_aside, "{what}: {fresh}"),
            Fate::SetAsideOrEmpty => {}
            Fate::Kept => assert!(!is_set_aside, "{what}: {fresh}"),
        }
        aside += usize::from(is_set_aside);
        let kept = catalogue.with_file_name(format!("{CATALOGUE}.damaged-{aside}"));
        assert_eq!(kept.exists(), aside > 0, "{what}");
        let mut after = made_so_far(&here);
        after.retain(|path, _| before.contains_key(path));
        assert_same(&after, &before, what);
        let unmade = observatory::stamps(&here.products().join("masters"));
        assert_eq!(unmade, made, "{what}: masters are adopted, not made again");
        begun = starts(daemon.said());
        assert!(daemon.end(Signal::TERM).success());
    }
    assert_same(
        &products(&here.tree()),
        &products(&wanted(&here)),
        "as by once",
    );
}

/// What SQLite keeps in memory or in its journal hides that the file is damaged: it must not stay
/// hidden until the next start, when a power cut may have taken both.
#[test]
fn damage_is_noticed_at_rest_too() {
    let here = by_events();
    here.shoot(FRAMES);
    // The loop looks about for the service manager's sake too: a test need not wait for a minute.
    let mut daemon = Daemon::start_with(&here, |command| {
        command.env("WATCHDOG_USEC", "3000000");
    });
    daemon.wait_for("three lights", || calibrated(&here) == 3);
    let catalogue = here.path("state").join(CATALOGUE);
    for path in [catalogue.clone(), journal(&catalogue)] {
        let said = daemon.said().len();
        let length = fs::metadata(&path).unwrap().len();
        overwrite(&path, 0, length);
        let errors = daemon.errors.clone();
        daemon.wait_for("the damage", || {
            let text = fs::read_to_string(&errors).unwrap().split_off(said);
            text.contains("changed by another hand") && text.contains("watching")
        });
    }
    daemon.wait_for("its word", || {
        let (text, _) = status(&here);
        text.contains("watching, since") && text.contains("changed by another hand")
    });
    ends_as_by_once(daemon, &here);
}
