//! What the planner found: what to make, what waits and why, and what became of every frame.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use super::{
    ByEntry, Camera, Celsius, DarkVerdict, Degrees, Fingerprint, Kind, MasterFacts, MasterUse,
    Recipe, Seconds, SensorTask, Setting, Supplied,
};

/// One product to make now: all that goes into it is there.
#[derive(Clone, Debug, PartialEq)]
pub struct Task {
    /// The fingerprint of the recipe.
    pub fingerprint: Fingerprint,
    /// Where the product will lie, relative to the output folder.
    pub product: String,
    /// How it is made.
    pub recipe: Recipe,
    /// The supplied ones among its masters, and where they lie now.
    pub supplied: Vec<Supplied>,
}

/// A light on file that is to be measured.
#[derive(Clone, Debug, PartialEq)]
pub struct ToMeasure {
    /// The fingerprint of its recipe.
    pub fingerprint: Fingerprint,
    /// Where it lies, relative to the output folder.
    pub product: String,
    /// The night it belongs to.
    pub night: Date,
    /// The hard keys of its frame.
    pub camera: Arc<Camera>,
    /// The masters it was made with.
    pub masters: Vec<MasterUse>,
}

/// Why something is not made yet.
#[derive(Clone, Debug, PartialEq)]
pub enum Wait {
    /// Nothing stands in the way: it is in line.
    InLine,
    /// A set is too small.
    TooFew {
        /// Kind of the set.
        kind: Kind,
        /// Usable frames.
        have: usize,
        /// The profile's minimum.
        need: usize,
    },
    /// A set is still growing.
    Growing {
        /// Kind of the set.
        kind: Kind,
        /// When it will have been quiet for long enough.
        until: Timestamp,
    },
    /// No master of this kind matches.
    NoMaster {
        /// The kind wanted.
        kind: Kind,
        /// What would match, in words.
        wanted: String,
        /// The nearest candidates and what disqualified each.
        misses: Vec<NearMiss>,
    },
    /// The master it needs waits itself.
    Master {
        /// The kind of the master.
        kind: Kind,
        /// Why that one waits.
        because: Box<Wait>,
    },
    /// Making it failed.
    Failed(String),
    /// What its sensor's frames say decides, and they are still to be measured.
    Sensor,
    /// A raw file that goes into it is not there.
    Gone,
    /// No profile of this name exists any more.
    NoProfile(String),
}

impl fmt::Display for Wait {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::InLine => f.write_str("in line to be made"),
            Self::TooFew { kind, have, need } => {
                write!(
                    f,
                    "{have} usable {kind} frames, the profile asks for at least {need}"
                )
            }
            Self::Growing { kind, until } => {
                write!(f, "its {kind} set may still grow, quiet at {until:.0}")
            }
            Self::NoMaster {
                kind,
                wanted,
                misses,
            } => {
                write!(f, "no {kind} master for {wanted}")?;
                match misses.first() {
                    Some(miss) => write!(f, "; nearest: {miss}"),
                    None => write!(f, "; there are no {kind} frames of this rig"),
                }
            }
            Self::Master { kind, because } => write!(f, "its {kind} master waits: {because}"),
            Self::Failed(reason) => write!(f, "making it failed: {reason}"),
            Self::Sensor => {
                f.write_str("its sensor's bias, dark and flat frames are being measured")
            }
            Self::Gone => f.write_str("a raw file it needs is not in its folder any more"),
            Self::NoProfile(rig) => write!(f, "no profile is called {rig} any more"),
        }
    }
}

/// A candidate that did not qualify.
#[derive(Clone, Debug, PartialEq)]
pub struct NearMiss {
    /// The candidate in words.
    pub candidate: String,
    /// The rule it fails, with value and limit.
    pub fails: String,
}

impl fmt::Display for NearMiss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.candidate, self.fails)
    }
}

/// What became of a light.
#[derive(Clone, Debug, PartialEq)]
pub enum LightState {
    /// Its product is on file.
    Calibrated(Fingerprint),
    /// Not yet.
    Waiting(Box<Wait>),
    /// Recognised but unusable, or a copy.
    Refused(String),
    /// A shot that was not meant as a light.
    Ignored(String),
}

impl LightState {
    /// Its product on file.
    pub fn product(&self) -> Option<&Fingerprint> {
        match self {
            Self::Calibrated(fingerprint) => Some(fingerprint),
            _ => None,
        }
    }
}

