//! How many spoiled lights are found, and how many good ones are lost: 300 invented nights with
//! labelled faults, from pixels to verdict.
//!
//!     cargo bench --bench verdicts [-- NIGHTS [FIRST] [clouded]]
//!
//! `clouded` lets a cloud of moderate depth pass over the same nights for five to nine lights.
//!
//! Recall is the part of the lights with a fault that are set aside for whatever reason; `named` is
//! the part that is set aside for that very reason. Below the table stand all misses.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

#[path = "verdicts/night.rs"]
mod night;

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use dawnledger::facts::{Judged, SetAside};
use rayon::prelude::*;

use night::{Night, Play, Taken, night};

fn main() {
    let mut numbers = std::env::args()
        .skip(1)
        .filter_map(|word| word.parse::<u64>().ok());
    let (count, first) = (numbers.next().unwrap_or(300), numbers.next().unwrap_or(1));
    let play = match std::env::args().any(|word| word == "clouded") {
        true => Play::Clouded,
        false => Play::Whole,
    };
    let nights: Vec<Night> = (first..first + count)
        .into_par_iter()
        .map(|number| night(number, play))
        .collect();
    let mut spent = Duration::ZERO;
    let mut tally = Tally::default();
    for night in &nights {
        let before = Instant::now();
        let judged = night.judged();
        spent += before.elapsed();
        let lights = night.lights.iter().zip(&judged);
        for (light, judged) in lights.filter(|(light, _)| !light.is_doubtful) {
            tally.add(night, light, judged);
        }
    }
    println!("{count} nights, {} lights\n", tally.lights);
    println!("| fault | lights | recall | named |\n|---|---|---|---|");
    for (fault, [lights, found, named]) in &tally.faults {
        let percent = |part: usize| 100.0 * part as f64 / *lights as f64;
        let name = serde_yaml::to_string(fault).unwrap();
        println!(
            "| {} | {lights} | {:.1} % | {:.1} % |",
            name.trim(),
            percent(*found),
            percent(*named)
        );
    }
    let [lights, found]: [usize; 2] =
        [0, 1].map(|column| tally.faults.values().map(|row| row[column]).sum());
    println!(
        "| all | {lights} | {:.2} % | |",
        100.0 * found as f64 / lights as f64
    );
    println!(
        "| none (set aside all the same) | {} | {:.2} % | |",
        tally.good,
        100.0 * tally.lost as f64 / tally.good as f64
    );
    println!(
        "\njudged in {:.0} us a light\n",
        1e6 * spent.as_secs_f64() / tally.lights as f64
    );
    for miss in &tally.misses {
        println!("{miss}");
    }
}

#[derive(Default)]
struct Tally {
    lights: usize,
    /// By fault: lights with it, those set aside, those set aside for it.
    faults: BTreeMap<SetAside, [usize; 3]>,
    good: usize,
    lost: usize,
    misses: Vec<String>,
}

impl Tally {
    fn add(&mut self, night: &Night, light: &Taken, judged: &Judged) {
        let findings = &judged.findings;
        self.lights += 1;
        let missed = match light.fault {
            Some(fault) => {
                let row = self.faults.entry(fault).or_default();
                row[0] += 1;
                row[1] += usize::from(!findings.is_empty());
                row[2] += usize::from(findings.iter().any(|finding| finding.reason == fault));
                findings.is_empty()
            }
            None => {
                self.good += 1;
                self.lost += usize::from(!findings.is_empty());
                !findings.is_empty()
            }
        };
        if missed {
            let stars = &light.measured.stars;
            self.misses.push(format!(
                "night {} ({}): {} {:?}, background {:.0}, {} stars, shape {:?}, {:?}, {:?}",
                night.number,
                night.story,
                light
                    .fault
                    .map_or_else(|| "good".to_owned(), |fault| format!("{fault:?}")),
                light.story,
                light.measured.background_adu,
                stars.count,
                stars
                    .shape
                    .map(|shape| (shape.fwhm_px, shape.elongation, shape.stars)),
                judged.relative,
                findings,
            ));
        }
    }
}
