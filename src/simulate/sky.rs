//! What falls on the sensor: stars, nebula, sky, a flat's panel, light that should not be there.
//!
//! All images are mean charges in e- per pixel, before the optics' and pixels' response; noise is
//! the sensor's. Stars are integrated over pixels by 5 x 5 midpoints, which conserves their flux
//! to half a percent down to a full width of 1.5 pixels (`truth` has the same flux).

use super::dice::Dice;
use super::exact::{cos_deg, exp, power};
use super::scenario::{Channels, Fault, Filter, Rig, Run, Target};
use super::schedule::Exposure;
use super::sensor::{colour, top};
use crate::facts::Kind;

/// Points along a pixel's side at which a star is sampled.
const SAMPLES: i32 = 5;
/// Positions along a streaked star.
const STREAK: usize = 9;
/// Stars are drawn this far beyond the frame's edges, as a fraction of its sides.
const MARGIN: f64 = 0.25;
/// How much of the light comes from where the dome stands in the way.
const DOME: f64 = 0.05;
/// How the number of stars grows towards faint ones: N(brighter than f) goes as f to minus this.
const COUNTS_SLOPE: f64 = 0.8;

/// Charge from light in every pixel as it falls in; none where the shutter or cap is closed and
/// nothing leaks.
pub(super) fn light(seed: u64, rig: &Rig, run: &Run, exposure: &Exposure) -> Option<Vec<f64>> {
    match exposure.kind {
        Kind::Light => Some(field(seed, rig, run, exposure)),
        Kind::Flat => Some(panel(rig, exposure)),
        Kind::Bias | Kind::Dark | Kind::FlatDark => match exposure.fault {
            Fault::Leak(rate) => Some(leak(rig, rate * exposure.exposure_s)),
            _ => None,
        },
    }
}

pub(super) fn filter<'a>(rig: &'a Rig, exposure: &Exposure) -> Option<&'a Filter> {
    let name = exposure.filter.as_ref()?;
    rig.filters.iter().find(|filter| filter.name == *name)
}

fn target<'a>(rig: &'a Rig, exposure: &Exposure) -> Option<&'a Target> {
    let name = exposure.target.as_ref()?;
    rig.targets.iter().find(|target| target.name == *name)
}

fn panel(rig: &Rig, exposure: &Exposure) -> Vec<f64> {
    let sensor = &rig.sensor;
    let panel = filter(rig, exposure).map_or(Channels::All(1.0), |filter| filter.panel);
    let brightest = panel.values().into_iter().fold(0.0, f64::max);
    let level = (exposure.level * top(sensor) - sensor.pedestal_adu).max(0.0) * sensor.e_per_adu;
    (0..sensor.width * sensor.height)
        .map(|index| level * panel.of(colour(sensor, index)) / brightest)
        .collect()
}

fn leak(rig: &Rig, at_edge: f64) -> Vec<f64> {
    let width = rig.sensor.width;
    (0..width * rig.sensor.height)
        .map(|index| {
            let across = (index % width) as f64 / width as f64;
            at_edge * (0.25 + 0.75 * (1.0 - across) * (1.0 - across))
        })
        .collect()
}

fn field(seed: u64, rig: &Rig, run: &Run, exposure: &Exposure) -> Vec<f64> {
    let sensor = &rig.sensor;
    let plain = Filter::default();
    let filter = filter(rig, exposure).unwrap_or(&plain);
    let mut stars = vec![0.0; sensor.width * sensor.height];
    if let Some(target) = target(rig, exposure) {
        draw_nebula(&mut stars, seed, rig, run, target, exposure);
        draw_stars(&mut stars, seed, rig, run, target, exposure);
    }
    let brighter = match exposure.fault {
        Fault::Clouds(fraction) => 1.0 + 0.25 * (1.0 - fraction),
        Fault::Bright(factor) => factor,
        _ => 1.0,
    };
    let mut image: Vec<f64> = stars
        .iter()
        .enumerate()
        .map(|(index, star)| {
            let colour = colour(sensor, index);
            let x = (index % sensor.width) as f64 / sensor.width as f64 - 0.5;
            let y = (index / sensor.width) as f64 / sensor.height as f64 - 0.5;
            let slope = 1.0 + filter.gradient * (0.8 * x + 0.6 * y) / 1.4;
            let sky = filter.sky_e_per_s.of(colour) * brighter * exposure.sky * slope;
            exposure.exposure_s * (sky + star * filter.stars.of(colour) * exposure.transparency)
        })
        .collect();
    match exposure.fault {
        Fault::Trail(charge) => draw_trail(&mut image, rig, charge, exposure),
        Fault::Blocked(part) => {
            for row in image.chunks_mut(sensor.width) {
                let edge = (part * row.len() as f64).round() as usize;
                for value in row.iter_mut().take(edge) {
                    *value *= DOME;
                }
            }
        }
        _ => {}
    }
    image
}

