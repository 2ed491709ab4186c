//! What changes makes again what depends on it, and nothing else.

use std::fs;

use dawnledger::facts::Kind;
use dawnledger::fits::{Samples, Source, Unpacker};

use crate::observatory::{Observatory, assert_same, files, rewrite, said};
use crate::{NIGHT, NORTH, SOUTH};

fn played() -> Observatory {
    let here = Observatory::new(&[("north", NORTH), ("south", SOUTH)], "");
    here.shoot(NIGHT);
    here.once();
    here
}

#[test]
fn more_flats_later_make_the_flat_and_its_lights_again() {
    let here = played();
    let before = here.tree();
    here.shoot(
        "rigs:
  - camera: Petrel 26M
    folder: north
    sensor: {width: 96, height: 64}
    filters: [{name: Ha, written: H}]
    runs:
      - {kind: flat, filter: Ha, exposure_s: 2, start: '2026-09-05T19:20:00Z', count: 2, name: 'late_{n}.fits'}
",
    );
    let said = here.once();
    assert!(
        said.contains("took in 2 files, made 5 products"),
        "one flat, four lights: {said}"
    );
    let after = here.tree();
    assert_eq!(after.len(), before.len(), "what was replaced is gone");
    let kept = after
        .keys()
        .filter(|path| before.contains_key(*path))
        .count();
    assert_eq!(kept, before.len() - 5);
    let log = here.session("2026-09-05");
    let flat = log
        .masters
        .iter()
        .find(|master| master.kind == Kind::Flat && master.rig == "north-pier")
        .unwrap();
    assert_eq!(flat.frames_used, Some(8));
}

#[test]
fn a_rule_that_changes_makes_again_what_it_governs() {
    let here = played();
    let before = here.tree();
    let without = SOUTH.replace(
        "dark: {rule: required, min_frames: 5}",
        "dark: {rule: never}",
    );
    fs::write(here.path("south.yaml"), without).unwrap();
    let said = here.once();
    assert!(
        said.contains("took in 0 files, made 3 products"),
        "three lights by bias: {said}"
    );
    let after = here.tree();
    assert_eq!(after.len(), before.len() - 1, "the dark master is gone");
    let log = here.session("2026-09-05");
    let spare = log
        .calibration
        .iter()
        .filter(|frame| frame.state == "spare");
    assert!(spare.clone().all(|frame| frame.kind == Kind::Dark));
    assert_eq!(spare.count(), 6);
    fs::write(here.path("south.yaml"), SOUTH).unwrap();
    here.once();
    assert_same(&here.tree(), &before, "the rule changed back");
}

#[test]
fn an_alias_that_changes_is_read_into_all_frames_again() {
    let here = played();
    fs::write(
        here.path("north.yaml"),
        NORTH.replace("{H: Ha}", "{H: H-alpha 3 nm}"),
    )
    .unwrap();
    here.once();
    let log = here.session("2026-09-05");
    assert_eq!(
        log.lights
            .iter()
            .filter(|light| light.filter == "H-alpha 3 nm")
            .count(),
        4
    );
    assert_eq!(
        log.lights
            .iter()
            .filter(|light| light.state == "calibrated")
            .count(),
        7
    );
}

#[test]
fn a_file_replaced_under_its_name_is_taken_in_anew() {
    let here = played();
    let lights: Vec<_> = files(&here.incoming())
        .into_iter()
        .filter(|path| path.to_string_lossy().contains("north/light_Ha"))
        .collect();
    let mut bytes = fs::read(&lights[0]).unwrap();
    let before = here.session("2026-09-05");
    let at = bytes.len() - 3000;
    bytes[at] ^= 1;
    fs::write(&lights[0], bytes).unwrap();
    let said = here.once();
    assert!(said.contains("took in 1 files, made 1 products"), "{said}");
    let log = here.session("2026-09-05");
    assert_eq!(log.ledger, before.ledger);
    assert_ne!(log.lights[0].product, before.lights[0].product);
    let old = here
        .products()
        .join(before.lights[0].product.as_ref().unwrap());
    assert!(
        !old.exists(),
        "the product of what is nowhere any more is gone"
    );
}

#[test]
fn floating_point_flats_are_judged_by_what_a_camera_can_give() {
    let here = Observatory::new(&[("north", NORTH), ("south", SOUTH)], "");
    here.shoot(NIGHT);
    let unpacker = Unpacker::new(crate::observatory::PROGRAM.into(), here.path("scratch"));
    for path in files(&here.incoming()) {
        if !path.to_string_lossy().contains("north/flat_Ha") {
            continue;
        }
        let source = Source::open(&path, &unpacker).unwrap();
        let (width, height) = (source.width(), source.height());
        let mut pixels = vec![0.0; width * height];
        source.rows_f32(0, height, &mut pixels).unwrap();
        rewrite(&path, (width, height), Samples::F32(&pixels), &[]);
    }
    here.once();
    let log = here.session("2026-09-05");
    let flats = log
        .calibration
        .iter()
        .filter(|frame| frame.kind == Kind::Flat);
    assert!(
        flats.clone().all(|flat| flat.state == "used"),
        "{:?}",
        flats.collect::<Vec<_>>()
    );
    assert_eq!(
        log.lights
            .iter()
            .filter(|light| light.state == "calibrated")
            .count(),
        7
    );
}

#[test]
fn a_file_that_is_renamed_is_the_same_file() {
    let here = played();
    let before = here.tree();
    fs::rename(
        here.incoming().join("north"),
        here.incoming().join("pier one"),
    )
    .unwrap();
    let said = here.once();
    assert!(said.contains("made 0 products"), "{said}");
    let log = here.session("2026-09-05");
    assert_eq!(log.ledger.seen, files(&here.incoming()).len());
    let moved = here.tree();
    assert_eq!(
        moved.keys().collect::<Vec<_>>(),
        before.keys().collect::<Vec<_>>()
    );
}

#[test]
fn commands_answer_and_exit_as_they_should() {
    let here = played();
    let code = |arguments: &[&str]| {
        let output = here.call(arguments);
        (output.status.code(), said(&output))
    };
    let (exit, text) = code(&["check"]);
    assert!(exit == Some(0) && text.contains("in order"), "{text}");
    let (exit, text) = code(&["plan"]);
    assert!(
        exit == Some(0) && text.contains("lights that wait: 2"),
        "{text}"
    );
    let (exit, text) = code(&["explain", "north/light_OIII_120s_0001.fits"]);
    assert!(
        exit == Some(0) && text.contains("filter is Ha, wanted OIII"),
        "{text}"
    );
    let (exit, text) = code(&["explain", "nowhere.fits"]);
    assert!(
        exit == Some(1) && text.contains("not in the catalogue"),
        "{text}"
    );
    let (exit, text) = code(&["log"]);
    assert!(exit == Some(0) && text.contains("To shoot"), "{text}");
    let (exit, text) = code(&["log", "2020-01-01"]);
    assert!(exit == Some(1) && text.contains("2026-09-05"), "{text}");
    let (exit, _) = code(&["juggle"]);
    assert_eq!(exit, Some(2));
    fs::write(
        here.path("north.yaml"),
        "name: north-pier\ncamra: Petrel 26M\n",
    )
    .unwrap();
    let (exit, text) = code(&["once"]);
    assert!(exit == Some(2) && text.contains("north.yaml:2:1"), "{text}");
}
