//! From a scenario to the files of its night, in the order in which they would be written.
//!
//! Everything random about a frame except its noise is drawn here: temperature, seeing, pointing,
//! transparency. It knows no pixels.

use std::path::PathBuf;
use std::time::{Duration, SystemTime};

use jiff::{SignedDuration, Timestamp};

use super::dice::Dice;
use super::scenario::{Fault, Rig, Run, Scenario};
use crate::facts::Kind;

/// Seconds from the end of an exposure to the file's last byte.
const DOWNLOAD_S: f64 = 1.5;

/// One file of a simulated night.
#[derive(Clone, Debug)]
pub struct PlannedFile {
    /// Where it goes, relative to the watch folder.
    pub path: PathBuf,
    /// When its last byte is written.
    pub written: Timestamp,
    /// What it is.
    pub content: Planned,
}

impl PlannedFile {
    /// The time of its last change as the file system takes it; before 1970 is 1970.
    pub fn file_time(&self) -> SystemTime {
        let since = u64::try_from(self.written.as_millisecond()).unwrap_or(0);
        SystemTime::UNIX_EPOCH + Duration::from_millis(since)
    }

    /// The exposure in it, where it is one.
    pub fn exposure(&self) -> Option<&Exposure> {
        match &self.content {
            Planned::Frame(exposure) => Some(exposure),
            Planned::Text(_) | Planned::Copy(_) => None,
        }
    }
}

/// What a planned file is.
#[derive(Clone, Debug)]
pub enum Planned {
    /// A subframe, perhaps a spoiled one.
    Frame(Box<Exposure>),
    /// A file that is no frame.
    Text(String),
    /// A copy, byte for byte, of this exposure.
    Copy(Box<Exposure>),
}

/// One exposure with everything that was drawn for it.
#[derive(Clone, Debug)]
pub struct Exposure {
    /// Which rig of the scenario, from 0.
    pub rig: usize,
    /// Which run of the rig, from 0.
    pub run: usize,
    /// Which exposure of the run, from 1.
    pub number: usize,
    /// What for.
    pub kind: Kind,
    /// The physical filter's name.
    pub filter: Option<String>,
    /// The target's name.
    pub target: Option<String>,
    /// Start of the exposure, UTC.
    pub start: Timestamp,
    /// Exposure in seconds.
    pub exposure_s: f64,
    /// The sensor's true temperature in degrees Celsius.
    pub temperature_c: f64,
    /// What went wrong.
    pub fault: Fault,
    /// Full width at half maximum of a star, pixels, before any fault.
    pub seeing_px: f64,
    /// How far the field lies from the target, pixels in x and y, faults included.
    pub pointing_px: [f64; 2],
    /// The angle by which the field is turned about its centre, degrees from columns towards rows,
    /// a meridian flip not included.
    pub turn_deg: f64,
    /// Fraction of the starlight that comes through, faults included.
    pub transparency: f64,
    /// How many times as bright the sky is as usual, faults not included.
    pub sky: f64,
    /// Mean level of a flat as a fraction of the range, faults included.
    pub level: f64,
}

/// All files of the night: by the moment at which they are written, then by path.
pub fn frames(scenario: &Scenario) -> Vec<PlannedFile> {
    let mut files = Vec::new();
    for (rig_index, rig) in scenario.rigs.iter().enumerate() {
        for (run_index, run) in rig.runs.iter().enumerate() {
            for number in 1..=run.count {
                let exposure = expose(scenario.seed, rig, run, [rig_index, run_index, number]);
                files.push(PlannedFile {
                    path: PathBuf::from(&rig.folder).join(name(run, &exposure)),
                    written: after(exposure.start, exposure.exposure_s + DOWNLOAD_S),
                    content: Planned::Frame(Box::new(exposure)),
                });
            }
        }
    }
    for stray in &scenario.strays {
        let original = stray.copy_of.as_ref().and_then(|path| {
            let wanted = PathBuf::from(path);
            files.iter().find(|file| file.path == wanted)?.exposure()
        });
        let content = match original {
            Some(exposure) => Planned::Copy(Box::new(exposure.clone())),
            None => Planned::Text(stray.text.clone().unwrap_or_default()),
        };
        files.push(PlannedFile {
            path: PathBuf::from(&stray.path),
            written: stray.at,
            content,
        });
    }
    files.sort_by(|a, b| (a.written, &a.path).cmp(&(b.written, &b.path)));
    files
}

fn expose(seed: u64, rig: &Rig, run: &Run, [rig_index, run_index, number]: [usize; 3]) -> Exposure {
    let purpose = format!("{rig_index}/{run_index}/{number}");
    let mut dice = Dice::new(seed, &["exposure", &purpose]);
    let fault = run
        .faults
        .iter()
        .find(|fault| fault.at.contains(&number))
        .map_or(Fault::None, |fault| fault.fault);
    let every = run.every_s.unwrap_or(run.exposure_s + 2.0);
    // The dice are rolled in this order whatever the fault, so a fault changes nothing else.
    let jitter = dice.between(-rig.sensor.jitter_c, rig.sensor.jitter_c);
    let seeing_px = dice.between(run.seeing_px[0], run.seeing_px[1]);
    let mut pointing_px = [
        dice.between(-run.dither_px, run.dither_px),
        dice.between(-run.dither_px, run.dither_px),
    ];
    let mut transparency = dice.between(0.97, 1.0);
    let delay = dice.between(0.0, 0.4);
    let progress = match run.count {
        0 | 1 => 0.0,
        count => (number - 1) as f64 / (count - 1) as f64 - 0.5,
    };
    let mut level = run.level * (1.0 + run.ramp * progress);
    let set_point = run.set_point_c.or(rig.sensor.set_point_c);
    // Uncooled: a mild night.
    let mut temperature_c = set_point.unwrap_or(12.0) + jitter;
    match fault {
        Fault::Clouds(fraction) => transparency *= fraction,
        Fault::Moved([x, y]) => {
            pointing_px[0] += x;
            pointing_px[1] += y;
        }
        Fault::Warm(degrees) => temperature_c += degrees,
        Fault::Bright(factor) => level *= factor,
        _ => {}
    }
    Exposure {
        rig: rig_index,
        run: run_index,
        number,
        kind: run.kind,
        filter: run.filter.clone(),
        target: run.target.clone(),
        start: after(run.start, every * (number - 1) as f64 + delay),
        exposure_s: run.exposure_s,
        temperature_c,
        fault,
        seeing_px,
        pointing_px,
        turn_deg: run.turn_deg,
        transparency,
        sky: 1.0,
        level,
    }
}

/// A moment so many seconds later, to the millisecond.
fn after(moment: Timestamp, seconds: f64) -> Timestamp {
    let milliseconds = (seconds * 1000.0).round() as i64;
    moment
        .saturating_add(SignedDuration::from_millis(milliseconds))
        .unwrap_or(moment)
}

fn name(run: &Run, exposure: &Exposure) -> String {
    let filled = run
        .name
        .replace("{kind}", exposure.kind.word())
        .replace("{filter}", exposure.filter.as_deref().unwrap_or("none"))
        .replace("{target}", exposure.target.as_deref().unwrap_or("none"))
        .replace("{exposure}", &exposure.exposure_s.to_string())
        .replace(
            "{start}",
            &exposure.start.strftime("%Y%m%d-%H%M%S").to_string(),
        )
        .replace("{n}", &format!("{:04}", exposure.number));
    if run.gzip {
        format!("{filled}.gz")
    } else {
        filled
    }
}
