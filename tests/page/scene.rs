//! An invented night of 300 lights at Skarn Hill, with clouds, gusts, missing flats and more.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::LazyLock;

use dawnledger::facts::{
    CalibrationEntry, ChannelLine, Colour, ColourSky, DarkCheck, DarkCheckEntry, DarkEffect,
    DarkVerdict, Finding, Fit, Gauge, Goal, GroupEntry, Kind, Ledger, LightEntry, MasterEntry,
    Measures, MovedShadow, NearMiss, Need, NightState, NightSummary, PlainEntry, Refusal, RowOrder,
    SCHEMA, SensorEntry, SessionLog, SetAside, ShootEntry, SignalToNoise, Site, Targets, Trail,
    UsedMasters, Verdict, Wait,
};
use dawnledger::judge::Course;
use dawnledger::measure::fit::{Pooled, flat_caution, flat_fits};
use dawnledger::night::{self, Series, advise};
use dawnledger::page::{Marks, NightFacts, Preview, Shrunk, preview, preview_with_defects};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use ndarray::Array2;

const NIGHT: &str = "2026-11-14";

pub fn site() -> Site {
    Site {
        name: "Skarn Hill".to_owned(),
        latitude_deg: 57.3,
        longitude_deg: -4.4,
        elevation_m: 310.0,
        time_zone: TimeZone::get("Europe/London").unwrap(),
    }
}

pub fn facts() -> NightFacts {
    let day = |text: &str| Some(text.parse().unwrap());
    NightFacts::new(
        &site(),
        NIGHT.parse().unwrap(),
        day("2026-11-11"),
        day("2026-11-15"),
    )
}

