//! What was worked out for one plan and holds for the next: fingerprints of recipes and what the judge
//! said of sets. In a library of years nearly all of both stays as it was.
//!
//! A plan made with a memory is equal to one made without. What is remembered stands under all that
//! determines it, as its first content and a hash of 64 bits over the rest: of the same content two
//! that differ are taken for one with a chance of 2^-64. A thing not asked for in a plan is forgotten
//! after it, so a memory does not outgrow its plan.

use std::hash::{Hash, Hasher};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use super::cast::Member;
use crate::facts::{Digest, DigestMap, Fingerprint, Kind, Profile, quick_hasher};
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

/// Each thing with the number of the plan that last asked for it. Threads that plan ask all at once, so
/// what one plan adds is kept apart until the next begins.
struct Remembered<T> {
    plan: u64,
    known: DigestMap<Key, (AtomicU64, T)>,
    new: Mutex<DigestMap<Key, T>>,
}

impl<T> Default for Remembered<T> {
    fn default() -> Self {
        Self {
            plan: 0,
            known: DigestMap::default(),
            new: Mutex::default(),
        }
    }
}

impl<T: Clone> Remembered<T> {
    fn get(&self, key: Key, work: impl FnOnce() -> T) -> T {
        self.known(key).unwrap_or_else(|| {
            let found = work();
            let mut new = self.new.lock().unwrap_or_else(PoisonError::into_inner);
            new.insert(key, found.clone());
            found
        })
    }

    fn known(&self, key: Key) -> Option<T> {
        if let Some((asked, known)) = self.known.get(&key) {
            asked.store(self.plan, Ordering::Relaxed);
            return Some(known.clone());
        }
        let new = self.new.lock().unwrap_or_else(PoisonError::into_inner);
        new.get(&key).cloned()
    }

    fn turn(&mut self) {
        let plan = self.plan;
        self.known.retain(|_, (asked, _)| *asked.get_mut() == plan);
        let new = self.new.get_mut().unwrap_or_else(PoisonError::into_inner);
        let new = std::mem::take(new).into_iter();
        self.known
            .extend(new.map(|(key, found)| (key, (AtomicU64::new(plan), found))));
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

    /// The fingerprint of the recipe with this first content and this [`Recipe::quick`], by `work` if it
    /// is not known.
    pub(super) fn fingerprint(
        &self,
        first: &Digest,
        quick: u64,
        work: impl FnOnce() -> Fingerprint,
    ) -> Fingerprint {
        self.prints.get((*first, quick), work)
    }

    /// The same, if it is known.
    pub(super) fn known(&self, first: &Digest, quick: u64) -> Option<Fingerprint> {
        self.prints.known((*first, quick))
    }

    /// [`judge::left_out`] of a set.
    pub(super) fn left_out(&self, kind: Kind, set: &[Member<'_>], profile: &Profile) -> Reasons {
        let judged = || {
            let pairs: Vec<_> = set
                .iter()
                .map(|member| (member.frame, member.sample))
                .collect();
            judge::left_out(kind, &pairs, top(set), profile).into()
        };
        let Some(first) = set.first() else {
            return judged();
        };
        let mut hasher = quick_hasher();
        kind.hash(&mut hasher);
        profile.name.hash(&mut hasher);
        // Frames of a set have their hard keys in common.
        first.frame.camera.hash(&mut hasher);
        for member in set {
            let (frame, sample) = (member.frame, member.sample);
            member.digest.hash(&mut hasher);
            (frame.exposure, frame.temperature, frame.set_point).hash(&mut hasher);
            // The rest of a sample follows from content, camera, this and how it is measured, which the
            // level stands for: an older program's samples of files that are away may be kept.
            (sample.saturation.to_bits(), sample.level().to_bits()).hash(&mut hasher);
            member.saturation.to_bits().hash(&mut hasher);
        }
        self.judged.get((*first.digest, hasher.finish()), judged)
    }
}

/// Where the frames of a set saturate: the lowest level of their nights that none of them lies above.
fn top(set: &[Member<'_>]) -> f64 {
    let brightest = set.iter().map(|member| member.sample.level());
    let brightest = brightest.fold(f64::NEG_INFINITY, f64::max);
    let levels = || set.iter().map(|member| member.saturation);
    let lowest = levels()
        .filter(|&level| level >= brightest)
        .min_by(f64::total_cmp);
    lowest.unwrap_or_else(|| levels().fold(f64::NEG_INFINITY, f64::max))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_plan_did_not_ask_for_is_forgotten_after_it() {
        let key = |number| (Digest::new([number; 32]), 7);
        let mut remembered = Remembered::default();
        remembered.turn();
        assert_eq!(remembered.get(key(1), || 'a'), 'a');
        assert_eq!(remembered.get(key(2), || 'b'), 'b');
        assert_eq!(remembered.get(key(1), || 'z'), 'a', "within a plan");
        remembered.turn();
        assert_eq!(remembered.known(key(1)), Some('a'), "from one to the next");
        remembered.turn();
        assert_eq!(remembered.known(key(2)), None);
        assert_eq!(remembered.get(key(1), || 'z'), 'a');
    }
}
