//! Where samples pile up: the level at which a sensor or its converter saturates, as its own frames
//! show it. Files of 12 or 14 bits need not use the whole range of 16, nor does a well that is full
//! before the converter is; no header says so. Beyond that level light is lost, and of all pixels that
//! reach it, however bright, the samples are the same.
//!
//! Common practice reads such a level off the upper end of a histogram: a spike that stands by itself.
//! The highest sample of a frame is one of a kind otherwise, for stars and hot pixels are of any
//! brightness. A camera that takes levels off after its converter smears the spike; so does a well that
//! fills at another level in each pixel: neither is found. It does not know what else limits samples.

use crate::combine::Level;
use crate::facts::{Kind, Sample};

/// So many samples at least have the highest value. Two or three may by chance.
const LEAST: usize = 10;

/// So many times as many have it as have any of the values that come next. Fewer and fewer samples
/// have the highest values of noise, and those of a star's slope are spread over its whole height.
const SPIKE: usize = 4;

/// So many values come next, of those that occur: a camera's table may leave out most numbers.
const NEXT: usize = 16;

/// Where nothing need be bright, the value lies above the level by so many standard deviations and
/// steps: noise does not reach it. That of a bias in coarse steps may end in a spike.
const FAR: f64 = 10.0;

/// A phase of a flat with less than this part of the brightest one's level is kept dark by the filter: a
/// single-line filter before a colour sensor.
pub const KEPT_DARK: f64 = 0.1;

/// Samples that are looked at side by side: as many of even columns as of odd ones.
const LANES: usize = 16;

/// Where samples of a frame pile up, if they do, ADU.
///
/// `rows` are those that `found` was made from. Each phase of the 2x2 grid has a highest value; phases
/// of the same one are counted together, and of several that pile up the lowest counts, since a camera
/// may scale its colours. Flats may pile up at their own level, where they are bright, or be of one value,
/// which their noise keeps them from otherwise; all other kinds pile up only far above their level. Samples
/// in steps alone can pile up.
pub fn piled_up(kind: Kind, width: usize, rows: &[(usize, &[f32])], found: &Sample) -> Option<f64> {
    let step = f64::from(found.step?);
    let levels = found.planes.iter().map(|plane| plane.level);
    let brightest = levels.fold(f64::NEG_INFINITY, f64::max);
    // As they were read.
    let highest = found.highest?.map(|highest| highest as f32);
    let mut candidates = highest.to_vec();
    candidates.retain(|top| top.is_finite());
    candidates.sort_by(f32::total_cmp);
    candidates.dedup();
    let piled = candidates.into_iter().find(|&top| {
        let ours: [bool; 4] = highest.map(|highest| highest == top);
        let planes = || found.planes.iter().zip(ours).filter(|(_, ours)| *ours);
        let lowest = planes()
            .map(|(plane, _)| plane.level)
            .fold(f64::INFINITY, f64::min);
        let mut may_pile = planes().map(|(plane, _)| {
            let far = f64::from(top) - plane.level > FAR * (plane.spread + step);
            far || kind == Kind::Flat && plane.level >= KEPT_DARK * brightest && top > 0.0
        });
        let count = number_at(width, rows, top, ours);
        count >= LEAST
            && may_pile.all(|may| may)
            && is_spike(width, rows, (lowest, top), ours, step, count)
    });
    piled.map(f64::from)
}

/// Rows with the phases of their even and odd columns.
fn with_phases<'r>(
    width: usize,
    rows: &'r [(usize, &[f32])],
) -> impl Iterator<Item = ([usize; 2], &'r [f32])> {
    rows.iter().flat_map(move |(first, run)| {
        let each = (*first..).zip(run.chunks_exact(width.max(1)));
        each.map(|(y, row)| ([2 * (y % 2), 2 * (y % 2) + 1], row))
    })
}

/// The highest sample of each phase; minus infinity where there is none.
pub(super) fn highest(width: usize, rows: &[(usize, &[f32])]) -> [f32; 4] {
    let mut highest = [f32::NEG_INFINITY; 4];
    for (phases, row) in with_phases(width, rows) {
        let (whole, rest) = row.as_chunks::<LANES>();
        let mut lanes = [f32::NEG_INFINITY; LANES];
        Level::widest().run(|| {
            for samples in whole {
                for (lane, &sample) in lanes.iter_mut().zip(samples) {
                    *lane = if sample > *lane { sample } else { *lane };
                }
            }
        });
        for (column, &sample) in lanes.iter().chain(rest).enumerate() {
            let highest = &mut highest[phases[column % 2]];
            *highest = highest.max(sample);
        }
    }
    highest
}

