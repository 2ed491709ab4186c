//! Invented nights for this room's tests.

use jiff::tz::TimeZone;

use crate::facts::{
    CalibrationEntry, DarkCheckEntry, DarkEffect, Finding, Gauge, Kind, Ledger, LightEntry,
    MasterEntry, Measures, Need, NightState, PlainEntry, SCHEMA, SensorEntry, SessionLog, SetAside,
    ShootEntry, Site, UsedMasters, Verdict,
};

/// Skarn Hill.
pub(super) fn site() -> Site {
    Site {
        name: "Skarn Hill".to_owned(),
        latitude_deg: 57.3,
        longitude_deg: -4.4,
        elevation_m: 310.0,
        time_zone: TimeZone::UTC,
    }
}

/// A night on which nothing came.
pub(super) fn empty_log() -> SessionLog {
    SessionLog {
        schema: SCHEMA.to_owned(),
        night: "2026-09-05".to_owned(),
        state: NightState::Open,
        ledger: Ledger::default(),
        lights: Vec::new(),
        calibration: Vec::new(),
        masters: Vec::new(),
        refused: Vec::new(),
        ignored: Vec::new(),
        to_shoot: Vec::new(),
        warnings: Vec::new(),
        totals: Vec::new(),
        groups: Vec::new(),
        sensors: Vec::new(),
    }
}

const FLAT: &str = "masters/petrel-26m/flat/ha-0a1b2c3d.fits";
const BIAS: &str = "masters/petrel-26m/bias/bias-99aabbcc.fits";

fn light(number: usize, target: &str, filter: &str, exposure_s: f64, state: &str) -> LightEntry {
    let calibrated = state == "calibrated";
    LightEntry {
        file: format!("2026-09-05/lights/{filter}_{number:04}.fits"),
        watch: "incoming".to_owned(),
        rig: "north-pier".to_owned(),
        start_utc: Some(format!("2026-09-05T{:02}:{:02}:07.250Z", 20 + number / 30, number % 30 * 2)),
        state: state.to_owned(),
        reason: (!calibrated).then(|| {
            "no flat master for OIII, rotator 123.4 deg; nearest: OIII of 2026-08-14, 28 flats: 22 nights before the light, the limit is 14".to_owned()
        }),
        target: Some(target.to_owned()),
        filter: filter.to_owned(),
        exposure_s,
        temperature_c: Some(-10.0),
        product: calibrated.then(|| format!("nights/2026-09-05/north-pier/subs/{filter}-{number:04}.fits")),
        planes: std::collections::BTreeMap::new(),
        masters: if calibrated {
            UsedMasters { bias: Some(BIAS.to_owned()), dark: None, flat: Some(FLAT.to_owned()) }
        } else {
            UsedMasters::default()
        },
        dark_scale: None,
        sky: Vec::new(),
        measures: calibrated.then_some(Measures { background_adu: 412.75, noise_adu: 21.125, ..Measures::default() }),
        verdict: None,
        set_aside_for: Vec::new(),
        findings: Vec::new(),
        trails: Vec::new(),
    }
}

fn calibration(number: usize, kind: Kind, state: &str, reason: Option<&str>) -> CalibrationEntry {
    let used = state == "used";
    CalibrationEntry {
        file: format!("2026-09-05/{kind}/{kind}_{number:04}.fits"),
        watch: "incoming".to_owned(),
        kind,
        rig: "north-pier".to_owned(),
        start_utc: Some(format!("2026-09-05T18:{number:02}:00.000Z")),
        state: state.to_owned(),
        reason: reason.map(str::to_owned),
        master: used.then(|| if kind == Kind::Flat { FLAT } else { BIAS }.to_owned()),
        rejected_low_fraction: used.then_some(0.000_000_038),
        rejected_high_fraction: used.then_some(0.000_012),
    }
}

/// A sensor whose darks are worth their while.
pub(super) fn sensor() -> SensorEntry {
    let check = |effect, value, limit| DarkCheckEntry {
        effect,
        value,
        limit,
    };
    SensorEntry {
        rig: "south-pier".to_owned(),
        camera: "Dunlin 24C".to_owned(),
        gain: Some(120.0),
        gain_e_per_adu: Some(0.251_25),
        gain_error_e_per_adu: Some(0.000_25),
        flats_of: Some("2026-09-05".to_owned()),
        darks_of: Some("2026-08-14".to_owned()),
        exposure_s: Some(180.0),
        temperature_c: Some(-5.0),
        dark_current_e_per_s: Some(0.0125),
        darks: Some(Need::Needed),
        dark_verdict:
            "darks are needed: fixed pattern 0.10 e-, limit 0.50 e-; glow 1.00 e-, limit 0.50 e-"
                .to_owned(),
        dark_checks: vec![
            check(DarkEffect::FixedPattern, 0.1, 0.5),
            check(DarkEffect::Glow, 1.0, 0.5),
            check(DarkEffect::HotPixels, 250.0, 100.0),
            check(DarkEffect::Level, 0.001, 0.005),
        ],
        ..SensorEntry::default()
    }
}

