//! Sets: calibration frames that may be averaged together.
//!
//! Frames of one kind and rig with equal hard keys fall apart into clusters of exposure and
//! temperature (darks, flat-darks) or of rotator angle (flats), and then into runs of time.

use std::collections::BTreeMap;
use std::sync::Arc;

use rayon::prelude::*;

use super::cast::{Cast, Member};
use super::cluster::{angle_clusters, clusters, middle_angle};
use super::memory::{Memory, Reasons};
use crate::facts::{
    Camera, Celsius, Degrees, Frame, FrameRule, Kind, MasterFacts, Optics, Profile, Rule,
};

/// A rig's sets by kind, judged; none of a kind that nobody asks for.
#[derive(Default)]
pub struct Sets<'a>(BTreeMap<Kind, Vec<Judged<'a>>>);

impl<'a> Sets<'a> {
    /// Parts a rig's calibration frames into sets and has them judged.
    pub fn of(cast: &Cast<'a>, memory: &Memory) -> Self {
        let kinds: Vec<_> = cast.calibration.iter().collect();
        let judged = kinds.into_par_iter().filter_map(|(&kind, members)| {
            let rule = cast.profile.calibration.of(kind)?;
            // Whatever the rules, the other kinds tell of the sensor.
            if kind == Kind::FlatDark && rule.rule == Rule::Never {
                return None;
            }
            let sets = sets(members, kind, cast.profile, rule).into_par_iter();
            let judged = sets.map(|set| Judged::of(kind, set, cast.profile, memory));
            Some((kind, judged.collect()))
        });
        Self(judged.collect())
    }

    /// Those of a kind.
    pub fn of_kind(&self, kind: Kind) -> &[Judged<'a>] {
        self.0.get(&kind).map_or(&[], Vec::as_slice)
    }
}

/// A set and what the judge says of it.
pub struct Judged<'a> {
    /// All its frames.
    pub members: Vec<Member<'a>>,
    /// For each of them why it is left out, if it is.
    pub reasons: Reasons,
    /// What its master is; nothing where all frames are left out.
    pub facts: Option<MasterFacts>,
    /// The frames that are not left out, where those are not all.
    fewer: Option<Vec<Member<'a>>>,
}

impl<'a> Judged<'a> {
    fn of(kind: Kind, members: Vec<Member<'a>>, profile: &Profile, memory: &Memory) -> Self {
        let reasons = memory.left_out(kind, &members, profile);
        let fewer = reasons.iter().any(Option::is_some).then(|| {
            let all = members.iter().zip(&*reasons);
            let stay = all.filter(|(_, reason)| reason.is_none());
            stay.map(|(member, _)| *member).collect()
        });
        let mut set = Self {
            members,
            reasons,
            facts: None,
            fewer,
        };
        set.facts = facts(kind, set.survivors());
        set
    }

    /// The frames that are not left out.
    pub fn survivors(&self) -> &[Member<'a>] {
        self.fewer.as_deref().unwrap_or(&self.members)
    }
}

/// What frames of a set share exactly.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Shared<'a> {
    camera: &'a Arc<Camera>,
    /// Filter and optics belong to flats alone: a bias does not look through them.
    seen_through: Option<(&'a Arc<str>, &'a Arc<Optics>)>,
}

/// Parts the usable frames of one rig and kind into sets. Each set is ordered by start, then
/// digest; the sets' order is fixed.
fn sets<'a>(
    members: &[Member<'a>],
    kind: Kind,
    profile: &Profile,
    rule: &FrameRule,
) -> Vec<Vec<Member<'a>>> {
    // They are few, and frames share their cameras: looking through them takes less than comparing
    // for an order.
    let mut known: Vec<Shared<'_>> = Vec::new();
    let mut number_of = |member: &Member<'a>| {
        let shared = shared(member.frame, kind);
        let number = known.iter().position(|known| *known == shared);
        number.unwrap_or_else(|| {
            known.push(shared);
            known.len() - 1
        })
    };
    let numbers: Vec<usize> = members.iter().map(&mut number_of).collect();
    let groups = parts(members.iter().copied(), &numbers, known.len());
    let mut groups: Vec<_> = known.into_iter().zip(groups).collect();
    groups.sort_by_key(|(shared, _)| *shared);
    groups
        .into_iter()
        .flat_map(|(_, group)| split_values(group, kind, profile))
        .flat_map(|group| split_runs(group, rule))
        .collect()
}

