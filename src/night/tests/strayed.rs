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

/// Lights a minute apart, at these declinations, which may be off by this part of the side.
fn stand(declinations: &[f64], pointing_fraction: f64) -> Standing {
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
        let sky = Measured {
            background_adu: 40.0,
            ..Measured::default()
        };
        measured.insert(product.fingerprint, sky);
        snapshot.made.insert(product);
    }
    let text = format!(
        "{{name: north-pier, camera: Petrel*, calibration: {{bias: {{rule: required}}, \
         dark: {{rule: never}}, flat-dark: {{rule: never}}, flat: {{rule: never}}}}, \
         sensor: {{electrons_per_adu: 0.5, read_noise_e: 3}}, \
         verdict: {{pointing_fraction: {pointing_fraction}}}}}"
    );
    let profile = parse_profile(&text, Path::new("north-pier.yaml"));
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
    let found = stand(&places, 0.1);
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
    let found = stand(&places, 0.1);
    assert!((0..12).all(|number| reasons(&found, number).is_empty()));
    assert_eq!(found.warnings, [""; 0]);
}

/// 0.5 degrees are 0.29 of the side: a field of its own, and within what the profile puts up with.
#[test]
fn what_the_profile_puts_up_with_is_no_stray() {
    let mut places = [30.7; 12];
    places[3] = 31.2;
    for (limit, is_said) in [(0.5, false), (0.25, true)] {
        let found = stand(&places, limit);
        assert_eq!(found.groups.len(), 2, "limit {limit}");
        assert_eq!(!reasons(&found, 3).is_empty(), is_said, "limit {limit}");
        assert_eq!(!found.warnings.is_empty(), is_said, "limit {limit}");
    }
}

#[test]
fn a_wrong_place_is_neither_shown_nor_advised_on() {
    let mut places = [30.7; 12];
    places[3] = 32.7;
    let found = stand(&places, 0.1);
    for group in &found.groups {
        let is_own = group.frames == 11;
        assert_eq!(group.best.is_some(), is_own, "{group:?}");
        assert_eq!(!group.advice.is_empty(), is_own, "{group:?}");
    }
    assert_eq!(found.groups.len(), 2);
}

/// Too many for a mistake that the verdict may call one: told, and kept.
#[test]
fn lights_that_point_elsewhere_for_long_are_told_and_kept() {
    let mut places = [30.7; 40];
    places[14..21].fill(32.7);
    let found = stand(&places, 0.1);
    assert!((0..40).all(|number| reasons(&found, number).is_empty()));
    assert_eq!(
        found.warnings,
        [
            "north-pier, Lantern Nebula: 7 lights of 21:14 to 21:20 point 2.0 degrees away (1.16 of the field's \
             side) from the other 33 of that name; they are judged by themselves: meant, or a slew to the \
             wrong place?"
        ]
    );
    // The next panel of a mosaic, and one that strayed, of which a warning of its own tells.
    let mut panels = [30.7; 30];
    panels[20..].fill(32.2);
    assert_eq!(stand(&panels, 0.1).warnings, [""; 0]);
    let mut strayed = [30.7; 30];
    strayed[4..8].fill(32.7);
    assert_eq!(stand(&strayed, 0.1).warnings.len(), 1);
}
