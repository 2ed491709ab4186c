//! Something for entries of a snapshot, by their places there.
//!
//! Where most entries have something, places side by side are filled in far less time than a tree.

use std::fmt;

/// Something for some of a snapshot's entries.
#[derive(Clone)]
pub struct ByEntry<T>(Vec<Option<T>>);

impl<T> ByEntry<T> {
    /// Nothing yet, with room for so many entries.
    pub fn with_room(entries: usize) -> Self {
        Self(Vec::with_capacity(entries))
    }

    /// Sets what the entry at a place has.
    pub fn insert(&mut self, place: usize, value: T) {
        if place >= self.0.len() {
            self.0.resize_with(place + 1, || None);
        }
        self.0[place] = Some(value);
    }

    /// What the entry at a place has.
    pub fn get(&self, place: usize) -> Option<&T> {
        self.0.get(place)?.as_ref()
    }

    /// Has the entry at a place something?
    pub fn contains(&self, place: usize) -> bool {
        self.get(place).is_some()
    }

    /// What entries have, with their places, in order.
    pub fn iter(&self) -> impl Iterator<Item = (usize, &T)> + Clone {
        let all = self.0.iter().enumerate();
        all.filter_map(|(place, value)| Some((place, value.as_ref()?)))
    }

    /// What entries have, in the order of their places.
    pub fn values(&self) -> impl Iterator<Item = &T> + Clone {
        self.0.iter().flatten()
    }
}

impl<T> Default for ByEntry<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

/// Room plays no part.
impl<T: PartialEq> PartialEq for ByEntry<T> {
    fn eq(&self, other: &Self) -> bool {
        self.iter().eq(other.iter())
    }
}

impl<T: fmt::Debug> fmt::Debug for ByEntry<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_map().entries(self.iter()).finish()
    }
}

impl<T> Extend<(usize, T)> for ByEntry<T> {
    fn extend<I: IntoIterator<Item = (usize, T)>>(&mut self, all: I) {
        for (place, value) in all {
            self.insert(place, value);
        }
    }
}

impl<T> FromIterator<(usize, T)> for ByEntry<T> {
    fn from_iter<I: IntoIterator<Item = (usize, T)>>(all: I) -> Self {
        let mut found = Self::default();
        found.extend(all);
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_of_a_place_holds_and_empty_places_do_not_count() {
        let mut found: ByEntry<char> = [(3, 'c'), (1, 'a'), (3, 'd')].into_iter().collect();
        assert!(found.iter().eq([(1, &'a'), (3, &'d')]));
        assert!(found.values().eq(&['a', 'd']));
        assert_eq!(
            (found.get(1), found.get(2), found.get(9)),
            (Some(&'a'), None, None)
        );
        assert!(found.contains(3) && !found.contains(0));
        let less = found.clone();
        found.insert(9, 'y');
        assert_ne!(found, less);
        assert_eq!(format!("{found:?}"), "{1: 'a', 3: 'd', 9: 'y'}");
    }

    #[test]
    fn room_is_no_difference() {
        let mut roomy = ByEntry::with_room(100);
        roomy.insert(2, 'b');
        assert_eq!(roomy, ByEntry::from_iter([(2, 'b')]));
    }
}
