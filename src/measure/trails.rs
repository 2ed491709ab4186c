//! Straight trails of satellites and aircraft.
//!
//! Squares of a few pixels that stand out of the noise, and are not a star's, vote for the lines
//! through them (the transform of Hough as Duda and Hart 1972, Commun. ACM 15, 11, write it: angle
//! and distance from the middle of the frame). A line with far more votes than its area explains is
//! fitted to its squares, and its ends are found. A trail that is fainter than the noise of a pixel
//! still shows: it is long.
//!
//! Frames with a side under [`SMALLEST`] are not searched: there a chain of stars is as long as a trail.
//! Not a trail: what is short, what has gaps as a row of stars has, what is as wide as a nebula's
//! edge, a bright star's spike, a column or row of the sensor.

use rayon::prelude::*;

use super::stars::Covered;
use crate::combine::median;
use crate::facts::Trail;

/// Side of a square, pixels.
pub(super) const SPECK: usize = 4;

/// Shorter side of a frame that is searched, pixels.
const SMALLEST: usize = 400;

/// A square stands out by so many times its noise.
const STANDS_OUT: f32 = 3.0;

/// Where around a square the frame's level is looked at: rows down and columns to the right, in squares;
/// it counts from so many times a square's noise.
const AROUND: [(isize, isize); 8] = [
    (-3, 0),
    (-2, -2),
    (-2, 2),
    (0, -3),
    (0, 3),
    (2, -2),
    (2, 2),
    (3, 0),
];
const BRIGHT_AROUND: f32 = 1.5;

/// Directions, and width of a strip of votes, pixels.
const ANGLES: usize = 360;
const STRIP: f32 = 16.0;

/// Votes beyond those that the area explains, in their standard deviation, and at least.
const VOTES: (f32, f32) = (7.0, 10.0);

/// Squares as far from a trail as this are its own; as far as from the first to the second of the
/// others they tell how many there would be without it.
const OWN: f32 = 6.0;
const BESIDE: (f32, f32) = (16.0, 28.0);

/// Shorter is no trail: pixels, and widths of a star.
const SHORTEST: (f32, f32) = (60.0, 20.0);

/// So much of a trail may be gaps, in parts of its length.
const GAPS: f32 = 0.2;

/// A star has about so many squares. A chain of them is told from a trail by this many standard
/// deviations of the number of stars on so much area.
const CLUMP: f32 = 5.0;
const CHAIN: f32 = 6.0;

/// A bright star's spikes reach no farther than this part of the frame's side, and lie with their
/// middle near the star.
const SPIKE: f32 = 0.3;

/// More are no trails but something else.
const MOST: usize = 12;

/// A square that stands out: its middle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Speck {
    x: f32,
    y: f32,
}

/// Adds the squares of a few rows, which lie `stride` values apart, the frame's columns from `first` on,
/// in units of their noise. `noise` is that of pixels along a row; that of a square is `spread` times as
/// high as that of independent ones. `sums` is scratch.
pub(super) fn squares(
    (rows, stride, first): (&[f32], usize, usize),
    (noise, spread): (&[f32], f32),
    sums: &mut Vec<f32>,
    found: &mut Vec<f32>,
) {
    sums.clear();
    sums.resize(noise.len(), 0.0);
    for row in rows.chunks(stride).take(SPECK) {
        for (sum, value) in sums.iter_mut().zip(&row[first..]) {
            *sum += value;
        }
    }
    // A square has the square root of its pixels' number times their noise.
    let scale = SPECK as f32 * spread;
    let squares = sums.chunks_exact(SPECK).zip(noise.chunks_exact(SPECK));
    found.extend(squares.map(|(values, noise)| {
        let unit = scale * noise[0];
        let sum: f32 = values.iter().sum();
        if unit > 0.0 { sum / unit } else { 0.0 }
    }));
}

/// The squares of a frame of so many columns that stand out: of the noise, and of what is around them,
/// which a nebula brightens. A trail runs through two of the eight places that are looked at.
pub(super) fn specks(squares: &[f32], width: usize) -> Vec<Speck> {
    let columns = width / SPECK;
    let rows = squares.len() / columns.max(1);
    let around = |row: usize, column: usize| {
        let mut near = Vec::with_capacity(8);
        for (down, right) in AROUND {
            let row = row.checked_add_signed(down).filter(|&row| row < rows);
            let column = column.checked_add_signed(right).filter(|&at| at < columns);
            near.extend(
                row.zip(column)
                    .map(|(row, column)| f64::from(squares[row * columns + column])),
            );
        }
        let level = median(&mut near).unwrap_or(0.0) as f32;
        if level > BRIGHT_AROUND { level } else { 0.0 }
    };
    let middle = |at: usize| (at * SPECK) as f32 + (SPECK - 1) as f32 / 2.0;
    let speck = |at: usize| {
        let (row, column) = (at / columns, at % columns);
        let stands_out = squares[at] > STANDS_OUT && squares[at] - around(row, column) > STANDS_OUT;
        stands_out.then(|| Speck {
            x: middle(column),
            y: middle(row),
        })
    };
    (0..rows * columns).filter_map(speck).collect()
}

