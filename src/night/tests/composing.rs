//! A messy night, built by hand: who ends where, and with which numbers.

use std::collections::BTreeSet;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;

use crate::facts::{
    Alarms, CalibrationState, Camera, Celsius, Close, Content, Count, Digest, Entry, FileId,
    Fingerprint, Frame, InputCount, Kind, Ledger, LightState, Made, MadeStats, MasterFacts,
    MasterState, MasterUse, NightState, Optics, Plan, PlannedMaster, RelPath, RowOrder, Seconds,
    SessionLog, Settings, Shoot, Snapshot, Stamp, Wait,
};
use crate::night::{Known, Standing, compose, nights, parse, scene, yaml};

pub(super) fn settings() -> Settings {
    Settings {
        site: scene::site(),
        watch: Vec::new(),
        output: "/out".into(),
        state: "/state".into(),
        profiles: Vec::new(),
        settle: Duration::from_secs(5),
        scan_interval: Duration::from_secs(60),
        close: Close {
            sun_altitude_deg: 10.0,
            quiet: Duration::from_secs(3600),
            at: None,
        },
        memory_budget: 1 << 30,
        threads: 1,
        alarms: Alarms::default(),
    }
}

fn night() -> Date {
    "2026-09-05".parse().unwrap()
}

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn file(watch: &str, path: &str) -> FileId {
    FileId {
        watch: watch.into(),
        path: RelPath::new(Path::new(path)).unwrap(),
    }
}

fn digest(number: u8) -> Digest {
    Digest::new([number; 32])
}

pub(super) fn print(number: u8) -> Fingerprint {
    Fingerprint::new([number; 32])
}

fn camera() -> Arc<Camera> {
    Arc::new(Camera {
        name: "Petrel 26M".into(),
        width: 100,
        height: 100,
        binning: (1, 1),
        gain: None,
        offset: None,
        readout_mode: None,
        row_order: RowOrder::Unstated,
        origin: (0, 0),
        cfa: None,
        overscan: None,
    })
}

pub(super) fn frame(kind: Kind, filter: &str, exposure: f64, start: Option<&str>) -> Frame {
    Frame {
        kind,
        rig: "north-pier".into(),
        camera: camera(),
        filter: filter.into(),
        exposure: Seconds::new(exposure).unwrap(),
        temperature: Celsius::new(-10.004),
        set_point: Celsius::new(-10.0),
        optics: Arc::new(Optics::default()),
        rotator: None,
        sky_angle: None,
        target: (kind == Kind::Light).then(|| "Lantern Nebula".into()),
        start: start.map(at),
        pointing: None,
        pixel_um: None,
        electrons_per_adu: None,
        remarks: Vec::new(),
    }
}

/// A file whose own time is `changed`.
fn entry(path: &str, changed: Timestamp, content: Content) -> Entry {
    Entry {
        file: file("incoming", path),
        stamp: Stamp {
            size: 1,
            mtime_ns: changed.as_nanosecond() as i64,
            ctime_ns: 0,
            inode: 1,
        },
        present: true,
        arrived: changed,
        content,
    }
}

/// A frame written three seconds after its exposure ended.
pub(super) fn shot(path: &str, number: u8, frame: Frame) -> Entry {
    let end = frame.start.unwrap_or(at("2026-09-05T23:59:00Z"))
        + SignedDuration::from_secs_f64(frame.exposure.get() + 3.0);
    let content = Content::Frame {
        digest: digest(number),
        frame: Arc::new(frame),
        sample: None,
        unusable: None,
    };
    entry(path, end, content)
}

pub(super) fn made(number: u8, product: &str, inputs: &[u8], masters: &[(Kind, u8, &str)]) -> Made {
    Made {
        fingerprint: print(number),
        product: product.into(),
        size: 1,
        method: "mean".into(),
        inputs: inputs.iter().map(|&n| digest(n)).collect(),
        masters: masters
            .iter()
            .map(|&(kind, number, product)| MasterUse {
                kind,
                fingerprint: print(number),
                product: product.into(),
                scale: (kind == Kind::Dark).then_some(1.0 / 3.0),
            })
            .collect(),
        facts: None,
        stats: MadeStats {
            pixels: 10_000,
            level: 500.123_456,
            noise: 3.000_000_4,
            temporal: None,
            cut: 0,
            rejected: Vec::new(),
        },
    }
}

