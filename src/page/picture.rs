//! Small pictures of planes of pixels.
//!
//! A picture is the plane averaged over square boxes and stretched so that the sky is a dark grey
//! and faint things show. Of a colour sensor, each box averages each colour by itself, and red and
//! blue are put on green's line first, so that the sky comes out grey.
//!
//! It does not know what is in the picture. Pictures are for people; nothing is measured on them.

use std::convert::Infallible;
use std::sync::atomic::{AtomicUsize, Ordering};

use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use ndarray::ArrayView2;
use rayon::prelude::*;

use crate::combine::{Level, MAD_TO_SD, mad, median};
use crate::facts::{Cfa, ChannelLine, Colour, RowOrder};

/// The longest side of a picture, about.
const SIDE: usize = 480;
/// Where the sky comes to lie between black and white.
const SKY: f64 = 0.16;
/// Black lies so many standard deviations below the sky.
const BELOW_SKY: f64 = 2.5;
/// This part of the boxes is white.
const WHITE: f64 = 0.002;
/// Defects are drawn in this colour.
const DEFECT: [u8; 3] = [230, 80, 40];

/// A picture of 8 bits per channel, row by row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// One byte per pixel in grey, three in colour.
    pub bytes: Vec<u8>,
    /// Is it in colour?
    pub coloured: bool,
}

impl Picture {
    /// The picture the right way up, where its rows came in this order. Where no header says, they
    /// stand as they are stored: the first row at the top.
    #[must_use]
    pub fn upright(mut self, order: RowOrder) -> Self {
        if order == RowOrder::BottomUp && self.height > 0 {
            let row = self.bytes.len() / self.height;
            let rows = self.bytes.chunks_exact(row.max(1)).rev();
            self.bytes = rows.flatten().copied().collect();
        }
        self
    }

    /// The picture as JPEG, quality from 1 to 100; empty for an empty picture.
    pub fn jpeg(&self, quality: u8) -> Vec<u8> {
        let mut out = Vec::new();
        let (Ok(width), Ok(height)) = (u16::try_from(self.width), u16::try_from(self.height))
        else {
            return out;
        };
        let kind = if self.coloured {
            ColorType::Rgb
        } else {
            ColorType::Luma
        };
        let mut encoder = Encoder::new(&mut out, quality.clamp(1, 100));
        // Single marked pixels must keep their colour.
        encoder.set_sampling_factor(SamplingFactor::F_1_1);
        match encoder.encode(&self.bytes, width, height, kind) {
            Ok(()) => out,
            Err(_) => Vec::new(),
        }
    }
}

/// A picture of a calibrated plane, in the order of its rows. `cfa`: that of the plane, if it has
/// one. `lines`: the channel lines of red and blue over green; a colour without one is only
/// brought to green's sky.
pub fn preview(plane: &Shrunk, cfa: Option<Cfa>, lines: &[ChannelLine]) -> Picture {
    let Some(cfa) = cfa else {
        let grey = plane.means(|_, _| true);
        let stretch = Stretch::of(&grey);
        let bytes = grey.iter().map(|&v| stretch.byte(v)).collect();
        return plane.boxes.picture(bytes, false);
    };
    let mean = |colour| plane.means(|x, y| cfa.at(x, y) == colour);
    let green = mean(Colour::Green);
    let stretch = Stretch::of(&green);
    let level = |values: &[f64]| median(&mut finite(values)).unwrap_or(0.0);
    let equalised = |colour| {
        let mut values: Vec<f64> = mean(colour);
        match lines
            .iter()
            .find(|line| line.colour == colour && line.slope > 0.0)
        {
            Some(line) => values
                .iter_mut()
                .for_each(|v| *v = (*v - line.intercept_adu) / line.slope),
            None => {
                let shift = level(&green) - level(&values);
                values.iter_mut().for_each(|v| *v += shift);
            }
        }
        values
    };
    let (red, blue) = (equalised(Colour::Red), equalised(Colour::Blue));
    let bytes = red.iter().zip(&green).zip(&blue);
    let bytes = bytes.flat_map(|((&r, &g), &b)| [r, g, b].map(|v| stretch.byte(v)));
    plane.boxes.picture(bytes.collect(), true)
}

