#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;

use jiff::Timestamp;
use proptest::prelude::*;

use super::kind::{Word, word};
use super::value::{sky, whole};
use super::*;
use crate::config::parse_profile;
use crate::facts::{Card, Cfa, RowOrder};

const PROFILE: &str = "\
name: north-pier
camera: Petrel 26M
calibration:
  bias: {rule: required}
  dark: {rule: never}
  flat-dark: {rule: if-present}
  flat: {rule: required}
filters: {H: Ha, ' o ': OIII}
";

fn profile(more: &str) -> Arc<Profile> {
    let text = format!("{PROFILE}{more}");
    Arc::new(parse_profile(&text, Path::new("p.yaml")).unwrap_or_else(|e| panic!("{e}\n{text}")))
}

fn t(text: &str) -> Value {
    Value::Text(text.to_owned())
}

fn cards(list: &[(&str, Value)]) -> Header {
    Header::new(
        list.iter()
            .map(|(keyword, value)| Card::new(keyword, value.clone(), ""))
            .collect(),
    )
}

/// A sound light, with these cards in place of its own or beside them.
fn light(list: &[(&str, Value)]) -> Header {
    let mut all = vec![
        ("IMAGETYP", t("Light Frame")),
        ("INSTRUME", t("Petrel 26M")),
        ("EXPTIME", Value::Real(300.0)),
    ];
    for (keyword, value) in list {
        all.retain(|(other, _)| other != keyword);
        all.push((keyword, value.clone()));
    }
    all.retain(|(_, value)| *value != Value::None);
    cards(&all)
}

fn look_at(header: &Header, path: &str, more: &str) -> Result<Frame, Refusal> {
    let path = RelPath::new(Path::new(path)).unwrap();
    recognise(header, 100, 80, &path, &[profile(more)])
}

fn look(list: &[(&str, Value)]) -> Frame {
    look_at(&light(list), "a.fits", "").unwrap_or_else(|refusal| panic!("{list:?}: {refusal}"))
}

fn refused(list: &[(&str, Value)]) -> String {
    look_at(&light(list), "a.fits", "")
        .expect_err(&format!("{list:?}"))
        .to_string()
}

#[test]
fn a_full_header_gives_every_fact() {
    let frame = look(&[
        ("CCD-TEMP", Value::Real(-9.9)),
        ("SET-TEMP", Value::Integer(-10)),
        ("GAIN", Value::Integer(100)),
        ("OFFSET", Value::Integer(50)),
        ("READOUTM", t("High Gain ")),
        ("XBINNING", Value::Integer(2)),
        ("YBINNING", Value::Integer(2)),
        ("XORGSUBF", Value::Integer(10)),
        ("YORGSUBF", Value::Integer(20)),
        ("ROWORDER", t("TOP-DOWN")),
        ("FILTER", t("h")),
        ("TELESCOP", t("Tern 80")),
        ("FOCALLEN", Value::Real(480.0)),
        ("ROTATANG", Value::Real(-90.0)),
        ("OBJCTROT", Value::Real(725.5)),
        ("OBJECT", t("  NGC 7000 ")),
        ("DATE-OBS", t("2026-09-05T22:15:30.25")),
        ("RA", Value::Real(314.75)),
        ("DEC", Value::Real(44.37)),
        ("XPIXSZ", Value::Real(7.52)),
        ("EGAIN", Value::Real(0.25)),
    ]);
    assert_eq!(frame.kind, Kind::Light);
    assert_eq!(&*frame.rig, "north-pier");
    let camera = &frame.camera;
    assert_eq!(&*camera.name, "Petrel 26M");
    assert_eq!((camera.width, camera.height), (100, 80));
    assert_eq!(camera.binning, (2, 2));
    assert_eq!(camera.gain, Setting::new(100.0));
    assert_eq!(camera.offset, Setting::new(50.0));
    assert_eq!(camera.readout_mode.as_deref(), Some("High Gain"));
    assert_eq!(camera.row_order, RowOrder::TopDown);
    // The header counts binned pixels, the frame unbinned ones.
    assert_eq!(camera.origin, (20, 40));
    assert_eq!(camera.cfa, None);
    assert_eq!(&*frame.filter, "Ha");
    assert_eq!(frame.exposure.get(), 300.0);
    assert_eq!(frame.temperature, Celsius::new(-9.9));
    assert_eq!(frame.set_point, Celsius::new(-10.0));
    assert_eq!(frame.optics.telescope.as_deref(), Some("Tern 80"));
    assert_eq!(frame.optics.focal_length_mm, Setting::new(480.0));
    assert_eq!(frame.rotator, Degrees::new(270.0));
    assert_eq!(frame.sky_angle, Degrees::new(5.5));
    assert_eq!(frame.target.as_deref(), Some("NGC 7000"));
    let start: Timestamp = "2026-09-05T22:15:30.25Z".parse().unwrap();
    assert_eq!(frame.start, Some(start));
    let pointing = frame.pointing.unwrap();
    assert_eq!((pointing.ra.get(), pointing.dec.get()), (314.75, 44.37));
    assert_eq!(frame.pixel_um, Some(7.52));
    assert_eq!(frame.electrons_per_adu, Some(0.25));
    assert_eq!(frame.remarks, Vec::<String>::new());
}

