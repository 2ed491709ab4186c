//! The figures of a group's lights that are compared with each other, and what to expect of each.
//!
//! A figure is written so that more is worse: ratios as natural logarithms, whose sign is turned
//! where less is worse.

use crate::combine::median;
use crate::facts::VerdictLimits;

use super::compare::{Compared, Seen};
use super::trend::{Habit, Trend};
use super::{Subframe, Usual};

/// Extinction per air mass, magnitudes; and a magnitude in natural logarithms of flux.
const EXTINCTION: f64 = 0.2;
const LOG_FLUX_PER_MAG: f64 = 0.921_034;

/// The sky may dim by so many magnitudes in an hour: haze, and beside it a target that sets, where air
/// mass is not known.
const HAZE: f64 = 0.15;
const HAZE_AND_AIR: f64 = 0.4;

/// In the course of a night haze may take so many magnitudes in all, where air mass is known; and the air so
/// many more per air mass than is usual, as through a blue filter low above the sea.
const HAZE_IN_ALL: f64 = 0.1;
const THICK_AIR: f64 = 0.15;

/// The seeing's width goes as this power of air mass.
const SEEING: f64 = 0.6;

/// Elongation itself: it has no trend to follow, since its limit is one of its own.
const ELONGATION: Habit = Habit {
    rate: 0.0,
    most: 0.0,
    above: f64::INFINITY,
    floor: 0.05,
    clouded: None,
};

/// Of what takes starlight, this part of the allowed at once is clouds.
const EDGE: f64 = 0.5;

/// The full width: seeing and focus may worsen by a quarter in an hour.
const WIDTH: Habit = Habit {
    rate: 0.25,
    most: 0.0,
    above: 0.18,
    floor: 0.05,
    clouded: None,
};

/// Lost flux.
const LOSS: Habit = Habit {
    rate: 0.0,
    most: 0.0,
    above: 0.06,
    floor: 0.03,
    clouded: None,
};

/// The sky may double in twenty minutes, as under a rising full Moon, and go on as it likes. Dawn is
/// faster.
const SKY: Habit = Habit {
    rate: 2.08,
    most: f64::INFINITY,
    above: 0.18,
    floor: 0.05,
    clouded: None,
};

/// The number of stars may halve in an hour.
const COUNT: Habit = Habit {
    rate: 0.69,
    most: 0.0,
    above: 0.26,
    floor: 0.05,
    clouded: None,
};

/// One figure of all lights.
pub(super) struct Figure {
    of: Vec<Option<f64>>,
    trend: Option<Trend>,
    /// How far beyond what is to be expected a light may lie.
    allowed: f64,
}

impl Figure {
    fn new(hours: Option<&[f64]>, of: Vec<Option<f64>>, habit: Habit, allowed: f64) -> Self {
        Self::among(hours, of.clone(), of, habit, allowed)
    }

    /// Where only some lights are fit to say what is to be expected.
    fn among(
        hours: Option<&[f64]>,
        of: Vec<Option<f64>>,
        fit: Vec<Option<f64>>,
        habit: Habit,
        allowed: f64,
    ) -> Self {
        let trend = Trend::of(hours, &fit, habit);
        let trend = trend.map(|trend| match hours {
            Some(hours) => trend.without_steps(hours, &fit, (habit.rate, allowed)),
            None => trend,
        });
        Self { trend, of, allowed }
    }

    fn or_usual(mut self, usual: Option<f64>) -> Self {
        self.trend = self.trend.map(|trend| trend.or_usual(usual, self.allowed));
        self
    }

    /// That of a light.
    pub(super) fn of(&self, at: usize) -> Option<f64> {
        self.of[at]
    }

    /// What is to be expected of a light.
    pub(super) fn expected(&self, at: usize) -> Option<f64> {
        Some(self.trend.as_ref()?.expected[at])
    }

    /// The best that is to be expected of any.
    pub(super) fn best(&self) -> Option<f64> {
        let expected = self.trend.as_ref()?.expected.iter().copied();
        expected.reduce(f64::min)
    }

    /// The worst that is allowed of a light.
    pub(super) fn limit(&self, at: usize) -> Option<f64> {
        Some(self.expected(at)? + self.allowed)
    }

    /// Where a light's figure is beyond the limit and three standard deviations: how many of these.
    pub(super) fn beyond(&self, at: usize) -> Option<Option<f64>> {
        self.would_be_beyond(at, self.of(at)?)
    }

    /// The same if this were its figure.
    pub(super) fn would_be_beyond(&self, at: usize, figure: f64) -> Option<Option<f64>> {
        self.trend.as_ref()?.beyond(at, figure, self.allowed)
    }
}

/// All of a group's figures.
pub(super) struct Figures {
    /// Long axis over short axis, less 1.
    pub(super) elongation: Figure,
    /// Full width, at the zenith.
    pub(super) width: Figure,
    /// Lost flux, above the air.
    pub(super) loss: Figure,
    /// Sky level per second.
    pub(super) sky: Figure,
    /// Number of stars.
    pub(super) count: Figure,
    air: Option<Vec<f64>>,
}

