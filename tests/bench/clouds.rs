//! Which lights under clouds are set aside, and which good ones: thousands of invented nights at the level
//! of figures, without pixels.
//!
//!     cargo bench --bench clouds [-- NIGHTS [FIRST]]
//!
//! Rows are what a light lost to clouds and haze beside the clearest moment of its night; columns the
//! number of lights that a passage lasts, with clear lights before and after it, then passages at an end of
//! the night and those over half of it. In each cell stands the part that is set aside for clouds or for
//! few stars, and how many lights there were. With the limit of 0.7 a loss of 30 % is beyond it, and
//! what is thinner should be kept. Good lights are those outside of passages: air and slow haze take up to
//! half of their light, which is no fault.

#![allow(missing_docs, clippy::unwrap_used)]

#[path = "../dice/mod.rs"]
mod dice;
#[path = "clouds/sky.rs"]
mod sky;

use std::collections::BTreeMap;

use dawnledger::facts::{Measured, Seconds, Shape, Star, Stars, VerdictLimits};
use dawnledger::judge::{Subframe, verdicts};
use dice::Dice;
use rayon::prelude::*;

use sky::{Moment, Passage, Place, Sky, sky};

/// Losses, per cent, from which rows begin.
const LOSSES: [usize; 8] = [0, 20, 25, 30, 33, 36, 45, 60];

const COLUMNS: [&str; 6] = ["1", "2 to 4", "5 to 9", "10 to 12", "at an end", "half"];

fn main() {
    let mut numbers = std::env::args()
        .skip(1)
        .filter_map(|word| word.parse::<u64>().ok());
    let (count, first) = (numbers.next().unwrap_or(2000), numbers.next().unwrap_or(1));
    let tallies = (first..first + count).into_par_iter().map(|number| {
        let mut tally = Tally::default();
        tally.add(&sky(number), number);
        tally
    });
    let tally = tallies.reduce(Tally::default, Tally::joined);
    for air_is_known in [true, false] {
        let not = if air_is_known { "" } else { "not " };
        println!(
            "\nair mass {not}known\n\n| loss | {} |",
            COLUMNS.join(" | ")
        );
        println!("|{}", "---|".repeat(1 + COLUMNS.len()));
        for (row, from) in LOSSES.iter().enumerate() {
            let to = LOSSES.get(row + 1).unwrap_or(&100);
            let cell = |column| tally.cell((air_is_known, row, column));
            let cells: Vec<String> = (0..COLUMNS.len()).map(cell).collect();
            println!("| {from} to {to} % | {} |", cells.join(" | "));
        }
        let [lights, lost] = tally.good.get(&air_is_known).copied().unwrap_or_default();
        println!("\ngood lights set aside: {lost} of {lights}");
    }
}

/// By whether air mass is known, row and column: lights, and those set aside.
#[derive(Default)]
struct Tally {
    clouded: BTreeMap<(bool, usize, usize), [usize; 2]>,
    good: BTreeMap<bool, [usize; 2]>,
}

impl Tally {
    fn add(&mut self, sky: &Sky, number: u64) {
        for (moment, is_set_aside) in sky.moments.iter().zip(set_aside(sky, number)) {
            let counts = match moment.passage {
                None => self.good.entry(sky.air_is_known).or_default(),
                Some(passage) => {
                    let loss = 100.0 * (1.0 - moment.cloud * moment.haze);
                    let begun = LOSSES.iter().filter(|&&from| from as f64 <= loss);
                    let key = (sky.air_is_known, begun.count() - 1, column(passage));
                    self.clouded.entry(key).or_default()
                }
            };
            counts[0] += 1;
            counts[1] += usize::from(is_set_aside);
        }
    }

    fn joined(mut self, other: Self) -> Self {
        let add = |sum: &mut [usize; 2], more: [usize; 2]| {
            sum[0] += more[0];
            sum[1] += more[1];
        };
        for (key, more) in other.clouded {
            add(self.clouded.entry(key).or_default(), more);
        }
        for (key, more) in other.good {
            add(self.good.entry(key).or_default(), more);
        }
        self
    }

    fn cell(&self, key: (bool, usize, usize)) -> String {
        match self.clouded.get(&key) {
            Some([lights, found]) => {
                format!(
                    "{:.1} % of {lights}",
                    100.0 * *found as f64 / *lights as f64
                )
            }
            None => "-".to_owned(),
        }
    }
}

fn column(passage: Passage) -> usize {
    match (passage.place, passage.length) {
        (Place::Half, _) => 5,
        (Place::End, _) => 4,
        (Place::Middle, 1) => 0,
        (Place::Middle, 2..5) => 1,
        (Place::Middle, 5..10) => 2,
        (Place::Middle, _) => 3,
    }
}

/// The program's verdicts.
fn set_aside(sky: &Sky, number: u64) -> Vec<bool> {
    let mut dice = Dice((number + 1).wrapping_mul(0xd134_2543_de82_ef95) | 1);
    let field = field(&mut dice);
    let measured: Vec<Measured> = sky
        .moments
        .iter()
        .map(|moment| measured(&mut dice, &field, moment))
        .collect();
    let evening: jiff::Timestamp = "2026-09-05T21:00:00Z".parse().unwrap();
    let subframe = |(moment, measured)| -> Subframe<'_> {
        let moment: &Moment = moment;
        let since = jiff::SignedDuration::from_millis((3.6e6 * moment.hour) as i64);
        Subframe {
            measured,
            start: evening.checked_add(since).ok(),
            exposure: Seconds::new(sky.exposure_s).unwrap(),
            air_mass: sky.air_is_known.then_some(moment.air_mass),
            pixel_scale: None,
            size: (1024, 1024),
        }
    };
    let group: Vec<Subframe<'_>> = sky.moments.iter().zip(&measured).map(subframe).collect();
    let judged = verdicts(&group, None, &VerdictLimits::default());
    let found = |judged: &dawnledger::facts::Judged| !judged.findings.is_empty();
    judged.iter().map(found).collect()
}

/// Strewn stars, brightest first.
fn field(dice: &mut Dice) -> Vec<Star> {
    let star = |at: usize| Star {
        x: dice.between(20.0, 1004.0) as f32,
        y: dice.between(20.0, 1004.0) as f32,
        flux: 1e6 / (at as f32 + 1.0),
    };
    (0..40).map(star).collect()
}

/// What is measured of a light: its stars share what comes through, and their number goes with it.
fn measured(dice: &mut Dice, field: &[Star], moment: &Moment) -> Measured {
    let through = moment.measured;
    let brightest: Vec<Star> = field
        .iter()
        .map(|star| Star {
            flux: star.flux * through as f32,
            ..*star
        })
        .collect();
    let shape = Shape {
        stars: 30,
        fwhm_px: (3.0 * (0.03 * dice.normal()).exp()) as f32,
        half_flux_px: 3.2,
        elongation: 1.08,
        angle_deg: 20.0,
    };
    Measured {
        background_adu: 400.0,
        noise_adu: 20.0,
        stars: Stars {
            count: (300.0 * through.powf(0.6) * (0.04 * dice.normal()).exp()) as u32,
            shape: Some(shape),
            fwhm_spread_px: 0.1,
            elongation_spread: 0.0,
            second_image: None,
            zones: [None; 9],
            brightest,
        },
        ..Measured::default()
    }
}
