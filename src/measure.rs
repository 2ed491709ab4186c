//! What pixels say of a frame: arrays in, numbers out.
//!
//! [`sample`] reduces a few rows of a raw frame, read when it is taken in, to the figures by which
//! calibration frames are judged; [`piled_up`] tells from them where the sensor saturates, and
//! [`unread`] whether the frame was read to its end.
//! [`band`] and [`fold`] find the background and the pixel noise of
//! a calibrated light. [`overscan_level`] is that of pixels that see no light. [`SampledRows`] describe a master.
//! [`stars`] finds the stars of a light, [`align`] those of one light in another.
//! [`sensor`] holds what a sensor's own bias, dark and flat frames say of it.
//!
//! Results depend on the pixels alone, in whatever order bands are computed. The room does not
//! know where pixels come from, nor what is good or bad.

/// Changes with every change of what is measured on a light, so that old lights are measured again.
pub const METHODS: u32 = 6;

mod background;
pub mod colour;
pub mod fit;
mod light;
mod mesh;
mod overscan;
mod pattern;
mod piled;
mod plane;
mod sample;
pub mod sensor;
mod stars;
mod trails;
mod unread;

pub use background::{BAND_ROWS, Background, Cell, band, fold, row_step};
pub use light::light;
pub use mesh::Mesh;
pub use overscan::overscan_level;
pub use pattern::{Match, align};
pub use piled::{KEPT_DARK, piled_up};
pub use plane::SampledRows;
pub use sample::{rows_to_sample, sample, samples_per_cell};
pub use stars::{Covered, Light, StarReport, stars};
pub use unread::{Unread, rows_to_look_at, unread};

#[cfg(test)]
#[path = "../tests/dice/mod.rs"]
pub(crate) mod dice;
