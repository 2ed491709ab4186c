//! How the masters of a light fit it: its product and they are laid over each other, on the rows of
//! which the masters keep both halves.
//!
//! What the masters took off is put back first, so the raw frame is not needed.

use std::sync::Arc;

use ndarray::ArrayView2;
use rayon::prelude::*;

use super::halves::Halves;
use super::planes::{Held, plane_part};
use super::{MakeError, Maker, mask};
use crate::facts::{Fit, Kind, MasterUse, MovedShadow, ToMeasure};
use crate::measure::fit::{Left, dark_left, flat_left, is_kept, map, moved_shadows};

/// How flat and dark fit a light; what cannot be told is absent.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Fits {
    pub(super) flat: Option<Fit>,
    pub(super) dark: Option<Fit>,
    /// Dust shadows of the flat that the light does not have.
    pub(super) moved: Vec<MovedShadow>,
}

/// Pixels with one of these flags say nothing of masters.
const UNUSABLE: u8 = mask::SATURATED | mask::DEAD | mask::REPAIRED | mask::LOST;

/// A master that a light was made with.
struct Master {
    held: Arc<Held>,
    /// A master of a single exposure has none.
    halves: Option<Halves>,
    /// Of a dark of another exposure.
    factor: f64,
}

/// Those that a light was made with.
struct Masters {
    dark: Option<Master>,
    bias: Option<Master>,
    flat: Option<Master>,
}

impl Maker {
    /// Compares a calibrated light, ADU without an added level, with the masters it was made with.
    /// Pixels that were replaced are not looked at, so a light with repaired hot pixels tells little of
    /// its dark.
    pub(super) fn fits(
        &self,
        light: &ToMeasure,
        plane: ArrayView2<'_, f32>,
        flags: Option<ArrayView2<'_, u8>>,
    ) -> Result<Fits, MakeError> {
        let masters = Masters {
            dark: self.master(light, Kind::Dark)?,
            bias: self.master(light, Kind::Bias)?,
            flat: self.master(light, Kind::Flat)?,
        };
        let cfa = light.camera.cfa;
        let pairs: Vec<(usize, usize)> = kept_pairs(plane.nrows()).enumerate().collect();
        // Summed in the order of the rows, whichever thread looked at them.
        let left: Vec<[Left; 2]> = pairs
            .into_par_iter()
            .map(|pair| masters.left(pair, plane, flags, cfa.is_some()))
            .collect();
        let [flat, dark] = left.into_iter().fold([Left::default(); 2], |sum, part| {
            [sum[0] + part[0], sum[1] + part[1]]
        });
        Ok(Fits {
            flat: flat.fit(),
            dark: dark.fit(),
            moved: masters.flat.as_ref().map_or(Vec::new(), |flat| {
                moved_shadows(&map(plane, cfa), flat.held.map(cfa))
            }),
        })
    }

    /// The light's master of a kind; one that was not made here keeps no halves.
    fn master(&self, light: &ToMeasure, kind: Kind) -> Result<Option<Master>, MakeError> {
        let made_here = |used: &&MasterUse| used.kind == kind && !used.is_supplied();
        let Some(used) = light.masters.iter().find(made_here) else {
            return Ok(None);
        };
        let place = self.product(&used.product);
        let halves = Halves::read(&place.path, &light.camera);
        let halves = halves.map_err(|error| place.unread(error))?;
        Ok(Some(Master {
            held: self.planes.get(self, &place, used, &light.camera, false)?,
            halves,
            factor: used.scale.unwrap_or(1.0),
        }))
    }
}

impl Masters {
    /// What is left of the structure of flat and dark in a pair of neighbouring rows: the pair's place
    /// among those that the masters keep, and its first row.
    fn left(
        &self,
        (place, first): (usize, usize),
        plane: ArrayView2<'_, f32>,
        flags: Option<ArrayView2<'_, u8>>,
        is_colour: bool,
    ) -> [Left; 2] {
        let width = plane.ncols();
        let (mut left_flat, mut left_dark) = (Left::default(), Left::default());
        let rows = first * width..(first + 2) * width;
        let mut above = above_dark(plane, flags, first);
        if let Some(flat) = &self.flat {
            let divided = plane_part(&flat.held.plane, rows.clone());
            above.iter_mut().zip(divided).for_each(|(v, f)| *v *= f);
            if let Some(halves) = &flat.halves {
                let halves = halves.pair(place, width);
                left_flat = flat_left(width, is_colour, &above, halves);
            }
        }
        if let Some(dark) = &self.dark
            && let Some(halves) = &dark.halves
        {
            let zeros = vec![0.0; rows.len()];
            let pedestal = match &self.bias {
                Some(bias) => plane_part(&bias.held.plane, rows.clone()),
                None => &zeros,
            };
            let taken = plane_part(&dark.held.plane, rows).iter().zip(pedestal);
            for (value, (dark_value, bias)) in above.iter_mut().zip(taken) {
                *value += (dark.factor * f64::from(dark_value - bias)) as f32 + bias;
            }
            let bias = self.bias.as_ref().and_then(|bias| bias.halves.as_ref());
            let bias = bias.map_or([pedestal; 2], |halves| halves.pair(place, width));
            let halves = halves.pair(place, width);
            left_dark = dark_left(width, is_colour, &above, halves, bias, dark.factor);
        }
        [left_flat, left_dark]
    }
}

/// First rows of the pairs of which masters keep both halves.
fn kept_pairs(height: usize) -> impl Iterator<Item = usize> {
    (0..height.saturating_sub(1))
        .step_by(2)
        .filter(move |&row| is_kept(row, height))
}

/// Two rows of a light, NaN where they are not usable.
fn above_dark(
    plane: ArrayView2<'_, f32>,
    flags: Option<ArrayView2<'_, u8>>,
    first: usize,
) -> Vec<f32> {
    let usable = |at| flags.is_none_or(|flags| flags[at] & UNUSABLE == 0);
    let row = |y| (0..plane.ncols()).map(move |x| (y, x));
    let pixels = row(first).chain(row(first + 1));
    let value = |at| if usable(at) { plane[at] } else { f32::NAN };
    pixels.map(value).collect()
}
