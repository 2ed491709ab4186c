//! Calibrates one light: (L - D)/F, or (L - B)/F where the rule has no dark. A dark of another
//! exposure is scaled first.
//!
//! Negative values stay: clipping them would bias every faint mean that is built on them. The
//! original header is kept card by card, without those that describe the raw storage.

use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use ndarray::parallel::prelude::*;
use ndarray::{Array2, ArrayView2, Axis};

use super::blank::{blank, contiguous_mut};
use super::exposure::Exposure;
use super::planes::{Held, plane_part};
use super::pool::{EACH, Pool};
use super::{
    MakeError, Maker, Pulse, colour, dark, mask, provenance, repair, spoiled, uncertainty, whole,
};
use crate::combine::{Level, lowest_at_or_above};
use crate::facts::{
    Card, Cfa, ChannelLine, Kind, LightRecipe, LightSamples, Made, MadeStats, MasterUse, Recipe,
    Task, Value,
};
use crate::fits::{ImageWriter, Plane, Samples, Storage};
use crate::measure::colour::{colour_cells, lines_of_cells};
use crate::measure::{self, Background};

/// Rows of a strip: the height of a background cell, so that cells never depend on strips.
const ROWS: usize = measure::BAND_ROWS;

/// Rows that are worked through at a time: few enough to stay near the processor.
const BLOCK: usize = 8;

/// Keywords that describe how the raw file stores its pixels, or that pixel values in other units
/// would make untrue.
const DROPPED: [&str; 22] = [
    "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "EXTEND", "XTENSION", "PCOUNT",
    "GCOUNT", "EXTNAME", "EXTVER", "BZERO", "BSCALE", "BLANK", "BUNIT", "DATAMIN", "DATAMAX",
    "CHECKSUM", "DATASUM", "INHERIT", "END",
];

/// A light and what it is calibrated with.
pub(super) struct Calibration<'a> {
    recipe: &'a LightRecipe,
    exposure: Exposure,
    raw_path: PathBuf,
    subtract: Arc<Held>,
    pedestal: Option<Arc<Held>>,
    divide: Option<Arc<Held>>,
    width: usize,
    height: usize,
}

/// Calibrates the light and publishes it.
pub fn make(
    maker: &Maker,
    task: &Task,
    recipe: &LightRecipe,
    pulse: &Pulse,
) -> Result<Made, MakeError> {
    let camera = &recipe.facts.camera;
    let flags = recipe.extras.mask.is_some();
    let light = Calibration::open(maker, task, recipe)?;
    let kept = light.kept();
    let samples = recipe.extras.samples;
    let all_cards = |stats: &MadeStats, lines: &[ChannelLine]| {
        let mut cards = kept.clone();
        cards.push(Card::new("BUNIT", Value::Text("adu".to_owned()), ""));
        cards.extend(colour::cards(lines));
        cards.extend(provenance::cards(&Recipe::Light(recipe.clone()), stats));
        cards
    };
    let stats = |background: Background| MadeStats {
        pixels: (light.width * light.height) as u64,
        level: background.level,
        noise: background.noise,
        temporal: None,
        cut: 0,
        rejected: Vec::new(),
    };
    let unknown = stats(Background {
        level: 0.0,
        noise: 0.0,
    });
    let draft = maker.disk.draft(&maker.output.join(&task.product))?;
    let plane = |storage, cards| Plane {
        storage,
        cards,
        height: None,
    };
    let (image, bytes) = storage(samples);
    let lines = camera.cfa.map_or_else(Vec::new, |_| colour::unknown());
    let mut planes = vec![plane(image, all_cards(&unknown, &lines))];
    planes.extend(flags.then(|| plane(bytes, mask::cards())));
    let sigma_place = planes.len();
    let sigma = recipe.extras.uncertainty;
    let with_bias = recipe.pedestal.is_some() || recipe.subtract.kind == Kind::Bias;
    planes.extend(sigma.map(|_| plane(Storage::F32, uncertainty::cards(with_bias))));
    let writer = ImageWriter::begin(draft, light.width, light.height, planes)?;
    let step = measure::row_step(light.width, light.height);
    let cut = AtomicU64::new(0);
    let pool = Pool::<Strip>::default();
    let (bands, cells): (Vec<_>, Vec<_>) = (0..light.height.div_ceil(ROWS))
        .into_par_iter()
        .with_max_len(EACH)
        .map(|number| {
            pool.lend(|strip| {
                pulse.beat()?;
                let first = number * ROWS;
                let last = light.height.min(first + ROWS);
                light.strip(first..last, strip, |rows, strip| {
                    let first = rows.start;
                    let own = strip.own(rows, light.width);
                    let values = &strip.values[own.clone()];
                    match samples {
                        LightSamples::Real => writer.rows(0, first, Samples::F32(values))?,
                        LightSamples::Whole { added_level, .. } => {
                            let beyond = whole::round(values, added_level, &mut strip.whole);
                            cut.fetch_add(beyond, Ordering::Relaxed);
                            writer.rows(0, first, Samples::U16(&strip.whole))?;
                        }
                    }
                    if flags {
                        writer.rows(1, first, Samples::U8(&strip.mask[own.clone()]))?;
                    }
                    if sigma.is_some() {
                        writer.rows(sigma_place, first, Samples::F32(&strip.sigma[own]))?;
                    }
                    Ok(())
                })?;
                let own = strip.own(first..last, light.width);
                let values = &strip.values[own.clone()];
                let flags = flags.then(|| &strip.mask[own]);
                let colours = camera
                    .cfa
                    .map_or_else(Vec::new, |cfa| light.colours(first, values, flags, cfa));
                let band = measure::band(light.width, values, camera.cfa, step);
                Ok((band, colours))
            })
        })
        .collect::<Result<Vec<_>, MakeError>>()?
        .into_iter()
        .unzip();
    maker.check(&recipe.input)?;
    let background = measure::fold(&bands).ok_or_else(|| MakeError::Spoiled {
        file: recipe.input.file.clone(),
        reason: "none of its pixels is a number".to_owned(),
    })?;
    let stats = MadeStats {
        cut: cut.into_inner(),
        ..stats(background)
    };
    let lines = lines_of_cells(&cells.concat(), light.width);
    let size = writer.finish(&all_cards(&stats, &lines))?;
    Ok(Made::of(task, size, stats))
}

