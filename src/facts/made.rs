//! A product that lies in the output folder. Everything here also stands in the product's own
//! header, so that a lost catalogue can be rebuilt from the products alone.

use std::ops::AddAssign;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::{Digest, Fingerprint, MasterFacts, MasterUse, Recipe, Task};

/// How many pixels of one exposure were rejected in the combination.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputCount {
    /// Below the lower bound.
    pub low: u64,
    /// Above the upper bound.
    pub high: u64,
}

impl AddAssign for InputCount {
    fn add_assign(&mut self, other: Self) {
        self.low += other.low;
        self.high += other.high;
    }
}

/// The noise of a master that would differ if it were made of other exposures.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Temporal {
    /// As measured from two halves of its exposures; in ADU, of a flat in parts of its level.
    pub measured: f64,
    /// One exposure's over the root of their number: what their mean would have.
    pub ideal: f64,
}

/// What was measured while the product was made.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct MadeStats {
    /// Pixels of the product.
    pub pixels: u64,
    /// Master: median level in ADU (of a flat, the mean of the levels its exposures were scaled
    /// from). Light: background in ADU.
    pub level: f64,
    /// Robust standard deviation from pixel to pixel: master in its own units, light in ADU.
    pub noise: f64,
    /// Of a master of two exposures or more.
    #[serde(default)]
    pub temporal: Option<Temporal>,
    /// Of a light stored as integers: pixels that did not fit their range.
    #[serde(default)]
    pub cut: u64,
    /// Rejected samples per exposure, in the order of [`Made::inputs`]; empty for a light.
    pub rejected: Vec<InputCount>,
}

/// A product on file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Made {
    /// The fingerprint of its recipe.
    pub fingerprint: Fingerprint,
    /// Where it lies, relative to the output folder, `/` between parts.
    pub product: String,
    /// Its size in bytes.
    pub size: u64,
    /// The method line of its recipe.
    pub method: Arc<str>,
    /// Raw files that went in.
    pub inputs: Vec<Digest>,
    /// Masters it was made with.
    pub masters: Vec<MasterUse>,
    /// Of a master: what it is. A light has none.
    pub facts: Option<MasterFacts>,
    /// Measured on the way.
    pub stats: MadeStats,
}

impl Made {
    /// What came of a task.
    pub fn of(task: &Task, size: u64, stats: MadeStats) -> Self {
        Self {
            fingerprint: task.fingerprint,
            product: task.product.clone(),
            size,
            method: task.recipe.method().into(),
            inputs: task.recipe.inputs(),
            masters: task.recipe.masters().into_iter().cloned().collect(),
            facts: match &task.recipe {
                Recipe::Master(recipe) => Some(recipe.method.facts.clone()),
                Recipe::Light(_) | Recipe::Line(_) => None,
            },
            stats,
        }
    }
}