fn facts(kind: Kind) -> MasterFacts {
    MasterFacts {
        kind,
        rig: "north-pier".into(),
        camera: camera(),
        filter: if kind == Kind::Flat { "Ha" } else { "none" }.into(),
        exposure: Seconds::new(2.0).unwrap(),
        temperature: Celsius::new(-10.0),
        optics: Arc::new(Optics::default()),
        rotator: None,
        first: Some(at("2026-09-05T19:00:00Z")),
        last: Some(at("2026-09-05T19:10:00Z")),
    }
}

/// What became of each file, in the order the entries are written here.
pub(super) enum Fate {
    Light(LightState),
    Frame(CalibrationState),
    Itself,
}

/// Sorts the entries as a snapshot does and files the plan under the resulting indices.
pub(super) fn scene_of(files: Vec<(Entry, Fate)>) -> (Snapshot, Plan) {
    let mut files = files;
    files.sort_by(|(a, _), (b, _)| a.file.cmp(&b.file));
    let mut snapshot = Snapshot::default();
    let mut plan = Plan::default();
    for (index, (entry, fate)) in files.into_iter().enumerate() {
        snapshot.entries.push(entry);
        match fate {
            Fate::Light(state) => plan.lights.insert(index, state),
            Fate::Frame(state) => plan.calibration.insert(index, state),
            Fate::Itself => {}
        }
    }
    (snapshot, plan)
}

const BIAS: &str = "masters/bias-1.fits";
const FLAT: &str = "masters/flat-2.fits";

