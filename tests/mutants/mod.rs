//! Frames spoilt on purpose, for tests and benches: the same ones on every machine.

#![allow(dead_code, reason = "not every test needs all of it")]

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::Path;

use dawnledger::facts::Card;
use dawnledger::fits::{ImageWriter, Plane, Samples, Source, Storage, Unpacker, read_header};
use dawnledger::publish::Disk;

use crate::dice::Dice;

/// A rig for any camera, that combines what there is.
pub const RIG: &str = "name: any
camera: '*'
calibration:
  bias: {rule: required, min_frames: 3, quiet_s: 0}
  dark: {rule: never}
  flat-dark: {rule: never}
  flat: {rule: if-present, min_frames: 3, quiet_s: 0}
";

/// A sound set, and the lights that are spoilt.
pub const FRAMES: &str = "rigs:
  - camera: Petrel 26M
    sensor: {width: 64, height: 48}
    filters: [{name: Ha}]
    targets: [{name: Veil Nebula, stars: 3}]
    runs:
      - {kind: flat, filter: Ha, exposure_s: 2, start: '2026-09-05T19:00:00Z', count: 3}
      - {kind: light, filter: Ha, target: Veil Nebula, exposure_s: 60, start: '2026-09-05T21:00:00Z', count: 2}
      - {kind: bias, start: '2026-09-06T04:00:00Z', count: 3}
";

/// Bytes of a block.
const BLOCK: usize = 2880;

/// What can be done to a file.
pub const SPOILS: [&str; 6] = ["header", "data", "anywhere", "cut", "repeated", "swapped"];

/// How a frame is stored.
pub const FORMS: [&str; 4] = ["plain", "rice", "gzip", "rice in gzip"];

/// The frame at `path` in each of [`FORMS`].
pub fn forms(path: &Path, scratch: &Path) -> [Vec<u8>; 4] {
    let plain = fs::read(path).unwrap();
    let rice = rice(path, scratch);
    let (gzip_plain, gzip_rice) = (gzip(&plain), gzip(&rice));
    [plain, rice, gzip_plain, gzip_rice]
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

fn rice(path: &Path, scratch: &Path) -> Vec<u8> {
    const STORED: [&str; 7] = [
        "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "BSCALE",
    ];
    let source = Source::open(path, &Unpacker::new("false".into(), scratch.into())).unwrap();
    let (width, height) = (source.width(), source.height());
    let mut samples = vec![0; width * height];
    source.rows_u16(0, height, &mut samples).unwrap();
    let header = read_header(path).unwrap();
    let kept = |card: &&Card| !STORED.contains(&card.keyword.as_str());
    let cards: Vec<_> = header.cards().iter().filter(kept).cloned().collect();
    let target = scratch.join("rice.fits");
    let planes = vec![Plane {
        storage: Storage::PackedU16,
        cards: cards.clone(),
        height: None,
    }];
    let draft = Disk::default().draft(&target).unwrap();
    let writer = ImageWriter::begin(draft, width, height, planes).unwrap();
    writer.rows(0, 0, Samples::U16(&samples)).unwrap();
    writer.finish(&cards).unwrap();
    let bytes = fs::read(&target).unwrap();
    fs::remove_file(target).unwrap();
    bytes
}

fn below(dice: &mut Dice, limit: usize) -> usize {
    (dice.uniform() * limit as f64) as usize
}

/// Changes one to five bytes of a part.
fn flip(dice: &mut Dice, part: &mut [u8]) {
    if part.is_empty() {
        return;
    }
    for _ in 0..=below(dice, 5) {
        let place = below(dice, part.len());
        part[place] = match below(dice, 3) {
            0 => b"0123456789-+.'&/=TE "[below(dice, 20)],
            1 => part[place] ^ 1 << below(dice, 8),
            _ => below(dice, 256) as u8,
        };
    }
}

/// The bytes of a frame, spoilt in the way that [`SPOILS`] names: never the same bytes, which would be
/// a copy.
pub fn spoilt(original: &[u8], spoil: &str, dice: &mut Dice) -> Vec<u8> {
    loop {
        let bytes = changed(original.to_vec(), spoil, dice);
        if bytes != original {
            return bytes;
        }
    }
}

fn changed(mut bytes: Vec<u8>, spoil: &str, dice: &mut Dice) -> Vec<u8> {
    // Where the first data begin; the headers of a compressed image go on behind it. A gzip stream has
    // no records.
    let end = bytes
        .chunks(80)
        .position(|record| record.starts_with(b"END     "));
    let head = end.map_or(bytes.len() / 2, |end| {
        ((end + 1) * 80).next_multiple_of(BLOCK)
    });
    let head = head.min(bytes.len());
    let block = BLOCK.min(bytes.len());
    let count = bytes.len().div_ceil(block);
    let whole = |at: usize, length: usize| at * block..((at + 1) * block).min(length);
    match spoil {
        "header" => flip(dice, &mut bytes[..head]),
        "data" => flip(dice, &mut bytes[head..]),
        "anywhere" => flip(dice, &mut bytes),
        "cut" if below(dice, 2) == 0 => bytes.truncate(below(dice, bytes.len())),
        "cut" => {
            let gap = whole(below(dice, count), bytes.len());
            bytes.drain(gap);
        }
        "repeated" => {
            let again = bytes[whole(below(dice, count), bytes.len())].to_vec();
            let place = below(dice, count) * block;
            bytes.splice(place..place, again.repeat(1 + below(dice, 3)));
        }
        _ => {
            let (one, other) = (below(dice, count), below(dice, count));
            for at in 0..block {
                let (a, b) = (one * block + at, other * block + at);
                if a.max(b) < bytes.len() {
                    bytes.swap(a, b);
                }
            }
        }
    }
    bytes
}

/// What became of each file, from all nights' logs: its state and the reason. A file that stands
/// twice is one too many.
pub fn accounted(products: &Path) -> BTreeMap<String, (String, String)> {
    let mut found = BTreeMap::new();
    for night in fs::read_dir(products.join("nights")).unwrap() {
        let text = fs::read_to_string(night.unwrap().path().join("session.yaml")).unwrap();
        let log = dawnledger::night::parse(&text).unwrap();
        let lights = log.lights.into_iter().map(|l| (l.file, l.state, l.reason));
        let others = log
            .calibration
            .into_iter()
            .map(|c| (c.file, c.state, c.reason));
        let refused = log.refused.into_iter();
        let refused = refused.map(|r| (r.file, "refused".to_owned(), Some(r.reason)));
        let ignored = log.ignored.into_iter();
        let ignored = ignored.map(|i| (i.file, "ignored".to_owned(), Some(i.reason)));
        for (file, state, reason) in lights.chain(others).chain(refused).chain(ignored) {
            let reason = reason.unwrap_or_default();
            assert!(
                !(state == "refused" && reason.is_empty()),
                "{file}: no reason"
            );
            let twice = found.insert(file.clone(), (state, reason));
            assert!(twice.is_none(), "{file} stands twice");
        }
    }
    found
}