#[test]
fn what_is_absent_stays_absent() {
    let frame = look(&[
        ("FILTER", t("  ")),
        ("OBJECT", t("")),
        ("FOCALLEN", Value::Integer(0)),
    ]);
    assert_eq!(frame.camera.gain, None);
    assert_eq!(frame.camera.offset, None);
    assert_eq!(frame.camera.readout_mode, None);
    assert_eq!(frame.camera.row_order, RowOrder::Unstated);
    assert_eq!(frame.camera.binning, (1, 1));
    assert_eq!(frame.temperature, None);
    assert_eq!(frame.set_point, None);
    assert_eq!(*frame.optics, Optics::default());
    assert_eq!(frame.rotator, None);
    assert_eq!(frame.sky_angle, None);
    assert_eq!(frame.target, None);
    assert_eq!(frame.start, None);
    assert_eq!(frame.pointing, None);
    assert_eq!(frame.pixel_um, None);
    assert_eq!(frame.electrons_per_adu, None);
    assert_eq!(&*frame.filter, "none");
    assert!(frame.remarks.is_empty());
}

#[test]
fn kinds_in_their_spellings() {
    for (kind, spellings) in [
        (
            Kind::Light,
            &[
                "LIGHT",
                "Light Frame",
                "light_frame",
                "Lights",
                "object",
                "SCIENCE",
                "LightFrame",
            ][..],
        ),
        (
            Kind::Flat,
            &[
                "FLAT",
                "Flat Field",
                "flatfield",
                "Flat Frame",
                "Sky Flat",
                "DOMEFLAT",
                "flat-field",
            ],
        ),
        (
            Kind::Dark,
            &["DARK", "Dark Frame", " dark ", "darks", "DARKFRAME"],
        ),
        (Kind::Bias, &["BIAS", "Bias Frame", "zero", "Offset Frame"]),
        (
            Kind::FlatDark,
            &[
                "DarkFlat",
                "Flat Dark",
                "FLATDARK",
                "flat-dark",
                "dark flat frame",
                "DARK_FLAT",
            ],
        ),
    ] {
        for spelling in spellings {
            assert_eq!(word(spelling), Word::Raw(kind), "{spelling}");
        }
    }
    for product in [
        "Master Dark",
        "MASTERFLAT",
        "master-bias",
        "Stacked Light",
        "Integration",
        "INTEGRATED",
        "calibrated",
        "Light Frame (calibrated)",
        "superbias",
    ] {
        assert_eq!(word(product), Word::Product, "{product}");
    }
    for unknown in ["", " ", "tricolour", "darkish", "focus", "???", "ﬂat"] {
        assert_eq!(word(unknown), Word::Unknown, "{unknown}");
    }
}

#[test]
fn each_fact_is_found_under_each_of_its_keywords() {
    for keyword in ["IMAGETYP", "imagetyp", "FRAME", "OBSTYPE", "IMGTYPE"] {
        let frame = look(&[("IMAGETYP", Value::None), (keyword, t("dark"))]);
        assert_eq!(frame.kind, Kind::Dark, "{keyword}");
    }
    for keyword in [
        "EXPTIME",
        "EXPOSURE",
        "exposure",
        "EXP_TIME",
        "Exposure Time",
    ] {
        let frame = look(&[("EXPTIME", Value::None), (keyword, Value::Integer(7))]);
        assert_eq!(frame.exposure.get(), 7.0, "{keyword}");
    }
    for keyword in ["CCD-TEMP", "CCDTEMP", "DET-TEMP", "TEMPERAT"] {
        let frame = look(&[(keyword, Value::Integer(-5))]);
        assert_eq!(frame.temperature, Celsius::new(-5.0), "{keyword}");
    }
    for keyword in ["OFFSET", "BLKLEVEL", "BLACKLEVEL"] {
        let frame = look(&[(keyword, t("30"))]);
        assert_eq!(frame.camera.offset, Setting::new(30.0), "{keyword}");
    }
    // No keyword stands for two facts.
    let mut all: Vec<&str> = FACTS
        .iter()
        .flat_map(|fact| fact.keywords)
        .copied()
        .collect();
    let count = all.len();
    all.sort_unstable();
    all.dedup();
    assert_eq!(all.len(), count);
}

