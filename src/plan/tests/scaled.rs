//! Darks of another exposure than the light's: when they serve, which one, and what is said of it.

use jiff::SignedDuration;

use super::bench::*;
use crate::facts::*;
use crate::plan::{Patience, explain};

const NIGHT: &str = "2026-09-05";

fn allowed() -> Profile {
    let mut profile = profile("north", "Petrel*");
    profile.calibration.dark = rule(Rule::Required, 3, 24);
    profile.calibration.dark.scaled = true;
    profile.calibration.flat.rule = Rule::IfPresent;
    profile
}

/// A light of 300 s at -10 C, a bias, and sets of darks: exposure, temperature and number of each.
fn disk(profile: Profile, darks: &[(f64, f64, usize)]) -> FakeDisk {
    let start = evening(NIGHT);
    let mut disk = FakeDisk::new(settings(vec![profile]));
    disk.put(series(Kind::Light, 1, start, |_| {}));
    disk.put(series(Kind::Bias, 3, start, |_| {}));
    for (number, &(exposure, temperature, count)) in darks.iter().enumerate() {
        let after = SignedDuration::from_hours(number as i64 + 1);
        disk.put(series(Kind::Dark, count, start + after, |frame| {
            frame.exposure = Seconds::new(exposure).unwrap();
            frame.temperature = Celsius::new(temperature);
            frame.set_point = None;
        }));
    }
    disk
}

/// Masters of the light in order of their roles, with the dark's exposure and factor.
fn used(disk: &mut FakeDisk) -> Option<(Vec<Kind>, f64, Option<f64>)> {
    let plan = disk.run();
    let LightState::Calibrated(fingerprint) = &disk.light_states(&plan)[0] else {
        return None;
    };
    let made = &disk.snapshot.made;
    let masters = &made[fingerprint].masters;
    let dark = made[&masters[0].fingerprint].facts.as_ref().unwrap();
    let kinds = masters.iter().map(|used| used.kind).collect();
    Some((kinds, dark.exposure.get(), masters[0].scale))
}

#[test]
fn the_light_s_own_exposure_wins_then_longer_then_shorter_darks() {
    let scaled = |exposure| {
        let kinds = vec![Kind::Dark, Kind::Bias];
        Some((kinds, exposure, Some(300.0 / exposure)))
    };
    let as_it_is = |exposure| Some((vec![Kind::Dark], exposure, None));
    for (darks, wanted) in [
        // Nearness of exposure and temperature never outweigh the same exposure.
        (&[(306.0, -9.1, 3), (310.0, -10.0, 3)][..], as_it_is(306.0)),
        (&[(600.0, -10.0, 3), (900.0, -10.0, 3)], scaled(600.0)),
        (&[(290.0, -10.0, 3), (900.0, -10.0, 3)], scaled(900.0)),
        (&[(60.0, -10.0, 3), (120.0, -10.0, 3)], scaled(120.0)),
        (&[(600.0, -9.1, 3), (900.0, -10.0, 3)], scaled(600.0)),
        (&[(600.0, -9.1, 3), (600.0, -10.9, 3)], scaled(600.0)),
        // Two of three: too few to be a master.
        (&[(300.0, -10.0, 2), (600.0, -10.0, 3)], scaled(600.0)),
        // Scaling bridges times, never temperatures, and cannot start from nothing.
        (&[(600.0, -8.0, 3)], None),
        (&[(0.0, -10.0, 3)], None),
    ] {
        assert_eq!(used(&mut disk(allowed(), darks)), wanted, "{darks:?}");
    }
}

#[test]
fn nothing_is_scaled_unless_the_profile_allows_it() {
    let mut profile = allowed();
    profile.calibration.dark.scaled = false;
    assert_eq!(used(&mut disk(profile, &[(600.0, -10.0, 3)])), None);
}

#[test]
fn darks_of_the_light_s_exposure_replace_scaled_ones() {
    let mut disk = disk(allowed(), &[(600.0, -10.0, 3)]);
    assert_eq!(used(&mut disk).unwrap().2, Some(0.5));
    disk.put(series(
        Kind::Dark,
        3,
        evening(NIGHT) + SignedDuration::from_hours(5),
        |_| {},
    ));
    assert_eq!(used(&mut disk), Some((vec![Kind::Dark], 300.0, None)));
    assert_eq!(disk.plan().warnings.len(), 0);
}

#[test]
fn scaling_up_is_worth_a_warning() {
    let mut disk = disk(allowed(), &[(120.0, -10.0, 3)]);
    let plan = disk.run();
    assert_eq!(
        plan.warnings[&NIGHT.parse().unwrap()],
        [
            "north: lights of 300 s have no dark that is as long; a shorter one is scaled up by \
             2.5000, and its noise with it"
        ]
    );
}

#[test]
fn the_factor_counts_and_only_where_there_is_one() {
    let mut disk = disk(allowed(), &[(600.0, -10.0, 3)]);
    // Masters first, until the light is in line.
    let light = loop {
        let plan = disk.plan();
        match &plan.tasks[0].recipe {
            Recipe::Light(recipe) => break recipe.clone(),
            Recipe::Master(_) | Recipe::Line(_) => disk.step(),
        }
    };
    let parts = Recipe::Light(light.clone()).parts();
    let subtract = parts.iter().find(|(label, _)| *label == "subtract");
    assert!(subtract.unwrap().1.ends_with(" scale=0.5"), "{parts:?}");
    let with = |scale| {
        let mut light = light.clone();
        light.subtract.scale = scale;
        Recipe::Light(light).fingerprint()
    };
    assert_ne!(with(Some(0.5)), with(Some(0.25)));
    assert_ne!(with(Some(1.0)), with(None));
}

#[test]
fn what_is_missing_is_asked_for() {
    // No dark at all: one of the light's own exposure is the better thing to shoot, and frames of
    // another exposure are no part of it.
    let mut none = disk(allowed(), &[(600.0, -10.0, 2)]);
    let plan = none.run();
    let shoot = &plan.to_shoot[&NIGHT.parse().unwrap()][0];
    assert_eq!(
        (shoot.kind, shoot.exposure, shoot.count),
        (Kind::Dark, Seconds::new(300.0), 3)
    );
    assert_eq!(shoot.why, "1 light of Veil waits for it");
    // A dark but no bias: nothing can be scaled.
    let mut bare = disk(allowed(), &[(600.0, -10.0, 3)]);
    bare.snapshot
        .entries
        .retain(|entry| kind_of(entry) != Some(Kind::Bias));
    let plan = bare.run();
    let shoot = &plan.to_shoot[&NIGHT.parse().unwrap()][0];
    assert_eq!((shoot.kind, shoot.exposure), (Kind::Bias, None));
}

#[test]
fn explain_tells_the_factor_and_why_not_another() {
    let mut disk = disk(allowed(), &[(600.0, -10.0, 3), (900.0, -10.0, 3)]);
    disk.run();
    let is_light = |entry: &Entry| kind_of(entry) == Some(Kind::Light);
    let light = disk.snapshot.entries.iter().position(is_light).unwrap();
    let text = explain(&disk.snapshot, &disk.settings, Patience::None, light).join("\n");
    for wanted in [
        "dark (required) for 300 s or another to be scaled, -10 C",
        "chosen: dark 600 s -10 C of 2026-09-05",
        ", scaled by 0.5000",
        "qualifies, but would be scaled by 0.3333, the chosen one by 0.5000",
    ] {
        assert!(text.contains(wanted), "{wanted}\n{text}");
    }
}
