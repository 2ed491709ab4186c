//! Published files give their published contents.

use dawnledger::combine::{Stored, sample};
use dawnledger::facts::{Header, Refusal, Value};
use dawnledger::fits::{FitsError, checksums_hold, read_header};

use super::{data, open, pixels, range, refusal, sum};

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
    let mut as_stored = vec![Stored::default(); 300];
    source.rows_stored(97, 3, &mut as_stored).unwrap();
    assert!(as_stored.into_iter().map(sample).eq(rows));
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
    assert_eq!(header.number("KEY_PKYT"), Some(12_345_678.123_456_79));
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

#[test]
fn checksums_of_others() {
    let verdict = |name: &str| checksums_hold(&data(name)).unwrap();
    assert_eq!(verdict("checksum.fits"), Some(true));
    assert_eq!(verdict("checksum_false.fits"), Some(false));
    assert_eq!(verdict("m13_rice.fits"), Some(true));
    assert_eq!(verdict("memtest.fits"), Some(false));
    assert_eq!(verdict("scale.fits"), None);
}