#[test]
fn numbers_with_and_without_units() {
    for (value, seconds) in [
        (Value::Integer(300), 300.0),
        (t("300"), 300.0),
        (t("300 s"), 300.0),
        (t("300s"), 300.0),
        (t("  3.0E2 sec. "), 300.0),
        (t("+300.0 [s]"), 300.0),
        (t("5 min"), 300.0),
        (t("250 ms"), 0.25),
        (t("100 us"), 1e-4),
        (t(".5"), 0.5),
        (t("5."), 5.0),
    ] {
        assert_eq!(number(&value, Unit::Seconds), Some(seconds), "{value}");
    }
    for (value, celsius) in [
        (t("-10.0 C"), -10.0),
        (t("-10 °C"), -10.0),
        (t("-10 deg C"), -10.0),
        (t("273.15 K"), 0.0),
    ] {
        assert_eq!(number(&value, Unit::Celsius), Some(celsius), "{value}");
    }
    for value in [
        t("300 C"),
        t("1,5"),
        t("nan"),
        t("inf"),
        t("--3"),
        t("- 3"),
        t("3 4"),
        t("s"),
        t("."),
        t("1e999"),
        t("e5"),
        t("µ"),
        Value::Logical(true),
        Value::Real(f64::NAN),
        Value::Other("(1, 2)".to_owned()),
    ] {
        assert_eq!(number(&value, Unit::Seconds), None, "{value}");
    }
    assert_eq!(number(&t("-0"), Unit::Plain), Some(0.0));
    assert_eq!(whole(&Value::Real(2.0)), Some(2));
    assert_eq!(whole(&Value::Real(2.5)), None);
    assert_eq!(whole(&Value::Real(1e300)), None);
}

#[test]
fn angles_on_the_sky() {
    let close = |found: Option<f64>, wanted: f64| found.is_some_and(|x| (x - wanted).abs() < 1e-9);
    for (text, in_hours, wanted) in [
        ("05 35 17.3", true, 83.822_083_333_333_33),
        ("5:35:17.3", true, 83.822_083_333_333_33),
        ("05h35m17.3s", true, 83.822_083_333_333_33),
        ("20 59", true, 314.75),
        ("-05 23 28", false, -5.391_111_111_111_111),
        ("-00 30 00", false, -0.5),
        ("+44°22'12\"", false, 44.37),
        ("83.82", true, 83.82),
        ("12h", true, 180.0),
        ("83d49m12s", true, 83.82),
        ("44.37 deg", false, 44.37),
    ] {
        assert!(
            close(sky(&t(text), in_hours), wanted),
            "{text}: {:?}",
            sky(&t(text), in_hours)
        );
    }
    for text in [
        "", "a b c", "1 2 3 4", "05 60 00", "1 -2 3", "1e2 3 4", "nan 1 2", ":", "1..2 3",
    ] {
        assert_eq!(sky(&t(text), true), None, "{text}");
    }
    let frame = look(&[("OBJCTRA", t("20 59 00")), ("OBJCTDEC", t("+44 22 12"))]);
    let pointing = frame.pointing.unwrap();
    assert_eq!(pointing.ra.get(), 314.75);
    assert!((pointing.dec.get() - 44.37).abs() < 1e-9);
    // RA is not paired with OBJCTDEC, and half a position is none.
    assert_eq!(
        look(&[("RA", Value::Real(1.0)), ("OBJCTDEC", t("+44 22 12"))]).pointing,
        None
    );
    let frame = look(&[("RA", Value::Real(1.0)), ("DEC", Value::Real(95.0))]);
    assert_eq!(frame.pointing, None);
    assert_eq!(frame.remarks, ["DEC is 95: not a declination, ignored"]);
}

