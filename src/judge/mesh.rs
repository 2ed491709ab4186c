//! Meshes of a set's frames against each other: what shines in all of them, and which cell of one lies
//! off.

use super::calibration::Reference;
use crate::combine::median;
use crate::facts::MESH;

/// One cell of every frame.
fn column(meshes: &[Vec<f64>], cell: usize) -> Vec<f64> {
    meshes.iter().map(|mesh| mesh[cell]).collect()
}

/// The median of every cell over the frames.
fn usual(meshes: &[Vec<f64>]) -> Vec<f64> {
    let cells = meshes.iter().map(Vec::len).min().unwrap_or(0);
    (0..cells)
        .map(|cell| median(&mut column(meshes, cell)).unwrap_or(0.0))
        .collect()
}

/// What shines in every frame of a set (amplifier glow, dark charge) and grows with temperature:
/// its shape over the mesh, above the darkest cell. A frame with a little more of the same is
/// warmer, not leaking.
pub(super) struct Glow {
    shape: Vec<f64>,
    pub(super) mean: f64,
    /// The largest excess that temperature explains.
    warming: f64,
}

impl Glow {
    pub(super) fn of(meshes: &[Vec<f64>], warming: f64) -> Self {
        let usual = usual(meshes);
        let darkest = usual.iter().copied().fold(f64::INFINITY, f64::min);
        let shape: Vec<f64> = usual.iter().map(|cell| cell - darkest).collect();
        let mean = shape.iter().sum::<f64>() / shape.len().max(1) as f64;
        Self {
            shape,
            mean,
            warming,
        }
    }

    /// How much more of it a frame has, as a fraction: least squares over the cells, the frame's
    /// own offset free.
    pub(super) fn excess(&self, mesh: &[f64]) -> f64 {
        let count = self.shape.len().max(1) as f64;
        let mean = mesh.iter().take(self.shape.len()).sum::<f64>() / count;
        let (mut along, mut length) = (0.0, 0.0);
        for (shape, cell) in self.shape.iter().zip(mesh) {
            let shape = shape - self.mean;
            along += shape * (cell - mean);
            length += shape * shape;
        }
        if length > 0.0 {
            (along / length - 1.0).clamp(-self.warming, self.warming)
        } else {
            0.0
        }
    }

    pub(super) fn without(&self, mesh: &[f64]) -> Vec<f64> {
        let excess = self.excess(mesh);
        mesh.iter()
            .zip(&self.shape)
            .map(|(cell, shape)| cell - excess * shape)
            .collect()
    }
}

/// How far each cell of each frame lies from the set's median mesh, the frame's own offset removed.
pub(super) struct Unevenness {
    /// By frame, then by cell.
    residuals: Vec<Vec<f64>>,
    /// By cell.
    references: Vec<Reference>,
}

impl Unevenness {
    pub(super) fn of(meshes: &[Vec<f64>], floor: f64) -> Self {
        let usual = usual(meshes);
        let residuals: Vec<Vec<f64>> = meshes
            .iter()
            .map(|mesh| {
                let away: Vec<f64> = mesh.iter().zip(&usual).map(|(a, b)| a - b).collect();
                let offset = median(&mut away.clone()).unwrap_or(0.0);
                away.into_iter().map(|away| away - offset).collect()
            })
            .collect();
        let references = (0..usual.len())
            .map(|cell| Reference::of(&column(&residuals, cell), floor))
            .collect();
        Self {
            residuals,
            references,
        }
    }

    /// The cell of a frame that lies furthest off: its place, its residual, its reference.
    pub(super) fn worst(&self, frame: usize) -> Option<(usize, f64, &Reference)> {
        let cells = self.residuals[frame].iter().zip(&self.references);
        cells
            .enumerate()
            .map(|(cell, (&value, reference))| (cell, value, reference))
            .max_by(|a, b| a.2.distance(a.1).total_cmp(&b.2.distance(b.1)))
    }
}

/// A cell in words.
pub(super) fn place(cell: usize) -> String {
    format!(
        "cell in row {}, column {} of {MESH}x{MESH}",
        cell / MESH + 1,
        cell % MESH + 1
    )
}
