//! What a scenario must satisfy before it is played. It reads values, it changes none.

use std::collections::BTreeSet;

use super::scenario::{Fault, Filter, Rig, Run, Scenario, ScenarioError, stays_inside};
use crate::facts::Kind;

fn fail(at: &str, what: impl Into<String>) -> ScenarioError {
    ScenarioError::Value {
        at: at.to_owned(),
        what: what.into(),
    }
}

/// Refuses a scenario that cannot be played.
pub(super) fn scenario(scenario: &Scenario) -> Result<(), ScenarioError> {
    for (index, it) in scenario.rigs.iter().enumerate() {
        rig(&format!("rig {} ({})", index + 1, it.camera), it)?;
    }
    let mut paths = BTreeSet::new();
    for file in super::schedule::frames(scenario) {
        if !paths.insert(file.path.clone()) {
            return Err(fail(
                &file.path.display().to_string(),
                "two files have this name",
            ));
        }
    }
    for stray in &scenario.strays {
        if !stays_inside(&stray.path) || stray.path.is_empty() {
            return Err(fail(&stray.path, "a path inside the folder is needed"));
        }
        match (&stray.text, &stray.copy_of) {
            (Some(_), Some(_)) => {
                return Err(fail(&stray.path, "`text` and `copy_of` exclude each other"));
            }
            (None, Some(original)) if !paths.contains(std::path::Path::new(original)) => {
                return Err(fail(&stray.path, format!("no frame is called {original}")));
            }
            _ => {}
        }
    }
    Ok(())
}

fn rig(at: &str, rig: &Rig) -> Result<(), ScenarioError> {
    let sensor = &rig.sensor;
    if !stays_inside(&rig.folder) {
        return Err(fail(at, "folder: a path inside the folder is needed"));
    }
    if !(8..=20_000).contains(&sensor.width) || !(8..=20_000).contains(&sensor.height) {
        return Err(fail(at, "sensor: width and height must be 8 to 20000"));
    }
    if !(8..=16).contains(&sensor.bits) {
        return Err(fail(at, "sensor: bits must be 8 to 16"));
    }
    let positive = [
        ("e_per_adu", sensor.e_per_adu),
        ("full_well_e", sensor.full_well_e),
        ("dark_doubling_c", sensor.dark_doubling_c),
        ("glow_reach", sensor.glow_reach),
        ("pixel_um", sensor.pixel_um),
        ("focal_length_mm", rig.optics.focal_length_mm),
    ];
    let not_negative = [
        ("read_noise_e", sensor.read_noise_e),
        ("pedestal_adu", sensor.pedestal_adu),
        ("column_pattern_adu", sensor.column_pattern_adu),
        ("pixel_pattern_adu", sensor.pixel_pattern_adu),
        ("dark_e_per_s", sensor.dark_e_per_s),
        ("hot_pixels_per_million", sensor.hot_pixels_per_million),
        ("hot_e_per_s", sensor.hot_e_per_s),
        ("glow_e_per_s", sensor.glow_e_per_s),
        ("pixel_response", sensor.pixel_response),
        ("jitter_c", sensor.jitter_c),
    ];
    let bad = positive
        .iter()
        .find(|(_, value)| !(value.is_finite() && *value > 0.0))
        .or_else(|| {
            not_negative
                .iter()
                .find(|(_, value)| !(value.is_finite() && *value >= 0.0))
        });
    if let Some((key, value)) = bad {
        return Err(fail(at, format!("{key}: {value} cannot be")));
    }
    if !(0.0..0.95).contains(&rig.optics.vignetting) {
        return Err(fail(at, "vignetting must be 0 to 0.95"));
    }
    for filter in &rig.filters {
        self::filter(at, filter)?;
    }
    for target in &rig.targets {
        let at = format!("{at}: target {}", target.name);
        if !(target.faintest_e_per_s > 0.0
            && target.brightest_e_per_s >= target.faintest_e_per_s
            && target.brightest_e_per_s.is_finite())
        {
            return Err(fail(&at, "star brightness must run from above 0 upwards"));
        }
        if !(-90.0..=90.0).contains(&target.dec_deg) || !(0.0..360.0).contains(&target.ra_deg) {
            return Err(fail(&at, "ra_deg and dec_deg are not on the sky"));
        }
    }
    for (index, it) in rig.runs.iter().enumerate() {
        run(
            &format!("{at}: run {} ({} frames)", index + 1, it.kind),
            rig,
            it,
        )?;
    }
    Ok(())
}