/// How many samples of some phases have a value.
fn number_at(width: usize, rows: &[(usize, &[f32])], value: f32, ours: [bool; 4]) -> usize {
    let mut number = 0;
    for (phases, row) in with_phases(width, rows) {
        let (whole, rest) = row.as_chunks::<LANES>();
        let mut lanes = [0u32; LANES];
        Level::widest().run(|| {
            for samples in whole {
                for (lane, &sample) in lanes.iter_mut().zip(samples) {
                    *lane += u32::from(sample == value);
                }
            }
        });
        let rest = rest.iter().map(|&sample| u32::from(sample == value));
        for (column, count) in lanes.into_iter().chain(rest).enumerate() {
            number += if ours[phases[column % 2]] {
                count as usize
            } else {
                0
            };
        }
    }
    number
}

/// Does the highest value, which so many samples have, stand out of those that come next? They are looked
/// for half the way down to the level of the frame, and some steps at least.
fn is_spike(
    width: usize,
    rows: &[(usize, &[f32])],
    (level, top): (f64, f32),
    ours: [bool; 4],
    step: f64,
    count: usize,
) -> bool {
    let way = ((f64::from(top) - level) / 2.0).max(NEXT as f64 * step);
    let lowest = (f64::from(top) - way) as f32;
    let mut next = Vec::new();
    for (phases, row) in with_phases(width, rows) {
        for (column, &sample) in row.iter().enumerate() {
            if sample >= lowest && sample < top && ours[phases[column % 2]] {
                next.push(sample);
            }
        }
    }
    next.sort_unstable_by(|a, b| b.total_cmp(a));
    let numbers = next.chunk_by(|a, b| a == b).map(<[f32]>::len);
    let most = numbers.take(NEXT).max();
    count >= SPIKE * most.unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::dice::Dice;
    use crate::measure::sample;

    const WIDTH: usize = 300;
    const HEIGHT: usize = 100;

    /// What is found in a frame by its pixels' columns and rows.
    fn found(kind: Kind, mut at: impl FnMut(usize, usize) -> f64) -> Option<f64> {
        let pixels: Vec<f32> = (0..WIDTH * HEIGHT)
            .map(|place| at(place % WIDTH, place / WIDTH) as f32)
            .collect();
        let rows = [(0, &pixels[..])];
        piled_up(kind, WIDTH, &rows, &sample(WIDTH, HEIGHT, &rows, 65_535.0))
    }

    /// Noise around a level in steps.
    fn noise(dice: &mut Dice, level: f64, sd: f64, step: f64) -> f64 {
        step * ((level + sd * dice.normal()) / step).round()
    }

    /// `number` pixels spread over the frame, by their number.
    fn spread(x: usize, y: usize, number: usize) -> Option<usize> {
        let every = WIDTH * HEIGHT / number;
        let place = y * WIDTH + x;
        (place % every == every / 2).then_some(place / every)
    }

    #[test]
    fn stars_and_hot_pixels_that_saturate_are_a_spike() {
        for kind in [Kind::Light, Kind::Dark, Kind::Flat] {
            for step in [1.0, 4.0] {
                let top = 16_383.0 * step;
                let mut dice = Dice(5);
                let mut night = |saturated: usize| {
                    found(kind, |x, y| match spread(x, y, 40) {
                        // Ever fainter ones beside those that saturate.
                        Some(star) if star >= saturated => top - 100.0 * step * (star + 1) as f64,
                        Some(_) => top,
                        None => noise(&mut dice, 800.0 * step, 5.0 * step, step),
                    })
                };
                assert_eq!(night(10), Some(top), "{kind:?}");
                assert_eq!(night(9), None, "{kind:?}");
                assert_eq!(night(0), None, "{kind:?}");
            }
        }
    }

    /// Noise cut off where it is densest, at its shoulder, and far out: a spike. Beyond that there is none.
    #[test]
    fn a_flat_that_is_cut_off_is_told_from_one_that_is_not() {
        for (cut, told) in [(-1.0, true), (0.0, true), (2.5, true), (9.0, false)] {
            let mut dice = Dice(6);
            let top = (12_000.0 + cut * 100.0f64).round();
            let value = found(Kind::Flat, |_, _| {
                noise(&mut dice, 12_000.0, 100.0, 1.0).min(top)
            });
            assert_eq!(value, told.then_some(top), "cut off at {cut} sd");
        }
    }

    /// Numbers of a table that leaves out nineteen of twenty, though their greatest common divisor is 1.
    #[test]
    fn values_may_lie_far_apart() {
        let table =
            |value: f64| 20.0 * (value / 20.0).round() + if value > 900.0 { 1.0 } else { 0.0 };
        for (top, told) in [(f64::INFINITY, false), (12_001.0, true)] {
            let mut dice = Dice(12);
            let value = found(Kind::Flat, |_, _| {
                table(noise(&mut dice, 12_000.0, 100.0, 1.0)).min(top)
            });
            assert_eq!(value, told.then_some(top));
        }
    }

    /// Whatever its level and read noise in steps: its highest value is one that many pixels have.
    #[test]
    fn noise_in_coarse_steps_is_no_pile_up() {
        for kind in [Kind::Bias, Kind::Dark, Kind::FlatDark, Kind::Light] {
            for sd in [0.0, 0.05, 0.2, 0.3, 0.5, 1.0] {
                for tenth in 0..10 {
                    let level = 16.0 * (30.0 + f64::from(tenth) / 10.0);
                    let mut dice = Dice(7);
                    let value = found(kind, |_, _| noise(&mut dice, level, 16.0 * sd, 16.0));
                    assert_eq!(value, None, "{kind:?}: {level} +- {sd} steps");
                }
            }
        }
    }

    /// A filter of one line before a colour sensor keeps two colours dark: they are noise in coarse steps there.
    #[test]
    fn the_dark_colours_of_a_flat_pile_up_at_nothing() {
        for dark in [0.0, 494.4] {
            let mut dice = Dice(13);
            let value = found(Kind::Flat, |x, y| match x % 2 == 0 && y % 2 == 0 {
                true => noise(&mut dice, 30_000.0, 150.0, 16.0),
                false if dark > 0.0 => noise(&mut dice, dark, 1.6, 16.0),
                false => 0.0,
            });
            assert_eq!(value, None, "{dark}");
        }
        assert_eq!(found(Kind::Flat, |_, _| 0.0), None);
    }

    /// Colours that the camera scales end at levels of their own.
    #[test]
    fn of_several_colours_the_lowest_counts() {
        let tops = [15_000.0, 12_000.0, 12_000.0, 14_000.0];
        for (few, wanted) in [(None, 12_000.0), (Some([1, 2]), 14_000.0)] {
            let mut dice = Dice(8);
            let value = found(Kind::Light, |x, y| {
                let phase = 2 * (y % 2) + x % 2;
                let own = x / 2 + y / 2 * WIDTH / 2;
                let all = few.is_none_or(|few| !few.contains(&phase));
                match own % 500 {
                    7 if all || own == 7 => tops[phase],
                    _ => noise(&mut dice, 800.0, 5.0, 1.0),
                }
            });
            assert_eq!(value, Some(wanted));
        }
    }

    /// A disc of a level top as far as noise lets it be, frames of one value, one of no steps.
    #[test]
    fn what_looks_like_a_pile_up_is_none() {
        let mut dice = Dice(9);
        let disc = found(Kind::Light, |x, y| {
            let level = if x < 60 && y < 60 { 20_000.0 } else { 500.0 };
            noise(&mut dice, level, 3.0, 1.0)
        });
        assert_eq!(disc, None);
        for kind in [Kind::Bias, Kind::Dark, Kind::Light] {
            assert_eq!(found(kind, |_, _| 30_000.0), None, "{kind:?}");
        }
        assert_eq!(found(Kind::Flat, |_, _| 16_383.0), Some(16_383.0));
        let mut dice = Dice(10);
        let stepless = found(Kind::Light, |x, y| match spread(x, y, 40) {
            Some(_) => 9000.0,
            None => 500.0 + dice.normal(),
        });
        assert_eq!(stepless, None);
    }

    /// Rows of any width, rests of lanes and columns at odd places among them.
    #[test]
    fn looked_at_side_by_side_or_one_by_one() {
        let mut dice = Dice(11);
        for width in [1, 2, 15, 16, 17, 31, 32, 33, 47, 100] {
            let pixels: Vec<f32> = (0..width * 9)
                .map(|_| (4.0 * dice.normal()).round() as f32)
                .collect();
            let rows = [(3, &pixels[..])];
            let of = |wanted: usize| {
                let pixels = pixels.iter().enumerate();
                pixels.filter_map(move |(place, &sample)| {
                    let (x, y) = (place % width, 3 + place / width);
                    (2 * (y % 2) + x % 2 == wanted).then_some(sample)
                })
            };
            let plain: [f32; 4] =
                std::array::from_fn(|phase| of(phase).fold(f32::NEG_INFINITY, f32::max));
            assert_eq!(highest(width, &rows), plain, "{width}");
            let ours = [true, false, false, true];
            let both = of(0).chain(of(3));
            let plain = both.filter(|&sample| sample == 2.0).count();
            assert_eq!(number_at(width, &rows, 2.0, ours), plain, "{width}");
        }
    }
}
