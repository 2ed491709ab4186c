//! What makes certain without sorting that no step of the generalized extreme studentized deviate test
//! ([`super::esd`]) finds an outlier: extremes, sums, and sums with the outer samples pulled in.
//!
//! Of n samples let V be the sum of squares of their distances from the mean, and e_i what step i takes off it: m
//! samples being left it is d^2 m / (m - 1), d the distance of the one that is taken out. Step i finds no outlier
//! as long as e_i <= k_i V_i, where V_i is what is left of V and k_i = f_i^2 / (m - 1).
//!
//! The first two steps take extremes or the next ones after those, so that they are known, and what is left after
//! them. From there on n, V and i are counted anew:
//!
//! - What a step takes out the step before could have taken out, and the mean has moved by d / (m - 1) since.
//!   Hence e_{i+1} <= e_i m / (m - 2). So no e_i is more than a number that follows from n and i times what the
//!   second step took off; nor is it more than W / w, W being what the first i steps take off together and w
//!   another such number. As V_i = V - W + e_i, step i finds no outlier as long as W + e_i (1 - k_i) / k_i <= V
//!   with either bound of e_i.
//! - W is at most n / (n - i) times the sum of squares of the distances of those i samples from the mean of all, by
//!   Cauchy's inequality.
//! - Let all samples beyond two bounds be pulled in to there, the mean lying between them and t away from the farther
//!   one. Then that sum of squares is at most i t^2 and what pulling in takes off the sum of squares about that mean.

#![allow(
    clippy::needless_range_loop,
    reason = "lanes go in lockstep through several arrays"
)]

use super::chunk;
use super::esd::Test;
use super::lanes::LANES;
use super::near::{Chunks, Near, pulled, whole_below};
use super::network::Ordered;
use super::strays::Flags;
use super::student::student_t;

type Row = chunk::Row<i16, LANES>;

/// Numbers that follow from the limits of a test of so many samples.
pub(super) struct Quiet {
    /// f_i^2 of the first two steps; nothing where no step is taken.
    known: Option<[f32; 2]>,
    /// Of the steps after those.
    steps: Vec<Step>,
    /// Where samples are pulled in to, in standard deviations (divisor n): any number is right, some are of more
    /// use.
    pull: f32,
}

/// One step after the second, each number a little on the safe side.
struct Step {
    /// n / (n - i).
    shift: f32,
    /// (1 - k_i) / k_i.
    weight: f32,
    /// 1 / w.
    of_all: f32,
    /// How many times what the second step took off the bound of e_i is.
    of_second: f32,
}

/// What rounding to `f32` puts a number off by is less than this part of it; one that is a difference, of n times
/// the sums of squares.
const OFF: f64 = 2e-6;

/// A limit that no sample comes near to, and whose products `f32` holds.
const NO_LIMIT: f32 = 1e20;

/// Student's t with so many degrees of freedom is a normal distribution for all that matters here.
const NEARLY_NORMAL: u32 = 100;

impl Quiet {
    /// Those of a test of `count` samples.
    pub(super) fn new(test: &mut Test, count: usize) -> Self {
        let factors = test.factors(count);
        let known = |step: usize| {
            let factor = factors.get(step);
            factor.map_or(NO_LIMIT, |factor| (factor * factor * (1.0 - OFF)) as f32)
        };
        let rest = factors.get(2..).unwrap_or_default();
        let (mut sum, mut of_second) = (0.0, 1.0);
        let mut steps = Vec::with_capacity(rest.len());
        for (step, factor) in rest.iter().enumerate() {
            let size = count as f64 - 2.0;
            let left = size - step as f64;
            // From the step before to this one.
            let growth = (left + 1.0) / (left - 1.0);
            sum = sum / growth + 1.0;
            of_second *= growth;
            let share = factor * factor / (left - 1.0);
            let safe = |number: f64| (number * (1.0 + OFF)) as f32;
            steps.push(Step {
                shift: safe(size / (left - 1.0)),
                weight: safe((1.0 - share) / share),
                of_all: safe(1.0 / sum),
                of_second: safe(of_second),
            });
        }
        // Bounds that about as many lie beyond as are taken out, of a normal distribution.
        let outside = factors.len() as f64 / count.max(1) as f64;
        Self {
            known: (!factors.is_empty()).then(|| [known(0), known(1)]),
            steps,
            pull: student_t(1.0 - outside / 2.0, NEARLY_NORMAL) as f32,
        }
    }

