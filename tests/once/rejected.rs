//! What was rejected of each raw file: frames with known samples far too low and far too high, against what
//! the master's header and the session log say.

use std::fs;

use dawnledger::fits::{Samples, read_header};

use crate::dice::Dice;
use crate::observatory::{EVENING, Observatory, files, rewrite};

const SIZE: (usize, usize) = (96, 64);
const PIXELS: usize = SIZE.0 * SIZE.1;
const FRAMES: usize = 20;

const LOW: u16 = 3;
const HIGH: u16 = 5000;
const SATURATED: u16 = u16::MAX;

/// Of frames by their numbers, how many pixels have such a sample; no pixel has two.
const STRUCK: [(usize, u16, usize); 5] = [
    (2, HIGH, 40),
    (6, LOW, 25),
    (11, LOW, 11),
    (11, HIGH, 7),
    (15, SATURATED, 9),
];

fn struck(frame: usize, sample: u16) -> usize {
    let mut all = STRUCK.iter();
    let found = all.find(|struck| (struck.0, struck.1) == (frame, sample));
    found.map_or(0, |struck| struck.2)
}

/// Bias frames in which every pixel goes through the same five levels, beginning somewhere, but for samples that are
/// struck.
fn shoot(here: &Observatory) {
    here.shoot(&format!(
        "rigs:
  - camera: Petrel 26M
    sensor: {{width: {}, height: {}}}
    runs: [{{kind: bias, start: '2026-09-06T04:00:00Z', count: {FRAMES}}}]
",
        SIZE.0, SIZE.1
    ));
    let mut dice = Dice(17);
    let begins: Vec<usize> = (0..PIXELS)
        .map(|_| (5.0 * dice.uniform()) as usize)
        .collect();
    let mut next = 0;
    for (frame, path) in files(&here.incoming()).iter().enumerate() {
        let quiet = |begin: &usize| 500 + ((frame + begin) % 5) as u16;
        let mut samples: Vec<u16> = begins.iter().map(quiet).collect();
        for (_, sample, count) in STRUCK.iter().filter(|struck| struck.0 == frame) {
            for _ in 0..*count {
                samples[next] = *sample;
                next += 37;
            }
        }
        rewrite(path, SIZE, Samples::U16(&samples), &[]);
    }
}

fn fraction(part: usize, whole: usize) -> Option<f64> {
    let digits = 1e9;
    Some((part as f64 / whole as f64 * digits).round() / digits)
}

/// A mean rejects nothing, and no method rejects what never enters, as a saturated sample.
#[test]
fn what_was_rejected_of_each_frame_stands_in_header_and_log() {
    for (method, rejects) in [
        ("{method: sigma-clip, low: 4, high: 3}", true),
        ("{method: winsorized, low: 4, high: 3}", true),
        ("{method: mean}", false),
    ] {
        let profile = format!(
            "name: north-pier\ncamera: Petrel 26M\ncalibration:\n  \
             bias: {{rule: required, min_frames: {FRAMES}, combine: {method}}}\n  \
             dark: {{rule: never}}\n  flat-dark: {{rule: never}}\n  flat: {{rule: never}}\n"
        );
        let here = Observatory::new(&[("north", &profile)], "");
        shoot(&here);
        here.once();
        let log = here.session(EVENING);
        let [master] = log.masters.as_slice() else {
            panic!("{method}: {:?}", log.calibration);
        };
        let header = read_header(&here.products().join(&master.product)).unwrap();
        let of = |prefix: &str, number: usize| header.text(&format!("{prefix}{number:05}"));
        let wanted = |frame, sample| usize::from(rejects) * struck(frame, sample);
        let mut all = [0; 2];
        for (frame, path) in files(&here.incoming()).iter().enumerate() {
            let counts = [LOW, HIGH].map(|sample| wanted(frame, sample));
            let digest = blake3::hash(&fs::read(path).unwrap()).to_string();
            let number = (1..=FRAMES).find(|&number| of("DLI", number) == Some(&digest));
            let number = number.unwrap_or_else(|| panic!("{} did not go in", path.display()));
            let [low, high] = counts;
            assert_eq!(
                of("DLR", number),
                Some(&*format!("{low} {high}")),
                "{method}, frame {frame}"
            );
            let mut entries = log.calibration.iter();
            let entry = entries.find(|entry| path.ends_with(&entry.file)).unwrap();
            assert_eq!(
                [entry.rejected_low_fraction, entry.rejected_high_fraction],
                counts.map(|count| fraction(count, PIXELS)),
                "{method}, frame {frame}"
            );
            all = [all[0] + low, all[1] + high];
        }
        assert_eq!(
            [master.rejected_low_fraction, master.rejected_high_fraction],
            all.map(|count| fraction(count, PIXELS * FRAMES)),
            "{method}"
        );
    }
}