fn messy() -> (Snapshot, Plan) {
    use Fate::{Frame as F, Itself, Light as L};
    let light = |start| frame(Kind::Light, "Ha", 300.0, Some(start));
    let flat = |start| frame(Kind::Flat, "Ha", 2.0, Some(start));
    let evening = at("2026-09-05T20:00:00Z");
    let (mut snapshot, mut plan) = scene_of(vec![
        (
            shot("z/first.fits", 10, light("2026-09-05T21:00:00.5Z")),
            L(LightState::Calibrated(print(20))),
        ),
        (
            shot("a/second.fits", 11, light("2026-09-05T21:06:00Z")),
            L(LightState::Calibrated(print(21))),
        ),
        (
            shot("a/same-b.fits", 12, light("2026-09-05T22:00:00Z")),
            L(LightState::Waiting(Box::new(Wait::InLine))),
        ),
        (
            shot("a/same-a.fits", 13, light("2026-09-05T22:00:00Z")),
            L(LightState::Refused("a copy".into())),
        ),
        (
            shot("a/focus.fits", 14, light("2026-09-05T20:59:00Z")),
            L(LightState::Ignored("2 s".into())),
        ),
        (
            shot("a/unplanned.fits", 15, light("2026-09-05T23:00:00Z")),
            Itself,
        ),
        (
            shot("a/undated.fits", 16, frame(Kind::Light, "Ha", 60.0, None)),
            L(LightState::Waiting(Box::new(Wait::Gone))),
        ),
        (
            shot("f/1.fits", 1, flat("2026-09-05T19:00:00Z")),
            F(CalibrationState::Used(print(2))),
        ),
        (
            shot("f/2.fits", 2, flat("2026-09-05T19:01:00Z")),
            F(CalibrationState::Used(print(2))),
        ),
        (
            shot("f/3.fits", 3, flat("2026-09-05T19:02:00Z")),
            F(CalibrationState::LeftOut("too dim".into())),
        ),
        (shot("f/4.fits", 4, flat("2026-09-05T19:03:00Z")), Itself),
        (
            shot(
                "d/1.fits",
                5,
                frame(Kind::Dark, "none", 300.0, Some("2026-09-06T04:00:00Z")),
            ),
            F(CalibrationState::Spare("never".into())),
        ),
        (
            entry("notes.fits", evening, Content::Refused("not FITS".into())),
            Itself,
        ),
        (
            entry("thumb.fits", evening, Content::Ignored("by name".into())),
            Itself,
        ),
        // The next night's, and the one before.
        (
            shot("a/next.fits", 30, light("2026-09-06T21:00:00Z")),
            L(LightState::Waiting(Box::new(Wait::InLine))),
        ),
        (
            entry(
                "old.fits",
                at("2026-09-04T20:00:00Z"),
                Content::Refused("not FITS".into()),
            ),
            Itself,
        ),
    ]);
    let mut bias = made(1, BIAS, &[70, 71], &[]);
    bias.facts = Some(facts(Kind::Bias));
    let mut flats = made(2, FLAT, &[1, 2], &[(Kind::Bias, 1, BIAS)]);
    flats.facts = Some(facts(Kind::Flat));
    flats.stats.rejected = vec![
        InputCount { low: 5, high: 20 },
        InputCount { low: 1, high: 0 },
    ];
    let with = [(Kind::Bias, 1, BIAS), (Kind::Flat, 2, FLAT)];
    let with_dark = [(Kind::Dark, 3, "dark.fits"), (Kind::Bias, 1, BIAS)];
    for product in [
        bias,
        flats,
        made(20, "nights/first.fits", &[10], &with),
        made(21, "nights/second.fits", &[11], &with_dark),
    ] {
        snapshot.made.insert(product);
    }
    plan.masters.insert(
        print(2),
        PlannedMaster {
            fingerprint: print(2),
            product: FLAT.into(),
            facts: facts(Kind::Flat),
            method: "mean".into(),
            members: vec![],
            left_out: vec![(0, "too dim".to_owned())],
            masters: vec![],
            state: MasterState::Made,
        },
    );
    plan.to_shoot.insert(
        night(),
        vec![Shoot {
            rig: "north-pier".to_owned(),
            kind: Kind::Flat,
            filter: Some("OIII".to_owned()),
            exposure: None,
            temperature: None,
            gain: None,
            offset: None,
            rotator: None,
            count: 20,
            why: "one light waits".to_owned(),
        }],
    );
    plan.warnings
        .insert(night(), vec!["said by the plan".to_owned()]);
    (snapshot, plan)
}

/// The log of one night, its members looked up; a night of which no file is left has none.
fn log_of(
    snapshot: &Snapshot,
    plan: &Plan,
    night: Date,
    state: NightState,
    previous: Option<&SessionLog>,
) -> SessionLog {
    let settings = settings();
    let nights = nights(snapshot, plan, &settings);
    let members = nights.get(&night).map_or(&[][..], Vec::as_slice);
    let known = Known {
        snapshot,
        plan,
        settings: &settings,
    };
    let unmeasured = Standing::default();
    compose(&known, night, members, state, &unmeasured, previous)
}

fn composed(snapshot: &Snapshot, plan: &Plan, previous: Option<&SessionLog>) -> SessionLog {
    log_of(snapshot, plan, night(), NightState::Closed, previous)
}

/// Watch folder and path of everything a log accounts for.
fn named(log: &SessionLog) -> Vec<(&str, &str)> {
    let lights = log.lights.iter().map(|l| (&*l.watch, &*l.file));
    let frames = log.calibration.iter().map(|c| (&*c.watch, &*c.file));
    let plain = log.refused.iter().chain(&log.ignored);
    let plain = plain.map(|p| (&*p.watch, &*p.file));
    lights.chain(frames).chain(plain).collect()
}

/// The log as it must be once nothing ignored is left.
fn without_ignored(log: &SessionLog) -> SessionLog {
    let mut log = log.clone();
    log.ledger.seen -= log.ignored.len();
    log.ledger.ignored = 0;
    log.ignored.clear();
    log
}

