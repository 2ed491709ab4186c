//! A sorting network over N exposures, applied to many pixels side by side.
//!
//! The order of comparisons does not depend on the data, so a chunk of pixels goes through it in
//! lockstep, one minimum and one maximum per comparison, which the compiler turns into vector
//! instructions.
//!
//! Rows go through in blocks of eight, since storing a row costs more than comparing it. Each block is
//! sorted, and then blocks are what a network sorts: where it compares two samples, two blocks are merged,
//! the lesser half to the one, the greater half to the other. All of a merge happens in registers.
//!
//! That this sorts: of zeros and ones at most one of two blocks is mixed once they are merged. A mixed block
//! may be called zero or one until it meets another mixed one, and the one of the two that becomes pure is
//! then called what it became: merges do to these names what comparisons do to samples, so the names end in
//! order. If two mixed blocks were left they could be named one before zero, which no network leaves.

use super::chunk::Row;

/// Rows of a block: two of them fill the registers that a processor has for vectors.
pub(super) const BLOCK: usize = 8;

/// Rows that go through the network together.
pub(super) type Block<T, const LANES: usize> = [Row<T, LANES>; BLOCK];

/// A network for a number of rows.
pub(super) struct Network {
    merges: Vec<Merge>,
}

/// A pair of blocks to be merged, the lesser half of both to the first.
struct Merge {
    blocks: (u32, u32),
    halves: Halves,
}

/// What is wanted of a merge.
#[derive(Clone, Copy)]
enum Halves {
    Both,
    Lesser,
    Greater,
}

impl Network {
    /// Sorts so many rows.
    pub(super) fn whole(rows: usize) -> Self {
        let all = 0..rows.div_ceil(BLOCK);
        Self::merging(rows, all, true)
    }

    /// Puts those of so many rows in their places that are `wanted`, and leaves the others, all of them
    /// still there, in any order.
    pub(super) fn of(rows: usize, wanted: &[usize]) -> Self {
        Self::merging(rows, wanted.iter().map(|row| row / BLOCK), true)
    }

    /// Puts those of so many rows in their places that are `wanted`. The others may be lost.
    pub(super) fn only(rows: usize, wanted: &[usize]) -> Self {
        Self::merging(rows, wanted.iter().map(|row| row / BLOCK), false)
    }

    /// Gets `wanted` blocks right; all others are still there, or only what that takes.
    fn merging(rows: usize, wanted: impl Iterator<Item = usize>, all_stay: bool) -> Self {
        let pairs = merge_exchange(rows.div_ceil(BLOCK));
        let merges = pruned(&pairs, wanted).into_iter();
        let merge = |(blocks, needed)| Merge {
            blocks,
            halves: if all_stay { Halves::Both } else { needed },
        };
        Self {
            merges: merges.map(merge).collect(),
        }
    }

    /// Puts rows in order, lane by lane. Places beyond the last row hold what nothing is greater than.
    #[inline(always)]
    pub(super) fn sort<T: Ordered, const LANES: usize>(&self, blocks: &mut [Block<T, LANES>]) {
        for block in &mut *blocks {
            let rows = *block;
            sort_into(rows.each_ref().map(|row| &row.0), |value| value, block);
        }
        self.merge(blocks);
    }

    /// The same of blocks that are sorted each.
    #[inline(always)]
    pub(super) fn merge<T: Ordered, const LANES: usize>(&self, blocks: &mut [Block<T, LANES>]) {
        for &Merge {
            blocks: (i, j),
            halves,
        } in &self.merges
        {
            let (head, tail) = blocks.split_at_mut(j as usize);
            let (lesser, greater) = (&mut head[i as usize], &mut tail[0]);
            match halves {
                Halves::Both => merge_blocks::<T, LANES, true, true>(lesser, greater),
                Halves::Lesser => merge_blocks::<T, LANES, true, false>(lesser, greater),
                Halves::Greater => merge_blocks::<T, LANES, false, true>(lesser, greater),
            }
        }
    }
}

/// Compares and exchanges values by their places, one pair after the other.
macro_rules! exchange {
    ($values:ident: $($i:literal $j:literal),*) => {
        $(
            let (one, other) = ($values[$i], $values[$j]);
            $values[$i] = one.lesser(other);
            $values[$j] = one.greater(other);
        )*
    };
}

