//! Masters that the user has already, against masters that the program makes of the same frames.

use std::fs;
use std::path::{Path, PathBuf};

use dawnledger::facts::{Card, Kind, SessionLog, Value};
use dawnledger::fits::{ImageWriter, Plane, Samples, Storage, read_header};
use dawnledger::publish::Disk;

use crate::demo::pixels;
use crate::observatory::{Observatory, files, said, stamps};
use crate::{NIGHT, SOUTH};

const EVENING: &str = "2026-09-05";
const SIZE: (usize, usize) = (96, 64);

/// The rig with these entries of `supplied`.
fn profile(entries: &[&str]) -> String {
    format!("{SOUTH}supplied:\n  - {}\n", entries.join("\n  - "))
}

const DARK: &str = "{file: library/dark.fits, kind: dark}";
const FLAT: &str = "{file: library/flat.fits, kind: flat}";

/// The south pier's frames, of these kinds only.
fn shoot(here: &Observatory, wanted: &[&str]) {
    here.shoot(NIGHT);
    for path in files(&here.incoming()) {
        let header = read_header(&path).unwrap();
        let south = header.text("INSTRUME").unwrap().starts_with("Dunlin");
        let kind = header.text("IMAGETYP").unwrap().to_lowercase();
        if !south || !wanted.iter().any(|wanted| kind.starts_with(wanted)) {
            fs::remove_file(path).unwrap();
        }
    }
    fs::create_dir_all(here.path("library")).unwrap();
}

/// The rig that makes its own masters.
fn donor() -> (Observatory, SessionLog) {
    let here = Observatory::new(&[("south", SOUTH)], "");
    shoot(&here, &["light", "dark", "flat", "bias"]);
    here.once();
    let log = here.session(EVENING);
    (here, log)
}

fn master(donor: &(Observatory, SessionLog), kind: Kind) -> PathBuf {
    let found = donor.1.masters.iter().find(|master| master.kind == kind);
    donor.0.products().join(&found.unwrap().product)
}

/// A rig of lights alone with these masters.
fn observatory(entries: &[&str], masters: &[(&str, PathBuf)]) -> Observatory {
    let here = Observatory::new(&[("south", &profile(entries))], "");
    shoot(&here, &["light"]);
    for (name, path) in masters {
        fs::copy(path, here.path("library").join(name)).unwrap();
    }
    here
}

/// A plain file as another program might write it.
fn write(path: &Path, (width, height): (usize, usize), values: &[f32], cards: &[(&str, Value)]) {
    let card = |(keyword, value): &(&str, Value)| Card::new(keyword, value.clone(), "");
    let cards: Vec<Card> = cards.iter().map(card).collect();
    let _ = fs::remove_file(path);
    let planes = vec![Plane {
        height: None,
        storage: Storage::F32,
        cards: cards.clone(),
    }];
    let draft = Disk::default().draft(path).unwrap();
    let writer = ImageWriter::begin(draft, width, height, planes).unwrap();
    writer.rows(0, 0, Samples::F32(values)).unwrap();
    writer.finish(&cards).unwrap();
}

fn lights(log: &SessionLog, here: &Observatory) -> Vec<Vec<f32>> {
    let product = |light: &dawnledger::facts::LightEntry| {
        assert_eq!((light.state.as_str(), &light.reason), ("calibrated", &None));
        pixels(&here.products().join(light.product.as_ref().unwrap()))
    };
    log.lights.iter().map(product).collect()
}

fn assert_near(found: &[Vec<f32>], wanted: &[Vec<f32>], within: f32) {
    assert_eq!(found.len(), wanted.len());
    for (found, wanted) in found.iter().flatten().zip(wanted.iter().flatten()) {
        assert!(
            (found - wanted).abs() <= within * wanted.abs().max(1.0),
            "{found} {wanted}"
        );
    }
}

