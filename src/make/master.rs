//! Builds one master from its set.
//!
//! Bias, dark and flat-dark frames are combined as they are: a dark keeps its bias, so that light
//! minus dark needs none. A flat exposure first loses its pedestal and is divided by its own
//! level, per CFA colour (the colour of twilight drifts); the combination is divided by its mean.

use ndarray::parallel::prelude::*;
use ndarray::{Array2, Axis};

use super::{MakeError, Maker, Pulse, provenance, spoiled};
use crate::combine::{Exposures, combine};
use crate::facts::{
    Card, Cfa, Colour, FlatLevel, InputCount, Kind, Made, MadeStats, MasterFacts, MasterRecipe,
    Recipe, RowOrder, Task, Value,
};
use crate::fits::{ImageWriter, Source};
use crate::measure;

/// Bytes of all exposures' samples that one thread holds at a time: a few rows, near the cache.
const STRIP_BYTES: usize = 4 << 20;

/// A flat pixel below this fraction of its colour's mean is dead (common practice).
const DEAD: f32 = 0.05;

/// An open set.
struct Set<'a> {
    maker: &'a Maker,
    recipe: &'a MasterRecipe,
    sources: Vec<Source>,
    pedestal: Option<Source>,
    /// Of flats: level per exposure and colour.
    levels: Vec<[f64; 3]>,
    width: usize,
    height: usize,
}

/// Builds the master and publishes it.
pub fn make(
    maker: &Maker,
    task: &Task,
    recipe: &MasterRecipe,
    pulse: &Pulse,
) -> Result<Made, MakeError> {
    let mut set = open(maker, recipe)?;
    if recipe.facts.kind == Kind::Flat {
        set.levels = set.measure_levels(pulse)?;
    }
    let (mut plane, rejected) = set.combine(pulse)?;
    for input in &recipe.inputs {
        maker.check(input)?;
    }
    let level = match recipe.flat_level {
        Some(choice) => normalise(&mut plane, recipe.facts.camera.cfa, &set.levels, choice),
        None => measure::plane_level(plane.view()),
    };
    let stats = MadeStats {
        pixels: plane.len() as u64,
        level,
        noise: measure::pixel_noise(plane.view(), recipe.facts.camera.cfa.is_some()),
        rejected,
    };
    drop(set);
    let mut cards = fact_cards(&recipe.facts);
    cards.extend(provenance::cards(&Recipe::Master(recipe.clone()), &stats));
    let draft = maker.disk.draft(&maker.output.join(&task.product))?;
    let writer = ImageWriter::begin(draft, plane.ncols(), plane.nrows(), &cards)?;
    plane
        .axis_chunks_iter(Axis(0), 64)
        .into_par_iter()
        .enumerate()
        .try_for_each(|(index, rows)| {
            pulse.beat()?;
            writer.rows(index * 64, contiguous(rows.as_slice()))?;
            Ok::<(), MakeError>(())
        })?;
    let size = writer.finish(&cards)?;
    Ok(Maker::record(task, size, stats))
}

fn open<'a>(maker: &'a Maker, recipe: &'a MasterRecipe) -> Result<Set<'a>, MakeError> {
    let camera = &recipe.facts.camera;
    Ok(Set {
        sources: recipe
            .inputs
            .par_iter()
            .map(|input| maker.open(input, camera))
            .collect::<Result<_, _>>()?,
        pedestal: match &recipe.subtract {
            Some(used) => Some(maker.open_master(&used.product, camera)?),
            None => None,
        },
        levels: Vec::new(),
        maker,
        recipe,
        width: camera.width as usize,
        height: camera.height as usize,
    })
}

