//! What is on file, by the raw contents that went into it.

use super::cast::{Cast, Originals, cast, retired};
use crate::facts::{Digest, DigestMap, Fingerprint, Made, Plan, Settings, Snapshot, line_of};

/// Products on file by the raw contents that went into them.
pub struct OnFile<'a> {
    /// Calibrated lights.
    pub lights: ByContent<'a>,
    /// Masters.
    pub masters: ByContent<'a>,
    /// Planes of single lines.
    pub lines: ByContent<'a>,
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
    let ((lights, lines), (originals, casts, old, (masters, all_masters))) = rayon::join(
        || lights(snapshot),
        || {
            let originals = Originals::of(snapshot);
            let (casts, old) = cast(snapshot, settings, &originals, plan);
            (originals, casts, old, masters(snapshot))
        },
    );
    let on_file = OnFile {
        lights,
        masters,
        lines,
        all_masters,
        entries: originals.by_content,
    };
    for index in old {
        retired(snapshot, &on_file, index, plan);
    }
    (on_file, casts)
}

type ByContent<'a> = DigestMap<Digest, Products<'a>>;

/// Calibrated lights, and planes of single lines.
fn lights(snapshot: &Snapshot) -> (ByContent<'_>, ByContent<'_>) {
    let (mut lights, mut lines) = (sized(snapshot.made.len()), ByContent::default());
    for made in snapshot.made.values().filter(|made| made.facts.is_none()) {
        match line_of(&made.method) {
            Some(_) => note(&mut lines, made),
            None => note(&mut lights, made),
        }
    }
    (lights, lines)
}

/// Masters, by their frames and all of them.
fn masters(snapshot: &Snapshot) -> (ByContent<'_>, Vec<&Made>) {
    let masters = snapshot.made.values().filter(|made| made.facts.is_some());
    let masters: Vec<&Made> = masters.collect();
    let mut by_frame = sized(masters.iter().map(|made| made.inputs.len()).sum());
    for made in &masters {
        note(&mut by_frame, made);
    }
    (by_frame, masters)
}

fn note<'a>(products: &mut ByContent<'a>, made: &'a Made) {
    for digest in &made.inputs {
        let only = Products {
            first: (made.fingerprint, made),
            more: Vec::new(),
        };
        let more = |known: &mut Products<'a>| known.more.push(made);
        products.entry(*digest).and_modify(more).or_insert(only);
    }
}

/// A map with room for so many.
pub fn sized<K, V>(count: usize) -> DigestMap<K, V> {
    DigestMap::with_capacity_and_hasher(count, Default::default())
}
