//! A fake observatory: frames made of thin air, and a disk in memory that carries plans out.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::{Arc, LazyLock};
use std::time::Duration;

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

use crate::facts::*;
use crate::plan::{Memory, Patience, plan, plan_with};

/// 21:00 UTC of the evening that names the night.
pub fn evening(night: &str) -> Timestamp {
    format!("{night}T21:00:00Z").parse().unwrap()
}

pub fn rule(rule: Rule, min_frames: usize, gap_hours: u64) -> FrameRule {
    FrameRule {
        rule,
        min_frames,
        quiet: Duration::from_secs(300),
        run_gap: Duration::from_secs(gap_hours * 3600),
        combining: CombiningRule::Always(Combining::Mean),
        scaled: false,
    }
}

pub fn profile(name: &str, camera: &str) -> Profile {
    Profile {
        name: name.to_owned(),
        cameras: vec![camera.to_owned()],
        telescope: None,
        calibration: CalibrationRules {
            bias: rule(Rule::Required, 3, 24),
            flat_dark: rule(Rule::Never, 3, 6),
            dark: rule(Rule::Never, 3, 24),
            flat: rule(Rule::Required, 3, 6),
        },
        tolerance: Tolerance {
            temperature_c: 1.0,
            exposure_fraction: 0.02,
            flat_dark_exposure_fraction: 0.1,
            rotator_deg: 2.0,
        },
        windows: Windows {
            flat_before: 14,
            flat_after: 3,
            library_before: 180,
            library_after: 7,
        },
        filters: BTreeMap::new(),
        passbands: BTreeMap::new(),
        kinds: BTreeMap::new(),
        keywords: BTreeMap::new(),
        paths: Vec::new(),
        gain_keyword: GainMeaning::Setting,
        cfa: CfaChoice::Header,
        overscan: None,
        saturation_adu: None,
        flat_level: FlatLevel::PerColour,
        flat_range: (0.15, 0.7),
        bias_max_s: 0.5,
        short_shots: ShortShots {
            under_s: 15.0,
            under_fraction: 0.25,
        },
        sensor: None,
        verdict: VerdictLimits::default(),
        products: ProductRules::default(),
        train_changes: Vec::new(),
        supplied: Vec::new(),
    }
}

pub fn settings(profiles: Vec<Profile>) -> Settings {
    Settings {
        site: Site {
            name: "Skarn Hill".to_owned(),
            latitude_deg: 57.3,
            longitude_deg: -4.4,
            elevation_m: 310.0,
            time_zone: TimeZone::UTC,
        },
        watch: Vec::new(),
        output: "/output".into(),
        state: "/state".into(),
        profiles: profiles.into_iter().map(Arc::new).collect(),
        settle: Duration::from_secs(5),
        scan_interval: Duration::from_secs(1800),
        close: Close {
            sun_altitude_deg: 10.0,
            quiet: Duration::from_secs(3600),
            at: None,
        },
        memory_budget: 1 << 28,
        threads: 1,
        alarms: Alarms::default(),
    }
}

/// A frame of the rig `north` with round values; tests change what matters to them.
pub fn frame(kind: Kind, start: Timestamp) -> Frame {
    let (filter, exposure) = match kind {
        Kind::Bias => ("none", 0.0),
        Kind::Dark => ("none", 300.0),
        Kind::FlatDark => ("none", 2.0),
        Kind::Flat => ("Ha", 2.0),
        Kind::Light => ("Ha", 300.0),
    };
    Frame {
        kind,
        rig: "north".into(),
        camera: Arc::new(Camera {
            name: "Petrel 26M".into(),
            width: 64,
            height: 48,
            binning: (1, 1),
            gain: Setting::new(100.0),
            offset: Setting::new(50.0),
            readout_mode: None,
            row_order: RowOrder::Unstated,
            origin: (0, 0),
            cfa: None,
            overscan: None,
        }),
        filter: filter.into(),
        exposure: Seconds::new(exposure).unwrap(),
        temperature: Celsius::new(-10.0),
        set_point: Celsius::new(-10.0),
        optics: Arc::default(),
        rotator: None,
        sky_angle: None,
        target: (kind == Kind::Light).then(|| "Veil".into()),
        start: Some(start),
        pointing: None,
        pixel_um: None,
        electrons_per_adu: None,
        remarks: Vec::new(),
    }
}

fn sample(kind: Kind) -> Sample {
    let level = match kind {
        Kind::Flat => 25_000.0,
        Kind::Light => 800.0,
        _ => 500.0,
    };
    let plane = PlaneSample {
        level,
        spread: 5.0,
        saturated: 0.0,
    };
    Sample {
        planes: [plane; 4],
        mesh: vec![level as f32; MESH * MESH],
        step: Some(1),
        saturation: 65535.0,
        highest: None,
    }
}

/// An entry whose contents are as unique as its path.
pub fn entry(path: &str, frame: Frame) -> Entry {
    let arrived = frame.start.unwrap();
    let kind = frame.kind;
    Entry {
        file: FileId {
            watch: "incoming".into(),
            path: RelPath::new(std::path::Path::new(path)).unwrap(),
        },
        stamp: Stamp {
            size: 1,
            mtime_ns: 0,
            ctime_ns: 0,
            inode: 0,
        },
        present: true,
        arrived,
        content: Content::Frame {
            digest: Digest::new(*blake3::hash(path.as_bytes()).as_bytes()),
            frame: Arc::new(frame),
            sample: Some(Box::new(sample(kind))),
            unusable: None,
        },
    }
}

