//! What becomes of a light that asks for the same as one before it in its night, without a recipe of its
//! own: where what it chooses is the same, and the product of that is on file.

use std::sync::Arc;

use crate::facts::{AlikeHash, Fingerprint, LightRecipe, LightState};
use crate::plan::cast::Member;
use crate::plan::matching::Shortlist;
use crate::plan::rig::Rig;

/// What lights of one night have in common that ask for the same.
pub(super) struct Alike {
    /// Are darks wanted for them?
    dark: bool,
    /// Does the camera hold its black level?
    held: bool,
    /// For each wish what was chosen, and of what: at another moment it may be another one.
    chosen: [(Option<Fingerprint>, Arc<Shortlist>); 3],
    hash: AlikeHash,
}

impl<'a> Rig<'a, '_> {
    /// What holds for other lights of its night that are like this one; nothing where there is more to
    /// make of each than its product.
    pub(super) fn alike(&self, light: &Member<'a>, recipe: &LightRecipe) -> Option<Alike> {
        if self.profile().products.split_lines && !self.passbands(light).is_empty() {
            return None;
        }
        Some(Alike {
            dark: self.wants_dark(light),
            held: self.holds_black(light),
            chosen: self.wishes(light).map(|(_, want)| {
                let shortlist = self.offers.shortlist(&want);
                let chosen = self.offers.choose_of(&shortlist, &want);
                (chosen.map(|offer| offer.fingerprint), shortlist)
            }),
            hash: AlikeHash::of(recipe),
        })
    }

    /// What becomes of a light that is like one before, if nothing is to be made of it.
    pub(super) fn like(&self, alike: &Alike, light: &Member<'a>) -> Option<LightState> {
        let wishes = self.wishes(light);
        let mut both = alike.chosen.iter().zip(&wishes);
        let same = both.all(|((chosen, shortlist), (_, want))| {
            let own = self.offers.choose_of(shortlist, want);
            own.map(|offer| offer.fingerprint) == *chosen
        });
        let asks_alike =
            self.wants_dark(light) == alike.dark && self.holds_black(light) == alike.held;
        if !same || !asks_alike || self.awaits_verdict(light).is_some() {
            return None;
        }
        let mask = self.profile().products.mask.then_some(light.saturation);
        let quick = alike.hash.quick(light.digest, light.moment, mask);
        let print = self.memory.known(light.digest, quick)?;
        let on_file = self.calibrated(light.digest).contains(&print);
        on_file.then_some(LightState::Calibrated(print))
    }
}