/// What the frame around trails is like.
pub(super) struct Scene<'a> {
    pub(super) size: (usize, usize),
    /// What bright stars reach.
    pub(super) covered: &'a Covered,
    /// Places of stars so bright that they may have spikes.
    pub(super) spiky: &'a [(f32, f32)],
    /// Full width of stars, pixels.
    pub(super) fwhm: f32,
}

/// A trail on the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    /// Its middle.
    x: f32,
    y: f32,
    /// Its direction, a unit vector.
    dx: f32,
    dy: f32,
    /// Half of its length.
    half: f32,
}

impl Line {
    /// How far along the line a place lies from its middle, and how far beside it.
    fn along_beside(&self, x: f32, y: f32) -> (f32, f32) {
        let (x, y) = (x - self.x, y - self.y);
        (x * self.dx + y * self.dy, y * self.dx - x * self.dy)
    }

    /// Does a place lie on the trail, this far beside it at most?
    pub(super) fn is_near(&self, x: f32, y: f32, within: f32) -> bool {
        let (along, beside) = self.along_beside(x, y);
        along.abs() <= self.half + within && beside.abs() <= within
    }

    /// Both of its ends.
    pub(super) fn ends(&self) -> [(f32, f32); 2] {
        [-self.half, self.half].map(|at| (self.x + at * self.dx, self.y + at * self.dy))
    }

    pub(super) fn trail(&self) -> Trail {
        let angle = self.dy.atan2(self.dx).to_degrees().rem_euclid(180.0);
        Trail {
            length_px: 2.0 * self.half,
            // The remainder of a tiny negative angle rounds to 180.
            angle_deg: angle % 180.0,
        }
    }
}

/// The trails of a frame, the one with most votes first.
pub(super) fn find(specks: &[Speck], scene: &Scene<'_>) -> Vec<Line> {
    if scene.size.0.min(scene.size.1) < SMALLEST {
        return Vec::new();
    }
    let open = |speck: &Speck| !scene.covered.at(speck.x as usize, speck.y as usize);
    let mut left: Vec<Speck> = specks.iter().copied().filter(open).collect();
    let mut lines = Vec::new();
    for _ in 0..MOST {
        let Some(best) = vote(&left, scene.size) else {
            break;
        };
        let line = fit(&left, best);
        // Whatever it is, it has had its turn.
        let near = |speck: &Speck| {
            let (_, beside) = line.unwrap_or(best).along_beside(speck.x, speck.y);
            beside.abs() <= STRIP
        };
        let found = line.and_then(|line| extent(&left, line, scene));
        left.retain(|speck| !near(speck));
        lines.extend(found.filter(|line| is_trail(line, scene)));
    }
    lines
}

/// The strip with most votes beyond what its area explains; nothing where none has enough.
fn vote(specks: &[Speck], (width, height): (usize, usize)) -> Option<Line> {
    let (w, h) = (width as f32, height as f32);
    let (x, y) = ((w - 1.0) / 2.0, (h - 1.0) / 2.0);
    let reach = w.hypot(h) / 2.0;
    let strips = (2.0 * reach / STRIP) as usize + 2;
    let density = specks.len() as f32 / (w * h);
    let best = (0..ANGLES).into_par_iter().map(|number| {
        let angle = number as f32 * std::f32::consts::PI / ANGLES as f32;
        let (dy, dx) = angle.sin_cos();
        let mut votes = vec![0u32; strips];
        for speck in specks {
            let beside = (speck.y - y) * dx - (speck.x - x) * dy;
            votes[((beside + reach) / STRIP) as usize] += 1;
        }
        // Two neighbouring strips, since a trail lies anywhere across them.
        let pairs = votes.windows(2).enumerate().map(|(strip, pair)| {
            let beside = (strip + 1) as f32 * STRIP - reach;
            let line = Line {
                x: x - beside * dy,
                y: y + beside * dx,
                dx,
                dy,
                half: reach,
            };
            let chance = density * 2.0 * STRIP * inside(&line, w, h);
            let count = (pair[0] + pair[1]) as f32;
            let beyond = (count - chance) / (chance + 1.0).sqrt();
            (if count < VOTES.1 { 0.0 } else { beyond }, line)
        });
        pairs.fold(None, better)
    });
    let best: Vec<Option<(f32, Line)>> = best.collect();
    let best = best.into_iter().flatten().fold(None, better)?;
    (best.0 >= VOTES.0).then_some(best.1)
}

