//! Lights that point elsewhere under a target's name for longer than a mistake may last: told, not judged.
//!
//! They are a group of their own ([`groups`](super::groups)), which may be meant. What is told is what no
//! regular mosaic looks like: another field that does not adjoin the one with the most lights, or one for
//! which the telescope left that one for a while. It does not know pixels, nor filters: a target's fields are
//! those of all its lights.

use std::collections::BTreeSet;

use super::group::{field_deg, fields, name, separation_deg};
use crate::facts::{Camera, Frame};

/// Fewer lights than this may be a stray, or a panel that has just begun.
const FEW: usize = 5;

/// A field that is left for a while for one of so many times fewer lights is no panel that takes its turn.
const TIMES_AS_MANY: usize = 3;

/// Panels overlap by no more than this part of the shorter side; by more two fields are nearly one.
const OVERLAP: f64 = 0.4;

/// and adjoin by the longer one, with so much between them.
const GAP: f64 = 1.05;

/// A field seen so many times is one of several that take turns.
const TURNS: usize = 3;

/// Lights of one name in a field of their own.
#[derive(Clone, Debug, PartialEq)]
pub struct Apart {
    /// Which they are, by time.
    pub lights: Vec<usize>,
    /// How many point where most of that name do.
    pub others: usize,
    /// How far they are from there at least, degrees.
    pub apart_deg: f64,
    /// The shorter side of the field, degrees.
    pub side_deg: f64,
}

impl Apart {
    /// What a person should know of it, as a sentence without its subject; `from` and `to` are times of
    /// day.
    pub fn warning(&self, from: &str, to: &str) -> String {
        let Self {
            lights,
            others,
            apart_deg,
            side_deg,
        } = self;
        let distance = match *apart_deg {
            far if far >= 1.0 => format!("{far:.1} degrees"),
            near => format!("{:.0} arcmin", 60.0 * near),
        };
        format!(
            "{} lights of {from} to {to} point {distance} away ({:.2} of the field's side) from the other \
             {others} of that name; they are judged by themselves: meant, or a slew to the wrong place?",
            lights.len(),
            apart_deg / side_deg
        )
    }
}

/// The fields of a rig's targets that are not where most lights of their name are, and are no regular
/// panels as far as that can be told. Lights that strayed are left out by the caller.
pub fn apart(lights: &[&Frame], mut among: Vec<usize>) -> Vec<Apart> {
    among.retain(|&at| {
        let light = lights[at];
        let is_placed = light.pointing.is_some() && field_deg(light).is_some();
        is_placed && light.start.is_some() && light.target.is_some()
    });
    let aim = |at: &usize| {
        (
            &lights[*at].rig,
            &lights[*at].camera.name,
            name(lights[*at]),
        )
    };
    among.sort_by(|a, b| aim(a).cmp(&aim(b)).then(a.cmp(b)));
    let targets = among.chunk_by(|a, b| aim(a) == aim(b));
    let mut found: Vec<Apart> = targets
        .flat_map(|target| of_target(lights, target))
        .collect();
    found.sort_by_key(|apart| apart.lights.first().map(|&at| (lights[at].start, at)));
    found
}

fn of_target(lights: &[&Frame], target: &[usize]) -> Vec<Apart> {
    let by_time = |at: &usize| (lights[*at].start, *at);
    let mut fields = fields(lights, target);
    fields
        .iter_mut()
        .for_each(|field| field.sort_by_key(by_time));
    // The most lights; of equal ones the first.
    fields.sort_by_key(|field| (std::cmp::Reverse(field.len()), field.first().map(by_time)));
    let Some((own, others)) = fields.split_first() else {
        return Vec::new();
    };
    let mut in_time: Vec<usize> = target.to_vec();
    in_time.sort_by_key(by_time);
    let is_told = |field: &&Vec<usize>| {
        if field.len() < FEW {
            return false;
        }
        let own_lights: BTreeSet<usize> = field.iter().copied().collect();
        let stays = in_time.chunk_by(|a, b| own_lights.contains(a) == own_lights.contains(b));
        let stays = stays.filter(|stay| own_lights.contains(&stay[0])).count();
        let is_left_for = || {
            own.len() >= TIMES_AS_MANY * field.len()
                && own.first().map(by_time) < field.first().map(by_time)
                && own.last().map(by_time) > field.last().map(by_time)
        };
        let adjoins = || {
            let elsewhere = fields.iter().filter(|other| other != field);
            let nearest = elsewhere.filter_map(|other| nearest_deg(lights, field, other));
            let nearest = nearest.min_by(f64::total_cmp);
            nearest.is_some_and(|nearest| adjoins(lights[field[0]], nearest))
        };
        stays < TURNS && (is_left_for() || !adjoins())
    };
    let tell = |field: &Vec<usize>| {
        Some(Apart {
            apart_deg: nearest_deg(lights, field, own)?,
            side_deg: field_deg(lights[*field.first()?])?,
            others: own.len(),
            lights: field.clone(),
        })
    };
    others.iter().filter(is_told).filter_map(tell).collect()
}

