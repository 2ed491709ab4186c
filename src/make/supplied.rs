//! Masters that were not made here: where they lie, and what they lack of the form of our own.
//!
//! A flat gets the mean that the profile asks for, and its dead pixels their flags; in a dark or bias
//! without flags the hot pixels are looked for. It must look the same before and after it is read.

use std::fs;
use std::path::PathBuf;

use ndarray::Array2;

use super::flat::{Mean, Sampled, colour_index, lit_levels, normalise};
use super::{MakeError, Maker, hot, stamp};
use crate::facts::{Cfa, FlatLevel, Kind, MasterUse, Stamp, SuppliedMaster, Task};
use crate::fits::FitsError;
use crate::measure::SampledRows;

/// Where a master can be read.
pub(super) struct Place<'a> {
    pub(super) path: PathBuf,
    /// What is known of it where it was not made here.
    pub(super) supplied: Option<&'a SuppliedMaster>,
}

impl Place<'_> {
    pub(super) fn unusable(&self, reason: impl ToString) -> MakeError {
        MakeError::Master {
            path: self.path.clone(),
            reason: reason.to_string(),
        }
    }

    /// It could not be read. A disk that has no room to decode it is no fault of its own. Nor is what
    /// the system refuses of a supplied one, which may lie on a share; a product of our own can be made
    /// again.
    pub(super) fn unread(&self, error: FitsError) -> MakeError {
        match error {
            FitsError::Scratch { folder, source } => MakeError::Scratch { folder, source },
            FitsError::Io { path, source, .. } if self.supplied.is_some() => {
                MakeError::Read { path, source }
            }
            other => self.unusable(other),
        }
    }

    /// Is a supplied master still what it was when it was examined?
    pub(super) fn check(&self) -> Result<(), MakeError> {
        let same =
            |wanted: Stamp| fs::metadata(&self.path).is_ok_and(|found| stamp(&found) == wanted);
        match self.supplied {
            Some(master) if !same(master.stamp) => {
                Err(self.unusable("it has changed or vanished since it was examined"))
            }
            _ => Ok(()),
        }
    }
}

impl Maker {
    /// Where a product of our own lies.
    pub(super) fn product(&self, product: &str) -> Place<'static> {
        Place {
            path: self.output.join(product),
            supplied: None,
        }
    }

    /// Where a master that a task needs can be read.
    pub(super) fn place<'t>(&self, task: &'t Task, used: &MasterUse) -> Place<'t> {
        let found = task.supplied.iter().find_map(|supplied| {
            let master = supplied.master.as_ref().ok()?;
            (master.fingerprint == used.fingerprint).then_some((supplied, master))
        });
        match found {
            Some((supplied, master)) => Place {
                path: supplied.path.clone(),
                supplied: Some(master),
            },
            None => self.product(&used.product),
        }
    }
}

/// Brings a supplied master into the form of our own. Gives the scatter of its pixels.
///
/// # Errors
/// The reason, where a flat has no light.
pub(super) fn finish(
    kind: Kind,
    plane: &mut Array2<f32>,
    flags: Option<&mut Array2<u8>>,
    cfa: Option<Cfa>,
    flat_level: Option<FlatLevel>,
) -> Result<f64, &'static str> {
    let flagged = flags
        .as_ref()
        .is_some_and(|flags| flags.iter().any(|flags| *flags != 0));
    let mut scratch = Array2::zeros(plane.dim());
    let wanted = flags.is_some();
    let flags = flags.unwrap_or(&mut scratch);
    match flat_level {
        Some(choice) => {
            let finished = mean(plane, cfa, choice).ok_or("a flat without light")?;
            normalise(plane, flags, cfa, finished.finished);
            Ok(noise(plane, cfa))
        }
        None => {
            let noise = noise(plane, cfa);
            if wanted && !flagged && kind != Kind::Flat {
                hot::flag_hot(plane.view(), noise, cfa.is_some(), flags);
            }
            Ok(noise)
        }
    }
}