#[allow(clippy::expect_used, reason = "strips hold whole rows")]
fn view<T>(shape: (usize, usize), rows: &[T]) -> ArrayView2<'_, T> {
    ArrayView2::from_shape(shape, rows).expect("whole rows")
}

/// How the image and its mask are stored.
fn storage(samples: LightSamples) -> (Storage, Storage) {
    match samples {
        LightSamples::Real => (Storage::F32, Storage::U8),
        LightSamples::Whole { compressed, .. } => match compressed {
            false => (Storage::U16, Storage::U8),
            true => (Storage::PackedU16, Storage::PackedU8),
        },
    }
}

/// Rows a few at a time.
fn blocks(rows: Range<usize>) -> impl Iterator<Item = Range<usize>> {
    let end = rows.end;
    rows.step_by(BLOCK)
        .map(move |first| first..end.min(first + BLOCK))
}

/// What a thread works in: rows from number `top` on.
#[derive(Default)]
struct Strip {
    top: usize,
    values: Vec<f32>,
    mask: Vec<u8>,
    sigma: Vec<f32>,
    /// A scaled dark's few rows.
    scaled: Vec<f32>,
    whole: Vec<u16>,
}

impl Strip {
    /// Where these rows of the image lie in the strip.
    fn own(&self, rows: Range<usize>, width: usize) -> Range<usize> {
        (rows.start - self.top) * width..(rows.end - self.top) * width
    }
}

impl<'a> Calibration<'a> {
    /// Opens the raw light and its masters.
    pub(super) fn open(
        maker: &Maker,
        task: &Task,
        recipe: &'a LightRecipe,
    ) -> Result<Self, MakeError> {
        let camera = &recipe.facts.camera;
        let exposure = maker.open(&recipe.input, camera)?;
        let flags = recipe.extras.mask.is_some();
        let held = |used: &MasterUse, flags| {
            let place = maker.place(task, used);
            maker.planes.get(maker, &place, used, camera, flags)
        };
        let optional = |used: &Option<MasterUse>, flags| {
            let used = used.as_ref();
            used.map(|used| held(used, flags)).transpose()
        };
        Ok(Self {
            recipe,
            raw_path: maker.raw_path(&recipe.input.file)?,
            subtract: held(&recipe.subtract, flags)?,
            pedestal: optional(&recipe.pedestal, false)?,
            divide: optional(&recipe.divide, flags)?,
            width: exposure.source.width(),
            height: exposure.source.height(),
            exposure,
        })
    }

    /// The raw light's cards that are true of the calibrated one.
    pub(super) fn kept(&self) -> Vec<Card> {
        let cards = self.exposure.source.header().cards().iter();
        let kept = cards.filter(|card| !DROPPED.contains(&card.keyword.as_str()));
        self.exposure
            .cards(&self.recipe.facts.camera, kept.cloned().collect())
    }

    /// The colours of calibrated rows, of which the channel lines are told.
    fn colours(
        &self,
        first: usize,
        values: &[f32],
        flags: Option<&[u8]>,
        cfa: Cfa,
    ) -> Vec<[f64; 3]> {
        let shape = (values.len() / self.width, self.width);
        let flags = flags.map(|flags| view(shape, flags));
        colour_cells(first, view(shape, values), flags, self.height, cfa)
    }

    /// The whole calibrated plane.
    pub(super) fn plane(&self, pulse: &Pulse) -> Result<Array2<f32>, MakeError> {
        let mut plane = blank((self.height, self.width));
        let pool = Pool::<Strip>::default();
        let strips = plane.axis_chunks_iter_mut(Axis(0), ROWS).into_par_iter();
        strips
            .with_max_len(EACH)
            .enumerate()
            .try_for_each(|(number, mut out)| {
                pool.lend(|strip| {
                    pulse.beat()?;
                    let rows = number * ROWS..number * ROWS + out.nrows();
                    self.strip(rows.clone(), strip, |_, _| Ok(()))?;
                    let own = strip.own(rows, self.width);
                    contiguous_mut(out.as_slice_mut()).copy_from_slice(&strip.values[own]);
                    Ok::<_, MakeError>(())
                })
            })?;
        Ok(plane)
    }

