//! Statistics against outside sources: certified data, worked examples, reference libraries, and
//! theory by simulation. The source stands beside each check.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::path::{Path, PathBuf};

use dawnledger::combine::{Combined, Exposures, Stored, combine, stored};
use dawnledger::facts::{Combining, InputCount};
use dice::Dice;

#[path = "statistics/background.rs"]
mod background;
#[path = "statistics/certified.rs"]
mod certified;
mod dice;
#[path = "statistics/glow.rs"]
mod glow;
#[path = "statistics/masks.rs"]
mod masks;
#[path = "statistics/sensor.rs"]
mod sensor;
#[path = "statistics/stars.rs"]
mod stars;
#[path = "statistics/theory.rs"]
mod theory;
#[path = "statistics/worked.rs"]
mod worked;

fn tests_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests")
}

fn read(path: &str) -> String {
    let path = tests_folder().join(path);
    fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn sigma_clip(centre: &str, low: f64, high: f64, iterations: u32) -> Combining {
    Combining::SigmaClip {
        low,
        high,
        iterations,
        median_centre: match centre {
            "median" => true,
            "mean" => false,
            other => panic!("{other} is no centre"),
        },
    }
}

/// A kind of sample that exposures may have.
trait Stack: Copy + Into<f64> {
    /// As exposures have it.
    type Raw: Copy;
    fn raw(self) -> Self::Raw;
    fn exposures<'a>(slices: &'a [&'a [Self::Raw]]) -> Exposures<'a>;
}

impl Stack for u16 {
    type Raw = Stored;

    fn raw(self) -> Stored {
        stored(self)
    }

    fn exposures<'a>(slices: &'a [&'a [Stored]]) -> Exposures<'a> {
        Exposures::U16(slices)
    }
}

impl Stack for f32 {
    type Raw = f32;

    fn raw(self) -> f32 {
        self
    }

    fn exposures<'a>(slices: &'a [&'a [f32]]) -> Exposures<'a> {
        Exposures::F32(slices)
    }
}

/// Combines exposures of one stretch: its values and what was rejected of each.
fn run(method: &Combining, exposures: Exposures<'_>) -> (Vec<f32>, Vec<InputCount>) {
    let mut out = vec![0.0; exposures.pixels()];
    let mut rejected = vec![InputCount::default(); exposures.count()];
    let seen = combine(method, exposures, 1e9, &mut out, &mut rejected);
    assert_eq!(seen, Combined::default());
    (out, rejected)
}

fn stack<T: Stack>(method: &Combining, exposures: &[Vec<T>]) -> (Vec<f32>, Vec<InputCount>) {
    let rows = exposures.iter();
    let raw: Vec<Vec<T::Raw>> = rows
        .map(|row| row.iter().map(|sample| sample.raw()).collect())
        .collect();
    let slices: Vec<&[T::Raw]> = raw.iter().map(Vec::as_slice).collect();
    run(method, T::exposures(&slices))
}

/// Which of a single pixel's samples were rejected.
fn mask(rejected: &[InputCount]) -> Vec<bool> {
    let dropped = rejected.iter().map(|count| count.low + count.high);
    dropped
        .map(|times| match times {
            0 => false,
            1 => true,
            more => panic!("one sample rejected {more} times"),
        })
        .collect()
}

/// The value of a single pixel and which of its samples were rejected.
fn pixel<T: Stack>(method: &Combining, samples: &[T]) -> (f32, Vec<bool>) {
    let exposures: Vec<Vec<T>> = samples.iter().map(|&sample| vec![sample]).collect();
    let (out, rejected) = stack(method, &exposures);
    for (&sample, count) in samples.iter().zip(&rejected) {
        let sample: f64 = sample.into();
        let value = f64::from(out[0]);
        assert!(count.low == 0 || sample < value, "{method}: {sample} low");
        assert!(count.high == 0 || sample > value, "{method}: {sample} high");
    }
    (out[0], mask(&rejected))
}
