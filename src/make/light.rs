//! Calibrates one light: (L - D)/F, or (L - B)/F where the rule has no dark.
//!
//! Negative values stay: clipping them would bias every faint mean that is built on them. The
//! original header is kept card by card, without those that describe the raw storage.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use ndarray::parallel::prelude::*;
use ndarray::{Array2, Axis};

use super::master::contiguous_mut;
use super::{MakeError, Maker, Pulse, mask, provenance, spoiled, uncertainty};
use crate::facts::{
    Camera, Card, Fingerprint, LightRecipe, Made, MadeStats, MasterUse, Recipe, Task, Value,
};
use crate::fits::{FitsError, ImageWriter, Plane, Samples, Source, Storage};
use crate::measure;

/// Rows of a strip: the height of a background cell, so that cells never depend on strips.
const ROWS: usize = measure::BAND_ROWS;

/// Keywords that describe how the raw file stores its pixels, or that pixel values in other units
/// would make untrue.
const DROPPED: [&str; 22] = [
    "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "EXTEND", "XTENSION", "PCOUNT",
    "GCOUNT", "EXTNAME", "EXTVER", "BZERO", "BSCALE", "BLANK", "BUNIT", "DATAMIN", "DATAMAX",
    "CHECKSUM", "DATASUM", "INHERIT", "END",
];

/// Masters remembered between lights of a group, the latest first.
pub struct Planes {
    budget: usize,
    held: Mutex<VecDeque<Arc<Held>>>,
}

/// A master in memory.
struct Held {
    fingerprint: Fingerprint,
    /// Whether its flags were wanted.
    flags: bool,
    plane: Array2<f32>,
    /// Its flags, where they are wanted and the file has them.
    mask: Option<Array2<u8>>,
    /// Square of its temporal noise.
    variance: f64,
}

impl Held {
    fn bytes(&self) -> usize {
        self.plane.len() * size_of::<f32>() + self.mask.as_ref().map_or(0, Array2::len)
    }
}

impl Planes {
    /// Remembers at most about `budget` bytes of pixels, and always the two last used.
    pub fn new(budget: u64) -> Self {
        let budget = usize::try_from(budget).unwrap_or(usize::MAX);
        Self {
            budget,
            held: Mutex::new(VecDeque::new()),
        }
    }

    fn get(
        &self,
        maker: &Maker,
        used: &MasterUse,
        camera: &Camera,
        flags: bool,
    ) -> Result<Arc<Held>, MakeError> {
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(place) = held
            .iter()
            .position(|held| held.fingerprint == used.fingerprint && held.flags == flags)
            && let Some(found) = held.remove(place)
        {
            held.push_front(found.clone());
            return Ok(found);
        }
        let found = Arc::new(maker.load(used, camera, flags)?);
        held.push_front(found.clone());
        while held.len() > 2 && held.iter().map(|held| held.bytes()).sum::<usize>() > self.budget {
            held.pop_back();
        }
        Ok(found)
    }
}

impl Maker {
    /// Reads a master, with its flags where they are wanted.
    fn load(&self, used: &MasterUse, camera: &Camera, flags: bool) -> Result<Held, MakeError> {
        let unusable = |error: FitsError| MakeError::Master {
            path: self.output.join(&used.product),
            reason: error.to_string(),
        };
        let source = self.open_master(&used.product, camera)?;
        let (width, height) = (source.width(), source.height());
        let mut plane = Array2::zeros((height, width));
        plane
            .axis_chunks_iter_mut(Axis(0), ROWS)
            .into_par_iter()
            .enumerate()
            .try_for_each(|(strip, mut out)| {
                let count = out.nrows();
                source.rows_f32(strip * ROWS, count, contiguous_mut(out.as_slice_mut()))
            })
            .map_err(unusable)?;
        let mask = match flags {
            true => Source::open_plane(&self.output.join(&used.product), mask::NAME)
                .map_err(unusable)?
                .filter(|mask| (mask.width(), mask.height()) == (width, height))
                .map(|mask| bytes(&mask).map_err(unusable))
                .transpose()?,
            false => None,
        };
        // A master of before it was measured has its pixels' scatter, fixed pattern included.
        let header = source.header();
        let noise = header.number("DLTNOISE").or(header.number("DLNOISE"));
        Ok(Held {
            variance: noise.unwrap_or(0.0).powi(2),
            fingerprint: used.fingerprint,
            flags,
            plane,
            mask,
        })
    }
}

/// A whole plane of bytes.
fn bytes(source: &Source) -> Result<Array2<u8>, FitsError> {
    let mut plane = Array2::zeros((source.height(), source.width()));
    plane
        .axis_chunks_iter_mut(Axis(0), ROWS)
        .into_par_iter()
        .enumerate()
        .try_for_each_init(Vec::new, |wide, (strip, mut out)| {
            wide.resize(out.len(), 0);
            source.rows_u16(strip * ROWS, out.nrows(), wide)?;
            for (flags, wide) in out.iter_mut().zip(wide) {
                *flags = *wide as u8;
            }
            Ok(())
        })?;
    Ok(plane)
}