impl Set<'_> {
    /// Mean of each flat exposure above its pedestal, per colour, over the rows that a sample
    /// covers: the same photosites in every exposure.
    fn measure_levels(&self, pulse: &Pulse) -> Result<Vec<[f64; 3]>, MakeError> {
        let bands = measure::rows_to_sample(self.height);
        (0..self.sources.len())
            .into_par_iter()
            .map(|index| {
                pulse.beat()?;
                let mut sums = [(0.0f64, 0u64); 3];
                let mut rows = Vec::new();
                for &(first, count) in &bands {
                    self.flat_rows(index, first, count, &mut rows)?;
                    for (place, value) in rows.iter().enumerate().filter(|(_, v)| v.is_finite()) {
                        let (x, y) = (place % self.width, first + place / self.width);
                        let sum = &mut sums[colour_index(self.recipe.facts.camera.cfa, x, y)];
                        sum.0 += f64::from(*value);
                        sum.1 += 1;
                    }
                }
                // A colour that a line filter keeps dark has no level to be scaled to: divided by
                // infinity its pixels are dead, which leaves that colour of a light alone.
                let levels = sums.map(|(sum, count)| {
                    let level = sum / count.max(1) as f64;
                    if level > 0.0 { level } else { f64::INFINITY }
                });
                if levels.iter().any(|level| level.is_finite()) {
                    Ok(levels)
                } else {
                    Err(MakeError::Spoiled {
                        file: self.recipe.inputs[index].file.clone(),
                        reason: "black flat: no level above its pedestal".to_owned(),
                    })
                }
            })
            .collect()
    }

    /// Rows of a flat exposure above its pedestal; saturated samples become NaN.
    fn flat_rows(
        &self,
        index: usize,
        first: usize,
        count: usize,
        out: &mut Vec<f32>,
    ) -> Result<(), MakeError> {
        out.resize(count * self.width, 0.0);
        self.read(index, |source| source.rows_f32(first, count, out))?;
        let saturation = self.recipe.saturation as f32;
        for value in out.iter_mut().filter(|value| **value >= saturation) {
            *value = f32::NAN;
        }
        if let Some(pedestal) = &self.pedestal {
            let mut below = vec![0.0; out.len()];
            pedestal
                .rows_f32(first, count, &mut below)
                .map_err(|error| self.master_error(error))?;
            out.iter_mut()
                .zip(&below)
                .for_each(|(value, below)| *value -= below);
        }
        Ok(())
    }

    fn master_error(&self, error: crate::fits::FitsError) -> MakeError {
        let product = self
            .recipe
            .subtract
            .as_ref()
            .map_or("", |used| &used.product);
        MakeError::Master {
            path: self.maker.output.join(product),
            reason: error.to_string(),
        }
    }

    fn read(
        &self,
        index: usize,
        read: impl FnOnce(&Source) -> Result<(), crate::fits::FitsError>,
    ) -> Result<(), MakeError> {
        read(&self.sources[index]).map_err(|error| {
            let input = &self.recipe.inputs[index];
            match self.maker.raw_path(&input.file) {
                Ok(path) => spoiled(input, &path, error),
                Err(changed) => changed,
            }
        })
    }

    /// Combines all exposures strip by strip: the plane, and rejections per exposure.
    fn combine(&self, pulse: &Pulse) -> Result<(Array2<f32>, Vec<InputCount>), MakeError> {
        let flat = self.recipe.facts.kind == Kind::Flat;
        let whole = !flat && self.sources.iter().all(Source::is_u16);
        let sample_bytes = if whole { 2 } else { 4 };
        let share = self.maker.budget as usize / (2 * rayon::current_num_threads());
        let row_bytes = self.sources.len() * self.width * sample_bytes;
        let rows = (STRIP_BYTES.min(share) / row_bytes.max(1)).clamp(1, self.height.max(1));
        let mut plane = Array2::<f32>::zeros((self.height, self.width));
        let counts = plane
            .axis_chunks_iter_mut(Axis(0), rows)
            .into_par_iter()
            .enumerate()
            .map_init(Buffers::default, |buffers, (strip, mut out)| {
                pulse.beat()?;
                let (first, count) = (strip * rows, out.nrows());
                let out = contiguous_mut(out.as_slice_mut());
                if whole {
                    self.whole_strip(buffers, first, count, out)
                } else {
                    self.real_strip(buffers, first, count, out)
                }
            })
            .try_reduce(
                || vec![InputCount::default(); self.sources.len()],
                |mut sum, part| {
                    for (sum, part) in sum.iter_mut().zip(part) {
                        sum.low += part.low;
                        sum.high += part.high;
                    }
                    Ok(sum)
                },
            )?;
        Ok((plane, counts))
    }

    fn whole_strip(
        &self,
        buffers: &mut Buffers,
        first: usize,
        count: usize,
        out: &mut [f32],
    ) -> Result<Vec<InputCount>, MakeError> {
        buffers.whole.resize_with(self.sources.len(), Vec::new);
        for (index, buffer) in buffers.whole.iter_mut().enumerate() {
            buffer.resize(count * self.width, 0);
            self.read(index, |source| source.rows_u16(first, count, buffer))?;
        }
        let slices: Vec<&[u16]> = buffers.whole.iter().map(Vec::as_slice).collect();
        let mut rejected = vec![InputCount::default(); slices.len()];
        let saturation = self.recipe.saturation;
        combine(
            &self.recipe.combining,
            Exposures::U16(&slices),
            saturation,
            out,
            &mut rejected,
        );
        Ok(rejected)
    }

    fn real_strip(
        &self,
        buffers: &mut Buffers,
        first: usize,
        count: usize,
        out: &mut [f32],
    ) -> Result<Vec<InputCount>, MakeError> {
        buffers.real.resize_with(self.sources.len(), Vec::new);
        let mut saturation = self.recipe.saturation;
        for (index, buffer) in buffers.real.iter_mut().enumerate() {
            match self.levels.get(index) {
                None => {
                    buffer.resize(count * self.width, 0.0);
                    self.read(index, |source| source.rows_f32(first, count, buffer))?;
                }
                Some(levels) => {
                    self.flat_rows(index, first, count, buffer)?;
                    saturation = f64::INFINITY;
                    self.scale(levels, first, buffer);
                }
            }
        }
        let slices: Vec<&[f32]> = buffers.real.iter().map(Vec::as_slice).collect();
        let mut rejected = vec![InputCount::default(); slices.len()];
        combine(
            &self.recipe.combining,
            Exposures::F32(&slices),
            saturation,
            out,
            &mut rejected,
        );
        Ok(rejected)
    }

    /// Divides a flat exposure's rows by its own levels.
    fn scale(&self, levels: &[f64; 3], first: usize, rows: &mut [f32]) {
        let cfa = self.recipe.facts.camera.cfa;
        for (line, row) in rows.chunks_mut(self.width).enumerate() {
            for (x, value) in row.iter_mut().enumerate() {
                let level = levels[colour_index(cfa, x, first + line)];
                *value = (f64::from(*value) / level) as f32;
            }
        }
    }
}

