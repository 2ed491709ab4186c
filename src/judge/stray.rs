//! Lights that point elsewhere under a target's name: a telescope that slewed to the wrong place.
//!
//! Such lights are a group of their own ([`groups`](super::groups)), so their stars are compared with
//! none of the target's. What tells them from the panels of a mosaic that bear one name is that they
//! are few and that the telescope came back. It does not know pixels.

use super::group::{are_alike, field_deg, name, separation_deg};
use crate::facts::{Finding, Frame, Gauge, SetAside};

/// A field of fewer lights than this may be a mistake,
const FEW: usize = 5;

/// and only beside one with at least so many times as many.
const TIMES_AS_MANY: usize = 5;

/// Lights that strayed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stray {
    /// How far off they point at least, degrees.
    pub apart_deg: f64,
    /// The shorter side of the field, degrees; of several the longest.
    pub side_deg: f64,
}

impl Stray {
    /// What every one of its lights is set aside for; `limit` in parts of the side. Nothing within it.
    pub fn finding(&self, limit: f64) -> Option<Finding> {
        let value = self.apart_deg / self.side_deg;
        (value > limit).then_some(Finding {
            reason: SetAside::OffTarget,
            value,
            limit,
            beyond_sd: None,
            gauge: Gauge::Usual,
        })
    }

    /// What a person should know of it, as a sentence without its subject.
    pub fn warning(&self, limit: f64) -> Option<String> {
        self.finding(limit)?;
        Some(format!(
            "off target by {:.0} arcsec by the header's pointing, limit {:.0} arcsec; other lights of \
             the target went on afterwards: a slew to the wrong place?",
            3600.0 * self.apart_deg,
            3600.0 * self.side_deg * limit
        ))
    }
}

/// For each of the groups of lights whether it strayed from another one: of the same rig, filter,
/// exposure and target's name, with many more lights, some of them later.
pub fn strays(lights: &[&Frame], groups: &[Vec<usize>]) -> Vec<Option<Stray>> {
    let strayed = |group: &Vec<usize>| {
        let (first, last) = (*group.first()?, *group.last()?);
        let end = lights[last].start?;
        let is_own = |other: &Vec<usize>| {
            let belongs = |&at: &usize| {
                are_alike(lights[at], lights[first]) && share_a_name(lights[at], lights[first])
            };
            let goes_on = |&at: &usize| lights[at].start > Some(end);
            other.len() >= TIMES_AS_MANY * group.len()
                && other.iter().any(belongs)
                && other.iter().any(goes_on)
        };
        let own = groups.iter().filter(|other| is_own(other));
        let own = own.max_by_key(|other| other.len())?;
        let pointings = |all: &[usize]| {
            let pointings = all.iter().filter_map(|&at| lights[at].pointing);
            pointings.collect::<Vec<_>>()
        };
        let own = pointings(own);
        let away = pointings(group).into_iter().flat_map(|from| {
            let away = own.iter().map(move |&to| separation_deg(from, to));
            away.collect::<Vec<_>>()
        });
        let sides = group.iter().filter_map(|&at| field_deg(lights[at]));
        Some(Stray {
            apart_deg: away.min_by(f64::total_cmp)?,
            side_deg: sides.max_by(f64::total_cmp)?,
        })
    };
    let few = |group: &Vec<usize>| (group.len() < FEW).then(|| strayed(group)).flatten();
    groups.iter().map(few).collect()
}