#[test]
fn a_night_is_calibrated_with_supplied_masters_alone() {
    let donor = donor();
    let masters = [
        ("dark.fits", master(&donor, Kind::Dark)),
        ("flat.fits", master(&donor, Kind::Flat)),
    ];
    let here = observatory(&[DARK, FLAT], &masters);
    here.once();
    let log = here.session(EVENING);
    // A flat's mean is brought to 1 once more, which moves the last digit.
    assert_near(&lights(&log, &here), &lights(&donor.1, &donor.0), 1e-6);
    assert_eq!(log.to_shoot, []);
    assert_eq!(log.warnings, Vec::<String>::new());
    let library = here.path("library");
    let named = |name: &str| Some(library.join(name).display().to_string());
    for light in &log.lights {
        assert_eq!(light.masters.dark, named("dark.fits"));
        assert_eq!(light.masters.flat, named("flat.fits"));
    }
    let methods: Vec<_> = log
        .masters
        .iter()
        .map(|m| (m.kind, m.method.as_str(), m.frames_used))
        .collect();
    assert_eq!(
        methods,
        [
            (Kind::Dark, "supplied", Some(6)),
            (Kind::Flat, "supplied", Some(6))
        ]
    );

    // Nothing is left to do, and the catalogue may be lost.
    let before = stamps(&here.products());
    fs::remove_dir_all(here.path("state")).unwrap();
    assert!(here.once().contains("made 0 products"));
    assert_eq!(stamps(&here.products()), before);

    // Where the files lie does not show in products: not even their name.
    let elsewhere = observatory(
        &[
            "{file: other/d.fits, kind: dark}",
            "{file: ./library/../library/f.fits, kind: flat}",
        ],
        &[("f.fits", masters[1].1.clone())],
    );
    fs::create_dir(elsewhere.path("other")).unwrap();
    fs::copy(&masters[0].1, elsewhere.path("other/d.fits")).unwrap();
    elsewhere.once();
    let products = |here: &Observatory| -> Vec<_> {
        here.tree()
            .into_iter()
            .filter(|(path, _)| path.extension().is_some_and(|e| e == "fits"))
            .collect()
    };
    assert_eq!(products(&here).len(), 3);
    assert!(
        products(&elsewhere) == products(&here),
        "the same bytes wherever masters lie"
    );
}

/// Masters as other programs write them: hardly a keyword, a flat in its own units.
fn foreign(here: &Observatory, donor: &(Observatory, SessionLog)) {
    let dark = pixels(&master(donor, Kind::Dark));
    let flat: Vec<f32> = pixels(&master(donor, Kind::Flat))
        .iter()
        .map(|v| v * 0.4321)
        .collect();
    let kind = ("IMAGETYP", Value::Text("Master Dark".to_owned()));
    let count = ("NCOMBINE", Value::Integer(25));
    write(&here.path("library/dark.fits"), SIZE, &dark, &[kind, count]);
    write(&here.path("library/flat.fits"), SIZE, &flat, &[]);
}

#[test]
fn what_a_header_leaves_out_fits_and_what_the_profile_states_counts() {
    let donor = donor();
    let stated = "{file: library/dark.fits, kind: dark, exposure_s: 120}";
    let filter = "{file: library/flat.fits, kind: flat, filter: L}";
    let here = observatory(&[stated, filter], &[]);
    foreign(&here, &donor);
    here.once();
    let log = here.session(EVENING);
    assert_near(&lights(&log, &here), &lights(&donor.1, &donor.0), 1e-5);
    assert_eq!(log.masters[0].frames_used, Some(25));
    assert_eq!(log.masters[1].frames_used, None);

    // What is stated and differs disqualifies, and is named.
    let profile =
        |dark: &str| fs::write(here.path("south.yaml"), profile(&[dark, filter])).unwrap();
    for (facts, reason) in [
        (
            "exposure_s: 60",
            "exposure is 60 s, wanted 120 s within 2 %",
        ),
        (
            "exposure_s: 120, temperature_c: 5",
            "temperature is 5 C, wanted",
        ),
        ("exposure_s: 120, gain: 7", "gain is 7, wanted"),
        (
            "exposure_s: 120, binning: 2x2",
            "binning is 2x2, wanted 1x1",
        ),
        (
            "exposure_s: 120, cfa: BGGR",
            "colour filter array is BGGR, wanted RGGB",
        ),
    ] {
        profile(&format!("{{file: library/dark.fits, kind: dark, {facts}}}"));
        here.once();
        let log = here.session(EVENING);
        for light in &log.lights {
            let found = light.reason.as_deref().unwrap_or(&light.state);
            assert!(found.contains(reason), "{facts}: {found}");
        }
        assert_eq!(log.to_shoot[0].kind, Kind::Dark);
        let file = here.incoming().join(&log.lights[0].file);
        let explained = said(&here.call(&["explain", &file.display().to_string()]));
        assert!(
            explained.contains("(supplied)") && explained.contains(reason),
            "{explained}"
        );
    }
    // A dark without any exposure says what it lacks.
    profile(DARK);
    here.once();
    let warnings = here.session(EVENING).warnings;
    assert!(
        warnings[0].contains("dark.fits is not used: no exposure"),
        "{warnings:?}"
    );
}

