//! FITS files from outside, from ourselves, and from nowhere good.
//!
//! Expected numbers stand in `tests/data/fits/README.md` with their sources; where a check has
//! another source it is named beside it.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::ffi::OsStr;
use std::fs;
use std::io::Write;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use dawnledger::facts::{Card, Header, Refusal, Value};
use dawnledger::fits::{
    Cut, FitsError, ImageWriter, Source, Unpacker, checksums_hold, header_block, read_header,
};
use dawnledger::publish::Disk;
use proptest::prelude::*;
use tempfile::TempDir;

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

#[test]
fn known_images_give_their_published_pixels() {
    // name, size, least, greatest, sum
    let table = [
        ("fixed-1890.fits", (100, 100), 1890.0, 1890.0, 18_900_000.0),
        ("checksum.fits", (30, 40), 4.0, 342.0, 251_496.0),
        ("checksum_false.fits", (30, 40), 4.0, 342.0, 251_496.0),
        ("o4sp040b0_raw.fits", (62, 44), 1487.0, 1515.0, 4_115_095.0),
        ("m13.fits", (300, 300), 109.0, 3618.0, 13_293_397.0),
        ("m13_rice.fits", (300, 300), 109.0, 3618.0, 13_293_397.0),
    ];
    for (name, size, least, greatest, total) in table {
        let source = open(&data(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
        let pixels = pixels(&source);
        assert_eq!((source.width(), source.height()), size, "{name}");
        assert_eq!(range(&pixels), (least, greatest), "{name}");
        assert_eq!(sum(&pixels), total, "{name}");
    }
    let sums = [("test0.fits", 40 * 40, 501_021.0), ("comp.fits", 440 * 300, 34_417_871.0)];
    for (name, count, total) in sums {
        let pixels = pixels(&open(&data(name)).unwrap());
        assert_eq!((pixels.len(), sum(&pixels)), (count, total), "{name}");
    }
}

#[test]
fn scaling_blanks_and_floats() {
    let source = open(&data("scale.fits")).unwrap();
    let values = pixels(&source);
    let (least, greatest) = range(&values);
    assert!((f64::from(least) - 491.8821).abs() < 1e-3, "{least}");
    assert!((f64::from(greatest) - 2726.6152).abs() < 1e-3, "{greatest}");
    assert!((sum(&values) / 420.0 - 531.4352).abs() < 1e-3);
    assert!(!source.is_u16());
    assert!((source.top() - (1500.0 + 32767.0 * 0.045777764213996)).abs() < 1e-9);

    let blank = open(&data("blank.fits")).unwrap();
    assert!(pixels(&blank)[0].is_nan());

    // A double image with a forbidden BLANK: ignored.
    let float = open(&data("resampled_hmi.fits")).unwrap();
    assert_eq!(pixels(&float).len(), 100 * 100);
    assert_eq!(float.top(), f64::INFINITY);

    // Undefined where CFITSIO's own test program put them.
    let torture = open(&data("testprog.fits")).unwrap();
    let undefined: Vec<_> = pixels(&torture)
        .iter()
        .enumerate()
        .filter_map(|(place, pixel)| pixel.is_nan().then_some(place))
        .collect();
    assert_eq!(undefined, [0, 3, 7, 11, 15, 19]);
}

#[test]
fn unsigned_samples_are_read_as_they_are() {
    let source = open(&data("fixed-1890.fits")).unwrap();
    assert!(source.is_u16());
    assert_eq!(source.top(), 65535.0);
    let mut rows = vec![0; 300];
    source.rows_u16(97, 3, &mut rows).unwrap();
    assert!(rows.iter().all(|&sample| sample == 1890));
    assert!(matches!(source.rows_u16(98, 3, &mut rows), Err(FitsError::Io { .. })));
    assert!(matches!(source.rows_u16(0, 2, &mut rows), Err(FitsError::Io { .. })));
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

#[test]
fn what_is_no_frame_is_refused_by_name() {
    let keyword = |name: &str| match refusal(&data(name)) {
        Refusal::Keyword { keyword, found, .. } => format!("{keyword} {found}"),
        other => format!("{other:?}"),
    };
    assert_eq!(keyword("arange.fits"), "NAXIS3 7");
    assert_eq!(keyword("group.fits"), "GROUPS T");
    assert_eq!(keyword("random_groups.fits"), "GROUPS T");
    assert_eq!(keyword("group_invalid.fits"), "GROUPS T");
    assert_eq!(keyword("verify.fits"), "header record 2 NAXIS");
    for name in ["history_header.fits", "zerowidth.fits", "ascii.fits", "tb.fits", "memtest.fits"] {
        let refusal = refusal(&data(name));
        assert!(matches!(refusal, Refusal::NoImage(_)), "{name}: {refusal:?}");
    }
    for name in ["lzw.fits.Z", "not_actually_fits.fits"] {
        let refusal = refusal(&data(name));
        assert!(matches!(refusal, Refusal::NotFits { .. }), "{name}: {refusal:?}");
    }
    assert!(matches!(refusal(&data("theap-gap.fits")), Refusal::Truncated { .. }));
}