impl Figures {
    pub(super) fn of(
        group: &[Subframe<'_>],
        compared: &Compared,
        usual: Usual,
        limits: &VerdictLimits,
    ) -> Self {
        let hours = hours(group);
        let hours = hours.as_deref();
        let air: Option<Vec<f64>> = group.iter().map(|light| light.air_mass).collect();
        let each = |figure: &dyn Fn(usize) -> Option<f64>| -> Vec<Option<f64>> {
            let finite = |figure: &f64| figure.is_finite();
            let lights = 0..group.len();
            lights.map(|at| figure(at).filter(finite)).collect()
        };
        let log = |value: Option<f64>| value.map(f64::ln);
        let shape = |at: usize| group[at].measured.stars.shape;

        let counted = |at: usize| f64::from(group[at].measured.stars.count).max(0.5);
        let usual_count = median(&mut (0..group.len()).map(counted).collect::<Vec<f64>>());
        let allowed = -limits.stars_ratio.ln();
        let habit = Habit {
            most: allowed,
            // Stars about the threshold come and go with the noise.
            floor: COUNT.floor + 0.5 / usual_count.unwrap_or(1.0).sqrt(),
            ..COUNT
        };
        let count = Figure::new(hours, each(&|at| Some(-counted(at).ln())), habit, allowed)
            .or_usual(log(usual.stars).map(|count| -count));

        let lost = |at: usize| match compared.lights[at] {
            Seen::Matched(found) => {
                let exposure = group[at].exposure.get() / group[compared.reference?].exposure.get();
                let thickness = air.as_ref().map_or(0.0, |air| air[at]);
                let through = (found.flux_ratio / exposure).ln();
                Some(-through - LOG_FLUX_PER_MAG * EXTINCTION * thickness)
            }
            Seen::Unmatched => None,
        };
        let allowed = -limits.transparency.ln();
        let (per_hour, most) = match &air {
            Some(air) => {
                let in_all = HAZE_IN_ALL + THICK_AIR * spread(air);
                (HAZE, (LOG_FLUX_PER_MAG * in_all).min(allowed))
            }
            None => (HAZE_AND_AIR, allowed),
        };
        let habit = Habit {
            rate: LOG_FLUX_PER_MAG * per_hour,
            most,
            clouded: Some(EDGE * allowed),
            ..LOSS
        };
        let loss = Figure::new(hours, each(&lost), habit, allowed);

        // Under a cloud or behind the dome the sky is dark and few stars tell the width: such a
        // light is no measure for others.
        let clear = |of: &[Option<f64>]| -> Vec<Option<f64>> {
            let is_clear = |at: usize| count.beyond(at).is_none() && loss.beyond(at).is_none();
            let lights = 0..group.len();
            // Where none is clear they have only each other.
            let none = !lights.clone().any(is_clear);
            let take = |at: usize| of[at].filter(|_| none || is_clear(at));
            lights.map(take).collect()
        };

        let widths = each(&|at| {
            let thickness = air.as_ref().map_or(1.0, |air| air[at].powf(SEEING));
            log(shape(at).map(|shape| f64::from(shape.fwhm_px) / thickness))
        });
        let allowed = limits.fwhm_ratio.ln();
        let habit = Habit {
            most: allowed,
            ..WIDTH
        };
        let width = Figure::among(hours, widths.clone(), clear(&widths), habit, allowed)
            .or_usual(log(usual.fwhm_px));

        // A sky below the noise of a pixel does no harm, however it changes.
        let noises = group.iter().map(|light| light.measured.noise_adu);
        let noise = median(&mut noises.collect::<Vec<f64>>()).unwrap_or(0.0);
        let skies = each(&|at| {
            let level = group[at].measured.background_adu;
            Some((level.max(noise / limits.sky_ratio) / group[at].exposure.get()).ln())
        });
        let allowed = limits.sky_ratio.ln();
        let sky = Figure::among(hours, skies.clone(), clear(&skies), SKY, allowed)
            .or_usual(log(usual.background_adu_per_s));

        // Its limit is one of its own: the group has only to say what is unusual, and where even
        // the usual is beyond the limit, earlier nights must have been so too.
        let drawn = each(&|at| shape(at).map(|shape| f64::from(shape.elongation) - 1.0));
        let mut elongation = Figure::new(hours, drawn, ELONGATION, limits.elongation - 1.0)
            .or_usual(Some(usual.elongation.map_or(0.0, |usual| usual - 1.0)));
        elongation.allowed = 0.0;

        Self {
            elongation,
            width,
            loss,
            sky,
            count,
            air,
        }
    }

    /// By how much the air widens the stars of a light; 1 where it is not known.
    pub(super) fn widened(&self, at: usize) -> f64 {
        self.air.as_ref().map_or(1.0, |air| air[at].powf(SEEING))
    }

    /// The logarithm of flux that the air takes from a light; 0 where it is not known.
    pub(super) fn dimmed(&self, at: usize) -> f64 {
        self.air
            .as_ref()
            .map_or(0.0, |air| LOG_FLUX_PER_MAG * EXTINCTION * air[at])
    }
}

/// The largest of some values less the smallest.
fn spread(values: &[f64]) -> f64 {
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = values.iter().copied().fold(f64::INFINITY, f64::min);
    most - least
}

/// Hours since the first light of the group; none unless all have a time.
fn hours(group: &[Subframe<'_>]) -> Option<Vec<f64>> {
    let starts: Option<Vec<_>> = group.iter().map(|light| light.start).collect();
    let starts = starts?;
    let first = *starts.iter().min()?;
    let since = |start: jiff::Timestamp| start.duration_since(first).as_secs_f64() / 3600.0;
    Some(starts.into_iter().map(since).collect())
}
