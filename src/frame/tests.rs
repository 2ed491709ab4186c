#![allow(clippy::unwrap_used, clippy::expect_used)]

mod refusals;
mod spellings;
mod supplied;

use std::path::Path;

use jiff::Timestamp;
use proptest::prelude::*;

use super::kind::{Word, word};
use super::value::{sky, whole};
use super::*;
use crate::config::parse_profile;
use crate::facts::{Camera, Card, Cfa, RowOrder};

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
fn an_overscan_is_no_part_of_the_image() {
    // Of 100 x 80 stored pixels; 23 columns before the image, 5 rows behind it.
    let overscan = "overscan: {columns: {first: 0, count: 23}, rows: {first: 75, count: 5}}\n";
    let trimmed = |list: &[(&str, Value)], more: &str| {
        let more = format!("{overscan}{more}");
        let frame = look_at(&light(list), "a.fits", &more);
        frame.map(|frame| (*frame.camera).clone())
    };
    let cfa = |camera: &Camera| camera.cfa.map(|cfa| cfa.to_string());
    let colour = |order: &str| [("BAYERPAT", t("RGGB")), ("ROWORDER", t(order))];
    // Column 23 is the pattern's second; row 0 is its first.
    let camera = trimmed(&colour("TOP-DOWN"), "").unwrap();
    assert_eq!((camera.width, camera.height), (77, 75));
    assert_eq!(
        (camera.origin, cfa(&camera)),
        ((23, 0), Some("GRBG".into()))
    );
    assert_eq!(camera.overscan.unwrap().stored, (100, 80));
    // From the bottom: stored row 0 is row 79 of the sensor, the pattern's second, and five rows
    // are missing above the image.
    let camera = trimmed(&colour("BOTTOM-UP"), "").unwrap();
    assert_eq!(
        (camera.origin, cfa(&camera)),
        ((23, 5), Some("BGGR".into()))
    );
    let camera = trimmed(&[], "cfa: RGGB\n").unwrap();
    assert_eq!(cfa(&camera).as_deref(), Some("GRBG"));
    let refused = |list: &[(&str, Value)]| trimmed(list, "").unwrap_err().to_string();
    assert_eq!(
        refused(&[("XBINNING", Value::Integer(2))]),
        "binning is 2x2: pixels of the profile's overscan and of the image would be in one"
    );
    assert_eq!(
        refused(&[("XORGSUBF", Value::Integer(2))]),
        "subframe origin is 2,0: the profile's overscan lies in whole readouts, want 0,0"
    );
    let beyond = "overscan: {columns: {first: 90, count: 11}}\n";
    let refusal = look_at(&light(&[]), "a.fits", beyond).unwrap_err();
    assert_eq!(
        refusal.to_string(),
        "size is 100x80: the profile's overscan does not lie in it beside an image"
    );
    let even = "overscan: {columns: {first: 0, count: 24}}\n";
    let binned = look_at(&light(&[("XBINNING", Value::Integer(2))]), "a.fits", even).unwrap();
    assert_eq!((binned.camera.width, binned.camera.origin), (88, (24, 0)));
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
    // The profile means to overrule, so that the others say otherwise is nothing odd.
    assert!(frame.remarks.is_empty(), "{:?}", frame.remarks);
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

/// The shipped profile that tells kinds apart by folder, on the layouts that it is meant for.
#[test]
fn the_shipped_folder_patterns_work() {
    let text = include_str!("../../config/profiles/colour-consumer.yaml");
    let rigs = [Arc::new(parse_profile(text, Path::new("p.yaml")).unwrap())];
    let header = light(&[("INSTRUME", t("Wheatear 11 b")), ("IMAGETYP", Value::None)]);
    for (path, kind) in [
        ("2026-09-05/Lights/1.fits", Kind::Light),
        ("flats/1.fits", Kind::Flat),
        ("a/b/DARKS/c/1.fits", Kind::Dark),
        ("bias/1.fits", Kind::Bias),
    ] {
        let path = RelPath::new(Path::new(path)).unwrap();
        let frame = recognise(&header, 10, 10, &path, &rigs).unwrap();
        assert_eq!((frame.kind, &*frame.rig), (kind, "meadow"), "{path}");
    }
    let path = RelPath::new(Path::new("darks.fits")).unwrap();
    let refusal = recognise(&header, 10, 10, &path, &rigs).unwrap_err();
    assert!(
        matches!(refusal, Refusal::Missing { what: "kind", .. }),
        "{refusal}"
    );
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
    for (value, gain) in [
        (t("ISO 1600"), 1600.0),
        (t("iso400"), 400.0),
        (t("120.5"), 120.5),
    ] {
        let frame = look(&[("ISOSPEED", value)]);
        assert_eq!(frame.camera.gain, Setting::new(gain));
    }
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