/// A picture of a master with its flagged pixels marked; `marks` are of the plane's shape, else none
/// are shown. A box is the more marked the more of its pixels are, so that single pixels are seen and
/// many do not hide the rest.
pub fn preview_with_defects(plane: &Shrunk, cfa: Option<Cfa>, marks: &Marks) -> Picture {
    // The colours of a master differ in level only; each is brought to the same.
    let grey = match cfa {
        None => plane.means(|_, _| true),
        Some(cfa) => plane.means(|x, y| cfa.at(x, y) == Colour::Green),
    };
    let stretch = Stretch::even(&grey);
    let mut bytes: Vec<u8> = grey.iter().flat_map(|&v| [stretch.byte(v); 3]).collect();
    if marks.boxes == plane.boxes {
        for (pixel, count) in bytes.chunks_exact_mut(3).zip(marks.spread_out()) {
            if count > 0 {
                let weight = (0.7 + 0.1 * f64::from(count)).min(1.0);
                for (byte, colour) in pixel.iter_mut().zip(DEFECT) {
                    let mixed = f64::from(*byte) * (1.0 - weight) + f64::from(colour) * weight;
                    *byte = mixed.round() as u8;
                }
            }
        }
    }
    plane.boxes.picture(bytes, true)
}

/// How a plane is cut into boxes: squares of an even side, so that each holds all colours. What is
/// left over at the right and below is not shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Boxes {
    /// Columns of the plane.
    columns: usize,
    side: usize,
    width: usize,
    height: usize,
}

impl Boxes {
    fn over((rows, columns): (usize, usize)) -> Self {
        let side = rows.max(columns).div_ceil(SIDE).next_multiple_of(2).max(2);
        Self {
            columns,
            side,
            width: columns / side,
            height: rows / side,
        }
    }

    /// Works on each band of boxes by itself, with the rows that `read` puts into memory from a
    /// first one on.
    fn bands<P: Send, T: Clone + Default + Send, E: Send>(
        self,
        parts: &mut [P],
        read: impl Fn(usize, &mut [T]) -> Result<(), E> + Sync,
        work: impl Fn(&mut [P], std::slice::ChunksExact<'_, T>) + Sync,
    ) -> Result<(), E> {
        let samples = self.side * self.columns;
        // Not many are begun together: nobody takes over what a thread has begun.
        let bands = parts
            .par_chunks_exact_mut(self.width.max(1))
            .with_max_len(8);
        bands.enumerate().try_for_each_init(
            || vec![T::default(); samples],
            |rows, (band, parts)| {
                read(band * self.side, rows)?;
                work(parts, rows.chunks_exact(self.columns.max(1)));
                Ok(())
            },
        )
    }

    /// A box's sums where all its pixels are finite, from those of its columns over even rows and over odd
    /// ones. Its side is even: its even rows and columns are even ones of the plane.
    fn sums(self, columns: [&[f64]; 2]) -> Sums {
        let count = (self.side / 2).pow(2) as u32;
        columns.map(|columns| {
            let every_second = |first: usize| columns.iter().skip(first).step_by(2).sum();
            [0, 1].map(|first| (every_second(first), count))
        })
    }

    fn picture(self, bytes: Vec<u8>, coloured: bool) -> Picture {
        Picture {
            width: self.width,
            height: self.height,
            bytes,
            coloured,
        }
    }
}

/// Sum and number of a box's finite pixels, by row and column within squares of two by two.
type Sums = [[(f64, u32); 2]; 2];

/// A box's sums where some of its pixels are not finite.
fn finite_sums<'a>(rows: impl Iterator<Item = &'a [f32]>) -> Sums {
    let mut sums = Sums::default();
    for (y, row) in rows.enumerate() {
        for (x, value) in row
            .iter()
            .enumerate()
            .filter(|(_, value)| value.is_finite())
        {
            let (sum, count) = &mut sums[y % 2][x % 2];
            *sum += f64::from(*value);
            *count += 1;
        }
    }
    sums
}

