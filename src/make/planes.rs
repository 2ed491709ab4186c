//! Masters in memory, remembered between the lights of a group.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use ndarray::parallel::prelude::*;
use ndarray::{Array2, Axis};

use super::blank::{blank, contiguous_mut};
use super::supplied::{self, Place};
use super::{MakeError, Maker, mask};
use crate::facts::{Camera, Cfa, Fingerprint, MasterUse};
use crate::fits::{FitsError, Source};
use crate::measure::fit::{Map, map};

/// Rows read at a time.
const ROWS: usize = 64;

/// So many masters one light may need: what is subtracted, its pedestal, what is divided by. They
/// stay whatever the budget, or each light of a group would read them anew.
const MOST: usize = 3;

/// Masters remembered between lights of a group, the latest first.
pub struct Planes {
    budget: usize,
    held: Mutex<VecDeque<Arc<Held>>>,
}

/// A master in memory.
pub(super) struct Held {
    fingerprint: Fingerprint,
    /// Whether its flags were wanted.
    flags: bool,
    pub(super) plane: Array2<f32>,
    /// Its flags, where they are wanted and the file has them.
    pub(super) mask: Option<Array2<u8>>,
    /// Square of its temporal noise.
    pub(super) variance: f64,
    /// Its map, once a light asked for it.
    map: OnceLock<Map>,
}

impl Held {
    /// What the plane looks like from afar.
    pub(super) fn map(&self, cfa: Option<Cfa>) -> &Map {
        self.map.get_or_init(|| map(self.plane.view(), cfa))
    }

    fn bytes(&self) -> usize {
        self.plane.len() * size_of::<f32>() + self.mask.as_ref().map_or(0, Array2::len)
    }
}

impl Planes {
    /// Remembers at most about `budget` bytes of pixels, and always the last used ones that one
    /// light may need.
    pub fn new(budget: u64) -> Self {
        let budget = usize::try_from(budget).unwrap_or(usize::MAX);
        Self {
            budget,
            held: Mutex::new(VecDeque::new()),
        }
    }

    /// A master in memory, read from its place where it is not there yet.
    pub(super) fn get(
        &self,
        maker: &Maker,
        place: &Place<'_>,
        used: &MasterUse,
        camera: &Camera,
        flags: bool,
    ) -> Result<Arc<Held>, MakeError> {
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(place) = held
            .iter()
            .position(|held| held.fingerprint == used.fingerprint && (held.flags || !flags))
            && let Some(found) = held.remove(place)
        {
            held.push_front(found.clone());
            return Ok(found);
        }
        let found = Arc::new(maker.load(place, used, camera, flags)?);
        remember(&mut held, found.clone(), self.budget);
        Ok(found)
    }
}

/// Puts a master first and forgets those that were used longest ago.
fn remember(held: &mut VecDeque<Arc<Held>>, found: Arc<Held>, budget: usize) {
    held.push_front(found);
    while held.len() > MOST && held.iter().map(|held| held.bytes()).sum::<usize>() > budget {
        held.pop_back();
    }
}

impl Maker {
    /// Reads a master, with its flags where they are wanted.
    fn load(
        &self,
        place: &Place<'_>,
        used: &MasterUse,
        camera: &Camera,
        flags: bool,
    ) -> Result<Held, MakeError> {
        let unread = |error: FitsError| place.unread(error);
        let source = self.open_product(place, camera)?;
        let (width, height) = (source.width(), source.height());
        let mut plane = whole(&source).map_err(unread)?;
        let mut mask = match flags {
            true => flags_of(&place.path, plane.dim()).map_err(unread)?,
            false => None,
        };
        // A master of before it was measured has its pixels' scatter, fixed pattern included.
        let header = source.header();
        let mut noise = header.number("DLTNOISE").or(header.number("DLNOISE"));
        if let Some(master) = place.supplied {
            if flags && mask.is_none() {
                mask = Some(Array2::zeros((height, width)));
            }
            let (kind, level) = (used.kind, master.flat_level);
            let scatter = supplied::finish(kind, &mut plane, mask.as_mut(), camera.cfa, level);
            let scatter = scatter.map_err(|reason| place.unusable(reason))?;
            noise = noise.or(Some(scatter));
            place.check()?;
        }
        Ok(Held {
            variance: noise.unwrap_or(0.0).powi(2),
            fingerprint: used.fingerprint,
            flags,
            plane,
            mask,
            map: OnceLock::new(),
        })
    }
}

/// A whole plane.
pub(super) fn whole(source: &Source) -> Result<Array2<f32>, FitsError> {
    let mut plane = blank((source.height(), source.width()));
    plane
        .axis_chunks_iter_mut(Axis(0), ROWS)
        .into_par_iter()
        .enumerate()
        .try_for_each(|(strip, mut out)| {
            let count = out.nrows();
            source.rows_f32(strip * ROWS, count, contiguous_mut(out.as_slice_mut()))
        })?;
    Ok(plane)
}

/// The flags of a product whose image has this shape; nothing where it has none.
pub(super) fn flags_of(
    path: &Path,
    shape: (usize, usize),
) -> Result<Option<Array2<u8>>, FitsError> {
    let flags = open_flags(path, shape)?;
    flags.map(|flags| bytes(&flags)).transpose()
}

/// The plane of flags of a product whose image has this shape; nothing where it has none.
pub(super) fn open_flags(path: &Path, shape: (usize, usize)) -> Result<Option<Source>, FitsError> {
    let found = Source::open_plane(path, mask::NAME)?;
    Ok(found.filter(|flags| (flags.height(), flags.width()) == shape))
}

/// A whole plane of bytes.
fn bytes(source: &Source) -> Result<Array2<u8>, FitsError> {
    let mut plane = blank((source.height(), source.width()));
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

#[allow(
    clippy::expect_used,
    reason = "planes are made by zeros in standard layout"
)]
pub(super) fn plane_part<T>(plane: &Array2<T>, part: std::ops::Range<usize>) -> &[T] {
    &plane.as_slice().expect("standard layout")[part]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn held(number: u8, side: usize) -> Arc<Held> {
        Arc::new(Held {
            fingerprint: Fingerprint::new([number; 32]),
            flags: false,
            plane: Array2::zeros((side, side)),
            mask: None,
            variance: 0.0,
            map: OnceLock::new(),
        })
    }

    fn kept(count: u8, budget: usize) -> Vec<Fingerprint> {
        let mut all = VecDeque::new();
        for number in 0..count {
            remember(&mut all, held(number, 10), budget);
        }
        all.iter().map(|held| held.fingerprint).collect()
    }

    #[test]
    fn a_budget_too_small_keeps_what_one_light_needs() {
        let named = |numbers: &[u8]| -> Vec<Fingerprint> {
            let print = |&number: &u8| Fingerprint::new([number; 32]);
            numbers.iter().map(print).collect()
        };
        assert_eq!(kept(3, 1), named(&[2, 1, 0]));
        assert_eq!(kept(5, 1), named(&[4, 3, 2]));
        assert_eq!(kept(5, 1600), named(&[4, 3, 2, 1]));
    }
}
