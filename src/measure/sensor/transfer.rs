//! Photon transfer: gain and read noise from the noise of flats at their levels.
//!
//! Where N electrons are counted, their number scatters by the square root of N; so the variance in
//! ADU grows with the level in ADU, and its slope is the inverse of the gain in electrons per ADU.
//! EMVA 1288 (release 4): a least-squares line through the origin of variance less dark variance
//! over level less dark level, from the lowest level to 70 % of saturation, which is the level of
//! the largest variance. With one level it is the rule for two flats and two bias frames (Janesick;
//! Howell, Handbook of CCD Astronomy, 4.3).

use crate::facts::{Colour, Estimate, Pair, Transfer};

/// Part of the saturation level up to which the line is fitted.
const RANGE: f64 = 0.7;

/// A variance that is smaller by so many standard errors is so by more than chance.
const CHANCE: f64 = 5.0;

/// Levels must differ by this part before they say anything of linearity.
const APART: f64 = 0.2;

/// What photon transfer yields.
#[derive(Clone, Debug, PartialEq)]
pub struct PhotonTransfer {
    /// Gain, over all colours.
    pub electrons_per_adu: Estimate,
    /// Read noise of one exposure, without that of rounding to the converter's step.
    pub read_noise_e: Estimate,
    /// Read noise with that of rounding, ADU.
    pub noise_adu: f64,
    /// The gain of each colour; empty for a monochrome sensor.
    pub colours: Vec<(Colour, Estimate)>,
    /// Levels above the bias, ADU, between which the sensor is full, where variances show it: up to the
    /// first they grow, at the second they have fallen.
    pub full: Option<[f64; 2]>,
    /// The largest departure of a variance from the line, in parts of it, where there are several
    /// levels.
    pub linearity: Option<Estimate>,
}

/// One level above the bias.
#[derive(Clone, Copy)]
struct Point {
    level: f64,
    variance: f64,
    error: f64,
}

/// A colour's points and the error of the bias variance that they share.
struct Line {
    colour: Option<Colour>,
    points: Vec<Point>,
    bias_error: f64,
    /// As [`PhotonTransfer::full`].
    full: Option<[f64; 2]>,
}

impl Line {
    fn of(transfer: &Transfer, bias: &Pair) -> Self {
        let of_colour = |pairs: &Vec<Pair>| {
            let pair = pairs.iter().find(|pair| pair.colour == bias.colour)?;
            Some(Point {
                level: pair.level - bias.level,
                variance: pair.variance.value - bias.variance.value,
                error: pair.variance.error,
            })
        };
        let mut points: Vec<Point> = transfer.flats.iter().filter_map(of_colour).collect();
        points.retain(|point| point.level > 0.0);
        points.sort_by(|a, b| a.level.total_cmp(&b.level));
        let largest = (0..points.len()).max_by(|&a, &b| {
            let of = |at: usize| points[at].variance;
            of(a).total_cmp(&of(b))
        });
        let mut full = None;
        // Only a variance that falls is a sign of saturation, and chance lets it fall a little.
        if let Some(largest) = largest.map(|at| points[at]) {
            let has_fallen = |point: &&Point| {
                let fall = largest.variance - point.variance;
                point.level > largest.level && fall > CHANCE * largest.error.hypot(point.error)
            };
            if let Some(fallen) = points.iter().find(has_fallen).copied() {
                full = Some([largest.level, fallen.level]);
                points.retain(|point| point.level <= RANGE * largest.level);
            }
        }
        Self {
            colour: bias.colour,
            points,
            bias_error: bias.variance.error,
            full,
        }
    }
}

/// Gain and read noise; nothing where no flat is noisier than the bias.
pub fn photon_transfer(transfer: &Transfer) -> Option<PhotonTransfer> {
    let lines: Vec<Line> = transfer
        .bias
        .iter()
        .map(|bias| Line::of(transfer, bias))
        .collect();
    let slope = slope(&lines)?;
    let electrons_per_adu = inverse(slope);
    let colours = lines
        .iter()
        .filter_map(|line| {
            Some((
                line.colour?,
                inverse(self::slope(std::slice::from_ref(line))?),
            ))
        })
        .collect();
    let bias = mean_variance(&transfer.bias);
    let noise = (bias.value - transfer.step * transfer.step / 12.0)
        .max(0.0)
        .sqrt();
    let read_noise_adu = Estimate {
        value: noise,
        // Of a noise hidden in the converter's step nothing but a bound is known.
        error: if noise > 0.0 {
            bias.error / (2.0 * noise)
        } else {
            bias.value.sqrt()
        },
    };
    Some(PhotonTransfer {
        electrons_per_adu,
        read_noise_e: read_noise_adu.by(electrons_per_adu),
        noise_adu: bias.value.sqrt(),
        colours,
        // Each colour has bounds of its own for one level.
        full: lines
            .iter()
            .filter_map(|line| line.full)
            .reduce(|[a, b], [c, d]| [a.max(c), b.min(d)]),
        linearity: linearity(&lines, slope.value),
    })
}

/// ADU per electron: sum(x y) / sum(x^2) over the points of all colours.
fn slope(lines: &[Line]) -> Option<Estimate> {
    let (mut products, mut squares, mut error) = (0.0, 0.0, 0.0);
    for line in lines {
        let mut levels = 0.0;
        for point in &line.points {
            products += point.level * point.variance;
            squares += point.level * point.level;
            levels += point.level;
            error += (point.level * point.error).powi(2);
        }
        error += (levels * line.bias_error).powi(2);
    }
    let slope = Estimate {
        value: products / squares,
        error: error.sqrt() / squares,
    };
    (squares > 0.0 && slope.value > 0.0).then_some(slope)
}

fn inverse(slope: Estimate) -> Estimate {
    Estimate {
        value: 1.0 / slope.value,
        error: slope.error / (slope.value * slope.value),
    }
}

/// Over all colours, each by the number of its pixels.
fn mean_variance(pairs: &[Pair]) -> Estimate {
    let pixels: f64 = pairs.iter().map(|pair| pair.pixels as f64).sum();
    let part = |pair: &Pair| pair.pixels as f64 / pixels;
    let errors = pairs
        .iter()
        .map(|pair| (part(pair) * pair.variance.error).powi(2));
    Estimate {
        value: pairs
            .iter()
            .map(|pair| part(pair) * pair.variance.value)
            .sum(),
        error: errors.sum::<f64>().sqrt(),
    }
}

fn linearity(lines: &[Line], slope: f64) -> Option<Estimate> {
    let points = || lines.iter().flat_map(|line| &line.points);
    let lowest = points().map(|point| point.level).min_by(f64::total_cmp)?;
    let highest = points().map(|point| point.level).max_by(f64::total_cmp)?;
    let departure = |point: &Point| Estimate {
        value: point.variance / (slope * point.level) - 1.0,
        error: point.error / (slope * point.level),
    };
    let away = |a: &Estimate, b: &Estimate| a.value.abs().total_cmp(&b.value.abs());
    let largest = points().map(departure).max_by(away);
    largest.filter(|_| highest > (1.0 + APART) * lowest)
}