#[test]
fn start_times() {
    for (date, time, wanted) in [
        ("2026-09-05T22:15:30", None, Some("2026-09-05T22:15:30Z")),
        (
            "2026-09-05T22:15:30.123456789123",
            None,
            Some("2026-09-05T22:15:30.123456789Z"),
        ),
        ("2026-09-05T22:15:30Z", None, Some("2026-09-05T22:15:30Z")),
        (
            "2026-09-05T22:15:30.5+01:00",
            None,
            Some("2026-09-05T21:15:30.5Z"),
        ),
        ("2026-09-05 22:15:30", None, Some("2026-09-05T22:15:30Z")),
        ("2026-09-05T22:15", None, Some("2026-09-05T22:15:00Z")),
        (
            "2016-12-31T23:59:60",
            None,
            Some("2016-12-31T23:59:59.999999999Z"),
        ),
        (
            "2026-09-05",
            Some("22:15:30.5"),
            Some("2026-09-05T22:15:30.5Z"),
        ),
        (
            "2026-09-05",
            Some("22:15:30Z"),
            Some("2026-09-05T22:15:30Z"),
        ),
        ("26/10/92", Some("03:04:09"), Some("1992-10-26T03:04:09Z")),
        (
            "2026-09-05T22:15:30",
            Some("01:01:01"),
            Some("2026-09-05T22:15:30Z"),
        ),
        ("2026-09-05", None, None),
        ("26/10/92", None, None),
        ("26/10/2026", Some("03:04:09"), None),
        ("2026-02-30T00:00:00", None, None),
        ("2026-09-05T", None, None),
        ("2026-09-05T24:00:00", None, None),
        ("2026-09-05T22:15:3x", None, None),
        ("2026-09-05T22:15:30.1.2", None, None),
        ("20260905T221530", None, None),
        ("yesterday", None, None),
        ("9999-12-31T23:59:59", None, None),
    ] {
        let mut list = vec![("DATE-OBS", t(date))];
        list.extend(time.map(|time| ("TIME-OBS", t(time))));
        let frame = look(&list);
        let wanted: Option<Timestamp> = wanted.map(|text| text.parse().unwrap());
        assert_eq!(frame.start, wanted, "{date} {time:?}");
        assert_eq!(
            frame.remarks.len(),
            usize::from(wanted.is_none()),
            "{date} {time:?}"
        );
    }
    let local = look(&[
        ("DATE-OBS", t("2026-09-05T22:15:30")),
        ("TIMESYS", t("TAI")),
    ]);
    assert_eq!(local.start, None);
    assert_eq!(
        local.remarks,
        ["TIMESYS is 'TAI': start times are understood in UTC only, ignored"]
    );
    let day = look(&[("DATE-OBS", t("2026-09-05"))]);
    assert_eq!(
        day.remarks,
        ["DATE-OBS is '2026-09-05': a date without a time of day, ignored"]
    );
}

#[test]
fn colour_filter_arrays_as_they_lie_over_stored_pixels() {
    let word = |list: &[(&str, Value)], height: u32| {
        let mut all = vec![("BAYERPAT", t("RGGB"))];
        all.extend(list.iter().cloned());
        let path = RelPath::new(Path::new("a.fits")).unwrap();
        recognise(&light(&all), 100, height, &path, &[profile("")])
            .unwrap()
            .camera
            .cfa
            .unwrap()
            .to_string()
    };
    let one = || Value::Integer(1);
    assert_eq!(word(&[], 80), "RGGB");
    assert_eq!(word(&[("ROWORDER", t("TOP-DOWN"))], 80), "RGGB");
    // Turning over an even number of rows: RGGB <-> GBRG; an odd number changes nothing.
    assert_eq!(word(&[("ROWORDER", t("BOTTOM-UP"))], 80), "GBRG");
    assert_eq!(word(&[("ROWORDER", t("bottom-up"))], 81), "RGGB");
    // A crop at an odd row: RGGB <-> GBRG; at an odd column: RGGB <-> GRBG.
    assert_eq!(word(&[("YORGSUBF", one())], 80), "GBRG");
    assert_eq!(word(&[("XORGSUBF", one())], 80), "GRBG");
    assert_eq!(word(&[("YBAYROFF", one())], 80), "GBRG");
    assert_eq!(word(&[("XBAYROFF", one())], 80), "GRBG");
    assert_eq!(
        word(&[("XBAYROFF", one()), ("YBAYROFF", one())], 80),
        "BGGR"
    );
    assert_eq!(
        word(&[("XBAYROFF", one()), ("XORGSUBF", one())], 80),
        "RGGB"
    );
    assert_eq!(word(&[("XBAYROFF", Value::Integer(-1))], 80), "GRBG");
    assert_eq!(
        word(&[("ROWORDER", t("BOTTOM-UP")), ("YORGSUBF", one())], 80),
        "RGGB"
    );

    let cfa = |list: &[(&str, Value)], more: &str| {
        look_at(&light(list), "a.fits", more).map(|frame| frame.camera.cfa)
    };
    assert_eq!(
        cfa(&[("COLORTYP", t("gbrg "))], "").unwrap(),
        Cfa::parse("GBRG")
    );
    assert_eq!(cfa(&[("BAYERPAT", t("NONE"))], "").unwrap(), None);
    assert_eq!(cfa(&[("BAYERPAT", t(" "))], "").unwrap(), None);
    assert_eq!(cfa(&[("BAYERPAT", t("CMYG"))], "cfa: mono").unwrap(), None);
    // What the profile states lies over the stored pixels already.
    let stated = cfa(
        &[("XORGSUBF", one()), ("ROWORDER", t("BOTTOM-UP"))],
        "cfa: BGGR",
    );
    assert_eq!(stated.unwrap(), Cfa::parse("BGGR"));
    assert_eq!(
        cfa(&[("BAYERPAT", t("CMYG"))], "").unwrap_err().to_string(),
        "BAYERPAT is 'CMYG': want RGGB, BGGR, GRBG or GBRG, or NONE for a monochrome sensor; \
         `cfa` in the profile overrides the header"
    );
}

