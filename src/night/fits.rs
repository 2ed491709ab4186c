//! How well a night's masters fit its lights: the lights' own figures put together for each master.

use std::collections::BTreeMap;

use super::text::rounded;
use crate::facts::{Fit, Kind, Made, MasterEntry, Measured, MovedShadow};
use crate::measure::fit::{
    Pooled, UNTOLD, dark_caution, dark_fits, flat_caution, flat_fits, moved_in_most,
};

/// How one master fits.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct MasterFit {
    pub(super) slope: Option<Fit>,
    /// What is wrong.
    pub(super) caution: Option<String>,
    /// What is said where nothing is.
    fits: String,
}

/// What the lights of a night say of one master.
#[derive(Default)]
struct Said {
    slopes: Vec<Fit>,
    moved: Vec<Vec<MovedShadow>>,
    is_flat: bool,
}

/// How the masters fit that these lights were made with, by where the masters lie.
pub(super) fn fits<'a>(
    lights: impl Iterator<Item = (&'a Made, &'a Measured)>,
) -> BTreeMap<String, MasterFit> {
    let mut masters: BTreeMap<&str, Said> = BTreeMap::new();
    for (made, measured) in lights {
        for used in &made.masters {
            let slope = match used.kind {
                Kind::Flat => measured.flat_fit,
                Kind::Dark => measured.dark_fit,
                _ => continue,
            };
            let said = masters.entry(&used.product).or_default();
            said.slopes.extend(slope);
            if used.kind == Kind::Flat {
                said.is_flat = true;
                said.moved.push(measured.moved.clone());
            }
        }
    }
    let fit = |(product, said): (&str, Said)| {
        let pooled = Pooled::over(&said.slopes);
        let caution = match said.is_flat {
            true => flat_caution(pooled.as_ref(), &moved_in_most(&said.moved)),
            false => pooled.as_ref().and_then(dark_caution),
        };
        let fits = match &pooled {
            Some(pooled) if said.is_flat => flat_fits(pooled),
            Some(pooled) => dark_fits(pooled),
            None => UNTOLD.to_owned(),
        };
        let slope = pooled.map(|pooled| pooled.fit);
        let fit = MasterFit {
            slope,
            caution,
            fits,
        };
        (product.to_owned(), fit)
    };
    masters.into_iter().map(fit).collect()
}

impl MasterFit {
    /// Writes it into the master's entry; what could not be measured stays out.
    pub(super) fn tell(&self, entry: &mut MasterEntry) {
        entry.fit_slope = self.slope.map(|fit| rounded(fit.slope, 4));
        entry.fit_error = self.slope.map(|fit| rounded(fit.error, 4));
        entry.fit = Some(self.caution.as_ref().unwrap_or(&self.fits).clone());
    }
}
