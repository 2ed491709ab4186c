//! Invented nights as a transparency over time: a target that rises and sets through air that takes more
//! or less of its light, haze that drifts, and clouds that pass, or come to stay.
//!
//! It knows no pixels, and not what is made of its nights.

use super::dice::Dice;

/// Magnitudes as natural logarithms.
const LOG_PER_MAG: f64 = 0.921_034;

/// The lowest altitude anybody would shoot at, degrees.
const LOWEST_DEG: f64 = 20.0;

/// Sidereal degrees in an hour.
const TURN_DEG_PER_H: f64 = 15.041;

/// One night of one group.
pub struct Sky {
    pub exposure_s: f64,
    /// True where the headers say where the telescope points.
    pub air_is_known: bool,
    pub moments: Vec<Moment>,
}

/// One light.
pub struct Moment {
    pub hour: f64,
    pub air_mass: f64,
    /// What comes through of the starlight in all, with what errors of measuring add.
    pub measured: f64,
    /// What clouds let through.
    pub cloud: f64,
    /// What haze lets through, beside the clearest moment of the night.
    pub haze: f64,
    /// The passage it lies in.
    pub passage: Option<Passage>,
}

/// A row of lights under clouds.
#[derive(Clone, Copy, PartialEq)]
pub struct Passage {
    pub length: usize,
    pub place: Place,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// Clear lights before and after.
    Middle,
    /// From the first light on, or to the last.
    End,
    /// The same, over half of the night.
    Half,
}

/// Night `number`.
pub fn sky(number: u64) -> Sky {
    let mut dice = Dice((number + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
    for _ in 0..8 {
        dice.uniform();
    }
    let dice = &mut dice;
    let count = one_of(dice, &[12, 16, 20, 30, 40, 60, 90]);
    let mut exposure_s = one_of(dice, &[60.0, 120.0, 180.0, 300.0, 600.0]);
    while count as f64 * exposure_s > 8.0 * 3600.0 {
        exposure_s /= 2.0;
    }
    let hours: Vec<f64> = (0..count)
        .map(|at| at as f64 * (exposure_s + 10.0) / 3600.0)
        .collect();
    let air = air(dice, &hours);
    let extinction = 0.1 * 3.5f64.powf(dice.uniform());
    let haze = haze(dice, &hours);
    let (clouds, passages) = clouds(dice, count);
    let noise = dice.between(0.02, 0.05);
    let moment = |at: usize| Moment {
        hour: hours[at],
        air_mass: air[at],
        measured: clouds[at]
            * haze[at]
            * (noise * dice.normal() - LOG_PER_MAG * extinction * air[at]).exp(),
        cloud: clouds[at],
        haze: haze[at],
        passage: passages[at],
    };
    let moments = (0..count).map(moment).collect();
    Sky {
        exposure_s,
        air_is_known: dice.uniform() < 0.7,
        moments,
    }
}

/// Air masses of a target that stays high enough, by the secant.
fn air(dice: &mut Dice, hours: &[f64]) -> Vec<f64> {
    loop {
        let latitude = dice.between(25.0, 60.0).to_radians();
        let declination = dice.between(-20.0, 80.0).to_radians();
        let first = dice.between(-90.0, 75.0);
        let sine = |hour: &f64| {
            let angle = (first + TURN_DEG_PER_H * hour).to_radians();
            latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * angle.cos()
        };
        let sines: Vec<f64> = hours.iter().map(sine).collect();
        let lowest = LOWEST_DEG.to_radians().sin();
        if sines.iter().all(|&sine| sine > lowest) {
            return sines.iter().map(|sine| 1.0 / sine).collect();
        }
    }
}

/// Haze comes or goes by up to a fifth in the course of a night, or swings by a tenth.
fn haze(dice: &mut Dice, hours: &[f64]) -> Vec<f64> {
    let over = hours[hours.len() - 1];
    let drift = match dice.uniform() < 0.6 {
        true => dice.between(-1.0, 1.0) * (0.12 * over).min(0.2),
        false => 0.0,
    };
    let swing = match dice.uniform() < 0.3 {
        true => dice.between(0.0, 0.05) * (over / 2.0).min(1.0),
        false => 0.0,
    };
    let (period, phase) = (dice.between(2.0, 6.0), dice.uniform());
    let turn = |hour: f64| (std::f64::consts::TAU * (hour / period + phase)).sin();
    let logs: Vec<f64> = hours
        .iter()
        .map(|hour| drift * hour / over + swing * turn(*hour))
        .collect();
    let clearest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    logs.iter().map(|log| (log - clearest).exp()).collect()
}

/// What clouds let through, and the passages. A fifth of the nights is without, another fifth under clouds
/// for half of it.
fn clouds(dice: &mut Dice, count: usize) -> (Vec<f64>, Vec<Option<Passage>>) {
    let mut through = vec![1.0; count];
    let mut passages = vec![None; count];
    let kind = dice.uniform();
    if kind < 0.2 {
        return (through, passages);
    }
    if kind < 0.4 {
        let length = count / 2;
        let from = one_of(dice, &[0, count - length]);
        pass(dice, &mut through[from..from + length], 0.1);
        passages[from..from + length].fill(Some(Passage {
            length,
            place: Place::Half,
        }));
        return (through, passages);
    }
    let mut left = 2 * count / 5;
    for _ in 0..one_of(dice, &[1, 1, 2, 3]) {
        let length = (1 + (dice.uniform() * 12.0) as usize).min(left);
        let (from, place) = match dice.uniform() {
            part if part < 0.15 => (0, Place::End),
            part if part < 0.3 => (count - length, Place::End),
            _ => {
                let room = count - length - 3;
                (2 + (dice.uniform() * room as f64) as usize, Place::Middle)
            }
        };
        // Apart from each other, so that each has clear lights beside it.
        let near = from.saturating_sub(2)..(from + length + 2).min(count);
        if length == 0 || passages[near].iter().any(Option::is_some) {
            continue;
        }
        left -= length;
        pass(dice, &mut through[from..from + length], 0.15);
        passages[from..from + length].fill(Some(Passage { length, place }));
    }
    (through, passages)
}

/// A cloud with a sharp edge or a soft one, thicker in places.
fn pass(dice: &mut Dice, through: &mut [f64], uneven: f64) {
    let depth = -(1.0 - dice.between(0.2, 0.8)).ln();
    let edge = dice.between(0.0, 3.0);
    let last = through.len() - 1;
    for (at, through) in through.iter_mut().enumerate() {
        let inside = (at.min(last - at) as f64 + 0.7) / (1.0 + edge);
        let log = depth * inside.min(1.0) * (1.0 + uneven * dice.normal()).max(0.2);
        *through = (-log).exp();
    }
}

fn one_of<T: Copy>(dice: &mut Dice, all: &[T]) -> T {
    let at = (dice.uniform() * all.len() as f64) as usize;
    all[at.min(all.len() - 1)]
}
