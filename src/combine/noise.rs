//! Clipping by the noise that the sensor must have: right for few exposures, whose own spread says
//! little.
//!
//! The centre c is the median. A sample of one ADU scale goes where (x - c)^2 > limit^2 v(c), with
//! v(c) = read noise^2 + 1/12 + max(c - pedestal, 0) / K. Exposures that were divided by their own level L
//! have that variance in units of L^2: (L (x - c))^2 > limit^2 v(L c). Comparing squares needs no
//! root and loses no sample that lies on its bound.

use crate::facts::{InputCount, Pedestal, SensorNoise};

use super::Combined;
use super::chunk::{Chunk, Row};
use super::lanes::Lane;
use super::network::Network;
use super::scalar::{enters, last_resort, middle, unsigned_zero};
use super::simd::{Kernel, Level};

/// Pixels that go through side by side.
const LANES: usize = 32;

/// Variance that rounding to whole ADU adds, ADU^2 (Sheppard 1898).
const ROUNDING: f64 = 1.0 / 12.0;

/// The noise model with its limits.
#[derive(Clone, Copy, Debug)]
pub(super) struct Model {
    /// Squared limits.
    low: f64,
    high: f64,
    /// Variance without light, ADU^2.
    floor: f64,
    electrons_per_adu: f64,
    /// ADU; infinite where all of a level is pedestal.
    pedestal: f64,
}

impl Model {
    pub(super) fn new(low: f64, high: f64, sensor: &SensorNoise) -> Self {
        Self {
            low: low * low,
            high: high * high,
            floor: sensor.read_noise_adu * sensor.read_noise_adu + ROUNDING,
            electrons_per_adu: sensor.electrons_per_adu,
            pedestal: match sensor.pedestal {
                Pedestal::Whole => f64::INFINITY,
                Pedestal::Level(adu) => adu,
            },
        }
    }

    /// Variance of one exposure at a level, ADU^2.
    #[inline(always)]
    fn variance(&self, level: f64) -> f64 {
        self.floor + (level - self.pedestal).max(0.0) / self.electrons_per_adu
    }

    /// Whether a sample at `away` ADU from the centre goes.
    #[inline(always)]
    fn drops(&self, away: f64, variance: f64) -> bool {
        let limit = if away < 0.0 { self.low } else { self.high };
        away * away > limit * variance
    }

    /// The range of sorted samples that stays.
    pub(super) fn kept<T: Copy + Into<f64>>(&self, sorted: &[T]) -> std::ops::Range<usize> {
        let centre = middle(sorted);
        let variance = self.variance(centre);
        let drops = |value: T| self.drops(value.into() - centre, variance);
        let half = sorted.partition_point(|&value| value.into() < centre);
        let start = sorted[..half].partition_point(|&value| drops(value));
        let end = half + sorted[half..].partition_point(|&value| !drops(value));
        start..end
    }

    /// Lanes of sorted rows from which [`Model::kept`] drops nothing.
    #[inline(always)]
    pub(super) fn settled<T: Lane, const L: usize>(&self, rows: &[Row<T, L>]) -> [bool; L] {
        let size = rows.len();
        std::array::from_fn(|lane| {
            let value = |at: usize| -> f64 { rows[at][lane].value().into() };
            let centre = (value((size - 1) / 2) + value(size / 2)) / 2.0;
            let variance = self.variance(centre);
            !self.drops(value(0) - centre, variance)
                && !self.drops(value(size - 1) - centre, variance)
        })
    }
}

/// The specification for scaled exposures: one pixel.
struct Single {
    finite: Vec<f64>,
    sorted: Vec<f32>,
}

impl Single {
    fn combine(
        &mut self,
        model: &Model,
        samples: impl Iterator<Item = (f32, f64)> + Clone,
        saturation: f64,
        rejected: &mut [InputCount],
        seen: &mut Combined,
    ) -> f32 {
        let entered = samples
            .clone()
            .map(|(value, _)| value)
            .filter(|&value| enters(value, saturation));
        self.sorted.clear();
        self.sorted.extend(entered);
        seen.excluded += (rejected.len() - self.sorted.len()) as u64;
        let values = samples.clone().map(|(value, _)| value);
        if self.sorted.is_empty() {
            return last_resort(values, &mut self.finite, seen);
        }
        self.sorted.sort_unstable_by(f32::total_cmp);
        let centre = middle(&self.sorted);
        let (mut sum, mut kept) = (0.0, 0u32);
        for ((value, scale), count) in samples.zip(rejected) {
            if !enters(value, saturation) {
                continue;
            }
            let away = f64::from(value) - centre;
            if model.drops(away * scale, model.variance(centre * scale)) {
                count.low += u64::from(away < 0.0);
                count.high += u64::from(away > 0.0);
            } else {
                sum += away;
                kept += 1;
            }
        }
        if kept == 0 {
            return last_resort(values, &mut self.finite, seen);
        }
        unsigned_zero((centre + sum / f64::from(kept)) as f32)
    }
}