#[test]
fn the_nights_are_those_of_the_files() {
    let (snapshot, plan) = messy();
    let found = nights(&snapshot, &plan, &settings());
    let sizes: Vec<(String, usize)> = found
        .iter()
        .map(|(night, members)| (night.to_string(), members.len()))
        .collect();
    let wanted = [("2026-09-04", 1), ("2026-09-05", 14), ("2026-09-06", 1)];
    assert_eq!(sizes, wanted.map(|(night, n)| (night.to_owned(), n)));
}

#[test]
fn every_file_of_the_night_stands_in_one_list_and_the_ledger_balances() {
    let (snapshot, plan) = messy();
    let log = composed(&snapshot, &plan, None);
    let wanted = Ledger {
        seen: 14,
        lights: 6,
        calibration: 5,
        refused: 1,
        ignored: 2,
    };
    assert_eq!(log.ledger, wanted);
    let lists = named(&log);
    let distinct: BTreeSet<_> = lists.iter().collect();
    assert_eq!((lists.len(), distinct.len()), (14, 14), "{lists:?}");
    let all: usize = nights(&snapshot, &plan, &settings())
        .into_keys()
        .map(|night| log_of(&snapshot, &plan, night, NightState::Open, None))
        .map(|log| log.ledger.seen)
        .sum();
    assert_eq!(all, snapshot.entries.len(), "each file is in one night");
}

#[test]
fn entries_are_ordered_by_moment_then_path() {
    let (snapshot, plan) = messy();
    let log = composed(&snapshot, &plan, None);
    let lights: Vec<(&str, &str)> = log.lights.iter().map(|l| (&*l.file, &*l.state)).collect();
    assert_eq!(
        lights,
        [
            ("z/first.fits", "calibrated"),
            ("a/second.fits", "calibrated"),
            ("a/same-a.fits", "refused"),
            ("a/same-b.fits", "waiting"),
            ("a/unplanned.fits", "waiting"),
            ("a/undated.fits", "waiting"),
        ]
    );
    assert_eq!(
        log.lights[0].start_utc.as_deref(),
        Some("2026-09-05T21:00:00.500Z")
    );
    assert_eq!(
        log.lights[1].start_utc.as_deref(),
        Some("2026-09-05T21:06:00.000Z")
    );
    assert_eq!(log.lights[5].start_utc, None);
    assert!(
        log.lights
            .iter()
            .all(|l| (l.state == "calibrated") == l.reason.is_none())
    );
    let frames: Vec<(&str, &str)> = log
        .calibration
        .iter()
        .map(|c| (&*c.file, &*c.state))
        .collect();
    assert_eq!(
        frames,
        [
            ("f/1.fits", "used"),
            ("f/2.fits", "used"),
            ("f/3.fits", "left-out"),
            ("f/4.fits", "waiting"),
            ("d/1.fits", "spare"),
        ]
    );
}

