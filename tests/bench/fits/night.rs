//! An invented night: one sensor, its masters in halves, and lights, with known truth.
//!
//! The halves of a master are drawn with the noise that the mean of so many exposures has, not
//! exposure by exposure.

#[path = "../../dice/mod.rs"]
pub mod dice;

use std::ops::Range;

use dawnledger::facts::{Cfa, Colour, Fit, MovedShadow};
use dawnledger::measure::fit::{
    Left, Map, Pooled, dark_left, flat_left, is_kept, map, moved_shadows,
};
use dice::Dice;
use ndarray::Array2;

/// Electrons per ADU, electrons of read noise, ADU of pedestal.
const GAIN: f64 = 0.8;
const READ_NOISE: f64 = 1.6;
const PEDESTAL: f64 = 500.0;
/// Exposures in half a master.
const HALF: f64 = 10.0;
/// Dark current doubles over so many degrees.
const DOUBLING_C: f64 = 6.0;

/// What is wrong with the flat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FlatFault {
    /// Nothing.
    None,
    /// Dust moved after the flats.
    MovedDust,
    /// So many ADU too much were taken off flats of so many ADU.
    Bias(f64, f64),
    /// Light from one side that did not come through the optics, this part of the flat's level there.
    Leak(f64),
    /// The whole image turned by 180 degrees.
    Turned,
    /// The optics turned by 180 degrees against the sensor.
    TurnedOptics,
}

/// What is wrong with the dark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DarkFault {
    /// Nothing.
    None,
    /// The lights were so many degrees warmer.
    Warmer(f64),
    /// The dark is of this part of the lights' exposure.
    Exposure(f64),
}

/// How the night is made up.
#[derive(Clone, Copy, Debug)]
pub struct Scene {
    pub seed: u64,
    pub size: (usize, usize),
    pub cfa: Option<Cfa>,
    /// Electrons of sky in one exposure.
    pub sky: f64,
    /// Relative scatter of pixels' response.
    pub response: f64,
    /// Electrons of dark charge in an ordinary pixel and mean of those in a hot one.
    pub dark: (f64, f64),
    /// Electrons of the amplifier's glow in its corner; a fifth of the width away a third of it is left.
    pub glow: f64,
    pub lights: usize,
    pub flat: FlatFault,
    pub darks: DarkFault,
}

/// What the checks said.
pub struct Found {
    pub flat: Vec<Option<Fit>>,
    pub dark: Vec<Option<Fit>>,
    pub moved: Vec<Vec<MovedShadow>>,
    /// The slope as it comes out when light and regressor share one whole flat.
    pub plain: Vec<Option<Fit>>,
}

impl Found {
    pub fn pooled(fits: &[Option<Fit>]) -> Option<Pooled> {
        Pooled::over(&fits.iter().flatten().copied().collect::<Vec<Fit>>())
    }
}

struct Speck {
    x: f64,
    y: f64,
    radius: f64,
    depth: f64,
}

impl Speck {
    fn scatter(dice: &mut Dice, (width, height): (usize, usize)) -> Vec<Self> {
        let speck = |dice: &mut Dice| Self {
            x: dice.between(0.08, 0.92) * width as f64,
            y: dice.between(0.08, 0.92) * height as f64,
            radius: dice.between(12.0, 26.0),
            depth: dice.between(0.03, 0.15),
        };
        (0..4).map(|_| speck(dice)).collect()
    }

    /// A ring, since the aperture's central obstruction lights its middle.
    fn at(&self, x: f64, y: f64) -> f64 {
        let r = (x - self.x).hypot(y - self.y) / self.radius;
        let step = |from: f64, to: f64| {
            let t = ((r - from) / (to - from)).clamp(0.0, 1.0);
            t * t * (3.0 - 2.0 * t)
        };
        1.0 - self.depth * (0.4 + 0.6 * step(0.1, 0.4)) * (1.0 - step(0.75, 1.0))
    }
}

struct Star {
    x: f64,
    y: f64,
    flux: f64,
}

