//! The six rules.

use crate::combine::{MAD_TO_SD, mad, median};
use crate::facts::{Finding, Gauge, SetAside, VerdictLimits};

use super::compare::{Compared, PLENTY, Seen, by_rank};
use super::figures::Figures;
use super::{ENOUGH, Subframe, Usual};

/// Below this width a pixel is too coarse to tell a star's shape, and the limit is so much higher.
const NARROW_PX: f64 = 2.0;
const NARROW_MORE: f64 = 0.2;

/// Of fewer stars than this their number says nothing.
const COUNTED: f64 = 4.0;

/// Pointings scatter at least by this part of the side.
const POINTING_FLOOR: f64 = 0.01;

/// All that the group says, ready to judge any of its lights.
pub(super) struct Bench<'a> {
    group: &'a [Subframe<'a>],
    compared: &'a Compared,
    limits: &'a VerdictLimits,
    figures: Figures,
    shifts: Shifts,
}

impl<'a> Bench<'a> {
    pub(super) fn new(
        group: &'a [Subframe<'a>],
        compared: &'a Compared,
        usual: Usual,
        limits: &'a VerdictLimits,
    ) -> Self {
        Self {
            group,
            compared,
            limits,
            figures: Figures::of(group, compared, usual, limits),
            shifts: Shifts::of(group, compared),
        }
    }

    /// Flux of a light's stars over that in the best lights, corrected for air mass.
    pub(super) fn transparency(&self, at: usize) -> f64 {
        let loss = self.figures.loss.of(at);
        loss.map_or(0.0, |loss| self.beside_the_best(self.rejoined(at, loss)))
    }

    /// What a light's stars have lost, as a logarithm, less what went into a second image where the mount
    /// jumped: no cloud took that. It is the brighter image that is found again. Images that touch are
    /// counted together in part, so no light comes out clearer than is to be expected.
    fn rejoined(&self, at: usize, loss: f64) -> f64 {
        let Some(image) = self.group[at].measured.stars.second_image else {
            return loss;
        };
        let expected = self.figures.loss.expected(at).unwrap_or(loss);
        let whole = loss + (1.0 - f64::from(image.share)).ln();
        whole.max(expected.min(loss))
    }

    fn beside_the_best(&self, loss: f64) -> f64 {
        (self.figures.loss.best().unwrap_or(0.0) - loss).exp()
    }

    /// Every rule that a light fails.
    pub(super) fn findings(&self, at: usize) -> Vec<Finding> {
        let rules = [
            self.trailed(at),
            self.clouds(at),
            self.defocused(at),
            self.bright_sky(at),
            self.few_stars(at),
            self.off_target(at),
        ];
        rules.into_iter().flatten().collect()
    }

    fn trailed(&self, at: usize) -> Option<Finding> {
        let shape = self.group[at].measured.stars.shape?;
        let narrow = f64::from(shape.fwhm_px) < NARROW_PX;
        let limit = self.limits.elongation + if narrow { NARROW_MORE } else { 0.0 };
        let value = f64::from(shape.elongation);
        let beyond_sd = self.figures.elongation.beyond(at)?;
        (value > limit).then_some(Finding {
            reason: SetAside::Trailed,
            value,
            limit,
            beyond_sd,
            gauge: Gauge::Usual,
        })
    }

    fn clouds(&self, at: usize) -> Option<Finding> {
        let figure = &self.figures.loss;
        let loss = match figure.of(at) {
            Some(loss) => loss,
            // Plenty of stars that are others: their flux says nothing.
            None if self.is_agreed() && self.has_plenty(at) => return None,
            None => {
                let reference = &self.group[self.compared.reference?];
                -by_rank(&self.group[at], reference).ln() - self.figures.dimmed(at)
            }
        };
        let loss = self.rejoined(at, loss);
        let beyond_sd = figure.would_be_beyond(at, loss)?;
        Some(Finding {
            reason: SetAside::Clouds,
            value: self.beside_the_best(loss),
            limit: self.beside_the_best(figure.limit(at)?),
            // Without any star it is beyond all measure.
            beyond_sd: beyond_sd.filter(|sd| sd.is_finite()),
            gauge: Gauge::Usual,
        })
    }

    fn defocused(&self, at: usize) -> Option<Finding> {
        let figure = &self.figures.width;
        let mut width = figure.of(at)?;
        // What a trailed star is long by is told already; out of focus it is wide across as well.
        if self.trailed(at).is_some() {
            let shape = self.group[at].measured.stars.shape?;
            width -= f64::from(shape.elongation).ln() / 2.0;
        }
        let beyond_sd = figure.would_be_beyond(at, width)?;
        let widened = self.figures.widened(at);
        Some(Finding {
            reason: SetAside::Defocused,
            value: width.exp() * widened,
            limit: figure.limit(at)?.exp() * widened,
            beyond_sd,
            gauge: Gauge::Usual,
        })
    }

    fn bright_sky(&self, at: usize) -> Option<Finding> {
        let figure = &self.figures.sky;
        let beyond_sd = figure.beyond(at)?;
        let light = &self.group[at];
        Some(Finding {
            reason: SetAside::BrightSky,
            value: light.measured.background_adu,
            limit: figure.limit(at)?.exp() * light.exposure.get(),
            beyond_sd,
            gauge: Gauge::Usual,
        })
    }

    fn few_stars(&self, at: usize) -> Option<Finding> {
        let figure = &self.figures.count;
        let beyond_sd = figure.beyond(at)?;
        (self.expected_stars(at) >= COUNTED).then_some(Finding {
            reason: SetAside::FewStars,
            value: f64::from(self.group[at].measured.stars.count),
            limit: (-figure.limit(at)?).exp(),
            beyond_sd,
            gauge: Gauge::Usual,
        })
    }

    fn expected_stars(&self, at: usize) -> f64 {
        let expected = self.figures.count.expected(at);
        expected.map_or(0.0, |log| (-log).exp())
    }

    /// True where a light has about as many stars as its group, enough to tell the field.
    fn has_plenty(&self, at: usize) -> bool {
        let stars = &self.group[at].measured.stars;
        stars.brightest.len() >= PLENTY && f64::from(stars.count) >= self.plenty(at)
    }

    /// So many stars are about as many as a light's group has.
    fn plenty(&self, at: usize) -> f64 {
        self.expected_stars(at) * self.limits.stars_ratio
    }

    /// Only where most lights agree on a field can one show another. Where they do not, stars that are
    /// not found again are the faint ones of a poor field, and still tell how much light comes through.
    fn is_agreed(&self) -> bool {
        2 * self.compared.matched() > self.group.len()
    }

    fn off_target(&self, at: usize) -> Option<Finding> {
        let limit = self.limits.pointing_fraction;
        let value = match self.compared.lights[at] {
            Seen::Matched(_) => self.shifts.off[at]?,
            Seen::Unmatched => return self.shows_others(at),
        };
        let beyond_sd = self.shifts.beyond(value);
        (value > limit && beyond_sd.is_none_or(|sd| sd > 3.0)).then_some(Finding {
            reason: SetAside::OffTarget,
            value,
            limit,
            beyond_sd,
            gauge: Gauge::Usual,
        })
    }

    /// Stars in plenty that are none of the group's: the field is another, how far off is not known.
    fn shows_others(&self, at: usize) -> Option<Finding> {
        // It may lie a side off, so a group that points all over the place says nothing.
        let is_unusual = self.shifts.beyond(1.0).is_none_or(|sd| sd > 3.0);
        (is_unusual && self.is_agreed() && self.has_plenty(at)).then_some(Finding {
            reason: SetAside::OffTarget,
            value: f64::from(self.group[at].measured.stars.count),
            limit: self.plenty(at).max(PLENTY as f64),
            beyond_sd: None,
            gauge: Gauge::UnmatchedStars,
        })
    }
}

