#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use super::*;
use crate::facts::{
    CalibrationRules, Camera, Celsius, CfaChoice, Combining, CombiningRule, FlatLevel, FrameRule,
    GainMeaning, MESH, Optics, RowOrder, Rule, Seconds, ShortShots, Tolerance, VerdictLimits,
    Windows,
};
use crate::measure::dice::Dice;
use crate::measure::{rows_to_sample, sample};

fn profile() -> Profile {
    let rule = FrameRule {
        rule: Rule::Required,
        min_frames: 5,
        quiet: Duration::from_secs(60),
        run_gap: Duration::from_secs(3600),
        combining: CombiningRule::Always(Combining::Mean),
        scaled: false,
    };
    Profile {
        name: "north-pier".to_owned(),
        cameras: vec!["Petrel 26M".to_owned()],
        telescope: None,
        calibration: CalibrationRules {
            bias: rule,
            flat_dark: rule,
            dark: rule,
            flat: rule,
        },
        tolerance: Tolerance {
            temperature_c: 1.0,
            exposure_fraction: 0.02,
            flat_dark_exposure_fraction: 0.1,
            rotator_deg: 2.0,
        },
        windows: Windows {
            flat_before: 14,
            flat_after: 3,
            library_before: 180,
            library_after: 7,
        },
        filters: BTreeMap::new(),
        passbands: BTreeMap::new(),
        kinds: BTreeMap::new(),
        keywords: BTreeMap::new(),
        paths: Vec::new(),
        gain_keyword: GainMeaning::Setting,
        cfa: CfaChoice::Header,
        overscan: None,
        saturation_adu: None,
        flat_level: FlatLevel::PerColour,
        flat_range: (0.15, 0.7),
        bias_max_s: 0.5,
        short_shots: ShortShots {
            under_s: 15.0,
            under_fraction: 0.25,
        },
        sensor: None,
        verdict: VerdictLimits::default(),
        products: crate::facts::ProductRules::default(),
        train_changes: Vec::new(),
        supplied: Vec::new(),
    }
}

fn frame(kind: Kind, exposure: f64, temperature: f64, cfa: Option<Cfa>) -> Frame {
    Frame {
        kind,
        rig: "north-pier".into(),
        camera: Arc::new(Camera {
            name: "Petrel 26M".into(),
            width: 400,
            height: 300,
            binning: (1, 1),
            gain: None,
            offset: None,
            readout_mode: None,
            row_order: RowOrder::Unstated,
            origin: (0, 0),
            cfa,
            overscan: None,
        }),
        filter: "none".into(),
        exposure: Seconds::new(exposure).unwrap(),
        temperature: Celsius::new(temperature),
        set_point: Celsius::new(-10.0),
        optics: Arc::new(Optics::default()),
        rotator: None,
        sky_angle: None,
        target: None,
        start: None,
        pointing: None,
        pixel_um: None,
        electrons_per_adu: None,
        remarks: Vec::new(),
    }
}

// Small, so that hundreds of sets can be shot; the real subsample has ten times as many pixels and
// a third of the scatter.
const WIDTH: usize = 128;
const HEIGHT: usize = 96;

/// Where all saturate, ADU.
const TOP: f64 = 65_535.0;

/// A sensor for one set.
#[derive(Clone, Copy)]
struct Sensor {
    /// ADU.
    pedestal: f64,
    /// ADU.
    read_noise: f64,
    /// Electrons per ADU.
    gain: f64,
    /// ADU.
    step: f64,
}

impl Sensor {
    fn any(dice: &mut Dice) -> Self {
        let step = [1.0, 1.0, 4.0, 16.0][(4.0 * dice.uniform()) as usize];
        Self {
            pedestal: 100.0 + 1900.0 * dice.uniform(),
            read_noise: step * (1.2 + 5.0 * dice.uniform()),
            gain: 0.3 + dice.uniform(),
            step,
        }
    }