/// What became of a calibration frame.
#[derive(Clone, Debug, PartialEq)]
pub enum CalibrationState {
    /// In this master, on file.
    Used(Fingerprint),
    /// Spoiled, with value and limit.
    LeftOut(String),
    /// Its set waits.
    Waiting(Box<Wait>),
    /// No rule wants its kind.
    Spare(String),
    /// Recognised but unusable, or a copy.
    Refused(String),
}

/// How far a master is.
#[derive(Clone, Debug, PartialEq)]
pub enum MasterState {
    /// On file.
    Made,
    /// Not yet.
    Waiting(Wait),
}

/// A master that is on file or wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedMaster {
    /// The fingerprint of its recipe.
    pub fingerprint: Fingerprint,
    /// Where it lies or will lie, relative to the output folder.
    pub product: Arc<str>,
    /// What it is.
    pub facts: MasterFacts,
    /// The method line of its recipe.
    pub method: Arc<str>,
    /// Members, by index into the snapshot's entries; those of a kept master that are not known
    /// any more are missing.
    pub members: Vec<usize>,
    /// Frames of its set that were left out, with the reason.
    pub left_out: Vec<(usize, String)>,
    /// Masters it is made with.
    pub masters: Vec<MasterUse>,
    /// How far it is.
    pub state: MasterState,
}

/// Something to be shot.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Shoot {
    /// The profile's name.
    pub rig: String,
    /// What kind of frame.
    pub kind: Kind,
    /// Through which filter (flats).
    pub filter: Option<String>,
    /// How long; absent where any exposure serves.
    pub exposure: Option<Seconds>,
    /// At which sensor temperature.
    pub temperature: Option<Celsius>,
    /// Gain setting.
    pub gain: Option<Setting>,
    /// Offset setting.
    pub offset: Option<Setting>,
    /// At which rotator angle (flats).
    pub rotator: Option<Degrees>,
    /// How many are missing.
    pub count: usize,
    /// What waits for it.
    pub why: String,
}

/// What one night has to say of a sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorState {
    /// Which.
    pub night: Date,
    /// The profile's name.
    pub rig: String,
    /// The hard keys.
    pub camera: Arc<Camera>,
    /// What holds for its gain: the key of bias and flats, and the flats' night.
    pub transfer: Option<(Fingerprint, Date)>,
    /// What holds for one exposure and temperature: the key of bias and darks.
    pub dark: Option<DarkSet>,
    /// Does it need darks for the night's lights? Absent on a night without lights.
    pub verdict: Option<DarkVerdict>,
}

/// Darks of one exposure and temperature that were measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DarkSet {
    /// The key of what was measured.
    pub key: Fingerprint,
    /// Their night.
    pub night: Date,
    /// Their exposure.
    pub exposure: Seconds,
    /// Their temperature.
    pub temperature: Option<Celsius>,
}

/// The whole answer of the planner.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    /// What can be made now, masters first.
    pub tasks: Vec<Task>,
    /// What can be measured now.
    pub to_measure: Vec<ToMeasure>,
    /// Every light, by index into the snapshot's entries.
    pub lights: ByEntry<LightState>,
    /// Planes of single lines that are on file, by the light's index and the line's name.
    pub lines: BTreeMap<usize, BTreeMap<String, Fingerprint>>,
    /// Every calibration frame, by index.
    pub calibration: ByEntry<CalibrationState>,
    /// Vanished files whose bytes now lie under another name: they are accounted for there.
    pub moved: BTreeSet<usize>,
    /// Every master on file or wanted.
    pub masters: BTreeMap<Fingerprint, PlannedMaster>,
    /// Products that nothing needs any more and that could be made again.
    pub superseded: Vec<Fingerprint>,
    /// Frames to be measured for what they say of their sensor.
    pub to_know: Vec<SensorTask>,
    /// What each night has to say of a sensor.
    pub sensors: Vec<SensorState>,
    /// What to shoot, by night.
    pub to_shoot: BTreeMap<Date, Vec<Shoot>>,
    /// Odd things worth a sentence, by night.
    pub warnings: BTreeMap<Date, Vec<String>>,
    /// When a set that is growing now will have been quiet for long enough.
    pub wake: Option<Timestamp>,
}
