//! Rice coding of integer rows, as FITS tiles hold them.
//!
//! Each pixel's difference to the one before it is folded to a number from 0 and coded in blocks:
//! its upper bits in unary, its lower ones as they are. How many bits count as lower is chosen for
//! each block by its mean. Nothing is lost, whatever the pixels.
//!
//! FITS Standard 4.0, section 10.4.1; the choice by the mean: R. Rice, P.-S. Yeh, W. Miller 1993,
//! AIAA 93-4541.

/// Pixels that share a choice: BLOCKSIZE of the convention.
pub(super) const BLOCK: usize = 32;

/// An unsigned sample and its parameters in the convention.
pub(super) trait Pixel: Copy {
    /// Bits of a sample.
    const BITS: u32;
    /// Bits of a block's code.
    const CODE: u32;

    /// The number as it is stored, in the lower bits.
    fn stored(self) -> u32;
}

impl Pixel for u8 {
    const BITS: u32 = 8;
    const CODE: u32 = 3;

    fn stored(self) -> u32 {
        self.into()
    }
}

impl Pixel for u16 {
    const BITS: u32 = 16;
    const CODE: u32 = 4;

    /// With BZERO 32768 taken off: a signed number whose sign is the upper bit turned over.
    fn stored(self) -> u32 {
        (self ^ 0x8000).into()
    }
}

/// Appends the code of one row.
pub(super) fn encode<T: Pixel>(row: &[T], out: &mut Vec<u8>) {
    let Some(first) = row.first() else {
        return;
    };
    let mut bits = Bits {
        out,
        held: 0,
        count: 0,
    };
    bits.push(first.stored(), T::BITS);
    // Codes: 0 is "all differences are 0", the largest is "as they are", n + 1 is "n lower bits".
    let plain = (1 << T::CODE) - 1;
    let mut last = first.stored();
    for block in row.chunks(BLOCK) {
        let mut folded = [0_u32; BLOCK];
        for (folded, pixel) in folded.iter_mut().zip(block) {
            let next = pixel.stored();
            *folded = fold::<T>(next.wrapping_sub(last));
            last = next;
        }
        let folded = &folded[..block.len()];
        let sum: u32 = folded.iter().sum();
        let count = block.len() as u32;
        let mean = sum.saturating_sub(count / 2 + 1) / count;
        let lower = u32::BITS - (mean / 2).leading_zeros();
        if sum == 0 {
            bits.push(0, T::CODE);
        } else if lower + 1 >= plain {
            bits.push(plain, T::CODE);
            folded.iter().for_each(|&value| bits.push(value, T::BITS));
        } else {
            bits.push(lower + 1, T::CODE);
            for &value in folded {
                bits.zeros(value >> lower);
                // The 1 that ends the zeros, then the lower bits.
                bits.push(1 << lower | value & ((1 << lower) - 1), lower + 1);
            }
        }
    }
    bits.finish();
}

/// A difference modulo the sample's range as a number from 0: 0, -1, 1, -2, 2 become 0 to 4.
fn fold<T: Pixel>(difference: u32) -> u32 {
    let unused = u32::BITS - T::BITS;
    let signed = (difference << unused).cast_signed() >> unused;
    ((signed << 1) ^ (signed >> 31)).cast_unsigned()
}

/// Bits on their way into bytes, the highest first.
struct Bits<'a> {
    out: &'a mut Vec<u8>,
    /// The last bits pushed, of which `count` are not in `out` yet.
    held: u64,
    count: u32,
}

impl Bits<'_> {
    /// The lower `count` bits of `value`, which has no others; 32 at most.
    fn push(&mut self, value: u32, count: u32) {
        self.held = self.held << count | u64::from(value);
        self.count += count;
        while self.count >= 8 {
            self.count -= 8;
            self.out.push((self.held >> self.count) as u8);
        }
    }

    fn zeros(&mut self, mut count: u32) {
        while count > 0 {
            let some = count.min(u32::BITS);
            self.push(0, some);
            count -= some;
        }
    }

    fn finish(mut self) {
        let open = self.count.next_multiple_of(8) - self.count;
        self.push(0, open);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn code<T: Pixel>(row: &[T]) -> Vec<u8> {
        let mut out = Vec::new();
        encode(row, &mut out);
        out
    }

    /// Coded by hand from the text of the standard. Whole rows are checked by CFITSIO's decoder in
    /// `tests/fits`.
    #[test]
    fn small_rows_by_hand() {
        assert_eq!(code::<u8>(&[]), [0; 0]);
        // 00000101, code 000.
        assert_eq!(code(&[5_u8, 5, 5]), [0b0000_0101, 0]);
        // Differences 0, 1, -1 fold to 0, 2, 1: mean (3 - 2)/3 = 0, so no lower bits, code 001,
        // then 1, 001, 01.
        assert_eq!(code(&[5_u8, 6, 5]), [0b0000_0101, 0b0011_0010, 0b1000_0000]);
        // Stored 0x8005; differences 0, 8 fold to 0, 16: mean (16 - 2)/2 = 7, so two lower bits,
        // code 0011, then 1 00, 00001 00.
        let wide = [0x80, 0x05, 0b0011_1000, 0b0001_0000];
        assert_eq!(code(&[5_u16, 13]), wide);
    }

    #[test]
    fn differences_turn_over_at_the_range() {
        assert_eq!(fold::<u8>(255_u32), 1);
        assert_eq!(fold::<u8>(0_u32.wrapping_sub(255)), 2);
        assert_eq!(fold::<u16>(0x8000), 0xffff);
        // 0 to 128 folds to 255: six lower bits would do no better than the numbers themselves.
        assert_eq!(
            code(&[0_u8, 128]),
            [0, 0b1110_0000, 0b0001_1111, 0b1110_0000]
        );
    }
}
