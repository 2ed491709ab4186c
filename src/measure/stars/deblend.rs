//! Parts a group of bright pixels into stars.
//!
//! The group is flooded from its summits downwards: a pixel joins the summit that its brighter
//! neighbours belong to. Where two summits meet, the lower one stays a star of its own if it rises
//! far enough above the pass between them (the persistence of a peak), else it is noise or structure
//! on the higher one's flank.
//!
//! The mesh of the background is too coarse for nebulae, whose brightness would pass for stars'. So each
//! summit is compared with a ring around it: what has no summit above its ring is no star, and a star's
//! figures count from there. A level that noise could make counts as none.

use std::collections::HashMap;

use super::detect::{Bright, Kernel, Run, THRESHOLD};
use super::field::Field;
use crate::combine::{MEDIAN_ERROR, median};

/// A summit counts from so far above the pass: in noise of the filtered frame, and as a part of the
/// pass's own height above what is around, since bright pixels have more noise than the background.
const RISE: (f32, f32) = (4.0, 0.1);

/// Fewer pixels are no star.
const LEAST_PIXELS: u32 = 3;

/// One of a star's pixels holds less of it than this, however narrow it is.
const SHARPEST: f32 = 0.75;

/// The ring that tells the level around a star, in widths of the filter.
const RING: (f32, f32) = (2.5, 3.5);

/// That level counts from so many of its standard errors.
const TOLD: f64 = 3.0;

/// A star as it was found.
#[derive(Clone, Copy, Debug)]
pub(super) struct Blob {
    /// Centre of its flux: column and row.
    pub(super) x: f32,
    pub(super) y: f32,
    /// Level around it, ADU above the background's mesh.
    pub(super) around: f32,
    /// Sum over its pixels above the level around it, ADU.
    pub(super) flux: f32,
    /// Highest pixel above the background's mesh, ADU.
    pub(super) peak: f32,
    /// Signal to noise by the matched filter, above the level around it.
    pub(super) significance: f32,
    /// Pixels above half of its filtered height.
    pub(super) half_pixels: u32,
    /// Pixels within 2 % of the highest.
    top_pixels: u32,
    /// It has a saturated pixel.
    pub(super) is_saturated: bool,
    /// It shares its group with others.
    pub(super) is_blended: bool,
    /// Its group is three times as long as wide.
    pub(super) is_drawn: bool,
}

impl Blob {
    /// More pixels are as bright as the highest than a star's round top has.
    pub(super) fn is_flat_topped(&self) -> bool {
        // A Gaussian has 0.029 of its half maximum's area above 98 %.
        self.top_pixels > 4 + self.half_pixels / 15
    }
}

/// The stars of a group; none of a thin one that is longer than `longest`.
pub(super) fn deblend(
    field: &Field<'_>,
    kernel: &Kernel,
    bright: &Bright,
    group: &[Run],
    longest: f32,
) -> Vec<Blob> {
    let (length, width) = extent(group);
    let is_drawn = length > 3.0 * width;
    if is_drawn && length > longest {
        return Vec::new();
    }
    let pixels = Pixels::new(bright, group);
    let labels = pixels.flood(|place| around(field, kernel, place).1);
    let mut sums: Vec<Sums> = Vec::new();
    let mut places = vec![usize::MAX; pixels.len()];
    for (at, &label) in labels.iter().enumerate() {
        let place = &mut places[label as usize];
        if *place == usize::MAX {
            *place = sums.len();
            sums.push(Sums::default());
        }
        sums[*place].height(pixels.places[at], pixels.values[at], pixels.filtered[at]);
    }
    for sums in &mut sums {
        (sums.around, sums.foot) = around(field, kernel, sums.place);
    }
    for (at, &label) in labels.iter().enumerate() {
        let (x, y) = pixels.places[at];
        let sums = &mut sums[places[label as usize]];
        sums.add(field, (x, y), pixels.values[at], pixels.filtered[at]);
    }
    let stars = sums.iter().filter(|sums| sums.is_star());
    let is_blended = stars.clone().count() > 1;
    let blob = |sums: &Sums| Blob {
        is_blended,
        is_drawn,
        ..sums.blob()
    };
    stars.map(blob).collect()
}