    /// An exposure: `signal(x, y)` in ADU over the pedestal, x and y from 0 to 1; shot noise, read
    /// noise, hot pixels and a few cosmic rays, in steps of the converter, clipped at the top.
    fn shoot(&self, dice: &mut Dice, signal: impl Fn(f64, f64) -> f64) -> Sample {
        let mut pixels = Vec::with_capacity(WIDTH * HEIGHT);
        for y in 0..HEIGHT {
            for x in 0..WIDTH {
                let signal = signal(x as f64 / WIDTH as f64, y as f64 / HEIGHT as f64);
                let noise = (self.read_noise.powi(2) + signal.max(0.0) / self.gain).sqrt();
                let mut value = self.pedestal + signal + noise * dice.normal();
                if (x * 31 + y * 17) % 1999 == 0 || dice.uniform() < 2e-4 {
                    value += 2000.0;
                }
                let stepped = (value / self.step).round() * self.step;
                pixels.push(stepped.clamp(0.0, 65535.0) as f32);
            }
        }
        let rows: Vec<(usize, &[f32])> = rows_to_sample(HEIGHT)
            .into_iter()
            .map(|(first, count)| (first, &pixels[first * WIDTH..(first + count) * WIDTH]))
            .collect();
        sample(WIDTH, HEIGHT, &rows, 65535.0)
    }

    fn bias(&self, dice: &mut Dice, offset: f64) -> Sample {
        self.shoot(dice, |_, _| offset)
    }

    /// A flat of this level in its middle, with vignetting and a slope of so much across.
    fn flat(&self, dice: &mut Dice, level: f64, slope: f64) -> Sample {
        self.shoot(dice, |x, y| {
            level * vignetting(x, y) * (1.0 + slope * (x - 0.5))
        })
    }
}

fn vignetting(x: f64, y: f64) -> f64 {
    1.0 - 0.6 * ((x - 0.5).powi(2) + (y - 0.5).powi(2))
}

const PLAIN: Sensor = Sensor {
    pedestal: 500.0,
    read_noise: 3.0,
    gain: 0.8,
    step: 1.0,
};

fn judge(kind: Kind, samples: &[Sample]) -> Vec<Option<String>> {
    let exposure = if kind == Kind::Bias { 0.001 } else { 10.0 };
    let frame = frame(kind, exposure, -10.0, None);
    let set: Vec<(&Frame, &Sample)> = samples.iter().map(|sample| (&frame, sample)).collect();
    let verdict = left_out(kind, &set, TOP, &profile());
    let turned: Vec<(&Frame, &Sample)> = set.iter().rev().copied().collect();
    let mut back = left_out(kind, &turned, TOP, &profile());
    back.reverse();
    assert_eq!(verdict, back, "the order of the frames must not matter");
    verdict
}

/// Nothing but frame `spoiled` is left out, for a reason with these words.
fn only(verdict: &[Option<String>], spoiled: usize, words: &str) {
    for (frame, reason) in verdict.iter().enumerate() {
        if frame == spoiled {
            let reason = reason.as_deref().unwrap_or("kept");
            assert!(reason.contains(words), "{reason}");
        } else {
            assert_eq!(*reason, None, "frame {frame}");
        }
    }
}

#[test]
fn no_good_frame_of_many_sets_is_left_out() {
    let mut dice = Dice(2026);
    let (mut frames, mut lost) = (0, Vec::new());
    for set in 0..300 {
        let sensor = Sensor::any(&mut dice);
        let count = 3 + (17.0 * dice.uniform()) as usize;
        let kind = Kind::CALIBRATION[set % 4];
        let current = 60.0 * dice.uniform();
        let samples: Vec<Sample> = (0..count)
            .map(|frame| {
                let along = frame as f64 / count as f64;
                // Levels wander by a few hundredths of the read noise.
                let wander = 0.03 * sensor.read_noise * dice.normal();
                match kind {
                    Kind::Bias | Kind::FlatDark => sensor.bias(&mut dice, wander),
                    // A tenth of a degree is one per cent of the dark current, glow included.
                    Kind::Dark => {
                        let current = current * (1.0 + 0.01 * dice.normal().clamp(-2.0, 2.0));
                        sensor.shoot(&mut dice, |x, y| {
                            wander + current * (0.2 + (-8.0 * (1.0 - x).hypot(y)).exp())
                        })
                    }
                    // Dusk: the level falls by a factor of three, the slope turns a little.
                    _ => {
                        let level = 38000.0 * 3f64.powf(-along);
                        sensor.flat(&mut dice, level, 0.03 + 0.01 * along)
                    }
                }
            })
            .collect();
        frames += count;
        for reason in judge(kind, &samples).into_iter().flatten() {
            lost.push(format!("{kind} set {set} of {count}: {reason}"));
        }
    }
    assert!(
        lost.is_empty(),
        "{} of {frames} lost: {lost:#?}",
        lost.len()
    );
}

