//! Clipping by the noise that the sensor must have: right for few exposures, whose own spread says
//! little.
//!
//! The centre c is the median. A sample of one ADU scale goes where (x - c)^2 > limit^2 v(c), with
//! v(c) = read noise^2 + max(c - pedestal, 0) / K. Exposures that were divided by their own level L
//! have that variance in units of L^2: (L (x - c))^2 > limit^2 v(L c). Comparing squares needs no
//! root and loses no sample that lies on its bound.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use crate::facts::{InputCount, Pedestal, SensorNoise};

use super::Combined;
use super::lanes::{Lanes, Row};
use super::network::{merge_exchange, pruned};
use super::ranges::Lane;
use super::scalar::{Pixel, enters, middle, unsigned_zero};
use super::simd::{Kernel, Level};

/// Pixels that go through side by side.
const LANES: usize = 32;

/// Lanes whose sums stay in registers.
const GROUP: usize = 8;

/// The noise model with its limits.
#[derive(Clone, Copy, Debug)]
pub(super) struct Model {
    /// Squared limits.
    low: f64,
    high: f64,
    floor: f64,
    adu_per_electron: f64,
    /// ADU; infinite where all of a level is pedestal.
    pedestal: f64,
}

impl Model {
    pub(super) fn new(low: f64, high: f64, sensor: &SensorNoise) -> Self {
        Self {
            low: low * low,
            high: high * high,
            floor: sensor.read_noise_adu * sensor.read_noise_adu,
            adu_per_electron: 1.0 / sensor.electrons_per_adu,
            pedestal: match sensor.pedestal {
                Pedestal::Whole => f64::INFINITY,
                Pedestal::Level(adu) => adu,
            },
        }
    }

    /// Variance of one exposure at a level, ADU^2.
    #[inline(always)]
    fn variance(&self, level: f64) -> f64 {
        self.floor + (level - self.pedestal).max(0.0) * self.adu_per_electron
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
            let value = |at: usize| -> f64 { rows[at].0[lane].raw().into() };
            let centre = (value((size - 1) / 2) + value(size / 2)) / 2.0;
            let variance = self.variance(centre);
            !self.drops(value(0) - centre, variance)
                && !self.drops(value(size - 1) - centre, variance)
        })
    }
}

/// The specification for scaled exposures: one pixel.
struct Single {
    pixel: Pixel<f32>,
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
            return self.pixel.last_resort(values, seen);
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
            return self.pixel.last_resort(values, seen);
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
        pixel: Pixel::new(),
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
        model: *model,
        exposures,
        scales,
        saturation,
        out,
        rejected,
        single: Single {
            pixel: Pixel::new(),
            sorted: Vec::new(),
        },
        seen: Combined::default(),
    })
}

/// A stretch of pixels to be combined.
struct Stretch<'a> {
    model: Model,
    exposures: &'a [&'a [f32]],
    scales: &'a [[f64; 2]],
    saturation: f64,
    out: &'a mut [f32],
    rejected: &'a mut [InputCount],
    single: Single,
    seen: Combined,
}

impl Kernel for Stretch<'_> {
    type Output = Combined;

    #[inline(always)]
    fn run(mut self) -> Combined {
        let size = self.exposures.len();
        let middle = [(size - 1) / 2, size / 2];
        let pairs = pruned(&merge_exchange(size), &middle);
        let limit = f32::limit(self.saturation);
        let mut lanes = Lanes::<f32, LANES>::new(size, 0.0);
        let length = self.out.len();
        for first in (0..length).step_by(LANES) {
            let width = LANES.min(length - first);
            lanes.gather(self.exposures, first, width, 0.0, |sample| sample);
            let mut apart = f32::spoiled(&lanes.raw, limit);
            lanes.sort(&pairs);
            let [below, above] = middle.map(|at| &lanes.sorted[at].0);
            let mut centre = [0.0f64; LANES];
            for lane in 0..LANES {
                centre[lane] = (f64::from(below[lane]) + f64::from(above[lane])) / 2.0;
            }
            let (sum, kept) = self.sums(&lanes.raw, &centre);
            // A pixel that keeps nothing is left to the specification, which counts it as well.
            for lane in 0..LANES {
                apart[lane] |= kept[lane] == 0.0;
            }
            for lane in 0..width {
                let at = first + lane;
                if apart[lane] {
                    let samples = self.exposures.iter().map(|exposure| exposure[at]);
                    let samples = samples.zip(self.scales.iter().map(|pair| pair[at % 2]));
                    self.out[at] = self.single.combine(
                        &self.model,
                        samples,
                        self.saturation,
                        self.rejected,
                        &mut self.seen,
                    );
                    continue;
                }
                self.out[at] = unsigned_zero((centre[lane] + sum[lane] / kept[lane]) as f32);
                if kept[lane] < size as f64 {
                    self.charge(&lanes.raw, lane, centre[lane]);
                }
            }
        }
        self.seen
    }
}

impl Stretch<'_> {
    /// Sums of what each lane keeps, counted from its centre, and how many those are.
    #[inline(always)]
    fn sums(&self, raw: &[Row<f32, LANES>], centre: &[f64; LANES]) -> ([f64; LANES], [f64; LANES]) {
        let (mut sum, mut kept) = ([0.0f64; LANES], [0.0f64; LANES]);
        for at in 0..LANES / GROUP {
            let centre = &centre.as_chunks::<GROUP>().0[at];
            let (mut sums, mut counts) = ([0.0; GROUP], [0.0; GROUP]);
            for (row, scale) in raw.iter().zip(self.scales) {
                let row = &row.0.as_chunks::<GROUP>().0[at];
                for lane in 0..GROUP {
                    // Groups are even, so a lane's place is even where it is in the stretch.
                    let scale = scale[lane % 2];
                    let away = f64::from(row[lane]) - centre[lane];
                    let variance = self.model.variance(centre[lane] * scale);
                    let drops = self.model.drops(away * scale, variance);
                    sums[lane] += if drops { 0.0 } else { away };
                    counts[lane] += if drops { 0.0 } else { 1.0 };
                }
            }
            sum.as_chunks_mut::<GROUP>().0[at] = sums;
            kept.as_chunks_mut::<GROUP>().0[at] = counts;
        }
        (sum, kept)
    }

    /// Charges exposures with what a lane drops.
    fn charge(&mut self, raw: &[Row<f32, LANES>], lane: usize, centre: f64) {
        let exposures = raw.iter().zip(self.scales).zip(self.rejected.iter_mut());
        for ((row, scale), count) in exposures {
            let scale = scale[lane % 2];
            let away = f64::from(row.0[lane]) - centre;
            if self
                .model
                .drops(away * scale, self.model.variance(centre * scale))
            {
                count.low += u64::from(away < 0.0);
                count.high += u64::from(away > 0.0);
            }
        }
    }
}