/// A plane averaged over boxes.
pub struct Shrunk {
    boxes: Boxes,
    sums: Vec<Sums>,
}

impl Shrunk {
    /// Of a plane of (rows, columns), read row by row: `read` fills its slice with whole rows from the
    /// given one on. It is called from several threads.
    ///
    /// # Errors
    /// Those of `read`.
    pub fn read<E: Send>(
        shape: (usize, usize),
        read: impl Fn(usize, &mut [f32]) -> Result<(), E> + Sync,
    ) -> Result<Self, E> {
        let boxes = Boxes::over(shape);
        let mut sums = vec![Sums::default(); boxes.width * boxes.height];
        boxes.bands(&mut sums, read, |sums, rows| {
            let mut columns = [vec![0.0; boxes.columns], vec![0.0; boxes.columns]];
            for (y, row) in rows.clone().enumerate() {
                let columns = columns[y % 2].iter_mut().zip(row);
                Level::widest().run(|| columns.for_each(|(sum, value)| *sum += f64::from(*value)));
            }
            for (place, sums) in sums.iter_mut().enumerate() {
                let own = place * boxes.side..(place + 1) * boxes.side;
                *sums = boxes.sums(columns.each_ref().map(|sums| &sums[own.clone()]));
                // A sum of finite pixels is finite.
                if !sums.iter().flatten().all(|(sum, _)| sum.is_finite()) {
                    *sums = finite_sums(rows.clone().map(|row| &row[own.clone()]));
                }
            }
        })?;
        Ok(Self { boxes, sums })
    }

    /// Of a plane in memory.
    pub fn of(plane: ArrayView2<'_, f32>) -> Self {
        let whole = |first: usize, out: &mut [f32]| -> Result<(), Infallible> {
            let rows = plane.rows().into_iter().skip(first);
            let pixels = rows.flat_map(|row| row.into_iter().copied());
            out.iter_mut()
                .zip(pixels)
                .for_each(|(out, pixel)| *out = pixel);
            Ok(())
        };
        let Ok(shrunk) = Self::read(plane.dim(), whole);
        shrunk
    }

    /// Mean of each box over the finite pixels that `takes` (column, row); NaN where there is none.
    /// Whether a pixel is taken must repeat every two rows and columns.
    fn means(&self, takes: impl Fn(usize, usize) -> bool) -> Vec<f64> {
        let corners = [(0, 0), (1, 0), (0, 1), (1, 1)];
        let taken: Vec<_> = corners.into_iter().filter(|&(x, y)| takes(x, y)).collect();
        let mean = |sums: &Sums| {
            let parts = taken.iter().map(|&(x, y)| sums[y][x]);
            let (sum, count) = parts.fold((0.0, 0), |all, one| (all.0 + one.0, all.1 + one.1));
            sum / f64::from(count)
        };
        self.sums.iter().map(mean).collect()
    }
}

/// How many pixels of each box are marked.
pub struct Marks {
    boxes: Boxes,
    counts: Vec<u32>,
    /// Pixels of the whole plane that are marked.
    pub total: usize,
}

impl Marks {
    /// Of a plane of flags, read as in [`Shrunk::read`]; any bit of `which` marks a pixel.
    ///
    /// # Errors
    /// Those of `read`.
    pub fn read<E: Send>(
        shape: (usize, usize),
        which: u8,
        read: impl Fn(usize, &mut [u16]) -> Result<(), E> + Sync,
    ) -> Result<Self, E> {
        let boxes = Boxes::over(shape);
        let marked = |part: &[u16]| -> u32 {
            let marked = part.iter().map(|&flags| flags & u16::from(which) != 0);
            marked.map(u32::from).sum()
        };
        let mut counts = vec![0u32; boxes.width * boxes.height];
        let total = AtomicUsize::new(0);
        let add = |count: u32| total.fetch_add(count as usize, Ordering::Relaxed);
        boxes.bands(&mut counts, &read, |counts, rows| {
            let none_in = |row: &[u16]| {
                let all = Level::widest().run(|| row.iter().fold(0, |all, flags| all | flags));
                all & u16::from(which) == 0
            };
            for row in rows.filter(|row| !none_in(row)) {
                let parts = row.chunks_exact(boxes.side);
                add(marked(parts.remainder()));
                for (count, part) in counts.iter_mut().zip(parts) {
                    *count += marked(part);
                }
            }
            add(counts.iter().sum());
        })?;
        // What no box holds.
        let shown = boxes.height * boxes.side;
        let mut rest = vec![0; (shape.0 - shown) * boxes.columns];
        if !rest.is_empty() {
            read(shown, &mut rest)?;
        }
        add(marked(&rest));
        Ok(Self {
            boxes,
            counts,
            total: total.into_inner(),
        })
    }

