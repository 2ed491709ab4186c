//! How often a master that does not fit is caught, and how often one that fits is suspected.
//!
//!     cargo bench --bench fits [-- CASES]
//!
//! Each case is a night of six lights of its own sensor: 512x384 to 1024x768 pixels, every second
//! one with a colour filter array, sky of 300 to 1500 electrons, pixels' response scattered by 0.5 to
//! 1.2 %, four specks of dust 3 to 15 % deep, masters of 20 exposures. `caught` counts nights with a
//! caution over all their lights, and for moved dust with one in most lights; `single` lights that
//! would have one by themselves. `slope` is the median of the nights' slopes, `error` that of their
//! standard errors, `spread` the standard deviation of slopes over their errors: 1 where errors are
//! right. `shared` is the slope when light and regressor share one whole flat, as a plain regression
//! would have it.

#![allow(missing_docs, clippy::unwrap_used)]

#[path = "fits/night.rs"]
mod night;

use dawnledger::facts::{Cfa, Fit};
use dawnledger::measure::fit::{Pooled, dark_caution, flat_caution, moved_in_most};
use night::dice::Dice;
use night::{DarkFault, FlatFault, Found, Scene, play};
use rayon::prelude::*;

fn main() {
    let cases = std::env::args().filter_map(|word| word.parse().ok()).next();
    let cases: u64 = cases.unwrap_or(40);
    println!("| flat | caught | single | dust caught | slope | error | spread | shared |");
    println!("|---|---|---|---|---|---|---|---|");
    let flats = [
        ("right", FlatFault::None),
        ("dust moved", FlatFault::MovedDust),
        (
            "500 ADU too much off flats of 3000",
            FlatFault::Bias(500.0, 3000.0),
        ),
        (
            "500 ADU too little off flats of 3000",
            FlatFault::Bias(-500.0, 3000.0),
        ),
        ("light leak of 40 % at one side", FlatFault::Leak(0.4)),
        ("image turned by 180 degrees", FlatFault::Turned),
        ("optics turned by 180 degrees", FlatFault::TurnedOptics),
    ];
    for (name, fault) in flats {
        let found = nights(cases, |scene| scene.flat = fault);
        let dust = found
            .iter()
            .filter(|found| !moved_in_most(&found.moved).is_empty());
        let dust = dust.count();
        let line = Line::of(
            &found,
            |found| &found.flat,
            |fit| flat_caution(Some(fit), &[]),
        );
        let shared = median(
            found
                .iter()
                .filter_map(|found| Some(Found::pooled(&found.plain)?.fit.slope)),
        );
        println!(
            "| {name} | {} | {} | {dust} of {cases} | {} | {shared:+.3} |",
            line.caught, line.single, line.figures
        );
    }
    println!("\n| dark | caught | single | slope | error | spread |");
    println!("|---|---|---|---|---|---|");
    let darks = [
        ("right", DarkFault::None),
        ("lights 3 C warmer", DarkFault::Warmer(3.0)),
        ("lights 3 C colder", DarkFault::Warmer(-3.0)),
        ("half the exposure", DarkFault::Exposure(0.5)),
        ("twice the exposure", DarkFault::Exposure(2.0)),
    ];
    for (name, fault) in darks {
        let found = nights(cases, |scene| scene.darks = fault);
        let line = Line::of(&found, |found| &found.dark, dark_caution);
        println!(
            "| {name} | {} | {} | {} |",
            line.caught, line.single, line.figures
        );
    }
}

struct Line {
    caught: String,
    single: String,
    figures: String,
}

impl Line {
    fn of(
        nights: &[Found],
        fits: impl Fn(&Found) -> &Vec<Option<Fit>>,
        caution: impl Fn(&Pooled) -> Option<String>,
    ) -> Self {
        let pooled: Vec<Pooled> = nights
            .iter()
            .filter_map(|n| Found::pooled(fits(n)))
            .collect();
        let caught = pooled
            .iter()
            .filter(|pooled| caution(pooled).is_some())
            .count();
        let singles: Vec<&Option<Fit>> = nights.iter().flat_map(&fits).collect();
        let single = |fit: &Option<Fit>| caution(&Pooled::over(&[(*fit)?])?);
        let alone = singles.iter().filter(|fit| single(fit).is_some()).count();
        let slope = median(pooled.iter().map(|pooled| pooled.fit.slope));
        let error = median(pooled.iter().map(|pooled| pooled.fit.error));
        let off: Vec<f64> = pooled
            .iter()
            .map(|p| (p.fit.slope - slope) / p.fit.error)
            .collect();
        let spread = (off.iter().map(|v| v * v).sum::<f64>() / off.len() as f64).sqrt();
        Self {
            caught: format!("{caught} of {}", nights.len()),
            single: format!("{alone} of {}", singles.len()),
            figures: format!("{slope:+.3} | {error:.3} | {spread:.1}"),
        }
    }
}

fn nights(cases: u64, fault: impl Fn(&mut Scene) + Sync) -> Vec<Found> {
    let night = |seed: u64| {
        let mut dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let mut scene = Scene {
            seed,
            size: [(512, 384), (768, 512), (1024, 768)][seed as usize % 3],
            cfa: Cfa::parse("RGGB").filter(|_| seed.is_multiple_of(2)),
            sky: dice.between(300.0, 1500.0),
            response: dice.between(0.005, 0.012),
            dark: (dice.between(1.0, 6.0), dice.between(300.0, 900.0)),
            glow: 0.0,
            lights: 6,
            flat: FlatFault::None,
            darks: DarkFault::None,
        };
        fault(&mut scene);
        play(&scene)
    };
    (1..=cases).into_par_iter().map(night).collect()
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    dawnledger::combine::median(&mut values.collect::<Vec<f64>>()).unwrap_or(f64::NAN)
}