fn filter(at: &str, filter: &Filter) -> Result<(), ScenarioError> {
    let at = format!("{at}: filter {}", filter.name);
    let all = [filter.sky_e_per_s, filter.stars, filter.panel];
    let negative = |value: &f64| !(value.is_finite() && *value >= 0.0);
    if all
        .iter()
        .any(|channels| channels.values().iter().any(negative))
    {
        return Err(fail(&at, "brightness must not be negative"));
    }
    if filter.panel.values().iter().all(|&value| value <= 0.0) {
        return Err(fail(&at, "panel: some light is needed"));
    }
    if !(0.0..10.0).contains(&filter.gradient) {
        return Err(fail(&at, "gradient must be 0 to 10"));
    }
    Ok(())
}

fn run(at: &str, rig: &Rig, run: &Run) -> Result<(), ScenarioError> {
    if let Some(name) = &run.filter
        && !rig.filters.iter().any(|filter| filter.name == *name)
    {
        return Err(fail(at, format!("the rig has no filter {name}")));
    }
    match &run.target {
        Some(name) if !rig.targets.iter().any(|target| target.name == *name) => {
            return Err(fail(at, format!("the rig has no target {name}")));
        }
        None if run.kind == Kind::Light => return Err(fail(at, "a light needs a target")),
        _ => {}
    }
    if !(0.0..=86_400.0).contains(&run.exposure_s)
        || run.every_s.is_some_and(|s| s.is_nan() || s < 0.0)
    {
        return Err(fail(
            at,
            "exposure_s must be 0 to 86400 and every_s positive",
        ));
    }
    if !(run.level > 0.0 && run.level < 10.0) {
        return Err(fail(at, "level must be a fraction of the range"));
    }
    let [low, high] = run.seeing_px;
    if !(low > 0.5 && high >= low && high < 100.0)
        || run.moffat.is_some_and(|b| b.is_nan() || b <= 1.0)
    {
        return Err(fail(at, "seeing_px: [low, high] in pixels, above 0.5"));
    }
    if !run.turn_deg.is_finite() {
        return Err(fail(at, "turn_deg must be an angle"));
    }
    if !stays_inside(&run.name) || run.name.is_empty() {
        return Err(fail(at, "name: a path inside the folder is needed"));
    }
    if run.count > 100_000 {
        return Err(fail(at, "count must be at most 100000"));
    }
    if let Some(bad) = run.faults.iter().find(|it| !playable(it.fault)) {
        return Err(fail(at, format!("fault {:?} cannot be played", bad.fault)));
    }
    if let Some(index) = run
        .faults
        .iter()
        .flat_map(|fault| &fault.at)
        .find(|&&index| index == 0 || index > run.count)
    {
        return Err(fail(at, format!("there is no exposure {index} to spoil")));
    }
    Ok(())
}

fn playable(fault: Fault) -> bool {
    match fault {
        Fault::None | Fault::HeaderOnly | Fault::Junk | Fault::Empty => true,
        Fault::Clouds(fraction) | Fault::Truncated(fraction) | Fault::Blocked(fraction) => {
            (0.0..=1.0).contains(&fraction)
        }
        Fault::Streaked(line) | Fault::Doubled(line) | Fault::Moved(line) => {
            line.iter().all(|value| value.abs() < 1e5)
        }
        Fault::Defocused(factor) => factor > 0.2 && factor < 100.0,
        Fault::Bright(factor) => (0.0..1e4).contains(&factor),
        Fault::Leak(rate) | Fault::Trail(rate) => (0.0..1e9).contains(&rate),
        Fault::Warm(degrees) => degrees.abs() < 100.0,
    }
}
