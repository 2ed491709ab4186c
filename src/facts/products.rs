//! The products on file, by fingerprint, by the raw contents that went into them, and by what has measured
//! them.
//!
//! Who plans asks of each raw frame what there is of it, and which lights are still to be measured, after
//! every new file: so that is kept, and not gathered each time.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Index;

use super::{Digest, DigestMap, DigestSet, Fingerprint, Made, line_of};

/// Products on file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Products {
    all: BTreeMap<Fingerprint, Made>,
    masters: BTreeSet<Fingerprint>,
    lights_of: ByFrame,
    lines_of: ByFrame,
    masters_of: ByFrame,
    /// Calibrated lights by the version of the methods that measured them, those that were not measured
    /// under none. There is no empty set.
    measured: BTreeMap<Option<u32>, DigestSet<Fingerprint>>,
}

type ByFrame = DigestMap<Digest, Few>;

/// Fingerprints in their order: one, almost always.
#[derive(Clone, Debug, PartialEq)]
enum Few {
    One(Fingerprint),
    More(Vec<Fingerprint>),
}

impl Few {
    fn as_slice(&self) -> &[Fingerprint] {
        match self {
            Self::One(one) => std::slice::from_ref(one),
            Self::More(more) => more,
        }
    }

    fn of(mut all: Vec<Fingerprint>) -> Self {
        all.sort_unstable();
        all.dedup();
        match all.as_slice() {
            [one] => Self::One(*one),
            _ => Self::More(all),
        }
    }
}

impl Products {
    /// Adds a product, in the place of one of its fingerprint, which is given back. What was measured
    /// on that one holds for this one.
    pub fn insert(&mut self, made: Made) -> Option<Made> {
        let print = made.fingerprint;
        let version = self.measured_by(&print);
        let before = self.remove(&print);
        if made.facts.is_some() {
            self.masters.insert(print);
        }
        if is_light(&made) {
            self.measured.entry(version).or_default().insert(print);
        }
        let by_frame = self.by_frame(&made);
        for digest in &made.inputs {
            let more = |known: &mut Few| *known = Few::of([known.as_slice(), &[print]].concat());
            let known = by_frame.entry(*digest);
            known.and_modify(more).or_insert(Few::One(print));
        }
        self.all.insert(print, made);
        before
    }

    /// Forgets a product.
    pub fn remove(&mut self, print: &Fingerprint) -> Option<Made> {
        let made = self.all.remove(print)?;
        self.masters.remove(print);
        self.forget_measure(print);
        let by_frame = self.by_frame(&made);
        for digest in &made.inputs {
            let known = by_frame.remove(digest);
            let mut stay = known.map_or_else(Vec::new, |known| known.as_slice().to_vec());
            stay.retain(|other| other != print);
            if !stay.is_empty() {
                by_frame.insert(*digest, Few::of(stay));
            }
        }
        Some(made)
    }

    /// Where it stands by its frames.
    fn by_frame(&mut self, made: &Made) -> &mut ByFrame {
        match made.facts {
            _ if is_light(made) => &mut self.lights_of,
            Some(_) => &mut self.masters_of,
            None => &mut self.lines_of,
        }
    }

    /// The product of this fingerprint.
    pub fn get(&self, print: &Fingerprint) -> Option<&Made> {
        self.all.get(print)
    }

    /// Is there one of this fingerprint?
    pub fn contains(&self, print: &Fingerprint) -> bool {
        self.all.contains_key(print)
    }

    /// All of them, by fingerprint.
    pub fn iter(&self) -> impl Iterator<Item = &Made> {
        self.all.values()
    }

    /// All masters, by fingerprint.
    pub fn masters(&self) -> impl Iterator<Item = &Made> {
        self.masters.iter().filter_map(|print| self.all.get(print))
    }

    /// The fingerprints of a raw light calibrated, in their order.
    pub fn lights_of(&self, digest: &Digest) -> &[Fingerprint] {
        self.lights_of.get(digest).map_or(&[], Few::as_slice)
    }

    /// The fingerprints of the planes of single lines of a raw light, in their order.
    pub fn lines_of(&self, digest: &Digest) -> &[Fingerprint] {
        self.lines_of.get(digest).map_or(&[], Few::as_slice)
    }

    /// The fingerprints of the masters that a raw frame went into, in their order.
    pub fn masters_of(&self, digest: &Digest) -> &[Fingerprint] {
        self.masters_of.get(digest).map_or(&[], Few::as_slice)
    }

    /// Takes note of a calibrated light that was measured by this version of the methods. What is no such
    /// light on file is left aside.
    pub fn measure(&mut self, print: Fingerprint, version: u32) {
        if self.all.get(&print).is_some_and(is_light) {
            self.forget_measure(&print);
            self.measured
                .entry(Some(version))
                .or_default()
                .insert(print);
        }
    }

    fn forget_measure(&mut self, print: &Fingerprint) {
        self.measured.retain(|_, prints| {
            prints.remove(print);
            !prints.is_empty()
        });
    }

    /// The version of the methods that a calibrated light was measured by, if it was.
    pub fn measured_by(&self, print: &Fingerprint) -> Option<u32> {
        let mut known = self.measured.iter();
        *known.find(|(_, prints)| prints.contains(print))?.0
    }

    /// Calibrated lights that were not measured by this version of the methods, in no order.
    pub fn not_measured_by(&self, version: u32) -> impl Iterator<Item = &Fingerprint> {
        let others = self.measured.iter();
        let others = others.filter(move |(by, _)| **by != Some(version));
        others.flat_map(|(_, prints)| prints)
    }

