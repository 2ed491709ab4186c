//! Files made here: every kind of sample, and products there and back.

use std::fs;
use std::path::PathBuf;

use dawnledger::combine::{Stored, stored};
use dawnledger::facts::{Card, Value};
use dawnledger::fits::{ImageWriter, Plane, Samples, Source, Storage, checksums_hold};
use dawnledger::publish::Disk;
use proptest::prelude::*;
use tempfile::TempDir;

use super::{image, open, pixels, real, saved};

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
            let mut as_stored = [Stored::default(); 2];
            source.rows_stored(0, 1, &mut as_stored).unwrap();
            assert_eq!(as_stored, samples.map(stored), "{name}");
        }
    }
}

/// Rows that were given come back to the last bit, and nothing else does.
#[test]
fn rows_are_read_back_before_the_file_is_finished() {
    const WIDTH: usize = 70;
    let folder = TempDir::new().unwrap();
    let draft = |name: &str| Disk::default().draft(&folder.path().join(name)).unwrap();
    let extension = |name: &str, storage, height| Plane {
        height,
        ..plane(
            storage,
            &[Card::new("EXTNAME", Value::Text(name.to_owned()), "")],
        )
    };
    let planes = vec![
        plane(Storage::F32, &[]),
        extension("FLAGS", Storage::U8, None),
        extension("LOWER", Storage::F32, Some(3)),
    ];
    let writer = ImageWriter::begin(draft("a.fits"), WIDTH, 40, planes).unwrap();
    let row = |number: usize| -> Vec<f32> {
        let mut row: Vec<f32> = (0..WIDTH).map(|x| (number * WIDTH + x) as f32).collect();
        row[number % WIDTH] = f32::from_bits(0x7fc0_1234);
        row
    };
    std::thread::scope(|scope| {
        for half in 0..2 {
            let (writer, row) = (&writer, &row);
            scope.spawn(move || {
                for number in (0..40).rev().filter(|number| number % 2 == half) {
                    writer.rows(0, number, Samples::F32(&row(number))).unwrap();
                }
            });
        }
    });
    let bits = |values: &[f32]| {
        values
            .iter()
            .map(|value| value.to_bits())
            .collect::<Vec<_>>()
    };
    for (first, count) in [(0, 40), (7, 2), (39, 1)] {
        let mut back = vec![0.0; count * WIDTH];
        writer.read_back(0, first, &mut back).unwrap();
        let want: Vec<f32> = (first..first + count).flat_map(row).collect();
        assert_eq!(bits(&back), bits(&want));
    }
    let mut back = vec![0.0; 2 * WIDTH];
    for (place, first, length) in [
        (0, 39, 2 * WIDTH),
        (0, usize::MAX, WIDTH),
        (0, 0, WIDTH + 1),
        (1, 0, WIDTH),
        (2, 2, 2 * WIDTH),
        (9, 0, WIDTH),
    ] {
        let refused = writer.read_back(place, first, &mut back[..length]);
        let text = refused.unwrap_err().to_string();
        assert!(text.contains("could not read back"), "{text}");
    }
    writer.rows(2, 0, Samples::F32(&row(1))).unwrap();
    writer.read_back(2, 0, &mut back[..WIDTH]).unwrap();
    assert_eq!(bits(&back[..WIDTH]), bits(&row(1)));
    // What is compressed, and all behind it, has no place before the end.
    let planes = vec![
        plane(Storage::PackedU16, &[]),
        extension("BEHIND", Storage::F32, None),
    ];
    let writer = ImageWriter::begin(draft("b.fits"), WIDTH, 40, planes).unwrap();
    writer.rows(1, 0, Samples::F32(&row(1))).unwrap();
    assert!(writer.read_back(1, 0, &mut back[..WIDTH]).is_err());
}

