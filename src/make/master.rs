//! Builds one master from its set.
//!
//! Bias, dark and flat-dark frames are combined as they are: a dark keeps its bias, so that light
//! minus dark needs none. A flat exposure first loses its pedestal and is divided by its own
//! level, per CFA colour (the colour of twilight drifts); the combination is divided by its mean.

use std::sync::atomic::{AtomicUsize, Ordering};

use ndarray::parallel::prelude::*;
use ndarray::{Array2, Axis, s};

use super::blank::contiguous;
use super::flat::{Mean, normalise};
use super::halves::Halves;
use super::hot::{Band, Survey};
use super::pool::{EACH, Pool};
use super::set::{Combination, Set};
use super::{MakeError, Maker, Pulse, flush, mask, provenance};
use crate::facts::{InputCount, Made, MadeStats, MasterRecipe, Recipe, Task, Temporal};
use crate::fits::{ImageWriter, Plane, Samples, Storage};
use crate::measure::SampledRows;

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
    // Only a flat waits for what its mean turns out to be, and is kept in memory as long.
    let finished = set.mean.is_none();
    let part = height.div_ceil(FLUSHES);
    let done = AtomicUsize::new(0);
    let survey = Survey::new((height, width), cfa.is_some());
    let stats = flush::alongside(&writer, |flush| {
        let combined = set.combine(pulse, !finished, |first, rows, flags| {
            if finished {
                writer.rows(0, first, Samples::F32(rows))?;
                writer.rows(1, first, Samples::U8(flags))?;
                survey.note(first, rows);
                let count = rows.len() / width;
                if done.fetch_add(count, Ordering::Relaxed) % part + count >= part {
                    flush();
                }
            }
            Ok(())
        })?;
        let Combination {
            plane,
            mut mask,
            mut found,
        } = combined;
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
            || match set.mean.zip(plane) {
                Some((mean, mut plane)) => {
                    normalise(&mut plane, &mut mask, cfa, mean.finished);
                    write(&writer, 0, &plane, |rows| Samples::F32(rows), pulse)?;
                    write(&writer, 1, &mask, |rows| Samples::U8(rows), pulse)?;
                    let noise = SampledRows::of(plane.view(), cfa.is_some()).pixel_noise();
                    Ok((mean.level, noise))
                }
                None => {
                    flush();
                    let back = |first, rows: &mut [f32]| writer.read_back(0, first, rows);
                    let sampled = SampledRows::read((height, width), cfa.is_some(), back)?;
                    let (level, noise) = rayon::join(|| sampled.level(), || sampled.pixel_noise());
                    flag_hot(&writer, &survey, noise, &mask, pulse)?;
                    Ok::<_, MakeError>((level, noise))
                }
            },
            || found.tally.figures(recipe.inputs.len()),
        );
        let (level, noise) = figures?;
        Ok(MadeStats {
            level,
            noise,
            temporal,
            rejected: found.rejected,
            ..unknown(recipe)
        })
    })?;
    drop(set);
    let size = writer.finish(&all_cards(&stats))?;
    Ok(Made::of(task, size, stats))
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

/// Flags the hot pixels of the image, which is written as its flags are. The rows that may have some are read
/// back: they lie in the system's memory, and memory of our own for all of them takes longer to get than
/// reading does.
fn flag_hot(
    writer: &ImageWriter,
    survey: &Survey,
    noise: f64,
    mask: &Array2<u8>,
    pulse: &Pulse,
) -> Result<(), MakeError> {
    let width = mask.ncols();
    let pool = Pool::<(Vec<f32>, Vec<u8>)>::default();
    survey.bands(noise).try_for_each(|band: Band<'_>| {
        pulse.beat()?;
        let before = mask.slice(s![band.middle.clone(), ..]);
        let before = contiguous(before.to_slice());
        pool.lend(|(pixels, flags)| {
            pixels.resize(band.rows.len() * width, 0.0);
            writer.read_back(0, band.rows.start, pixels)?;
            flags.clear();
            flags.extend_from_slice(before);
            band.flag_hot(pixels, flags);
            if flags != before {
                writer.change(1, band.middle.start, before, flags)?;
            }
            Ok(())
        })
    })
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
    strips
        .with_max_len(EACH)
        .enumerate()
        .try_for_each(|(index, rows)| {
            pulse.beat()?;
            writer.rows(place, index * ROWS, samples(contiguous(rows.as_slice())))?;
            Ok(())
        })
}