/// Batcher's merge exchange of eight, written out, since all eight shall stay in registers.
#[inline(always)]
fn sort_of_eight<T: Ordered>(mut values: [T; BLOCK]) -> [T; BLOCK] {
    exchange!(values:
        0 4, 1 5, 2 6, 3 7,
        0 2, 1 3, 4 6, 5 7, 2 4, 3 5,
        0 1, 2 3, 4 5, 6 7, 1 4, 3 6, 1 2, 3 4, 5 6);
    values
}

/// One lane of a block.
macro_rules! lane {
    ($block:ident, $lane:ident) => {
        [
            $block[0].0[$lane],
            $block[1].0[$lane],
            $block[2].0[$lane],
            $block[3].0[$lane],
            $block[4].0[$lane],
            $block[5].0[$lane],
            $block[6].0[$lane],
            $block[7].0[$lane],
        ]
    };
}

/// Lays out eight rows as a sorted block.
#[inline(always)]
pub(super) fn sort_into<S: Copy, T: Ordered, const LANES: usize>(
    rows: [&[S; LANES]; BLOCK],
    of: impl Fn(S) -> T,
    block: &mut Block<T, LANES>,
) {
    let [a, b, c, d, e, f, g, h] = rows;
    for lane in 0..LANES {
        let [a, b, c, d] = [of(a[lane]), of(b[lane]), of(c[lane]), of(d[lane])];
        let [e, f, g, h] = [of(e[lane]), of(f[lane]), of(g[lane]), of(h[lane])];
        let values = sort_of_eight([a, b, c, d, e, f, g, h]);
        for row in 0..BLOCK {
            block[row].0[lane] = values[row];
        }
    }
}

/// Batcher's odd-even merge of two sorted blocks; a half that is not wanted stays as it was. A function of
/// two arguments, since those are known not to overlap.
#[inline(always)]
fn merge_blocks<T: Ordered, const LANES: usize, const LESSER: bool, const GREATER: bool>(
    lesser: &mut Block<T, LANES>,
    greater: &mut Block<T, LANES>,
) {
    for lane in 0..LANES {
        let [a, b, c, d, e, f, g, h] = lane!(lesser, lane);
        let [i, j, k, l, m, n, o, p] = lane!(greater, lane);
        let mut values = [a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p];
        exchange!(values:
            0 8, 1 9, 2 10, 3 11, 4 12, 5 13, 6 14, 7 15,
            4 8, 5 9, 6 10, 7 11,
            2 4, 3 5, 6 8, 7 9, 10 12, 11 13,
            1 2, 3 4, 5 6, 7 8, 9 10, 11 12, 13 14);
        for row in 0..BLOCK {
            if LESSER {
                lesser[row].0[lane] = values[row];
            }
            if GREATER {
                greater[row].0[lane] = values[BLOCK + row];
            }
        }
    }
}