/// `count` frames a minute apart.
pub fn series(
    kind: Kind,
    count: usize,
    start: Timestamp,
    change: impl Fn(&mut Frame),
) -> Vec<Entry> {
    (0..count)
        .map(|number| {
            let at = start
                .checked_add(SignedDuration::from_mins(number as i64))
                .unwrap();
            let mut frame = frame(kind, at);
            change(&mut frame);
            let name = format!("{kind}-{}-{}-{at}.fits", frame.rig, frame.filter);
            entry(&name, frame)
        })
        .collect()
}

/// A usual night of the rig `north`: bias, flats, lights.
pub fn night(date: &str) -> Vec<Entry> {
    let at = |hours| {
        evening(date)
            .checked_add(SignedDuration::from_hours(hours))
            .unwrap()
    };
    let mut entries = series(Kind::Flat, 4, at(-1), |_| {});
    entries.extend(series(Kind::Light, 3, at(1), |_| {}));
    entries.extend(series(Kind::Bias, 4, at(7), |_| {}));
    entries
}

/// One thread, which does everything in its order.
static ALONE: LazyLock<rayon::ThreadPool> = LazyLock::new(|| {
    let alone = rayon::ThreadPoolBuilder::new().num_threads(1);
    alone.build().unwrap()
});

/// The catalogue and the output folder, both in memory.
#[derive(Clone)]
pub struct FakeDisk {
    pub settings: Settings,
    pub snapshot: Snapshot,
    /// Products made so far, in all runs.
    pub made: usize,
    memory: Rc<RefCell<Memory>>,
}

impl FakeDisk {
    pub fn new(settings: Settings) -> Self {
        Self {
            settings,
            snapshot: Snapshot::default(),
            made: 0,
            memory: Rc::default(),
        }
    }

    pub fn put(&mut self, entries: impl IntoIterator<Item = Entry>) {
        self.snapshot.entries.extend(entries);
        self.snapshot.entries.sort_by(|a, b| a.file.cmp(&b.file));
    }

    pub fn plan(&self) -> Plan {
        self.plan_at(Patience::None)
    }

    /// With what is remembered and by many threads, which must make no difference.
    pub fn plan_at(&self, patience: Patience) -> Plan {
        let (snapshot, settings) = (&self.snapshot, &self.settings);
        let mut memory = self.memory.borrow_mut();
        let planned = plan_with(snapshot, settings, patience, &mut memory);
        let alone = ALONE.install(|| plan(snapshot, settings, patience));
        assert_eq!(planned, alone);
        planned
    }

    /// Plans and carries out until nothing is left to do, one task at a time, as the loop does.
    pub fn run(&mut self) -> Plan {
        for _ in 0..10_000 {
            let plan = self.plan();
            for fingerprint in &plan.superseded {
                self.snapshot.made.remove(fingerprint);
            }
            match plan.tasks.first() {
                Some(task) => self.carry_out(task),
                None if plan.superseded.is_empty() => return plan,
                None => {}
            }
        }
        panic!("the plan never becomes empty");
    }

    /// Carries out the first task.
    pub fn step(&mut self) {
        let plan = self.plan();
        self.carry_out(&plan.tasks[0]);
    }

    fn carry_out(&mut self, task: &Task) {
        for input in task.recipe.raws() {
            let present = self.snapshot.entries.iter().any(|entry| {
                entry.present
                    && entry.file == input.file
                    && matches!(&entry.content, Content::Frame { digest, .. } if *digest == input.digest)
            });
            assert!(present, "{} is not there for {}", input.file, task.product);
        }
        for used in task.recipe.masters() {
            let made = self.snapshot.made.get(&used.fingerprint);
            let word = || {
                let mut masters = task.supplied.iter().flat_map(|supplied| &supplied.master);
                let found = masters.find(|master| master.fingerprint == used.fingerprint);
                found.map(SuppliedMaster::word)
            };
            assert_eq!(
                made.map(|made| made.product.clone()).or_else(word),
                Some(used.product.to_string()),
                "for {}",
                task.product
            );
        }
        let made = Made::of(task, 1, MadeStats::default());
        let twice = self.snapshot.made.insert(made);
        assert!(twice.is_none(), "{} made twice", task.product);
        self.made += 1;
    }

    /// Everything in the output folder.
    pub fn tree(&self) -> Vec<String> {
        let mut tree: Vec<String> = self
            .snapshot
            .made
            .iter()
            .map(|made| made.product.clone())
            .collect();
        tree.sort();
        tree
    }

    pub fn light_states(&self, plan: &Plan) -> Vec<LightState> {
        plan.lights.values().cloned().collect()
    }
}

pub fn kind_of(entry: &Entry) -> Option<Kind> {
    match &entry.content {
        Content::Frame { frame, .. } => Some(frame.kind),
        _ => None,
    }
}
