//! Masters that do not fit are caught, those that fit are not: the bench `fits` in small.

#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used)]

#[path = "bench/fits/night.rs"]
mod night;

use dawnledger::facts::{Cfa, Fit};
use dawnledger::measure::fit::{Pooled, dark_caution, flat_caution, moved_in_most};
use night::{DarkFault, FlatFault, Found, Scene, play};

fn nights(fault: impl Fn(&mut Scene)) -> Vec<Found> {
    let night = |(seed, cfa): (u64, Option<&str>)| {
        let mut scene = Scene {
            seed,
            size: (640, 480),
            cfa: cfa.and_then(Cfa::parse),
            sky: 1000.0,
            response: 0.01,
            dark: (3.0, 600.0),
            glow: 0.0,
            lights: 5,
            flat: FlatFault::None,
            darks: DarkFault::None,
        };
        fault(&mut scene);
        play(&scene)
    };
    [(1, None), (2, Some("GRBG"))].map(night).into()
}

fn pooled(fits: &[Option<Fit>]) -> Pooled {
    Found::pooled(fits).expect("a fit that can be told")
}

fn flat_words(found: &Found) -> Option<String> {
    flat_caution(Some(&pooled(&found.flat)), &moved_in_most(&found.moved))
}

#[test]
fn masters_that_fit_raise_no_caution() {
    for found in nights(|_| ()) {
        assert_eq!(flat_words(&found), None);
        assert_eq!(dark_caution(&pooled(&found.dark)), None);
        let flat = pooled(&found.flat).fit;
        assert!(flat.slope.abs() < 4.0 * flat.error, "{flat:?}");
        let dark = pooled(&found.dark).fit;
        assert!(dark.slope.abs() < 4.0 * dark.error, "{dark:?}");
        // What a plain regression on the very flat would say.
        let plain = pooled(&found.plain).fit;
        assert!(plain.slope < flat.slope, "{plain:?} {flat:?}");
    }
}

/// On a sensor this small a line has 128 photosites of one colour, and vignetting, sky and a steep glow
/// bend within it. Masters that fit leave slopes around 0 all the same, as far off as they say.
#[test]
fn short_lines_are_not_led_astray_by_what_is_smooth() {
    let nights: Vec<Found> = (1..=12)
        .map(|seed| {
            play(&Scene {
                seed,
                size: (256, 192),
                cfa: Cfa::parse("RGGB"),
                sky: 800.0,
                response: 0.008,
                dark: (25.0, 900.0),
                glow: 200.0,
                lights: 3,
                flat: FlatFault::None,
                darks: DarkFault::None,
            })
        })
        .collect();
    let told = |of: fn(&Found) -> &Vec<Option<Fit>>| -> Vec<Fit> {
        let fits = nights.iter().filter_map(|found| Found::pooled(of(found)));
        fits.map(|pooled| pooled.fit).collect()
    };
    for (fits, most, scatter) in [
        (told(|found| &found.flat), 0.02, 0.03),
        (told(|found| &found.dark), 0.03, 0.06),
    ] {
        let count = fits.len() as f64;
        assert!(count >= 6.0, "{fits:?}");
        let mean = fits.iter().map(|fit| fit.slope).sum::<f64>() / count;
        let squares = fits.iter().map(|fit| fit.slope * fit.slope).sum::<f64>();
        let over = fits.iter().map(|fit| (fit.slope / fit.error).powi(2));
        let chi = (over.sum::<f64>() / count).sqrt();
        println!(
            "{mean:+.4} {:.4} {chi:.2} of {count}",
            (squares / count).sqrt()
        );
        assert!(mean.abs() < most, "{mean}: {fits:?}");
        assert!((squares / count).sqrt() < scatter, "{fits:?}");
        assert!(chi < 1.5, "{chi}: {fits:?}");
    }
}

#[test]
fn wrong_flats_are_caught() {
    // A relief that is too strong or too weak by a sixth, and by more in weaker colours.
    let faults = [
        (FlatFault::Bias(500.0, 3000.0), "over-corrects"),
        (FlatFault::Bias(-500.0, 3000.0), "under-corrects"),
        (FlatFault::Leak(1.0), "under-corrects"),
        (FlatFault::Turned, "turned"),
        (FlatFault::TurnedOptics, "dust moved"),
        (FlatFault::MovedDust, "dust moved"),
    ];
    for (fault, words) in faults {
        for found in nights(|scene| scene.flat = fault) {
            let told = flat_words(&found);
            let fit = pooled(&found.flat);
            let told = told.unwrap_or_else(|| panic!("{fault:?}: {fit:?}"));
            assert!(told.contains(words), "{fault:?}: {told}");
        }
    }
}

/// Dark current doubles over six degrees here.
#[test]
fn wrong_darks_are_caught_and_measured() {
    let faults = [
        (DarkFault::Warmer(3.0), 2f64.sqrt() - 1.0, "C warmer"),
        (DarkFault::Warmer(-3.0), 0.5f64.sqrt() - 1.0, "C colder"),
        (DarkFault::Exposure(0.5), 1.0, "C warmer"),
        (DarkFault::Exposure(2.0), -0.5, "C colder"),
    ];
    for (fault, slope, words) in faults {
        for found in nights(|scene| scene.darks = fault) {
            let fit = pooled(&found.dark);
            let near = (fit.fit.slope - slope).abs() < 5.0 * fit.fit.error + 0.02;
            assert!(near, "{fault:?}: {fit:?}");
            let told = dark_caution(&fit).unwrap_or_else(|| panic!("{fault:?}: {fit:?}"));
            assert!(told.contains(words), "{fault:?}: {told}");
        }
    }
}
