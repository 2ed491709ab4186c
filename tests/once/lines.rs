//! A colour sensor's lights: their channel lines, one plane per line behind a dual-line filter, and how
//! the masters fit.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use dawnledger::facts::{Cfa, Colour, ColourSky, LightFacts, ToMeasure};
use dawnledger::fits::{Source, Unpacker, checksums_hold};
use dawnledger::make::{Maker, Pulse, provenance};
use dawnledger::measure::colour::channel_lines;
use dawnledger::publish::Disk;
use ndarray::Array2;

use crate::demo::pixels;
use crate::observatory::{Observatory, PROGRAM};
use crate::planes::{NIGHT, Night, night_of};

const LINES: &str = "passbands: {L: {Ha: red, OIII: green-blue}}\nproducts: {split_lines: true}\n";

fn night(more: &str) -> Night {
    night_of(&format!("{}{more}", crate::SOUTH), NIGHT)
}

fn header(path: &Path) -> Source {
    Source::open(path, &Unpacker::new(PROGRAM.into(), std::env::temp_dir())).unwrap()
}

#[test]
fn every_line_gets_a_plane_of_its_own() {
    let night = night(LINES);
    let here = &night.here;
    for (number, light) in night.log.lights.iter().enumerate() {
        let lines: Vec<&str> = light.planes.keys().map(String::as_str).collect();
        assert_eq!(lines, ["Ha", "OIII"]);
        let whole = pixels(&night.light(number));
        let at = |x: usize, y: usize| f64::from(whole[y * 128 + x]);
        let of = |line: &str| here.products().join(&light.planes[line]);
        let (red, both) = (pixels(&of("Ha")), pixels(&of("OIII")));
        let (red_source, source) = (header(&of("Ha")), header(&of("OIII")));
        assert_eq!((source.width(), source.height()), (64, 48));
        let number = |keyword| source.header().number(keyword).unwrap();
        let (response, weight) = (number("DLRESP"), number("DLBLUE"));
        assert!(
            response > 0.0 && (0.0..1.0).contains(&weight),
            "{response} {weight}"
        );
        assert_eq!(number("DLOFFX"), 0.25 * weight);
        assert_eq!(red_source.header().number("DLOFFX"), Some(-0.25));
        assert_eq!(source.header().text("DLLINE"), Some("OIII"));
        assert_eq!(source.header().text("BAYERPAT"), None);
        for (place, (red, both)) in red.iter().zip(&both).enumerate() {
            let (x, y) = (place % 64 * 2, place / 64 * 2);
            assert_eq!(f64::from(*red), at(x, y));
            let green = (at(x + 1, y) + at(x, y + 1)) / 2.0;
            let wanted = (1.0 - weight) * green + weight * at(x + 1, y + 1) / response;
            assert!((f64::from(*both) - wanted).abs() <= 1e-6 * wanted.abs().max(1.0));
        }
        for line in ["Ha", "OIII"] {
            assert_eq!(checksums_hold(&of(line)).unwrap(), Some(true));
        }
    }
    // Nothing is left to do, whether the catalogue remembers or has to be rebuilt.
    let before = here.tree();
    here.once();
    crate::observatory::assert_same(&here.tree(), &before, "a second time");
    fs::remove_dir_all(here.path("state")).unwrap();
    here.once();
    crate::observatory::assert_same(&here.tree(), &before, "without its catalogue");
}

#[test]
fn planes_go_when_they_are_not_wanted_any_more() {
    let night = night(LINES);
    let here = &night.here;
    let profile = here.path("south.yaml");
    let text = fs::read_to_string(&profile).unwrap();
    fs::write(
        &profile,
        text.replace("split_lines: true", "split_lines: false"),
    )
    .unwrap();
    here.once();
    let log = here.session("2026-09-05");
    for (before, after) in night.log.lights.iter().zip(&log.lights) {
        assert_eq!(before.product, after.product);
        assert!(after.planes.is_empty());
        assert!(
            before
                .planes
                .values()
                .all(|plane| !here.products().join(plane).exists())
        );
    }
}

