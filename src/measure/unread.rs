//! A frame that was not read to its end: the rest of it holds rows over again, or one value.
//!
//! Where a download breaks off, the rest of the frame is what the buffer held: copies of one row or of a
//! block of rows, or a constant. Noise tells both: no two rows of a sensor are equal to the last bit, and
//! none is of one value beside rows that are not. Rows that hardly vary, such as saturated ones or those
//! cut off at 0, say nothing, and neither does a frame that is the same throughout or has no noise.
//!
//! A few rows are looked at, so a rest of some rows in the middle may be missed; at both ends it is not.
//! It does not know what kind of frame it is.

use std::collections::BTreeSet;
use std::fmt;

use super::sample::rows_to_sample;

/// Rows at each end that are looked at beside those of the sample: a rest reaches one of the ends.
const AT_END: usize = 4;

/// Rows of fewer pixels may be equal by chance.
const NARROW: usize = 24;

/// Up to this part of the rows may be of one value at an end: some cameras fill up with such rows.
const FILLED: f64 = 0.05;

/// What is left of a row without noise, in its smallest steps, when what is smooth is taken off: rounding alone
/// leaves 1.0 of it.
const SMOOTH: f32 = 2.0;

/// Equal rows that lie so far apart are no doubled line, as a camera of interlaced fields gives.
const APART: usize = 2;

/// What the rest of a frame is instead of what the sensor saw.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unread {
    /// Rows that were looked at.
    looked_at: usize,
    /// How many of them are no rows of their own.
    idle: usize,
    rest: Rest,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Rest {
    /// Rows that stand before already; the first of them that was looked at.
    Copies(usize),
    /// One value, from this row on.
    From(usize, f32),
    /// One value, up to this row.
    UpTo(usize, f32),
}

/// Rows in words: value and limit, rows counted from 1.
impl fmt::Display for Unread {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            looked_at, idle, ..
        } = self;
        let most = filled(*looked_at);
        match self.rest {
            Rest::Copies(first) => write!(
                out,
                "half read: {idle} of {looked_at} rows looked at repeat another to the last bit, limit 0; \
                 the first of them is row {}",
                first + 1
            ),
            Rest::From(first, value) => write!(
                out,
                "half read: {idle} of {looked_at} rows looked at are nothing but {value} ADU, limit {most}; \
                 all from row {} on",
                first + 1
            ),
            Rest::UpTo(last, value) => write!(
                out,
                "half read: {idle} of {looked_at} rows looked at are nothing but {value} ADU, limit {most}; \
                 all up to row {}",
                last + 1
            ),
        }
    }
}

/// Which rows [`unread`] looks at, as `(first row, how many)`: those of [`rows_to_sample`], and a few at
/// both ends.
pub fn rows_to_look_at(height: usize) -> Vec<(usize, usize)> {
    let pairs = height.div_ceil(2);
    let at_ends = AT_END / 2;
    let ends = (0..pairs.min(at_ends)).chain(pairs.saturating_sub(at_ends)..pairs);
    let sampled = rows_to_sample(height).into_iter().map(|(first, _)| first);
    let firsts: BTreeSet<usize> = sampled.chain(ends.map(|pair| 2 * pair)).collect();
    let pair = |first: usize| (first, 2.min(height - first));
    firsts.into_iter().map(pair).collect()
}

/// Whether a part of a frame was never read. `rows` holds runs of whole rows of `width` pixels, each with
/// the number of its first, in order.
pub fn unread(width: usize, rows: &[(usize, &[f32])]) -> Option<Unread> {
    if width < NARROW {
        return None;
    }
    let numbered = |(first, run): (usize, _)| (first..).zip(<[f32]>::chunks_exact(run, width));
    let rows: Vec<Row<'_>> = rows.iter().copied().flat_map(numbered).collect();
    copies(&rows).or_else(|| one_value(&rows))
}

/// A row's number and pixels.
type Row<'a> = (usize, &'a [f32]);

fn bits(row: &Row<'_>) -> impl Iterator<Item = u32> {
    row.1.iter().map(|value| value.to_bits())
}

