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
    let sums = [
        ("test0.fits", 40 * 40, 501_021.0),
        ("comp.fits", 440 * 300, 34_417_871.0),
    ];
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
    assert!(matches!(
        source.rows_u16(98, 3, &mut rows),
        Err(FitsError::Io { .. })
    ));
    assert!(matches!(
        source.rows_u16(0, 2, &mut rows),
        Err(FitsError::Io { .. })
    ));
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
    for name in [
        "history_header.fits",
        "zerowidth.fits",
        "ascii.fits",
        "tb.fits",
        "memtest.fits",
        "theap-gap.fits",
    ] {
        let refusal = refusal(&data(name));
        assert!(
            matches!(refusal, Refusal::NoImage(_)),
            "{name}: {refusal:?}"
        );
    }
    for name in ["lzw.fits.Z", "not_actually_fits.fits"] {
        let refusal = refusal(&data(name));
        assert!(
            matches!(refusal, Refusal::NotFits { .. }),
            "{name}: {refusal:?}"
        );
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

#[test]
fn every_kind_of_sample_is_read() {
    let folder = TempDir::new().unwrap();
    let unsigned = [Card::new("BZERO", Value::Integer(32768), "")];
    let scaled = [real("BZERO", 100.0), real("BSCALE", 0.5)];
    let blank = [Card::new("BLANK", Value::Integer(-1), "")];
    let table: [(&str, Vec<u8>, [f32; 2], f64); 9] = [
        ("8", image(8, &[2, 1], &[], &[0, 255]), [0.0, 255.0], 255.0),
        (
            "8 scaled",
            image(8, &[2, 1], &scaled, &[0, 255]),
            [100.0, 227.5],
            227.5,
        ),
        (
            "16",
            image(16, &[2, 1], &[], &[0xff, 0xff, 0, 2]),
            [-1.0, 2.0],
            32767.0,
        ),
        (
            "unsigned 16",
            image(16, &[2, 1], &unsigned, &[0x80, 0, 0x7f, 0xff]),
            [0.0, 65535.0],
            65535.0,
        ),
        (
            "blank",
            image(16, &[2, 1, 1], &blank, &[0xff, 0xff, 0, 2]),
            [f32::NAN, 2.0],
            32767.0,
        ),
        (
            "32",
            image(32, &[2, 1], &[], &[0, 1, 0, 0, 0, 0, 0, 9]),
            [65536.0, 9.0],
            2147483647.0,
        ),
        (
            "64",
            image(
                64,
                &[1, 2],
                &[],
                &[0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 9],
            ),
            [4294967296.0, 9.0],
            9.223372036854776e18,
        ),
        (
            "-32",
            image(-32, &[2, 1], &blank, &[0x3f, 0x80, 0, 0, 0x7f, 0xc0, 0, 0]),
            [1.0, f32::NAN],
            f64::INFINITY,
        ),
        (
            "-64",
            image(
                -64,
                &[2, 1],
                &scaled,
                &[0x3f, 0xf0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
            ),
            [100.5, 100.0],
            f64::INFINITY,
        ),
    ];
    for (name, bytes, expected, top) in table {
        let source = open(&saved(&folder, name, &bytes)).unwrap();
        let found = pixels(&source);
        let same = |a: f32, b: f32| a == b || (a.is_nan() && b.is_nan());
        assert!(
            found.iter().zip(expected).all(|(&a, b)| same(a, b)),
            "{name}: {found:?}"
        );
        assert_eq!(source.top(), top, "{name}");
        let exact = matches!(name, "8" | "unsigned 16");
        assert_eq!(source.is_u16(), exact, "{name}");
        if exact {
            let mut samples = [1; 2];
            source.rows_u16(0, 1, &mut samples).unwrap();
            assert_eq!(samples.map(f32::from), expected, "{name}");
        }
    }
}

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

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

#[test]
fn compressed_files_keep_their_header_and_type() {
    let source = open(&data("m13_rice.fits")).unwrap();
    let plain = open(&data("m13.fits")).unwrap();
    assert_eq!(pixels(&source), pixels(&plain));
    let header = source.header();
    assert_eq!(header.integer("BITPIX"), Some(16));
    assert_eq!(header.integer("NAXIS1"), Some(300));
    let compressed_only = |card: &&Card| card.keyword.starts_with('Z') || card.keyword == "TFORM1";
    assert_eq!(header.cards().iter().find(compressed_only), None);
    // Every fact of the original is there, as it stood.
    for card in plain.header().cards() {
        if !matches!(
            card.keyword.as_str(),
            "SIMPLE" | "BITPIX" | "NAXIS" | "NAXIS1" | "NAXIS2" | "EXTEND" | "CHECKSUM" | "DATASUM"
        ) {
            assert!(header.cards().contains(card), "{card:?}");
        }
    }
    for name in ["compressed_image.fits", "double_ext.fits"] {
        let source = open(&data(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(pixels(&source).len(), source.width() * source.height());
    }
}

#[test]
fn gzip_is_told_by_content_and_never_trusted() {
    let folder = TempDir::new().unwrap();
    let bytes = fs::read(data("fixed-1890.fits")).unwrap();
    let packed = gzip(&bytes);
    let source = open(&saved(&folder, "plain.fits", &packed)).unwrap();
    assert!(source.is_u16());
    assert_eq!(
        source.header(),
        open(&data("fixed-1890.fits")).unwrap().header()
    );
    // A trailer that lies about the size is a damaged stream.
    let mut lying = packed.clone();
    let end = lying.len();
    lying[end - 4..].copy_from_slice(&u32::MAX.to_le_bytes());
    assert!(matches!(
        refusal(&saved(&folder, "a", &lying)),
        Refusal::Unreadable(_)
    ));
    let cut = saved(&folder, "b", &packed[..end / 2]);
    assert!(matches!(
        open(&cut),
        Err(FitsError::Short { cut: Cut::Gzip, .. })
    ));
    assert!(matches!(refusal(&cut), Refusal::Unreadable(_)));
    // A whole stream with a cut file inside will not grow.
    let inner = saved(&folder, "c", &gzip(&bytes[..20_000]));
    assert!(matches!(
        open(&inner),
        Err(FitsError::Refused(Refusal::Truncated { .. }))
    ));
    let text = saved(&folder, "d", &gzip(b"hello"));
    assert!(matches!(refusal(&text), Refusal::NotFits { .. }));
    let thrice = saved(&folder, "e", &gzip(&gzip(&gzip(&bytes))));
    assert!(matches!(refusal(&thrice), Refusal::Unreadable(_)));
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

/// Values as written by CFITSIO's test program (testprog.c), which is the torture.
#[test]
fn the_torture_header_is_read_as_written() {
    let header = read_header(&data("testprog.fits")).unwrap();
    let text = |keyword: &str| header.text(keyword).unwrap_or_else(|| panic!("{keyword}"));
    let digits = "1234567890123456789012345678901234567890123456789012345678901234";
    assert_eq!(text("CARD1"), format!("{digits}5678"));
    assert_eq!(text("CARD2"), format!("{digits}'67"));
    assert_eq!(text("CARD3"), format!("{digits}''"));
    assert_eq!(
        text("KEY_PKLS"),
        "This is a very long string value that is continued over more than one keyword."
    );
    assert_eq!(text("KY_PKNS3"), "");
    assert_eq!(text("TSTRING"), "1");
    assert_eq!(header.get("KEY_PKYL"), Some(&Value::Logical(true)));
    assert_eq!(header.number("TFLOAT"), Some(42.0));
    assert_eq!(header.number("KEY_PKYD"), Some(15.1515151515152));
    assert_eq!(header.number("KEY_PKYT"), Some(12345678.123456789));
    assert_eq!(
        header.get("KEY_PKFC"),
        Some(&Value::Other("(13.131313, 14.141414)".into()))
    );
    assert_eq!(header.find("TMPCARD7"), None);
    assert!(header.cards().iter().any(|card| card.keyword == "TMPCARD7"));
    assert_eq!(header.integer("BLANK"), Some(-99));
    assert_eq!(
        header.find("kEy_PkYj").unwrap().comment,
        "[feet/second/second] fxpkyj comment"
    );
}

#[test]
fn an_extension_s_own_structure_wins() {
    let header = read_header(&data("test0.fits")).unwrap();
    assert_eq!(header.integer("NAXIS"), Some(2));
    assert_eq!(header.integer("NAXIS1"), Some(40));
    let scsi = read_header(&data("o4sp040b0_raw.fits")).unwrap();
    assert_eq!(scsi.integer("BITPIX"), Some(16));
    assert!(
        scsi.text("TELESCOP").is_some(),
        "the primary's facts are kept"
    );
}

#[test]
fn checksums_of_others() {
    let verdict = |name: &str| checksums_hold(&data(name)).unwrap();
    assert_eq!(verdict("checksum.fits"), Some(true));
    assert_eq!(verdict("checksum_false.fits"), Some(false));
    assert_eq!(verdict("m13_rice.fits"), Some(true));
    assert_eq!(verdict("memtest.fits"), Some(false));
    assert_eq!(verdict("scale.fits"), None);
}

fn product(folder: &TempDir, width: usize, height: usize, values: &[f32], strip: usize) -> PathBuf {
    let path = folder.path().join("out/p.fits");
    let cards = [Card::new(
        "DLTEST",
        Value::Text("x".repeat(200)),
        "a long one",
    )];
    let draft = Disk::default().draft(&path).unwrap();
    let writer = ImageWriter::begin(draft, width, height, &cards).unwrap();
    // From the last strip to the first, in two threads.
    let mut strips: Vec<_> = values.chunks(strip * width).enumerate().collect();
    strips.reverse();
    std::thread::scope(|scope| {
        for half in strips.chunks(strips.len().div_ceil(2)) {
            let writer = &writer;
            scope.spawn(move || {
                for (number, strip_values) in half {
                    writer.rows(number * strip, strip_values).unwrap();
                }
            });
        }
    });
    let size = writer.finish(&cards).unwrap();
    assert_eq!(size, fs::metadata(&path).unwrap().len());
    assert_eq!(size % 2880, 0);
    path
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn products_read_back(
        (width, height, bits) in (1_usize..50, 1_usize..50).prop_flat_map(|(width, height)| {
            (Just(width), Just(height), prop::collection::vec(any::<u32>(), width * height))
        }),
        strip in 1_usize..20,
        bad in any::<prop::sample::Index>(),
    ) {
        let folder = TempDir::new().unwrap();
        let values: Vec<f32> = bits.into_iter().map(f32::from_bits).collect();
        let path = product(&folder, width, height, &values, strip);
        let source = open(&path).unwrap();
        let back: Vec<u32> = pixels(&source).iter().map(|value| value.to_bits()).collect();
        let sent: Vec<u32> = values.iter().map(|value| value.to_bits()).collect();
        prop_assert_eq!(back, sent);
        let long = "x".repeat(200);
        prop_assert_eq!(source.header().text("DLTEST"), Some(long.as_str()));
        prop_assert_eq!(checksums_hold(&path).unwrap(), Some(true));
        // One bit anywhere in the data is noticed.
        let mut bytes = fs::read(&path).unwrap();
        let place = 2880 + bad.index(bytes.len() - 2880);
        bytes[place] ^= 0x10;
        let path = saved(&folder, "bad.fits", &bytes);
        prop_assert_eq!(checksums_hold(&path).unwrap(), Some(false));
    }
}

#[test]
fn a_product_is_the_same_in_whatever_order_it_was_written() {
    let folder = TempDir::new().unwrap();
    let values: Vec<f32> = (0..35 * 41).map(|n| n as f32 * 0.37).collect();
    let first = fs::read(product(&folder, 35, 41, &values, 41)).unwrap();
    for strip in [1, 7, 20] {
        let again = fs::read(product(&folder, 35, 41, &values, strip)).unwrap();
        assert!(first == again, "strips of {strip}");
    }
}

#[test]
fn a_writer_used_wrongly_publishes_nothing() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("p.fits");
    let begin = || ImageWriter::begin(Disk::default().draft(&path).unwrap(), 3, 2, &[]);
    assert!(
        begin().unwrap().rows(0, &[0.0; 4]).is_err(),
        "no whole rows"
    );
    assert!(
        begin().unwrap().rows(1, &[0.0; 6]).is_err(),
        "beyond the last row"
    );
    let half = begin().unwrap();
    half.rows(0, &[0.0; 3]).unwrap();
    assert!(half.finish(&[]).is_err(), "a row is missing");
    let grown = begin().unwrap();
    grown.rows(0, &[0.0; 6]).unwrap();
    assert!(
        grown.finish(&vec![real("DLX", 1.0); 40]).is_err(),
        "the header outgrew its room"
    );
    let draft = Disk::default().draft(&path).unwrap();
    assert!(ImageWriter::begin(draft, 0, 2, &[]).is_err());
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
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

#[test]
fn headers_know_what_they_were_made_of() {
    let header: Header = read_header(&data("fixed-1890.fits")).unwrap();
    let hierarch = header
        .cards()
        .iter()
        .filter(|card| card.raw.starts_with(b"HIERARCH"));
    let (named, all) = hierarch.fold((0, 0), |(named, all), card| {
        (named + usize::from(card.keyword != "HIERARCH"), all + 1)
    });
    assert_eq!((named, all), (119, 119));
}
