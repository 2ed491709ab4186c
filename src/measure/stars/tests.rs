#![allow(clippy::unwrap_used, clippy::expect_used)]

use ndarray::{Array2, ArrayView2};

use super::*;
use crate::facts::Cfa;

/// A small generator with a fixed seed (Marsaglia's xorshift64*).
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// By the polar method of Box and Muller.
    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// A profile of unit flux: beta 0 is a Gaussian.
#[derive(Clone, Copy)]
struct Profile {
    long: f64,
    short: f64,
    angle: f64,
    beta: f64,
}

impl Profile {
    fn round(fwhm: f64, beta: f64) -> Self {
        Self {
            long: fwhm,
            short: fwhm,
            angle: 0.0,
            beta,
        }
    }

    /// Flux that falls on a pixel this far away, by 8 x 8 midpoints.
    fn pixel(&self, dx: f64, dy: f64) -> f64 {
        const PARTS: usize = 8;
        let (sin, cos) = self.angle.sin_cos();
        let (a, b) = (self.long / 2.0, self.short / 2.0);
        let mut sum = 0.0;
        for part in 0..PARTS * PARTS {
            let at = |part: usize| (part as f64 + 0.5) / PARTS as f64 - 0.5;
            let (x, y) = (dx + at(part % PARTS), dy + at(part / PARTS));
            let q = ((x * cos + y * sin) / a).powi(2) + ((y * cos - x * sin) / b).powi(2);
            sum += if self.beta == 0.0 {
                (-q * 2f64.ln()).exp() * 2f64.ln()
            } else {
                let k = 2f64.powf(1.0 / self.beta) - 1.0;
                (1.0 + k * q).powf(-self.beta) * k * (self.beta - 1.0)
            };
        }
        sum / (std::f64::consts::PI * a * b * (PARTS * PARTS) as f64)
    }

    fn draw(&self, plane: &mut Array2<f32>, x: f64, y: f64, flux: f64) {
        let reach = (if self.beta == 0.0 { 3.0 } else { 12.0 }) * self.long + 3.0;
        let (height, width) = plane.dim();
        let range = |at: f64, side: usize| {
            (at - reach).max(0.0) as usize..((at + reach).max(0.0) as usize + 1).min(side)
        };
        for row in range(y, height) {
            for column in range(x, width) {
                let value = flux * self.pixel(column as f64 - x, row as f64 - y);
                plane[(row, column)] += value as f32;
            }
        }
    }
}

const SKY: f64 = 500.0;
const NOISE: f64 = 5.0;

fn sky(width: usize, height: usize, dice: &mut Dice) -> Array2<f32> {
    Array2::from_shape_simple_fn((height, width), || (SKY + NOISE * dice.normal()) as f32)
}

/// Stars of one profile on a wobbly grid, whose signal to noise lies between these.
fn grid(profile: Profile, sn: (f64, f64)) -> (Array2<f32>, Vec<(f64, f64)>) {
    let mut dice = Dice(7);
    let mut plane = sky(600, 500, &mut dice);
    let mut places = Vec::new();
    let apart = 100.0;
    for row in 0..5 {
        for column in 0..6 {
            let x = apart * (f64::from(column) + 0.4 + 0.2 * dice.uniform());
            let y = apart * (f64::from(row) + 0.4 + 0.2 * dice.uniform());
            let share = f64::from(row * 6 + column) / 29.0;
            let sn = sn.0 * (sn.1 / sn.0).powf(share);
            // Noise within the matched filter's area, 4 pi sigma squared.
            let sigma = (profile.long * profile.short).sqrt() / 2.355;
            let flux = sn * NOISE * (4.0 * std::f64::consts::PI * (sigma * sigma + 0.1)).sqrt();
            profile.draw(&mut plane, x, y, flux);
            places.push((x, y));
        }
    }
    (plane, places)
}

fn measured(plane: &Array2<f32>, cfa: Option<Cfa>) -> StarReport {
    stars(&Light {
        plane: plane.view(),
        mask: None,
        cfa,
    })
    .unwrap()
}

#[test]
fn widths_shapes_and_places_of_known_profiles() {
    for cfa in [None, Cfa::parse("RGGB")] {
        for beta in [0.0, 2.5, 3.5, 4.765] {
            for fwhm in [1.8, 2.5, 3.0, 4.0, 6.0, 8.0] {
                for drawn in [1.0, 1.5] {
                    let profile = Profile {
                        long: fwhm * f64::sqrt(drawn),
                        short: fwhm / f64::sqrt(drawn),
                        angle: 0.6,
                        beta,
                    };
                    let (plane, places) = grid(profile, (100.0, 1500.0));
                    let report = measured(&plane, cfa);
                    let shape = report.stars.shape;
                    let worst = report.stars.brightest.iter().map(|star| {
                        let away = |&(x, y): &(f64, f64)| {
                            (x - f64::from(star.x)).hypot(y - f64::from(star.y))
                        };
                        places.iter().map(away).fold(f64::INFINITY, f64::min)
                    });
                    let worst = worst.fold(0.0, f64::max);
                    let half = |beta: f64| {
                        if beta == 0.0 {
                            1.0
                        } else {
                            ((2f64.powf(1.0 / (beta - 1.0)) - 1.0) / (2f64.powf(1.0 / beta) - 1.0))
                                .sqrt()
                        }
                    };
                    println!(
                        "{} beta {beta} fwhm {fwhm} {drawn}: n {} fwhm {:+.3} hfd {:+.3} el {:.3} ang {:.1} worst {worst:.3} spread {:.3}",
                        cfa.is_some(),
                        report.stars.count,
                        shape.map_or(f64::NAN, |s| f64::from(s.fwhm_px) / fwhm - 1.0),
                        shape.map_or(f64::NAN, |s| f64::from(s.half_flux_px) / fwhm / half(beta)
                            - 1.0),
                        shape.map_or(f32::NAN, |s| s.elongation),
                        shape.map_or(f32::NAN, |s| s.angle_deg),
                        report.stars.fwhm_spread_px,
                    );
                }
            }
        }
    }
}

#[test]
fn frames_without_stars_or_numbers() {
    let none = |plane: ArrayView2<'_, f32>| {
        let light = Light {
            plane,
            mask: None,
            cfa: None,
        };
        stars(&light).map(|report| report.stars)
    };
    for (width, height) in [(0, 0), (1, 1), (64, 48), (256, 192), (65, 3)] {
        let empty = Array2::from_elem((height, width), f32::NAN);
        assert_eq!(none(empty.view()), None);
        let level = Array2::from_elem((height, width), 300.0);
        if width > 0 {
            let found = none(level.view()).unwrap();
            assert_eq!((found.count, found.shape), (0, None));
        }
        let noise = sky(width, height, &mut Dice(3));
        if width > 0 {
            assert_eq!(none(noise.view()).unwrap().count, 0);
        }
    }
}