/// Between -1 and 1, the same for the same number.
fn noise(number: usize) -> f64 {
    let mut state = number as u64 ^ 0x9e37_79b9_7f4a_7c15;
    for _ in 0..3 {
        state = (state ^ state >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        state ^= state >> 27;
    }
    (state >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// Lights of one rig, target and filter, one after the other.
struct Run {
    rig: &'static str,
    target: &'static str,
    filter: &'static str,
    from: &'static str,
    count: usize,
    exposure_s: f64,
    fwhm_px: f64,
    scale: f64,
    background: f64,
    stars: f64,
    flat: Option<usize>,
}

const RUNS: [Run; 4] = [
    Run {
        rig: "north-pier",
        target: "Lantern Nebula",
        filter: "Ha",
        from: "2026-11-14T18:10:00Z",
        count: 70,
        exposure_s: 300.0,
        fwhm_px: 2.45,
        scale: 0.98,
        background: 118.0,
        stars: 940.0,
        flat: Some(1),
    },
    Run {
        rig: "north-pier",
        target: "Lantern Nebula",
        filter: "OIII",
        from: "2026-11-15T00:16:00Z",
        count: 40,
        exposure_s: 300.0,
        fwhm_px: 2.6,
        scale: 0.98,
        background: 96.0,
        stars: 700.0,
        flat: None,
    },
    Run {
        rig: "north-pier",
        target: "Skarn Cluster",
        filter: "L",
        from: "2026-11-15T03:50:00Z",
        count: 90,
        exposure_s: 60.0,
        fwhm_px: 2.3,
        scale: 0.98,
        background: 1250.0,
        stars: 3100.0,
        flat: Some(2),
    },
    Run {
        rig: "south-pier",
        target: "Heron Galaxy",
        filter: "none",
        from: "2026-11-14T18:40:00Z",
        count: 100,
        exposure_s: 240.0,
        fwhm_px: 3.1,
        scale: 1.22,
        background: 1830.0,
        stars: 1650.0,
        flat: Some(3),
    },
];

/// Gain, electrons per ADU, and read noise, electrons, of the camera on a rig.
fn camera(rig: &str) -> (f64, f64) {
    match rig {
        "north-pier" => (0.251, 1.52),
        _ => (0.262, 2.94),
    }
}

/// Why lights through OIII wait.
fn no_flat() -> Wait {
    Wait::NoMaster {
        kind: Kind::Flat,
        wanted: "filter OIII, rotator 123 deg, 6248x4176".to_owned(),
        misses: vec![NearMiss {
            candidate: "flat OIII of 2026-10-22".to_owned(),
            fails: "taken 23 nights before, the limits are 14 before and 14 after".to_owned(),
        }],
    }
}

fn lights(run: &Run, first: usize, products: &[String]) -> Vec<LightEntry> {
    let begin: Timestamp = run.from.parse().unwrap();
    let (electrons_per_adu, _) = camera(run.rig);
    let cloud: Timestamp = "2026-11-14T21:42:00Z".parse().unwrap();
    let dawn: Timestamp = "2026-11-15T05:22:00Z".parse().unwrap();
    (0..run.count)
        .map(|n| {
            let id = first + n;
            let pause = 4.0 + noise(id).abs() * 9.0;
            let start =
                begin + SignedDuration::from_secs_f64(n as f64 * (run.exposure_s + 7.5) + pause);
            let into_cloud = (start.duration_since(cloud).as_secs_f64() / 1100.0).powi(2);
            let transparency = 1.0 - 0.62 * (-into_cloud).exp() + 0.02 * noise(id * 7);
            let late = (start.duration_since(dawn).as_secs_f64() / 1500.0).max(0.0);
            let sky = run.background
                * (1.0 + 1.6 * late + 0.3 * (1.0 - transparency) + 0.02 * noise(id * 3));
            let gust = id % 41 == 17;
            let soft = run.filter == "Ha" && n < 4;
            let width = run.fwhm_px
                * (1.0
                    + 0.08 * (n as f64 / 19.0).sin()
                    + 0.04 * noise(id * 5)
                    + if soft { 0.75 - 0.1 * n as f64 } else { 0.0 });
            let elongation = 1.12 + 0.05 * noise(id * 11).abs() + if gust { 0.55 } else { 0.0 };
            let mut findings = Vec::new();
            let mut fails = |reason, value, limit, beyond_sd| {
                findings.push(Finding {
                    reason,
                    value,
                    limit,
                    beyond_sd: Some(beyond_sd),
                    gauge: Gauge::Usual,
                })
            };
            if gust {
                fails(SetAside::Trailed, elongation, 1.4, 9.3);
            }
            if transparency < 0.7 {
                fails(SetAside::Clouds, transparency, 0.7, -8.1);
            }
            if soft {
                fails(SetAside::Defocused, width, 1.4 * run.fwhm_px, 6.2);
            }
            if sky > 2.0 * run.background {
                fails(SetAside::BrightSky, sky, 2.0 * run.background, 7.7);
            }
            let calibrated = run.flat.is_some();
            let file = format!(
                "{NIGHT}/{}/{}/{}_{:03}.fits",
                run.rig,
                run.target.replace(' ', "_"),
                run.filter,
                n + 1
            );
            LightEntry {
                file,
                watch: "incoming".to_owned(),
                rig: run.rig.to_owned(),
                start_utc: Some(format!("{start:.3}")),
                state: if calibrated { "calibrated" } else { "waiting" }.to_owned(),
                reason: (!calibrated).then(|| no_flat().to_string()),
                target: Some(run.target.to_owned()),
                filter: run.filter.to_owned(),
                exposure_s: run.exposure_s,
                temperature_c: Some(
                    if run.rig == "north-pier" { -10.0 } else { -5.0 }
                        + 0.12 * noise(id * 13)
                        + if soft { 1.4 - 0.4 * n as f64 } else { 0.0 },
                ),
                product: calibrated.then(|| {
                    format!(
                        "nights/{NIGHT}/{}/subs/{}-{id:08x}.fits",
                        run.rig,
                        run.filter.to_lowercase()
                    )
                }),
                masters: run.flat.map_or(UsedMasters::default(), |flat| UsedMasters {
                    bias: Some(products[0].clone()),
                    dark: None,
                    flat: Some(products[flat].clone()),
                }),
                dark_scale: None,
                planes: BTreeMap::new(),
                measures: calibrated.then(|| Measures {
                    background_adu: sky,
                    noise_adu: sky.sqrt(),
                    noise_e: Some(electrons_per_adu * sky.sqrt()),
                    gradient_adu: Some(sky * 0.04),
                    stars: Some(
                        (run.stars * transparency.powf(0.8) * (1.0 + 0.03 * noise(id * 17))) as u32,
                    ),
                    fwhm_px: Some(width),
                    fwhm_arcsec: Some(width * run.scale),
                    fwhm_spread_px: Some(width * 0.04),
                    half_flux_px: Some(width * 1.05),
                    elongation: Some(elongation),
                    elongation_angle_deg: Some(90.0 + 80.0 * noise(id)),
                    elongation_spread: Some(0.03),
                    transparency: Some(transparency),
                    shift_x_px: Some(6.0 * noise(id * 19)),
                    shift_y_px: Some(6.0 * noise(id * 23)),
                    shift_arcsec: Some(8.0 * noise(id * 29).abs()),
                    rotation_deg: Some(0.0),
                    scale: Some(1.0),
                    airmass: Some(1.1 + 0.004 * n as f64),
                    sky_e_per_s: Some(sky / run.exposure_s * electrons_per_adu),
                }),
                sky: Vec::new(),
                verdict: calibrated.then_some(if findings.is_empty() {
                    Verdict::Kept
                } else {
                    Verdict::SetAside
                }),
                set_aside_for: if calibrated {
                    findings.iter().map(|f| f.reason).collect()
                } else {
                    Vec::new()
                },
                findings: if calibrated { findings } else { Vec::new() },
                trails: if id % 53 == 5 {
                    vec![Trail {
                        length_px: 2210.0,
                        angle_deg: 37.5,
                    }]
                } else {
                    Vec::new()
                },
            }
        })
        .collect()
}

fn calibration(
    count: usize,
    kind: Kind,
    rig: &str,
    label: &str,
    master: Option<&str>,
    reason: Option<&str>,
    from: &str,
) -> Vec<CalibrationEntry> {
    let begin: Timestamp = from.parse().unwrap();
    (0..count)
        .map(|n| CalibrationEntry {
            file: format!("{NIGHT}/{rig}/{kind}/{label}_{:03}.fits", n + 1),
            watch: "incoming".to_owned(),
            kind,
            rig: rig.to_owned(),
            start_utc: Some(format!(
                "{:.3}",
                begin + SignedDuration::from_secs(n as i64 * 6)
            )),
            state: match (master, reason) {
                (Some(_), _) => "used",
                (None, Some(why)) if why.starts_with("the profile") => "spare",
                _ => "left-out",
            }
            .to_owned(),
            reason: reason.map(str::to_owned),
            master: master.map(str::to_owned),
            rejected_low_fraction: master.map(|_| 0.000_21),
            rejected_high_fraction: master.map(|_| 0.001_4 + 0.0001 * n as f64),
        })
        .collect()
}

/// The whole log.
pub fn log() -> SessionLog {
    let products: Vec<String> = [
        "petrel-26m/bias/bias-99aabbcc",
        "petrel-26m/flat/ha-0a1b2c3d",
        "petrel-26m/flat/l-55667788",
        "dunlin-24c/flat/none-deadbeef",
    ]
    .map(|stem| format!("masters/{stem}.fits"))
    .to_vec();
    let mut all = Vec::new();
    for run in &RUNS {
        let first = all.len();
        all.extend(lights(run, first, &products));
    }
    all[289].state = "refused".to_owned();
    let truncated = Refusal::Truncated {
        has: 31_457_280,
        needs: 52_344_000,
    };
    all[289].reason = Some(truncated.to_string());
    all[289].verdict = None;
    all[289].measures = None;
    all[289].product = None;
    all[289].findings.clear();
    all[289].set_aside_for.clear();
    all.sort_by(|a, b| a.start_utc.cmp(&b.start_utc));

    let mut frames = Vec::new();
    let dim = "too dark: level 1376.2 ADU, limit 9830.2 (15 % of 65535 ADU)";
    let spare = "the profile north-pier wants no dark frames";
    frames.extend(calibration(
        28,
        Kind::Flat,
        "north-pier",
        "Ha",
        Some(&products[1]),
        None,
        "2026-11-14T16:20:00Z",
    ));
    frames.extend(calibration(
        2,
        Kind::Flat,
        "north-pier",
        "Ha-late",
        None,
        Some(dim),
        "2026-11-14T16:24:00Z",
    ));
    frames.extend(calibration(
        30,
        Kind::Flat,
        "north-pier",
        "L",
        Some(&products[2]),
        None,
        "2026-11-14T16:26:00Z",
    ));
    frames.extend(calibration(
        25,
        Kind::Flat,
        "south-pier",
        "none",
        Some(&products[3]),
        None,
        "2026-11-14T16:30:00Z",
    ));
    frames.extend(calibration(
        50,
        Kind::Bias,
        "north-pier",
        "bias",
        Some(&products[0]),
        None,
        "2026-11-14T16:40:00Z",
    ));
    frames.extend(calibration(
        5,
        Kind::Dark,
        "north-pier",
        "dark",
        None,
        Some(spare),
        "2026-11-15T07:20:00Z",
    ));

    let master =
        |product: usize, kind, rig: &str, filter: Option<&str>, used, out, fit: Option<&Pooled>| {
            MasterEntry {
                product: products[product].clone(),
                kind,
                rig: rig.to_owned(),
                filter: filter.map(str::to_owned),
                exposure_s: if kind == Kind::Bias { 0.001 } else { 2.5 },
                temperature_c: Some(-10.0),
                frames_used: Some(used),
                frames_left_out: Some(out),
                method: format!(
                    "{kind}/1 sigma-clip low=3 high=3 iterations=5 center=median saturation=65000"
                ),
                rejected_low_fraction: Some(0.000_21),
                rejected_high_fraction: Some(0.001_9),
                level_adu: if kind == Kind::Bias { 501.2 } else { 24_310.5 },
                noise_adu: if kind == Kind::Bias { 0.42 } else { 0.001_925 },
                temporal_noise_adu: Some(0.002_25),
                ideal_noise_adu: Some(0.002_125),
                fit_slope: fit.map(|pooled| pooled.fit.slope),
                fit_error: fit.map(|pooled| pooled.fit.error),
                fit: fit.map(|pooled| {
                    flat_caution(Some(pooled), &[]).unwrap_or_else(|| flat_fits(pooled))
                }),
            }
        };
    let pooled = |slope, error, lights| Pooled {
        fit: Fit { slope, error },
        lights,
        scatter: 1.0,
    };
    let mut masters = vec![
        master(0, Kind::Bias, "north-pier", None, 50, 0, None),
        master(
            1,
            Kind::Flat,
            "north-pier",
            Some("Ha"),
            28,
            2,
            Some(&pooled(0.012, 0.019, 62)),
        ),
        master(
            2,
            Kind::Flat,
            "north-pier",
            Some("L"),
            30,
            0,
            Some(&pooled(-0.021, 0.004, 83)),
        ),
        master(
            3,
            Kind::Flat,
            "south-pier",
            Some("none"),
            25,
            0,
            Some(&pooled(0.081, 0.011, 79)),
        ),
    ];
    let moved = MovedShadow {
        from: (3965.0, 2600.0),
        depth: 0.031,
        part: 0.94,
        part_error: 0.06,
        to: Some((3902.0, 2641.0)),
    };
    masters[2].fit = flat_caution(None, &[moved]);
    let cautions = masters[2..].iter().map(|master| {
        let caution = master.fit.as_deref().unwrap();
        format!("{}: {caution}", master.product)
    });
    let course = Course {
        undithered_px: Some(0.6),
        drift: None,
        jumps: Vec::new(),
        clouds: Vec::new(),
    };
    let mut warnings: Vec<String> = cautions.collect();
    warnings.push("south-pier: lights' headers say 0.25 electrons per ADU at gain 100, flats and bias say 0.2621 +- 0.0008".to_owned());
    warnings.push(format!(
        "north-pier, Lantern Nebula, Ha: {}",
        course.warning().unwrap()
    ));

    let shoot = |rig: &str, kind, filter: Option<&str>, count, why: &str| ShootEntry {
        rig: rig.to_owned(),
        kind,
        filter: filter.map(str::to_owned),
        exposure_s: (kind == Kind::Dark).then_some(240.0),
        temperature_c: (kind == Kind::Dark).then_some(-5.0),
        gain: Some(100.0),
        offset: Some(50.0),
        rotator_deg: (kind == Kind::Flat).then_some(123.4),
        count,
        why: why.to_owned(),
    };
    let plain = |file: &str, reason: &str| PlainEntry {
        file: format!("{NIGHT}/{file}"),
        watch: "incoming".to_owned(),
        reason: reason.to_owned(),
    };
    let mut log = SessionLog {
        schema: SCHEMA.to_owned(),
        night: NIGHT.to_owned(),
        state: NightState::Closed,
        ledger: Ledger::default(),
        groups: RUNS
            .iter()
            .filter(|run| run.flat.is_some())
            .map(|run| group(run, &all))
            .collect(),
        sensors: sensors(0),
        lights: all,
        calibration: frames,
        masters,
        refused: vec![
            plain(
                "notes.fits",
                &Refusal::NotFits {
                    found: "\"Dear all\"".to_owned(),
                }
                .to_string(),
            ),
            plain(
                "guide/guide_0001.fits",
                &Refusal::UnknownCamera {
                    camera: "Wren 2".to_owned(),
                }
                .to_string(),
            ),
        ],
        ignored: vec![
            plain(
                "focus_01.fits",
                "a short shot, not meant as a light: 2 s, under 15 s and under 0.25 of the night's usual 300",
            ),
            plain(
                "focus_02.fits",
                "a short shot, not meant as a light: 2 s, under 15 s and under 0.25 of the night's usual 300",
            ),
            plain("sequence.json", "not a FITS name"),
        ],
        to_shoot: vec![
            shoot(
                "south-pier",
                Kind::Dark,
                None,
                6,
                &Wait::TooFew {
                    kind: Kind::Dark,
                    have: 14,
                    need: 20,
                }
                .to_string(),
            ),
            shoot(
                "north-pier",
                Kind::Flat,
                Some("OIII"),
                20,
                "40 lights of Lantern Nebula wait for it",
            ),
        ],
        warnings,
        totals: Vec::new(),
    };
    log.ledger = Ledger {
        seen: log.lights.len() + log.calibration.len() + log.refused.len() + log.ignored.len(),
        lights: log.lights.len(),
        calibration: log.calibration.len(),
        refused: log.refused.len(),
        ignored: log.ignored.len(),
    };
    log
}

/// Its targets beside goals: hours, a ratio, and a ratio before the first light.
pub fn goals(nights: &[NightSummary]) -> Targets {
    let ratio = |signal_to_noise| {
        Goal::SignalToNoise(SignalToNoise {
            signal_to_noise,
            signal_e_per_s: 0.2,
            rig: None,
        })
    };
    let of = |filter: &str, goal| (filter.to_owned(), goal);
    let lantern = [of("Ha", Goal::Hours(200.0)), of("SII", ratio(20.0))];
    let cluster = [of("L", ratio(90.0))];
    let goals = [
        ("Lantern Nebula".to_owned(), lantern.into()),
        ("Skarn Cluster".to_owned(), cluster.into()),
    ];
    night::targets(nights, &goals.into())
}

fn group(run: &Run, all: &[LightEntry]) -> GroupEntry {
    let mine = all
        .iter()
        .filter(|light| light.target.as_deref() == Some(run.target) && light.filter == run.filter);
    let colour = run.rig == "south-pier";
    let (electrons_per_adu, read_noise_e) = camera(run.rig);
    let line = |colour, slope, intercept_adu| ChannelLine {
        colour,
        slope,
        intercept_adu,
    };
    GroupEntry {
        rig: run.rig.to_owned(),
        target: Some(run.target.to_owned()),
        filter: run.filter.to_owned(),
        exposure_s: run.exposure_s,
        frames: mine
            .clone()
            .filter(|light| light.measures.is_some())
            .count(),
        kept: mine
            .filter(|light| light.verdict == Some(Verdict::Kept))
            .count(),
        fwhm_px: Some(run.fwhm_px),
        fwhm_arcsec: Some(run.fwhm_px * run.scale),
        elongation: Some(1.14),
        background_adu: Some(run.background),
        stars: Some(run.stars),
        pixel_scale_arcsec: Some(run.scale),
        sky_e_per_s: Some(run.background / run.exposure_s * electrons_per_adu),
        row_order: RowOrder::BottomUp,
        sky: if colour {
            [Colour::Red, Colour::Green, Colour::Blue]
                .into_iter()
                .zip([0.61, 1.0, 0.74])
                .map(|(colour, part)| ColourSky {
                    colour,
                    level_adu: part * run.background,
                    noise_adu: (part * run.background).sqrt(),
                })
                .collect()
        } else {
            Vec::new()
        },
        zones_fwhm_px: (0..9)
            .map(|zone| {
                (zone != 6 || colour).then(|| {
                    run.fwhm_px
                        * (0.96
                            + 0.05 * (zone % 3) as f64
                            + 0.02 * (zone / 3) as f64 * f64::from(u8::from(colour)) * 4.0)
                })
            })
            .collect(),
        zones_elongation: (0..9)
            .map(|zone| (zone != 6 || colour).then_some(1.05 + 0.04 * (zone % 3) as f64))
            .collect(),
        zones_angle_deg: (0..9)
            .map(|zone| (zone != 6 || colour).then_some(20.0 * zone as f64))
            .collect(),
        drift_arcsec_per_h: Some(1.3),
        jumps: Vec::new(),
        clouds: Vec::new(),
        best: None,
        channel_lines: if colour {
            vec![
                line(Colour::Red, 0.612, 18.4),
                line(Colour::Blue, 0.744, -6.2),
            ]
        } else {
            Vec::new()
        },
        advice: advise(&Series {
            exposure_s: run.exposure_s,
            background_adu: Some(run.background),
            electrons_per_adu: Some(electrons_per_adu),
            read_noise_e: Some(read_noise_e),
            pixel_scale_arcsec: Some(run.scale),
            fwhm_px: Some(run.fwhm_px),
        })
        .sentences,
    }
}

fn sensors(age: usize) -> Vec<SensorEntry> {
    let sensor = |rig: &str, camera_name: &str, seed: usize, dark: f64, glow: f64, hot: f64| {
        let (gain, read_noise) = camera(rig);
        let varied = |value: f64, by: f64, n: usize| value * (1.0 + by * noise(age * n + seed));
        let hot = varied(hot, 0.04, 43) - 0.01 * hot * age as f64;
        let check = |effect, value, limit| DarkCheck {
            effect,
            value,
            limit,
        };
        let checks = vec![
            check(DarkEffect::FixedPattern, 0.11 * seed as f64, 0.5),
            check(DarkEffect::Glow, glow, 0.5),
            check(DarkEffect::HotPixels, hot, 100.0),
            check(DarkEffect::Level, 0.0008, 0.005),
        ];
        let need = match checks.iter().any(DarkCheck::is_above) {
            true => Need::Needed,
            false => Need::NotNeeded,
        };
        let entry = |check: &DarkCheck| DarkCheckEntry {
            effect: check.effect,
            value: check.value,
            limit: check.limit,
        };
        let exposure_s = if seed == 1 { 300.0 } else { 240.0 };
        SensorEntry {
            rig: rig.to_owned(),
            camera: camera_name.to_owned(),
            gain: Some(100.0),
            gain_e_per_adu: Some(varied(gain, 0.006, 31)),
            read_noise_e: Some(varied(read_noise, 0.01, 37)),
            linearity: Some(varied(0.006, 0.2, 53)),
            linearity_error: Some(0.001),
            exposure_s: Some(exposure_s),
            dark_current_e_per_s: Some(varied(dark, 0.1, 41)),
            glow_e_per_s: Some(varied(glow, 0.1, 47) / exposure_s),
            glow_error_e_per_s: Some(0.1 * glow / exposure_s),
            temperature_c: Some(if seed == 1 { -10.0 } else { -5.0 }),
            hot_pixels_per_megapixel: Some(hot),
            darks: Some(need),
            dark_checks: checks.iter().map(entry).collect(),
            dark_verdict: DarkVerdict {
                need,
                checks,
                missing: None,
                dark_noise: None,
                stack: None,
            }
            .to_string(),
            ..SensorEntry::default()
        }
    };
    vec![
        sensor("north-pier", "Petrel 26M", 1, 0.0011, 0.08, 41.0),
        sensor("south-pier", "Dunlin 24C", 2, 0.021, 1.3, 1240.0),
    ]
}

/// Nights before and with this one, in brief.
pub fn history() -> Vec<NightSummary> {
    let days = [
        "2026-11-14",
        "2026-11-11",
        "2026-11-10",
        "2026-10-30",
        "2026-10-22",
        "2026-10-21",
        "2026-10-03",
        "2026-09-28",
        "2026-09-05",
    ];
    let nights = days.iter().enumerate().map(|(age, night)| {
        let mut log = log();
        log.night = (*night).to_owned();
        log.sensors = sensors(age);
        log.lights.truncate(300 - age * 29);
        log.warnings.truncate(3usize.saturating_sub(age));
        if age > 0 {
            log.to_shoot.clear();
            log.lights.retain(|light| light.state == "calibrated");
        }
        night::summary(&log)
    });
    nights.collect()
}

/// A field of stars around a glow.
fn field(rows: usize, columns: usize, seed: usize) -> Array2<f32> {
    let mut plane = Array2::from_shape_fn((rows, columns), |(y, x)| {
        let away = ((x as f64 - 0.55 * columns as f64) / 300.0)
            .hypot((y as f64 - 0.45 * rows as f64) / 190.0);
        let arms = 1.0 + 0.5 * (3.0 * (y as f64).atan2(x as f64 + 1.0) + away * 4.0).sin();
        (400.0 + 110.0 * arms * (-away * away).exp() + 9.0 * noise(y * columns + x + seed)) as f32
    });
    for star in 0..260 {
        let at = |n: usize, limit: usize| {
            ((noise(star * 5 + n + seed) + 1.0) / 2.0 * (limit - 12) as f64) as usize + 6
        };
        let (cx, cy) = (at(1, columns), at(2, rows));
        let flux = 60.0 / (0.004 + (noise(star * 5 + 3 + seed) + 1.0) / 2.0);
        for y in cy - 6..cy + 6 {
            for x in cx - 6..cx + 6 {
                let r2 = (x as f64 - cx as f64).powi(2) + (y as f64 - cy as f64).powi(2);
                plane[[y, x]] += (flux * (-r2 / 4.0).exp()) as f32;
            }
        }
    }
    plane
}

/// Pictures of the best lights and of all masters of [`log()`].
pub fn previews() -> &'static [Preview] {
    static MADE: LazyLock<Vec<Preview>> = LazyLock::new(|| made(&log()));
    &MADE
}

fn made(log: &SessionLog) -> Vec<Preview> {
    let mut previews = Vec::new();
    for (seed, run) in RUNS.iter().filter(|run| run.flat.is_some()).enumerate() {
        let best = log
            .lights
            .iter()
            .find(|light| light.filter == run.filter && light.verdict == Some(Verdict::Kept));
        let picture = preview(
            &Shrunk::of(field(640, 960, seed * 1_000_000).view()),
            None,
            &[],
        );
        previews.push(Preview {
            product: best.unwrap().product.clone().unwrap(),
            note: String::new(),
            width: picture.width,
            height: picture.height,
            jpeg: picture.jpeg(78),
        });
    }
    for (at, master) in log.masters.iter().enumerate() {
        let plane = Array2::from_shape_fn((640, 960), |(y, x)| {
            let away = ((x as f64 - 480.0) / 480.0).hypot((y as f64 - 320.0) / 480.0);
            let dust = ((x as f64 - 610.0).hypot(y as f64 - 400.0) / 16.0 - 1.0).powi(2);
            (1.0 - 0.2 * away * away - 0.03 * (-dust * 4.0).exp() + 0.004 * noise(y * 960 + x + at))
                as f32
        });
        let flags = |first: usize, out: &mut [u16]| -> Result<(), Infallible> {
            for (place, flag) in (first * 960..).zip(out) {
                *flag = u16::from(noise(place + 77 * at) > 0.9992) * 2;
            }
            Ok(())
        };
        let Ok(marks) = Marks::read((640, 960), 2, flags);
        let picture = preview_with_defects(&Shrunk::of(plane.view()), None, &marks);
        previews.push(Preview {
            product: master.product.clone(),
            note: "Defects are marked.".to_owned(),
            width: picture.width,
            height: picture.height,
            jpeg: picture.jpeg(78),
        });
    }
    previews
}
