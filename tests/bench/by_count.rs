//! What the table behind `by-count` rests on: efficiency and bias of each method for N exposures,
//! by simulation.
//!
//!     cargo bench --bench by_count
//!
//! Pixels are normal around 1000 ADU, rounded to whole numbers: once with a standard deviation of
//! 6 ADU (fine steps), once with 0.6 ADU (coarse steps). Each is combined as it is (`clean`), and
//! with one exposure struck (`struck`): something is added to one sample whose size is log-uniform
//! from 4 to 1000 standard deviations. Clipping limits are those of darks, 4 below and 3 above. The
//! noise model is told the true noise before rounding (`noise-model`), or one 20 % too small or too
//! large.
//!
//! Efficiency is the variance of the mean of all good samples, by theory, over the mean square
//! error of the method. 1 is the best there is. Bias is the mean error in units of the standard
//! deviation of that mean.

#![allow(missing_docs, clippy::unwrap_used)]

#[path = "../dice/mod.rs"]
mod dice;

use dawnledger::combine::{Exposures, Stored, combine, sample, stored};
use dawnledger::facts::{Combining, InputCount, Pedestal, SensorNoise};
use dice::Dice;

const COUNTS: [usize; 19] = [
    3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 15, 17, 20, 25, 30, 40, 60, 100,
];
const PIXELS: usize = 60_000;
const LEVEL: f64 = 1000.0;

fn main() {
    for sd in [6.0, 0.6] {
        // Rounding adds its own variance (W. F. Sheppard 1898).
        let noise = (sd * sd + 1.0f64 / 12.0).sqrt();
        for (struck, title) in [(false, "clean"), (true, "struck")] {
            println!("\n{title}, standard deviation {sd} ADU\n");
            print!("|  N |");
            for (name, _) in methods(sd) {
                print!(" {name:^15} |");
            }
            println!();
            for count in COUNTS {
                let frames = frames(count, sd, struck);
                print!("| {count:2} |");
                for (_, method) in methods(sd) {
                    let (efficiency, bias) = judge(&method, &frames, noise, struck);
                    print!(" {efficiency:6.3} {bias:+8.3} |");
                }
                println!();
            }
        }
    }
}

fn methods(sd: f64) -> Vec<(&'static str, Combining)> {
    let (low, high) = (4.0, 3.0);
    let model = |factor: f64| Combining::NoiseModel {
        low,
        high,
        sensor: SensorNoise {
            read_noise_adu: sd * factor,
            electrons_per_adu: 1.0,
            pedestal: Pedestal::Whole,
        },
    };
    vec![
        ("mean", Combining::Mean),
        ("median", Combining::Median),
        ("trimmed 1/1", Combining::Trimmed { low: 1, high: 1 }),
        (
            "sigma-clip",
            Combining::SigmaClip {
                low,
                high,
                iterations: 5,
                median_centre: true,
            },
        ),
        ("winsorized", Combining::Winsorized { low, high }),
        (
            "generalized-esd",
            Combining::GeneralizedEsd {
                alpha: 0.05,
                max_outliers: 5,
            },
        ),
        ("noise-model", model(1.0)),
        ("model -20 %", model(0.8)),
        ("model +20 %", model(1.2)),
    ]
}

fn frames(count: usize, sd: f64, struck: bool) -> Vec<Vec<Stored>> {
    let mut dice = Dice(0x9e37_79b9_7f4a_7c15 ^ count as u64);
    let mut frames = vec![vec![stored(0); PIXELS]; count];
    for pixel in 0..PIXELS {
        // The level lies anywhere between two steps.
        let level = LEVEL + pixel as f64 / PIXELS as f64;
        for frame in &mut frames {
            frame[pixel] = stored((level + sd * dice.normal()).round() as u16);
        }
        if struck {
            let hit = sd * 4.0 * 250f64.powf(dice.uniform());
            let frame = &mut frames[pixel % count];
            frame[pixel] = stored((f64::from(sample(frame[pixel])) + hit).round() as u16);
        }
    }
    frames
}

/// Efficiency and bias.
fn judge(method: &Combining, frames: &[Vec<Stored>], noise: f64, struck: bool) -> (f64, f64) {
    let slices: Vec<&[Stored]> = frames.iter().map(Vec::as_slice).collect();
    let mut out = vec![0.0; PIXELS];
    let mut rejected = vec![InputCount::default(); frames.len()];
    combine(
        method,
        Exposures::U16(&slices),
        65535.0,
        &mut out,
        &mut rejected,
    );
    let (mut sum, mut squares) = (0.0, 0.0);
    for (pixel, &value) in out.iter().enumerate() {
        let error = f64::from(value) - LEVEL - pixel as f64 / PIXELS as f64;
        sum += error;
        squares += error * error;
    }
    let good = frames.len() - usize::from(struck);
    let best = noise * noise / good as f64;
    let pixels = PIXELS as f64;
    (best / (squares / pixels), sum / pixels / best.sqrt())
}