/// Rows that are changed leave the file that they would have left had they been given so at once.
#[test]
fn changed_rows_are_as_if_given_so_at_once() {
    // Rows of seven bytes: most begin in the middle of a word.
    const WIDTH: usize = 7;
    const HEIGHT: usize = 23;
    let folder = TempDir::new().unwrap();
    let begin = |name: &str, storage| {
        let draft = Disk::default().draft(&folder.path().join(name)).unwrap();
        let named = [Card::new("EXTNAME", Value::Text("DLMASK".to_owned()), "")];
        let planes = vec![plane(storage, &[]), plane(Storage::U8, &named)];
        ImageWriter::begin(draft, WIDTH, HEIGHT, planes).unwrap()
    };
    let image = vec![1.5; WIDTH * HEIGHT];
    let flags = |zero: usize| -> Vec<u8> {
        (0..WIDTH * HEIGHT)
            .map(|n| if n % zero == 0 { 0 } else { (n * 37) as u8 })
            .collect()
    };
    // Most of the mask of a master is zero before.
    for before in [flags(3), vec![0; WIDTH * HEIGHT]] {
        let after = flags(5);
        let at_once = begin("once.fits", Storage::F32);
        at_once.rows(0, 0, Samples::F32(&image)).unwrap();
        at_once.rows(1, 0, Samples::U8(&after)).unwrap();
        at_once.finish(&[]).unwrap();
        let writer = begin("changed.fits", Storage::F32);
        writer.rows(0, 0, Samples::F32(&image)).unwrap();
        writer.rows(1, 0, Samples::U8(&before)).unwrap();
        std::thread::scope(|scope| {
            for rows in [[0..1, 1..4], [4..9, 9..23]] {
                let (writer, before, after) = (&writer, &before, &after);
                scope.spawn(move || {
                    for rows in rows {
                        let own = rows.start * WIDTH..rows.end * WIDTH;
                        let (before, after) = (&before[own.clone()], &after[own]);
                        writer.change(1, rows.start, before, after).unwrap();
                    }
                });
            }
        });
        let size = writer.finish(&[]).unwrap();
        let path = folder.path().join("changed.fits");
        assert_eq!(checksums_hold(&path).unwrap(), Some(true));
        let bytes = fs::read(&path).unwrap();
        assert_eq!(bytes.len() as u64, size);
        assert!(bytes == fs::read(folder.path().join("once.fits")).unwrap());
    }
    let writer = begin("refused.fits", Storage::F32);
    let packed = begin("packed.fits", Storage::PackedU16);
    let (zeros, ones) = ([0; 2 * WIDTH], [1; 2 * WIDTH]);
    for (writer, place, first, before, after) in [
        (&writer, 0, 0, &zeros[..], &ones[..]),
        (&writer, 1, HEIGHT - 1, &zeros, &ones),
        (&writer, 1, 0, &zeros[..WIDTH], &ones),
        (&writer, 1, 0, &ones, &zeros),
        (&writer, 2, 0, &zeros, &ones),
        (&packed, 1, 0, &zeros, &ones),
    ] {
        assert!(writer.change(place, first, before, after).is_err());
    }
}

fn plane(storage: Storage, cards: &[Card]) -> Plane {
    let cards = cards.to_vec();
    Plane {
        storage,
        cards,
        height: None,
    }
}

