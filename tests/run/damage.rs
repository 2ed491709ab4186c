//! The catalogue's file is damaged while the daemon runs.

use std::os::unix::fs::FileExt;

use dawnledger::daemon::CATALOGUE;

use super::*;

fn overwrite(path: &Path, from: u64, length: usize) {
    let file = File::options().write(true).open(path).unwrap();
    file.write_all_at(&vec![0xa5; length], from).unwrap();
}

fn journal(catalogue: &Path) -> PathBuf {
    let mut name = catalogue.as_os_str().to_owned();
    name.push("-wal");
    name.into()
}

/// What may happen to the file, and whether it is set aside: one that is empty or gone holds nothing
/// that is worth keeping, and one that is still good goes on being used.
type Damage = (&'static str, fn(&Path), bool);

const DAMAGES: [Damage; 7] = [
    (
        "overwritten",
        |path| {
            let length = fs::metadata(path).unwrap().len();
            overwrite(path, 0, length as usize);
        },
        true,
    ),
    (
        "its middle overwritten",
        |path| {
            let length = fs::metadata(path).unwrap().len();
            overwrite(path, 4096, length as usize - 8192);
        },
        true,
    ),
    (
        "cut off",
        |path| {
            let file = File::options().write(true).open(path).unwrap();
            file.set_len(10_000).unwrap();
        },
        true,
    ),
    ("emptied", |path| drop(File::create(path).unwrap()), false),
    (
        "another file in its place",
        |path| {
            fs::remove_file(path).unwrap();
            fs::write(path, "this is no database. ".repeat(1000)).unwrap();
        },
        true,
    ),
    ("removed", |path| fs::remove_file(path).unwrap(), false),
    (
        "only touched",
        |path| {
            let file = File::options().append(true).open(path).unwrap();
            file.set_modified(std::time::UNIX_EPOCH).unwrap();
        },
        false,
    ),
];

#[test]
fn a_catalogue_that_is_damaged_while_it_runs_is_built_anew_and_nothing_is_lost() {
    let here = by_events();
    here.shoot(FRAMES);
    let catalogue = here.path("state").join(CATALOGUE);
    let mut aside = 0;
    for (number, (what, damage, is_set_aside)) in (1..).zip(DAMAGES) {
        // Started anew, so that all is in the file and nothing in its journal.
        let mut daemon = Daemon::start(&here);
        let lights = 2 + usize::from(number);
        daemon.wait_for("the lights so far", || calibrated(&here) == lights);
        daemon.wait_for("rest", || status(&here).0.contains("watching, since"));
        let said = daemon.said().len();
        let before = products(&here.tree());
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
        aside += usize::from(is_set_aside);
        let kept = catalogue.with_file_name(format!("{CATALOGUE}.damaged-{aside}"));
        assert_eq!(
            fresh.contains("set aside and rebuilt"),
            is_set_aside,
            "{what}: {fresh}"
        );
        assert_eq!(kept.exists(), aside > 0, "{what}");
        let mut after = products(&here.tree());
        after.retain(|path, _| before.contains_key(path));
        assert_same(&after, &before, what);
        let unmade = observatory::stamps(&here.products().join("masters"));
        assert_eq!(unmade, made, "{what}: masters are adopted, not made again");
        daemon.wait_for("its word", || {
            let (text, _) = status(&here);
            text.starts_with("running") && text.contains("changed by another hand")
        });
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
    daemon.wait_for("rest", || status(&here).0.contains("watching, since"));
    let catalogue = here.path("state").join(CATALOGUE);
    for path in [catalogue.clone(), journal(&catalogue)] {
        let said = daemon.said().len();
        let length = fs::metadata(&path).unwrap().len();
        overwrite(&path, 0, length as usize);
        let errors = daemon.errors.clone();
        daemon.wait_for("the damage", || {
            let text = fs::read_to_string(&errors).unwrap().split_off(said);
            text.contains("changed by another hand") && text.contains("watching")
        });
        daemon.wait_for("rest", || status(&here).0.contains("watching, since"));
    }
    ends_as_by_once(daemon, &here);
}