/// Combines scaled exposures one pixel after the other. `scales`: level that each exposure was
/// divided by, at even and at odd places of the stretch.
pub(super) fn combine_scalar(
    model: &Model,
    exposures: &[&[f32]],
    scales: &[[f64; 2]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    let mut seen = Combined::default();
    let mut single = Single {
        finite: Vec::new(),
        sorted: Vec::new(),
    };
    for (at, value) in out.iter_mut().enumerate() {
        let samples = exposures.iter().map(|exposure| exposure[at]);
        let samples = samples.zip(scales.iter().map(|pair| pair[at % 2]));
        *value = single.combine(model, samples, saturation, rejected, &mut seen);
    }
    seen
}

/// Combines scaled exposures, a chunk of neighbouring pixels at a time.
pub(super) fn combine(
    level: Level,
    model: &Model,
    exposures: &[&[f32]],
    scales: &[[f64; 2]],
    saturation: f64,
    out: &mut [f32],
    rejected: &mut [InputCount],
) -> Combined {
    if exposures.is_empty() {
        return combine_scalar(model, exposures, scales, saturation, out, rejected);
    }
    level.run(Stretch {
        model,
        exposures,
        scales,
        saturation,
        out,
        rejected,
    })
}

/// A stretch of scaled exposures to be combined.
struct Stretch<'a> {
    model: &'a Model,
    exposures: &'a [&'a [f32]],
    scales: &'a [[f64; 2]],
    saturation: f64,
    out: &'a mut [f32],
    rejected: &'a mut [InputCount],
}

impl Kernel for Stretch<'_> {
    type Output = Combined;

    #[inline(always)]
    fn run(self) -> Combined {
        let Self {
            model,
            exposures,
            scales,
            saturation,
            out,
            rejected,
        } = self;
        let size = exposures.len();
        let mut seen = Combined::default();
        let mut single = Single {
            finite: Vec::new(),
            sorted: Vec::new(),
        };
        let network = Network::whole(size);
        let limit = f32::limit(saturation);
        let mut lanes = Chunk::<f32, LANES>::new(size);
        for (chunk, values) in out.chunks_mut(LANES).enumerate() {
            let first = chunk * LANES;
            let width = values.len();
            lanes.gather(exposures, first, width);
            let mut apart = f32::spoiled(lanes.raw(), limit);
            apart[width..].fill(true);
            lanes.sort(&network);
            let (rows, sorted) = (lanes.raw(), lanes.sorted());
            let centre: [f64; LANES] = std::array::from_fn(|lane| {
                (f64::from(sorted[(size - 1) / 2][lane]) + f64::from(sorted[size / 2][lane])) / 2.0
            });
            let mut sum = [0.0f64; LANES];
            let mut kept = [0.0f64; LANES];
            for (row, scale) in rows.iter().zip(scales) {
                for lane in 0..LANES {
                    // LANES is even, so places in the chunk are even where they are in the stretch.
                    let scale = scale[lane % 2];
                    let away = f64::from(row[lane]) - centre[lane];
                    let drops = model.drops(away * scale, model.variance(centre[lane] * scale));
                    sum[lane] += if drops { 0.0 } else { away };
                    kept[lane] += if drops { 0.0 } else { 1.0 };
                }
            }
            // A pixel that keeps nothing is left to the specification, which counts it as well.
            for (apart, &kept) in apart.iter_mut().zip(&kept) {
                *apart |= kept == 0.0;
            }
            let whole = |lane: usize| apart[lane] || kept[lane] == size as f64;
            if !(0..LANES).all(whole) {
                for ((row, scale), count) in rows.iter().zip(scales).zip(rejected.iter_mut()) {
                    for lane in (0..LANES).filter(|&lane| !whole(lane)) {
                        let scale = scale[lane % 2];
                        let away = f64::from(row[lane]) - centre[lane];
                        if model.drops(away * scale, model.variance(centre[lane] * scale)) {
                            count.low += u64::from(away < 0.0);
                            count.high += u64::from(away > 0.0);
                        }
                    }
                }
            }
            for (lane, value) in values.iter_mut().enumerate() {
                *value = if apart[lane] {
                    let samples = exposures.iter().map(|exposure| exposure[first + lane]);
                    let samples = samples.zip(scales.iter().map(|pair| pair[lane % 2]));
                    single.combine(model, samples, saturation, rejected, &mut seen)
                } else {
                    unsigned_zero((centre[lane] + sum[lane] / kept[lane]) as f32)
                };
            }
        }
        seen
    }
}