#[test]
fn numbers_are_those_of_the_products() {
    let (snapshot, plan) = messy();
    let log = composed(&snapshot, &plan, None);
    let first = &log.lights[0];
    assert_eq!(first.product.as_deref(), Some("nights/first.fits"));
    assert_eq!(first.masters.bias.as_deref(), Some(BIAS));
    assert_eq!(first.masters.flat.as_deref(), Some(FLAT));
    assert_eq!(
        (first.masters.dark.as_deref(), first.dark_scale),
        (None, None)
    );
    let second = &log.lights[1];
    assert_eq!(second.masters.dark.as_deref(), Some("dark.fits"));
    assert_eq!(second.dark_scale, Some(0.333333));
    assert_eq!(first.temperature_c, Some(-10.0));
    let measures = first.measures.unwrap();
    assert_eq!(
        (measures.background_adu, measures.noise_adu),
        (500.123, 3.0)
    );

    let flat = &log.calibration[0];
    assert_eq!(flat.master.as_deref(), Some(FLAT));
    assert_eq!(flat.rejected_low_fraction, Some(0.0005));
    assert_eq!(flat.rejected_high_fraction, Some(0.002));
    assert_eq!(log.calibration[1].rejected_low_fraction, Some(0.0001));

    let kinds: Vec<Kind> = log.masters.iter().map(|m| m.kind).collect();
    assert_eq!(
        kinds,
        [Kind::Bias, Kind::Flat],
        "the bias is there through the flat and the lights"
    );
    let flat = &log.masters[1];
    assert_eq!((flat.frames_used, flat.frames_left_out), (Some(2), Some(1)));
    assert_eq!(flat.rejected_low_fraction, Some(0.0003));
    assert_eq!(flat.rejected_high_fraction, Some(0.001));
    assert_eq!(
        (flat.filter.as_deref(), log.masters[0].filter.as_deref()),
        (Some("Ha"), None)
    );

    let wanted = Count {
        target: "Lantern Nebula".to_owned(),
        filter: "Ha".to_owned(),
        frames: 2,
        kept: None,
        integration_s: 600.0,
        kept_s: None,
    };
    assert_eq!(log.totals, [wanted]);
    assert_eq!(log.to_shoot.len(), 1);
    assert_eq!(log.warnings, ["said by the plan"]);
}

#[test]
fn a_flat_s_bias_is_listed_even_where_no_light_used_it() {
    let (snapshot, mut plan) = messy();
    plan.lights = Default::default();
    let log = composed(&snapshot, &plan, None);
    let products: Vec<&str> = log.masters.iter().map(|m| &*m.product).collect();
    assert_eq!(products, [BIAS, FLAT]);
}

#[test]
fn a_log_comes_back_from_its_text_and_composing_again_changes_nothing() {
    let (snapshot, plan) = messy();
    let log = composed(&snapshot, &plan, None);
    let text = yaml(&log);
    assert_eq!(parse(&text).unwrap(), log);
    assert_eq!(yaml(&composed(&snapshot, &plan, Some(&log))), text);
}

#[test]
fn a_rebuilt_catalogue_keeps_the_entries_of_raws_it_never_heard_of() {
    let (snapshot, plan) = messy();
    let log = composed(&snapshot, &plan, None);
    // Everything is gone but the products: the text stays as it was, save for what is the plan's
    // and for the ignored files, which need no account once they are gone.
    let rebuilt = Snapshot {
        made: snapshot.made.clone(),
        ..Snapshot::default()
    };
    let kept = composed(&rebuilt, &plan_without_files(&plan), Some(&log));
    assert_eq!(log.ledger.ignored, 2);
    let wanted = without_ignored(&log);
    assert_eq!(kept, wanted);
    assert_eq!(yaml(&kept), yaml(&wanted));
    assert_eq!(
        (kept.ledger.seen, kept.ledger.refused),
        (12, 1),
        "a refusal is kept"
    );

    // Without the products on file the masters stay as they were written.
    let bare = composed(&Snapshot::default(), &plan_without_files(&plan), Some(&log));
    assert_eq!(bare.masters, log.masters);
    assert_eq!(bare.ledger, wanted.ledger);

    // One file is back: it is taken from the snapshot, once, in its old place.
    let (mut one, mut its_plan) = scene_of(vec![(
        shot(
            "a/second.fits",
            11,
            frame(Kind::Light, "Ha", 300.0, Some("2026-09-05T21:06:00Z")),
        ),
        Fate::Light(LightState::Waiting(Box::new(Wait::InLine))),
    )]);
    one.made = snapshot.made;
    its_plan.to_shoot = plan.to_shoot;
    let log = composed(&one, &its_plan, Some(&log));
    assert_eq!(log.ledger.lights, 6);
    assert_eq!(
        (&*log.lights[1].file, &*log.lights[1].state),
        ("a/second.fits", "waiting")
    );
    assert_eq!(log.totals[0].frames, 1);
}

fn plan_without_files(plan: &Plan) -> Plan {
    Plan {
        lights: Default::default(),
        calibration: Default::default(),
        ..plan.clone()
    }
}

