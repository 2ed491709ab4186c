//! What was read from the catalogue stays at hand while files come, and stays true.

use super::*;
use crate::facts::{Made, MadeStats, Measured};

/// Is something at hand? Then it is what the catalogue would give now.
fn at_hand(engine: &Engine) -> bool {
    let (held, read) = engine.at_hand().unwrap();
    held.inspect(|held| assert_eq!(**held, read)).is_some()
}

#[test]
fn files_that_come_are_added_to_what_is_at_hand() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    here.take_in(&mut engine, at(0));
    assert!(!at_hand(&engine), "nobody asked");
    engine.plan(at(10_000)).unwrap();
    assert!(at_hand(&engine));
    let before = engine.at_hand().unwrap().1.entries.len();

    let next = FRAMES.replace("2026-09-05", "2026-09-06");
    let folder = here.path("incoming/a/later");
    fs::create_dir_all(&folder).unwrap();
    let written = write_all(&Scenario::parse(&next).unwrap(), &folder).unwrap();
    fs::write(here.path("incoming/notes.txt"), "clear").unwrap();
    here.take_in(&mut engine, at(20_000));
    assert!(at_hand(&engine), "all of them new");
    assert_eq!(
        engine.at_hand().unwrap().1.entries.len(),
        before + written.len() + 1
    );

    // One file in the place of another.
    let light = |folder: &str| {
        let all = fs::read_dir(here.path(folder)).unwrap().flatten();
        let mut lights = all.filter(|file| file.file_name().to_string_lossy().contains("light"));
        lights.next().unwrap().path()
    };
    fs::rename(light("incoming/a/later"), light("incoming")).unwrap();
    here.take_in(&mut engine, at(30_000));
    engine.plan(at(40_000)).unwrap();
    assert!(at_hand(&engine));
    assert_eq!(
        engine.at_hand().unwrap().1.entries.len(),
        before + written.len() + 1
    );
}

#[test]
fn products_and_what_is_measured_on_them_are_added_to_it_too() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    here.take_in(&mut engine, at(0));
    let mut products = 0;
    let plan = loop {
        let plan = engine.plan(at(10_000)).unwrap();
        let Some(task) = plan.tasks.first() else {
            break plan;
        };
        engine
            .made(Made::of(task, 1, MadeStats::default()))
            .unwrap();
        assert!(at_hand(&engine));
        products += 1;
    };
    assert!(products > 1 && !plan.to_measure.is_empty(), "{products}");
    for light in &plan.to_measure {
        engine.measured(light, &Measured::default()).unwrap();
        assert!(at_hand(&engine));
    }
    assert!(engine.plan(at(10_000)).unwrap().to_measure.is_empty());
    // Made again, to the byte.
    let light = &plan.to_measure[0];
    let again = engine.at_hand().unwrap().1.made[&light.fingerprint].clone();
    engine.made(again).unwrap();
    assert!(at_hand(&engine));
    assert!(engine.plan(at(10_000)).unwrap().to_measure.is_empty());
}

#[test]
fn what_is_at_hand_is_let_go_of_when_nothing_comes_for_long() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    here.take_in(&mut engine, at(0));
    engine.plan(at(10_000)).unwrap();
    engine.let_go_in_time(at(10_000));
    engine.let_go_in_time(at(11_200));
    assert!(
        at_hand(&engine),
        "the next exposure may take twenty minutes"
    );
    engine.let_go_in_time(at(14_000));
    assert!(!at_hand(&engine));
    engine.plan(at(14_000)).unwrap();
    engine.let_go_in_time(at(14_000));
    assert!(!at_hand(&engine), "only a look, nothing came");
}
