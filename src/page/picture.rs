//! Small pictures of planes of pixels.
//!
//! A picture is the plane averaged over square boxes and stretched so that the sky is a dark grey
//! and faint things show. Of a colour sensor, each box averages each colour by itself, and red and
//! blue are put on green's line first, so that the sky comes out grey.
//!
//! It does not know what is in the picture. Pictures are for people; nothing is measured on them.

use std::borrow::Cow;

use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use ndarray::{ArrayView1, ArrayView2};

use crate::combine::{MAD_TO_SD, mad, median};
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
pub fn preview(plane: ArrayView2<'_, f32>, cfa: Option<Cfa>, lines: &[ChannelLine]) -> Picture {
    let boxes = Boxes::over(plane);
    let Some(cfa) = cfa else {
        let grey = boxes.means(plane, |_, _| true);
        let stretch = Stretch::of(&grey);
        return boxes.picture(grey.iter().map(|&v| stretch.byte(v)).collect(), false);
    };
    let mean = |colour| boxes.means(plane, |x, y| cfa.at(x, y) == colour);
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
    boxes.picture(bytes.collect(), true)
}

/// A picture of a master, its flagged pixels marked. `mask` has the plane's shape; any bit of
/// `which` marks a pixel. A box is the more marked the more of its pixels are, so that single
/// pixels are seen and many do not hide the rest.
pub fn preview_with_defects(
    plane: ArrayView2<'_, f32>,
    cfa: Option<Cfa>,
    mask: ArrayView2<'_, u8>,
    which: u8,
) -> Picture {
    let boxes = Boxes::over(plane);
    // The colours of a master differ in level only; each is brought to the same.
    let grey = match cfa {
        None => boxes.means(plane, |_, _| true),
        Some(cfa) => boxes.means(plane, |x, y| cfa.at(x, y) == Colour::Green),
    };
    let stretch = Stretch::even(&grey);
    let mut bytes: Vec<u8> = grey.iter().flat_map(|&v| [stretch.byte(v); 3]).collect();
    if mask.dim() == plane.dim() {
        let counts = boxes.counts(mask, which);
        for (pixel, count) in bytes.chunks_exact_mut(3).zip(boxes.spread_out(counts)) {
            if count > 0 {
                let weight = (0.7 + 0.1 * f64::from(count)).min(1.0);
                for (byte, colour) in pixel.iter_mut().zip(DEFECT) {
                    let mixed = f64::from(*byte) * (1.0 - weight) + f64::from(colour) * weight;
                    *byte = mixed.round() as u8;
                }
            }
        }
    }
    boxes.picture(bytes, true)
}

/// How a plane is cut into boxes: squares of an even side, so that each holds all colours. What is
/// left over at the right and below is not shown.
struct Boxes {
    side: usize,
    width: usize,
    height: usize,
}

impl Boxes {
    fn over(plane: ArrayView2<'_, f32>) -> Self {
        let (rows, columns) = plane.dim();
        let side = rows.max(columns).div_ceil(SIDE).next_multiple_of(2);
        Self {
            side,
            width: columns / side.max(1),
            height: rows / side.max(1),
        }
    }

    /// Mean of each box over the finite pixels that `takes` (column, row); NaN where there is none.
    /// Whether a pixel is taken must repeat every two rows and columns.
    fn means(&self, plane: ArrayView2<'_, f32>, takes: impl Fn(usize, usize) -> bool) -> Vec<f64> {
        let mut means = Vec::with_capacity(self.width * self.height);
        let mut sums = vec![(0.0f64, 0u32); self.width];
        for band in 0..self.height {
            sums.fill((0.0, 0));
            for y in band * self.side..(band + 1) * self.side {
                let row = slice_of(plane.row(y));
                for phase in [0, 1].into_iter().filter(|&x| takes(x, y % 2)) {
                    // The side is even, so a phase of the row is that phase of each box.
                    for (sum, part) in sums.iter_mut().zip(row.chunks_exact(self.side)) {
                        for value in part[phase..].iter().step_by(2).filter(|v| v.is_finite()) {
                            sum.0 += f64::from(*value);
                            sum.1 += 1;
                        }
                    }
                }
            }
            means.extend(sums.iter().map(|&(sum, count)| sum / f64::from(count)));
        }
        means
    }

    fn counts(&self, mask: ArrayView2<'_, u8>, which: u8) -> Vec<u32> {
        let mut counts = vec![0u32; self.width * self.height];
        let rows = mask.rows().into_iter().take(self.height * self.side);
        for (y, row) in rows.enumerate() {
            let row = slice_of(row);
            let counts = &mut counts[y / self.side * self.width..][..self.width];
            for (count, part) in counts.iter_mut().zip(row.chunks_exact(self.side)) {
                *count += part
                    .iter()
                    .map(|&flags| u32::from(flags & which != 0))
                    .sum::<u32>();
            }
        }
        counts
    }

    /// Where few boxes are marked, their neighbours are too, so that none is overlooked.
    fn spread_out(&self, counts: Vec<u32>) -> Vec<u32> {
        let marked = counts.iter().filter(|&&count| count > 0).count();
        if marked * 50 > counts.len() {
            return counts;
        }
        let mut wide = counts.clone();
        for (at, &count) in counts.iter().enumerate().filter(|&(_, &count)| count > 0) {
            let (x, y) = (at % self.width, at / self.width);
            let sides = [
                (x > 0).then(|| at - 1),
                (x + 1 < self.width).then_some(at + 1),
                (y > 0).then(|| at - self.width),
                (y + 1 < self.height).then_some(at + self.width),
            ];
            for side in sides.into_iter().flatten() {
                wide[side] = wide[side].max(count);
            }
        }
        wide
    }

    fn picture(&self, bytes: Vec<u8>, coloured: bool) -> Picture {
        Picture {
            width: self.width,
            height: self.height,
            bytes,
            coloured,
        }
    }
}

/// A row as it lies in memory, or a copy of one that is scattered.
fn slice_of<T: Copy>(row: ArrayView1<'_, T>) -> Cow<'_, [T]> {
    match row.to_slice() {
        Some(slice) => Cow::Borrowed(slice),
        None => Cow::Owned(row.to_vec()),
    }
}

fn finite(values: &[f64]) -> Vec<f64> {
    values
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .collect()
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
        values.sort_by(f64::total_cmp);
        let at = ((values.len() as f64) * (1.0 - WHITE)) as usize;
        let white = values.get(at).or(values.last()).copied().unwrap_or(1.0);
        let black = values
            .first()
            .copied()
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
        values.sort_by(f64::total_cmp);
        let at = |part: f64| {
            let at = (values.len() as f64 * part) as usize;
            values.get(at).or(values.last()).copied().unwrap_or(0.0)
        };
        let (low, high) = (at(0.005), at(0.995));
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