#[test]
fn a_file_that_moved_to_another_night_is_not_kept_in_this_one() {
    let (mut snapshot, plan) = messy();
    let log = composed(&snapshot, &plan, None);
    let notes = snapshot
        .entries
        .iter_mut()
        .find(|e| e.file == file("incoming", "notes.fits"));
    notes.unwrap().stamp.mtime_ns += 86_400_000_000_000;
    let log = composed(&snapshot, &plan, Some(&log));
    assert_eq!(log.ledger.refused, 0);
}

#[test]
fn an_ignored_file_that_vanished_is_gone_from_the_log_and_one_on_file_is_not() {
    let (mut snapshot, plan) = messy();
    let log = composed(&snapshot, &plan, None);
    let place = |snapshot: &Snapshot| {
        let thumb = file("incoming", "thumb.fits");
        snapshot.entries.iter().position(|e| e.file == thumb)
    };
    let at = place(&snapshot).unwrap();
    snapshot.entries[at].present = false;
    assert_eq!(composed(&snapshot, &plan, Some(&log)), log);
    // It sorts behind all frames but one, whose place in the plan moves up.
    let mut plan = plan;
    snapshot.entries.remove(at);
    let lights = plan.lights.iter();
    plan.lights = lights
        .map(|(index, state)| (index - usize::from(index > at), state.clone()))
        .collect();
    let kept = composed(&snapshot, &plan, Some(&log));
    let ignored: Vec<&str> = kept.ignored.iter().map(|p| &*p.file).collect();
    assert_eq!(ignored, ["a/focus.fits"]);
    assert_eq!((kept.ledger.seen, kept.ledger.ignored), (13, 1));
    assert_eq!(kept.lights, log.lights);
}

#[test]
fn a_file_that_moved_to_another_name_stands_only_under_that() {
    let calibrated = || Fate::Light(LightState::Calibrated(print(20)));
    let light = || frame(Kind::Light, "Ha", 300.0, Some("2026-09-05T21:00:00Z"));
    // The second name holds a backslash and a byte that is no UTF-8, as the log escapes them.
    let odd = std::ffi::OsStr::from_bytes(b"old/odd\\\xff.fits");
    let mut odd_entry = shot("old/odd.fits", 11, light());
    odd_entry.file.path = RelPath::new(Path::new(odd)).unwrap();
    let second = || shot("old/plain.fits", 10, light());
    let (before, its_plan) = scene_of(vec![
        (second(), calibrated()),
        (odd_entry.clone(), calibrated()),
    ]);
    let log = composed(&before, &its_plan, None);
    assert_eq!(log.ledger.lights, 2);

    let gone = |mut entry: Entry| {
        entry.present = false;
        (entry, Fate::Itself)
    };
    let (snapshot, mut plan) = scene_of(vec![
        gone(second()),
        gone(odd_entry),
        (shot("new/1.fits", 10, light()), calibrated()),
        (shot("new/2.fits", 11, light()), calibrated()),
    ]);
    let moved = snapshot.entries.iter().enumerate();
    plan.moved = moved
        .filter(|(_, e)| !e.present)
        .map(|(index, _)| index)
        .collect();
    assert_eq!(plan.moved.len(), 2);
    for previous in [None, Some(&log)] {
        let log = composed(&snapshot, &plan, previous);
        let wanted = [("incoming", "new/1.fits"), ("incoming", "new/2.fits")];
        assert_eq!(named(&log), wanted);
        assert_eq!((log.ledger.seen, log.ledger.lights), (2, 2));
    }
    // Without the move they would be accounted for, though vanished.
    plan.moved.clear();
    assert_eq!(composed(&snapshot, &plan, None).ledger.seen, 4);
}