#[test]
fn refusals_name_the_keyword_and_what_it_holds() {
    for (list, wanted) in [
        (
            vec![("IMAGETYP", t("focus"))],
            "IMAGETYP is 'focus': not a known kind; want light, flat, dark, bias or flat-dark, or \
             an entry under `kinds` in the profile",
        ),
        (
            vec![("IMAGETYP", Value::None)],
            "no kind: none of IMAGETYP, IMAGETYPE, IMGTYPE, FRAMETYP, FRAME, OBSTYPE is in the header",
        ),
        (
            vec![("INSTRUME", Value::None)],
            "no camera name: none of INSTRUME, CAMERA, DETNAM is in the header",
        ),
        (
            vec![("INSTRUME", t("Knot 1"))],
            "no profile names the camera \"Knot 1\": add `camera: \"Knot 1\"` to the profile of its rig",
        ),
        (
            vec![("EXPTIME", Value::None)],
            "no exposure: none of EXPTIME, EXPOSURE, EXP_TIME, EXPOSURE TIME, XPOSURE is in the header",
        ),
        (
            vec![("EXPTIME", Value::Real(-1.0))],
            "EXPTIME is -1: want an exposure from 0 to 86400 seconds",
        ),
        (
            vec![("EXPTIME", Value::Real(f64::NAN))],
            "EXPTIME is NaN: want an exposure in seconds",
        ),
        (
            vec![("EXPTIME", Value::Real(1e9))],
            "EXPTIME is 1000000000: want an exposure from 0 to 86400 seconds",
        ),
        (
            vec![("EXPTIME", t("long"))],
            "EXPTIME is 'long': want an exposure in seconds",
        ),
        (
            vec![("EXPTIME", Value::Integer(0))],
            "EXPTIME is 0: a light is longer than 0 seconds; only a bias is not",
        ),
        (
            vec![("IMAGETYP", t("Master Dark"))],
            "already processed: IMAGETYP is 'Master Dark'",
        ),
        (
            vec![("CALSTAT", t("BDF"))],
            "already processed: CALSTAT is 'BDF'",
        ),
        (
            vec![("NCOMBINE", Value::Integer(12))],
            "already processed: NCOMBINE is 12",
        ),
        (
            vec![("SNAPSHOT", t("3"))],
            "already processed: SNAPSHOT is '3'",
        ),
        (
            vec![("STACKCNT", Value::Real(2.0))],
            "already processed: STACKCNT is 2",
        ),
        (
            vec![("DEBAYER", Value::Logical(true))],
            "already processed: DEBAYER is T",
        ),
        (
            vec![("NAXIS3", Value::Integer(3))],
            "already processed: NAXIS3 is 3",
        ),
        (
            vec![("DLPRINT", t("0123"))],
            "already processed: DLPRINT is '0123'",
        ),
        (vec![("GAIN", t("High"))], "GAIN is 'High': want a number"),
        (
            vec![("OFFSET", Value::Real(f64::INFINITY))],
            "OFFSET is inf: want a number",
        ),
        (
            vec![("XBINNING", Value::Integer(0))],
            "XBINNING is 0: want whole numbers from 1 to 64",
        ),
        (vec![("BINNING", t("2x"))], ""),
        (
            vec![("BINNING", t("two"))],
            "BINNING is 'two': want whole numbers from 1 to 64",
        ),
        (
            vec![("BINNING", t("1x2x3"))],
            "BINNING is '1x2x3': want one or two whole numbers, such as 2x2",
        ),
        (
            vec![("ROWORDER", t("sideways"))],
            "ROWORDER is 'sideways': want TOP-DOWN or BOTTOM-UP",
        ),
        (
            vec![("XORGSUBF", Value::Integer(-3))],
            "XORGSUBF is -3: want a whole number from 0 to 1048576",
        ),
    ] {
        if wanted.is_empty() {
            look(&list);
        } else {
            assert_eq!(refused(&list), wanted);
        }
    }
}

#[test]
fn harmless_headers_are_not_taken_for_products() {
    for list in [
        vec![("CALSTAT", t(" "))],
        vec![("NCOMBINE", Value::Integer(1))],
        vec![("SNAPSHOT", Value::Integer(0))],
        vec![("DEBAYER", Value::Logical(false))],
        vec![("NAXIS3", Value::Integer(1))],
        vec![("BITPIX", Value::Integer(-32))],
        vec![("DLOSS", Value::Integer(3))],
        vec![("PEDESTAL", Value::Integer(100))],
    ] {
        look(&list);
    }
    let mut all = light(&[]).cards().to_vec();
    all.push(Card::new(
        "HISTORY",
        Value::None,
        "stacked, calibrated, master",
    ));
    look_at(&Header::new(all), "a.fits", "").unwrap();
}

