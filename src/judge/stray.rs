//! Lights that point elsewhere under a target's name: a telescope that slewed to the wrong place.
//!
//! Such lights are a group of their own ([`groups`](super::groups)), so their stars are compared with
//! none of the target's. What tells them from the panels of a mosaic that bear one name is that they
//! are few and that the telescope came back. It does not know pixels.

use super::group::{are_alike, field_deg, separation_deg};
use crate::facts::{Finding, Frame, SetAside};

/// A field of fewer lights than this may be a mistake, and only beside one with so many times as many.
const FEW: usize = 5;

/// Lights that strayed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stray {
    /// How far off they point at least, degrees.
    pub apart_deg: f64,
    /// The shorter side of the field, degrees.
    pub side_deg: f64,
}

impl Stray {
    /// What every one of its lights is set aside for; `limit` in parts of the side.
    pub fn finding(&self, limit: f64) -> Finding {
        Finding {
            reason: SetAside::OffTarget,
            value: self.apart_deg / self.side_deg,
            limit,
            beyond_sd: None,
        }
    }

    /// What a person should know, as a sentence without its subject.
    pub fn warning(&self, limit: f64) -> String {
        format!(
            "off target by {:.0} arcsec by the header's pointing, limit {:.0} arcsec; other lights of \
             the target went on afterwards: a slew to the wrong place?",
            3600.0 * self.apart_deg,
            3600.0 * self.side_deg * limit
        )
    }
}

/// For each of the groups of lights whether it strayed from another one: of the same rig, filter,
/// exposure and target's name, with many more lights, some of them later.
pub fn strays(lights: &[&Frame], groups: &[Vec<usize>]) -> Vec<Option<Stray>> {
    let strayed = |group: &Vec<usize>| {
        let (first, last) = (*group.first()?, *group.last()?);
        let is_own = |other: &Vec<usize>| {
            let belongs = |&at: &usize| {
                are_alike(lights[at], lights[first]) && shares_name(lights[at], lights[first])
            };
            let goes_on = |&at: &usize| lights[at].start > lights[last].start;
            other.len() >= FEW * group.len()
                && other.iter().any(belongs)
                && other.iter().any(goes_on)
        };
        let own = groups.iter().filter(|other| is_own(other));
        let own = own.max_by_key(|other| other.len())?;
        let from = lights[first].pointing?;
        let apart = own
            .iter()
            .filter_map(|&at| Some(separation_deg(from, lights[at].pointing?)));
        let apart_deg = apart.min_by(f64::total_cmp)?;
        Some(Stray {
            apart_deg,
            side_deg: field_deg(lights[first])?,
        })
    };
    let few = |group: &Vec<usize>| (group.len() < FEW).then(|| strayed(group)).flatten();
    groups.iter().map(few).collect()
}

fn shares_name(one: &Frame, other: &Frame) -> bool {
    let name = |light: &Frame| light.target.as_ref().map(|name| name.to_lowercase());
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
        let finding = stray.finding(0.1);
        assert_eq!((finding.value, finding.limit), (1.25, 0.1));
        let text = stray.warning(0.1);
        assert!(
            text.starts_with(
                "off target by 7200 arcsec by the header's pointing, limit 576 arcsec; "
            ),
            "{text}"
        );
    }
}