/// Calibrates the light and publishes it.
pub fn make(
    maker: &Maker,
    task: &Task,
    recipe: &LightRecipe,
    pulse: &Pulse,
) -> Result<Made, MakeError> {
    let camera = &recipe.facts.camera;
    let source = maker.open(&recipe.input, camera)?;
    let flags = recipe.extras.mask.is_some();
    let subtract = maker.planes.get(maker, &recipe.subtract, camera, flags)?;
    let divide = match &recipe.divide {
        Some(used) => Some(maker.planes.get(maker, used, camera, flags)?),
        None => None,
    };
    let pedestal = match &recipe.pedestal {
        Some(used) => Some(maker.planes.get(maker, used, camera, flags)?),
        None => None,
    };
    let (width, height) = (source.width(), source.height());
    let kept: Vec<Card> = source
        .header()
        .cards()
        .iter()
        .filter(|card| !DROPPED.contains(&card.keyword.as_str()))
        .cloned()
        .collect();
    let all_cards = |stats: &MadeStats| {
        let mut cards = kept.clone();
        cards.push(Card::new("BUNIT", Value::Text("adu".to_owned()), ""));
        cards.extend(provenance::cards(&Recipe::Light(recipe.clone()), stats));
        cards
    };
    let pixels = (width * height) as u64;
    let unknown = MadeStats {
        pixels,
        level: 0.0,
        noise: 0.0,
        temporal: None,
        rejected: Vec::new(),
    };
    let draft = maker.disk.draft(&maker.output.join(&task.product))?;
    let mut planes = vec![Plane {
        storage: Storage::F32,
        cards: all_cards(&unknown),
    }];
    planes.extend(flags.then(|| Plane {
        storage: Storage::U8,
        cards: mask::cards(),
    }));
    let sigma_place = planes.len();
    planes.extend(recipe.extras.uncertainty.map(|_| Plane {
        storage: Storage::F32,
        cards: uncertainty::cards(),
    }));
    let writer = ImageWriter::begin(draft, width, height, planes)?;
    let raw_path = maker.raw_path(&recipe.input.file)?;
    let cells = (0..height.div_ceil(ROWS))
        .into_par_iter()
        .map_init(Buffers::default, |Buffers { rows, mask, sigma }, strip| {
            pulse.beat()?;
            let first = strip * ROWS;
            let count = ROWS.min(height - first);
            rows.resize(count * width, 0.0);
            source
                .rows_f32(first, count, rows)
                .map_err(|error| spoiled(&recipe.input, &raw_path, error))?;
            let part = first * width..(first + count) * width;
            if let Some(saturation) = recipe.extras.mask {
                mask.clear();
                mask.extend(rows.iter().map(|&raw| {
                    if f64::from(raw) < saturation {
                        0
                    } else {
                        mask::SATURATED
                    }
                }));
                for master in std::iter::once(&subtract).chain(&divide) {
                    let Some(flagged) = &master.mask else {
                        continue;
                    };
                    let flagged = plane_part(flagged, part.clone());
                    mask.iter_mut().zip(flagged).for_each(|(m, f)| *m |= f);
                }
                writer.rows(1, first, Samples::U8(mask))?;
            }
            let below = plane_part(&subtract.plane, part.clone());
            if let Some(sensor) = &recipe.extras.uncertainty {
                let bias = pedestal.as_ref().unwrap_or(&subtract);
                let bias = plane_part(&bias.plane, part.clone());
                uncertainty::before(sensor, rows, bias, subtract.variance, sigma);
            }
            rows.iter_mut()
                .zip(below)
                .for_each(|(value, below)| *value -= below);
            if let Some(divide) = &divide {
                let flat = plane_part(&divide.plane, part.clone());
                rows.iter_mut()
                    .zip(flat)
                    .for_each(|(value, flat)| *value /= flat);
            }
            if recipe.extras.uncertainty.is_some() {
                let flat = divide
                    .as_ref()
                    .map(|flat| (plane_part(&flat.plane, part), flat.variance));
                uncertainty::after(rows, flat, sigma);
                writer.rows(sigma_place, first, Samples::F32(sigma))?;
            }
            writer.rows(0, first, Samples::F32(rows))?;
            Ok(measure::band(width, rows, camera.cfa))
        })
        .collect::<Result<Vec<_>, MakeError>>()?;
    maker.check(&recipe.input)?;
    let background = measure::fold(&cells.concat()).ok_or_else(|| MakeError::Spoiled {
        file: recipe.input.file.clone(),
        reason: "none of its pixels is a number".to_owned(),
    })?;
    let stats = MadeStats {
        pixels,
        level: background.level,
        noise: background.noise,
        temporal: None,
        rejected: Vec::new(),
    };
    let size = writer.finish(&all_cards(&stats))?;
    Ok(Maker::record(task, size, stats))
}

/// What a thread works in.
#[derive(Default)]
struct Buffers {
    rows: Vec<f32>,
    mask: Vec<u8>,
    sigma: Vec<f32>,
}

#[allow(
    clippy::expect_used,
    reason = "a plane is made by from_shape_vec in standard layout"
)]
fn plane_part<T>(plane: &Array2<T>, part: std::ops::Range<usize>) -> &[T] {
    &plane.as_slice().expect("standard layout")[part]
}
