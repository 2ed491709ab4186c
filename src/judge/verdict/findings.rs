//! The six rules.

use crate::combine::{MAD_TO_SD, mad, median};
use crate::facts::{Finding, SetAside, VerdictLimits};

use super::compare::{Compared, Seen, by_rank};
use super::trend::{Habit, Trend};
use super::{ENOUGH, Subframe, Usual, air, doubled, hours};

/// Extinction per air mass, magnitudes, and the same in natural logarithms of flux.
const EXTINCTION: f64 = 0.2;
const LOG_FLUX_PER_MAG: f64 = 0.921_034;

/// The seeing's width goes as this power of air mass.
const SEEING: f64 = 0.6;

/// Below this width a pixel is too coarse to tell a star's shape, and the limit is so much higher.
const NARROW_PX: f64 = 2.0;
const NARROW_MORE: f64 = 0.2;

/// Of fewer stars than this their number says nothing.
const COUNTED: f64 = 4.0;

/// With fewer stars than this a field is not told from another.
const PLENTY: usize = 8;

/// Pointings scatter at least by this part of the side.
const POINTING_FLOOR: f64 = 0.01;

/// Full width of a star that was not measured, pixels.
const ANY_WIDTH: f64 = 3.0;

/// All that the group says, ready to judge any of its lights.
pub(super) struct Bench<'a> {
    group: &'a [Subframe<'a>],
    compared: &'a Compared,
    limits: &'a VerdictLimits,
    air: Option<Vec<f64>>,
    elongations: Vec<Option<f64>>,
    elongation: Option<Trend>,
    widths: Vec<Option<f64>>,
    width: Option<Trend>,
    /// Natural logarithms of lost flux.
    losses: Vec<Option<f64>>,
    loss: Option<Trend>,
    /// The loss in the best lights.
    least_loss: f64,
    skies: Vec<Option<f64>>,
    sky: Option<Trend>,
    counts: Vec<Option<f64>>,
    count: Option<Trend>,
    shifts: Shifts,
}

