//! One fact, many ways to write it.

use super::*;

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
