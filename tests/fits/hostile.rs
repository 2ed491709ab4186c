//! Absurd claims, cut and spoilt files, odd names: never a crash, always a reason.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

use dawnledger::facts::{Card, Refusal, Value};
use dawnledger::fits::{Cut, FitsError, Source, Unpacker, checksums_hold, read_header};
use tempfile::TempDir;

use super::{data, gzip, image, open, pixels, real, refusal, saved, sum};

#[test]
fn claims_are_checked_before_anything_is_allocated() {
    let folder = TempDir::new().unwrap();
    let big = i64::MAX;
    let table: [(&[i64], &str); 8] = [
        (&[70_000, 1], "NAXIS1 70000"),
        (&[1, 70_000], "NAXIS2 70000"),
        (
            &[big, big],
            "NAXISn 9223372036854775807 x 9223372036854775807",
        ),
        (&[big, 1], "NAXISn 9223372036854775807 x 1"),
        (&[-1, 4], "NAXIS1 -1"),
        (&[4, 4, 3], "NAXIS3 3"),
        (&[4], "NAXIS 1"),
        (&[2; 12], "NAXIS3 2"),
    ];
    for (axes, expected) in table {
        // As large as the claim where that is small: else it would only be too short.
        let path = saved(&folder, "a.fits", &image(16, axes, &[], &[0; 140_000]));
        match refusal(&path) {
            Refusal::Keyword { keyword, found, .. } => {
                assert_eq!(format!("{keyword} {found}"), expected);
            }
            other => panic!("{axes:?}: {other:?}"),
        }
    }
    // 65536 x 65536 is allowed and missing.
    let path = saved(&folder, "a.fits", &image(-64, &[65_536, 65_536], &[], &[]));
    assert!(matches!(
        open(&path),
        Err(FitsError::Short {
            needs: 34_359_742_080,
            ..
        })
    ));
    for (keyword, value) in [
        ("BSCALE", real("BSCALE", 0.0)),
        ("BZERO", Card::new("BZERO", Value::Text("x".into()), "")),
    ] {
        let path = saved(&folder, "a.fits", &image(16, &[1, 1], &[value], &[0; 2]));
        match refusal(&path) {
            Refusal::Keyword { keyword: found, .. } => assert_eq!(found, keyword),
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn short_files_may_still_be_arriving() {
    let folder = TempDir::new().unwrap();
    let whole = image(16, &[100, 50], &[], &[0; 10_000]);
    for length in 0..whole.len() {
        if length % 997 > 1 && length != 12_879 && length != 12_880 {
            continue;
        }
        let path = saved(&folder, "a.fits", &whole[..length]);
        let result = open(&path);
        match length {
            0 => assert!(matches!(result, Err(FitsError::Refused(Refusal::Empty)))),
            1..=479 => assert!(
                matches!(
                    result,
                    Err(FitsError::Short {
                        cut: Cut::Header,
                        ..
                    })
                ),
                "{length}: {result:?}"
            ),
            480..12_880 => match result {
                Err(FitsError::Short { has, needs, .. }) => {
                    assert_eq!((has, needs), (length as u64, 14_400));
                    assert_eq!(
                        refusal(&path),
                        Refusal::Truncated { has, needs },
                        "{length}"
                    );
                }
                other => panic!("{length}: {other:?}"),
            },
            // The pixels are there; only fill is missing.
            _ => assert!(result.is_ok(), "{length}"),
        }
    }
    // A header that never ends.
    let endless = [
        b"SIMPLE  =                    T".to_vec(),
        vec![b' '; 5 << 20],
    ]
    .concat();
    let path = saved(&folder, "a.fits", &endless);
    assert!(matches!(refusal(&path), Refusal::Unreadable(_)));
    let path = saved(&folder, "a.fits", &endless[..100_000]);
    assert_eq!(refusal(&path), Refusal::NoEnd);
}

#[test]
fn a_file_that_shrinks_is_short_not_fatal() {
    let folder = TempDir::new().unwrap();
    let path = saved(&folder, "a.fits", &image(8, &[100, 100], &[], &[7; 10_000]));
    let source = open(&path).unwrap();
    fs::OpenOptions::new()
        .write(true)
        .open(&path)
        .unwrap()
        .set_len(4000)
        .unwrap();
    let mut rows = vec![0; 10_000];
    assert!(matches!(
        source.rows_u16(0, 100, &mut rows),
        Err(FitsError::Short { .. })
    ));
    assert!(source.rows_u16(0, 5, &mut rows[..500]).is_ok());
}

#[test]
fn odd_names_open_the_file_they_name() {
    let folder = TempDir::new().unwrap();
    let names: [&[u8]; 10] = [
        b"X [Ha].fits",
        b"a+1.fits",
        b"b(c).fits",
        b" lead and trail ",
        b"-",
        b"!bang.fits",
        b"mem:x.fits[1:2,*]",
        b"latin\xe9.fits",
        b"new\nline.fits.gz",
        b"http:;x",
    ];
    let plain = fs::read(data("m13.fits")).unwrap();
    let tiled = fs::read(data("m13_rice.fits")).unwrap();
    for name in names {
        for bytes in [&plain, &tiled, &gzip(&tiled)] {
            let path = saved(&folder, OsStr::from_bytes(name), bytes);
            let source = open(&path).unwrap_or_else(|error| panic!("{name:?}: {error}"));
            assert_eq!(sum(&pixels(&source)), 13_293_397.0);
        }
    }
}

#[test]
fn only_regular_files_are_opened() {
    let folder = TempDir::new().unwrap();
    assert!(matches!(refusal(folder.path()), Refusal::Unreadable(_)));
    assert!(matches!(
        open(&folder.path().join("gone")),
        Err(FitsError::Io { op: "open", .. })
    ));
    assert!(matches!(
        refusal(Path::new("/dev/zero")),
        Refusal::Unreadable(_)
    ));
}

/// A small generator of its own, so that a failure can be repeated.
struct Dice(u64);

impl Dice {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % limit
    }

    fn spoil(&mut self, bytes: &mut Vec<u8>, within: usize) {
        for _ in 0..=self.below(4) {
            let place = self.below(within.min(bytes.len()));
            bytes[place] = match self.below(3) {
                0 => b"0123456789-'&/= TE"[self.below(18)],
                1 => bytes[place] ^ (1 << self.below(8)),
                _ => self.below(256) as u8,
            };
        }
        if self.below(4) == 0 {
            bytes.truncate(1 + self.below(bytes.len()));
        }
    }
}

#[test]
fn spoilt_files_never_stop_the_reader() {
    let folder = TempDir::new().unwrap();
    let idle = Unpacker::new("/bin/false".into(), folder.path().join("scratch"));
    let names = [
        "checksum.fits",
        "scale.fits",
        "test0.fits",
        "o4sp040b0_raw.fits",
        "testprog.fits",
        "blank.fits",
        "group.fits",
        "comp.fits",
    ];
    for (seed, name) in names.iter().enumerate() {
        let original = fs::read(data(name)).unwrap();
        let mut dice = Dice(seed as u64);
        for round in 0..400 {
            let mut bytes = original.clone();
            dice.spoil(&mut bytes, 8640);
            let path = saved(&folder, "spoilt.fits", &bytes);
            let _ = checksums_hold(&path);
            let _ = read_header(&path);
            if let Ok(source) = Source::open(&path, &idle) {
                assert!(
                    source.width() * source.height() <= bytes.len(),
                    "{name} {round}"
                );
                assert_eq!(pixels(&source).len(), source.width() * source.height());
            }
        }
    }
}

#[test]
fn spoilt_compressed_files_cost_one_file() {
    let folder = TempDir::new().unwrap();
    for (seed, name) in ["m13_rice.fits", "compressed_image.fits", "double_ext.fits"]
        .iter()
        .enumerate()
    {
        let original = fs::read(data(name)).unwrap();
        let mut dice = Dice(100 + seed as u64);
        for round in 0..60 {
            let mut bytes = original.clone();
            let within = bytes.len();
            dice.spoil(&mut bytes, if round % 2 == 0 { 8640 } else { within });
            match open(&saved(&folder, "spoilt.fits", &bytes)) {
                Err(error @ FitsError::Io { .. }) => panic!("{name} {round}: {error}"),
                Err(_) => {}
                Ok(source) => assert!(!pixels(&source).is_empty()),
            }
        }
    }
}

/// Found by the fuzz target `pixels`: a keyword in small letters is one for us and none for CFITSIO,
/// whose wrapper then takes the image for a table and panics.
#[test]
fn a_decoder_that_gives_up_costs_one_file() {
    let folder = TempDir::new().unwrap();
    let mut bytes = fs::read(data("m13_rice.fits")).unwrap();
    let place = bytes.windows(8).position(|bytes| bytes == b"ZIMAGE  ");
    let place = place.unwrap();
    bytes[place..place + 8].copy_from_slice(b"zimage  ");
    assert_eq!(
        refusal(&saved(&folder, "a.fits", &bytes)),
        Refusal::Unreadable("the decoder gave up".to_owned())
    );
}
