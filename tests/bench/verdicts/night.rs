//! Invented nights of one target through one filter, with labelled faults, measured and judged.
//!
//! A night follows from its number alone. Its lights are rendered, calibrated with perfect masters,
//! and measured as the program measures them. Slow changes are no faults: seeing, transparency, a
//! target that sets, a Moon that rises, a meridian flip, a field that turns.

#[path = "../../dice/mod.rs"]
pub mod dice;
#[path = "faults.rs"]
mod faults;

use dawnledger::facts::{Cfa, Judged, Measured, Seconds, SetAside, VerdictLimits};
use dawnledger::judge::{Subframe, verdicts};
use dawnledger::measure::{Light, stars};
use dawnledger::simulate::{Exposure, Ideal, Planned, Scenario, frames, ideal, pixels};
use dice::Dice;
use faults::{faults, pass};
use ndarray::ArrayView2;

/// One night with its truth.
pub struct Night {
    pub number: u64,
    /// What it is like, for a list of misses.
    pub story: String,
    pub lights: Vec<Taken>,
    size: (u32, u32),
}

/// One light.
pub struct Taken {
    /// What a person would set it aside for.
    pub fault: Option<SetAside>,
    /// One would set it aside and another keep it: at the edge of a cloud.
    #[allow(dead_code, reason = "the bench `verdicts` asks for it alone")]
    pub is_doubtful: bool,
    pub story: String,
    pub measured: Measured,
    /// Full width at half maximum of its stars, pixels; none where something spoils it.
    #[allow(dead_code, reason = "the bench `truth` asks for it alone")]
    pub fwhm_px: Option<f64>,
    start: jiff::Timestamp,
    exposure_s: f64,
    air_mass: Option<f64>,
}

impl Night {
    /// The program's verdicts.
    pub fn judged(&self) -> Vec<Judged> {
        verdicts(&self.subframes(), None, &VerdictLimits::default())
    }

    pub fn subframes(&self) -> Vec<Subframe<'_>> {
        self.lights
            .iter()
            .map(|light| self.subframe(light))
            .collect()
    }

    fn subframe<'a>(&self, light: &'a Taken) -> Subframe<'a> {
        Subframe {
            measured: &light.measured,
            start: Some(light.start),
            exposure: Seconds::new(light.exposure_s).unwrap(),
            air_mass: light.air_mass,
            pixel_scale: Some(1.55),
            size: self.size,
        }
    }
}

/// What changes in the course of a night without being a fault.
struct Weather {
    /// Air mass at the first and the last light.
    air: (f64, f64),
    /// The header says where the telescope points.
    air_is_known: bool,
    /// Factors by which things change from first to last.
    seeing: f64,
    haze: f64,
    moon: f64,
    /// Degrees by which the field turns.
    turn: f64,
    /// Pixels by which the pointing drifts.
    drift: f64,
    /// The light before which the mount flips.
    flip_at: Option<usize>,
}

/// How a night is played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(dead_code, reason = "not every bench and test plays all of them")]
pub enum Play {
    /// Few lights and pixels.
    Small,
    Whole,
    /// The same as the whole one, and a cloud of moderate depth passes for five to nine lights, where there
    /// are sixteen or more.
    Clouded,
}