/// Lights of one rig, each with its start and how many seconds after its end it was changed.
fn warned(shots: &[(&str, i64)]) -> Vec<String> {
    let files = shots.iter().enumerate().map(|(number, &(start, late))| {
        let frame = frame(Kind::Light, "Ha", 300.0, Some(start));
        let mut entry = shot(&format!("{number}.fits"), number as u8, frame);
        entry.stamp.mtime_ns += (late - 3) * 1_000_000_000;
        (
            entry,
            Fate::Light(LightState::Waiting(Box::new(Wait::InLine))),
        )
    });
    let (snapshot, plan) = scene_of(files.collect());
    composed(&snapshot, &plan, None).warnings
}

#[test]
fn clocks_that_disagree_are_worth_a_sentence() {
    let (a, b, c) = (
        "2026-09-05T21:00:00Z",
        "2026-09-05T22:00:00Z",
        "2026-09-05T23:00:00Z",
    );
    // Written at once, or copied some time later: nothing to say.
    assert_eq!(warned(&[(a, 0), (b, 119), (c, 5000)]), [""; 0]);
    // Local time in the header, ahead of or behind UTC.
    let ahead = warned(&[(a, -7200), (b, -7150), (c, -7201)]);
    assert_eq!(
        ahead,
        [
            "3 frames (the first is incoming/0.fits) of north-pier: the start time lies 2 hours after the file's own time: is it local time?"
        ]
    );
    let behind = warned(&[(a, 5 * 3600), (b, 5 * 3600 + 100)]);
    assert!(behind[0].contains("5 hours before"), "{behind:?}");
    // A copy that hit a whole hour by chance among many is none.
    assert_eq!(warned(&[(a, 3600), (b, 9000), (c, 5000)]), [""; 0]);
    assert_eq!(
        warned(&[(a, 20 * 3600), (b, 20 * 3600)]),
        [""; 0],
        "no zone lies so far"
    );
    // Older than its own start.
    let impossible = warned(&[(a, -2000), (b, 0), (c, 0)]);
    assert_eq!(
        impossible,
        [
            "1 frame (incoming/0.fits) of north-pier: the file is older than the start of its exposure: check the clocks"
        ]
    );
}

#[test]
fn lights_in_daylight_are_worth_a_sentence() {
    let day = warned(&[("2026-09-05T18:00:00Z", 0), ("2026-09-05T17:00:00Z", 0)]);
    assert_eq!(day.len(), 1, "{day:?}");
    assert!(
        day[0].starts_with("2 lights (the first is incoming/1.fits): the Sun is up"),
        "{day:?}"
    );
    assert_eq!(warned(&[("2026-09-05T19:30:00Z", 0)]), [""; 0]);
}

#[test]
fn remarks_are_grouped_and_arriving_files_named_while_the_night_is_open() {
    let odd = |start| Frame {
        remarks: vec!["no gain in the header".to_owned()],
        ..frame(Kind::Light, "Ha", 300.0, Some(start))
    };
    let wait = || Fate::Light(LightState::Waiting(Box::new(Wait::InLine)));
    let (mut snapshot, plan) = scene_of(vec![
        (shot("1.fits", 1, odd("2026-09-05T22:00:00Z")), wait()),
        (shot("2.fits", 2, odd("2026-09-05T21:00:00Z")), wait()),
    ]);
    snapshot.arriving = vec![
        (file("incoming", "4.fits"), String::new()),
        (file("incoming", "3.fits"), "5 of 52 MB".to_owned()),
    ];
    let open = log_of(&snapshot, &plan, night(), NightState::Open, None);
    assert_eq!(
        open.warnings,
        [
            "2 frames (the first is incoming/2.fits): no gain in the header",
            "still arriving: incoming/3.fits (5 of 52 MB), and 1 more"
        ]
    );
    assert_eq!(composed(&snapshot, &plan, None).warnings.len(), 1);
    // One that is being written again belongs to the night it had.
    snapshot.arriving = vec![(file("incoming", "1.fits"), String::new())];
    assert_eq!(
        composed(&snapshot, &plan, None).warnings[1],
        "still arriving: incoming/1.fits"
    );
}

