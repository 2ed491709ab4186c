//! Calibrates one light: (L - D)/F, or (L - B)/F where the rule has no dark.
//!
//! Negative values stay: clipping them would bias every faint mean that is built on them. The
//! original header is kept card by card, without those that describe the raw storage.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use ndarray::Array2;
use rayon::prelude::*;

use super::{MakeError, Maker, Pulse, provenance, spoiled};
use crate::facts::{
    Camera, Card, Fingerprint, LightRecipe, Made, MadeStats, MasterUse, Recipe, Task, Value,
};
use crate::fits::ImageWriter;
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
    held: Mutex<VecDeque<(Fingerprint, Arc<Array2<f32>>)>>,
}

impl Planes {
    /// Remembers at most about `budget` bytes of pixels, and always the two masters in use.
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
    ) -> Result<Arc<Array2<f32>>, MakeError> {
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(place) = held
            .iter()
            .position(|(print, _)| *print == used.fingerprint)
            && let Some(found) = held.remove(place)
        {
            held.push_front(found.clone());
            return Ok(found.1);
        }
        let source = maker.open_master(&used.product, camera)?;
        let (width, height) = (source.width(), source.height());
        let mut pixels = vec![0.0; width * height];
        pixels
            .par_chunks_mut(width * ROWS)
            .enumerate()
            .try_for_each(|(strip, out)| {
                source
                    .rows_f32(strip * ROWS, out.len() / width, out)
                    .map_err(|error| MakeError::Master {
                        path: maker.output.join(&used.product),
                        reason: error.to_string(),
                    })
            })?;
        let plane =
            Array2::from_shape_vec((height, width), pixels).map_err(|error| MakeError::Master {
                path: maker.output.join(&used.product),
                reason: error.to_string(),
            })?;
        let plane = Arc::new(plane);
        let bytes = |plane: &Array2<f32>| plane.len() * size_of::<f32>();
        held.push_front((used.fingerprint, plane.clone()));
        while held.len() > 2
            && held.iter().map(|(_, plane)| bytes(plane)).sum::<usize>() > self.budget
        {
            held.pop_back();
        }
        Ok(plane)
    }
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
    let subtract = maker.planes.get(maker, &recipe.subtract, camera)?;
    let divide = match &recipe.divide {
        Some(used) => Some(maker.planes.get(maker, used, camera)?),
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
    let writer = ImageWriter::begin(draft, width, height, &all_cards(&unknown))?;
    let raw_path = maker.raw_path(&recipe.input.file)?;
    let cells = (0..height.div_ceil(ROWS))
        .into_par_iter()
        .map_init(Vec::new, |rows: &mut Vec<f32>, strip| {
            pulse.beat()?;
            let first = strip * ROWS;
            let count = ROWS.min(height - first);
            rows.resize(count * width, 0.0);
            source
                .rows_f32(first, count, rows)
                .map_err(|error| spoiled(&recipe.input, &raw_path, error))?;
            let part = first * width..(first + count) * width;
            let below = plane_part(&subtract, part.clone());
            rows.iter_mut()
                .zip(below)
                .for_each(|(value, below)| *value -= below);
            if let Some(divide) = &divide {
                let flat = plane_part(divide, part);
                rows.iter_mut()
                    .zip(flat)
                    .for_each(|(value, flat)| *value /= flat);
            }
            writer.rows(first, rows)?;
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

#[allow(
    clippy::expect_used,
    reason = "a plane is made by from_shape_vec in standard layout"
)]
fn plane_part(plane: &Array2<f32>, part: std::ops::Range<usize>) -> &[f32] {
    &plane.as_slice().expect("standard layout")[part]
}