fn copies(rows: &[Row<'_>]) -> Option<Unread> {
    let mut sorted: Vec<Row<'_>> = rows.to_vec();
    // Noise parts two rows within a few pixels.
    sorted.sort_by(|a, b| bits(a).cmp(bits(b)).then(a.0.cmp(&b.0)));
    let (mut idle, mut first) = (0, usize::MAX);
    for equal in sorted.chunk_by(|a, b| bits(a).eq(bits(b))) {
        let ([one, second] | [one, second, ..], Some(last)) = (equal, equal.last()) else {
            continue;
        };
        let all_are = equal.len() == rows.len();
        if last.0 - one.0 >= APART && !all_are && is_varied(one.1) && is_noisy(one.1) {
            idle += equal.len() - 1;
            first = first.min(second.0);
        }
    }
    (idle > 0).then_some(Unread {
        looked_at: rows.len(),
        idle,
        rest: Rest::Copies(first),
    })
}

/// At one of the ends, where it sets in all of a sudden.
fn one_value(rows: &[Row<'_>]) -> Option<Unread> {
    let found = |idle: usize, rest: Rest| Unread {
        looked_at: rows.len(),
        idle,
        rest,
    };
    let backwards: Vec<Row<'_>> = rows.iter().rev().copied().collect();
    let at_end = run_of_one_value(&backwards);
    if let Some((idle, first, value)) = at_end {
        return Some(found(idle, Rest::From(first, value)));
    }
    let (idle, last, value) = run_of_one_value(rows)?;
    Some(found(idle, Rest::UpTo(last, value)))
}

/// How many rows from the first one on are nothing but one value, the number of the last of them, and the
/// value.
fn run_of_one_value(rows: &[Row<'_>]) -> Option<(usize, usize, f32)> {
    let value = *rows.first()?.1.first()?;
    let is_value = |row: &Row<'_>| row.1.iter().all(|other| other.to_bits() == value.to_bits());
    let idle = rows.iter().take_while(|row| is_value(row)).count();
    let last = rows[..idle].last()?.0;
    // The row in which it broke off may be of one value for the most part, the one beside it is not. What
    // grows dark little by little is cut off at 0, not unread.
    let mut beside = rows[idle..].iter().take(2);
    let is_sudden = beside.any(|row| is_varied(row.1));
    (idle > filled(rows.len()) && is_sudden).then_some((idle, last, value))
}

/// So many rows of one value at an end are borne.
fn filled(rows: usize) -> usize {
    (FILLED * rows as f64) as usize
}

/// True where no value makes up more than half of a row. Of such rows two are equal by chance less than
/// once in two to the power of their pixels.
fn is_varied(row: &[f32]) -> bool {
    // What more than half have outvotes all others together (R. S. Boyer and J S. Moore 1991, Automated
    // Reasoning, 105).
    let (mut leading, mut votes) = (0, 0_usize);
    for value in row.iter().map(|value| value.to_bits()) {
        match (votes, value == leading) {
            (0, _) => (leading, votes) = (value, 1),
            (_, true) => votes += 1,
            (_, false) => votes -= 1,
        }
    }
    let count = row.iter().filter(|value| value.to_bits() == leading);
    2 * count.count() <= row.len()
}

/// True where neighbours of one colour differ by more than rounding and what is smooth: what was worked out
/// instead of read may well be the same above its middle and below.
fn is_noisy(row: &[f32]) -> bool {
    let steps = row.windows(2).map(|pair| (pair[1] - pair[0]).abs());
    let step = steps.filter(|&step| step > 0.0).fold(f32::MAX, f32::min);
    let thirds = row
        .windows(7)
        .map(|w| w[0] - 3.0 * w[2] + 3.0 * w[4] - w[6]);
    let (sum, count) = thirds.fold((0.0, 0.0), |(sum, count), third| {
        (sum + third.abs(), count + 1.0)
    });
    sum > SMOOTH * step * count
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use crate::measure::dice::Dice;

    const WIDTH: usize = 64;

    /// Read noise of three ADU over a pedestal with columns of its own.
    fn frame(height: usize) -> Vec<f32> {
        let mut dice = Dice(7);
        let value = |at: usize| (500.0 + (at % WIDTH % 5) as f64 + 3.0 * dice.normal()).round();
        (0..WIDTH * height).map(value).map(|v| v as f32).collect()
    }

    fn found(image: &[f32]) -> Option<Unread> {
        let height = image.len() / WIDTH;
        let rows: Vec<(usize, &[f32])> = rows_to_look_at(height)
            .into_iter()
            .map(|(first, count)| (first, &image[first * WIDTH..(first + count) * WIDTH]))
            .collect();
        unread(WIDTH, &rows)
    }

    fn row(image: &mut [f32], at: usize) -> &mut [f32] {
        &mut image[at * WIDTH..(at + 1) * WIDTH]
    }

    /// From the row on, copies of the block of so many rows before it.
    fn repeated(height: usize, from: usize, block: usize) -> Vec<f32> {
        let mut image = frame(height);
        for at in from..height {
            image.copy_within((at - block) * WIDTH..(at - block + 1) * WIDTH, at * WIDTH);
        }
        image
    }

    #[test]
    fn rows_at_both_ends_are_looked_at() {
        for height in [0, 1, 2, 3, 5, 48, 129, 130, 131, 4176] {
            let rows = rows_to_look_at(height);
            let each = rows.iter().flat_map(|&(first, count)| first..first + count);
            let each: Vec<usize> = each.collect();
            assert!(each.is_sorted() && each.iter().all(|&row| row < height));
            for row in (0..height.min(4)).chain(height.saturating_sub(3)..height) {
                assert!(each.contains(&row), "row {row} of {height}");
            }
        }
    }

    #[test]
    fn a_rest_of_one_row_or_a_block_over_again_is_found() {
        assert_eq!(found(&frame(400)), None);
        for (height, from) in [(48, 20), (400, 250), (400, 4), (2000, 1900), (2000, 1996)] {
            for block in [1, 2, 4] {
                // Nothing of the longest is met twice in the last four rows.
                if from + block == height {
                    continue;
                }
                let image = repeated(height, from, block);
                let text = found(&image).unwrap().to_string();
                assert!(
                    text.contains("rows looked at repeat another to the last bit, limit 0"),
                    "{height}, {from}, {block}: {text}"
                );
            }
        }
        // A block of which few rows are met twice.
        assert!(found(&repeated(2000, 700, 100)).is_some());
        let text = found(&repeated(48, 21, 1)).unwrap().to_string();
        assert_eq!(
            text,
            "half read: 27 of 48 rows looked at repeat another to the last bit, limit 0; the first of \
             them is row 22"
        );
    }

    #[test]
    fn a_rest_of_one_value_is_found_at_either_end() {
        for value in [0.0, 32_768.0, 65_535.0] {
            let mut image = frame(48);
            image[30 * WIDTH - 20..].fill(value);
            assert_eq!(
                found(&image).unwrap().to_string(),
                format!(
                    "half read: 18 of 48 rows looked at are nothing but {value} ADU, limit 2; all from row 31 on"
                )
            );
            let mut image = frame(48);
            image[..10 * WIDTH + 50].fill(value);
            assert_eq!(
                found(&image).unwrap().to_string(),
                format!(
                    "half read: 10 of 48 rows looked at are nothing but {value} ADU, limit 2; all up to row 10"
                )
            );
        }
    }

    #[test]
    fn what_a_camera_may_give_is_no_rest() {
        // The same throughout, saturated, dark.
        for value in [0.0, 65_535.0, 1000.0] {
            assert_eq!(found(&vec![value; 400 * WIDTH]), None);
        }
        // Cut off at 0 but for columns that are always bright.
        let stuck = |at: usize| match at % WIDTH % 9 {
            0 => 4095.0,
            _ => 0.0,
        };
        let image: Vec<f32> = (0..400 * WIDTH).map(stuck).collect();
        assert_eq!(found(&image), None);
        // Saturated from one side to the other in its brighter part, which sets in by and by.
        let mut image = frame(400);
        for at in 0..400 {
            let lit = (at * WIDTH / 200).min(WIDTH);
            row(&mut image, at)[..lit].fill(65_535.0);
        }
        assert_eq!(found(&image), None);
        // Rows that only fill up, and lines that stand twice.
        let mut image = frame(400);
        image[394 * WIDTH..].fill(0.0);
        assert_eq!(found(&image), None);
        let mut image = frame(400);
        for at in (1..400).step_by(2) {
            image.copy_within((at - 1) * WIDTH..at * WIDTH, at * WIDTH);
        }
        assert_eq!(found(&image), None);
    }

    /// Rows that are alike because nothing was ever read: a gradient along them, vignetting about a middle
    /// that is not the frame's, both in whole numbers.
    #[test]
    fn what_was_worked_out_is_no_rest() {
        let image = |value: &dyn Fn(f64, f64) -> f64| -> Vec<f32> {
            let at = |at: usize| value((at % WIDTH) as f64, (at / WIDTH) as f64).round() as f32;
            (0..400 * WIDTH).map(at).collect()
        };
        let gradient = image(&|x, _| 1000.0 + 0.37 * x);
        let vignetting = image(&|x, y| {
            let (x, y) = ((x - 30.0) / 40.0, (y - 180.0) / 250.0);
            30_000.0 * (1.0 - 0.3 * (x * x + y * y))
        });
        let pattern = image(&|x, _| 1000.0 + (x * 7919.0) % 61.0);
        for image in [gradient, vignetting, pattern] {
            assert_eq!(found(&image), None);
        }
    }

    #[test]
    fn narrow_and_empty_images_say_nothing() {
        assert_eq!(unread(0, &[]), None);
        assert_eq!(unread(WIDTH, &[]), None);
        assert_eq!(unread(8, &[(0, &[1.0; 64])]), None);
    }
}