#[test]
fn a_bias_may_leave_out_its_exposure_and_has_no_filter() {
    let bias = look(&[
        ("IMAGETYP", t("Bias")),
        ("EXPTIME", Value::None),
        ("FILTER", t("H")),
    ]);
    assert_eq!(bias.exposure.get(), 0.0);
    assert_eq!(&*bias.filter, "none");
    let bias = look(&[("IMAGETYP", t("Bias")), ("EXPTIME", Value::Integer(0))]);
    assert_eq!(bias.exposure.get(), 0.0);
    for kind in ["Dark", "Flat Dark"] {
        let frame = look(&[("IMAGETYP", t(kind)), ("FILTER", t("H"))]);
        assert_eq!(&*frame.filter, "none", "{kind}");
        refused(&[("IMAGETYP", t(kind)), ("EXPTIME", Value::Integer(0))]);
    }
}

#[test]
fn filters_are_physical() {
    for (said, wanted) in [
        (t("H"), "Ha"),
        (t(" h "), "Ha"),
        (t("HA"), "Ha"),
        (t("O"), "OIII"),
        (t("Red"), "Red"),
        (t("None"), "none"),
        (t("No Filter"), "none"),
        (t("Clear"), "Clear"),
        (Value::Integer(3), "3"),
    ] {
        assert_eq!(&*look(&[("FILTER", said.clone())]).filter, wanted, "{said}");
    }
}

#[test]
fn odd_but_usable_leaves_a_remark() {
    let frame = look(&[
        ("CCD-TEMP", t("cold")),
        ("SET-TEMP", Value::Integer(999)),
        ("XPIXSZ", Value::Real(-1.0)),
    ]);
    assert_eq!(frame.temperature, None);
    assert_eq!(
        frame.remarks,
        [
            "CCD-TEMP is 'cold': not a temperature of a sensor in Celsius, ignored",
            "SET-TEMP is 999: not a temperature of a sensor in Celsius, ignored",
            "XPIXSZ is -1: not a positive length, ignored",
        ]
    );
    // The rotator's name does not hide its angle.
    let frame = look(&[("ROTATOR", t("Whimbrel")), ("ROTATANG", t("93.5 deg"))]);
    assert_eq!(frame.rotator, Degrees::new(93.5));
    assert!(frame.remarks.is_empty());
    let frame = look(&[("IMAGETYP", t("Flat")), ("FRAME", t("Light"))]);
    assert_eq!(frame.kind, Kind::Flat);
    assert_eq!(
        frame.remarks,
        ["IMAGETYP says flat, FRAME says light: the first is believed"]
    );
    let frame = look(&[("ROTATOR", Value::Real(-1e-20))]);
    assert_eq!(frame.rotator, Degrees::new(0.0));
}

#[test]
fn binning_in_its_spellings() {
    for (list, wanted) in [
        (vec![("XBINNING", t("3"))], (3, 3)),
        (vec![("YBINNING", Value::Real(2.0))], (2, 2)),
        (
            vec![
                ("XBINNING", Value::Integer(1)),
                ("YBINNING", Value::Integer(4)),
            ],
            (1, 4),
        ),
        (vec![("BINNING", t("2x3"))], (2, 3)),
        (vec![("CCDSUM", t("2 2"))], (2, 2)),
        (vec![("BINNING", Value::Integer(4))], (4, 4)),
        (
            vec![("XBINNING", Value::Integer(1)), ("CCDSUM", t("2 2"))],
            (1, 1),
        ),
    ] {
        assert_eq!(look(&list).camera.binning, wanted, "{list:?}");
    }
    let own = "keywords: {binning: CAMBIN}\n";
    let header = light(&[("XBINNING", Value::Integer(1)), ("CAMBIN", t("2x2"))]);
    assert_eq!(
        look_at(&header, "a.fits", own).unwrap().camera.binning,
        (2, 2)
    );
}

