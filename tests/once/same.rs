//! The same bytes whatever the way there.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::process::Command;

use crate::observatory::{Observatory, PROGRAM, Tree, assert_same, files, said, stamps, tree};
use crate::{NIGHT, NORTH, SOUTH};

fn observatory(more: &str) -> Observatory {
    Observatory::new(&[("north", NORTH), ("south", SOUTH)], more)
}

fn all_at_once() -> (Observatory, Tree) {
    let here = observatory("");
    here.shoot(NIGHT);
    here.once();
    let tree = here.tree();
    assert_eq!(
        tree.len(),
        5 + 7 + 1 + 6,
        "five masters, seven lights, the log, its page, three lists and three pages of them: {:?}",
        tree.keys()
    );
    (here, tree)
}

#[test]
fn once_more_makes_and_writes_nothing() {
    let (here, wanted) = all_at_once();
    let before = stamps(&here.products());
    let said = here.once();
    assert!(said.contains("took in 0 files, made 0 products"), "{said}");
    assert_eq!(stamps(&here.products()), before);
    assert_same(&here.tree(), &wanted, "once more");
}

#[test]
fn one_thread_another_zone_another_budget() {
    let (_, wanted) = all_at_once();
    let rigs =
        [1, 2, 3, 5, 8].map(|threads| format!("threads: {threads}\nmemory_mib: {}", 64 * threads));
    for more in &rigs {
        let here = observatory(more);
        here.shoot(NIGHT);
        let output = Command::new(PROGRAM)
            .args(["once", "--config"])
            .arg(here.settings())
            .env("TZ", "Pacific/Auckland")
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", said(&output));
        assert_same(&here.tree(), &wanted, more);
    }
}

/// Frames that fall into several strips and bands, of even and odd heights, shared among threads. The more threads
/// share the memory, the lower is a strip: 4 MiB are 72 rows of twelve bias frames, half a MiB are 9.
#[test]
fn strips_of_any_height_in_any_number_of_threads() {
    let night = NIGHT
        .replace("width: 96, height: 64", "width: 2400, height: 202")
        .replace("count: 6", "count: 12");
    let first = observatory("threads: 1\nmemory_mib: 64");
    first.shoot(&night);
    first.once();
    let wanted = first.tree();
    for threads in [2, 3, 8, 64] {
        let more = format!("threads: {threads}\nmemory_mib: 64");
        let here = observatory(&more);
        here.copy_frames(&first);
        here.once();
        assert_same(&here.tree(), &wanted, &more);
    }
}

#[test]
fn half_of_the_files_first() {
    let (_, wanted) = all_at_once();
    for part in 0..2 {
        let here = observatory("");
        here.shoot(NIGHT);
        let aside = here.path("aside");
        fs::create_dir(&aside).unwrap();
        let raws = files(&here.incoming());
        for (number, path) in raws
            .iter()
            .enumerate()
            .filter(|(number, _)| number % 2 == part)
        {
            fs::rename(path, aside.join(number.to_string())).unwrap();
        }
        here.once();
        assert_ne!(here.tree().len(), wanted.len());
        for (number, path) in raws
            .iter()
            .enumerate()
            .filter(|(number, _)| number % 2 == part)
        {
            fs::rename(aside.join(number.to_string()), path).unwrap();
        }
        here.once();
        assert_same(&here.tree(), &wanted, "half first");
    }
}

#[test]
fn a_lost_state_folder_is_rebuilt_and_nothing_is_made_again() {
    let (here, wanted) = all_at_once();
    let before = stamps(&here.products());
    fs::remove_dir_all(here.path("state")).unwrap();
    let said = here.once();
    assert!(said.contains("made 0 products"), "{said}");
    assert_eq!(stamps(&here.products()), before);
    assert_same(&here.tree(), &wanted, "state lost");
    fs::remove_dir_all(here.path("state")).unwrap();
    fs::remove_dir_all(here.products()).unwrap();
    here.once();
    assert_same(&here.tree(), &wanted, "state and products lost");
}

