//! Compressed files: the same pixels and facts as the plain ones.

use std::fs;
use std::path::{Path, PathBuf};

use dawnledger::facts::{Card, Refusal};
use dawnledger::fits::{Cut, FitsError, Source, Wrapped};
use fitsio::FitsFile;
use fitsio::images::{ImageDescription, ImageType, WriteImage};
use tempfile::TempDir;

use super::{data, gzip, open, pixels, refusal, saved, sum, unpacker};

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
fn published_compressed_images_decode() {
    let source = open(&data("compressed_image.fits")).unwrap();
    let expected: Vec<f32> = (0..100).map(|n| n as f32).collect();
    assert_eq!(pixels(&source), expected);

    let source = open(&data("double_ext.fits")).unwrap();
    assert!(source.is_u16());
    assert_eq!(pixels(&source), [0.0; 25]);

    let source = open(&data("m13_hcomp.fits")).unwrap();
    assert_eq!(pixels(&source), pixels(&open(&data("m13.fits")).unwrap()));

    // astropy 8.0.2 reads one undefined pixel, 0.248 to 143.006, sum 10283.4825.
    let source = open(&data("compressed_with_nan.fits")).unwrap();
    let values = pixels(&source);
    let (bad, good): (Vec<_>, Vec<f32>) = values.iter().partition(|value| value.is_nan());
    assert_eq!((bad.len(), good.len()), (1, 143));
    assert!((sum(&good) - 10_283.482_5).abs() < 1e-2, "{}", sum(&good));
}

#[test]
fn only_the_tiles_of_wanted_rows_are_decoded() {
    let path = data("m13_rice.fits");
    let whole = open(&path).unwrap();
    let folder = TempDir::new().unwrap();
    let wrapped = Wrapped::open(&path, &unpacker(&folder)).unwrap();
    assert_eq!(wrapped.header(), whole.header());
    assert_eq!(wrapped.size(), (whole.width(), whole.height()));
    let part = wrapped.unwrapped(vec![2..4, 101..150, 299..300], &unpacker(&folder));
    let part = part.unwrap();
    assert_eq!(part.header(), whole.header());
    let rows = |source: &Source, first, count| {
        let mut rows = vec![0.0; count * source.width()];
        source.rows_f32(first, count, &mut rows).map(|()| rows)
    };
    for (first, count) in [(2, 2), (101, 49), (120, 1), (299, 1)] {
        assert_eq!(
            rows(&part, first, count).unwrap(),
            rows(&whole, first, count).unwrap(),
            "{first}"
        );
    }
    for (first, count) in [(0, 1), (2, 3), (100, 2), (298, 2)] {
        let error = rows(&part, first, count).unwrap_err();
        assert!(matches!(error, FitsError::Io { .. }), "{first}: {error}");
    }
    // Of a plain file all is there, whatever was wanted.
    let plain = Wrapped::open(&data("m13.fits"), &unpacker(&folder)).unwrap();
    let plain = plain
        .unwrapped(vec![2..4, 6..7], &unpacker(&folder))
        .unwrap();
    assert_eq!(pixels(&plain), pixels(&whole));
}

/// A tile-compressed file as CFITSIO writes it; `how` is its name for the algorithm.
fn tiled<T: WriteImage>(
    folder: &TempDir,
    how: &str,
    kind: ImageType,
    width: usize,
    pixels: &[T],
) -> PathBuf {
    let path = folder.path().join(format!("{how}-{kind:?}.fits"));
    let name = format!("{}[compress {how}]", path.display());
    let description = ImageDescription {
        data_type: kind,
        dimensions: &[pixels.len() / width, width],
    };
    let mut file = FitsFile::create(Path::new(&name)).open().unwrap();
    let hdu = file.create_image("picture", &description).unwrap();
    hdu.write_key(&mut file, "FILTER", "Ha").unwrap();
    hdu.write_image(&mut file, pixels).unwrap();
    drop(file);
    path
}

#[test]
fn every_algorithm_keeps_stored_integers() {
    let folder = TempDir::new().unwrap();
    // Noise over the whole range, with both ends.
    let noise = |n: u32| n.wrapping_mul(2_654_435_761) >> 16;
    let unsigned: Vec<u16> = (0..37 * 23)
        .map(|n| noise(n) as u16)
        .chain([0, 65535])
        .take(37 * 23)
        .collect();
    let signed: Vec<i16> = unsigned
        .iter()
        .map(|&value| (value ^ 0x8000) as i16)
        .collect();
    let wide: Vec<i32> = unsigned
        .iter()
        .map(|&value| i32::from(value) * 100)
        .collect();
    for how in ["R", "G", "H"] {
        let source = open(&tiled(
            &folder,
            how,
            ImageType::UnsignedShort,
            37,
            &unsigned,
        ))
        .unwrap();
        assert!(source.is_u16(), "{how}");
        let mut back = vec![0; unsigned.len()];
        source.rows_u16(0, 23, &mut back).unwrap();
        assert!(back == unsigned, "{how}");
        assert_eq!(source.header().text("FILTER"), Some("Ha"), "{how}");

        let source = open(&tiled(&folder, how, ImageType::Short, 37, &signed)).unwrap();
        assert!(
            pixels(&source)
                .iter()
                .zip(&signed)
                .all(|(&a, &b)| a == f32::from(b)),
            "{how}"
        );

        let source = open(&tiled(&folder, how, ImageType::Long, 37, &wide)).unwrap();
        assert!(
            pixels(&source)
                .iter()
                .zip(&wide)
                .all(|(&a, &b)| a == b as f32),
            "{how}"
        );
    }
}

#[test]
fn a_damaged_tile_is_refused_with_the_decoder_s_status() {
    let folder = TempDir::new().unwrap();
    let mut bytes = fs::read(data("m13_rice.fits")).unwrap();
    // The first row of the table says how long its tile is: 2 GiB is no length.
    let ends: Vec<_> = (0..bytes.len())
        .step_by(80)
        .filter(|&at| bytes[at..].starts_with(b"END     "))
        .collect();
    let table = (ends[1] + 80).next_multiple_of(2880);
    bytes[table..table + 4].copy_from_slice(&[0x7f, 0xff, 0xff, 0xff]);
    match refusal(&saved(&folder, "a.fits", &bytes)) {
        Refusal::Unreadable(why) => assert!(why.contains("CFITSIO status"), "{why}"),
        other => panic!("{other:?}"),
    }
}

/// A tile without width makes the decoder divide by zero; if one day it does not, it still has to
/// refuse.
#[test]
fn a_decoder_that_dies_costs_one_file() {
    let folder = TempDir::new().unwrap();
    let mut bytes = fs::read(data("m13_rice.fits")).unwrap();
    let card = b"ZTILE1  =                  300";
    let at = bytes
        .windows(card.len())
        .position(|part| part == card)
        .unwrap();
    bytes[at..at + card.len()].copy_from_slice(b"ZTILE1  =                    0");
    let refusal = refusal(&saved(&folder, "a.fits", &bytes));
    assert!(
        matches!(refusal, Refusal::Unreadable(_) | Refusal::Poisoned(_)),
        "{refusal:?}"
    );
    assert!(open(&data("m13_rice.fits")).is_ok());
}
