//! A set's exposures, open: read, a flat's brought to one level, and combined strip by strip.

use ndarray::parallel::prelude::*;
use ndarray::{Array2, ArrayViewMut2, Axis};

use super::blank::{blank, contiguous_mut};
use super::exposure::Exposure;
use super::flat::{Mean, Sampled, colour_index, in_row, lit_levels};
use super::pool::{EACH, Pool};
use super::staggered::Staggered;
use super::supplied::Place;
use super::temporal::Tally;
use super::{MakeError, Maker, Pulse, mask, spoiled};
use crate::combine::{Exposures, Stored, combine};
use crate::facts::{InputCount, Kind, MasterRecipe, Task};
use crate::fits::Source;
use crate::measure;

/// Bytes of all exposures' samples that one thread holds at a time: a few rows. Fewer bytes would fit the
/// cache of its own that a core has, but asking the system for each of them takes longer than that saves.
const STRIP_BYTES: usize = 4 << 20;

/// An open set.
pub(super) struct Set<'a> {
    maker: &'a Maker,
    recipe: &'a MasterRecipe,
    exposures: Vec<Exposure>,
    pub(super) pedestal: Option<(Place<'a>, Source)>,
    /// Of flats: level per exposure and colour, NaN for a dark one.
    pub(super) levels: Vec<[f64; 3]>,
    /// What those amount to.
    pub(super) mean: Option<Mean>,
    pub(super) width: usize,
    pub(super) height: usize,
}

impl<'a> Set<'a> {
    /// Opens all exposures, and the pedestal where there is one.
    pub(super) fn open(
        maker: &'a Maker,
        task: &'a Task,
        recipe: &'a MasterRecipe,
    ) -> Result<Self, MakeError> {
        let camera = &recipe.method.facts.camera;
        Ok(Self {
            exposures: recipe
                .inputs
                .par_iter()
                .map(|input| maker.open(input, camera))
                .collect::<Result<_, _>>()?,
            pedestal: match &recipe.method.subtract {
                Some(used) => {
                    let place = maker.place(task, used);
                    let source = maker.open_product(&place, camera)?;
                    Some((place, source))
                }
                None => None,
            },
            levels: Vec::new(),
            mean: None,
            maker,
            recipe,
            width: camera.width as usize,
            height: camera.height as usize,
        })
    }
}