/// Batcher's merge exchange sort for any number of inputs (Knuth, The Art of Computer Programming,
/// vol. 3, 5.2.2, algorithm M): pairs `(i, j)`, i < j, to be put in order one after the other.
fn merge_exchange(count: usize) -> Vec<(u32, u32)> {
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

/// What is left of a network where only the `wanted` places need be right, and which of both need be so
/// after each comparison.
fn pruned(pairs: &[(u32, u32)], wanted: impl Iterator<Item = usize>) -> Vec<((u32, u32), Halves)> {
    let places = pairs.iter().map(|&(_, j)| j as usize + 1).max();
    let mut needed = vec![false; places.unwrap_or(0)];
    for place in wanted {
        if let Some(needed) = needed.get_mut(place) {
            *needed = true;
        }
    }
    let mut kept = Vec::with_capacity(pairs.len());
    for &(i, j) in pairs.iter().rev() {
        let halves = match (needed[i as usize], needed[j as usize]) {
            (false, false) => continue,
            (true, true) => Halves::Both,
            (true, false) => Halves::Lesser,
            (false, true) => Halves::Greater,
        };
        needed[i as usize] = true;
        needed[j as usize] = true;
        kept.push(((i, j), halves));
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A vector of zeros and ones after the network, its places beyond the last one cut off.
    fn through(network: &Network, bits: &[bool]) -> Vec<i16> {
        let top = || Row([i16::MAX; 1]);
        let mut blocks = vec![std::array::from_fn(|_| top()); bits.len().div_ceil(BLOCK)];
        for (row, &bit) in blocks.as_flattened_mut().iter_mut().zip(bits) {
            row.0[0] = i16::from(bit);
        }
        let mut copied = blocks.clone();
        for (block, rows) in copied.iter_mut().zip(&blocks) {
            sort_into(rows.each_ref().map(|row| &row.0), |bit: i16| bit, block);
        }
        network.merge(&mut copied);
        network.sort(&mut blocks);
        let rows = |blocks: &[Block<i16, 1>]| -> Vec<i16> {
            let rows = blocks.as_flattened().iter().take(bits.len());
            rows.map(|row| row.0[0]).collect()
        };
        assert_eq!(rows(&blocks), rows(&copied));
        rows(&blocks)
    }

    fn all_bits(count: usize) -> impl Iterator<Item = Vec<bool>> {
        (0u32..1 << count).map(move |bits| (0..count).map(|i| bits >> i & 1 == 1).collect())
    }

    #[test]
    fn a_pruned_network_gets_the_wanted_rows_right() {
        for count in 1..=17 {
            let wanted = [0, (count - 1) / 2, count / 2, count - 1];
            let network = Network::of(count, &wanted);
            for bits in all_bits(count) {
                let rows = through(&network, &bits);
                let zeros = bits.iter().filter(|bit| !**bit).count();
                for at in wanted {
                    assert_eq!(rows[at], i16::from(at >= zeros), "{count} inputs, {bits:?}");
                }
                let ones = rows.iter().filter(|row| **row == 1).count();
                assert_eq!(ones, count - zeros, "all are still there");
                let rows = through(&Network::only(count, &wanted), &bits);
                assert!(wanted.iter().all(|&at| rows[at] == i16::from(at >= zeros)));
            }
        }
    }

    /// The zero-one principle (Knuth, 5.3.4, theorem Z): a network that sorts all vectors of
    /// zeros and ones sorts everything.
    #[test]
    fn sorts_every_vector_of_zeros_and_ones() {
        for count in 0..=17 {
            let network = Network::whole(count);
            for bits in all_bits(count) {
                assert!(through(&network, &bits).is_sorted(), "{count} inputs");
            }
        }
    }

    #[test]
    fn merges_that_nobody_wants_are_left_out() {
        for count in [40, 41, 100, 257] {
            let middle = [(count - 1) / 2, count / 2];
            let whole = Network::whole(count).merges.len();
            for network in [Network::of(count, &middle), Network::only(count, &middle)] {
                assert!(network.merges.len() < whole);
                for ones in 0..=count {
                    let bits: Vec<bool> = (0..count).map(|i| i * 7 % count < ones).collect();
                    let rows = through(&network, &bits);
                    for at in middle {
                        let zeros = bits.iter().filter(|bit| !**bit).count();
                        assert_eq!(rows[at], i16::from(at >= zeros), "{count} inputs, {bits:?}");
                    }
                }
            }
        }
    }

    /// Every number of zeros in each block: all that the merges can meet.
    #[test]
    fn merges_sort_whatever_is_in_five_blocks() {
        const BLOCKS: usize = 5;
        let network = Network::whole(BLOCKS * BLOCK);
        for mut number in 0..(BLOCK + 1).pow(BLOCKS as u32) {
            let mut bits = Vec::with_capacity(BLOCKS * BLOCK);
            for _ in 0..BLOCKS {
                let zeros = number % (BLOCK + 1);
                bits.extend((0..BLOCK).map(|row| row >= zeros));
                number /= BLOCK + 1;
            }
            assert!(through(&network, &bits).is_sorted(), "{bits:?}");
        }
    }

    #[test]
    fn sorts_all_step_vectors_of_larger_counts() {
        for count in [18, 31, 32, 33, 40, 63, 64, 65, 100, 255] {
            let network = Network::whole(count);
            for start in 0..count {
                for ones in 0..=count {
                    let bits: Vec<bool> =
                        (0..count).map(|i| (i * 7 + start) % count < ones).collect();
                    assert!(through(&network, &bits).is_sorted(), "{count} inputs");
                }
            }
        }
    }
}
