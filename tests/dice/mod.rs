//! A small generator with a fixed seed, for tests and benches: the same numbers on every machine.

#![allow(dead_code, reason = "not every test needs all of it")]

/// Marsaglia's xorshift64*. The state is its seed and must not be 0.
pub struct Dice(pub u64);

impl Dice {
    /// From 0 to 1, without 1.
    pub fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// From `low` to `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Of mean 0 and variance 1, by the method of Box and Muller.
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}
