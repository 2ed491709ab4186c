//! A sorting network over N exposures, applied to many pixels side by side.
//!
//! The order of comparisons does not depend on the data, so a chunk of pixels goes through it in
//! lockstep, one minimum and one maximum per comparison, which the compiler turns into vector
//! instructions.

/// Batcher's merge exchange sort for any number of inputs (Knuth, The Art of Computer Programming,
/// vol. 3, 5.2.2, algorithm M): pairs `(i, j)`, i < j, to be put in order one after the other.
pub(super) fn merge_exchange(count: usize) -> Vec<(usize, usize)> {
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
                    pairs.push((i, i + d));
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

/// A sample that has a minimum and a maximum.
pub(super) trait Ordered: Copy {
    fn lesser(self, other: Self) -> Self;
    fn greater(self, other: Self) -> Self;
}

impl Ordered for i16 {
    #[inline(always)]
    fn lesser(self, other: Self) -> Self {
        self.min(other)
    }

    #[inline(always)]
    fn greater(self, other: Self) -> Self {
        self.max(other)
    }
}

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

/// Sorts every lane of `rows` upwards by the network for `rows.len()` inputs.
#[inline(always)]
pub(super) fn sort<T: Ordered, const LANES: usize>(
    pairs: &[(usize, usize)],
    rows: &mut [[T; LANES]],
) {
    for &(i, j) in pairs {
        let (head, tail) = rows.split_at_mut(j);
        let (upper, lower) = (&mut head[i], &mut tail[0]);
        for (a, b) in upper.iter_mut().zip(lower.iter_mut()) {
            let (x, y) = (*a, *b);
            *a = x.lesser(y);
            *b = x.greater(y);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The zero-one principle (Knuth, 5.3.4, theorem Z): a network that sorts all vectors of
    /// zeros and ones sorts everything.
    #[test]
    fn sorts_every_vector_of_zeros_and_ones() {
        for count in 0..=16 {
            let pairs = merge_exchange(count);
            for bits in 0u32..1 << count {
                let mut rows: Vec<[i16; 1]> =
                    (0..count).map(|i| [(bits >> i & 1) as i16]).collect();
                sort(&pairs, &mut rows);
                assert!(rows.is_sorted(), "{count} inputs, {bits:b}");
            }
        }
    }

    #[test]
    fn sorts_all_step_vectors_of_larger_counts() {
        for count in [17, 31, 32, 33, 40, 63, 64, 65, 100, 255] {
            let pairs = merge_exchange(count);
            for start in 0..count {
                for ones in 0..=count {
                    let mut rows: Vec<[i16; 1]> = (0..count)
                        .map(|i| [i16::from((i * 7 + start) % count < ones)])
                        .collect();
                    sort(&pairs, &mut rows);
                    assert!(rows.is_sorted(), "{count} inputs");
                }
            }
        }
    }
}