/// Plays night `number`.
pub fn night(number: u64, play: Play) -> Night {
    let mut dice = Dice::new(number);
    let colour = dice.chance(0.33);
    let (width, height) = match play {
        Play::Small => (256, 192),
        _ => dice.one_of(&[(256, 192), (320, 240), (384, 256), (512, 384)]),
    };
    let count = match play {
        Play::Small => 8 + dice.below(4),
        _ => dice.one_of(&[8, 10, 12, 16, 20, 24, 30, 40]),
    };
    let exposure_s = dice.one_of(&[60.0, 120.0, 300.0]);
    // Stars in the frame: sparse fields to crowded ones.
    let field = dice.one_of(&[14, 25, 40, 80, 160]);
    let seeing = dice.between(2.2, 3.6);
    let sky_e = dice.log_between(40.0, 2000.0);
    // The faintest star at some ten times its noise, so that all are found on a good night.
    let noise = (sky_e + 9.0_f64).sqrt();
    let faintest = noise * seeing * dice.between(12.0, 25.0) * if colour { 1.6 } else { 1.0 };
    let hours = count as f64 * (exposure_s + 10.0) / 3600.0;
    let weather = weather(&mut dice, count, hours);
    let scenario = Scenario::parse(&format!(
        "
seed: {number}
rigs:
  - camera: {camera}
    sensor: {{width: {width}, height: {height}, cfa: {cfa}, jitter_c: 0, full_well_e: 60000}}
    filters: [{{name: L, sky_e_per_s: {sky}, dust: 2}}]
    targets:
      - {{name: Lantern Nebula, stars: {field}, faintest_e_per_s: {faint}, brightest_e_per_s: {bright}, nebula_e_per_s: {nebula}}}
      - {{name: Elsewhere, stars: {field}, faintest_e_per_s: {faint}, brightest_e_per_s: {bright}}}
    runs:
      - {{kind: light, target: Lantern Nebula, filter: L, exposure_s: {exposure_s}, every_s: {every},
         start: '2026-09-05T21:00:00Z', count: {count}, seeing_px: [{low}, {high}], moffat: 3.5, dither_px: {dither}}}
      - {{kind: light, target: Lantern Nebula, filter: L, exposure_s: {exposure_s}, every_s: {every}, flipped: true,
         start: '2026-09-05T21:00:00Z', count: {count}, seeing_px: [{low}, {high}], moffat: 3.5, dither_px: {dither}, name: 'flipped_{{n}}.fits'}}
",
        camera = if colour { "Dunlin 24C" } else { "Petrel 26M" },
        cfa = if colour { "RGGB" } else { "null" },
        sky = sky_e / exposure_s,
        faint = faintest / exposure_s,
        bright = (faintest * 400.0).min(300_000.0) / exposure_s,
        nebula = if dice.chance(0.3) { 0.3 * sky_e / exposure_s } else { 0.0 },
        every = exposure_s + 10.0,
        low = seeing * 0.95,
        high = seeing * 1.05,
        dither = dice.between(1.0, 6.0),
    ))
    .unwrap();
    let mut faults = faults(&mut dice, count, seeing, (width, height));
    if play == Play::Clouded {
        pass(number, &mut faults);
    }
    let files = frames(&scenario);
    let mut masters: Option<Ideal> = None;
    let mut lights = Vec::new();
    for (at, fault) in faults.iter().enumerate() {
        let flipped = weather.flip_at.is_some_and(|flip| at >= flip);
        let file = files.iter().find(|file| match &file.content {
            Planned::Frame(exposure) => {
                exposure.number == at + 1 && exposure.run == usize::from(flipped)
            }
            _ => false,
        });
        let file = file.unwrap();
        let masters = masters.get_or_insert_with(|| ideal(&scenario, file).unwrap());
        let mut exposure = file.exposure().unwrap().clone();
        let part = at as f64 / (count - 1) as f64;
        let air = weather.air.0 + part * (weather.air.1 - weather.air.0);
        exposure.seeing_px *= (air / weather.air.0).powf(0.6) * weather.seeing.powf(part);
        exposure.transparency *=
            10f64.powf(-0.08 * (air - weather.air.0)) * weather.haze.powf(part);
        exposure.sky = weather.moon.powf(part);
        exposure.turn_deg = weather.turn * part;
        exposure.pointing_px[0] += weather.drift * part;
        if let Some(fault) = fault {
            fault.spoil(&mut exposure);
        }
        let cfa = colour.then(|| Cfa::parse("RGGB").unwrap());
        lights.push(Taken {
            fault: fault.as_ref().and_then(|fault| fault.reason),
            is_doubtful: fault.as_ref().is_some_and(|fault| fault.reason.is_none()),
            story: fault
                .as_ref()
                .map_or_else(String::new, |fault| format!("{:?}", fault.kind)),
            measured: measure(
                &calibrate(&scenario, &exposure, masters),
                (width, height),
                cfa,
            ),
            fwhm_px: fault.is_none().then_some(exposure.seeing_px),
            start: exposure.start,
            exposure_s,
            air_mass: weather.air_is_known.then_some(air),
        });
    }
    Night {
        number,
        story: format!(
            "{} {width}x{height}, {count} lights of {exposure_s} s, {field} stars, {seeing:.1} px, sky {sky_e:.0} e-, \
             air {:.1} to {:.1}{}, seeing x {:.2}, haze x {:.2}, moon x {:.1}, turn {:.1}, flip {:?}",
            if colour { "colour" } else { "mono" },
            weather.air.0,
            weather.air.1,
            if weather.air_is_known {
                ""
            } else {
                " (not known)"
            },
            weather.seeing,
            weather.haze,
            weather.moon,
            weather.turn,
            weather.flip_at,
        ),
        lights,
        size: (width as u32, height as u32),
    }
}

fn weather(dice: &mut Dice, count: usize, hours: f64) -> Weather {
    let start = dice.between(1.0, 1.8);
    // A target sinks by up to an air mass in an hour when it is low.
    let sets = if dice.chance(0.4) {
        hours * dice.between(0.2, 0.8)
    } else {
        0.0
    };
    let slow = |dice: &mut Dice, per_hour: f64, most: f64| {
        let share = dice.between(-1.0, 1.0);
        (share * (per_hour * hours).min(most)).exp()
    };
    Weather {
        air: (start, (start + sets).min(3.0)),
        air_is_known: dice.chance(0.6),
        seeing: slow(dice, 0.2, 0.3),
        haze: slow(dice, 0.12, 0.25),
        moon: if dice.chance(0.3) {
            (hours * dice.between(0.5, 1.5)).min(2.0).exp()
        } else {
            1.0
        },
        turn: if dice.chance(0.2) {
            dice.between(-3.0, 3.0)
        } else {
            0.0
        },
        drift: dice.between(-6.0, 6.0),
        flip_at: dice.chance(0.25).then(|| 2 + dice.below(count - 3)),
    }
}

fn calibrate(scenario: &Scenario, exposure: &Exposure, masters: &Ideal) -> Vec<f32> {
    pixels(scenario, exposure)
        .iter()
        .zip(masters.dark.iter().zip(&masters.flat))
        .map(|(&raw, (dark, flat))| (f32::from(raw) - dark) / flat)
        .collect()
}

fn measure(light: &[f32], (width, height): (usize, usize), cfa: Option<Cfa>) -> Measured {
    let plane = ArrayView2::from_shape((height, width), light).unwrap();
    let report = stars(&Light {
        plane,
        mask: None,
        cfa,
    })
    .unwrap();
    Measured {
        background_adu: report.background.level,
        noise_adu: report.background.noise,
        gradient_adu: report.gradient_adu,
        stars: report.stars,
        trails: report.trails,
        ..Measured::default()
    }
}

impl Dice {
    pub fn new(seed: u64) -> Self {
        let mut dice = Self((seed + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        // The first numbers of neighbouring seeds are alike.
        for _ in 0..8 {
            dice.uniform();
        }
        dice
    }

    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.uniform())
    }

    fn below(&mut self, limit: usize) -> usize {
        ((self.uniform() * limit as f64) as usize).min(limit.saturating_sub(1))
    }

    pub fn chance(&mut self, part: f64) -> bool {
        self.uniform() < part
    }

    pub fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())]
    }
}
