//! One plane of a light for one spectral line, half as wide and half as high: of each 2x2 cell the
//! photosites that the line reaches.

use ndarray::{Array2, ArrayView2};

use super::{channel_lines, colour_sky};
use crate::facts::{Cfa, Colour, Photosites};

/// A plane of one line.
#[derive(Clone, Debug, PartialEq)]
pub struct LinePlane {
    /// ADU of the red photosites, or of the green ones.
    pub plane: Array2<f32>,
    /// Where the light of a pixel was gathered, from the middle of its 2x2 cell: columns and rows in
    /// pixels of this plane.
    pub offset: (f64, f64),
    /// Of green and blue together.
    pub joined: Option<Joined>,
}

/// How blue was joined to green.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Joined {
    /// Response of blue over that of green, by which blue was divided.
    pub response: f64,
    /// Weight of the scaled blue photosite; the rest is that of the mean of both greens.
    pub weight: f64,
}

/// The plane of one line of a calibrated light. Pixels that are not finite make their pixel NaN.
///
/// Blue is first divided by its response to the line, so that both have one scale: the channel line of
/// blue over green where there are stars (a line has one colour, so their ratio is the response), else
/// the ratio of the sky's levels. Then each counts by the inverse of its variance.
pub fn line_plane(plane: ArrayView2<'_, f32>, cfa: Cfa, photosites: Photosites) -> LinePlane {
    let cells = (plane.nrows() / 2, plane.ncols() / 2);
    let sites = |colour: Colour| {
        let all = [(0, 0), (0, 1), (1, 0), (1, 1)];
        all.into_iter()
            .filter(move |&(dy, dx)| cfa.at(dx, dy) == colour)
    };
    let mean = |colour: Colour, y: usize, x: usize| {
        let values = sites(colour).map(|(dy, dx)| f64::from(plane[[2 * y + dy, 2 * x + dx]]));
        values.sum::<f64>() / sites(colour).count() as f64
    };
    // Half a pixel of the light is a quarter of this plane's; both greens together lie in the middle.
    let place = |colour: Colour| {
        let (dy, dx) = sites(colour).next().unwrap_or_default();
        (dx as f64 / 2.0 - 0.25, dy as f64 / 2.0 - 0.25)
    };
    match photosites {
        Photosites::Red => LinePlane {
            plane: Array2::from_shape_fn(cells, |(y, x)| mean(Colour::Red, y, x) as f32),
            offset: place(Colour::Red),
            joined: None,
        },
        Photosites::GreenBlue => {
            let joined = join(plane, cfa);
            let (blue, green) = (joined.weight / joined.response, 1.0 - joined.weight);
            let (x, y) = place(Colour::Blue);
            LinePlane {
                plane: Array2::from_shape_fn(cells, |(y, x)| {
                    (green * mean(Colour::Green, y, x) + blue * mean(Colour::Blue, y, x)) as f32
                }),
                offset: (joined.weight * x, joined.weight * y),
                joined: Some(joined),
            }
        }
    }
}

fn join(plane: ArrayView2<'_, f32>, cfa: Cfa) -> Joined {
    let sky = colour_sky(plane, cfa);
    let of = |colour: Colour| sky.iter().find(|sky| sky.colour == colour);
    let (Some(green), Some(blue)) = (of(Colour::Green), of(Colour::Blue)) else {
        return Joined {
            response: 1.0,
            weight: 0.0,
        };
    };
    let lines = channel_lines(plane, None, cfa);
    let line = lines.iter().find(|line| line.colour == Colour::Blue);
    let slope = line.map(|line| line.slope);
    let sky = (green.level_adu > 0.0).then(|| blue.level_adu / green.level_adu);
    let response = slope
        .filter(|slope| *slope > 0.0)
        .or(sky)
        .filter(|ratio| *ratio > 0.0);
    // A blue without response has nothing to add.
    let Some(response) = response else {
        return Joined {
            response: 1.0,
            weight: 0.0,
        };
    };
    let counts = |noise: f64, sites: f64| sites / noise.powi(2);
    let greens = counts(green.noise_adu, 2.0);
    let blues = counts(blue.noise_adu / response, 1.0);
    let weight = blues / (greens + blues);
    Joined {
        response,
        weight: if weight.is_finite() {
            weight
        } else {
            1.0 / 3.0
        },
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    /// Levels of one line: blue has half of green's response and, per photosite, noise of 2 as green
    /// has 4: scaled to green, 4 as well. So the three photosites count alike.
    fn light(cfa: Cfa) -> Array2<f32> {
        let mut state = 3_u64;
        let mut normal = || {
            let mut sum = 0.0;
            for _ in 0..12 {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                sum += (state >> 40) as f32 / (1_u64 << 24) as f32;
            }
            sum - 6.0
        };
        Array2::from_shape_fn((256, 320), |(y, x)| match cfa.at(x, y) {
            Colour::Red => 300.0 + 5.0 * normal(),
            Colour::Green => 200.0 + 4.0 * normal(),
            Colour::Blue => 100.0 + 2.0 * normal(),
        })
    }

    #[test]
    fn green_and_blue_count_by_their_noise_at_one_scale() {
        let cfa = Cfa::parse("RGGB").unwrap();
        let found = line_plane(light(cfa).view(), cfa, Photosites::GreenBlue);
        let joined = found.joined.unwrap();
        assert!((joined.response - 0.5).abs() < 0.005, "{joined:?}");
        assert!((joined.weight - 1.0 / 3.0).abs() < 0.02, "{joined:?}");
        assert_eq!(found.plane.dim(), (128, 160));
        let mean = found.plane.mean().unwrap();
        assert!((mean - 200.0).abs() < 0.2, "{mean}");
        // The mean of three samples of noise 4.
        let sd = found.plane.std(0.0);
        assert!((sd / (4.0 / 3f32.sqrt()) - 1.0).abs() < 0.03, "{sd}");
        // Blue lies right of and below the middle.
        assert_eq!(found.offset, (0.25 * joined.weight, 0.25 * joined.weight));
    }

    #[test]
    fn red_is_the_red_photosite_at_its_place() {
        for (word, offset) in [
            ("RGGB", (-0.25, -0.25)),
            ("BGGR", (0.25, 0.25)),
            ("GRBG", (0.25, -0.25)),
            ("GBRG", (-0.25, 0.25)),
        ] {
            let cfa = Cfa::parse(word).unwrap();
            let plane = Array2::from_shape_fn((5, 7), |(y, x)| match cfa.at(x, y) {
                Colour::Red => (10 * (y / 2) + x / 2) as f32,
                _ => f32::NAN,
            });
            let found = line_plane(plane.view(), cfa, Photosites::Red);
            let wanted = Array2::from_shape_fn((2, 3), |(y, x)| (10 * y + x) as f32);
            assert_eq!(
                (found.plane, found.offset, found.joined),
                (wanted, offset, None)
            );
        }
    }
}