impl<'a> Bench<'a> {
    pub(super) fn new(
        group: &'a [Subframe<'a>],
        compared: &'a Compared,
        usual: Usual,
        limits: &'a VerdictLimits,
    ) -> Self {
        let hours = hours(group);
        let hours = hours.as_deref();
        let air = air(group);
        let per_light = |figure: &dyn Fn(usize) -> Option<f64>| -> Vec<Option<f64>> {
            let finite = |figure: &f64| figure.is_finite();
            (0..group.len())
                .map(|at| figure(at).filter(finite))
                .collect()
        };
        let log = |value: Option<f64>| value.map(f64::ln);
        let shape = |at: usize| group[at].measured.stars.shape;

        let twins = doubled(group);
        let elongations = per_light(&|at| {
            let drawn = shape(at).map(|shape| f64::from(shape.elongation));
            let width = shape(at).map_or(ANY_WIDTH, |shape| f64::from(shape.fwhm_px));
            let twin = twins[at].map(|distance| 1.0 + distance / width);
            drawn.into_iter().chain(twin).reduce(f64::max)
        });
        let elongation = Trend::of(hours, &elongations, ELONGATION)
            .map(|trend| trend.or_usual(usual.elongation.or(Some(1.0)), limits.elongation - 1.0));

        let widths = per_light(&|at| {
            let thickness = air.as_ref().map_or(1.0, |air| air[at].powf(SEEING));
            log(shape(at).map(|shape| f64::from(shape.fwhm_px) / thickness))
        });
        let width = Trend::of(hours, &widths, WIDTH)
            .map(|trend| trend.or_usual(log(usual.fwhm_px), limits.fwhm_ratio.ln()));

        let losses = per_light(&|at| match compared.lights[at] {
            Seen::Matched(found) => {
                let exposure = group[at].exposure.get() / group[compared.reference?].exposure.get();
                let through = found.flux_ratio / exposure;
                let thickness = air.as_ref().map_or(0.0, |air| air[at]);
                Some(-through.ln() - LOG_FLUX_PER_MAG * EXTINCTION * thickness)
            }
            Seen::Unmatched => None,
        });
        let habit = Habit {
            rate: LOG_FLUX_PER_MAG * if air.is_some() { 0.15 } else { 0.4 },
            most: -limits.transparency.ln(),
            ..LOSS
        };
        let loss = Trend::of(hours, &losses, habit);
        let least_loss = loss.as_ref().map_or(0.0, |trend| {
            trend.expected.iter().copied().fold(f64::INFINITY, f64::min)
        });

        let noises = group.iter().map(|light| light.measured.noise_adu);
        let noise = median(&mut noises.collect::<Vec<f64>>()).unwrap_or(0.0);
        let skies = per_light(&|at| {
            let level = group[at]
                .measured
                .background_adu
                .max(noise / limits.sky_ratio);
            Some((level / group[at].exposure.get()).ln())
        });
        let sky = Trend::of(hours, &skies, SKY)
            .map(|trend| trend.or_usual(log(usual.background_adu_per_s), limits.sky_ratio.ln()));

        let counts =
            per_light(&|at| Some(-f64::from(group[at].measured.stars.count).max(0.5).ln()));
        let most = median(
            &mut counts
                .iter()
                .flatten()
                .map(|count| (-count).exp())
                .collect::<Vec<f64>>(),
        );
        let habit = Habit {
            most: -limits.stars_ratio.ln(),
            floor: 0.05 + 0.5 / most.unwrap_or(1.0).max(1.0).sqrt(),
            ..COUNT
        };
        let count = Trend::of(hours, &counts, habit).map(|trend| {
            trend.or_usual(
                log(usual.stars).map(|count| -count),
                -limits.stars_ratio.ln(),
            )
        });

        Self {
            group,
            compared,
            limits,
            elongations,
            elongation,
            widths,
            width,
            losses,
            loss,
            least_loss,
            skies,
            sky,
            counts,
            count,
            shifts: Shifts::of(group, compared),
            air,
        }
    }

    /// Flux of a light's stars over that in the best lights, corrected for air mass.
    pub(super) fn transparency(&self, at: usize) -> f64 {
        self.losses[at].map_or(0.0, |loss| (self.least_loss - loss).exp())
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
        let value = self.elongations[at]?;
        let shape = self.group[at].measured.stars.shape;
        let narrow = shape.is_some_and(|shape| f64::from(shape.fwhm_px) < NARROW_PX);
        let limit = self.limits.elongation + if narrow { NARROW_MORE } else { 0.0 };
        let trend = self.elongation.as_ref()?;
        // The limit is one of its own, not a ratio.
        let beyond_sd = trend.beyond(at, value, 0.0)?;
        (value > limit).then_some(Finding {
            reason: SetAside::Trailed,
            value,
            limit,
            beyond_sd,
        })
    }

    fn clouds(&self, at: usize) -> Option<Finding> {
        let trend = self.loss.as_ref()?;
        let allowed = -self.limits.transparency.ln();
        let loss = match self.losses[at] {
            Some(loss) => loss,
            // Plenty of stars that are others: their flux says nothing.
            None if self.has_plenty(at) => return None,
            None => {
                let reference = &self.group[self.compared.reference?];
                -by_rank(&self.group[at], reference).ln() + self.losses[self.compared.reference?]?
            }
        };
        let beyond_sd = trend.beyond(at, loss, allowed)?;
        Some(Finding {
            reason: SetAside::Clouds,
            value: (self.least_loss - loss).exp(),
            limit: (self.least_loss - trend.expected[at] - allowed).exp(),
            beyond_sd: beyond_sd.filter(|sd| sd.is_finite()),
        })
    }

    fn defocused(&self, at: usize) -> Option<Finding> {
        let trend = self.width.as_ref()?;
        let allowed = self.limits.fwhm_ratio.ln();
        let beyond_sd = trend.beyond(at, self.widths[at]?, allowed)?;
        let thickness = self.air.as_ref().map_or(1.0, |air| air[at].powf(SEEING));
        Some(Finding {
            reason: SetAside::Defocused,
            value: self.widths[at]?.exp() * thickness,
            limit: (trend.expected[at] + allowed).exp() * thickness,
            beyond_sd,
        })
    }

    fn bright_sky(&self, at: usize) -> Option<Finding> {
        let trend = self.sky.as_ref()?;
        let allowed = self.limits.sky_ratio.ln();
        let beyond_sd = trend.beyond(at, self.skies[at]?, allowed)?;
        let light = &self.group[at];
        Some(Finding {
            reason: SetAside::BrightSky,
            value: light.measured.background_adu,
            limit: (trend.expected[at] + allowed).exp() * light.exposure.get(),
            beyond_sd,
        })
    }

    fn few_stars(&self, at: usize) -> Option<Finding> {
        let trend = self.count.as_ref()?;
        let allowed = -self.limits.stars_ratio.ln();
        let beyond_sd = trend.beyond(at, self.counts[at]?, allowed)?;
        let expected = (-trend.expected[at]).exp();
        (expected >= COUNTED).then_some(Finding {
            reason: SetAside::FewStars,
            value: f64::from(self.group[at].measured.stars.count),
            limit: expected * self.limits.stars_ratio,
            beyond_sd,
        })
    }

    /// True where a light has about as many stars as its group, enough to tell the field.
    fn has_plenty(&self, at: usize) -> bool {
        let stars = &self.group[at].measured.stars;
        let expected = self
            .count
            .as_ref()
            .map_or(0.0, |trend| (-trend.expected[at]).exp());
        stars.brightest.len() >= PLENTY
            && f64::from(stars.count) >= expected * self.limits.stars_ratio
    }

    fn off_target(&self, at: usize) -> Option<Finding> {
        let limit = self.limits.pointing_fraction;
        let value = match self.compared.lights[at] {
            Seen::Matched(_) => self.shifts.off(at)?,
            // Nothing in common: a side at least. Only where the others do agree on a field.
            Seen::Unmatched
                if self.has_plenty(at) && 2 * self.compared.matched() > self.group.len() =>
            {
                1.0
            }
            Seen::Unmatched => return None,
        };
        let enough = self.group.len() >= ENOUGH;
        let beyond = value / self.shifts.sd;
        (value > limit && (!enough || beyond > 3.0)).then_some(Finding {
            reason: SetAside::OffTarget,
            value,
            limit,
            beyond_sd: enough.then_some(beyond),
        })
    }
}

