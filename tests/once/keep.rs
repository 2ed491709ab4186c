//! What cannot be made again is never removed: not by a typing mistake in the settings, not by a
//! capture program that uses its file names again.

use std::fs;
use std::path::PathBuf;

use crate::observatory::{Observatory, Tree, files};
use crate::{NIGHT, NORTH, SOUTH};

fn played() -> Observatory {
    let here = Observatory::new(&[("north", NORTH), ("south", SOUTH)], "");
    here.shoot(NIGHT);
    here.once();
    here
}

/// Moves the raw files whose path holds one of these words to storage.
fn to_storage(here: &Observatory, words: &[&str]) {
    for path in files(&here.incoming()) {
        let text = path.to_string_lossy().into_owned();
        if words.iter().any(|word| text.contains(word)) {
            let to = here
                .path("storage")
                .join(path.strip_prefix(here.incoming()).unwrap());
            fs::create_dir_all(to.parent().unwrap()).unwrap();
            fs::rename(path, to).unwrap();
        }
    }
}

fn products(here: &Observatory) -> Vec<PathBuf> {
    let fits = |path: &&PathBuf| path.extension().is_some_and(|end| end == "fits");
    here.tree().keys().filter(fits).cloned().collect()
}

fn assert_none_lost(before: &Tree, here: &Observatory, when: &str) {
    let after = here.tree();
    let lost: Vec<_> = before
        .keys()
        .filter(|path| !after.contains_key(*path))
        .collect();
    assert!(lost.is_empty(), "{when}: {lost:?}");
}

fn edit(here: &Observatory, file: &str, from: &str, to: &str) {
    let text = fs::read_to_string(here.path(file)).unwrap();
    assert!(text.contains(from), "{file} has no {from}");
    fs::write(here.path(file), text.replace(from, to)).unwrap();
}

#[test]
fn names_used_again_after_the_raws_went_to_storage() {
    let here = played();
    let before = here.tree();
    let log = here.session("2026-09-05");
    to_storage(&here, &["north", "south"]);
    here.once();
    // The next night's files have the same names; bias frames were not taken again.
    let next = NIGHT
        .replace("2026-09-06", "2026-09-07")
        .replace("2026-09-05", "2026-09-06")
        .replace("rigs:", "seed: 9\nrigs:")
        .replace(
            "{kind: bias, start: '2026-09-07T04:00:00Z', count: 6}",
            "{kind: bias, start: '2026-09-07T04:00:00Z', count: 0}",
        );
    here.shoot(&next);
    here.once();
    assert_none_lost(
        &before
            .into_iter()
            .filter(|(path, _)| path.extension().is_some_and(|e| e == "fits"))
            .collect(),
        &here,
        "names used again",
    );
    let again = here.session("2026-09-05");
    let done = |log: &dawnledger::facts::SessionLog| {
        let of = |state: &str| {
            log.lights
                .iter()
                .filter(|light| light.state == state)
                .count()
        };
        (
            of("calibrated"),
            log.calibration
                .iter()
                .filter(|frame| frame.state == "used")
                .count(),
        )
    };
    assert_eq!(
        done(&again),
        done(&log),
        "the first night keeps its entries"
    );
    let second = here.session("2026-09-06");
    assert_eq!(
        done(&second).0,
        7,
        "the second night is calibrated with the first one's bias"
    );
}

#[test]
fn a_mistyped_camera_removes_nothing() {
    let here = played();
    let before = here.tree();
    to_storage(&here, &["flat_Ha_2s_0001", "flat_Ha_2s_0002"]);
    here.once();
    edit(&here, "north.yaml", "Petrel 26M", "Petrel 26N");
    here.once();
    assert_none_lost(&before, &here, "camera mistyped");
    edit(&here, "north.yaml", "Petrel 26N", "Petrel 26M");
    let said = here.once();
    assert!(said.contains("made 0 products"), "{said}");
    assert_none_lost(&before, &here, "camera corrected");
    let log = here.session("2026-09-05");
    assert_eq!(
        log.lights
            .iter()
            .filter(|light| light.state == "calibrated")
            .count(),
        7
    );
}

#[test]
fn a_profile_that_is_taken_out_leaves_its_products() {
    for stored in [false, true] {
        let here = played();
        let before = here.tree();
        if stored {
            to_storage(&here, &["south"]);
            here.once();
        }
        edit(
            &here,
            "settings.yaml",
            "north.yaml, south.yaml",
            "north.yaml",
        );
        here.once();
        assert_none_lost(&before, &here, "profile taken out");
        edit(
            &here,
            "settings.yaml",
            "north.yaml",
            "north.yaml, south.yaml",
        );
        here.once();
        assert_none_lost(&before, &here, "profile back");
    }
}

#[test]
fn a_renamed_profile_keeps_what_cannot_be_made_again() {
    let here = played();
    let masters = |here: &Observatory| {
        let is = |path: &PathBuf| path.starts_with("masters");
        products(here).into_iter().filter(is).collect::<Vec<_>>()
    };
    let before = masters(&here);
    to_storage(&here, &["north/bias", "north/flat"]);
    here.once();
    edit(&here, "north.yaml", "name: north-pier", "name: mono");
    here.once();
    for master in before {
        assert!(
            masters(&here).contains(&master),
            "{} is gone",
            master.display()
        );
    }
    let log = here.session("2026-09-05");
    let mono = log
        .lights
        .iter()
        .filter(|light| light.rig == "mono" && light.filter == "Ha");
    assert!(
        mono.clone().all(|light| light.state == "calibrated"),
        "{:?}",
        mono.collect::<Vec<_>>()
    );
    assert!(
        log.calibration.iter().all(|frame| frame.state == "used"),
        "{:?}",
        log.calibration
    );
    assert!(
        log.to_shoot
            .iter()
            .all(|shoot| shoot.filter.as_deref() == Some("OIII"))
    );
}

#[test]
fn a_renamed_or_dropped_watch_folder_is_no_second_night() {
    let here = played();
    let before = here.tree();
    let seen = here.session("2026-09-05").ledger.seen;
    edit(
        &here,
        "settings.yaml",
        "{path: incoming}",
        "{path: incoming, name: pier}",
    );
    here.once();
    let log = here.session("2026-09-05");
    assert_eq!((log.ledger.seen, log.ledger.refused), (seen, 0));
    assert!(
        log.lights
            .iter()
            .all(|light| light.watch == "pier" && light.state != "refused")
    );
    assert_none_lost(&before, &here, "watch folder renamed");
    // Dropped for another, and the profiles change: nothing waits for what is nowhere.
    fs::create_dir(here.path("other")).unwrap();
    edit(
        &here,
        "settings.yaml",
        "{path: incoming, name: pier}",
        "{path: other}",
    );
    edit(&here, "north.yaml", "{H: Ha}", "{H: Ha, Q: Ha}");
    here.once();
    assert_none_lost(&before, &here, "watch folder dropped");
    let log = here.session("2026-09-05");
    assert_eq!(log.ledger.seen, seen);
    assert!(
        log.warnings
            .iter()
            .all(|warning| !warning.contains("arriving")),
        "{:?}",
        log.warnings
    );
}
