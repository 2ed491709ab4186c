//! Stacks of large dark frames, made fast: for measuring speed, not for truth.
//!
//! Pixels come from a table of normal numbers that 16 random bits point into, four pixels to a
//! word; a fixed pattern repeats in every frame, and one pixel in ten thousand is struck. A frame
//! depends on its number and the seed alone.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::dice::{Dice, mix};
use super::{BLOCK, SimulateError};
use crate::facts::{Card, Value};
use crate::fits::header_block;
use crate::publish::Disk;

const LEVEL: f64 = 500.0;
const NOISE_ADU: f64 = 6.0;
const PATTERN_ADU: f64 = 2.0;
/// Mean distance from one outlier to the next, pixels.
const OUTLIER_EVERY: f64 = 10_000.0;
/// Bytes handed to the disk at once.
const CHUNK: usize = 4 << 20;

/// Writes `count` dark frames of `width` x `height` unsigned 16-bit pixels called
/// `dark_0001.fits` and so on, and returns their paths.
///
/// # Errors
/// When a file cannot be written.
pub fn write_stack(
    folder: &Path,
    count: usize,
    width: usize,
    height: usize,
    seed: u64,
) -> Result<Vec<PathBuf>, SimulateError> {
    let disk = Disk::default();
    let noise = table(seed, "noise", LEVEL, NOISE_ADU);
    let pattern = table(seed, "pattern", 0.0, PATTERN_ADU);
    let pattern_key = Dice::new(seed, &["stack", "pattern"]).word();
    let mut paths = Vec::new();
    for number in 1..=count {
        let path = folder.join(format!("dark_{number:04}.fits"));
        let draft = disk.draft(&path)?;
        let header = header_block(&cards(width, height, number));
        draft.write_at(0, &header)?;
        let mut dice = Dice::new(seed, &["stack", &number.to_string()]);
        let noise_key = dice.word();
        let mut struck = gap(&mut dice);
        let pixels = width * height;
        let mut offset = header.len() as u64;
        let mut bytes: Vec<u8> = Vec::with_capacity(CHUNK);
        for first in (0..pixels).step_by(CHUNK / 2) {
            let last = (first + CHUNK / 2).min(pixels);
            bytes.clear();
            for quad in (first..last).step_by(4) {
                let own = mix(noise_key ^ quad as u64);
                let fixed = mix(pattern_key ^ quad as u64);
                for lane in 0..4 {
                    let own = noise[usize::from((own >> (16 * lane)) as u16)];
                    let fixed = pattern[usize::from((fixed >> (16 * lane)) as u16)];
                    // The table keeps the sum within 0 to 32767; stored minus BZERO.
                    let stored = (own + fixed) as u16 ^ 0x8000;
                    bytes.extend_from_slice(&stored.to_be_bytes());
                }
            }
            bytes.truncate(2 * (last - first));
            while struck < last {
                let value = dice.between(600.0, 60_000.0) as u16 ^ 0x8000;
                let at = 2 * (struck - first);
                bytes[at..at + 2].copy_from_slice(&value.to_be_bytes());
                struck += gap(&mut dice);
            }
            if last == pixels {
                let end = (offset as usize + bytes.len()).next_multiple_of(BLOCK);
                bytes.resize(end - offset as usize, 0);
            }
            draft.write_at(offset, &bytes)?;
            offset += bytes.len() as u64;
        }
        draft.publish()?;
        paths.push(path);
    }
    Ok(paths)
}

fn gap(dice: &mut Dice) -> usize {
    1 + (-OUTLIER_EVERY * super::exact::ln(dice.unit())) as usize
}

/// 65536 rounded normal numbers.
fn table(seed: u64, purpose: &str, mean: f64, deviation: f64) -> Vec<i16> {
    let mut dice = Dice::new(seed, &["stack table", purpose]);
    (0..=u16::MAX)
        .map(|_| (mean + deviation * dice.normal()).round() as i16)
        .collect()
}

fn cards(width: usize, height: usize, number: usize) -> Vec<Card> {
    let start = Timestamp::from_second(1_788_660_000 + 122 * number as i64)
        .unwrap_or(Timestamp::UNIX_EPOCH)
        .strftime("%Y-%m-%dT%H:%M:%S")
        .to_string();
    let text = |value: &str| Value::Text(value.to_owned());
    vec![
        Card::new("SIMPLE", Value::Logical(true), ""),
        Card::new("BITPIX", Value::Integer(16), ""),
        Card::new("NAXIS", Value::Integer(2), ""),
        Card::new("NAXIS1", Value::Integer(width as i64), ""),
        Card::new("NAXIS2", Value::Integer(height as i64), ""),
        Card::new("BZERO", Value::Integer(32_768), ""),
        Card::new("BSCALE", Value::Integer(1), ""),
        Card::new("IMAGETYP", text("DARK"), ""),
        Card::new("EXPTIME", Value::Real(120.0), ""),
        Card::new("DATE-OBS", Value::Text(start), ""),
        Card::new("INSTRUME", text("Gannet 26M"), ""),
        Card::new("XBINNING", Value::Integer(1), ""),
        Card::new("YBINNING", Value::Integer(1), ""),
        Card::new("GAIN", Value::Integer(100), ""),
        Card::new("OFFSET", Value::Integer(50), ""),
        Card::new("CCD-TEMP", Value::Real(-10.0), ""),
        Card::new("SET-TEMP", Value::Real(-10.0), ""),
    ]
}
