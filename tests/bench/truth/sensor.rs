//! One invented sensor: its frames by the simulator, what is measured of them, and the truth.

use std::collections::BTreeMap;

use dawnledger::combine::median;
use dawnledger::facts::{Cfa, DarkSignal, DarkVerdict, Estimate, Kind, Stack, Transfer};
use dawnledger::judge::{BlackLevel, Sensor, black_level, need_of_darks};
use dawnledger::measure::sensor::{
    Bands, PhotonTransfer, dark_charge, dark_signal, darkest, pair, photon_transfer,
};
use dawnledger::simulate::{Scenario, frames, ideal, pixels};

use crate::night::dice::Dice;

/// What was measured of a sensor, beside the truth.
pub struct Case {
    pub number: u64,
    pub story: String,
    pub glows: bool,
    pub gain: (Estimate, f64),
    pub read_noise: (Estimate, f64),
    /// Dark current by noise and by level; the level of a camera that holds its black says nothing.
    pub currents: [Option<(Estimate, f64)>; 2],
    pub told: DarkVerdict,
    pub truth: DarkVerdict,
}

/// Sensor `number`.
pub fn case(number: u64) -> Case {
    let mut dice = Dice::new(number ^ 0x05e5_0000);
    let (width, height) = dice.one_of(&[(256, 192), (320, 240), (512, 384)]);
    let bits = dice.one_of(&[12, 14, 16]);
    let cfa = dice.chance(0.4);
    let step = f64::from(1_u32 << (16 - bits));
    // Electrons for a step of the converter, and a read noise that it resolves.
    let electrons = dice.log_between(0.25, 3.0);
    let gain = electrons / step;
    let noise = dice.log_between((0.6 * electrons).max(1.0), (1.5 * electrons).max(8.0));
    // High enough that no noise is cut off at 0.
    let pedestal = (8.0 * noise / gain).max(800.0).round();
    let dark = dice.log_between(0.0003, 0.3);
    let exposure_s = dice.one_of(&[60.0, 120.0, 300.0]);
    let hot = (dice.log_between(5.0, 3000.0), dice.log_between(0.5, 10.0));
    let glows = dice.chance(0.5);
    let glow = if glows {
        dice.log_between(0.005, 3.0)
    } else {
        0.0
    };
    let reach = dice.log_between(0.05, 0.4);
    let holds_black = dice.chance(0.25);
    let sky_e = dice.log_between(15.0, 2000.0);
    let stack = Stack {
        filter: "L".into(),
        target: None,
        frames: dice.one_of(&[5, 10, 20, 40, 60]),
        sky_adu: pedestal,
        dithered: dice.chance(0.6),
    };
    let scenario = Scenario::parse(&format!(
        "
seed: {number}
rigs:
  - camera: Petrel 26M
    sensor: {{width: {width}, height: {height}, bits: {bits}, cfa: {cfa}, e_per_adu: {gain}, read_noise_e: {noise},
             pedestal_adu: {pedestal}, full_well_e: {well}, dark_e_per_s: {dark}, hot_pixels_per_million: {hot_pixels},
             hot_e_per_s: {hot_current}, glow_e_per_s: {glow}, glow_reach: {reach}, holds_black: {holds_black}, jitter_c: 0}}
    optics: {{vignetting: {vignetting}}}
    filters: [{{name: L, panel: [0.7, 1.0, 0.8]}}]
    targets: [{{name: Lantern Nebula}}]
    runs:
      - {{kind: bias, start: '2026-09-05T18:00:00Z', count: 2}}
      - {{kind: flat, filter: L, level: 0.2, exposure_s: 1, start: '2026-09-05T19:00:00Z', count: 2}}
      - {{kind: flat, filter: L, level: 0.5, ramp: 0.06, exposure_s: 1, start: '2026-09-05T19:10:00Z', count: 2, name: 'bright_{{n}}.fits'}}
      - {{kind: dark, exposure_s: {exposure_s}, start: '2026-09-05T20:00:00Z', count: 2}}
      - {{kind: light, filter: L, target: Lantern Nebula, exposure_s: {exposure_s}, start: '2026-09-05T22:00:00Z', count: 1}}
",
        cfa = if cfa { "RGGB" } else { "null" },
        well = 60_000.0 * gain,
        hot_pixels = hot.0,
        hot_current = hot.1,
        vignetting = dice.between(0.05, 0.5),
    ))
    .unwrap();

    let top = 65_535.0 - step;
    let bands = Bands::of(width, height);
    let mut shot: BTreeMap<Kind, Vec<Vec<f32>>> = BTreeMap::new();
    let mut masters = None;
    for file in frames(&scenario) {
        let exposure = file.exposure().unwrap();
        if exposure.kind == Kind::Light {
            masters = ideal(&scenario, &file);
            continue;
        }
        let values = pixels(&scenario, exposure).into_iter().map(f32::from);
        shot.entry(exposure.kind)
            .or_default()
            .push(values.collect());
    }
    let masters = masters.unwrap();
    let colours = cfa.then(|| Cfa::parse("RGGB").unwrap());
    let bias = pair(&bands, colours, two(&shot[&Kind::Bias]), top, &[]);
    let flats = shot[&Kind::Flat].chunks(2);
    let flats = flats.map(|flats| pair(&bands, colours, two(flats), top, &bias));
    let lowest = shot[&Kind::Flat].iter().step_by(2);
    let lowest = lowest.filter_map(|flat| darkest(&bands, flat, bias[0].level));
    let transfer = Transfer {
        flats: flats.collect(),
        step,
        darkest: lowest.fold(1.0, f64::min),
        bias,
    };
    let found = photon_transfer(&transfer).unwrap();
    let signal = dark_signal(
        &bands,
        two(&shot[&Kind::Bias]),
        two(&shot[&Kind::Dark]),
        top,
    )
    .unwrap();

    // The truth, from what the simulator was told and from its maps without noise.
    let charge = dark * exposure_s;
    let mut excess: Vec<f64> = masters
        .dark
        .iter()
        .zip(&masters.bias)
        .map(|(dark, bias)| f64::from(dark - bias))
        .collect();
    let glow = Glow {
        height: glow,
        reach: reach * width as f64,
    };
    let noise_adu = ((2.0 * noise * noise + charge) / 2.0).sqrt() / gain;
    let is_hot = |(at, value): (usize, &f64)| {
        let ordinary =
            charge + exposure_s * glow.at((width - 1 - at % width) as f64, (at / width) as f64);
        let held = if holds_black { charge } else { 0.0 };
        value - (ordinary - held) / gain > 8.0 * noise_adu
    };
    let hot_pixels = excess
        .iter()
        .enumerate()
        .filter(|&pixel| is_hot(pixel))
        .count();
    let middle = median(&mut excess).unwrap();
    let known = |value: f64| Estimate { value, error: 0.0 };
    let level = if holds_black { 0.0 } else { charge / gain };
    // The corner's cell, of the size that glows are measured in, over the farthest corner.
    let across = (8 * width / 256).clamp(1, 32);
    let corner: Vec<f64> = (0..8 * (width / across))
        .map(|at| glow.at((at / 8) as f64, (at % 8) as f64))
        .collect();
    let corner = corner.iter().sum::<f64>() / corner.len() as f64;
    let rise = corner - glow.at(width as f64 - 1.0, height as f64 - 1.0);
    let signal_in_truth = DarkSignal {
        bias_level: pedestal,
        bias_variance: known((noise / gain).powi(2)),
        middle,
        level: known(level),
        tail: known(0.0),
        variance: known(charge / (gain * gain)),
        pattern: known((0.1 * charge / gain).powi(2)),
        glow: known(rise * exposure_s / gain),
        hot_per_megapixel: known(hot_pixels as f64 / (width * height) as f64 * 1e6),
        pixels: (width * height) as u64,
    };
    let gain_in_truth = PhotonTransfer {
        electrons_per_adu: known(gain),
        read_noise_e: known(noise),
        noise_adu: noise / gain,
        colours: Vec::new(),
        full: None,
        linearity: None,
    };
    let stack = Stack {
        sky_adu: pedestal + middle + sky_e / gain,
        ..stack
    };
    let told = Sensor {
        gain: &found,
        dark: &signal,
        darkest: transfer.darkest,
    };
    let truth = Sensor {
        gain: &gain_in_truth,
        dark: &signal_in_truth,
        darkest: darkest(&bands, &masters.flat, 0.0).unwrap(),
    };
    let [by_noise, by_level] = dark_charge(&signal, found.electrons_per_adu)
        .map(|charge| (charge.times(1.0 / exposure_s), dark));
    Case {
        number,
        story: format!(
            "{width}x{height}, {bits} bits{}, {gain:.3} e-/ADU, read noise {noise:.1} e-, {exposure_s} s of {dark:.4} e-/s, \
             glow {:.3} e-/s over {reach:.2}, {:.0} hot pixels of {:.1} e-/s{}, sky {sky_e:.0} e-, {} lights",
            if cfa { ", colour" } else { "" },
            glow.height,
            hot.0,
            hot.1,
            if holds_black { ", holds its black" } else { "" },
            stack.frames,
        ),
        glows,
        gain: (found.electrons_per_adu, gain),
        read_noise: (found.read_noise_e, noise),
        currents: [Some(by_noise), (!holds_black).then_some(by_level)],
        told: verdict(told, stack.clone()),
        truth: verdict(truth, stack),
    }
}

fn verdict(sensor: Sensor<'_>, stack: Stack) -> DarkVerdict {
    let held = match black_level(sensor.dark, Some(sensor.gain.electrons_per_adu)) {
        Some(BlackLevel::Held(found)) => Some(found),
        _ => None,
    };
    need_of_darks(sensor, held, stack)
}

/// The simulator's glow, electrons per second.
struct Glow {
    height: f64,
    /// Pixels over which it falls to 1/e.
    reach: f64,
}

impl Glow {
    /// So many pixels from its corner.
    fn at(&self, x: f64, y: f64) -> f64 {
        let distance = ((x * x + y * y) / (self.reach * self.reach) + 0.04).sqrt();
        self.height * (0.2 - distance).exp()
    }
}

fn two(frames: &[Vec<f32>]) -> [&[f32]; 2] {
    [&frames[0], &frames[1]]
}