#[test]
fn a_profile_adds_keywords_aliases_and_paths() {
    let more = "\
keywords: {exposure_s: HIERARCH cam exp, temperature_c: CHIPT, kind: OBJECT, camera: CAMID}
kinds: {wizard darks: flat-dark, OFF: dark}
paths:
  - {match: 'darks/*/**', facts: {kind: dark, filter: ignored, gain: '100', target: nothing}}
  - {match: '*_Ha_*', facts: {filter: H, exposure_s: 60 s}}
";
    let header = light(&[
        ("CAM EXP", Value::Integer(5)),
        ("CHIPT", Value::Integer(-3)),
        ("CCD-TEMP", Value::Integer(-4)),
        ("OBJECT", t("WIZARD Darks")),
        ("CAMID", t("Petrel 26M")),
        ("INSTRUME", t("driver 4")),
    ]);
    let frame = look_at(&header, "a.fits", more).unwrap();
    assert_eq!(frame.kind, Kind::FlatDark);
    assert_eq!(frame.exposure.get(), 5.0);
    assert_eq!(frame.temperature, Celsius::new(-3.0));
    // A target's name in the same keyword is no kind, so the next keyword is asked.
    let frame = look_at(&light(&[("OBJECT", t("NGC 7000"))]), "a.fits", more).unwrap();
    assert_eq!(frame.kind, Kind::Light);

    let silent = |keyword| light(&[(keyword, Value::None)]);
    let frame = look_at(&silent("IMAGETYP"), "Darks/2026/x.fits", more).unwrap();
    assert_eq!(frame.kind, Kind::Dark);
    assert_eq!(frame.camera.gain, Setting::new(100.0));
    assert!(look_at(&silent("IMAGETYP"), "darks/x.fits", more).is_err());
    // The header's word stands where it says something.
    let frame = look_at(&light(&[]), "darks/2026/x.fits", more).unwrap();
    assert_eq!(frame.kind, Kind::Light);
    let frame = look_at(&silent("EXPTIME"), "deep/down/m_Ha_1.fits", more).unwrap();
    assert_eq!(frame.exposure.get(), 60.0);
    assert_eq!(&*frame.filter, "Ha");
    // Blank is silent.
    let frame = look_at(&light(&[("FILTER", t(" "))]), "m_Ha_1.fits", more).unwrap();
    assert_eq!(&*frame.filter, "Ha");
    // A bad value in a pattern is named as such.
    let bad = "paths: [{match: '*', facts: {exposure_s: long}}]\n";
    assert_eq!(
        look_at(&silent("EXPTIME"), "x.fits", bad)
            .unwrap_err()
            .to_string(),
        "path fact exposure_s is 'long': want an exposure in seconds"
    );
    let camera = "paths: [{match: '*', facts: {camera: Petrel 26M}}]\n";
    assert!(look_at(&silent("INSTRUME"), "x.fits", camera).is_ok());
}

#[test]
fn gain_is_a_setting_or_electrons() {
    let more = "gain_keyword: electrons-per-adu\n";
    let header = light(&[
        ("GAIN", Value::Real(0.8)),
        ("ISOSPEED", Value::Integer(800)),
    ]);
    let frame = look_at(&header, "a.fits", more).unwrap();
    assert_eq!(frame.camera.gain, Setting::new(800.0));
    assert_eq!(frame.electrons_per_adu, Some(0.8));
    let frame = look_at(&header, "a.fits", "").unwrap();
    assert_eq!(frame.camera.gain, Setting::new(0.8));
    assert_eq!(frame.electrons_per_adu, None);
}

#[test]
fn the_first_profile_that_fits_is_taken() {
    let rig = |name: &str, camera: &str, telescope: Option<&str>| {
        let mut profile = (*profile("")).clone();
        profile.name = name.to_owned();
        profile.cameras = vec![camera.to_owned()];
        profile.telescope = telescope.map(str::to_owned);
        Arc::new(profile)
    };
    let rigs = [
        rig("one", "petrel ??m", Some("tern*")),
        rig("two", "Petrel 26M", Some("Gannet")),
        rig("three", "*[24C]", None),
    ];
    let path = RelPath::new(Path::new("a.fits")).unwrap();
    let chosen = |list: &[(&str, Value)]| {
        recognise(&light(list), 10, 10, &path, &rigs).map(|frame| frame.rig.to_string())
    };
    assert_eq!(chosen(&[("TELESCOP", t("Tern 80"))]).unwrap(), "one");
    assert_eq!(chosen(&[("TELESCOP", t(" GANNET "))]).unwrap(), "two");
    assert_eq!(chosen(&[("INSTRUME", t("Dunlin [24C]"))]).unwrap(), "three");
    assert_eq!(
        chosen(&[("TELESCOP", t("Skua"))]).unwrap_err().to_string(),
        "TELESCOP is 'Skua': the profile \"one\" of this camera wants a telescope like \"tern*\""
    );
    assert_eq!(
        chosen(&[]).unwrap_err().to_string(),
        "TELESCOP is absent: the profile \"one\" of this camera wants a telescope like \"tern*\""
    );
    assert_eq!(
        chosen(&[("INSTRUME", t("Dunlin 2"))]).unwrap_err(),
        Refusal::UnknownCamera {
            camera: "Dunlin 2".to_owned()
        }
    );
}

