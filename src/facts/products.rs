//! The products on file, by fingerprint and by the raw contents that went into them.
//!
//! Who plans asks of each raw frame what there is of it, after every new file: so that is kept, and not
//! gathered each time.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Index;

use super::{Digest, DigestMap, Fingerprint, Made, line_of};

/// Products on file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Products {
    all: BTreeMap<Fingerprint, Made>,
    masters: BTreeSet<Fingerprint>,
    by_frame: [DigestMap<Digest, Few>; 3],
}

/// What a product is of one of its raw frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// It is the frame calibrated.
    Light,
    /// It is the plane of a single line of the frame.
    Line,
    /// It is a master that the frame went into.
    Master,
}

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

impl Role {
    fn of(made: &Made) -> Self {
        match made.facts {
            Some(_) => Self::Master,
            None if line_of(&made.method).is_some() => Self::Line,
            None => Self::Light,
        }
    }
}

impl Products {
    /// Adds a product, in the place of one of its fingerprint, which is given back.
    pub fn insert(&mut self, made: Made) -> Option<Made> {
        let (print, role) = (made.fingerprint, Role::of(&made));
        let before = self.remove(&print);
        if role == Role::Master {
            self.masters.insert(print);
        }
        for digest in &made.inputs {
            let known = self.by_frame[role as usize].entry(*digest);
            let more = |known: &mut Few| *known = Few::of([known.as_slice(), &[print]].concat());
            known.and_modify(more).or_insert(Few::One(print));
        }
        self.all.insert(print, made);
        before
    }

    /// Forgets a product.
    pub fn remove(&mut self, print: &Fingerprint) -> Option<Made> {
        let made = self.all.remove(print)?;
        self.masters.remove(print);
        let by_frame = &mut self.by_frame[Role::of(&made) as usize];
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

    /// The fingerprints of the products that are this of a raw frame, in their order.
    pub fn prints_of(&self, digest: &Digest, role: Role) -> &[Fingerprint] {
        let known = self.by_frame[role as usize].get(digest);
        known.map_or(&[], Few::as_slice)
    }

    /// The products that are this of a raw frame, by fingerprint.
    pub fn of(&self, digest: &Digest, role: Role) -> impl Iterator<Item = &Made> {
        let prints = self.prints_of(digest, role).iter();
        prints.filter_map(|print| self.all.get(print))
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

impl Index<&Fingerprint> for Products {
    type Output = Made;

    fn index(&self, print: &Fingerprint) -> &Made {
        &self.all[print]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::MadeStats;

    fn made(number: u8, method: &str, inputs: &[u8]) -> Made {
        Made {
            fingerprint: Fingerprint::new([number; 32]),
            product: String::new(),
            size: 1,
            method: method.into(),
            inputs: inputs
                .iter()
                .map(|&input| Digest::new([input; 32]))
                .collect(),
            masters: Vec::new(),
            facts: None,
            stats: MadeStats {
                pixels: 1,
                level: 0.0,
                noise: 0.0,
                temporal: None,
                cut: 0,
                rejected: Vec::new(),
            },
        }
    }

    #[test]
    fn products_are_found_by_their_frames_whatever_came_and_went() {
        let frame = Digest::new([1; 32]);
        let mut products = Products::default();
        let found = |products: &Products, role| -> Vec<u8> {
            let prints = products.prints_of(&frame, role).iter();
            prints.map(|print| print.bytes()[0]).collect()
        };
        assert!(found(&products, Role::Light).is_empty());
        products.insert(made(9, "light/1", &[1]));
        products.insert(made(3, "light/1", &[1]));
        products.insert(made(5, "line/1 red line=Ha", &[1]));
        products.insert(made(4, "light/1", &[2]));
        assert_eq!(found(&products, Role::Light), [3, 9]);
        assert_eq!(found(&products, Role::Line), [5]);
        assert!(found(&products, Role::Master).is_empty());
        // Put in again, it stands once.
        assert!(products.insert(made(9, "light/1", &[1])).is_some());
        assert_eq!(found(&products, Role::Light), [3, 9]);
        assert_eq!(
            products
                .remove(&Fingerprint::new([3; 32]))
                .map(|made| made.size),
            Some(1)
        );
        assert_eq!(found(&products, Role::Light), [9]);
        products.remove(&Fingerprint::new([9; 32]));
        products.remove(&Fingerprint::new([5; 32]));
        products.remove(&Fingerprint::new([4; 32]));
        assert_eq!(products, Products::default());
    }
}