    /// One for lanes that may lose something, else zero; `near`, with its second extremes, is of the same chunk,
    /// which is looked at once more.
    #[inline(always)]
    pub(super) fn may_lose(&self, exposures: &Chunks, chunk: usize, near: &Near) -> Flags<LANES> {
        let mut may_lose = near.is_far;
        let Some(known) = self.known else {
            return may_lose;
        };
        let size = exposures.len();
        let [low, high] = self.bounds(near, size);
        let pulled = pulled::<false>(exposures, chunk, &near.reference, &low, &high);
        let (count, left) = (size as f32, size as f32 - 2.0);
        let mut loses = [0; LANES];
        let (mut variance, mut second) = ([0.0; LANES], [0.0; LANES]);
        let (mut each, mut outer) = ([0.0; LANES], [0.0; LANES]);
        for lane in 0..LANES {
            let (low, high) = (f32::from(low[lane]), f32::from(high[lane]));
            let (sum, squares) = (near.plain[lane] as f32, near.squares[lane] as i32 as f32);
            let (near_sum, near_squares) = (pulled.plain[lane] as f32, pulled.squares[lane] as f32);
            let off = OFF as f32 * count * (squares + near_squares);
            let mut rest = Rest {
                count,
                sum,
                squares,
                beyond: (sum - near_sum, squares - near_squares),
                least: near.least[lane].into(),
                most: near.most[lane].into(),
            };
            let first = rest.take(
                (
                    near.second_least[lane].into(),
                    near.second_most[lane].into(),
                ),
                (low, high),
            );
            // What is next after the one that is left is never looked at.
            let next = rest.take((rest.least, rest.most), (low, high));
            let room = known[0] * (first.spread - off) - first.far * first.far;
            let room = room.lesser(known[1] * (next.spread - off) - next.far * next.far);
            second[lane] = next.far * next.far / (left + 1.0);
            variance[lane] = rest.spread() - off;
            outer[lane] = left * rest.beyond.1 - 2.0 * rest.sum * rest.beyond.0 + off;
            let (below, above) = (rest.sum - left * low, left * high - rest.sum);
            let farther = below.greater(above);
            each[lane] = farther * farther / left;
            // The mean must lie between the bounds.
            loses[lane] = u32::from(room.lesser(below).lesser(above) < 0.0);
        }
        for (place, step) in self.steps.iter().enumerate() {
            let steps = place as f32 + 1.0;
            for lane in 0..LANES {
                let all = step.shift * (steps * each[lane] + outer[lane]);
                let last = (step.of_all * all).lesser(step.of_second * second[lane]);
                let left = variance[lane] - all - step.weight * last;
                // Counted, since what is stored only where something is so is stored slowly.
                loses[lane] += u32::from(left < 0.0);
            }
        }
        for lane in 0..LANES {
            may_lose[lane] |= u8::from(loses[lane] > 0);
        }
        may_lose
    }

    /// Bounds that samples of each lane are pulled in to, counted from the reference.
    #[inline(always)]
    fn bounds(&self, near: &Near, size: usize) -> [Row; 2] {
        let (count, per) = (size as f32, 1.0 / size as f32);
        let [mut low, mut high] = [chunk::Row([0; LANES]); 2];
        for lane in 0..LANES {
            let sum = near.plain[lane] as f32;
            let variance = count * (near.squares[lane] as i32 as f32) - sum * sum;
            let pull = self.pull * variance.greater(0.0).sqrt();
            let down = -whole_below((pull - sum) * per, 0.0);
            let up = whole_below((sum + pull) * per, 0.0);
            let is_near = near.is_far[lane] == 0;
            low[lane] = if is_near { down } else { 0 };
            high[lane] = if is_near { up } else { 0 };
        }
        [low, high]
    }
}

/// What is left of a lane's samples, counted from its reference.
struct Rest {
    count: f32,
    sum: f32,
    squares: f32,
    /// What pulling in takes off both.
    beyond: (f32, f32),
    least: f32,
    most: f32,
}

/// A step that was taken.
struct Taken {
    /// m times the distance from the mean.
    far: f32,
    /// m times the sum of squares about the mean.
    spread: f32,
}

impl Rest {
    #[inline(always)]
    fn spread(&self) -> f32 {
        self.count * self.squares - self.sum * self.sum
    }

    /// Takes the farther extreme out, of two that are equally far the larger; the `next` one takes its place.
    #[inline(always)]
    fn take(&mut self, next: (f32, f32), bounds: (f32, f32)) -> Taken {
        let spread = self.spread();
        let down = self.sum - self.count * self.least;
        let up = self.count * self.most - self.sum;
        let from_above = up >= down;
        let end = if from_above { self.most } else { self.least };
        self.least = if from_above { self.least } else { next.0 };
        self.most = if from_above { next.1 } else { self.most };
        let inside = end.greater(bounds.0).lesser(bounds.1);
        self.beyond.0 -= end - inside;
        self.beyond.1 -= end * end - inside * inside;
        self.sum -= end;
        self.squares -= end * end;
        self.count -= 1.0;
        Taken {
            far: up.greater(down),
            spread,
        }
    }
}