#[test]
fn names_and_globs() {
    for (pattern, name, fits) in [
        ("Petrel 26M", "petrel 26m ", true),
        ("Petrel*", "Petrel", true),
        ("*26*", "Petrel 26M", true),
        ("P?trel 26M", "Petrel 26M", true),
        ("P?trel", "Ptrel", false),
        ("Petrel", "Petrel 26M", false),
        ("[ab]*", "a", false),
        ("[ab]*", "[AB] 1", true),
        ("*a*a*b", "aaaaaaaaaaaaaaaab", true),
        ("*a*a*b", "aaaaaaaaaaaaaaaac", false),
        ("", "", true),
        ("*", "", true),
        ("Ä*", "ärger", true),
    ] {
        assert_eq!(name_matches(pattern, name), fits, "{pattern:?} {name:?}");
    }
    for (pattern, path, fits) in [
        ("*.tmp", "a/b/x.TMP", true),
        ("x?.fits", "x1.fits", true),
        ("a/*.fits", "a/x.fits", true),
        ("a/*.fits", "a/b/x.fits", false),
        ("a/**", "a/b/x.fits", true),
        ("a/**", "b/a/x.fits", false),
        ("**/a/**", "b/a/x.fits", true),
        ("**/{a,b}/**", "b/x.fits", true),
    ] {
        let glob = path_glob(pattern).unwrap();
        assert_eq!(glob.is_match(path), fits, "{pattern:?} {path:?}");
    }
    for pattern in ["", "a[", "{a", "/a"] {
        assert!(path_glob(pattern).is_err(), "{pattern:?}");
    }
}

#[test]
fn a_name_that_is_not_text_can_match_a_pattern() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let path = RelPath::new(Path::new(OsStr::from_bytes(b"darks/\xff\n\xfe.fits"))).unwrap();
    let rigs = [profile(
        "paths: [{match: 'darks/*', facts: {kind: dark}}]\n",
    )];
    let header = light(&[("IMAGETYP", Value::None)]);
    let frame = recognise(&header, 10, 10, &path, &rigs).unwrap();
    assert_eq!(frame.kind, Kind::Dark);
}

#[test]
fn long_and_unprintable_values_are_shown_short() {
    let text = refused(&[("IMAGETYP", t(&"x\n".repeat(500)))]);
    assert!(text.chars().count() < 220, "{text}");
    assert!(!text.contains('\n'), "{text}");
}

fn any_value() -> impl Strategy<Value = Value> {
    prop_oneof![
        ".{0,20}".prop_map(Value::Text),
        "[-+0-9:.TZ/ a-zµ°'x]{0,16}".prop_map(Value::Text),
        any::<bool>().prop_map(Value::Logical),
        any::<i64>().prop_map(Value::Integer),
        any::<f64>().prop_map(Value::Real),
        ".{0,10}".prop_map(Value::Other),
        Just(Value::None),
    ]
}

proptest! {
    #[test]
    fn any_header_is_recognised_or_refused(
        list in prop::collection::vec((0usize..100, any_value()), 0..12),
        width in any::<u32>(),
        height in any::<u32>(),
        name in "[a-z/*\\[\\\\]{0,12}",
    ) {
        let keywords: Vec<&str> = FACTS
            .iter()
            .flat_map(|fact| fact.keywords)
            .copied()
            .chain(["TIMESYS", "CALSTAT", "NCOMBINE", "NAXIS3", "XYZZY"])
            .collect();
        let stray: Vec<(&str, Value)> = list
            .iter()
            .map(|(index, value)| (keywords[index % keywords.len()], value.clone()))
            .collect();
        let path = RelPath::new(Path::new(&name))
            .unwrap_or_else(|| RelPath::new(Path::new("a.fits")).unwrap());
        let rigs = [profile("paths: [{match: '**', facts: {start_utc: a, ra: b, cfa_x: '7'}}]\n")];
        for header in [cards(&stray), light(&stray)] {
            let first = recognise(&header, width, height, &path, &rigs);
            if let Ok(frame) = &first {
                prop_assert!(frame.exposure.get() >= 0.0);
                let angles = frame.rotator.iter().chain(&frame.sky_angle);
                for angle in angles {
                    prop_assert!((0.0..360.0).contains(&angle.get()));
                }
                prop_assert!(!frame.filter.trim().is_empty());
            }
            prop_assert_eq!(first, recognise(&header, width, height, &path, &rigs));
        }
    }

    #[test]
    fn any_text_is_a_number_a_date_a_place_or_nothing(text in ".*", dry in "[-+0-9:.TZ/ ]{0,24}") {
        for text in [text, dry] {
            let _ = time::read(&text);
            let _ = sky(&t(&text), true);
            let _ = number(&t(&text), Unit::Seconds);
            let _ = word(&text);
            let _ = name_matches(&text, &text);
        }
    }

    #[test]
    fn a_written_number_is_read_back(number_in in -1e6f64..1e6) {
        let text = format!("{number_in} C");
        prop_assert_eq!(number(&t(&text), Unit::Celsius), Some(number_in));
    }
}