/// How far the lights of two fields lie from each other at least.
fn nearest_deg(lights: &[&Frame], one: &[usize], other: &[usize]) -> Option<f64> {
    let pointings = |field: &[usize]| -> Vec<_> {
        let pointings = field.iter().filter_map(|&at| lights[at].pointing);
        pointings.collect()
    };
    let (one, other) = (pointings(one), pointings(other));
    let pairs = one
        .iter()
        .flat_map(|&from| other.iter().map(move |&to| (from, to)));
    let apart = pairs.map(|(from, to)| separation_deg(from, to));
    apart.min_by(f64::total_cmp)
}

/// True of fields that lie side by side as panels do.
fn adjoins(light: &Frame, apart_deg: f64) -> bool {
    let Camera { width, height, .. } = *light.camera;
    let longer = f64::from(width.max(height)) / f64::from(width.min(height));
    field_deg(light).is_some_and(|shorter| {
        ((1.0 - OVERLAP) * shorter..=GAP * longer * shorter).contains(&apart_deg)
    })
}

#[cfg(test)]
mod tests {
    use super::super::group::tests::light;
    use super::*;

    /// The field is 2.58 by 1.72 degrees.
    const DEC: f64 = 30.7;

    /// Lights five minutes apart, so many degrees north of the first.
    fn found(north: &[f64]) -> Vec<(Vec<usize>, usize, f64)> {
        let lights: Vec<Frame> = north
            .iter()
            .enumerate()
            .map(|(at, north)| light(5 * at as i64, "Veil", Some((312.75, DEC + north))))
            .collect();
        let lights: Vec<&Frame> = lights.iter().collect();
        let all = apart(&lights, (0..lights.len()).collect());
        all.into_iter()
            .map(|apart| {
                (
                    apart.lights,
                    apart.others,
                    (1e6 * apart.apart_deg).round() / 1e6,
                )
            })
            .collect()
    }

    /// Counts of lights in a row, each with how far north.
    fn night(rows: &[(usize, f64)]) -> Vec<f64> {
        let rows = rows.iter();
        rows.flat_map(|&(count, north)| vec![north; count])
            .collect()
    }

    #[test]
    fn lights_that_point_elsewhere_for_long_are_told() {
        // Left for a while and come back; a place that adjoins nothing; one that is nearly the same.
        let away = |rows: &[(usize, f64)]| found(&night(rows));
        assert_eq!(
            away(&[(12, 0.0), (7, 1.6), (20, 0.0)]),
            [((12..19).collect(), 32, 1.6)]
        );
        assert_eq!(
            away(&[(12, 0.0), (8, 7.5)]),
            [((12..20).collect(), 12, 7.5)]
        );
        assert_eq!(away(&[(5, 0.6), (12, 0.0)]), [((0..5).collect(), 12, 0.6)]);
    }

    #[test]
    fn a_mosaic_is_not_told() {
        let none = [];
        // Panel by panel, by turns, one begun, a third beside the second.
        assert_eq!(found(&night(&[(12, 0.0), (10, 1.6)])), none);
        assert_eq!(found(&night(&[(12, 0.0), (12, 1.6), (12, 3.2)])), none);
        assert_eq!(
            found(&night(&[(5, 0.0), (5, 1.6), (5, 0.0), (5, 1.6)])),
            none
        );
        let by_turns = [(4, 0.0), (2, 7.5)].repeat(4);
        assert_eq!(found(&night(&by_turns)), none);
        assert_eq!(found(&night(&[(20, 0.0), (4, 7.5)])), none);
    }

    #[test]
    fn another_name_or_no_place_tells_nothing() {
        let all = |change: fn(&mut Frame)| {
            let mut lights: Vec<Frame> = (0..20)
                .map(|at| {
                    let north = if at < 8 { 7.5 } else { 0.0 };
                    light(5 * at, "Veil", Some((312.75, DEC + north)))
                })
                .collect();
            lights[..8].iter_mut().for_each(change);
            let lights: Vec<&Frame> = lights.iter().collect();
            apart(&lights, (0..lights.len()).collect()).len()
        };
        assert_eq!(all(|_| {}), 1);
        assert_eq!(all(|light| light.filter = "OIII".into()), 1);
        assert_eq!(all(|light| light.target = Some("Pelican".into())), 0);
        assert_eq!(all(|light| light.target = None), 0);
        assert_eq!(all(|light| light.pointing = None), 0);
        assert_eq!(all(|light| light.rig = "south-pier".into()), 0);
    }

    #[test]
    fn near_places_are_told_in_arc_minutes() {
        let said = |apart_deg| {
            let apart = Apart {
                lights: (0..7).collect(),
                others: 40,
                apart_deg,
                side_deg: 1.6,
            };
            apart.warning("23:10", "23:50")
        };
        assert_eq!(
            said(1.2),
            "7 lights of 23:10 to 23:50 point 1.2 degrees away (0.75 of the field's side) from the other 40 of \
             that name; they are judged by themselves: meant, or a slew to the wrong place?"
        );
        assert!(said(0.5).contains(" point 30 arcmin away (0.31 of the "));
    }
}