/// What a set's master is, from those of its frames that go into it (at least one).
pub fn facts(kind: Kind, survivors: &[Member<'_>]) -> Option<MasterFacts> {
    let first = survivors.first()?;
    let Shared {
        camera,
        seen_through,
    } = shared(first.frame, kind);
    let times = || survivors.iter().map(|member| member.moment);
    let rotators: Vec<f64> = survivors
        .iter()
        .filter_map(|member| member.frame.rotator)
        .map(Degrees::get)
        .collect();
    Some(MasterFacts {
        kind,
        rig: first.frame.rig.clone(),
        camera: camera.clone(),
        filter: seen_through.map_or_else(|| Arc::from("none"), |(filter, _)| filter.clone()),
        exposure: middle(survivors.iter().map(|member| member.frame.exposure))?,
        temperature: middle(survivors.iter().filter_map(|member| nominal(member.frame))),
        optics: seen_through.map_or_else(Arc::default, |(_, optics)| optics.clone()),
        rotator: match kind {
            Kind::Flat => middle_angle(&rotators).and_then(Degrees::new),
            _ => None,
        },
        first: times().min(),
        last: times().max(),
    })
}

fn shared(frame: &Frame, kind: Kind) -> Shared<'_> {
    Shared {
        camera: &frame.camera,
        seen_through: (kind == Kind::Flat).then_some((&frame.filter, &frame.optics)),
    }
}

/// The temperature that decides a dark's set: the set-point where one is recorded (the judge
/// leaves out frames that did not reach it), else what was measured.
fn nominal(frame: &Frame) -> Option<Celsius> {
    frame.set_point.or(frame.temperature)
}

fn split_values<'a>(group: Vec<Member<'a>>, kind: Kind, profile: &Profile) -> Vec<Vec<Member<'a>>> {
    let tolerance = &profile.tolerance;
    match kind {
        Kind::Dark | Kind::FlatDark => {
            let fraction = tolerance.exposure_fraction;
            // Exposures cluster by ratio; an exposure of 0 s stands alone.
            let spread = 2.0 * (1.0 + fraction).ln();
            let exposure = |member: &Member<'_>| Some(member.frame.exposure.get().max(1e-9).ln());
            split(group, exposure, |values| clusters(values, spread))
                .into_iter()
                .flat_map(|group| {
                    let temperature = |member: &Member<'_>| nominal(member.frame).map(Celsius::get);
                    split(group, temperature, |values| {
                        clusters(values, 2.0 * tolerance.temperature_c)
                    })
                })
                .collect()
        }
        Kind::Flat => {
            let rotator = |member: &Member<'_>| member.frame.rotator.map(Degrees::get);
            split(group, rotator, |values| {
                angle_clusters(values, 2.0 * tolerance.rotator_deg)
            })
        }
        Kind::Bias | Kind::Light => vec![group],
    }
}

/// Parts a group by the clusters of a value; those without the value form a group of their own.
pub fn split<T>(
    group: Vec<T>,
    value: impl Fn(&T) -> Option<f64>,
    cluster: impl Fn(&[f64]) -> Vec<usize>,
) -> Vec<Vec<T>> {
    let values: Vec<Option<f64>> = group.iter().map(value).collect();
    let known: Vec<f64> = values.iter().flatten().copied().collect();
    let mut clusters = cluster(&known).into_iter();
    // Those without the value come first.
    let number = |value: Option<f64>| value.and_then(|_| clusters.next()).map_or(0, |n| n + 1);
    let numbers: Vec<usize> = values.into_iter().map(number).collect();
    let count = numbers.iter().max().map_or(0, |most| most + 1);
    let mut found = parts(group, &numbers, count);
    found.retain(|part| !part.is_empty());
    found
}

/// Things by the numbers of their parts, in their order.
fn parts<T>(things: impl IntoIterator<Item = T>, numbers: &[usize], count: usize) -> Vec<Vec<T>> {
    // Moving what outgrew its room costs more than counting first.
    let mut sizes = vec![0; count];
    numbers.iter().for_each(|&number| sizes[number] += 1);
    let mut parts: Vec<Vec<T>> = sizes.into_iter().map(Vec::with_capacity).collect();
    for (thing, &number) in things.into_iter().zip(numbers) {
        parts[number].push(thing);
    }
    parts
}

fn split_runs<'a>(mut group: Vec<Member<'a>>, rule: &FrameRule) -> Vec<Vec<Member<'a>>> {
    group.sort_by_key(|member| (member.moment, member.digest));
    let goes_on = |last: &Member<'_>, next: &Member<'_>| {
        next.moment.duration_since(last.moment).unsigned_abs() <= rule.run_gap
    };
    group.chunk_by(goes_on).map(<[_]>::to_vec).collect()
}

/// The middle value; the lower of two. It is always a value that occurs.
pub fn middle<T: Ord + Copy>(values: impl Iterator<Item = T>) -> Option<T> {
    let mut sorted: Vec<T> = values.collect();
    sorted.sort();
    sorted.get(sorted.len().saturating_sub(1) / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_no_value_comes_before_the_clusters() {
        let groups = |values: &[Option<f64>]| {
            split(
                values.to_vec(),
                |value| *value,
                |known| clusters(known, 1.0),
            )
        };
        assert_eq!(
            groups(&[Some(1.0), None, Some(9.0), Some(1.1), None]),
            [
                vec![None, None],
                vec![Some(1.0), Some(1.1)],
                vec![Some(9.0)]
            ]
        );
        assert_eq!(groups(&[Some(2.0)]), [[Some(2.0)]]);
        assert_eq!(groups(&[None, None]), [[None, None]]);
        assert!(groups(&[]).is_empty());
    }
}