/// Where the matched lights point, in parts of the sides from the group's median.
struct Shifts {
    off: Vec<Option<f64>>,
    sd: f64,
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
            sd: sd.max(POINTING_FLOOR),
        }
    }

    fn off(&self, at: usize) -> Option<f64> {
        self.off[at]
    }
}

/// Elongation itself: it has no trend to follow, since its limit is one of its own.
const ELONGATION: Habit = Habit {
    rate: 0.0,
    most: 0.0,
    above: f64::INFINITY,
    floor: 0.05,
};

/// Logarithm of the full width: seeing and focus may worsen by a quarter in an hour.
const WIDTH: Habit = Habit {
    rate: 0.25,
    most: 0.336,
    above: 0.18,
    floor: 0.05,
};

/// Logarithm of lost flux. Rate and most depend on what else is known.
const LOSS: Habit = Habit {
    rate: 0.0,
    most: 0.0,
    above: 0.06,
    floor: 0.03,
};

/// Logarithm of the sky: it may double in twenty minutes, as under a rising full Moon, and go on as it
/// likes. Dawn is faster.
const SKY: Habit = Habit {
    rate: 2.08,
    most: f64::INFINITY,
    above: 0.18,
    floor: 0.05,
};

/// Logarithm of the number of stars, negative: it may halve in an hour.
const COUNT: Habit = Habit {
    rate: 0.69,
    most: 0.0,
    above: 0.26,
    floor: 0.0,
};
