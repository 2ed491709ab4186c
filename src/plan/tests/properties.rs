//! The properties that everything rests on.

use jiff::SignedDuration;
use proptest::prelude::*;

use super::bench::*;
use crate::facts::*;

fn north() -> Settings {
    settings(vec![profile("north", "Petrel*")])
}

/// Two nights with everything that makes planning hard: two filters, one without enough flats,
/// darks at two temperatures, a second rig.
fn hard() -> (Settings, Vec<Entry>) {
    let mut darks = profile("south", "Dunlin*");
    darks.calibration.dark = rule(Rule::Required, 3, 24);
    darks.calibration.flat = rule(Rule::IfPresent, 3, 6);
    let south = |frame: &mut Frame| {
        frame.rig = "south".into();
        let mut camera = (*frame.camera).clone();
        camera.name = "Dunlin 24C".into();
        camera.cfa = Cfa::parse("RGGB");
        frame.camera = camera.into();
    };
    let mut entries = night("2026-09-05");
    entries.extend(night("2026-09-06"));
    entries.extend(series(Kind::Light, 2, evening("2026-09-05"), |frame| {
        frame.filter = "OIII".into()
    }));
    entries.extend(series(Kind::Flat, 2, evening("2026-09-06"), |frame| {
        frame.filter = "OIII".into()
    }));
    for (hour, shift) in [
        ("2026-09-05", 0.0),
        ("2026-09-07", 0.4),
        ("2026-09-09", 5.0),
    ] {
        entries.extend(series(Kind::Dark, 3, evening(hour), |frame| {
            south(frame);
            frame.set_point = None;
            frame.temperature = Celsius::new(-10.0 + shift);
        }));
    }
    entries.extend(series(Kind::Light, 4, evening("2026-09-05"), south));
    entries.extend(series(Kind::Flat, 3, evening("2026-09-06"), south));
    entries.extend(series(Kind::Bias, 3, evening("2026-09-06"), south));
    (settings(vec![profile("north", "Petrel*"), darks]), entries)
}

fn all_at_once(settings: &Settings, entries: &[Entry]) -> FakeDisk {
    let mut disk = FakeDisk::new(settings.clone());
    disk.put(entries.iter().cloned());
    disk.run();
    disk
}

#[test]
fn every_order_of_arrival_of_a_small_night_ends_the_same() {
    let mut entries = series(Kind::Bias, 3, evening("2026-09-05"), |_| {});
    entries.extend(series(Kind::Light, 2, evening("2026-09-05"), |_| {}));
    let mut loose = profile("north", "Petrel*");
    loose.calibration.flat.rule = Rule::IfPresent;
    loose.calibration.bias.min_frames = 2;
    let settings = settings(vec![loose]);
    let wanted = all_at_once(&settings, &entries).tree();
    assert_eq!(wanted.len(), 3, "one bias master, two lights: {wanted:?}");
    let mut orders = 0;
    permute(&mut entries, 0, &mut |order| {
        let mut disk = FakeDisk::new(settings.clone());
        for entry in order {
            disk.put([entry.clone()]);
            disk.run();
        }
        assert_eq!(disk.tree(), wanted);
        orders += 1;
    });
    assert_eq!(orders, 120);
}

fn permute(entries: &mut Vec<Entry>, from: usize, visit: &mut impl FnMut(&[Entry])) {
    if from == entries.len() {
        return visit(entries);
    }
    for other in from..entries.len() {
        entries.swap(from, other);
        permute(entries, from + 1, visit);
        entries.swap(from, other);
    }
}

#[test]
fn a_carried_out_plan_leaves_an_empty_plan() {
    let (settings, entries) = hard();
    let mut disk = all_at_once(&settings, &entries);
    let made = disk.made;
    let plan = disk.run();
    assert_eq!(disk.made, made);
    assert!(plan.tasks.is_empty() && plan.superseded.is_empty());
    assert!(made > 10, "the hard nights make {made} products");
}

#[test]
fn every_entry_has_exactly_one_state() {
    let (settings, entries) = hard();
    let mut disk = all_at_once(&settings, &entries);
    let plan = disk.run();
    for (index, entry) in disk.snapshot.entries.iter().enumerate() {
        let light = plan.lights.contains(index);
        let calibration = plan.calibration.contains(index);
        assert_eq!(
            (light, calibration),
            match kind_of(entry) {
                Some(Kind::Light) => (true, false),
                _ => (false, true),
            }
        );
    }
}

#[test]
fn a_lost_catalogue_changes_nothing_while_the_raws_are_there() {
    let (settings, entries) = hard();
    let mut disk = all_at_once(&settings, &entries);
    let (tree, made) = (disk.tree(), disk.made);
    // The products are adopted: the catalogue learns of them from their headers.
    let adopted = disk.snapshot.made.clone();
    disk.snapshot = Snapshot {
        made: adopted,
        ..Snapshot::default()
    };
    disk.put(entries);
    disk.run();
    assert_eq!((disk.tree(), disk.made), (tree, made));
}

#[test]
fn a_lost_catalogue_keeps_what_cannot_be_made_again() {
    let (settings, entries) = hard();
    let mut disk = all_at_once(&settings, &entries);
    let tree = disk.tree();
    disk.snapshot.entries.clear();
    let plan = disk.run();
    assert_eq!(disk.tree(), tree);
    assert!(plan.superseded.is_empty());
    // And the kept masters go on serving: a light of the same night comes late.
    disk.put(series(Kind::Light, 1, evening("2026-09-06"), |frame| {
        frame.target = Some("Late".into());
    }));
    let plan = disk.run();
    assert!(matches!(
        disk.light_states(&plan)[..],
        [LightState::Calibrated(_)]
    ));
}

