//! A subsample of a frame's pixels, measured once when the frame is taken in.

use serde::{Deserialize, Serialize};

/// The coarse mesh over a frame is `MESH` x `MESH` cells.
pub const MESH: usize = 8;

/// One of the four phases of the 2x2 pixel grid: even or odd row, even or odd column.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlaneSample {
    /// Clipped mean in ADU.
    pub level: f64,
    /// Clipped standard deviation in ADU, spatial structure included.
    pub spread: f64,
    /// Fraction of samples at or above the saturation level.
    pub saturated: f64,
}

/// What a subsample says of a frame. A function of the pixels and the saturation level alone.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// By phase: `[even row even column, even odd, odd even, odd odd]`. For a monochrome sensor
    /// the four say the same.
    pub planes: [PlaneSample; 4],
    /// Medians in ADU over a [`MESH`] x [`MESH`] grid of cells, row by row from the first stored
    /// row. Each phase is first divided by its share of the mean, so that colours do not show.
    pub mesh: Vec<f32>,
    /// Greatest common divisor of the samples where they are integers: the step of the ADC.
    pub step: Option<u32>,
    /// The raw level at and above which a pixel counts as saturated, ADU.
    pub saturation: f64,
    /// By phase the highest raw sample of all rows that were looked at, ADU; minus infinity of a phase that
    /// the image does not have. None of frames that an older version took in.
    pub highest: Option<[f64; 4]>,
}

impl Sample {
    /// Where frames of one camera saturate, ADU: the lowest level at which one of them does, unless it is one
    /// that its own samples show and that another frame goes beyond, in a phase that shows it: cameras may
    /// scale their colours. Where all are such, the highest.
    pub fn common_saturation<'s>(samples: impl Iterator<Item = &'s Self> + Clone) -> Option<f64> {
        let mut beyond = [f64::NEG_INFINITY; 4];
        for highest in samples.clone().filter_map(|sample| sample.highest) {
            for (most, highest) in beyond.iter_mut().zip(highest) {
                *most = most.max(highest);
            }
        }
        let holds = |sample: &&Self| {
            let mut phases = sample.highest.into_iter().flatten().zip(beyond);
            phases.all(|(own, beyond)| own != sample.saturation || beyond <= own)
        };
        let level = |sample: &Self| sample.saturation;
        let lowest = samples
            .clone()
            .filter(holds)
            .map(level)
            .min_by(f64::total_cmp);
        lowest.or_else(|| samples.map(level).max_by(f64::total_cmp))
    }

    /// The same with all levels but the raw ones counted from this one.
    pub fn above(mut self, level: f64) -> Self {
        for plane in &mut self.planes {
            plane.level -= level;
        }
        for cell in &mut self.mesh {
            *cell = (f64::from(*cell) - level) as f32;
        }
        self
    }

    /// Mean of the four levels, ADU.
    pub fn level(&self) -> f64 {
        self.planes.iter().map(|plane| plane.level).sum::<f64>() / 4.0
    }

    /// Root mean square of the four spreads, ADU.
    pub fn spread(&self) -> f64 {
        let sum: f64 = self.planes.iter().map(|plane| plane.spread.powi(2)).sum();
        (sum / 4.0).sqrt()
    }

    /// Fraction of saturated samples over the whole frame.
    pub fn saturated(&self) -> f64 {
        self.planes.iter().map(|plane| plane.saturated).sum::<f64>() / 4.0
    }
}