#[test]
fn a_light_leak_of_a_few_read_noises_is_named() {
    let mut dice = Dice(1);
    for kind in [Kind::Dark, Kind::FlatDark] {
        // Three frames say little about their own scatter, so it takes more.
        for (count, leak) in [(3, 10.0), (5, 3.0), (10, 3.0), (30, 3.0)] {
            let mut samples: Vec<Sample> = (0..count)
                .map(|_| {
                    let level = 20.0 + 0.1 * dice.normal();
                    PLAIN.bias(&mut dice, level)
                })
                .collect();
            samples[1] = PLAIN.bias(&mut dice, 20.0 + leak * PLAIN.read_noise);
            only(&judge(kind, &samples), 1, "light leak: level 5");
        }
    }
}

#[test]
fn a_leak_in_a_corner_is_named() {
    let mut dice = Dice(2);
    let mut samples: Vec<Sample> = (0..12).map(|_| PLAIN.bias(&mut dice, 20.0)).collect();
    samples[4] = PLAIN.shoot(&mut dice, |x, y| {
        20.0 + 30.0 * (-20.0 * ((x - 0.93).powi(2) + (y - 0.05).powi(2))).exp()
    });
    only(
        &judge(Kind::Dark, &samples),
        4,
        "light leak: cell in row 1, column 8 of 8x8",
    );
}

#[test]
fn a_dark_a_little_warmer_is_no_leak() {
    // A glowing corner; the first frames were taken while the cooler was still settling, half a
    // degree off at a tolerance of one.
    let glow =
        |strength: f64| move |x: f64, y: f64| strength * (-8.0 * (x.powi(2) + y.powi(2))).exp();
    for seed in 10..30 {
        let mut dice = Dice(seed);
        let mut samples: Vec<Sample> = (0..12)
            .map(|number| {
                let warmer = if number == 0 {
                    1.07
                } else {
                    1.0 + 0.003 * dice.normal()
                };
                PLAIN.shoot(&mut dice, glow(400.0 * warmer))
            })
            .collect();
        let verdict = judge(Kind::Dark, &samples);
        assert!(verdict.iter().all(Option::is_none), "{verdict:?}");
        // Much more of the same is warmth that no tolerance allows, or light.
        samples[5] = PLAIN.shoot(&mut dice, glow(700.0));
        only(&judge(Kind::Dark, &samples), 5, "light leak");
    }
}

#[test]
fn a_noisy_bias_is_left_out() {
    let mut dice = Dice(3);
    let mut samples: Vec<Sample> = (0..10).map(|_| PLAIN.bias(&mut dice, 0.0)).collect();
    let noisy = Sensor {
        read_noise: 9.0,
        ..PLAIN
    };
    samples[9] = noisy.bias(&mut dice, 0.0);
    only(&judge(Kind::Bias, &samples), 9, "noise: 9.");
    samples[9] = PLAIN.bias(&mut dice, -9.0);
    only(&judge(Kind::Bias, &samples), 9, "level: 491.");
}

#[test]
fn bias_frames_whose_levels_hardly_differ_stay() {
    let level = |level: f64| {
        let mut sample = PLAIN.bias(&mut Dice(4), 0.0);
        for plane in &mut sample.planes {
            (plane.level, plane.spread) = (level, 3.0);
        }
        sample.mesh = vec![level as f32; MESH * MESH];
        sample
    };
    let mut samples = vec![level(500.0); 12];
    samples[7] = level(501.0);
    assert_eq!(judge(Kind::Bias, &samples), vec![None; 12]);
    // Noiseless frames are no reason to divide by zero.
    for sample in &mut samples[..7] {
        sample.planes = Default::default();
    }
    judge(Kind::Bias, &samples[..7]);
}

#[test]
fn spoiled_flats_are_left_out_by_themselves() {
    let mut dice = Dice(6);
    let mut samples: Vec<Sample> = (0..8)
        .map(|_| PLAIN.flat(&mut dice, 25000.0, 0.02))
        .collect();
    samples[0] = PLAIN.flat(&mut dice, 90000.0, 0.02);
    only(
        &judge(Kind::Flat, &samples),
        0,
        "saturated: 99.7 % of pixels at or above 65535 ADU, limit 1 %",
    );
    samples[0] = PLAIN.flat(&mut dice, 55000.0, 0.02);
    only(&judge(Kind::Flat, &samples), 0, "too bright: level 5");
    samples[0] = PLAIN.bias(&mut dice, 10.0);
    only(
        &judge(Kind::Flat, &samples),
        0,
        "too dark: level 509.9 ADU, limit 9830.2 (15 % of 65535 ADU)",
    );
    assert!(
        judge(Kind::Flat, &samples[..2])[0].is_some(),
        "alone as well"
    );
}