fn share_a_name(one: &Frame, other: &Frame) -> bool {
    name(one).is_some() && name(one) == name(other)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::super::group::groups;
    use super::super::group::tests::light;
    use super::*;

    const VEIL: Option<(f64, f64)> = Some((312.75, 30.7));
    /// Two degrees north of it; the field's shorter side is 1.72 degrees.
    const AWAY: Option<(f64, f64)> = Some((312.75, 32.7));

    /// The strayed lights and how far off they are in degrees.
    fn found(lights: &[Frame]) -> Vec<(Vec<usize>, f64)> {
        let lights: Vec<&Frame> = lights.iter().collect();
        let groups = groups(&lights);
        let strays = strays(&lights, &groups);
        let all = groups.into_iter().zip(strays);
        all.filter_map(|(group, stray)| Some((group, stray?.apart_deg)))
            .collect()
    }

    /// So many lights of the target, and others elsewhere in its place.
    fn night(count: usize, elsewhere: &[usize]) -> Vec<Frame> {
        (0..count)
            .map(|at| {
                let place = if elsewhere.contains(&at) { AWAY } else { VEIL };
                light(5 * at as i64, "Veil", place)
            })
            .collect()
    }

    #[test]
    fn a_slew_to_the_wrong_place_is_told_from_a_mosaic() {
        for elsewhere in [&[0][..], &[7], &[4, 5]] {
            let all = found(&night(12, elsewhere));
            assert_eq!(all.len(), 1, "{elsewhere:?}");
            assert_eq!(all[0].0, elsewhere);
            assert!((all[0].1 - 2.0).abs() < 1e-9, "{all:?}");
        }
        // The next panel, just begun; panels by turns; as many as may be a choice.
        for elsewhere in [&[11][..], &[1, 3, 5, 7, 9, 11], &[2, 3, 4, 5, 6]] {
            assert_eq!(found(&night(12, elsewhere)), [], "{elsewhere:?}");
        }
        // Too few beside it to be sure which is the mistake.
        assert_eq!(found(&night(4, &[1])), []);
    }

    #[test]
    fn another_name_filter_or_exposure_is_another_aim() {
        let changes: [fn(&mut Frame); 4] = [
            |light| light.target = Some("Pelican".into()),
            |light| light.target = None,
            |light| light.filter = "OIII".into(),
            |light| light.exposure = crate::facts::Seconds::new(10.0).unwrap(),
        ];
        for change in changes {
            let mut lights = night(12, &[7]);
            change(&mut lights[7]);
            assert_eq!(found(&lights), []);
        }
        let mut lights = night(12, &[7]);
        lights[7].target = Some("VEIL".into());
        assert_eq!(found(&lights).len(), 1);
    }

    #[test]
    fn value_and_limit_are_said_in_parts_of_the_side_and_in_arc_seconds() {
        let stray = Stray {
            apart_deg: 2.0,
            side_deg: 1.6,
        };
        let finding = stray.finding(0.1).unwrap();
        assert_eq!((finding.value, finding.limit), (1.25, 0.1));
        let text = stray.warning(0.1).unwrap();
        assert!(
            text.starts_with(
                "off target by 7200 arcsec by the header's pointing, limit 576 arcsec; "
            ),
            "{text}"
        );
    }

    /// A field parts from a quarter of its side on, and a profile may put up with more than that.
    #[test]
    fn within_the_limit_nothing_is_said() {
        let stray = Stray {
            apart_deg: 0.6,
            side_deg: 2.0,
        };
        for (limit, is_said) in [(0.25, true), (0.3, false), (0.5, false)] {
            assert_eq!(stray.finding(limit).is_some(), is_said, "limit {limit}");
            assert_eq!(stray.warning(limit).is_some(), is_said, "limit {limit}");
        }
    }

    #[test]
    fn without_a_start_nothing_is_known_to_have_gone_on() {
        let mut lights = night(12, &[7]);
        lights[7].start = None;
        assert_eq!(found(&lights), []);
    }

    #[test]
    fn the_nearest_light_tells_how_far_off_they_are() {
        let mut lights = night(14, &[4, 5]);
        lights[5] = light(25, "Veil", Some((312.75, 32.5)));
        // A light that its name alone brings to the field says nothing of places.
        lights[1].pointing = None;
        let all = found(&lights);
        assert_eq!(all.len(), 1);
        assert!((all[0].1 - 1.8).abs() < 1e-9, "{all:?}");
    }
}