/// Where a place of the undithered, unflipped field lies in an exposure. A half turn leaves a
/// nebula's ellipse as it is, and other turns are small.
fn placed(x: f64, y: f64, rig: &Rig, run: &Run, exposure: &Exposure) -> (f64, f64) {
    let (x, y) = if run.flipped {
        let (w, h) = (rig.sensor.width as f64, rig.sensor.height as f64);
        (w - 1.0 - x, h - 1.0 - y)
    } else {
        (x, y)
    };
    let (x, y) = turned(x, y, rig, exposure.turn_deg);
    (x - exposure.pointing_px[0], y - exposure.pointing_px[1])
}

/// A place turned about the frame's centre. Without a turn it stays as it is, to the bit.
fn turned(x: f64, y: f64, rig: &Rig, degrees: f64) -> (f64, f64) {
    if degrees == 0.0 {
        return (x, y);
    }
    let centre = |side: usize| (side as f64 - 1.0) / 2.0;
    let (cx, cy) = (centre(rig.sensor.width), centre(rig.sensor.height));
    let (cos, sin) = (cos_deg(degrees), cos_deg(degrees - 90.0));
    let (dx, dy) = (x - cx, y - cy);
    (cx + cos * dx - sin * dy, cy + sin * dx + cos * dy)
}

fn draw_nebula(
    image: &mut [f64],
    seed: u64,
    rig: &Rig,
    run: &Run,
    target: &Target,
    exposure: &Exposure,
) {
    if target.nebula_e_per_s <= 0.0 {
        return;
    }
    let (w, h) = (rig.sensor.width as f64, rig.sensor.height as f64);
    let mut dice = Dice::new(seed, &["nebula", &target.name]);
    for _ in 0..4 {
        let (x, y) = (w * dice.between(0.2, 0.8), h * dice.between(0.2, 0.8));
        let (x, y) = placed(x, y, rig, run, exposure);
        let across = w * dice.between(0.08, 0.25);
        let along = across * dice.between(1.0, 2.0);
        let peak = target.nebula_e_per_s * dice.between(0.3, 1.0);
        // A direction without an angle: any vector, brought to length 1.
        let (u, v) = (dice.between(-1.0, 1.0), dice.between(0.1, 1.0));
        let length = (u * u + v * v).sqrt();
        let (u, v) = (u / length, v / length);
        for (index, value) in image.iter_mut().enumerate() {
            let dx = (index % rig.sensor.width) as f64 - x;
            let dy = (index / rig.sensor.width) as f64 - y;
            let (a, b) = ((dx * u + dy * v) / along, (dy * u - dx * v) / across);
            *value += peak * exp(-0.5 * (a * a + b * b));
        }
    }
}

/// A star's position on the undithered frame and its photons.
pub(super) struct Star {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) e_per_s: f64,
}

/// The target's stars, on the frame and somewhat beyond.
pub(super) fn stars(seed: u64, rig: &Rig, target: &Target) -> Vec<Star> {
    let mut dice = Dice::new(seed, &["stars", &rig.camera, &target.name]);
    let (w, h) = (rig.sensor.width as f64, rig.sensor.height as f64);
    let side = 1.0 + 2.0 * MARGIN;
    let count = (target.stars as f64 * side * side).round() as usize;
    (0..count)
        .map(|_| {
            let x = dice.between(-MARGIN, 1.0 + MARGIN) * w;
            let y = dice.between(-MARGIN, 1.0 + MARGIN) * h;
            let faint = target.faintest_e_per_s;
            let e_per_s = faint * power(dice.unit(), -1.0 / COUNTS_SLOPE);
            Star {
                x,
                y,
                e_per_s: e_per_s.min(target.brightest_e_per_s),
            }
        })
        .collect()
}

fn draw_stars(
    image: &mut [f64],
    seed: u64,
    rig: &Rig,
    run: &Run,
    target: &Target,
    exposure: &Exposure,
) {
    let fwhm = match exposure.fault {
        Fault::Defocused(factor) => exposure.seeing_px * factor,
        _ => exposure.seeing_px,
    };
    let spot = Spot::new(fwhm, run.moffat);
    let places: Vec<(f64, f64, f64)> = match exposure.fault {
        Fault::Doubled([dx, dy]) => vec![(0.0, 0.0, 0.6), (dx, dy, 0.4)],
        Fault::Streaked([dx, dy]) => (0..STREAK)
            .map(|step| {
                let along = step as f64 / (STREAK - 1) as f64 - 0.5;
                (dx * along, dy * along, 1.0 / STREAK as f64)
            })
            .collect(),
        _ => vec![(0.0, 0.0, 1.0)],
    };
    for star in stars(seed, rig, target) {
        let (x, y) = placed(star.x, star.y, rig, run, exposure);
        for (dx, dy, share) in &places {
            let (x, y) = (x + dx, y + dy);
            spot.draw(image, rig.sensor.width, x, y, star.e_per_s * share);
        }
    }
}

