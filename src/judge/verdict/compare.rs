//! The lights of a group side by side: one of them as the reference, all others matched with it.

use crate::measure::{Match, align};

use super::{ENOUGH, Subframe};

/// With fewer stars than this a field is not told from another.
pub(super) const PLENTY: usize = 8;

/// So many of the brightest stars stand for a light's transparency before it is matched.
const BRIGHTEST: usize = 8;

/// So many candidates for the reference are tried.
const CANDIDATES: usize = 5;

/// How a light lies on the reference.
#[derive(Clone, Copy, Debug)]
pub(super) enum Seen {
    /// So.
    Matched(Match),
    /// Its stars are too few, or others.
    Unmatched,
}

/// All lights beside the reference.
#[derive(Debug)]
pub(super) struct Compared {
    /// None where no light has stars.
    pub(super) reference: Option<usize>,
    /// In the order of the group.
    pub(super) lights: Vec<Seen>,
}

impl Compared {
    /// Chooses the light with the best transparency and seeing: the flux of its brightest stars
    /// over their width. It must be of the field that most lights show, so of the first few the one
    /// is taken that matches most others. Of fewer lights than tell a majority from an accident it is the
    /// one whose pattern of stars is borne out best: what little a closed dome shows is no measure
    /// for a light that is full of stars. That a light has enough stars of its own counts too, since of
    /// one light under a closed dome nothing else speaks for it. A light with fewer stars than a dark
    /// frame has specks is lost so: nothing tells the two apart.
    pub(super) fn of(group: &[Subframe<'_>]) -> Self {
        let mut candidates: Vec<(f64, usize)> = group
            .iter()
            .enumerate()
            .filter_map(|(at, light)| Some((merit(light)?, at)))
            .collect();
        candidates.sort_by(|a, b| {
            b.0.total_cmp(&a.0)
                .then(group[a.1].start.cmp(&group[b.1].start))
        });
        let is_few = group.len() < ENOUGH;
        let mut best: Option<(Support, Self)> = None;
        for &(_, at) in candidates.iter().take(CANDIDATES) {
            let compared = Self::with(group, at);
            let matched = compared.matched();
            let support = match is_few {
                true => Support {
                    told: compared.pairs().filter(|&pairs| pairs >= PLENTY).count(),
                    matched,
                    pairs: compared.pairs().sum(),
                },
                false => Support {
                    matched,
                    ..Support::default()
                },
            };
            // Most lights: no other field can have more.
            let settled = !is_few && 2 * matched > group.len();
            if best.as_ref().is_none_or(|(most, _)| support > *most) {
                best = Some((support, compared));
            }
            if settled {
                break;
            }
        }
        best.map_or_else(
            || Self {
                reference: None,
                lights: vec![Seen::Unmatched; group.len()],
            },
            |(_, compared)| compared,
        )
    }

    fn with(group: &[Subframe<'_>], reference: usize) -> Self {
        let stars = |at: usize| group[at].measured.stars.brightest.as_slice();
        let on = |one: usize, other: usize| align(stars(one), stars(other), group[one].size);
        let mut lights: Vec<Option<Match>> = (0..group.len()).map(|at| on(reference, at)).collect();
        // As the sky brightens a field loses its faint stars: lights far apart in time may share too few
        // where neighbours share many. Forwards and backwards, so that each is reached from both sides.
        let mut by_way_of = |from: usize, to: usize| {
            if let (Some(first), None) = (lights[from], lights[to]) {
                lights[to] = on(from, to).map(|next| first.then(next));
            }
        };
        let mut in_time: Vec<usize> = (0..group.len()).collect();
        in_time.retain(|&at| group[at].start.is_some());
        in_time.sort_by_key(|&at| group[at].start);
        in_time
            .windows(2)
            .for_each(|pair| by_way_of(pair[0], pair[1]));
        in_time
            .windows(2)
            .rev()
            .for_each(|pair| by_way_of(pair[1], pair[0]));
        let seen = |found: Option<Match>| found.map_or(Seen::Unmatched, Seen::Matched);
        Self {
            reference: Some(reference),
            lights: lights.into_iter().map(seen).collect(),
        }
    }

    /// How many lights lie on the reference, itself among them.
    pub(super) fn matched(&self) -> usize {
        self.pairs().count()
    }

    /// How many stars each of them has in common with it.
    fn pairs(&self) -> impl Iterator<Item = usize> {
        self.lights.iter().filter_map(|seen| match seen {
            Seen::Matched(found) => Some(found.pairs),
            Seen::Unmatched => None,
        })
    }
}

/// What speaks for a reference, the weightiest first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
struct Support {
    /// Lights that share enough stars with it to tell the field, itself among them.
    told: usize,
    /// Lights that lie on it.
    matched: usize,
    /// Stars that they share with it, its own among them.
    pairs: usize,
}

fn merit(light: &Subframe<'_>) -> Option<f64> {
    let stars = &light.measured.stars;
    let count = stars.brightest.len().min(BRIGHTEST);
    let flux = f64::from(stars.brightest.get(count.checked_sub(1)? / 2)?.flux);
    let width = stars.shape.map_or(f64::INFINITY, |shape| {
        f64::from(shape.fwhm_px * shape.elongation)
    });
    // A light with a handful of stars is no reference where another has more.
    Some(flux / width * count as f64)
}

/// The flux of the brightest stars over that in the reference, rank by rank: for lights with too few
/// stars to match. 0 for none at all.
pub(super) fn by_rank(light: &Subframe<'_>, reference: &Subframe<'_>) -> f64 {
    let (light, reference) = (
        &light.measured.stars.brightest,
        &reference.measured.stars.brightest,
    );
    let mut ratios: Vec<f64> = light
        .iter()
        .zip(reference)
        .take(BRIGHTEST)
        .map(|(one, other)| f64::from(one.flux / other.flux))
        .collect();
    crate::combine::median(&mut ratios).unwrap_or(0.0)
}
