//! A sorting network over N exposures, applied to many pixels side by side.
//!
//! The order of comparisons does not depend on the data, so a chunk of pixels goes through it in
//! lockstep, one minimum and one maximum per comparison, which the compiler turns into vector
//! instructions.

use super::chunk::Row;

/// Rows to be put in order one pair after the other: `(i, j)`, i < j, the lesser to i.
pub(super) type Pairs = [(u32, u32)];

/// Batcher's merge exchange sort for any number of inputs (Knuth, The Art of Computer Programming,
/// vol. 3, 5.2.2, algorithm M): pairs `(i, j)`, i < j, to be put in order one after the other.
pub(super) fn merge_exchange(count: usize) -> Vec<(u32, u32)> {
    let mut pairs = Vec::new();
    if count < 2 {
        return pairs;
    }
    let top = count.next_power_of_two() / 2;
    let mut p = top;
    while p > 0 {
        let (mut q, mut r, mut d) = (top, 0, p);
        loop {
            for i in 0..count - d {
                if i & p == r {
                    pairs.push((i as u32, (i + d) as u32));
                }
            }
            if q == p {
                break;
            }
            d = q - p;
            q /= 2;
            r = p;
        }
        p /= 2;
    }
    pairs
}

/// What is left of a network where only the `wanted` rows need be right.
pub(super) fn pruned(pairs: &Pairs, wanted: &[usize]) -> Vec<(u32, u32)> {
    let rows = pairs.iter().map(|&(_, j)| j as usize + 1).max();
    let mut needed = vec![false; rows.unwrap_or(0)];
    for &row in wanted {
        if let Some(needed) = needed.get_mut(row) {
            *needed = true;
        }
    }
    let mut kept = Vec::with_capacity(pairs.len());
    for &(i, j) in pairs.iter().rev() {
        if needed[i as usize] || needed[j as usize] {
            needed[i as usize] = true;
            needed[j as usize] = true;
            kept.push((i, j));
        }
    }
    kept.reverse();
    kept
}

/// A sample that has a minimum and a maximum.
pub(super) trait Ordered: Copy {
    fn lesser(self, other: Self) -> Self;
    fn greater(self, other: Self) -> Self;
}

macro_rules! ordered {
    ($integer:ident) => {
        impl Ordered for $integer {
            #[inline(always)]
            fn lesser(self, other: Self) -> Self {
                self.min(other)
            }

            #[inline(always)]
            fn greater(self, other: Self) -> Self {
                self.max(other)
            }
        }
    };
}

ordered!(i16);
ordered!(i32);

impl Ordered for f32 {
    // Written so that one comparison decides both: equal values, zeros of either sign among them,
    // are exchanged or left, never doubled.
    #[inline(always)]
    fn lesser(self, other: Self) -> Self {
        if self < other { self } else { other }
    }

    #[inline(always)]
    fn greater(self, other: Self) -> Self {
        if self < other { other } else { self }
    }
}

/// Puts the rows in order by a network, lane by lane.
#[inline(always)]
pub(super) fn sort<T: Ordered, const LANES: usize>(pairs: &Pairs, rows: &mut [Row<T, LANES>]) {
    for &(i, j) in pairs {
        let (head, tail) = rows.split_at_mut(j as usize);
        exchange(&mut head[i as usize], &mut tail[0]);
    }
}

/// The lesser of each lane to the one row, the greater to the other. A function, since its two
/// arguments are known not to overlap.
#[inline(always)]
fn exchange<T: Ordered, const LANES: usize>(upper: &mut Row<T, LANES>, lower: &mut Row<T, LANES>) {
    for lane in 0..LANES {
        let (x, y) = (upper.0[lane], lower.0[lane]);
        upper.0[lane] = x.lesser(y);
        lower.0[lane] = x.greater(y);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn is_sorted(rows: &[Row<i16, 1>]) -> bool {
        rows.iter().map(|row| row.0[0]).is_sorted()
    }

    #[test]
    fn a_pruned_network_gets_the_wanted_rows_right() {
        for count in 1..=13 {
            let whole = merge_exchange(count);
            let wanted = [0, (count - 1) / 2, count / 2, count - 1];
            let pairs = pruned(&whole, &wanted);
            for bits in 0u32..1 << count {
                let mut rows: Vec<Row<i16, 1>> =
                    (0..count).map(|i| Row([(bits >> i & 1) as i16])).collect();
                sort(&pairs, &mut rows);
                let zeros = count - bits.count_ones() as usize;
                for at in wanted {
                    assert_eq!(
                        rows[at].0[0],
                        i16::from(at >= zeros),
                        "{count} inputs, {bits:b}"
                    );
                }
            }
        }
    }

    /// The zero-one principle (Knuth, 5.3.4, theorem Z): a network that sorts all vectors of
    /// zeros and ones sorts everything.
    #[test]
    fn sorts_every_vector_of_zeros_and_ones() {
        for count in 0..=16 {
            let pairs = merge_exchange(count);
            for bits in 0u32..1 << count {
                let mut rows: Vec<Row<i16, 1>> =
                    (0..count).map(|i| Row([(bits >> i & 1) as i16])).collect();
                sort(&pairs, &mut rows);
                assert!(is_sorted(&rows), "{count} inputs, {bits:b}");
            }
        }
    }

    #[test]
    fn sorts_all_step_vectors_of_larger_counts() {
        for count in [17, 31, 32, 33, 40, 63, 64, 65, 100, 255] {
            let pairs = merge_exchange(count);
            for start in 0..count {
                for ones in 0..=count {
                    let mut rows: Vec<Row<i16, 1>> = (0..count)
                        .map(|i| Row([i16::from((i * 7 + start) % count < ones)]))
                        .collect();
                    sort(&pairs, &mut rows);
                    assert!(is_sorted(&rows), "{count} inputs");
                }
            }
        }
    }
}