/// Keeps the first of the highest.
fn better(best: Option<(f32, Line)>, next: (f32, Line)) -> Option<(f32, Line)> {
    match best {
        Some(best) if best.0 >= next.0 => Some(best),
        _ => Some(next),
    }
}

/// How much of a line lies inside the frame.
fn inside(line: &Line, w: f32, h: f32) -> f32 {
    let (mut from, mut to) = (-line.half, line.half);
    for (at, step, side) in [(line.x, line.dx, w), (line.y, line.dy, h)] {
        if step.abs() > 1e-6 {
            let (a, b) = (-at / step, (side - at) / step);
            (from, to) = (from.max(a.min(b)), to.min(a.max(b)));
        } else if at < 0.0 || at > side {
            return 0.0;
        }
    }
    (to - from).max(0.0)
}

/// Draws a line to the squares near it, nearer each time: total least squares.
fn fit(specks: &[Speck], first: Line) -> Option<Line> {
    let mut line = first;
    for within in [2.0 * STRIP, STRIP, 10.0, OWN, OWN] {
        let near = specks.iter().filter(|speck| {
            let (along, beside) = line.along_beside(speck.x, speck.y);
            along.abs() <= line.half && beside.abs() <= within
        });
        let mut count = 0.0f64;
        let (mut sx, mut sy, mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for speck in near {
            let (x, y) = (f64::from(speck.x), f64::from(speck.y));
            count += 1.0;
            sx += x;
            sy += y;
            xx += x * x;
            yy += y * y;
            xy += x * y;
        }
        if count < f64::from(VOTES.1) {
            return None;
        }
        let (x, y) = (sx / count, sy / count);
        let (xx, yy, xy) = (xx / count - x * x, yy / count - y * y, xy / count - x * y);
        let angle = 0.5 * f64::atan2(2.0 * xy, xx - yy);
        line = Line {
            x: x as f32,
            y: y as f32,
            dx: angle.cos() as f32,
            dy: angle.sin() as f32,
            half: 2.0 * first.half,
        };
    }
    Some(line)
}

/// Finds where a line begins and ends: the stretch whose squares exceed most what lies beside it.
/// Nothing where it is not filled evenly or not narrow.
fn extent(specks: &[Speck], line: Line, scene: &Scene<'_>) -> Option<Line> {
    const PART: f32 = 16.0;
    let parts = (2.0 * line.half / PART) as usize + 1;
    let mut own = vec![0.0f32; parts];
    let mut others = 0.0;
    for speck in specks {
        let (along, beside) = line.along_beside(speck.x, speck.y);
        let part = ((along + line.half) / PART) as usize;
        let away = beside.abs();
        if along.abs() > line.half || part >= parts {
            continue;
        }
        if away <= OWN {
            own[part] += 1.0;
        } else if (BESIDE.0..BESIDE.1).contains(&away) {
            others += 1.0;
        }
    }
    let (w, h) = (scene.size.0 as f32, scene.size.1 as f32);
    let visible = (inside(&line, w, h) / PART).max(1.0);
    // As many as there would be without a trail, and half of what it has where it is.
    let chance = others / visible * OWN / (BESIDE.1 - BESIDE.0);
    let mut filled: Vec<f32> = own
        .iter()
        .copied()
        .filter(|&count| count > chance)
        .collect();
    filled.sort_unstable_by(f32::total_cmp);
    let usual = *filled.get(filled.len() / 2)?;
    let level = f32::midpoint(chance, usual) / 2.0;
    // The stretch with the largest sum above the level (Kadane's scan).
    let (mut sum, mut start, mut best) = (0.0f32, 0, (0.0, 0, 0));
    for (part, count) in own.iter().enumerate() {
        if sum <= 0.0 {
            (sum, start) = (0.0, part);
        }
        sum += count - level;
        if sum > best.0 {
            best = (sum, start, part + 1);
        }
    }
    let (_, from, to) = best;
    let stretch = &own[from..to];
    let count: f32 = stretch.iter().sum();
    let length = (to - from) as f32;
    // Evenly: a row of stars has gaps.
    const EIGHTHS: usize = 8;
    let full = (0..EIGHTHS).filter(|at| {
        let part = &stretch[at * stretch.len() / EIGHTHS..(at + 1) * stretch.len() / EIGHTHS];
        part.iter().sum::<f32>() >= 0.3 * count / length * part.len() as f32 && !part.is_empty()
    });
    let occupied = stretch.iter().filter(|&&count| count > 0.0).count() as f32;
    // A gap is where nothing stands out though no bright star hides it.
    let gaps = (from..to).filter(|&part| {
        let at = (part as f32 + 0.5) * PART - line.half;
        let (x, y) = (line.x + at * line.dx, line.y + at * line.dy);
        own[part] == 0.0 && !scene.covered.at(x.max(0.0) as usize, y.max(0.0) as usize)
    });
    let has_gaps = gaps.count() as f32 > GAPS * length || occupied < 0.5 * length;
    // What there would be without it comes in clumps: stars.
    let due = chance * length;
    let by_chance = CHAIN * (CLUMP * (due + 1.0)).sqrt();
    if full.count() < EIGHTHS - 1 || has_gaps || count < 3.0 * due || count - due < by_chance {
        return None;
    }
    let middle = (from + to) as f32 / 2.0 * PART - line.half;
    Some(Line {
        x: line.x + middle * line.dx,
        y: line.y + middle * line.dy,
        half: length * PART / 2.0,
        ..line
    })
}

/// Neither short, nor a spike, nor a fault of the sensor.
fn is_trail(line: &Line, scene: &Scene<'_>) -> bool {
    let shortest = SHORTEST.0.max(SHORTEST.1 * scene.fwhm);
    let side = scene.size.0.max(scene.size.1) as f32;
    let within = 2.0 * scene.fwhm + SPECK as f32;
    let is_spike = 2.0 * line.half < SPIKE * side
        && scene.spiky.iter().any(|&(x, y)| {
            let (along, beside) = line.along_beside(x, y);
            beside.abs() <= within && along.abs() <= 0.6 * line.half
        });
    // Squares of a column have one and the same middle.
    let is_column = line.dx.abs().min(line.dy.abs()) < 1e-4;
    2.0 * line.half >= shortest && !is_spike && !is_column
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    const SIZE: (usize, usize) = (2000, 1500);

    fn scene<'a>(covered: &'a Covered, spiky: &'a [(f32, f32)]) -> Scene<'a> {
        Scene {
            size: SIZE,
            covered,
            spiky,
            fwhm: 3.0,
        }
    }

    /// From one place to another, with this share filled.
    type Drawn = ((f32, f32), (f32, f32), f32);

    /// Squares of noise, and along lines.
    fn squares(noise: usize, lines: &[Drawn]) -> Vec<Speck> {
        let mut state = 9u64;
        let mut uniform = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1u64 << 24) as f32
        };
        let snap = |at: f32| (at / SPECK as f32).floor() * SPECK as f32 + 1.5;
        let mut found: Vec<Speck> = (0..noise)
            .map(|_| Speck {
                x: snap(uniform() * SIZE.0 as f32),
                y: snap(uniform() * SIZE.1 as f32),
            })
            .collect();
        for &((x, y), (to_x, to_y), share) in lines {
            let steps = ((to_x - x).hypot(to_y - y) / SPECK as f32) as usize;
            for step in 0..steps {
                if uniform() < share {
                    let part = step as f32 / steps as f32;
                    found.push(Speck {
                        x: snap(x + part * (to_x - x)),
                        y: snap(y + part * (to_y - y)),
                    });
                }
            }
        }
        found
    }

    #[test]
    fn lines_in_noise() {
        let covered = Covered::default();
        assert_eq!(find(&squares(400, &[]), &scene(&covered, &[])), []);
        assert_eq!(find(&[], &scene(&covered, &[])), []);
        let lines = [
            ((0.0, 200.0), (1999.0, 900.0), 0.9),
            ((300.0, 1400.0), (900.0, 1000.0), 0.4),
        ];
        let found = find(&squares(400, &lines), &scene(&covered, &[]));
        assert_eq!(found.len(), 2, "{found:?}");
        for (line, ((x, y), (to_x, to_y), _)) in found.iter().zip(lines) {
            let trail = line.trail();
            let length = (to_x - x).hypot(to_y - y);
            let angle = (to_y - y).atan2(to_x - x).to_degrees().rem_euclid(180.0);
            assert!(
                (trail.length_px - length).abs() < 60.0,
                "{trail:?} {length}"
            );
            assert!((trail.angle_deg - angle).abs() < 0.5, "{trail:?} {angle}");
        }
    }

    #[test]
    fn what_is_no_trail() {
        let covered = Covered::default();
        // A spike of a bright star, and the same line without one.
        let spike = squares(300, &[((800.0, 700.0), (1000.0, 760.0), 1.0)]);
        assert_eq!(find(&spike, &scene(&covered, &[(900.0, 730.0)])), []);
        assert_eq!(find(&spike, &scene(&covered, &[])).len(), 1);
        // A column.
        let column = squares(300, &[((801.0, 100.0), (801.0, 1400.0), 1.0)]);
        assert_eq!(find(&column, &scene(&covered, &[])), []);
        // A row of stars.
        let stars: Vec<_> = (0..8)
            .map(|at| {
                let (x, y) = (400.0 + 120.0 * at as f32, 300.0 + 80.0 * at as f32);
                ((x, y), (x + 14.0, y + 9.0), 1.0)
            })
            .collect();
        assert_eq!(find(&squares(300, &stars), &scene(&covered, &[])), []);
    }
}