#[test]
fn what_does_not_fit_is_a_warning_and_ends_nothing() {
    let donor = donor();
    let dark = pixels(&master(&donor, Kind::Dark));
    let exposure = ("EXPTIME", Value::Real(120.0));
    let here = observatory(&[DARK, FLAT], &[("flat.fits", master(&donor, Kind::Flat))]);
    // A bias frame or more shows what a dark must hold.
    shoot(&here, &["light", "bias"]);
    let file = here.path("library/dark.fits");
    let expect = |reason: &str| {
        here.once();
        let log = here.session(EVENING);
        let found = log
            .warnings
            .iter()
            .filter(|w| w.contains("the supplied dark"));
        let found: Vec<_> = found.collect();
        assert!(
            found.len() == 1 && found[0].contains(reason),
            "{reason}: {:?}",
            log.warnings
        );
        assert!(log.lights.iter().all(|light| light.state == "waiting"));
        let check = here.call(&["check"]);
        assert!(
            check.status.success() && said(&check).contains(reason),
            "{}",
            said(&check)
        );
    };
    expect("it is not there");
    fs::write(&file, "not a FITS file").unwrap();
    expect("not FITS");
    write(
        &file,
        (SIZE.0 / 2, SIZE.1),
        &dark[..SIZE.0 * SIZE.1 / 2],
        std::slice::from_ref(&exposure),
    );
    expect("it is 48x64 pixels, the rig's frames 96x64");
    let scaled: Vec<f32> = dark.iter().map(|v| v / 65_535.0).collect();
    write(&file, SIZE, &scaled, std::slice::from_ref(&exposure));
    expect("scaled to 0..1");
    let bias = pixels(&master(&donor, Kind::Bias));
    let without: Vec<f32> = dark
        .iter()
        .zip(&bias)
        .map(|(dark, bias)| dark - bias + 3.0)
        .collect();
    write(&file, SIZE, &without, std::slice::from_ref(&exposure));
    expect("its bias has been removed");
    let other = ("INSTRUME", Value::Text("Wheatear 11".to_owned()));
    write(&file, SIZE, &dark, &[exposure.clone(), other]);
    expect("INSTRUME is 'Wheatear 11'");
    write(&file, SIZE, &dark, &[exposure]);
    here.once();
    let log = here.session(EVENING);
    assert_eq!(log.warnings, Vec::<String>::new());
    assert_near(&lights(&log, &here), &lights(&donor.1, &donor.0), 1e-6);
}

#[test]
fn a_file_replaced_makes_its_lights_again_and_one_that_vanished_takes_nothing_away() {
    let donor = donor();
    let masters = [
        ("dark.fits", master(&donor, Kind::Dark)),
        ("flat.fits", master(&donor, Kind::Flat)),
    ];
    let here = observatory(&[DARK, FLAT], &masters);
    here.once();
    let first = here.tree();
    let file = here.path("library/dark.fits");
    let higher: Vec<f32> = pixels(&file).iter().map(|v| v + 10.0).collect();
    write(&file, SIZE, &higher, &[("EXPTIME", Value::Real(120.0))]);
    assert!(here.once().contains("made 3 products"));
    let log = here.session(EVENING);
    let again = lights(&log, &here);
    assert!(again[0][0] < lights(&donor.1, &donor.0)[0][0] - 5.0);
    assert_eq!(here.tree().len(), first.len(), "what was replaced is gone");
    let before = stamps(
        &here
            .products()
            .join("nights")
            .join(EVENING)
            .join("south-pier"),
    );
    // Away, perhaps for a while.
    fs::rename(&file, here.path("library/elsewhere.fits")).unwrap();
    here.once();
    let away = here.session(EVENING);
    assert_eq!(lights(&away, &here), again);
    assert_eq!(away.to_shoot, []);
    assert!(
        away.warnings[0].contains("it is not there"),
        "{:?}",
        away.warnings
    );
    fs::rename(here.path("library/elsewhere.fits"), &file).unwrap();
    here.once();
    let after = stamps(
        &here
            .products()
            .join("nights")
            .join(EVENING)
            .join("south-pier"),
    );
    assert_eq!(after, before);
    assert_eq!(here.session(EVENING), log);
}

#[test]
fn a_master_made_here_wins_and_a_supplied_bias_serves_flats() {
    let donor = donor();
    let bias = "{file: library/bias.fits, kind: bias}";
    let masters = [
        ("dark.fits", master(&donor, Kind::Dark)),
        ("bias.fits", master(&donor, Kind::Bias)),
    ];
    let here = observatory(&[DARK, bias], &masters);
    shoot(&here, &["light", "flat"]);
    let higher: Vec<f32> = pixels(&masters[0].1).iter().map(|v| v + 10.0).collect();
    write(
        &here.path("library/dark.fits"),
        SIZE,
        &higher,
        &[("EXPTIME", Value::Real(120.0))],
    );
    here.once();
    let log = here.session(EVENING);
    assert_eq!(log.to_shoot, []);
    let made = log
        .masters
        .iter()
        .find(|master| master.kind == Kind::Flat)
        .unwrap();
    let flat = pixels(&here.products().join(&made.product));
    assert_eq!(
        flat,
        pixels(&master(&donor, Kind::Flat)),
        "the bias that came off is the same"
    );
    shoot(&here, &["light", "flat", "dark"]);
    here.once();
    let log = here.session(EVENING);
    assert_eq!(lights(&log, &here), lights(&donor.1, &donor.0));
    for light in &log.lights {
        assert!(light.masters.dark.as_ref().unwrap().starts_with("masters/"));
    }
}
