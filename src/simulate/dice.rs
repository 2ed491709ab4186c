//! Random numbers that are the same on every machine.
//!
//! A stream is a key and a counter; its n-th word is the SplitMix64 output function (Steele, Lea
//! and Flood 2014) of `key + n * golden ratio`. The key comes from the scenario's seed and a few
//! words that say what the stream is for, so no frame's noise depends on which frames were
//! rendered before it.

use super::exact::{exp, ln};

const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

/// SplitMix64's finalizer: every input bit reaches every output bit.
pub(super) const fn mix(word: u64) -> u64 {
    let word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    word ^ (word >> 31)
}

/// One stream of random numbers.
pub(super) struct Dice {
    key: u64,
    rolled: u64,
    spare: Option<f64>,
}

impl Dice {
    /// The stream for this purpose.
    pub(super) fn new(seed: u64, purpose: &[&str]) -> Self {
        let mut key = mix(seed.wrapping_add(GOLDEN));
        for word in purpose {
            for &byte in word.as_bytes() {
                key = mix(key ^ u64::from(byte)).wrapping_add(GOLDEN);
            }
            // No byte of a text is 0x1ff, so ["ab", "c"] and ["a", "bc"] differ.
            key = mix(key ^ 0x1ff).wrapping_add(GOLDEN);
        }
        Self {
            key,
            rolled: 0,
            spare: None,
        }
    }

    /// 64 random bits.
    pub(super) fn word(&mut self) -> u64 {
        self.rolled = self.rolled.wrapping_add(1);
        mix(self.key.wrapping_add(self.rolled.wrapping_mul(GOLDEN)))
    }

    /// Evenly between 0 and 1, neither included.
    pub(super) fn unit(&mut self) -> f64 {
        ((self.word() >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
    }

    /// Evenly between two numbers.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Normal, mean 0, standard deviation 1: the polar method (Marsaglia and Bray 1964).
    pub(super) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let x = self.between(-1.0, 1.0);
            let y = self.between(-1.0, 1.0);
            let square = x * x + y * y;
            if square > 0.0 && square < 1.0 {
                let scale = (-2.0 * ln(square) / square).sqrt();
                self.spare = Some(y * scale);
                return x * scale;
            }
        }
    }

    /// Poisson with this mean: by inversion below 30, above it the nearest whole number to a
    /// normal with the same mean and variance, whose skewness (under 0.18 there) is left out.
    pub(super) fn poisson(&mut self, mean: f64) -> f64 {
        if mean <= 0.0 {
            return 0.0;
        }
        if mean >= 30.0 {
            return (mean + mean.sqrt() * self.normal()).round().max(0.0);
        }
        let roll = self.unit();
        let mut probability = exp(-mean);
        let mut reached = probability;
        let mut count = 0.0;
        while roll > reached && count < 200.0 {
            count += 1.0;
            probability *= mean / count;
            reached += probability;
        }
        count
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moments(mut roll: impl FnMut() -> f64) -> (f64, f64) {
        let values: Vec<f64> = (0..100_000).map(|_| roll()).collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let variance = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>();
        (mean, variance / values.len() as f64)
    }

    #[test]
    fn moments_are_those_of_the_distributions() {
        let mut dice = Dice::new(1, &["moments"]);
        let (mean, variance) = moments(|| dice.normal());
        assert!(
            mean.abs() < 0.015 && (variance - 1.0).abs() < 0.02,
            "{mean} {variance}"
        );
        let (mean, variance) = moments(|| dice.unit());
        assert!((mean - 0.5).abs() < 0.005 && (variance - 1.0 / 12.0).abs() < 0.002);
        for want in [0.05, 1.3, 29.9, 30.1, 4000.0] {
            let (mean, variance) = moments(|| dice.poisson(want));
            assert!((mean / want - 1.0).abs() < 0.06, "{want}: mean {mean}");
            assert!(
                (variance / want - 1.0).abs() < 0.06,
                "{want}: variance {variance}"
            );
        }
    }

    #[test]
    fn streams_are_fixed_and_apart() {
        // The first outputs of SplitMix64 from seed 0, as published with the generator.
        assert_eq!(mix(GOLDEN), 0xe220_a839_7b1d_cdaf);
        let first = |purpose: &[&str]| Dice::new(7, purpose).word();
        assert_eq!(first(&["a", "b"]), first(&["a", "b"]));
        assert_ne!(first(&["ab", "c"]), first(&["a", "bc"]));
        assert_ne!(first(&["a"]), Dice::new(8, &["a"]).word());
    }
}
