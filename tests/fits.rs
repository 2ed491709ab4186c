//! FITS files from outside, from ourselves, and from nowhere good.
//!
//! Expected numbers stand in `tests/data/fits/README.md` with their sources; where a check has
//! another source it is named beside it.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use dawnledger::facts::{Card, Refusal, Value};
use dawnledger::fits::{FitsError, Source, Unpacker, header_block};
use tempfile::TempDir;

#[path = "fits/compressed.rs"]
mod compressed;
#[path = "fits/hostile.rs"]
mod hostile;
#[path = "fits/known.rs"]
mod known;
#[path = "fits/own.rs"]
mod own;
#[path = "fits/packed.rs"]
mod packed;
#[path = "fits/signals.rs"]
mod signals;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/fits")
        .join(name)
}

fn unpacker(scratch: &TempDir) -> Unpacker {
    Unpacker::new(
        env!("CARGO_BIN_EXE_dawnledger").into(),
        scratch.path().join("scratch"),
    )
}

fn open(path: &Path) -> Result<Source, FitsError> {
    let scratch = TempDir::new().unwrap();
    let source = Source::open(path, &unpacker(&scratch));
    if let Ok(mut left) = fs::read_dir(scratch.path().join("scratch")) {
        assert!(left.next().is_none(), "a scratch file was left");
    }
    source
}

fn pixels(source: &Source) -> Vec<f32> {
    let mut out = vec![0.0; source.width() * source.height()];
    source.rows_f32(0, source.height(), &mut out).unwrap();
    out
}

fn sum(pixels: &[f32]) -> f64 {
    pixels.iter().map(|&pixel| f64::from(pixel)).sum()
}

fn range(pixels: &[f32]) -> (f32, f32) {
    pixels.iter().fold((f32::MAX, f32::MIN), |(low, high), &v| {
        (low.min(v), high.max(v))
    })
}

fn refusal(path: &Path) -> Refusal {
    match open(path) {
        Ok(_) => panic!("{}: accepted", path.display()),
        Err(error) => {
            let text = error.to_string();
            error.refusal().unwrap_or_else(|| panic!("{text}"))
        }
    }
}

/// An image file made by hand: `bytes` are the stored samples.
fn image(bitpix: i64, axes: &[i64], extra: &[Card], bytes: &[u8]) -> Vec<u8> {
    let mut cards = vec![
        Card::new("SIMPLE", Value::Logical(true), ""),
        Card::new("BITPIX", Value::Integer(bitpix), ""),
        Card::new("NAXIS", Value::Integer(axes.len() as i64), ""),
    ];
    for (place, &axis) in axes.iter().enumerate() {
        let keyword = format!("NAXIS{}", place + 1);
        cards.push(Card::new(&keyword, Value::Integer(axis), ""));
    }
    cards.extend_from_slice(extra);
    let mut file = header_block(&cards);
    file.extend_from_slice(bytes);
    file.resize(file.len().next_multiple_of(2880), 0);
    file
}

fn real(keyword: &str, number: f64) -> Card {
    Card::new(keyword, Value::Real(number), "")
}

fn saved(folder: &TempDir, name: impl AsRef<Path>, bytes: &[u8]) -> PathBuf {
    let path = folder.path().join(name);
    fs::write(&path, bytes).unwrap();
    path
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}
