//! From pixels to verdict: a dozen small nights of the bench `verdicts`, whose table of 300 stands in
//! DEVELOPERS.md. Good lights are kept, spoiled ones set aside.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "bench/verdicts/night.rs"]
mod night;
#[path = "verdicts/trails.rs"]
mod trails;

use rayon::prelude::*;

use night::{Play, night};

#[test]
fn spoiled_lights_are_set_aside_and_good_ones_kept() {
    let nights: Vec<_> = (1..=12u64)
        .into_par_iter()
        .map(|number| night(number, Play::Small))
        .collect();
    let (mut spoiled, mut good) = (0, 0);
    let (mut missed, mut lost) = (Vec::new(), Vec::new());
    for night in &nights {
        for (light, judged) in night.lights.iter().zip(night.judged()) {
            let story = || {
                let (number, night) = (night.number, &night.story);
                let stars = &light.measured.stars;
                let (count, shape) = (stars.count, stars.shape);
                let light = &light.story;
                format!("night {number} ({night}): {light}: {count} stars, {shape:?}: {judged:?}")
            };
            match (light.fault, judged.findings.is_empty()) {
                (Some(_), true) => missed.push(story()),
                (None, false) => lost.push(story()),
                _ => {}
            }
            spoiled += usize::from(light.fault.is_some());
            good += usize::from(light.fault.is_none());
        }
    }
    assert!(
        spoiled >= 15 && good >= 70,
        "{spoiled} spoiled, {good} good"
    );
    assert!(
        lost.is_empty(),
        "good lights set aside:\n{}",
        lost.join("\n")
    );
    assert!(
        missed.is_empty(),
        "{spoiled} spoiled, missed:\n{}",
        missed.join("\n")
    );
}
