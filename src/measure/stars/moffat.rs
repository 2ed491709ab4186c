//! Fits an elliptical Moffat profile, integrated over the pixels, to a star.
//!
//! The profile (Moffat 1969, A&A 3, 455) is written as I = A (1 + g q)^(-1/g) with
//! q = p dx^2 + 2 r dx dy + s dy^2. The usual exponent beta is 1/g, and g towards 0 is the Gaussian
//! exp(-q), so that a fit of either stays well behaved. Half of the height lies at
//! q = (2^g - 1)/g. Least squares by the method of Levenberg and Marquardt (Marquardt 1963, J. SIAM
//! 11, 431).

/// Parameters: height, column, row, p, r, s, g, background.
const COUNT: usize = 8;

/// What g may be: from nearly a Gaussian to beta 1.5, below which a star's flux has no end.
const G: (f64, f64) = (0.02, 0.65);

/// Steps; most fits take under ten.
const STEPS: u32 = 30;

/// A pixel of a star.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) value: f64,
}

/// A fitted profile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Moffat {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) height: f64,
    pub(super) background: f64,
    /// 1 / beta.
    pub(super) g: f64,
    /// Full widths at half maximum along the long and the short axis.
    pub(super) long: f64,
    pub(super) short: f64,
    /// Direction of the long axis from the columns' towards the rows', radians, 0 to pi.
    pub(super) angle: f64,
}

impl Moffat {
    /// Geometric mean of both widths.
    pub(super) fn fwhm(&self) -> f64 {
        (self.long * self.short).sqrt()
    }

    /// Diameter of the circle that holds half of a round profile's flux.
    pub(super) fn half_flux(&self) -> f64 {
        let q = (2f64.powf(self.g / (1.0 - self.g)) - 1.0) / self.g;
        self.fwhm() * (q / half_height(self.g)).sqrt()
    }

    /// The part of a round profile's flux that lies beyond a radius.
    pub(super) fn beyond(&self, radius: f64) -> f64 {
        let half = self.fwhm() / 2.0;
        let q = half_height(self.g) * (radius / half).powi(2);
        (1.0 + self.g * q).powf(1.0 - 1.0 / self.g)
    }

    /// How far from its centre a round profile falls below a part of its height.
    pub(super) fn reach(&self, part: f64) -> f64 {
        let q = (part.powf(-self.g) - 1.0) / self.g;
        self.fwhm() / 2.0 * (q / half_height(self.g)).sqrt()
    }
}

/// Where the profile is half its height.
fn half_height(g: f64) -> f64 {
    (2f64.powf(g) - 1.0) / g
}

/// The sum of squares falls by less than this part in a step: the fit has settled, or has nearly
/// when no steps are left.
const SETTLED: f64 = 1e-7;
const NEARLY: f64 = 1e-2;

/// Fits a star that was found at `place` with about this width and height. Nothing where the fit
/// does not settle or runs away.
pub(super) fn fit(samples: &[Sample], place: (f64, f64), fwhm: f64, height: f64) -> Option<Moffat> {
    if samples.len() < 2 * COUNT {
        return None;
    }
    let g = 0.3;
    let round = half_height(g) / (fwhm / 2.0).powi(2);
    let mut at = [height, place.0, place.1, round, 0.0, round, g, 0.0];
    let mut normal = Normal::of(samples, &at, fwhm);
    let mut damping = 1e-3;
    let (mut settled, mut nearly) = (false, false);
    for _ in 0..STEPS {
        let Some(next) = normal.step(damping).and_then(|step| moved(&at, &step)) else {
            damping *= 10.0;
            if damping > 1e8 {
                return None;
            }
            continue;
        };
        let trial = Normal::of(samples, &next, fwhm);
        if trial.squares > normal.squares || !trial.squares.is_finite() {
            // Nothing to be gained near here.
            if damping > 1e6 {
                settled = true;
                break;
            }
            damping *= 10.0;
            continue;
        }
        let gained = normal.squares - trial.squares;
        settled = gained < SETTLED * normal.squares;
        // A star drawn out by bad guiding is no Moffat: it settles slowly, and is good enough.
        nearly = gained < NEARLY * normal.squares;
        (at, normal) = (next, trial);
        damping = f64::max(damping / 10.0, 1e-9);
        if settled {
            break;
        }
    }
    (settled || nearly).then(|| shape(&at))?.filter(|found| {
        let away = (found.x - place.0).hypot(found.y - place.1);
        away < fwhm && found.height > 0.0 && (0.2..5.0).contains(&(found.fwhm() / fwhm))
    })
}

/// Parameters after a step; nothing where the ellipse is none.
fn moved(at: &[f64; COUNT], step: &[f64; COUNT]) -> Option<[f64; COUNT]> {
    let mut next = *at;
    next.iter_mut().zip(step).for_each(|(n, s)| *n += s);
    next[6] = next[6].clamp(G.0, G.1);
    let [_, _, _, p, r, s, ..] = next;
    (p > 0.0 && s > 0.0 && p * s > r * r).then_some(next)
}

