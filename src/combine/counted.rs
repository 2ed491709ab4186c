//! Statistics of whole numbers of which many are equal, from how often each occurs.
//!
//! What [`clipped`](super::clipped) sums over sorted samples is here the difference of two sums up to a
//! number. All are exact: the results are the same to the last bit.

use std::ops::Range;

use super::Clip;

/// Unsigned 16-bit samples, counted. No more than 2^29 of them, so that sums of squares are exact.
#[derive(Debug, Default)]
pub struct Counted {
    /// Each number that occurs, ascending.
    numbers: Vec<u16>,
    /// Sums over all samples below each of them, and at the end over all.
    below: Vec<Sums>,
}

/// Sums over samples.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    count: usize,
    plain: i64,
    squares: i64,
}

impl Counted {
    /// Of samples in any order.
    pub fn of(samples: &[u16]) -> Self {
        let (Some(&least), Some(&most)) = (samples.iter().min(), samples.iter().max()) else {
            return Self::default();
        };
        let mut counts = vec![0_u32; usize::from(most - least) + 1];
        for sample in samples {
            counts[usize::from(sample - least)] += 1;
        }
        let mut numbers = Vec::new();
        let mut below = vec![Sums::default()];
        let mut all = Sums::default();
        for (number, &count) in (least..=most).zip(&counts).filter(|(_, count)| **count > 0) {
            let (value, times) = (i64::from(number), i64::from(count));
            all.count += count as usize;
            all.plain += value * times;
            all.squares += value * value * times;
            numbers.push(number);
            below.push(all);
        }
        Self { numbers, below }
    }

    /// Each number that occurs, ascending.
    pub fn numbers(&self) -> &[u16] {
        &self.numbers
    }

    /// How many samples there are.
    pub fn count(&self) -> usize {
        self.below.last().map_or(0, |all| all.count)
    }

    /// How many samples are below `limit`.
    pub fn below(&self, limit: f64) -> usize {
        let numbers = self
            .numbers
            .partition_point(|&number| f64::from(number) < limit);
        self.below.get(numbers).map_or(0, |below| below.count)
    }

    /// The samples clipped around their median at `limit` standard deviations, as
    /// [`clipped`](super::clipped) does it; nothing where there are none.
    pub fn clipped(&self, limit: f64, rounds: u32) -> Option<Clip> {
        let mut kept = 0..self.numbers.len();
        let mut clip = self.describe(&kept)?;
        for _ in 0..rounds {
            let (lower, upper) = (clip.median - limit * clip.sd, clip.median + limit * clip.sd);
            let numbers = &self.numbers[kept.clone()];
            let start = numbers.partition_point(|&number| f64::from(number) < lower);
            let end = numbers.partition_point(|&number| f64::from(number) <= upper);
            if start >= end || end - start == kept.len() {
                break;
            }
            kept = kept.start + start..kept.start + end;
            clip = self.describe(&kept)?;
        }
        let below = self.below[kept.start].count;
        Some(Clip { below, ..clip })
    }

    /// Describes the samples that are one of these numbers.
    fn describe(&self, kept: &Range<usize>) -> Option<Clip> {
        if kept.is_empty() {
            return None;
        }
        let (first, last) = (self.below[kept.start], self.below[kept.end]);
        let count = last.count - first.count;
        let [lower, upper] = [(count - 1) / 2, count / 2].map(|rank| self.at(first.count + rank));
        // Twice a median is a whole number.
        let twice = i64::from(lower) + i64::from(upper);
        let (plain, squares) = (last.plain - first.plain, last.squares - first.squares);
        let times = count as i64;
        let away = 2 * plain - twice * times;
        let squares = 4 * (squares - twice * plain) + twice * twice * times;
        let (sum, squares) = (away as f64 / 2.0, squares as f64 / 4.0);
        Some(Clip::of_sums(count, twice as f64 / 2.0, sum, squares))
    }

    /// The sample with so many before it in ascending order.
    fn at(&self, rank: usize) -> u16 {
        let upto = self.below[1..].partition_point(|upto| upto.count <= rank);
        self.numbers[upto]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::combine::clipped_sorted;

    #[test]
    fn says_what_sorted_samples_say() {
        let mut state = 9_u64;
        let mut below = |end: u64| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 33) % end
        };
        for round in 0..2000 {
            let count = if round % 50 == 0 { 20_000 } else { below(60) };
            let (width, level) = (1 + below(300), below(65_000));
            let mut samples: Vec<u16> = (0..count)
                .map(|_| match below(40) {
                    0 => below(65_536) as u16,
                    1 => 65_535,
                    _ => (level + below(width) + below(width)).min(65_535) as u16,
                })
                .collect();
            let counted = Counted::of(&samples);
            samples.sort_unstable();
            for (limit, rounds) in [(4.0, 20), (2.0, 20), (1.0, 3), (3.0, 0)] {
                let wanted = clipped_sorted(&samples, limit, rounds);
                assert_eq!(counted.clipped(limit, rounds), wanted, "{samples:?}");
            }
            let limit = f64::from(below(65_600) as u32) + 0.5 * below(2) as f64;
            let lower = samples.partition_point(|&sample| f64::from(sample) < limit);
            assert_eq!(
                (counted.below(limit), counted.count()),
                (lower, samples.len())
            );
            samples.dedup();
            assert_eq!(counted.numbers(), samples);
        }
    }

    /// 2^29 samples would be too many for a test: the extremes of 2^20 leave nine bits.
    #[test]
    fn sums_of_the_extremes_are_exact() {
        let mut samples = vec![0_u16; 1 << 19];
        samples.extend(vec![u16::MAX; 1 << 19]);
        let clip = Counted::of(&samples).clipped(3.0, 20);
        assert_eq!(clip, clipped_sorted(&samples, 3.0, 20));
        assert_eq!(
            clip.map(|clip| (clip.mean, clip.sd)),
            Some((32_767.5, 32_767.5))
        );
    }
}