#[derive(Default)]
struct Buffers {
    whole: Vec<Vec<u16>>,
    real: Vec<Vec<f32>>,
}

/// 0 for red and for monochrome sensors, 1 for green, 2 for blue.
fn colour_index(cfa: Option<Cfa>, x: usize, y: usize) -> usize {
    match cfa.map(|cfa| cfa.at(x, y)) {
        None | Some(Colour::Red) => 0,
        Some(Colour::Green) => 1,
        Some(Colour::Blue) => 2,
    }
}

/// Divides a combined flat by its mean and gives dead pixels the value 1. Returns the mean level
/// of the exposures in ADU.
fn normalise(
    plane: &mut Array2<f32>,
    cfa: Option<Cfa>,
    levels: &[[f64; 3]],
    choice: FlatLevel,
) -> f64 {
    let colours: &[usize] = if cfa.is_some() { &[0, 1, 2] } else { &[0] };
    let mean_level = |colour: usize| {
        let levels = levels.iter().map(|level| level[colour]);
        let known: Vec<f64> = levels.filter(|level| level.is_finite()).collect();
        known.iter().sum::<f64>() / known.len().max(1) as f64
    };
    // Photosites per colour in a 2x2 cell: red, green, blue.
    let weights: &[f64] = if cfa.is_some() {
        &[0.25, 0.5, 0.25]
    } else {
        &[1.0]
    };
    let level: f64 = colours
        .iter()
        .zip(weights)
        .map(|(&c, weight)| weight * mean_level(c))
        .sum();
    let mut sums = [(0.0f64, 0u64); 3];
    for (y, row) in plane.outer_iter().enumerate() {
        for (x, value) in row
            .iter()
            .enumerate()
            .filter(|(_, v)| v.is_finite() && **v > 0.0)
        {
            let sum = &mut sums[colour_index(cfa, x, y)];
            sum.0 += f64::from(*value);
            sum.1 += 1;
        }
    }
    let factor = |colour: usize| {
        let (sum, count) = sums[colour];
        let mean = if count == 0 { 1.0 } else { sum / count as f64 };
        match choice {
            FlatLevel::PerColour => 1.0 / mean,
            FlatLevel::Common => mean_level(colour) / (level * mean),
        }
    };
    let factors = [0, 1, 2].map(factor);
    let usual = [0, 1, 2].map(|colour| match choice {
        FlatLevel::PerColour => 1.0,
        FlatLevel::Common => (mean_level(colour) / level) as f32,
    });
    plane
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(y, mut row)| {
            for (x, value) in row.iter_mut().enumerate() {
                let colour = colour_index(cfa, x, y);
                let scaled = (f64::from(*value) * factors[colour]) as f32;
                // NaN is not greater than anything, so it counts as dead too.
                *value = if scaled > DEAD * usual[colour] {
                    scaled
                } else {
                    1.0
                };
            }
        });
    level
}

