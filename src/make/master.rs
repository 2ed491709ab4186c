//! Builds one master from its set.
//!
//! Bias, dark and flat-dark frames are combined as they are: a dark keeps its bias, so that light
//! minus dark needs none. A flat exposure first loses its pedestal and is divided by its own
//! level, per CFA colour (the colour of twilight drifts); the combination is divided by its mean.

use std::sync::atomic::{AtomicUsize, Ordering};

use ndarray::parallel::prelude::*;
use ndarray::{Array2, Axis};

use super::blank::contiguous;
use super::flat::{Mean, normalise};
use super::halves::Halves;
use super::set::Set;
use super::{MakeError, Maker, Pulse, flush, mask, provenance};
use crate::facts::{InputCount, Made, MadeStats, MasterRecipe, Recipe, Task, Temporal};
use crate::fits::{ImageWriter, Plane, Samples, Storage};
use crate::measure;

/// Rows of a finished plane that are written at a time.
const ROWS: usize = 64;

/// In so many parts an image is flushed while it is made.
const FLUSHES: usize = 4;

/// Builds the master and publishes it.
pub fn make(
    maker: &Maker,
    task: &Task,
    recipe: &MasterRecipe,
    pulse: &Pulse,
) -> Result<Made, MakeError> {
    let mut set = Set::open(maker, task, recipe)?;
    let cfa = recipe.method.facts.camera.cfa;
    if let Some(choice) = recipe.method.flat_level {
        set.levels = set.measure_levels(pulse)?;
        set.mean = Some(Mean::of(&set.levels, cfa, choice));
    }
    let (width, height) = (set.width, set.height);
    let all_cards = |stats: &MadeStats| {
        let mut cards = provenance::fact_cards(&recipe.method.facts);
        cards.extend(provenance::cards(&Recipe::Master(recipe.clone()), stats));
        cards
    };
    let draft = maker.disk.draft(&maker.output.join(&task.product))?;
    let of = |storage, cards| Plane {
        storage,
        cards,
        height: None,
    };
    let mut planes = vec![
        of(Storage::F32, all_cards(&unknown(recipe))),
        of(Storage::U8, mask::cards()),
    ];
    planes.extend(Halves::plane(height, recipe.inputs.len()));
    let halves_place = (planes.len() > 2).then_some(2);
    let writer = ImageWriter::begin(draft, width, height, planes)?;
    // Only a flat waits for what its mean turns out to be.
    let finished = set.mean.is_none();
    let part = height.div_ceil(FLUSHES);
    let done = AtomicUsize::new(0);
    let (stats, planes) = flush::alongside(&writer, |flush| {
        let (mut plane, mut mask, mut found) = set.combine(pulse, |first, rows| {
            if finished {
                writer.rows(0, first, Samples::F32(rows))?;
                let count = rows.len() / width;
                if done.fetch_add(count, Ordering::Relaxed) % part + count >= part {
                    flush();
                }
            }
            Ok(())
        })?;
        for input in &recipe.inputs {
            maker.check(input)?;
        }
        if let Some((place, _)) = &set.pedestal {
            place.check()?;
        }
        if let Some(place) = halves_place {
            let halves = Halves::of(std::mem::take(&mut found.tally.rows));
            halves.write(&writer, place)?;
        }
        let (figures, temporal) = rayon::join(
            || {
                let level = match set.mean {
                    Some(mean) => {
                        normalise(&mut plane, &mut mask, cfa, mean.finished);
                        mean.level
                    }
                    None => measure::plane_level(plane.view()),
                };
                let noise = measure::pixel_noise(plane.view(), cfa.is_some());
                if finished {
                    flush();
                    mask::flag_hot(plane.view(), noise, cfa.is_some(), mask.view_mut());
                } else {
                    write(&writer, 0, &plane, |rows| Samples::F32(rows), pulse)?;
                }
                write(&writer, 1, &mask, |rows| Samples::U8(rows), pulse)?;
                Ok::<_, MakeError>((level, noise))
            },
            || found.tally.figures(recipe.inputs.len()),
        );
        let (level, noise) = figures?;
        let stats = MadeStats {
            level,
            noise,
            temporal,
            rejected: found.rejected,
            ..unknown(recipe)
        };
        Ok((stats, (plane, mask)))
    })?;
    drop(set);
    // Giving back the memory of planes takes a while, as the disk does.
    let (size, ()) = rayon::join(|| writer.finish(&all_cards(&stats)), || drop(planes));
    Ok(Made::of(task, size?, stats))
}

/// What a master's header has room for.
fn unknown(recipe: &MasterRecipe) -> MadeStats {
    let camera = &recipe.method.facts.camera;
    let nothing = Temporal {
        measured: 0.0,
        ideal: 0.0,
    };
    MadeStats {
        pixels: u64::from(camera.width) * u64::from(camera.height),
        level: 0.0,
        noise: 0.0,
        temporal: Some(nothing),
        cut: 0,
        rejected: vec![InputCount::default(); recipe.inputs.len()],
    }
}

/// Writes a whole plane.
fn write<T: Sync>(
    writer: &ImageWriter,
    place: usize,
    plane: &Array2<T>,
    samples: fn(&[T]) -> Samples<'_>,
    pulse: &Pulse,
) -> Result<(), MakeError> {
    let strips = plane.axis_chunks_iter(Axis(0), ROWS).into_par_iter();
    strips.enumerate().try_for_each(|(index, rows)| {
        pulse.beat()?;
        writer.rows(place, index * ROWS, samples(contiguous(rows.as_slice())))?;
        Ok(())
    })
}