#[test]
fn raws_that_are_moved_away_in_any_order_take_no_product_with_them() {
    let (settings, entries) = hard();
    let whole = all_at_once(&settings, &entries);
    let tree = whole.tree();
    for stride in 1..6 {
        let mut disk = whole.clone();
        for step in 0..stride {
            for (index, entry) in disk.snapshot.entries.iter_mut().enumerate() {
                if index % stride == step {
                    entry.present = false;
                }
            }
            disk.run();
            assert_eq!(disk.tree(), tree, "stride {stride}, step {step}");
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn batches_in_any_order_end_as_all_at_once(seed in any::<u64>(), batches in 1usize..6) {
        let (settings, mut entries) = hard();
        let wanted = all_at_once(&settings, &entries);
        let key = |entry: &Entry| {
            *blake3::hash(format!("{seed}{}", entry.file).as_bytes()).as_bytes()
        };
        entries.sort_by_key(key);
        let mut disk = FakeDisk::new(settings);
        for batch in entries.chunks(entries.len().div_ceil(batches)) {
            disk.put(batch.iter().cloned());
            disk.run();
        }
        prop_assert_eq!(disk.tree(), wanted.tree());
        prop_assert_eq!(disk.plan(), wanted.plan());
    }

    #[test]
    fn a_frame_with_other_hard_keys_changes_no_fingerprint(
        key in 0usize..9,
        kind in prop::sample::select(vec![Kind::Bias, Kind::Dark, Kind::Flat]),
    ) {
        let (settings, entries) = hard();
        let mut disk = all_at_once(&settings, &entries);
        let before = disk.tree();
        let stranger = series(kind, 4, evening("2026-09-05"), |frame| {
            let mut camera = (*frame.camera).clone();
            match key {
                0 => camera.width = 65,
                1 => camera.height = 49,
                2 => camera.binning = (2, 2),
                3 => camera.gain = Setting::new(101.0),
                4 => camera.offset = None,
                5 => camera.readout_mode = Some("slow".into()),
                6 => camera.row_order = RowOrder::BottomUp,
                7 => camera.origin = (1, 0),
                _ => camera.cfa = Cfa::parse("GBRG"),
            }
            // A flat's own gain and offset may differ: there the filter keeps it apart.
            if kind == Kind::Flat && (3..=5).contains(&key) {
                frame.filter = "SII".into();
            }
            frame.camera = camera.into();
        });
        disk.put(stranger.into_iter().enumerate().map(|(number, mut entry)| {
            entry.file.path = RelPath::new(std::path::Path::new(&format!("stranger-{number}"))).unwrap();
            if let Content::Frame { digest, .. } = &mut entry.content {
                *digest = Digest::new(*blake3::hash(&[key as u8, number as u8]).as_bytes());
            }
            entry
        }));
        disk.run();
        let after = disk.tree();
        for product in before {
            prop_assert!(after.contains(&product), "{product} is gone");
        }
    }
}

#[test]
fn the_clock_only_delays() {
    let settings = north();
    let mut disk = FakeDisk::new(settings.clone());
    disk.put(night("2026-09-05"));
    let newest = disk
        .snapshot
        .entries
        .iter()
        .map(|entry| entry.arrived)
        .max()
        .unwrap();
    let at =
        |seconds| crate::plan::Patience::Until(newest + jiff::SignedDuration::from_secs(seconds));
    let early = disk.plan_at(at(0));
    assert!(
        early
            .tasks
            .iter()
            .all(|task| !task.product.contains("/bias/"))
    );
    assert_eq!(
        early.wake,
        Some(newest + jiff::SignedDuration::from_secs(300))
    );
    let late = disk.plan_at(at(300));
    assert_eq!(late.tasks, disk.plan().tasks);
}

/// Lights of a night ask alike, yet each at its own moment: later flats take over the lights that they are
/// nearer to, and no others.
#[test]
fn what_one_light_chooses_is_chosen_anew_by_the_next() {
    let at = |hours| evening("2026-09-05") + SignedDuration::from_hours(hours);
    let mut disk = FakeDisk::new(north());
    disk.put(series(Kind::Bias, 4, at(-3), |_| {}));
    disk.put(series(Kind::Flat, 4, at(-2), |_| {}));
    disk.put((0..8).flat_map(|hour| series(Kind::Light, 2, at(hour), |_| {})));
    let early = disk.run();
    disk.put(series(Kind::Flat, 4, at(9), |frame| {
        frame.exposure = Seconds::new(3.0).unwrap();
    }));
    let late = disk.run();
    let product = |plan: &Plan| -> Vec<Fingerprint> {
        let products = plan.lights.values().map(|state| *state.product().unwrap());
        products.collect()
    };
    let (before, after) = (product(&early), product(&late));
    let moved = before.iter().zip(&after).filter(|(a, b)| a != b).count();
    assert_eq!(
        (before.len(), moved),
        (16, 8),
        "those after half past midnight"
    );
}

#[test]
fn samples_that_are_taken_anew_are_judged_anew() {
    let mut disk = FakeDisk::new(north());
    disk.put(night("2026-09-05"));
    let left_out = |plan: &Plan| {
        let states = plan.calibration.values();
        states
            .filter(|state| matches!(state, CalibrationState::LeftOut(_)))
            .count()
    };
    assert_eq!(left_out(&disk.plan()), 0);
    // The profile states another level of saturation: the same bytes say something else.
    for entry in &mut disk.snapshot.entries {
        if let Content::Frame {
            frame,
            sample: Some(sample),
            ..
        } = &mut entry.content
            && frame.kind == Kind::Flat
        {
            sample.saturation = 30_000.0;
        }
    }
    assert_eq!(left_out(&disk.plan()), 4);
}