/// The facts of a master in the de facto keywords, for other readers.
fn fact_cards(facts: &MasterFacts) -> Vec<Card> {
    let mut cards = Vec::new();
    let mut add = |keyword: &str, value: Value, comment: &str| {
        cards.push(Card::new(keyword, value, comment));
    };
    let camera = &facts.camera;
    add(
        "DLKIND",
        Value::Text(facts.kind.to_string()),
        "kind of master",
    );
    if facts.kind != Kind::Flat {
        add("BUNIT", Value::Text("adu".to_owned()), "");
    }
    add("INSTRUME", Value::Text(camera.name.to_string()), "camera");
    add("EXPTIME", Value::Real(facts.exposure.get()), "[s] exposure");
    if let Some(temperature) = facts.temperature {
        add(
            "CCD-TEMP",
            Value::Real(temperature.get()),
            "[degC] sensor temperature",
        );
    }
    if let Some(gain) = camera.gain {
        add("GAIN", Value::Real(gain.get()), "gain setting");
    }
    if let Some(offset) = camera.offset {
        add("OFFSET", Value::Real(offset.get()), "offset setting");
    }
    add("XBINNING", Value::Integer(i64::from(camera.binning.0)), "");
    add("YBINNING", Value::Integer(i64::from(camera.binning.1)), "");
    match camera.row_order {
        RowOrder::TopDown => add("ROWORDER", Value::Text("TOP-DOWN".to_owned()), ""),
        RowOrder::BottomUp => add("ROWORDER", Value::Text("BOTTOM-UP".to_owned()), ""),
        RowOrder::Unstated => {}
    }
    if facts.kind == Kind::Flat {
        add("FILTER", Value::Text(facts.filter.to_string()), "");
        if let Some(telescope) = &facts.optics.telescope {
            add("TELESCOP", Value::Text(telescope.to_string()), "");
        }
    }
    add(
        "DATE-OBS",
        Value::Text(facts.first.to_string().trim_end_matches('Z').to_owned()),
        "UTC",
    );
    cards
}

#[allow(
    clippy::expect_used,
    reason = "whole rows of a standard-layout array are contiguous"
)]
fn contiguous<T>(slice: Option<&[T]>) -> &[T] {
    slice.expect("rows of a plane are contiguous")
}

#[allow(
    clippy::expect_used,
    reason = "whole rows of a standard-layout array are contiguous"
)]
fn contiguous_mut<T>(slice: Option<&mut [T]>) -> &mut [T] {
    slice.expect("rows of a plane are contiguous")
}