/// How far the matched lights point from the group's median, in parts of the sides.
struct Shifts {
    off: Vec<Option<f64>>,
    /// None in a group too small to tell.
    sd: Option<f64>,
}

impl Shifts {
    fn of(group: &[Subframe<'_>], compared: &Compared) -> Self {
        let places: Vec<Option<(f64, f64)>> = compared
            .lights
            .iter()
            .zip(group)
            .map(|(seen, light)| match seen {
                Seen::Matched(found) => Some((
                    found.shift_px.0 / f64::from(light.size.0),
                    found.shift_px.1 / f64::from(light.size.1),
                )),
                Seen::Unmatched => None,
            })
            .collect();
        let middle = |part: fn((f64, f64)) -> f64| {
            let mut values: Vec<f64> = places.iter().flatten().map(|&place| part(place)).collect();
            median(&mut values).unwrap_or(0.0)
        };
        let (x, y) = (middle(|place| place.0), middle(|place| place.1));
        let off: Vec<Option<f64>> = places
            .iter()
            .map(|place| place.map(|place| (place.0 - x).abs().max((place.1 - y).abs())))
            .collect();
        let known: Vec<f64> = off.iter().flatten().copied().collect();
        let sd = MAD_TO_SD * mad(&known, 0.0).unwrap_or(0.0);
        Self {
            off,
            sd: (group.len() >= ENOUGH).then_some(sd.max(POINTING_FLOOR)),
        }
    }

    /// How many standard deviations so much of the side is.
    fn beyond(&self, off: f64) -> Option<f64> {
        Some(off / self.sd?)
    }
}