    /// Calibrates these rows, and so many around them as repairs look at. They are handed on to
    /// `take` a few at a time: at once, as long as they are near the processor, unless repairs come
    /// first.
    fn strip(
        &self,
        rows: Range<usize>,
        strip: &mut Strip,
        take: impl Fn(Range<usize>, &mut Strip) -> Result<(), MakeError>,
    ) -> Result<(), MakeError> {
        let extras = &self.recipe.extras;
        let margin = if extras.repair { repair::REACH } else { 0 };
        let top = rows.start.saturating_sub(margin);
        let bottom = self.height.min(rows.end + margin);
        strip.top = top;
        let pixels = (bottom - top) * self.width;
        strip.values.resize(pixels, 0.0);
        strip.mask.resize(extras.mask.map_or(0, |_| pixels), 0);
        strip
            .sigma
            .resize(extras.uncertainty.map_or(0, |_| pixels), 0.0);
        for block in blocks(top..bottom) {
            self.block(block.clone(), strip)?;
            if !extras.repair {
                take(block, strip)?;
            }
        }
        if extras.repair {
            let own = strip.own(rows.clone(), self.width);
            let colour = self.recipe.facts.camera.cfa.is_some();
            let Strip {
                values,
                mask,
                sigma,
                ..
            } = strip;
            repair::repair(self.width, colour, own, mask, values, sigma);
            blocks(rows).try_for_each(|block| take(block, strip))?;
        }
        Ok(())
    }

    /// Calibrates a few of a strip's rows, which stay near the processor meanwhile.
    fn block(&self, rows: Range<usize>, strip: &mut Strip) -> Result<(), MakeError> {
        let extras = &self.recipe.extras;
        let part = rows.start * self.width..rows.end * self.width;
        let own = strip.own(rows.clone(), self.width);
        let values = &mut strip.values[own.clone()];
        self.exposure
            .source
            .rows_f32(rows.start, rows.len(), values)
            .map_err(|error| spoiled(&self.recipe.input, &self.raw_path, error))?;
        if let Some(saturation) = extras.mask {
            self.flag(
                saturation,
                part.clone(),
                values,
                &mut strip.mask[own.clone()],
            );
        }
        self.exposure.level(f64::INFINITY, values);
        if let Some(sensor) = &extras.uncertainty {
            let bias = self.pedestal.as_ref().unwrap_or(&self.subtract);
            let variance = match self.scale() {
                Some((k, bias)) => dark::variance(self.subtract.variance, bias.variance, k),
                None => self.subtract.variance,
            };
            let bias = plane_part(&bias.plane, part.clone());
            uncertainty::before(
                sensor,
                values,
                bias,
                variance,
                &mut strip.sigma[own.clone()],
            );
        }
        let mut below = plane_part(&self.subtract.plane, part.clone());
        if let Some((k, bias)) = self.scale() {
            let bias = plane_part(&bias.plane, part.clone());
            dark::scaled(below, bias, k, &mut strip.scaled);
            below = &strip.scaled;
        }
        let flat = self
            .divide
            .as_ref()
            .map(|flat| (plane_part(&flat.plane, part), flat.variance));
        Level::widest().run(|| match flat {
            Some((flat, _)) => {
                for ((value, below), flat) in values.iter_mut().zip(below).zip(flat) {
                    *value = (*value - below) / flat;
                }
            }
            None => values.iter_mut().zip(below).for_each(|(v, b)| *v -= b),
        });
        if extras.uncertainty.is_some() {
            let sigma = &mut strip.sigma[own];
            uncertainty::after(values, flat, sigma);
            if extras.samples != LightSamples::Real {
                uncertainty::rounded(sigma);
            }
        }
        Ok(())
    }

    /// The factor of a scaled dark, and the bias that it is scaled above.
    fn scale(&self) -> Option<(f64, &Held)> {
        self.recipe.subtract.scale.zip(self.pedestal.as_deref())
    }

    /// The flags of pixels `part`, whose raw values are given: their own and their masters'.
    fn flag(&self, saturation: f64, part: Range<usize>, raw: &[f32], mask: &mut [u8]) {
        let limit = lowest_at_or_above(saturation);
        Level::widest().run(|| {
            for (flags, raw) in mask.iter_mut().zip(raw) {
                *flags = u8::from(*raw >= limit) * mask::SATURATED;
            }
        });
        let masters = std::iter::once(&self.subtract).chain(&self.divide);
        for flagged in masters.filter_map(|master| master.mask.as_ref()) {
            let flagged = plane_part(flagged, part.clone());
            Level::widest().run(|| mask.iter_mut().zip(flagged).for_each(|(m, f)| *m |= f));
        }
    }
}
