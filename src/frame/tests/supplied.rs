//! Headers of finished masters, as many programs write them.

use std::collections::BTreeMap;

use super::*;
use crate::facts::{SuppliedFile, Unstated};

fn read(
    kind: Kind,
    header: &[(&str, Value)],
    stated: &[(&str, &str)],
    more: &str,
) -> Result<SuppliedFacts, Refusal> {
    let stated = stated
        .iter()
        .map(|(fact, value)| ((*fact).to_owned(), (*value).to_owned()));
    let file = SuppliedFile {
        path: "/library/master.fits".into(),
        kind,
        stated: stated.collect::<BTreeMap<_, _>>(),
    };
    of_supplied(&cards(header), 100, 80, &file, &profile(more))
}

#[test]
fn what_refuses_a_frame_is_welcome_in_a_master() {
    let header = [
        ("IMAGETYP", t("Master Dark")),
        ("NCOMBINE", Value::Integer(25)),
        ("CALSTAT", t("B")),
        ("DLPRINT", t("0123")),
        ("INSTRUME", t("Petrel 26M")),
        ("EXPTIME", Value::Real(300.0)),
        ("CCD-TEMP", Value::Real(-9.8)),
        ("SET-TEMP", Value::Real(-10.0)),
        ("GAIN", Value::Integer(100)),
        ("XBINNING", Value::Integer(2)),
        ("FILTER", t("Ha")),
        ("ROTATOR", Value::Real(90.0)),
    ];
    let found = read(Kind::Dark, &header, &[], "").unwrap();
    assert_eq!(found.frames, Some(25));
    let facts = &found.facts;
    assert_eq!(
        (facts.kind, &*facts.rig, facts.exposure.get()),
        (Kind::Dark, "north-pier", 300.0)
    );
    assert_eq!(facts.temperature, Celsius::new(-10.0));
    assert_eq!(
        (&*facts.filter, facts.rotator, facts.first),
        ("none", None, None)
    );
    let camera = &facts.camera;
    assert_eq!(
        (camera.width, camera.height, camera.binning),
        (100, 80, (2, 2))
    );
    assert_eq!((camera.gain, camera.offset), (Setting::new(100.0), None));
    let unstated = Unstated {
        name: false,
        binning: false,
        origin: true,
    };
    assert_eq!(found.unstated, unstated);
    let flat = read(Kind::Flat, &header, &[], "").unwrap().facts;
    assert_eq!((&*flat.filter, flat.rotator), ("Ha", Degrees::new(90.0)));
}

#[test]
fn the_profile_s_word_is_heard_instead_of_the_header_s() {
    let header = [
        ("EXPTIME", Value::Real(7500.0)),
        ("SET-TEMP", Value::Real(-10.0)),
        ("XBINNING", Value::Integer(2)),
        ("INSTRUME", t("another name")),
    ];
    let stated = [
        ("exposure_s", "300"),
        ("temperature_c", "-15"),
        ("binning", "1x1"),
        ("camera", "Petrel 26M"),
    ];
    let facts = read(Kind::Dark, &header, &stated, "").unwrap().facts;
    assert_eq!(
        (facts.exposure.get(), facts.temperature),
        (300.0, Celsius::new(-15.0))
    );
    assert_eq!(
        (facts.camera.binning, &*facts.camera.name),
        ((1, 1), "Petrel 26M")
    );
    // Aliases hold, and a path pattern is no word about it.
    let more = "paths: [{match: '**', facts: {gain: 5}}]\n";
    let facts = read(Kind::Flat, &[], &[("filter", "H")], more)
        .unwrap()
        .facts;
    assert_eq!((&*facts.filter, facts.camera.gain), ("Ha", None));
}

#[test]
fn what_is_needed_and_absent_or_wrong_refuses_it() {
    let refused = |kind, header: &[(&str, Value)], stated: &[(&str, &str)]| {
        read(kind, header, stated, "").unwrap_err().to_string()
    };
    for kind in [Kind::Dark, Kind::FlatDark] {
        assert!(refused(kind, &[], &[]).starts_with("no exposure"));
    }
    let bare = read(Kind::Bias, &[], &[], "").unwrap();
    assert_eq!((bare.facts.exposure.get(), bare.frames), (0.0, None));
    assert_eq!(
        bare.unstated,
        Unstated {
            name: true,
            binning: true,
            origin: true
        }
    );
    assert!(read(Kind::Flat, &[], &[], "").is_ok());
    let other = refused(Kind::Bias, &[("INSTRUME", t("Dunlin"))], &[]);
    assert!(
        other.starts_with("INSTRUME is 'Dunlin': the profile's camera is Petrel 26M"),
        "{other}"
    );
    let binning = refused(Kind::Bias, &[], &[("binning", "x")]);
    assert!(binning.starts_with("binning is 'x': want"), "{binning}");
}

/// The profile's array is the frames' own; a header's is the master's.
#[test]
fn colour_filter_arrays_are_those_that_headers_state() {
    let cfa = |header: &[(&str, Value)], more: &str| {
        read(Kind::Bias, header, &[], more)
            .unwrap()
            .facts
            .camera
            .cfa
    };
    let stated = [("BAYERPAT", t("RGGB")), ("XBAYROFF", Value::Integer(1))];
    assert_eq!(cfa(&stated, ""), Cfa::parse("GRBG"));
    assert_eq!(cfa(&stated, "cfa: RGGB\n"), None);
    assert_eq!(cfa(&[], ""), None);
}