/// Any file, at any time within three days, with any fate.
fn any_file() -> impl Strategy<Value = (u8, i64, bool)> {
    (0u8..14, 0i64..3 * 24 * 60, any::<bool>())
}

/// The file and what became of it; `dated` frames carry a start time.
fn file_of(number: usize, (kind, minute, dated): (u8, i64, bool)) -> (Entry, Fate) {
    let start = at("2026-09-04T10:00:00Z") + SignedDuration::from_mins(minute);
    let text = start.to_string();
    let start = dated.then_some(text.as_str());
    let path = format!("{}/{number}.fits", number % 3);
    let light = |state| {
        let frame = frame(Kind::Light, "Ha", 300.0, start);
        (shot(&path, number as u8, frame), Fate::Light(state))
    };
    let dark = |state| {
        let frame = frame(Kind::Dark, "none", 300.0, start);
        (shot(&path, number as u8, frame), Fate::Frame(state))
    };
    let moment = at(&text);
    match kind {
        0 => light(LightState::Calibrated(print(20))),
        1 => light(LightState::Calibrated(print(99))),
        2 => light(LightState::Waiting(Box::new(Wait::InLine))),
        3 => light(LightState::Refused("broken".to_owned())),
        4 => light(LightState::Ignored("short".to_owned())),
        5 => (
            light(LightState::Waiting(Box::new(Wait::Gone))).0,
            Fate::Itself,
        ),
        6 => dark(CalibrationState::Used(print(2))),
        7 => dark(CalibrationState::Used(print(99))),
        8 => dark(CalibrationState::LeftOut("bright".to_owned())),
        9 => dark(CalibrationState::Waiting(Box::new(Wait::Gone))),
        10 => dark(CalibrationState::Spare("never".to_owned())),
        11 => (
            dark(CalibrationState::Waiting(Box::new(Wait::Gone))).0,
            Fate::Itself,
        ),
        12 => (
            entry(&path, moment, Content::Refused("odd".to_owned())),
            Fate::Itself,
        ),
        _ => (
            entry(&path, moment, Content::Ignored("name".to_owned())),
            Fate::Itself,
        ),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn any_nights_balance_and_stay(files in prop::collection::vec(any_file(), 0..40)) {
        let files = files.into_iter().enumerate();
        let (mut snapshot, plan) = scene_of(files.map(|(n, file)| file_of(n, file)).collect());
        snapshot.made = messy().0.made;
        let mut seen = BTreeSet::new();
        for night in nights(&snapshot, &plan, &settings()).into_keys() {
            let again = |previous: Option<&SessionLog>, snapshot: &Snapshot, plan: &Plan| {
                log_of(snapshot, plan, night, NightState::Closed, previous)
            };
            let log = again(None, &snapshot, &plan);
            let Ledger { seen: all, lights, calibration, refused, ignored } = log.ledger;
            prop_assert_eq!(all, lights + calibration + refused + ignored);
            let files = log.lights.iter().map(|l| &l.file);
            let files = files.chain(log.calibration.iter().map(|c| &c.file));
            let files = files.chain(log.refused.iter().chain(&log.ignored).map(|p| &p.file));
            let before = seen.len();
            seen.extend(files.cloned());
            prop_assert_eq!(seen.len(), before + all, "a file stands in two places");
            for light in &log.lights {
                prop_assert_eq!(light.state == "calibrated", light.product.is_some());
                prop_assert_eq!(light.state == "calibrated", light.reason.is_none());
            }
            prop_assert_eq!(&again(Some(&log), &snapshot, &plan), &log);
            // A rebuilt catalogue forgets the raws, the log only what was ignored.
            let bare = Snapshot { made: snapshot.made.clone(), ..Snapshot::default() };
            let kept = again(Some(&log), &bare, &Plan::default());
            prop_assert_eq!(kept.ledger, without_ignored(&log).ledger);
            prop_assert_eq!(&again(Some(&kept), &bare, &Plan::default()), &kept);
        }
        prop_assert_eq!(seen.len(), snapshot.entries.len());
    }
}