#[test]
fn a_damaged_catalogue_is_set_aside_and_rebuilt() {
    let (here, wanted) = all_at_once();
    let catalogue = here.path("state").join(dawnledger::daemon::CATALOGUE);
    fs::write(&catalogue, b"no database").unwrap();
    here.once();
    assert_same(&here.tree(), &wanted, "catalogue damaged");
    let aside = files(&here.path("state"));
    assert!(
        aside
            .iter()
            .any(|path| path.to_string_lossy().contains("damaged")),
        "{aside:?}"
    );
}

#[test]
fn a_product_that_was_removed_is_made_again() {
    let (here, wanted) = all_at_once();
    for path in files(&here.products()) {
        if path.to_string_lossy().contains("/flat/") {
            fs::remove_file(path).unwrap();
        }
    }
    here.once();
    assert_same(&here.tree(), &wanted, "flats removed");
}

#[test]
fn raw_frames_are_never_touched() {
    let here = observatory("");
    here.shoot(NIGHT);
    let (before, contents) = (stamps(&here.incoming()), tree(&here.incoming()));
    // Not even where it could not be: a folder that may only be read.
    for folder in ["north", "south", ""] {
        let path = here.incoming().join(folder);
        fs::set_permissions(&path, fs::Permissions::from_mode(0o555)).unwrap();
    }
    here.once();
    for folder in ["", "north", "south"] {
        let path = here.incoming().join(folder);
        assert_eq!(
            fs::metadata(&path).unwrap().permissions().mode() & 0o777,
            0o555
        );
        fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
    }
    assert_eq!(stamps(&here.incoming()), before);
    assert_same(&tree(&here.incoming()), &contents, "raw frames");
}

#[test]
fn raws_moved_to_storage_take_nothing_with_them() {
    for state_lost in [false, true] {
        let (here, wanted) = all_at_once();
        let storage = here.path("storage");
        fs::rename(here.incoming(), &storage).unwrap();
        fs::create_dir(here.incoming()).unwrap();
        if state_lost {
            fs::remove_dir_all(here.path("state")).unwrap();
        }
        let said = here.once();
        assert!(said.contains("made 0 products"), "{said}");
        let found = here.tree();
        let products = |tree: &Tree| {
            let mut tree = tree.clone();
            tree.retain(|path, _| path.extension().is_some_and(|end| end == "fits"));
            tree
        };
        assert_same(&products(&found), &products(&wanted), "moved away");
        let log = here.session("2026-09-05");
        assert_eq!(log.lights.len(), 9);
        assert_eq!(
            log.lights
                .iter()
                .filter(|light| light.state == "calibrated")
                .count(),
            7
        );
        assert_eq!(
            log.calibration
                .iter()
                .filter(|frame| frame.state == "used")
                .count(),
            30
        );
        // A light of the same night that turns up late finds the old masters.
        here.shoot(
            &NIGHT
                .replace("count: 6", "count: 0")
                .replace("target: Veil Nebula, exposure_s: 120, start: '2026-09-05T21:00:00Z', count: 4",
                    "target: Veil Nebula, exposure_s: 120, start: '2026-09-05T23:00:00Z', count: 1, name: 'late.fits'")
                .replace("count: 2}", "count: 0}")
                .replace("count: 3}", "count: 0}"),
        );
        let said = here.once();
        assert!(said.contains("made 1 products"), "{said}");
        let log = here.session("2026-09-05");
        assert_eq!(
            log.lights
                .iter()
                .filter(|light| light.state == "calibrated")
                .count(),
            8
        );
        // And when the raws come back, all is as if they had never been away.
        fs::remove_dir_all(here.incoming()).unwrap();
        fs::rename(&storage, here.incoming()).unwrap();
        here.once();
        let log = here.session("2026-09-05");
        assert_eq!(log.ledger.lights, 10, "the late one is remembered");
        assert_eq!(
            log.lights
                .iter()
                .filter(|light| light.state == "calibrated")
                .count(),
            8
        );
    }
}
