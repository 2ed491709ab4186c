//! What was worked out for one plan and holds for the next: fingerprints of recipes and what the judge
//! said of sets. In a library of years nearly all of both stays as it was.
//!
//! A plan made with a memory is equal to one made without. What is remembered stands under all that
//! determines it, as its first content and a hash of 64 bits over the rest: of the same content two
//! that differ are taken for one with a chance of 2^-64. A thing not asked for in a plan is forgotten
//! after it, so a memory does not outgrow its plan.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::Arc;

use super::cast::Member;
use crate::facts::{Digest, DigestMap, Fingerprint, Kind, Profile, Recipe};
use crate::judge;

/// Why frames of a set are left out, in their order.
pub type Reasons = Arc<[Option<String>]>;

/// What holds from one plan to the next.
#[derive(Default)]
pub struct Memory {
    /// The profiles that it holds under.
    profiles: Vec<Arc<Profile>>,
    prints: Remembered<Fingerprint>,
    judged: Remembered<Reasons>,
}

type Key = (Digest, u64);

/// Each thing with the number of the plan that last asked for it.
struct Remembered<T> {
    plan: u64,
    known: DigestMap<Key, (u64, T)>,
}

impl<T> Default for Remembered<T> {
    fn default() -> Self {
        Self {
            plan: 0,
            known: DigestMap::default(),
        }
    }
}

impl<T: Clone> Remembered<T> {
    fn get(&mut self, key: Key, work: impl FnOnce() -> T) -> T {
        let known = self.known.entry(key).or_insert_with(|| (0, work()));
        known.0 = self.plan;
        known.1.clone()
    }

    fn known(&mut self, key: Key) -> Option<T> {
        let known = self.known.get_mut(&key)?;
        known.0 = self.plan;
        Some(known.1.clone())
    }

    fn turn(&mut self) {
        self.known.retain(|_, (asked, _)| *asked == self.plan);
        self.plan += 1;
    }
}

impl Memory {
    /// Another plan begins. Under other profiles nothing is known.
    pub(super) fn turn(&mut self, profiles: &[Arc<Profile>]) {
        if self.profiles != profiles {
            *self = Self::default();
            self.profiles = profiles.to_vec();
        }
        self.prints.turn();
        self.judged.turn();
    }

    /// [`Recipe::fingerprint`].
    pub(super) fn fingerprint(&mut self, recipe: &Recipe) -> Fingerprint {
        let Some(first) = recipe.raws().first() else {
            return recipe.fingerprint();
        };
        let key = (first.digest, recipe.quick());
        self.prints.get(key, || recipe.fingerprint())
    }

    /// The fingerprint of the recipe with this first content and this [`Recipe::quick`], if it is known.
    pub(super) fn known(&mut self, first: Digest, quick: u64) -> Option<Fingerprint> {
        self.prints.known((first, quick))
    }

    /// [`judge::left_out`] of a set.
    pub(super) fn left_out(
        &mut self,
        kind: Kind,
        set: &[Member<'_>],
        profile: &Profile,
    ) -> Reasons {
        let judged = || {
            let pairs: Vec<_> = set
                .iter()
                .map(|member| (member.frame, member.sample))
                .collect();
            judge::left_out(kind, &pairs, profile).into()
        };
        let Some(first) = set.first() else {
            return judged();
        };
        let mut hasher = DefaultHasher::new();
        kind.hash(&mut hasher);
        profile.name.hash(&mut hasher);
        // Frames of a set have their hard keys in common.
        first.frame.camera.hash(&mut hasher);
        for member in set {
            let (frame, sample) = (member.frame, member.sample);
            member.digest.hash(&mut hasher);
            (frame.exposure, frame.temperature, frame.set_point).hash(&mut hasher);
            // The rest of a sample follows from content, camera and this.
            sample.saturation.to_bits().hash(&mut hasher);
            for plane in sample.planes {
                let figures = [plane.level, plane.spread, plane.saturated];
                figures.map(f64::to_bits).hash(&mut hasher);
            }
        }
        self.judged.get((first.digest, hasher.finish()), judged)
    }
}