/// The scatter of a plane's pixels.
fn noise(plane: &Array2<f32>, cfa: Option<Cfa>) -> f64 {
    SampledRows::of(plane.view(), cfa.is_some()).pixel_noise()
}

/// The mean of a flat's colours, those without light made no numbers.
fn mean(plane: &mut Array2<f32>, cfa: Option<Cfa>, choice: FlatLevel) -> Option<Mean> {
    let mut colours = [Sampled::default(); 3];
    for ((y, x), value) in plane.indexed_iter().filter(|(_, value)| value.is_finite()) {
        colours[colour_index(cfa, x, y)].add(*value);
    }
    let levels = lit_levels(colours)?;
    if cfa.is_some() && levels.iter().any(|level| level.is_nan()) {
        for ((y, x), value) in plane.indexed_iter_mut() {
            if levels[colour_index(cfa, x, y)].is_nan() {
                *value = f32::NAN;
            }
        }
    }
    Some(Mean::of(&[levels], cfa, choice))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;
    use crate::make::mask;

    #[test]
    fn a_flat_in_any_units_gets_the_mean_of_the_profile() {
        let cfa = Cfa::parse("RGGB");
        let level = [[2000.0f32, 4000.0], [4000.0, 1000.0]];
        let mut plane = Array2::from_shape_fn((20, 30), |(y, x)| level[y % 2][x % 2]);
        plane[(4, 6)] = 20.0;
        plane[(5, 5)] = f32::NAN;
        let mut flags = Array2::zeros(plane.dim());
        let mut per_colour = plane.clone();
        finish(
            Kind::Flat,
            &mut per_colour,
            Some(&mut flags),
            cfa,
            Some(FlatLevel::PerColour),
        )
        .unwrap();
        // 149 red pixels of 2000 and one of 20 have the mean 1986.8; by hand: 2000/1986.8.
        assert!((per_colour[(0, 0)] - 1.006_644).abs() < 1e-5);
        assert_eq!((per_colour[(0, 1)], per_colour[(1, 1)]), (1.0, 1.0));
        assert_eq!(
            (flags[(4, 6)], flags[(5, 5)], per_colour[(4, 6)]),
            (mask::DEAD, mask::DEAD, 1.0)
        );
        assert_eq!(flags.iter().filter(|flags| **flags != 0).count(), 2);
        // All pixels together: green has the part 4000 / (0.25 * 2000 + 0.5 * 4000 + 0.25 * 1000).
        finish(Kind::Flat, &mut plane, None, cfa, Some(FlatLevel::Common)).unwrap();
        assert!(
            (plane[(0, 1)] - 4000.0 / 2750.0).abs() < 2e-3,
            "{}",
            plane[(0, 1)]
        );
        let mut black = Array2::zeros((20, 30));
        let found = finish(Kind::Flat, &mut black, None, None, Some(FlatLevel::Common));
        assert_eq!(found, Err("a flat without light"));
    }

    #[test]
    fn hot_pixels_of_a_dark_are_flagged_unless_it_brings_flags() {
        let mut dark = Array2::from_shape_fn((20, 30), |(y, x)| {
            500.0 + ((x * x * 7 + y * y * 3 + x * y) % 5) as f32
        });
        dark[(7, 9)] = 900.0;
        let mut flags = Array2::zeros(dark.dim());
        let noise = finish(Kind::Dark, &mut dark, Some(&mut flags), None, None).unwrap();
        assert!((0.5..3.0).contains(&noise), "{noise}");
        let found: Vec<_> = flags
            .indexed_iter()
            .filter(|(_, flags)| **flags != 0)
            .collect();
        assert_eq!(found, [((7, 9), &mask::HOT)]);
        let mut own = Array2::zeros(dark.dim());
        own[(0, 0)] = mask::LOST;
        finish(Kind::Dark, &mut dark, Some(&mut own), None, None).unwrap();
        assert_eq!((own[(0, 0)], own[(7, 9)]), (mask::LOST, 0));
    }
}
