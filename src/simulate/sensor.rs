//! The sensor: its fixed patterns, and how electrons become stored numbers.
//!
//! With B the pedestal, D the dark charge, S the charge from light, K the gain in e-/ADU and q the
//! converter's step, a pixel reads
//!
//! ```text
//! q round([B + (min(Poisson(S + D), full well) + N(0, read noise)) / K] / q), held in 0 ..= top
//! ```
//!
//! Patterns are drawn from the scenario's seed and the rig, never from the frame, so they are the
//! same in all its frames. It does not know what made the light.

use super::dice::Dice;
use super::exact::{exp, ln, power};
use super::scenario::{Filter, Optics, Rig, Sensor};
use crate::facts::Colour;

/// Relative scatter of the dark current among ordinary pixels.
const DARK_SCATTER: f64 = 0.1;

/// Colour of a photosite; none for a monochrome sensor.
pub(super) fn colour(sensor: &Sensor, index: usize) -> Option<Colour> {
    sensor
        .cfa
        .map(|cfa| cfa.at(index % sensor.width, index / sensor.width))
}

/// The converter's step as it is stored, ADU.
pub(super) fn step(sensor: &Sensor) -> f64 {
    if sensor.scaled_to_16_bits {
        f64::from(1_u32 << (16 - sensor.bits))
    } else {
        1.0
    }
}

/// The largest number the converter gives as it is stored, ADU.
pub(super) fn top(sensor: &Sensor) -> f64 {
    f64::from((1_u32 << sensor.bits) - 1) * step(sensor)
}

/// Pedestal of every pixel, ADU: level, columns, pixels.
pub(super) fn pedestal(seed: u64, sensor: &Sensor, rig: &str) -> Vec<f64> {
    let mut dice = Dice::new(seed, &["pedestal", rig]);
    let columns: Vec<f64> = (0..sensor.width)
        .map(|_| sensor.pedestal_adu + sensor.column_pattern_adu * dice.normal())
        .collect();
    (0..sensor.width * sensor.height)
        .map(|index| columns[index % sensor.width] + sensor.pixel_pattern_adu * dice.normal())
        .collect()
}

/// How much faster the dark current runs than at its reference temperature.
fn warmth(sensor: &Sensor, temperature_c: f64) -> f64 {
    power(
        2.0,
        (temperature_c - sensor.dark_at_c) / sensor.dark_doubling_c,
    )
}

/// By how much a camera that holds its black level lowers an exposure, ADU.
pub(super) fn held_back(sensor: &Sensor, exposure_s: f64, temperature_c: f64) -> f64 {
    if sensor.holds_black {
        sensor.dark_e_per_s * warmth(sensor, temperature_c) * exposure_s / sensor.e_per_adu
    } else {
        0.0
    }
}

/// Charge that gathers without light: e- in every pixel.
pub(super) fn dark_charge(
    seed: u64,
    sensor: &Sensor,
    rig: &str,
    exposure_s: f64,
    temperature_c: f64,
) -> Vec<f64> {
    let mut dice = Dice::new(seed, &["dark", rig]);
    let warmth = warmth(sensor, temperature_c);
    let hot = sensor.hot_pixels_per_million * 1e-6;
    let reach = sensor.glow_reach * sensor.width as f64;
    (0..sensor.width * sensor.height)
        .map(|index| {
            let ordinary = sensor.dark_e_per_s * (1.0 + DARK_SCATTER * dice.normal()).max(0.0);
            let is_hot = dice.unit() < hot;
            let excess = if is_hot {
                // Hot pixels' currents fall off exponentially, from a fifth of the mean upwards.
                sensor.hot_e_per_s * (0.2 - 0.8 * ln(dice.unit()))
            } else {
                0.0
            };
            let x = (sensor.width - 1 - index % sensor.width) as f64;
            let y = (index / sensor.width) as f64;
            // Smooth everywhere, one scale length at `reach`.
            let distance = ((x * x + y * y) / (reach * reach) + 0.04).sqrt();
            let glow = sensor.glow_e_per_s * exp(0.2 - distance);
            exposure_s * ((ordinary + excess) * warmth + glow)
        })
        .collect()
}

