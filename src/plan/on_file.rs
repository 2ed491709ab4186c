//! What is on file, by the raw contents that went into it.

use super::cast::{Cast, Originals, cast, retired};
use crate::facts::{Digest, DigestMap, Fingerprint, Made, Plan, Settings, Snapshot, line_of};

/// Products on file by the raw contents that went into them.
pub struct OnFile<'a> {
    /// Calibrated lights.
    pub lights: DigestMap<Digest, Products<'a>>,
    /// Masters.
    pub masters: DigestMap<Digest, Products<'a>>,
    /// Planes of single lines.
    pub lines: DigestMap<Digest, Products<'a>>,
    /// All masters, by fingerprint.
    pub all_masters: Vec<&'a Made>,
    /// The entry that stands for each content, there or vanished.
    pub entries: DigestMap<Digest, usize>,
}

/// Products of one content, by fingerprint: one, almost always.
pub struct Products<'a> {
    /// The first, and its fingerprint beside it: most are only asked for that.
    pub first: (Fingerprint, &'a Made),
    more: Vec<&'a Made>,
}

impl<'a> Products<'a> {
    /// All of them.
    pub fn iter(&self) -> impl Iterator<Item = &'a Made> {
        std::iter::once(self.first.1).chain(self.more.iter().copied())
    }

    /// Is there one of this fingerprint?
    pub fn contains(&self, print: Fingerprint) -> bool {
        self.first.0 == print || self.more.iter().any(|made| made.fingerprint == print)
    }
}

/// What is on file, and the frames sorted into rigs, on a thread each: only what has retired asks for both.
pub fn with_casts<'a>(
    snapshot: &'a Snapshot,
    settings: &'a Settings,
    plan: &mut Plan,
) -> (OnFile<'a>, Vec<Cast<'a>>) {
    let (mut on_file, (originals, casts, old)) = rayon::join(
        || OnFile::of(snapshot),
        || {
            let originals = Originals::of(snapshot);
            let (casts, old) = cast(snapshot, settings, &originals, plan);
            (originals, casts, old)
        },
    );
    on_file.entries = originals.by_content;
    for index in old {
        retired(snapshot, &on_file, index, plan);
    }
    (on_file, casts)
}

impl<'a> OnFile<'a> {
    /// All but the entries.
    fn of(snapshot: &'a Snapshot) -> Self {
        let mut found = Self {
            lights: sized(snapshot.made.len()),
            masters: sized(snapshot.entries.len()),
            lines: DigestMap::default(),
            all_masters: Vec::new(),
            entries: DigestMap::default(),
        };
        for made in snapshot.made.values() {
            let place = if made.facts.is_some() {
                found.all_masters.push(made);
                &mut found.masters
            } else if line_of(&made.method).is_some() {
                &mut found.lines
            } else {
                &mut found.lights
            };
            for digest in &made.inputs {
                let only = Products {
                    first: (made.fingerprint, made),
                    more: Vec::new(),
                };
                let more = |known: &mut Products<'a>| known.more.push(made);
                place.entry(*digest).and_modify(more).or_insert(only);
            }
        }
        found
    }
}

/// A map with room for so many.
pub fn sized<K, V>(count: usize) -> DigestMap<K, V> {
    DigestMap::with_capacity_and_hasher(count, Default::default())
}
