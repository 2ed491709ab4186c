//! How near to the truth figures are: widths of stars, gain, read noise, dark current, and whether darks
//! are needed, over invented nights and sensors.
//!
//!     cargo bench --bench truth [-- COUNT [FIRST]]
//!
//! Widths are those of the good lights of the nights of the bench `verdicts`, a quarter of COUNT nights;
//! all else is of COUNT sensors, each with its own frames. `bias` is the mean of what is measured less the
//! truth, `rms` the root of its mean square, both in the unit that is named; `pull` and `scatter` are the
//! same in stated errors, and `within two` the part of the cases in which the truth lies within two of
//! them. For a width the error follows from the stars' scatter: 1.25 times it over the root of their
//! number. Below the table stand the wrong verdicts, with what is nearest to its limit in truth.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

#[allow(dead_code, reason = "its lights are measured here, not judged")]
#[path = "verdicts/night.rs"]
mod night;
#[path = "truth/sensor.rs"]
mod sensor;

use dawnledger::facts::{DarkCheck, Estimate, Need};
use rayon::prelude::*;

use sensor::{Case, case};

/// Nights of lights are long; one for so many sensors.
const SENSORS: u64 = 4;

fn main() {
    let mut numbers = std::env::args()
        .skip(1)
        .filter_map(|word| word.parse::<u64>().ok());
    let (count, first) = (numbers.next().unwrap_or(200), numbers.next().unwrap_or(1));
    println!("| figure | cases | bias | rms | unit | pull | scatter | within two |");
    println!("|---|---|---|---|---|---|---|---|");
    widths(count.div_ceil(SENSORS), first);
    let cases: Vec<Case> = (first..first + count).into_par_iter().map(case).collect();
    let parts = |found: &dyn Fn(&Case) -> (Estimate, f64)| -> Vec<(Estimate, f64)> {
        let part = |(found, truth): (Estimate, f64)| (found.times(100.0 / truth), 100.0);
        cases.iter().map(|case| part(found(case))).collect()
    };
    row("gain", "%", &parts(&|case| case.gain));
    row("read noise", "%", &parts(&|case| case.read_noise));
    for (name, glows) in [("no glow", false), ("glow", true)] {
        let here = || cases.iter().filter(|case| case.glows == glows);
        let of = |at: usize| -> Vec<(Estimate, f64)> {
            let milli = |(found, truth): (Estimate, f64)| (found.times(1e3), 1e3 * truth);
            let currents = here().filter_map(|case| case.currents[at]);
            currents.map(milli).collect()
        };
        row(
            &format!("dark current by noise, {name}"),
            "e-/1000 s",
            &of(0),
        );
        row(
            &format!("dark current by level, {name}"),
            "e-/1000 s",
            &of(1),
        );
    }
    verdicts(&cases);
}

fn widths(count: u64, first: u64) {
    let measure = |number: u64| -> Vec<(bool, Estimate, f64)> {
        let night = night::night(number, night::Play::Whole);
        let colour = night.story.starts_with("colour");
        let lights = night.lights.iter();
        let widths = lights.filter_map(|light| {
            let (truth, stars) = (light.fwhm_px?, &light.measured.stars);
            let shape = stars.shape?;
            let spread = f64::from(stars.fwhm_spread_px);
            let found = Estimate {
                value: f64::from(shape.fwhm_px),
                error: 1.2533 * spread / f64::from(shape.stars).sqrt(),
            };
            Some((colour, found.times(100.0 / truth), 100.0))
        });
        widths.collect()
    };
    let all: Vec<Vec<_>> = (first..first + count)
        .into_par_iter()
        .map(measure)
        .collect();
    for (name, colour) in [("width, mono", false), ("width, colour", true)] {
        let here = all.iter().flatten().filter(|(of, ..)| *of == colour);
        row(
            name,
            "%",
            &here
                .map(|&(_, found, truth)| (found, truth))
                .collect::<Vec<_>>(),
        );
    }
}

fn row(name: &str, unit: &str, cases: &[(Estimate, f64)]) {
    let count = cases.len() as f64;
    let mean = |figure: &dyn Fn(f64, f64) -> f64| {
        let all = cases
            .iter()
            .map(|(found, truth)| figure(found.value - truth, found.error));
        all.sum::<f64>() / count
    };
    let pull = |away: f64, error: f64| away / error.max(1e-9);
    println!(
        "| {name} | {count} | {:+.2} | {:.2} | {unit} | {:+.2} | {:.2} | {:.1} % |",
        mean(&|away, _| away),
        mean(&|away, _| away * away).sqrt(),
        mean(&pull),
        mean(&|away, error| pull(away, error).powi(2)).sqrt(),
        100.0 * mean(&|away, error| f64::from(u8::from(pull(away, error).abs() <= 2.0))),
    );
}

fn verdicts(cases: &[Case]) {
    println!("\n| darks in truth | cases | right | wrong |\n|---|---|---|---|");
    for (name, need) in [("needed", Need::Needed), ("not needed", Need::NotNeeded)] {
        let here = cases.iter().filter(|case| case.truth.need == need);
        let (all, right) = here.fold((0, 0), |(all, right), case| {
            (all + 1, right + usize::from(case.told.need == need))
        });
        println!("| {name} | {all} | {right} | {} |", all - right);
    }
    println!();
    let of_limit = |check: &DarkCheck| check.value / check.limit;
    for case in cases
        .iter()
        .filter(|case| case.told.need != case.truth.need)
    {
        let most = case
            .truth
            .checks
            .iter()
            .max_by(|a, b| of_limit(a).total_cmp(&of_limit(b)));
        let most = most.map(|check| format!("{:.2} of the limit: {check}", of_limit(check)));
        println!(
            "sensor {} ({}): truth {}; told {}",
            case.number,
            case.story,
            most.unwrap_or_default(),
            case.told
        );
    }
}