/// Response of every pixel through a filter, scaled so that its mean over each colour of the
/// array is 1: what a perfect master flat holds.
pub(super) fn response(seed: u64, rig: &Rig, filter: Option<&Filter>) -> Vec<f64> {
    let sensor = &rig.sensor;
    let mut pixels = Dice::new(seed, &["response", &rig.camera]);
    let shadows = dust(seed, rig, filter);
    let mut map: Vec<f64> = (0..sensor.width * sensor.height)
        .map(|index| {
            let x = (index % sensor.width) as f64;
            let y = (index / sensor.width) as f64;
            let own = 1.0 + sensor.pixel_response * pixels.normal();
            let shade: f64 = shadows.iter().map(|shadow| shadow.at(x, y)).product();
            own.max(0.1) * shade * vignette(&rig.optics, sensor, x, y)
        })
        .collect();
    let mut sums = [(0.0, 0_usize); 4];
    let phase = |index: usize| match sensor.cfa {
        None => 0,
        Some(cfa) => cfa.at(index % sensor.width, index / sensor.width) as usize + 1,
    };
    for (index, value) in map.iter().enumerate() {
        let (sum, count) = &mut sums[phase(index)];
        *sum += value;
        *count += 1;
    }
    for (index, value) in map.iter_mut().enumerate() {
        let (sum, count) = sums[phase(index)];
        *value *= count as f64 / sum;
    }
    map
}

fn vignette(optics: &Optics, sensor: &Sensor, x: f64, y: f64) -> f64 {
    // The optical axis misses the middle by a little, as it does.
    let (w, h) = (sensor.width as f64, sensor.height as f64);
    let (dx, dy) = (x - 0.52 * w, y - 0.47 * h);
    let square = (dx * dx + dy * dy) / (0.25 * (w * w + h * h));
    let square = square.min(1.2);
    1.0 - optics.vignetting * square * (0.7 + 0.3 * square) / 1.272
}

/// The shadow of a speck: a ring, since the aperture's central obstruction lights its middle.
struct Shadow {
    x: f64,
    y: f64,
    radius: f64,
    depth: f64,
}

impl Shadow {
    fn at(&self, x: f64, y: f64) -> f64 {
        let (dx, dy) = (x - self.x, y - self.y);
        let r = (dx * dx + dy * dy).sqrt() / self.radius;
        // Rises from the middle, falls at the rim, both within a fifth of the radius.
        let smooth = |from: f64, to: f64| {
            let t = ((r - from) / (to - from)).clamp(0.0, 1.0);
            t * t * (3.0 - 2.0 * t)
        };
        1.0 - self.depth * smooth(0.25, 0.45) * (1.0 - smooth(0.8, 1.0))
    }
}

fn dust(seed: u64, rig: &Rig, filter: Option<&Filter>) -> Vec<Shadow> {
    let Some(filter) = filter else {
        return Vec::new();
    };
    let mut dice = Dice::new(seed, &["dust", &rig.camera, &filter.name]);
    let (w, h) = (rig.sensor.width as f64, rig.sensor.height as f64);
    (0..filter.dust)
        .map(|_| Shadow {
            x: dice.between(0.05, 0.95) * w,
            y: dice.between(0.05, 0.95) * h,
            radius: dice.between(0.035, 0.07) * w,
            depth: dice.between(0.05, 0.18),
        })
        .collect()
}

/// Reads out one exposure.
///
/// `light` is the mean charge from light in every pixel, e-. Returns the stored numbers on the
/// 16-bit scale, row by row.
pub(super) fn read_out(
    seed: u64,
    rig: &Rig,
    light: Option<&[f64]>,
    exposure_s: f64,
    temperature_c: f64,
    noise: &mut Dice,
) -> Vec<u16> {
    let sensor = &rig.sensor;
    let pedestal = pedestal(seed, sensor, &rig.camera);
    let dark = dark_charge(seed, sensor, &rig.camera, exposure_s, temperature_c);
    let held_back = held_back(sensor, exposure_s, temperature_c);
    let (step, top) = (step(sensor), top(sensor));
    pedestal
        .iter()
        .zip(&dark)
        .enumerate()
        .map(|(index, (pedestal, dark))| {
            let mean = dark + light.map_or(0.0, |light| light[index]);
            let charge = noise.poisson(mean).min(sensor.full_well_e);
            let read = charge + sensor.read_noise_e * noise.normal();
            let adu = pedestal - held_back + read / sensor.e_per_adu;
            ((adu / step).round() * step).clamp(0.0, top) as u16
        })
        .collect()
}