/// The level around a place, in ADU above the background's mesh and as a filtered value in units of its
/// noise; 0 where noise could make it.
fn around(field: &Field<'_>, kernel: &Kernel, (x, y): (u32, u32)) -> (f32, f32) {
    let (x, y) = (x as usize, y as usize);
    let noise = field.mesh.at(x, y).noise;
    let mut ring = field.ring((x, y), (RING.0 * kernel.fwhm, RING.1 * kernel.fwhm));
    // Between green photosites nothing new is measured.
    let shares = if field.light.cfa.is_some() { 2.0 } else { 1.0 };
    let least = TOLD * MEDIAN_ERROR * noise / (ring.len() as f64 / shares).sqrt();
    match median(&mut ring).filter(|&level| level > least) {
        Some(level) => (level as f32, kernel.of_level(level as f32, noise as f32)),
        None => (0.0, 0.0),
    }
}

/// Length and width of a uniform bar with the group's second moments.
fn extent(group: &[Run]) -> (f32, f32) {
    let first = group[0];
    let mut count = 0.0;
    let (mut sx, mut sy, mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for run in group {
        let pixels = run.len() as f64;
        // Columns of a run: their mean and mean square, counted from the group's first pixel.
        let x = f64::from(run.left) - f64::from(first.left) + (pixels - 1.0) / 2.0;
        let y = f64::from(run.y - first.y);
        count += pixels;
        sx += pixels * x;
        sy += pixels * y;
        xx += pixels * (x * x + (pixels * pixels - 1.0) / 12.0);
        yy += pixels * y * y;
        xy += pixels * x * y;
    }
    let (x, y) = (sx / count, sy / count);
    let (xx, yy, xy) = (xx / count - x * x, yy / count - y * y, xy / count - x * y);
    let (mean, half) = ((xx + yy) / 2.0, ((xx - yy) / 2.0).hypot(xy));
    let side = |square: f64| (12.0 * square.max(0.0) + 1.0).sqrt() as f32;
    (side(mean + half), side(mean - half))
}

#[derive(Clone, Default)]
struct Sums {
    pixels: u32,
    flux: f64,
    /// Over values above 0: their sum, and times column and row.
    weight: f64,
    x: f64,
    y: f64,
    /// Over pixels of the measured colour.
    measured: (f32, f32),
    peak: f32,
    /// Highest filtered value, and where it is.
    summit: f32,
    place: (u32, u32),
    /// Level around it: ADU, and as a filtered value.
    around: f32,
    foot: f32,
    half_pixels: u32,
    top_pixels: u32,
    is_saturated: bool,
}

impl Sums {
    fn height(&mut self, place: (u32, u32), value: f32, filtered: f32) {
        self.peak = self.peak.max(value);
        if filtered > self.summit {
            (self.summit, self.place) = (filtered, place);
        }
    }

    /// Pixels that only stand out as all around them do are no part of it.
    fn add(&mut self, field: &Field<'_>, (x, y): (u32, u32), value: f32, filtered: f32) {
        if filtered - self.foot <= THRESHOLD {
            return;
        }
        let value = value - self.around;
        self.pixels += 1;
        let weight = f64::from(value.max(0.0));
        self.flux += f64::from(value);
        self.weight += weight;
        self.x += weight * f64::from(x);
        self.y += weight * f64::from(y);
        self.half_pixels += u32::from(2.0 * filtered > self.summit + self.foot);
        self.top_pixels += u32::from(value > 0.98 * (self.peak - self.around));
        let (x, y) = (x as usize, y as usize);
        self.is_saturated |= field.is_saturated(x, y);
        if field.is_measured(x, y) {
            self.measured.0 += value.max(0.0);
            self.measured.1 = self.measured.1.max(value);
        }
    }

    /// Neither noise nor a hot pixel.
    fn is_star(&self) -> bool {
        let (sum, highest) = self.measured;
        self.pixels >= LEAST_PIXELS && highest < SHARPEST * sum
    }

    fn blob(&self) -> Blob {
        // `is_star`: some values are above 0.
        Blob {
            x: (self.x / self.weight) as f32,
            y: (self.y / self.weight) as f32,
            around: self.around,
            flux: self.flux as f32,
            peak: self.peak,
            significance: self.summit - self.foot,
            half_pixels: self.half_pixels,
            top_pixels: self.top_pixels,
            is_saturated: self.is_saturated,
            is_blended: false,
            is_drawn: false,
        }
    }
}

/// The pixels of a group, by row and column.
struct Pixels<'a> {
    group: &'a [Run],
    /// Where each run's pixels begin here.
    starts: Vec<usize>,
    /// Where each row's runs begin, and their end.
    rows: Vec<usize>,
    places: Vec<(u32, u32)>,
    filtered: Vec<f32>,
    values: Vec<f32>,
}