#[test]
fn a_single_line_before_a_colour_sensor_is_told() {
    let wasted = |log: &dawnledger::facts::SessionLog| {
        let told = |text: &&String| text.contains("red photosites, 25 % of all; 75 % are lost");
        log.warnings.iter().filter(told).count()
    };
    assert_eq!(wasted(&night("passbands: {L: red}\n").log), 1);
    assert_eq!(wasted(&night("").log), 0);
}

/// Headers tell what the written pixels say, log and headers the same.
#[test]
fn channel_lines_stand_in_headers() {
    let larger = NIGHT.replace("width: 128, height: 96", "width: 512, height: 256");
    let night = night_of(crate::SOUTH, &larger.replace("stars: 12", "stars: 60"));
    for number in 0..3 {
        let path = night.light(number);
        let flags = Source::open_plane(&path, "DLMASK").unwrap().unwrap();
        let mut bytes = vec![0; 512 * 256];
        flags.rows_u16(0, 256, &mut bytes).unwrap();
        let flags = Array2::from_shape_vec((256, 512), bytes).unwrap();
        let plane = Array2::from_shape_vec((256, 512), pixels(&path)).unwrap();
        let lines = channel_lines(
            plane.view(),
            Some(flags.mapv(|flags| flags as u8).view()),
            Cfa::parse("RGGB").unwrap(),
        );
        let source = header(&path);
        let told = |keyword| source.header().number(keyword).unwrap();
        let told = [("DLREDSLP", "DLREDINT"), ("DLBLUSLP", "DLBLUINT")]
            .map(|(slope, intercept)| (told(slope), told(intercept)));
        let wanted: Vec<_> = lines.iter().map(|l| (l.slope, l.intercept_adu)).collect();
        assert_eq!(wanted, told);
        assert_eq!(checksums_hold(&path).unwrap(), Some(true));
    }
    let group = &night.log.groups[0];
    assert_eq!(group.channel_lines.len(), 2, "{group:?}");
    // The sky on every colour: those of the lights, and their medians.
    let colours =
        |skies: &[ColourSky]| -> Vec<Colour> { skies.iter().map(|sky| sky.colour).collect() };
    let all = [Colour::Red, Colour::Green, Colour::Blue];
    assert_eq!(colours(&group.sky), all);
    for light in &night.log.lights {
        assert_eq!(colours(&light.sky), all);
        let green = light.measures.unwrap().background_adu;
        assert!(
            (light.sky[1].level_adu - green).abs() < 0.02 * green.abs(),
            "{light:?}"
        );
    }
    assert!(
        group
            .zones_elongation
            .iter()
            .flatten()
            .all(|drawn| *drawn >= 1.0)
    );
    assert_eq!(group.zones_elongation.len(), group.zones_angle_deg.len());
}

/// The masters of a night that was played as it should be.
#[test]
fn masters_keep_what_their_fit_is_told_by() {
    let larger = NIGHT.replace("width: 128, height: 96", "width: 512, height: 256");
    let night = night_of(crate::SOUTH, &larger);
    let here: &Observatory = &night.here;
    let unpacker = || Unpacker::new(PROGRAM.into(), std::env::temp_dir());
    let folders = BTreeMap::from([(Arc::from("incoming"), here.incoming())]);
    let maker = Maker::new(
        Disk::default(),
        here.products(),
        folders,
        unpacker(),
        1 << 28,
    );
    for (number, light) in night.log.lights.iter().enumerate() {
        let source = header(&night.light(number));
        let product = light.product.as_ref().unwrap();
        let made = provenance::read(source.header(), product, 0).unwrap();
        let facts: LightFacts =
            serde_json::from_str(source.header().text("DLFACTS").unwrap()).unwrap();
        let light = ToMeasure {
            fingerprint: made.fingerprint,
            product: made.product,
            night: facts.night,
            camera: facts.camera,
            masters: made.masters,
        };
        let found = maker.measure(&light, &Pulse::default()).unwrap();
        let dark = found.dark_fit.expect("hot pixels enough");
        assert!(dark.slope.abs() < 5.0 * dark.error + 0.02, "{dark:?}");
        if let Some(flat) = found.flat_fit {
            assert!(flat.slope.abs() < 5.0 * flat.error, "{flat:?}");
        }
        assert_eq!(found.moved, []);
    }
}