/// Plays the night and looks at every light.
pub fn play(scene: &Scene) -> Found {
    let (width, height) = scene.size;
    let mut dice = Dice(scene.seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
    let pixels = width * height;
    let place = |at: usize| ((at % width) as f64, (at / width) as f64);
    let turned = |(x, y): (f64, f64)| (width as f64 - 1.0 - x, height as f64 - 1.0 - y);
    let vignette = |(x, y): (f64, f64)| {
        let r = (x / width as f64 - 0.52).hypot(y / height as f64 - 0.47);
        1.0 - 0.5 * r * r
    };
    let own: Vec<f64> = (0..pixels)
        .map(|_| 1.0 + scene.response * dice.normal())
        .collect();
    let before = Speck::scatter(&mut dice, scene.size);
    let moved = Speck::scatter(&mut dice, scene.size);
    let optics = |specks: &[Speck], at: (f64, f64)| {
        vignette(at)
            * specks
                .iter()
                .map(|speck| speck.at(at.0, at.1))
                .product::<f64>()
    };
    let colour = |at: usize, of: [f64; 3]| match scene.cfa.map(|cfa| cfa.at(at % width, at / width))
    {
        None | Some(Colour::Green) => of[1],
        Some(Colour::Red) => of[0],
        Some(Colour::Blue) => of[2],
    };
    let in_light: Vec<f64> = (0..pixels)
        .map(|at| {
            own[at]
                * optics(
                    if scene.flat == FlatFault::MovedDust {
                        &moved
                    } else {
                        &before
                    },
                    place(at),
                )
        })
        .collect();
    let mut in_flat: Vec<f64> = (0..pixels)
        .map(|at| match scene.flat {
            FlatFault::TurnedOptics => own[at] * optics(&before, turned(place(at))),
            _ => own[at] * optics(&before, place(at)),
        })
        .collect();
    if scene.flat == FlatFault::Turned {
        in_flat.reverse();
    }
    let (level, wrong) = match scene.flat {
        FlatFault::Bias(wrong, level) => (level, wrong),
        _ => (22_000.0, 0.0),
    };
    let leak = |at: usize| match scene.flat {
        FlatFault::Leak(part) => part * level * (-place(at).0 / (0.4 * width as f64)).exp(),
        _ => 0.0,
    };
    let half_flat = |dice: &mut Dice| -> Vec<f32> {
        let mut sums = [(0.0, 0.0); 4];
        let phase = |at: usize| {
            scene
                .cfa
                .map_or(3, |cfa| cfa.at(at % width, at / width) as usize)
        };
        let mut flat: Vec<f64> = (0..pixels)
            .map(|at| {
                let adu = level * colour(at, [0.55, 1.0, 0.7]) * in_flat[at] + leak(at);
                let noise = (adu / GAIN + (READ_NOISE / GAIN).powi(2)) / HALF;
                adu + noise.sqrt() * dice.normal() - wrong
            })
            .collect();
        for (at, value) in flat.iter().enumerate() {
            let sum = &mut sums[phase(at)];
            *sum = (sum.0 + value, sum.1 + 1.0);
        }
        for (at, value) in flat.iter_mut().enumerate() {
            let (sum, count) = sums[phase(at)];
            *value *= count / sum;
        }
        flat.into_iter().map(|value| value as f32).collect()
    };
    let flats = [half_flat(&mut dice), half_flat(&mut dice)];
    // The sensor without light.
    let pattern: Vec<f64> = (0..pixels).map(|_| PEDESTAL + dice.normal()).collect();
    let charge: Vec<f64> = (0..pixels)
        .map(|at| {
            let hot = match dice.uniform() < 1000e-6 {
                true => -scene.dark.1 * dice.uniform().ln(),
                false => 0.0,
            };
            let (x, y) = place(at);
            let away = (width as f64 - 1.0 - x).hypot(y) / (0.2 * width as f64);
            let glow = scene.glow * (0.2 - (away * away + 0.04).sqrt()).exp();
            scene.dark.0 * (1.0 + 0.3 * dice.normal()).max(0.0) + hot + glow
        })
        .collect();
    let (in_dark, more) = match scene.darks {
        DarkFault::None => (1.0, 1.0),
        DarkFault::Warmer(degrees) => (1.0, (degrees / DOUBLING_C).exp2()),
        DarkFault::Exposure(part) => (part, 1.0),
    };
    let half_dark = |factor: f64, dice: &mut Dice| -> Vec<f32> {
        let dark = |at: usize| {
            let electrons = factor * charge[at];
            let noise = ((electrons + READ_NOISE * READ_NOISE) / HALF).sqrt() / GAIN;
            (pattern[at] + electrons / GAIN + noise * dice.normal()) as f32
        };
        (0..pixels).map(dark).collect()
    };
    let bias = [half_dark(0.0, &mut dice), half_dark(0.0, &mut dice)];
    let darks = [half_dark(in_dark, &mut dice), half_dark(in_dark, &mut dice)];
    let mean = |halves: &[Vec<f32>; 2]| -> Vec<f32> {
        halves[0]
            .iter()
            .zip(&halves[1])
            .map(|(a, b)| (a + b) / 2.0)
            .collect()
    };
    let (flat, dark) = (mean(&flats), mean(&darks));
    let plane =
        |pixels: &[f32]| Array2::from_shape_fn((height, width), |(y, x)| pixels[y * width + x]);
    let flat_map = map(plane(&flat).view(), scene.cfa);
    let field: Vec<Star> = (0..pixels / 2500)
        .map(|_| Star {
            x: dice.between(0.0, width as f64),
            y: dice.between(0.0, height as f64),
            // Numbers fall with flux as in a uniform space.
            flux: 400.0 * dice.uniform().powf(-2.0 / 3.0).min(2000.0),
        })
        .collect();
    let nebula = (
        dice.between(0.2, 0.8) * width as f64,
        dice.between(0.2, 0.8) * height as f64,
    );
    let tilt = (dice.between(-0.1, 0.1), dice.between(-0.1, 0.1));
    let mut found = Found {
        flat: Vec::new(),
        dark: Vec::new(),
        moved: Vec::new(),
        plain: Vec::new(),
    };
    for _ in 0..scene.lights {
        let shift = (dice.between(-8.0, 8.0), dice.between(-8.0, 8.0));
        let mut sky: Vec<f64> = (0..pixels)
            .map(|at| {
                let (x, y) = place(at);
                let away =
                    (x - nebula.0 - shift.0).hypot(y - nebula.1 - shift.1) / (0.15 * width as f64);
                let slope = tilt.0 * x / width as f64 + tilt.1 * y / height as f64;
                scene.sky * colour(at, [0.6, 1.0, 0.5]) * (1.0 + slope + 0.3 * (-away * away).exp())
            })
            .collect();
        for star in &field {
            add_star(&mut sky, scene.size, star, shift);
        }
        let raw: Vec<f32> = (0..pixels)
            .map(|at| {
                let electrons = sky[at] * in_light[at] + more * charge[at];
                let noise = (electrons + READ_NOISE * READ_NOISE).sqrt();
                (pattern[at] + (electrons + noise * dice.normal()) / GAIN).round() as f32
            })
            .collect();
        let above: Vec<f32> = raw
            .iter()
            .zip(&dark)
            .map(|(light, dark)| light - dark)
            .collect();
        let calibrated: Vec<f32> = above
            .iter()
            .zip(&flat)
            .map(|(light, flat)| light / flat)
            .collect();
        let [mut left, mut plain, mut left_dark] = [Left::default(); 3];
        for y in (0..height).filter(|y| y % 2 == 0 && is_kept(*y, height) && y + 1 < height) {
            let rows = y * width..(y + 2) * width;
            let is_colour = scene.cfa.is_some();
            left = left + flat_left(width, is_colour, &above[rows.clone()], pair(&flats, &rows));
            let whole = &flat[rows.clone()];
            plain = plain + flat_left(width, is_colour, &above[rows.clone()], [whole, whole]);
            left_dark = left_dark
                + dark_left(
                    width,
                    is_colour,
                    &raw[rows.clone()],
                    pair(&darks, &rows),
                    pair(&bias, &rows),
                    1.0,
                );
        }
        found.flat.push(left.fit());
        found.plain.push(plain.fit());
        found.dark.push(left_dark.fit());
        let light_map: Map = map(plane(&calibrated).view(), scene.cfa);
        found.moved.push(moved_shadows(&light_map, &flat_map));
    }
    found
}

/// These rows of both halves.
fn pair<'a>(halves: &'a [Vec<f32>; 2], rows: &Range<usize>) -> [&'a [f32]; 2] {
    [&halves[0][rows.clone()], &halves[1][rows.clone()]]
}

/// A Moffat profile of beta 3 and a full width of 2.9 pixels.
fn add_star(sky: &mut [f64], (width, height): (usize, usize), star: &Star, shift: (f64, f64)) {
    let (x, y) = (star.x + shift.0, star.y + shift.1);
    let alpha2 = 2.9_f64.powi(2) / 4.0 / (2f64.powf(1.0 / 3.0) - 1.0);
    let peak = 2.0 * star.flux / (std::f64::consts::PI * alpha2);
    let range = |at: f64, end: usize| {
        (at - 30.0).max(0.0) as usize..((at + 30.0).max(0.0) as usize).min(end)
    };
    for row in range(y, height) {
        for column in range(x, width) {
            let r2 = (column as f64 - x).powi(2) + (row as f64 - y).powi(2);
            sky[row * width + column] += peak * (1.0 + r2 / alpha2).powi(-3);
        }
    }
}
