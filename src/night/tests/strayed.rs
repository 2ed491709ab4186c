//! A slew to the wrong place under a target's name, from headers to the log.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use super::composing::{Fate, frame, made, print, scene_of, settings, shot};
use crate::config::parse_profile;
use crate::facts::{
    Camera, Degrees, Frame, Kind, LightState, Measured, Optics, Pointing, SetAside, Setting,
};
use crate::night::{Known, Standing, standing};

/// 500 mm and 3.76 um over 6000 x 4000 pixels: a field of 2.58 x 1.72 degrees.
fn light(number: u8, dec: f64) -> Frame {
    let start = format!("2026-09-05T21:{number:02}:00Z");
    let plain = frame(Kind::Light, "Ha", 60.0, Some(&start));
    let degrees = |value: f64| Degrees::new(value).unwrap();
    Frame {
        camera: Arc::new(Camera {
            width: 6000,
            height: 4000,
            ..Camera::clone(&plain.camera)
        }),
        optics: Arc::new(Optics {
            telescope: None,
            focal_length_mm: Setting::new(500.0),
        }),
        pixel_um: Some(3.76),
        pointing: Some(Pointing {
            ra: degrees(312.75),
            dec: degrees(dec),
        }),
        ..plain
    }
}

/// Lights a minute apart, at these declinations.
fn stand(declinations: &[f64]) -> Standing {
    let lights = declinations.iter().enumerate().map(|(at, &dec)| {
        let number = at as u8;
        let state = LightState::Calibrated(print(100 + number));
        let entry = shot(&format!("{number:02}.fits"), number, light(number, dec));
        (entry, Fate::Light(state))
    });
    let (mut snapshot, plan) = scene_of(lights.collect());
    let mut measured = BTreeMap::new();
    for number in 0..declinations.len() as u8 {
        let product = made(
            100 + number,
            &format!("{number:02}-made.fits"),
            &[number],
            &[],
        );
        measured.insert(product.fingerprint, Measured::default());
        snapshot.made.insert(product.fingerprint, product);
    }
    let profile = parse_profile(
        "{name: north-pier, camera: Petrel*, calibration: {bias: {rule: required}, \
         dark: {rule: never}, flat-dark: {rule: never}, flat: {rule: never}}}",
        Path::new("north-pier.yaml"),
    );
    let mut settings = settings();
    settings.profiles.push(Arc::new(profile.unwrap()));
    let known = Known {
        snapshot: &snapshot,
        plan: &plan,
        settings: &settings,
    };
    let members: Vec<usize> = (0..snapshot.entries.len()).collect();
    standing(&known, &members, &measured, &[], &[])
}

fn reasons(standing: &Standing, number: u8) -> Vec<SetAside> {
    let light = standing.of(&print(100 + number)).unwrap();
    light.findings.iter().map(|found| found.reason).collect()
}

#[test]
fn a_light_of_the_wrong_place_is_off_target_and_told_in_arc_seconds() {
    let mut places = [30.7; 12];
    places[3] = 32.7;
    let found = stand(&places);
    for number in 0..12 {
        let wanted: &[SetAside] = match number {
            3 => &[SetAside::OffTarget],
            _ => &[],
        };
        assert_eq!(reasons(&found, number), wanted, "light {number}");
    }
    let finding = found.of(&print(103)).unwrap().findings[0];
    // 2 degrees of 1.7235.
    assert_eq!((finding.value, finding.limit), (1.1605, 0.1));
    assert_eq!(
        found.warnings,
        [
            "north-pier, Lantern Nebula, Ha: 1 light (incoming/03.fits) off target by 7200 arcsec by the \
             header's pointing, limit 620 arcsec; other lights of the target went on afterwards: a \
             slew to the wrong place?"
        ]
    );
}

#[test]
fn a_panel_that_has_just_begun_is_kept() {
    let mut places = [30.7; 12];
    places[11] = 32.7;
    let found = stand(&places);
    assert!((0..12).all(|number| reasons(&found, number).is_empty()));
    assert_eq!(found.warnings, [""; 0]);
}