impl<'a> Pixels<'a> {
    fn new(bright: &Bright, group: &'a [Run]) -> Self {
        let count = group.iter().map(Run::len).sum();
        let mut pixels = Self {
            group,
            starts: Vec::with_capacity(group.len()),
            rows: Vec::new(),
            places: Vec::with_capacity(count),
            filtered: Vec::with_capacity(count),
            values: Vec::with_capacity(count),
        };
        for (index, run) in group.iter().enumerate() {
            if index == 0 || group[index - 1].y != run.y {
                pixels.rows.push(index);
            }
            pixels.starts.push(pixels.places.len());
            pixels
                .places
                .extend((run.left..run.right).map(|x| (x, run.y)));
            pixels.filtered.extend(&bright.filtered[run.pixels()]);
            pixels.values.extend(&bright.values[run.pixels()]);
        }
        pixels.rows.push(group.len());
        pixels
    }

    fn len(&self) -> usize {
        self.places.len()
    }

    /// Those of the up to eight neighbours that belong to the group.
    fn beside(&self, at: usize, found: &mut Vec<usize>) {
        found.clear();
        let (x, y) = self.places[at];
        let top = self.group[0].y;
        for row in y.saturating_sub(1).max(top)..=y + 1 {
            let Some(&[from, to]) = self
                .rows
                .windows(2)
                .nth((row - top) as usize)
                .and_then(|w| w.first_chunk())
            else {
                continue;
            };
            let runs = &self.group[from..to];
            let first = runs.partition_point(|run| run.right < x);
            for (run, start) in runs[first..].iter().zip(&self.starts[from + first..to]) {
                if run.left > x + 1 {
                    break;
                }
                let columns = run.left.max(x.saturating_sub(1))..run.right.min(x + 2);
                found.extend(columns.map(|x| start + (x - run.left) as usize));
            }
        }
    }

    /// Each pixel's summit, as the number of some pixel.
    /// `foot` tells the level around a place as a filtered value.
    fn flood(&self, foot: impl Fn((u32, u32)) -> f32) -> Vec<u32> {
        const DRY: u32 = u32::MAX;
        let mut order: Vec<u32> = (0..self.len() as u32).collect();
        order.sort_unstable_by(|&a, &b| {
            let height = |at: u32| self.filtered[at as usize];
            height(b).total_cmp(&height(a)).then(a.cmp(&b))
        });
        // A summit's parent is itself or the summit that it was joined to.
        let mut parents = vec![DRY; self.len()];
        let root = |parents: &[u32], mut at: u32| {
            while parents[at as usize] != at {
                at = parents[at as usize];
            }
            at
        };
        // Of summits that were asked for.
        let mut feet: HashMap<u32, f32> = HashMap::new();
        let mut beside = Vec::with_capacity(9);
        let mut roots: Vec<u32> = Vec::with_capacity(8);
        for &at in &order {
            self.beside(at as usize, &mut beside);
            roots.clear();
            for &near in beside.iter().filter(|&&near| parents[near] != DRY) {
                let root = root(&parents, near as u32);
                if !roots.contains(&root) {
                    roots.push(root);
                }
            }
            let height = |at: u32| self.filtered[at as usize];
            roots.sort_unstable_by(|&a, &b| height(b).total_cmp(&height(a)).then(a.cmp(&b)));
            let main = roots.first().copied().unwrap_or(at);
            parents[at as usize] = main;
            let pass = height(at);
            for &lower in roots.iter().skip(1) {
                let rise = height(lower) - pass;
                let stays = rise >= RISE.0
                    && (rise >= RISE.1 * pass || {
                        let place = self.places[lower as usize];
                        let foot = *feet.entry(lower).or_insert_with(|| foot(place));
                        rise >= RISE.1 * (pass - foot)
                    });
                if !stays {
                    parents[lower as usize] = main;
                }
            }
        }
        (0..self.len() as u32)
            .map(|at| root(&parents, at))
            .collect()
    }
}
