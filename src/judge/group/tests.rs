//! Which lights are judged together, as a table and under shuffling.

#![allow(clippy::unwrap_used)]

use std::sync::Arc;

use proptest::prelude::*;

use super::*;
use crate::facts::{Degrees, Kind, Optics, RowOrder, Seconds, Setting};

/// 500 mm and 3.76 um over 6000 x 4000 pixels: a field of 2.58 x 1.72 degrees.
pub(in crate::judge) fn light(minute: i64, target: &str, place: Option<(f64, f64)>) -> Frame {
    let evening: jiff::Timestamp = "2026-09-05T21:00:00Z".parse().unwrap();
    let degrees = |value: f64| Degrees::new(value).unwrap();
    Frame {
        kind: Kind::Light,
        rig: Arc::from("north-pier"),
        camera: Arc::new(Camera {
            name: Arc::from("Petrel 26M"),
            width: 6000,
            height: 4000,
            binning: (1, 1),
            gain: Setting::new(100.0),
            offset: Setting::new(50.0),
            readout_mode: None,
            row_order: RowOrder::TopDown,
            origin: (0, 0),
            cfa: None,
            overscan: None,
        }),
        filter: Arc::from("Ha"),
        exposure: Seconds::new(300.0).unwrap(),
        temperature: None,
        set_point: None,
        optics: Arc::new(Optics {
            telescope: None,
            focal_length_mm: Setting::new(500.0),
        }),
        rotator: None,
        sky_angle: None,
        target: (!target.is_empty()).then(|| Arc::from(target)),
        start: evening
            .checked_add(jiff::SignedDuration::from_mins(minute))
            .ok(),
        pointing: place.map(|(ra, dec)| Pointing {
            ra: degrees(ra),
            dec: degrees(dec),
        }),
        pixel_um: Some(3.76),
        electrons_per_adu: None,
        remarks: Vec::new(),
    }
}

fn grouped(lights: &[Frame]) -> Vec<Vec<usize>> {
    groups(&lights.iter().collect::<Vec<_>>())
}

/// Two panels of a mosaic under one name, one of them renamed half-way; a light whose header lost its
/// pointing; another filter and exposure; a target told by its name alone.
fn busy_night() -> Vec<Frame> {
    let (left, right) = (Some((359.9, 40.0)), Some((2.6, 40.0)));
    let mut lights = vec![
        light(0, "Great Spiral", left),
        light(5, "Great Spiral", right),
        // Across the zero of right ascension: 0.15 degrees away.
        light(10, "Great Spiral west", Some((0.1, 40.05))),
        light(15, "great spiral WEST", None),
        light(20, "Great Spiral", right),
        light(25, "Great Spiral", left),
        light(30, "Great Spiral", left),
        light(35, "Comet", None),
        light(40, "comet", None),
        // Which of the two panels it shows is not known.
        light(45, "Great Spiral", None),
    ];
    lights[5].filter = Arc::from("OIII");
    lights[6].exposure = Seconds::new(60.0).unwrap();
    lights[2].exposure = Seconds::new(300.4).unwrap();
    lights
}

#[test]
fn fields_are_told_by_pointing_and_else_by_name() {
    let want: [&[usize]; 6] = [&[0, 2, 3], &[1, 4], &[5], &[6], &[7, 8], &[9]];
    assert_eq!(grouped(&busy_night()), want);
    assert!(grouped(&[]).is_empty());
}

#[test]
fn without_a_scale_the_name_decides() {
    let mut lights = vec![
        light(0, "Veil", Some((10.0, 0.0))),
        light(5, "Veil", Some((14.0, 0.0))),
        light(9, "Pelican", Some((10.0, 0.0))),
    ];
    assert_eq!(grouped(&lights), [vec![0, 2], vec![1]]);
    for light in &mut lights {
        light.pixel_um = None;
    }
    assert_eq!(grouped(&lights), [vec![0, 1], vec![2]]);
}

#[test]
fn pixel_scales_follow_from_pixel_and_focal_length() {
    // The usual formula: 206.265 x 3.76 / 500.
    let scale = pixel_scale(&light(0, "", None)).unwrap();
    assert!((scale - 1.551).abs() < 0.001, "{scale}");
    // Computed apart with arbitrary precision; the last two are rounded to 1.7 and 1.77 on a page of
    // clarkvision.com on plate scales.
    for (pixel_um, focal_length_mm, wanted) in [
        (3.76, 530.0, 1.463_313),
        (6.45, 1000.0, 1.330_408),
        (9.0, 2000.0, 0.928_192),
        (4.9, 600.0, 1.684_5),
        (4.3, 500.0, 1.773_9),
    ] {
        let mut light = light(0, "", None);
        light.pixel_um = Some(pixel_um);
        Arc::make_mut(&mut light.optics).focal_length_mm = Setting::new(focal_length_mm);
        let scale = pixel_scale(&light).unwrap();
        assert!((scale - wanted).abs() < 5e-5, "{scale}, want {wanted}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn order_is_of_no_account(order in Just((0..10).collect::<Vec<usize>>()).prop_shuffle()) {
        let lights = busy_night();
        let shuffled: Vec<Frame> = order.iter().map(|&at| lights[at].clone()).collect();
        let named: Vec<Vec<usize>> = grouped(&shuffled)
            .iter()
            .map(|group| group.iter().map(|&place| order[place]).collect())
            .collect();
        prop_assert_eq!(named, grouped(&lights));
    }
}