/// The shape of a star of unit flux.
struct Spot {
    /// Moffat's core width squared, or twice the Gaussian's variance.
    square: f64,
    moffat: Option<f64>,
    radius: f64,
}

impl Spot {
    fn new(fwhm: f64, moffat: Option<f64>) -> Self {
        let half = fwhm * fwhm / 4.0;
        match moffat {
            // FWHM = 2 a sqrt(2^(1/b) - 1).
            Some(exponent) => Self {
                square: half / (power(2.0, 1.0 / exponent) - 1.0),
                moffat,
                radius: 6.0 * fwhm,
            },
            // FWHM = 2 s sqrt(2 ln 2).
            None => Self {
                square: half / std::f64::consts::LN_2,
                moffat,
                radius: 2.5 * fwhm,
            },
        }
    }

    /// Flux per square pixel at a squared distance.
    fn at(&self, distance: f64) -> f64 {
        let scale = 1.0 / (std::f64::consts::PI * self.square);
        match self.moffat {
            Some(exponent) => {
                scale * (exponent - 1.0) * power(1.0 + distance / self.square, -exponent)
            }
            None => scale * exp(-distance / self.square),
        }
    }

    fn draw(&self, image: &mut [f64], width: usize, x: f64, y: f64, flux: f64) {
        let height = image.len() / width;
        let span = |centre: f64, side: usize| {
            let from = (centre - self.radius).ceil().clamp(0.0, side as f64);
            let to = (centre + self.radius)
                .floor()
                .clamp(-1.0, side as f64 - 1.0)
                + 1.0;
            from as usize..to as usize
        };
        let offset = |step: i32| (f64::from(step) + 0.5) / f64::from(SAMPLES) - 0.5;
        let far = (0.25 * self.radius * self.radius).max(9.0);
        for row in span(y, height) {
            for column in span(x, width) {
                let (dx, dy) = (column as f64 - x, row as f64 - y);
                // Far from the core a star is flat across a pixel.
                let sum = if dx * dx + dy * dy > far {
                    self.at(dx * dx + dy * dy)
                } else {
                    let mut sum = 0.0;
                    for sub in 0..SAMPLES * SAMPLES {
                        let u = dx + offset(sub % SAMPLES);
                        let v = dy + offset(sub / SAMPLES);
                        sum += self.at(u * u + v * v);
                    }
                    sum / f64::from(SAMPLES * SAMPLES)
                };
                image[row * width + column] += flux * sum;
            }
        }
    }
}

fn draw_trail(image: &mut [f64], rig: &Rig, charge: f64, exposure: &Exposure) {
    let (w, h) = (rig.sensor.width as f64, rig.sensor.height as f64);
    // From edge to edge; the slope depends on the exposure's number only.
    let from = h * (0.1 + 0.06 * (exposure.number % 5) as f64);
    let to = h * (0.9 - 0.11 * (exposure.number % 4) as f64);
    let rise = (to - from) / w;
    let scale = 1.0 / (1.0 + rise * rise).sqrt();
    let sigma = exposure.seeing_px / 2.354_82;
    for (index, value) in image.iter_mut().enumerate() {
        let x = (index % rig.sensor.width) as f64;
        let y = (index / rig.sensor.width) as f64;
        let off = (y - from - rise * x) * scale / sigma;
        if off.abs() < 6.0 {
            *value += charge / (sigma * 2.506_628_27) * exp(-0.5 * off * off);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spots_hold_their_flux_and_width() {
        // What a Moffat's wings hold beyond six full widths is lost: 2^(1/b) - 1 is small.
        for (fwhm, moffat, kept) in [
            (1.6, None, 0.995),
            (3.0, None, 0.995),
            (5.0, Some(4.765), 0.999),
            (3.0, Some(2.5), 0.985),
        ] {
            let spot = Spot::new(fwhm, moffat);
            let mut image = vec![0.0; 101 * 101];
            spot.draw(&mut image, 101, 50.3, 49.8, 1000.0);
            let sum: f64 = image.iter().sum::<f64>() / 1000.0;
            assert!((kept..1.003).contains(&sum), "{fwhm} {moffat:?}: {sum}");
            let ratio = spot.at(fwhm * fwhm / 4.0) / spot.at(0.0);
            assert!((ratio - 0.5).abs() < 1e-12, "{fwhm} {moffat:?}: {ratio}");
        }
    }
}