    /// How many calibrated lights were measured, by whatever version.
    pub fn measured_count(&self) -> usize {
        let known = self.measured.iter().filter(|(by, _)| by.is_some());
        known.map(|(_, prints)| prints.len()).sum()
    }

    /// The products of these fingerprints.
    pub fn each(&self, prints: &[Fingerprint]) -> impl Iterator<Item = &Made> {
        prints.iter().filter_map(|print| self.all.get(print))
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.all.len()
    }

    /// Is there none?
    pub fn is_empty(&self) -> bool {
        self.all.is_empty()
    }
}

fn is_light(made: &Made) -> bool {
    made.facts.is_none() && line_of(&made.method).is_none()
}

impl Index<&Fingerprint> for Products {
    type Output = Made;

    fn index(&self, print: &Fingerprint) -> &Made {
        &self.all[print]
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use std::sync::Arc;

    use super::*;
    use crate::facts::{Camera, Kind, MadeStats, MasterFacts, Optics, RowOrder, Seconds};

    fn made(number: u8, method: &str, inputs: &[u8]) -> Made {
        Made {
            fingerprint: Fingerprint::new([number; 32]),
            product: String::new(),
            size: 1,
            method: method.into(),
            inputs: inputs.iter().map(|&input| frame(input)).collect(),
            masters: Vec::new(),
            facts: None,
            stats: MadeStats::default(),
        }
    }

    fn master(number: u8, inputs: &[u8]) -> Made {
        let camera = Camera {
            name: "Petrel 26M".into(),
            width: 64,
            height: 48,
            binning: (1, 1),
            gain: None,
            offset: None,
            readout_mode: None,
            row_order: RowOrder::Unstated,
            origin: (0, 0),
            cfa: None,
            overscan: None,
        };
        let facts = MasterFacts {
            kind: Kind::Bias,
            rig: "north-pier".into(),
            camera: Arc::new(camera),
            filter: "none".into(),
            exposure: Seconds::new(0.0).unwrap(),
            temperature: None,
            optics: Arc::new(Optics::default()),
            rotator: None,
            first: None,
            last: None,
        };
        Made {
            facts: Some(facts),
            ..made(number, "bias/1 mean", inputs)
        }
    }

    fn frame(number: u8) -> Digest {
        Digest::new([number; 32])
    }

    fn numbers(prints: &[Fingerprint]) -> Vec<u8> {
        prints.iter().map(|print| print.bytes()[0]).collect()
    }

    #[test]
    fn products_are_found_by_their_frames_whatever_came_and_went() {
        let mut products = Products::default();
        products.insert(made(9, "light/1", &[1]));
        products.insert(made(3, "light/1", &[1]));
        products.insert(made(5, "line/1 red line=Ha", &[1]));
        products.insert(made(4, "light/1", &[2]));
        products.insert(master(7, &[1, 2, 2]));
        assert_eq!(numbers(products.lights_of(&frame(1))), [3, 9]);
        assert_eq!(numbers(products.lines_of(&frame(1))), [5]);
        assert_eq!(numbers(products.masters_of(&frame(2))), [7]);
        assert!(products.masters_of(&frame(3)).is_empty());
        let masters: Vec<Fingerprint> = products.masters().map(|made| made.fingerprint).collect();
        assert_eq!(numbers(&masters), [7]);
        for number in [3, 9, 5, 4, 7] {
            let gone = products.remove(&Fingerprint::new([number; 32]));
            assert!(gone.is_some());
            assert!(!numbers(products.lights_of(&frame(1))).contains(&number));
        }
        assert_eq!(products, Products::default());
    }

    #[test]
    fn of_one_fingerprint_there_is_one_product_and_the_last_holds() {
        let mut products = Products::default();
        products.insert(made(9, "light/1", &[1]));
        products.measure(Fingerprint::new([9; 32]), 4);
        let before = products.insert(master(9, &[2]));
        assert_eq!(before, Some(made(9, "light/1", &[1])));
        assert_eq!(products.len(), 1);
        assert!(products.lights_of(&frame(1)).is_empty());
        assert_eq!(numbers(products.masters_of(&frame(2))), [9]);
        assert_eq!(products.measured_count(), 0);
    }

    #[test]
    fn what_was_measured_goes_with_its_light() {
        let print = |number: u8| Fingerprint::new([number; 32]);
        let mut products = Products::default();
        products.insert(made(1, "light/1", &[1]));
        products.insert(made(2, "light/1", &[2]));
        products.insert(made(3, "light/1", &[3]));
        products.insert(made(4, "line/1 red line=Ha", &[3]));
        products.insert(master(5, &[4]));
        for (number, version) in [(1, 6), (2, 5), (4, 6), (5, 6), (9, 6)] {
            products.measure(print(number), version);
        }
        let others = |products: &Products, version| {
            let mut prints: Vec<Fingerprint> = products.not_measured_by(version).copied().collect();
            prints.sort();
            numbers(&prints)
        };
        assert_eq!(products.measured_count(), 2, "lights only");
        assert_eq!(others(&products, 6), [2, 3]);
        products.measure(print(2), 6);
        assert_eq!(products.measured_by(&print(2)), Some(6));
        assert_eq!(others(&products, 6), [3]);
        // Made again to the byte.
        products.insert(made(2, "light/1", &[2]));
        assert_eq!(others(&products, 6), [3]);
        products.remove(&print(2));
        products.insert(made(2, "light/1", &[2]));
        assert_eq!(others(&products, 6), [2, 3]);
    }
}