fn shape(at: &[f64; COUNT]) -> Option<Moffat> {
    let [height, x, y, p, r, s, g, background] = *at;
    // Eigenvalues of the form: the smaller one belongs to the long axis.
    let (mean, half) = ((p + s) / 2.0, ((p - s) / 2.0).hypot(r));
    let full = |value: f64| 2.0 * (half_height(g) / value).sqrt();
    let angle = 0.5 * f64::atan2(-r, (s - p) / 2.0);
    let found = Moffat {
        x,
        y,
        height,
        background,
        g,
        long: full(mean - half),
        short: full(mean + half),
        angle: angle.rem_euclid(std::f64::consts::PI),
    };
    (found.long.is_finite() && found.short > 0.0).then_some(found)
}

/// The normal equations at a point.
struct Normal {
    matrix: [[f64; COUNT]; COUNT],
    gradient: [f64; COUNT],
    squares: f64,
}

impl Normal {
    fn of(samples: &[Sample], at: &[f64; COUNT], fwhm: f64) -> Self {
        let mut normal = Self {
            matrix: [[0.0; COUNT]; COUNT],
            gradient: [0.0; COUNT],
            squares: 0.0,
        };
        for sample in samples {
            let mut slopes = [0.0; COUNT];
            let (dx, dy) = (sample.x - at[1], sample.y - at[2]);
            let points = points((dx * dx + dy * dy).sqrt(), fwhm);
            let mut value = at[7];
            slopes[7] = 1.0;
            for &(up, v) in points {
                for &(right, w) in points {
                    value += profile(at, dx + right, dy + up, v * w, &mut slopes);
                }
            }
            let left = sample.value - value;
            normal.squares += left * left;
            for (row, slope) in slopes.iter().enumerate() {
                normal.gradient[row] += slope * left;
                for (column, other) in slopes.iter().enumerate().take(row + 1) {
                    normal.matrix[row][column] += slope * other;
                }
            }
        }
        normal
    }

    /// Solves the damped equations by Cholesky's decomposition.
    fn step(&self, damping: f64) -> Option<[f64; COUNT]> {
        let mut lower = [[0.0; COUNT]; COUNT];
        for row in 0..COUNT {
            for column in 0..=row {
                let mut sum = self.matrix[row][column];
                if row == column {
                    sum *= 1.0 + damping;
                }
                let products = lower[row][..column].iter().zip(&lower[column]);
                sum -= products.map(|(a, b)| a * b).sum::<f64>();
                lower[row][column] = match row == column {
                    true if sum > 0.0 => sum.sqrt(),
                    true => return None,
                    false => sum / lower[column][column],
                };
            }
        }
        let mut step = self.gradient;
        for row in 0..COUNT {
            for k in 0..row {
                step[row] -= lower[row][k] * step[k];
            }
            step[row] /= lower[row][row];
        }
        for row in (0..COUNT).rev() {
            for k in row + 1..COUNT {
                step[row] -= lower[k][row] * step[k];
            }
            step[row] /= lower[row][row];
        }
        Some(step)
    }
}

/// Points along a pixel's side, from its centre, and their weights (Gauss and Legendre's
/// quadrature): more where the profile bends more.
fn points(away: f64, fwhm: f64) -> &'static [(f64, f64)] {
    const OUTER: f64 = 0.387_298_334_620_741_7;
    const INNER: f64 = 0.288_675_134_594_812_9;
    if away < fwhm && fwhm < 4.0 {
        &[(-OUTER, 5.0 / 18.0), (0.0, 8.0 / 18.0), (OUTER, 5.0 / 18.0)]
    } else if away < 2.0 * fwhm {
        &[(-INNER, 0.5), (INNER, 0.5)]
    } else {
        &[(0.0, 1.0)]
    }
}

/// The profile at a point, times a weight; its slopes are added.
fn profile(at: &[f64; COUNT], dx: f64, dy: f64, weight: f64, slopes: &mut [f64; COUNT]) -> f64 {
    let [height, _, _, p, r, s, g, _] = *at;
    let q = p * dx * dx + 2.0 * r * dx * dy + s * dy * dy;
    let u = 1.0 + g * q;
    let log = u.ln();
    let part = weight * (-log / g).exp();
    let value = height * part;
    // By q, and from there by what makes q.
    let by_q = -value / u;
    slopes[0] += part;
    slopes[1] -= by_q * 2.0 * (p * dx + r * dy);
    slopes[2] -= by_q * 2.0 * (r * dx + s * dy);
    slopes[3] += by_q * dx * dx;
    slopes[4] += by_q * 2.0 * dx * dy;
    slopes[5] += by_q * dy * dy;
    slopes[6] += value * (log / (g * g) - q / (g * u));
    value
}