fn product(folder: &TempDir, width: usize, height: usize, values: &[f32], strip: usize) -> PathBuf {
    let path = folder.path().join("out/p.fits");
    let cards = [Card::new(
        "DLTEST",
        Value::Text("x".repeat(200)),
        "a long one",
    )];
    let draft = Disk::default().draft(&path).unwrap();
    let writer =
        ImageWriter::begin(draft, width, height, vec![plane(Storage::F32, &cards)]).unwrap();
    // From the last strip to the first, in two threads.
    let mut strips: Vec<_> = values.chunks(strip * width).enumerate().collect();
    strips.reverse();
    std::thread::scope(|scope| {
        for half in strips.chunks(strips.len().div_ceil(2)) {
            let writer = &writer;
            scope.spawn(move || {
                for (number, strip_values) in half {
                    let samples = Samples::F32(strip_values);
                    writer.rows(0, number * strip, samples).unwrap();
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
    #![proptest_config(ProptestConfig::with_cases(32))]

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
        prop_assert_eq!(source.header().text("LONGSTRN"), Some("OGIP 1.0"));
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
fn runs_of_rows_fill_all_of_their_room_or_none_is_told() {
    let folder = TempDir::new().unwrap();
    let bytes = image(8, &[2, 4], &[], &[0, 1, 2, 3, 4, 5, 6, 7]);
    let source = open(&saved(&folder, "rows.fits", &bytes)).unwrap();
    let runs = [(3, 1), (0, 2)];
    let mut rows = [0.0; 6];
    source.row_runs_f32(&runs, &mut rows).unwrap();
    assert_eq!(rows, [6.0, 7.0, 0.0, 1.0, 2.0, 3.0]);
    for room in [5, 7] {
        let mut rows = vec![0.0; room];
        assert!(source.row_runs_f32(&runs, &mut rows).is_err(), "{room}");
    }
    assert!(source.row_runs_f32(&[(3, 2)], &mut rows[..4]).is_err());
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

/// What goes on in CONTINUE records is announced once, and nothing else is (HEASARC's convention for
/// long strings, which `fitsverify` asks for).
#[test]
fn long_strings_are_announced() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("p.fits");
    let announced = |cards: &[Card]| {
        let draft = Disk::default().draft(&path).unwrap();
        let writer = ImageWriter::begin(draft, 1, 1, vec![plane(Storage::F32, cards)]).unwrap();
        writer.rows(0, 0, Samples::F32(&[1.0])).unwrap();
        writer.finish(cards).unwrap();
        let source = open(&path).unwrap();
        let cards = source.header().cards().iter();
        cards.filter(|card| card.keyword == "LONGSTRN").count()
    };
    let text = |keyword: &str, text: &str| Card::new(keyword, Value::Text(text.to_owned()), "");
    let long = text("DLLONG", &"x".repeat(100));
    assert_eq!(announced(&[text("DLSHORT", "x")]), 0);
    assert_eq!(announced(std::slice::from_ref(&long)), 1);
    assert_eq!(announced(&[text("LONGSTRN", "OGIP 1.0"), long]), 1);
}

#[test]
fn planes_follow_as_extensions_with_sums_of_their_own() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("p.fits");
    let named = [Card::new("EXTNAME", Value::Text("DLMASK".to_owned()), "")];
    let draft = Disk::default().draft(&path).unwrap();
    let planes = vec![plane(Storage::F32, &[]), plane(Storage::U8, &named)];
    // Rows of seven bytes: most begin in the middle of a word.
    let writer = ImageWriter::begin(draft, 7, 5, planes).unwrap();
    let flags: Vec<u8> = (0..35).map(|n| n * 7).collect();
    for row in [3, 0, 4, 1, 2] {
        let bytes = &flags[7 * row..7 * row + 7];
        writer.rows(1, row, Samples::U8(bytes)).unwrap();
        writer.rows(0, row, Samples::F32(&[row as f32; 7])).unwrap();
    }
    let size = writer.finish(&[]).unwrap();
    assert_eq!(size, 4 * 2880);
    assert_eq!(checksums_hold(&path).unwrap(), Some(true));
    assert_eq!(pixels(&open(&path).unwrap())[7..9], [1.0, 1.0]);
    let mask = Source::open_plane(&path, "DLMASK").unwrap().unwrap();
    let mut back = [0; 35];
    mask.rows_u16(0, 5, &mut back).unwrap();
    assert!(back.iter().zip(&flags).all(|(a, b)| *a == u16::from(*b)));
    assert!(Source::open_plane(&path, "DLOTHER").unwrap().is_none());
    let mut bytes = fs::read(&path).unwrap();
    bytes[3 * 2880 + 20] ^= 1;
    let path = saved(&folder, "bad.fits", &bytes);
    assert_eq!(checksums_hold(&path).unwrap(), Some(false));
}

#[test]
fn a_writer_used_wrongly_publishes_nothing() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("p.fits");
    let begin = || {
        let draft = Disk::default().draft(&path).unwrap();
        ImageWriter::begin(draft, 3, 2, vec![plane(Storage::F32, &[])])
    };
    let zeros = |count| Samples::F32(&[0.0; 6][..count]);
    assert!(
        begin().unwrap().rows(0, 0, zeros(4)).is_err(),
        "no whole rows"
    );
    assert!(
        begin().unwrap().rows(0, 1, zeros(6)).is_err(),
        "beyond the last row"
    );
    let half = begin().unwrap();
    half.rows(0, 0, zeros(3)).unwrap();
    assert!(half.finish(&[]).is_err(), "a row is missing");
    let grown = begin().unwrap();
    grown.rows(0, 0, zeros(6)).unwrap();
    assert!(
        grown.finish(&vec![real("DLX", 1.0); 40]).is_err(),
        "the header outgrew its room"
    );
    let draft = Disk::default().draft(&path).unwrap();
    assert!(ImageWriter::begin(draft, 0, 2, vec![plane(Storage::F32, &[])]).is_err());
    let draft = Disk::default().draft(&path).unwrap();
    assert!(ImageWriter::begin(draft, 3, 2, vec![]).is_err());
    let bytes = begin().unwrap();
    assert!(
        bytes.rows(0, 0, Samples::U8(&[0; 6])).is_err(),
        "no such samples"
    );
    assert!(bytes.rows(1, 0, zeros(6)).is_err(), "no such plane");
    drop(bytes);
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

/// FITS Standard 4.0, section 4.4.2.4: blank records before END keep room in a header.
#[test]
fn room_that_cards_leave_is_blank() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("p.fits");
    let many = vec![real("DLX", 1.0); 80];
    let draft = Disk::default().draft(&path).unwrap();
    let planes = vec![plane(Storage::F32, &many)];
    let writer = ImageWriter::begin(draft, 3, 2, planes).unwrap();
    writer.rows(0, 0, Samples::F32(&[1.5; 6])).unwrap();
    writer.finish(&many[..1]).unwrap();
    assert_eq!(checksums_hold(&path).unwrap(), Some(true));
    let source = open(&path).unwrap();
    assert_eq!(source.header().number("DLX"), Some(1.0));
    assert_eq!(pixels(&source), [1.5; 6]);
}

#[test]
fn strips_are_read_from_several_threads() {
    let folder = TempDir::new().unwrap();
    let bytes: Vec<u8> = (0..250_u8).flat_map(|row| [row; 64]).collect();
    let source = open(&saved(
        &folder,
        "a.fits",
        &image(8, &[64, 250], &[], &bytes),
    ))
    .unwrap();
    std::thread::scope(|scope| {
        for first in [0, 1, 2] {
            let source = &source;
            scope.spawn(move || {
                let mut rows = [0; 128];
                for row in (first..249).step_by(3) {
                    source.rows_u16(row, 2, &mut rows).unwrap();
                    let expected = row as u16;
                    assert!(rows[..64].iter().all(|&sample| sample == expected));
                    assert!(rows[64..].iter().all(|&sample| sample == expected + 1));
                }
            });
        }
    });
}