impl Set<'_> {
    /// Mean of each flat exposure above its pedestal, per colour, over the rows that a sample
    /// covers: the same photosites in every exposure.
    pub(super) fn measure_levels(&self, pulse: &Pulse) -> Result<Vec<[f64; 3]>, MakeError> {
        let bands = measure::rows_to_sample(self.height)
            .into_iter()
            .map(|(first, count)| {
                let mut below = Vec::new();
                self.below(first, count, &mut below)?;
                Ok((first, count, below))
            })
            .collect::<Result<Vec<_>, MakeError>>()?;
        (0..self.exposures.len())
            .into_par_iter()
            .with_max_len(EACH)
            .map(|index| {
                pulse.beat()?;
                let mut colours = [Sampled::default(); 3];
                let mut rows = Vec::new();
                for &(first, count, ref below) in &bands {
                    rows.resize(count * self.width, 0.0);
                    self.flat_rows(index, first, count, below, &mut rows)?;
                    for (place, value) in rows.iter().enumerate().filter(|(_, v)| v.is_finite()) {
                        let (x, y) = (place % self.width, first + place / self.width);
                        colours[colour_index(self.recipe.method.facts.camera.cfa, x, y)]
                            .add(*value);
                    }
                }
                lit_levels(colours).ok_or_else(|| MakeError::Spoiled {
                    file: self.recipe.inputs[index].file.clone(),
                    reason: "black flat: no level above its pedestal".to_owned(),
                })
            })
            .collect()
    }

    /// Rows of the pedestal that every flat exposure loses; none where there is no pedestal.
    fn below(&self, first: usize, count: usize, out: &mut Vec<f32>) -> Result<(), MakeError> {
        let Some((place, pedestal)) = &self.pedestal else {
            return Ok(());
        };
        out.resize(count * self.width, 0.0);
        pedestal
            .rows_f32(first, count, out)
            .map_err(|error| place.unread(error))
    }

    /// Rows of a flat exposure, with those of its pedestal taken off; saturated samples become NaN.
    fn flat_rows(
        &self,
        index: usize,
        first: usize,
        count: usize,
        below: &[f32],
        out: &mut [f32],
    ) -> Result<(), MakeError> {
        self.read(index, |source| source.rows_f32(first, count, out))?;
        let saturation = self.recipe.method.saturation as f32;
        for value in out.iter_mut().filter(|value| **value >= saturation) {
            *value = f32::NAN;
        }
        self.exposures[index].level(f64::INFINITY, out);
        out.iter_mut()
            .zip(below)
            .for_each(|(value, below)| *value -= below);
        Ok(())
    }

    fn read(
        &self,
        index: usize,
        read: impl FnOnce(&Source) -> Result<(), crate::fits::FitsError>,
    ) -> Result<(), MakeError> {
        read(&self.exposures[index].source).map_err(|error| {
            let input = &self.recipe.inputs[index];
            match self.maker.raw_path(&input.file) {
                Ok(path) => spoiled(input, &path, error),
                Err(changed) => changed,
            }
        })
    }

    /// Combines all exposures strip by strip. `take` is shown each strip's first row, its rows and their
    /// flags; the plane of all is left only where it is to be kept.
    pub(super) fn combine(
        &self,
        pulse: &Pulse,
        keep: bool,
        take: impl Fn(usize, &[f32], &[u8]) -> Result<(), MakeError> + Sync,
    ) -> Result<Combination, MakeError> {
        let flat = self.recipe.method.facts.kind == Kind::Flat;
        // Beside an overscan samples lose a level that is no whole number.
        let is_whole =
            |exposure: &Exposure| exposure.overscan.is_none() && exposure.source.is_u16();
        let whole = !flat && self.exposures.iter().all(is_whole);
        let sample_bytes = if whole { 2 } else { 4 };
        let share = self.maker.budget as usize / (2 * rayon::current_num_threads());
        let row_bytes = self.exposures.len() * self.width * sample_bytes;
        let rows = (STRIP_BYTES.min(share) / row_bytes.max(1)).clamp(1, self.height.max(1));
        let mut plane = keep.then(|| blank((self.height, self.width)));
        let mut mask = blank((self.height, self.width));
        let pool = Pool::<Buffers>::default();
        let places: Vec<Option<ArrayViewMut2<'_, f32>>> = match &mut plane {
            Some(plane) => plane
                .axis_chunks_iter_mut(Axis(0), rows)
                .map(Some)
                .collect(),
            None => std::iter::repeat_with(|| None)
                .take(self.height.div_ceil(rows))
                .collect(),
        };
        let found = places
            .into_par_iter()
            .zip(mask.axis_chunks_iter_mut(Axis(0), rows))
            .with_max_len(EACH)
            .enumerate()
            .map(|(strip, (mut place, mut mask))| {
                pulse.beat()?;
                let (first, count) = (strip * rows, mask.nrows());
                let mask = contiguous_mut(mask.as_slice_mut());
                pool.lend(|buffers| {
                    let mut combined = std::mem::take(&mut buffers.combined);
                    let out = match &mut place {
                        Some(place) => contiguous_mut(place.as_slice_mut()),
                        None => {
                            combined.resize(count * self.width, 0.0);
                            &mut combined
                        }
                    };
                    let found = if whole {
                        self.whole_strip(buffers, first, count, (&mut *out, &mut *mask))?
                    } else {
                        self.real_strip(buffers, first, count, (&mut *out, &mut *mask))?
                    };
                    take(first, out, mask)?;
                    buffers.combined = combined;
                    Ok::<_, MakeError>(found)
                })
            })
            .try_reduce(
                || Found::of(self.exposures.len()),
                |sum, part| Ok(sum.join(part)),
            )?;
        Ok(Combination { plane, mask, found })
    }

    fn whole_strip(
        &self,
        buffers: &mut Buffers,
        first: usize,
        count: usize,
        out: (&mut [f32], &mut [u8]),
    ) -> Result<Found, MakeError> {
        let length = count * self.width;
        let room = buffers.whole.lay_out(self.exposures.len(), length);
        for (index, rows) in room.enumerate() {
            self.read(index, |source| source.rows_stored(first, count, rows))?;
        }
        let slices = buffers.whole.each();
        Ok(self.combine_strip(
            Exposures::U16(&slices),
            self.recipe.method.saturation,
            first,
            out,
        ))
    }

    fn real_strip(
        &self,
        buffers: &mut Buffers,
        first: usize,
        count: usize,
        out: (&mut [f32], &mut [u8]),
    ) -> Result<Found, MakeError> {
        let Buffers { real, below, .. } = buffers;
        // Read once for all exposures.
        self.below(first, count, below)?;
        let mut saturation = self.recipe.method.saturation;
        let length = count * self.width;
        let room = real.lay_out(self.exposures.len(), length);
        for (index, rows) in room.enumerate() {
            match self.levels.get(index) {
                None => {
                    self.read(index, |source| source.rows_f32(first, count, rows))?;
                    self.exposures[index].level(saturation, rows);
                }
                Some(levels) => {
                    self.flat_rows(index, first, count, below, rows)?;
                    saturation = f64::INFINITY;
                    self.scale(levels, first, rows);
                }
            }
        }
        let slices = real.each();
        if self.levels.is_empty() {
            return Ok(self.combine_strip(Exposures::F32(&slices), saturation, first, out));
        }
        // Row by row: colours, and with them levels, alternate along a row and from row to row.
        let cfa = self.recipe.method.facts.camera.cfa;
        let mut found = Found::of(slices.len());
        let (values, mask) = out;
        let rows = values
            .chunks_mut(self.width)
            .zip(mask.chunks_mut(self.width));
        for (line, out) in rows.enumerate() {
            let row = line * self.width..(line + 1) * self.width;
            let samples: Vec<&[f32]> = slices.iter().map(|slice| &slice[row.clone()]).collect();
            let levels = self.levels.iter();
            let levels: Vec<[f64; 2]> = levels
                .map(|levels| in_row(levels, cfa, first + line))
                .collect();
            let exposures = Exposures::Scaled {
                samples: &samples,
                levels: &levels,
            };
            found = found.join(self.combine_strip(exposures, saturation, first + line, out));
        }
        Ok(found)
    }

    /// Combines one strip, whose first row is `first`, and looks at its sampled rows.
    fn combine_strip(
        &self,
        exposures: Exposures<'_>,
        saturation: f64,
        first: usize,
        (out, mask): (&mut [f32], &mut [u8]),
    ) -> Found {
        let method = &self.recipe.method.combining;
        let mut found = Found::of(self.exposures.len());
        let lost = combine(method, exposures, saturation, out, &mut found.rejected);
        let lost = lost.without_survivors;
        if lost > 0 {
            mask::flag_lost(method, exposures, saturation, out, lost, mask);
        }
        for (line, start) in (0..out.len()).step_by(self.width).enumerate() {
            let row = first + line;
            if measure::fit::is_kept(row, self.height) {
                let columns = start..start + self.width;
                let units = self.units(row);
                let tally = &mut found.tally;
                tally.add(method, exposures, saturation, row, columns, units);
            }
        }
        found
    }

    /// What the samples of a row's even and odd columns are multiplied by in the finished master.
    fn units(&self, row: usize) -> [f64; 2] {
        let cfa = self.recipe.method.facts.camera.cfa;
        self.mean
            .map_or([1.0; 2], |mean| in_row(&mean.finished, cfa, row))
    }

    /// Divides a flat exposure's rows by its own levels.
    fn scale(&self, levels: &[f64; 3], first: usize, rows: &mut [f32]) {
        let cfa = self.recipe.method.facts.camera.cfa;
        for (line, row) in rows.chunks_mut(self.width).enumerate() {
            let levels = in_row(levels, cfa, first + line);
            for (x, value) in row.iter_mut().enumerate() {
                *value = (f64::from(*value) / levels[x % 2]) as f32;
            }
        }
    }
}

/// What combining yields.
pub(super) struct Combination {
    pub(super) plane: Option<Array2<f32>>,
    pub(super) mask: Array2<u8>,
    pub(super) found: Found,
}

/// What shows while exposures are combined.
pub(super) struct Found {
    /// Rejected samples per exposure.
    pub(super) rejected: Vec<InputCount>,
    /// How the exposures differ.
    pub(super) tally: Tally,
}

impl Found {
    fn of(exposures: usize) -> Self {
        Self {
            rejected: vec![InputCount::default(); exposures],
            tally: Tally::default(),
        }
    }

    fn join(mut self, other: Self) -> Self {
        for (sum, part) in self.rejected.iter_mut().zip(other.rejected) {
            *sum += part;
        }
        self.tally.join(other.tally);
        self
    }
}

/// What a thread works in.
#[derive(Default)]
struct Buffers {
    whole: Staggered<Stored>,
    real: Staggered<f32>,
    below: Vec<f32>,
    combined: Vec<f32>,
}
