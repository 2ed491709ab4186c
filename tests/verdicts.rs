//! From pixels to verdict: a dozen small nights of the bench `verdicts`, whose table of 300 stands in
//! DEVELOPERS.md. Good lights are kept, spoiled ones set aside.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "bench/verdicts/night.rs"]
mod night;

use rayon::prelude::*;

use night::night;

#[test]
fn spoiled_lights_are_set_aside_and_good_ones_kept() {
    let nights: Vec<_> = (1..=12u64)
        .into_par_iter()
        .map(|number| night(number, true))
        .collect();
    let (mut spoiled, mut good, mut misses) = (0, 0, Vec::new());
    for night in &nights {
        for (light, judged) in night.lights.iter().zip(night.judged()) {
            match light.fault {
                Some(_) => spoiled += 1,
                None => good += 1,
            }
            if light.fault.is_some() == judged.findings.is_empty() {
                misses.push(format!(
                    "night {} ({}): {:?} {}: {judged:?}",
                    night.number, night.story, light.fault, light.story
                ));
            }
        }
    }
    assert!(
        spoiled >= 15 && good >= 70,
        "{spoiled} spoiled, {good} good"
    );
    assert!(misses.is_empty(), "{}", misses.join("\n"));
}
