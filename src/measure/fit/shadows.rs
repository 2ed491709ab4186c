//! Dust that moved between the flats and the light: the flat brightens where its shadow was.

use ndarray::Array2;

use super::Map;
use crate::combine::{MAD_TO_SD, mad, median};
use crate::facts::MovedShadow;

/// A shadow is where the flat lies lower than this, in parts of its surroundings,
const DEPTH: f32 = 0.01;
/// over so many blocks,
const BLOCKS: usize = 3;
/// that its ghost in the light would be so many standard errors high.
const SURE: f64 = 6.0;
/// A ghost has more than this part of the shadow's depth.
pub(super) const GONE: f64 = 0.5;
/// Block medians of a light that are further off belong to a star or the core of a nebula.
const BRIGHT: f32 = 4.0;

/// Shadows of the flat that are bright spots of the same shape in the light calibrated with it,
/// the deepest first. Nothing comes of maps of different size.
///
/// The sky has dark clouds of its own, so a dark spot in the light alone is no evidence: it is
/// named only beside such a ghost.
pub fn moved_shadows(light: &Map, flat: &Map) -> Vec<MovedShadow> {
    if light.blocks.dim() != flat.blocks.dim() || light.side != flat.side {
        return Vec::new();
    }
    let (light_relief, flat_relief) = (light.relief(), flat.relief());
    let Some(noise) = scatter(&light_relief) else {
        return Vec::new();
    };
    let mut moved = Vec::new();
    let mut arrived = spots(&light_relief, -(DEPTH.max(3.0 * noise as f32)));
    arrived.retain(|spot| spot.iter().all(|&at| flat_relief[at] > -DEPTH));
    let middle = |spot: &[(usize, usize)]| {
        let side = light.side as f64;
        let mean = |of: fn(&(usize, usize)) -> usize| {
            let sum: usize = spot.iter().map(of).sum();
            (sum as f64 / spot.len() as f64 + 0.5) * side - 0.5
        };
        (mean(|at| at.1), mean(|at| at.0))
    };
    for spot in spots(&flat_relief, -DEPTH) {
        let Some((depth, part, part_error)) = ghost(&spot, &light_relief, &flat_relief, noise)
        else {
            continue;
        };
        if part > GONE && part > SURE * part_error {
            let like = |other: &&Vec<(usize, usize)>| {
                (spot.len() / 3..=3 * spot.len()).contains(&other.len())
            };
            let from = middle(&spot);
            let away = |spot: &[(usize, usize)]| {
                let to = middle(spot);
                (to.0 - from.0).hypot(to.1 - from.1)
            };
            let near = arrived.iter().filter(like);
            let near = near.min_by(|a, b| away(a).total_cmp(&away(b)));
            let to = near.map(|spot| middle(spot));
            moved.push(MovedShadow {
                from,
                depth,
                part,
                part_error,
                to,
            });
        }
    }
    moved.sort_by(|a, b| b.depth.total_cmp(&a.depth));
    moved
}

/// The shadows that more than half of a night's lights lack, each as the median light has it. The
/// lights' shadows must come of the same flat.
pub fn moved_in_most(lights: &[Vec<MovedShadow>]) -> Vec<MovedShadow> {
    let mut all: Vec<MovedShadow> = lights.iter().flatten().copied().collect();
    all.sort_by(|a, b| {
        let place = |moved: &MovedShadow| moved.from;
        let (a_at, b_at) = (place(a), place(b));
        (b.depth.total_cmp(&a.depth))
            .then(a_at.0.total_cmp(&b_at.0))
            .then(a_at.1.total_cmp(&b_at.1))
            .then(a.part.total_cmp(&b.part))
    });
    let same = all.chunk_by(|a, b| a.from == b.from);
    let most = same.filter(|shadow| 2 * shadow.len() > lights.len());
    most.map(|shadow| shadow[shadow.len() / 2]).collect()
}

/// Depth of a shadow, how much of it shows as a ghost, and the error of that: minus the slope of the light over the flat
/// on the shadow and a block around it.
fn ghost(
    spot: &[(usize, usize)],
    light: &Array2<f32>,
    flat: &Array2<f32>,
    noise: f64,
) -> Option<(f64, f64, f64)> {
    let around = grown(spot, flat.dim());
    let usable = |at: &(usize, usize)| {
        let (light, flat) = (light[*at], flat[*at]);
        // A bright star is far above what even a whole ghost would be.
        light.is_finite() && flat.is_finite() && light < flat.abs() * 2.0 + BRIGHT * noise as f32
    };
    let pairs: Vec<(f64, f64)> = around
        .iter()
        .filter(|at| usable(at))
        .map(|&at| (f64::from(flat[at]), f64::from(light[at])))
        .collect();
    let count = pairs.len() as f64;
    if pairs.len() < BLOCKS + 2 {
        return None;
    }
    let (mean_x, mean_y) = pairs.iter().fold((0.0, 0.0), |(x, y), pair| {
        (x + pair.0 / count, y + pair.1 / count)
    });
    let (mut xx, mut xy) = (0.0, 0.0);
    for (x, y) in &pairs {
        xx += (x - mean_x).powi(2);
        xy += (x - mean_x) * (y - mean_y);
    }
    let slope = xy / xx;
    let rest = pairs
        .iter()
        .map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2));
    // Its own scatter counts where it is larger than the frame's: a nebula or crowded stars.
    let own = rest.sum::<f64>() / (count - 2.0);
    let error = (own.max(noise * noise) / xx).sqrt();
    let lowest = spot.iter().map(|&at| flat[at]).fold(0.0, f32::min);
    Some((f64::from(-lowest), -slope, error)).filter(|_| slope.is_finite())
}

fn scatter(relief: &Array2<f32>) -> Option<f64> {
    let mut known: Vec<f64> = relief
        .iter()
        .filter(|v| v.is_finite())
        .map(|&v| f64::from(v))
        .collect();
    let level = median(&mut known)?;
    mad(&known, level).map(|mad| mad * MAD_TO_SD)
}

/// Blocks that hang together below a limit, in order of their first one.
fn spots(relief: &Array2<f32>, limit: f32) -> Vec<Vec<(usize, usize)>> {
    let mut below = relief.mapv(|value| value < limit);
    let mut spots = Vec::new();
    for start in ndarray::indices(relief.dim()) {
        if !below[start] {
            continue;
        }
        below[start] = false;
        let mut spot = vec![start];
        let mut next = 0;
        while let Some(&at) = spot.get(next) {
            next += 1;
            for near in neighbours(at, relief.dim()) {
                if std::mem::take(&mut below[near]) {
                    spot.push(near);
                }
            }
        }
        if spot.len() >= BLOCKS {
            spots.push(spot);
        }
    }
    spots
}

/// A spot and the blocks that touch it.
fn grown(spot: &[(usize, usize)], size: (usize, usize)) -> Vec<(usize, usize)> {
    let mut all: Vec<_> = spot.iter().flat_map(|&at| neighbours(at, size)).collect();
    all.extend(spot);
    all.sort_unstable();
    all.dedup();
    all
}

fn neighbours(
    (y, x): (usize, usize),
    (height, width): (usize, usize),
) -> impl Iterator<Item = (usize, usize)> {
    let rows = y.saturating_sub(1)..(y + 2).min(height);
    rows.flat_map(move |row| {
        (x.saturating_sub(1)..(x + 2).min(width)).map(move |column| (row, column))
    })
    .filter(move |&at| at != (y, x))
}