    /// Where few boxes are marked, their neighbours are too, so that none is overlooked.
    fn spread_out(&self) -> Vec<u32> {
        let (counts, width, height) = (&self.counts, self.boxes.width, self.boxes.height);
        let mut wide = counts.clone();
        let marked = counts.iter().filter(|&&count| count > 0).count();
        if marked * 50 > counts.len() {
            return wide;
        }
        for (at, &count) in counts.iter().enumerate().filter(|&(_, &count)| count > 0) {
            let (x, y) = (at % width, at / width);
            let sides = [
                (x > 0).then(|| at - 1),
                (x + 1 < width).then_some(at + 1),
                (y > 0).then(|| at - width),
                (y + 1 < height).then_some(at + width),
            ];
            for side in sides.into_iter().flatten() {
                wide[side] = wide[side].max(count);
            }
        }
        wide
    }
}

fn finite(values: &[f64]) -> Vec<f64> {
    values
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .collect()
}

/// The value that such a part of the values lies below, if there are any.
fn ranked(values: &mut [f64], part: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let at = ((values.len() as f64 * part) as usize).min(last);
    Some(*values.select_nth_unstable_by(at, f64::total_cmp).1)
}

/// From values to brightness: straight near black, then slower and slower, by the inverse
/// hyperbolic sine.
struct Stretch {
    black: f64,
    range: f64,
    bend: f64,
}

impl Stretch {
    fn of(values: &[f64]) -> Self {
        let mut values = finite(values);
        let sky = median(&mut values).unwrap_or(0.0);
        let noise = mad(&values, sky).map_or(0.0, |mad| MAD_TO_SD * mad);
        let white = ranked(&mut values, 1.0 - WHITE).unwrap_or(1.0);
        let black = ranked(&mut values, 0.0)
            .unwrap_or(0.0)
            .max(sky - BELOW_SKY * noise);
        let range = (white - black).max(f64::MIN_POSITIVE);
        let middle = ((sky - black) / range).clamp(0.0, 1.0);
        Self {
            black,
            range,
            bend: bend(middle),
        }
    }

    /// Straight, the bulk of the values in middle greys, so that marks stand out everywhere.
    fn even(values: &[f64]) -> Self {
        let mut values = finite(values);
        let [low, high] = [0.005, 0.995].map(|part| ranked(&mut values, part).unwrap_or(0.0));
        let bulk = (high - low).max(f64::MIN_POSITIVE);
        Self {
            black: low - 0.3 * bulk,
            range: 1.6 * bulk,
            bend: 0.0,
        }
    }

    fn byte(&self, value: f64) -> u8 {
        if !value.is_finite() {
            return 0;
        }
        let part = ((value - self.black) / self.range).clamp(0.0, 1.0);
        let bright = if self.bend > 0.0 {
            (self.bend * part).asinh() / self.bend.asinh()
        } else {
            part
        };
        (bright * 255.0).round() as u8
    }
}

/// How strongly to bend so that `middle` becomes [`SKY`]; 0 where it is brighter already.
fn bend(middle: f64) -> f64 {
    if !(middle > 0.0 && middle < SKY) {
        return 0.0;
    }
    let (mut low, mut high) = (1e-3f64, 1e6f64);
    for _ in 0..60 {
        let bend = (low * high).sqrt();
        if (bend * middle).asinh() / bend.asinh() < SKY {
            low = bend;
        } else {
            high = bend;
        }
    }
    low
}

#[cfg(test)]
mod tests;