/// A full night: one filter done, one waiting for its flats, some things amiss.
pub(super) fn full_log() -> SessionLog {
    let mut log = empty_log();
    log.state = NightState::Closed;
    let target = "Lantern Nebula";
    log.lights
        .extend((0..40).map(|n| light(n, target, "Ha", 300.0, "calibrated")));
    log.lights
        .extend((40..92).map(|n| light(n, target, "OIII", 300.0, "waiting")));
    log.lights
        .extend((92..104).map(|n| light(n, "Skarn Cluster", "L", 60.0, "calibrated")));
    log.lights[103].state = "refused".to_owned();
    log.lights[103].reason =
        Some("truncated: 31457280 bytes, its header promises 52344000".to_owned());
    let dim = "level 2.1 % of saturation, the profile asks for 20 % to 70 %";
    log.calibration
        .extend((0..28).map(|n| calibration(n, Kind::Flat, "used", None)));
    log.calibration
        .extend((28..30).map(|n| calibration(n, Kind::Flat, "left-out", Some(dim))));
    log.calibration
        .extend((30..50).map(|n| calibration(n, Kind::Bias, "used", None)));
    log.calibration.extend((50..55).map(|n| {
        calibration(
            n,
            Kind::Dark,
            "spare",
            Some("rule `never` for darks in the profile north-pier"),
        )
    }));
    let master = |product: &str, kind, filter: Option<&str>, used, out| MasterEntry {
        product: product.to_owned(),
        kind,
        rig: "north-pier".to_owned(),
        filter: filter.map(str::to_owned),
        exposure_s: if filter.is_some() { 2.5 } else { 0.001 },
        temperature_c: Some(-10.0),
        frames_used: Some(used),
        frames_left_out: Some(out),
        method: format!(
            "{kind}/1 sigma-clip low=3 high=3 iterations=5 center=median saturation=65000"
        ),
        rejected_low_fraction: Some(0.000_000_4),
        rejected_high_fraction: Some(0.000_1),
        level_adu: 24_310.5,
        noise_adu: 0.004_125,
        temporal_noise_adu: Some(0.002_25),
        ideal_noise_adu: Some(0.002_125),
        fit_slope: None,
        fit_error: None,
        fit: None,
    };
    log.masters = vec![
        master(BIAS, Kind::Bias, None, 20, 0),
        master(FLAT, Kind::Flat, Some("Ha"), 28, 2),
        master(
            "masters/petrel-26m/flat/l-55667788.fits",
            Kind::Flat,
            Some("L"),
            30,
            0,
        ),
    ];
    let plain = |file: &str, reason: &str| PlainEntry {
        file: file.to_owned(),
        watch: "incoming".to_owned(),
        reason: reason.to_owned(),
    };
    log.refused = vec![
        plain(
            "2026-09-05/notes.fits",
            "not FITS: it begins with \"Dear all\"",
        ),
        plain(
            "2026-09-05/guide/guide_0001.fits",
            "no profile names the camera \"Wren 2\": add `camera: \"Wren 2\"` to the profile of its rig",
        ),
    ];
    log.ignored = vec![plain(
        "2026-09-05/focus_01.fits",
        "2 s is under 15 s and under a quarter of the night's usual 300 s",
    )];
    log.to_shoot = vec![
        ShootEntry {
            rig: "south-pier".to_owned(),
            kind: Kind::Dark,
            filter: None,
            exposure_s: Some(180.0),
            temperature_c: Some(-5.0),
            gain: Some(120.0),
            offset: Some(30.0),
            rotator_deg: None,
            count: 6,
            why: "14 usable dark frames, the profile asks for at least 20".to_owned(),
        },
        ShootEntry {
            rig: "north-pier".to_owned(),
            kind: Kind::Flat,
            filter: Some("OIII".to_owned()),
            exposure_s: None,
            temperature_c: None,
            gain: Some(100.0),
            offset: Some(50.0),
            rotator_deg: Some(123.4),
            count: 20,
            why: "52 lights of Lantern Nebula wait for it".to_owned(),
        },
    ];
    log.warnings = vec![
        "12 lights (the first is incoming/2026-09-05/lights/L_0092.fits): the Sun is up at the start of the exposure, as high as 3.2 deg: check the clock and the site".to_owned(),
        "south-pier: lights' headers say 1 electrons per ADU at gain 120, flats and bias say 0.2512 +- 0.0009".to_owned(),
    ];
    log.sensors = vec![sensor()];
    log.ledger = Ledger {
        seen: 162,
        lights: 104,
        calibration: 55,
        refused: 2,
        ignored: 1,
    };
    log.totals = vec![crate::facts::Count {
        target: target.to_owned(),
        filter: "Ha".to_owned(),
        frames: 40,
        kept: None,
        integration_s: 12_000.0,
        kept_s: None,
    }];
    log
}

/// The full night with its lights measured and judged: a cloud passes, a gust shakes the mount.
pub(super) fn judged_log() -> SessionLog {
    let mut log = full_log();
    let calibrated = log.lights.iter_mut();
    let calibrated = calibrated.filter(|light| light.state == "calibrated");
    for (at, light) in calibrated.enumerate() {
        let cloud = if (20..26).contains(&at) { 0.42 } else { 1.0 };
        let Some(measures) = &mut light.measures else {
            continue;
        };
        measures.stars = Some(1200);
        measures.fwhm_px = Some(2.0 + at as f64 / 50.0);
        measures.fwhm_arcsec = measures.fwhm_px.map(|width| width * 1.46);
        measures.elongation = Some(if at == 31 { 1.62 } else { 1.08 });
        measures.transparency = Some(cloud - at as f64 / 500.0);
        measures.background_adu += at as f64 * 8.0;
        light.verdict = Some(Verdict::Kept);
        let fault = match at {
            20..26 => Some((SetAside::Clouds, cloud - at as f64 / 500.0, 0.7)),
            31 => Some((SetAside::Trailed, 1.62, 1.3)),
            _ => None,
        };
        if let Some((reason, value, limit)) = fault {
            light.verdict = Some(Verdict::SetAside);
            light.set_aside_for = vec![reason];
            light.findings = vec![Finding {
                reason,
                value,
                limit,
                beyond_sd: None,
                gauge: Gauge::Usual,
            }];
        }
    }
    log
}