#[test]
fn a_flat_of_another_shape_is_left_out() {
    let mut dice = Dice(7);
    let mut samples: Vec<Sample> = (0..9)
        .map(|at| PLAIN.flat(&mut dice, 33000.0 / (1.0 + 0.2 * f64::from(at)), 0.02))
        .collect();
    assert_eq!(judge(Kind::Flat, &samples), vec![None; 9]);
    // Something in the way over one corner.
    samples[3] = PLAIN.shoot(&mut dice, |x, y| {
        let shadow = if x < 0.3 && y > 0.7 { 0.9 } else { 1.0 };
        25000.0 * vignetting(x, y) * shadow
    });
    only(&judge(Kind::Flat, &samples), 3, "uneven: cell in row ");
}

#[test]
fn colours_of_a_flat_are_judged_one_by_one() {
    let sample = |levels: [f64; 4]| {
        let mut sample = PLAIN.flat(&mut Dice(8), 25000.0, 0.0);
        for (plane, level) in sample.planes.iter_mut().zip(levels) {
            plane.level = level;
        }
        sample
    };
    let frame = frame(Kind::Flat, 1.0, -10.0, Cfa::parse("GRBG"));
    let reason =
        |levels| left_out(Kind::Flat, &[(&frame, &sample(levels))], TOP, &profile())[0].clone();
    assert_eq!(reason([30000.0, 12000.0, 15000.0, 30000.0]), None);
    assert_eq!(
        reason([30000.0, 9000.0, 15000.0, 30000.0]).as_deref(),
        Some("too dark: red level 9000.0 ADU, limit 9830.2 (15 % of 65535 ADU)")
    );
    assert_eq!(
        reason([45000.0, 12000.0, 15000.0, 46000.0]).as_deref(),
        Some("too bright: green level 46000.0 ADU, limit 45874.5 (70 % of 65535 ADU)")
    );
    // A single-line filter keeps green and blue dark.
    assert_eq!(reason([900.0, 30000.0, 600.0, 900.0]), None);
}

#[test]
fn exposure_and_temperature_have_limits_of_their_own() {
    let sample = PLAIN.bias(&mut Dice(9), 0.0);
    let one = |kind, exposure, temperature| {
        let frame = frame(kind, exposure, temperature, None);
        left_out(kind, &[(&frame, &sample)], TOP, &profile())[0].clone()
    };
    assert_eq!(one(Kind::Bias, 0.5, -10.0), None);
    assert_eq!(
        one(Kind::Bias, 5.0, -10.0).as_deref(),
        Some("too long for a bias: exposure 5 s, limit 0.5 s")
    );
    assert_eq!(one(Kind::Dark, 300.0, -9.0), None);
    assert_eq!(
        one(Kind::Dark, 300.0, -4.5).as_deref(),
        Some("wrong temperature: measured -4.5 C, limit 1 C from the set-point -10.0 C")
    );
    assert!(one(Kind::FlatDark, 3.0, -11.2).is_some());
    assert_eq!(one(Kind::Flat, 3.0, -4.0), one(Kind::Flat, 3.0, -10.0));
}

#[test]
fn what_fails_by_itself_is_no_reference_for_the_others() {
    let mut dice = Dice(10);
    // Three good darks among five that were taken too warm and too bright.
    let samples: Vec<Sample> = (0..8)
        .map(|at| PLAIN.bias(&mut dice, if at < 3 { 20.0 } else { 90.0 }))
        .collect();
    let frames = [-10.0, 2.0].map(|t| frame(Kind::Dark, 300.0, t, None));
    let set: Vec<(&Frame, &Sample)> = samples
        .iter()
        .enumerate()
        .map(|(at, sample)| (&frames[usize::from(at >= 3)], sample))
        .collect();
    let verdict = left_out(Kind::Dark, &set, TOP, &profile());
    for (at, reason) in verdict.iter().enumerate() {
        match reason {
            None => assert!(at < 3),
            Some(reason) => assert!(at >= 3 && reason.starts_with("wrong temperature")),
        }
    }
}
