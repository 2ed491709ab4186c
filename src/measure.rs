//! What pixels say of a frame: arrays in, numbers out.
//!
//! [`sample`] reduces a few rows of a raw frame, read when it is taken in, to the figures by which
//! calibration frames are judged. [`band`] and [`fold`] find the background and the pixel noise of
//! a calibrated light. [`overscan_level`] is that of pixels that see no light. [`plane_level`] and [`pixel_noise`] describe a master.
//!
//! Results depend on the pixels alone, in whatever order bands are computed. The room does not
//! know where pixels come from, nor what is good or bad.

mod background;
mod mesh;
mod overscan;
mod plane;
mod sample;
mod stars;
mod trails;

pub use background::{BAND_ROWS, Background, Cell, band, fold, row_step};
pub use mesh::Mesh;
pub use overscan::overscan_level;
pub use plane::{pixel_noise, plane_level};
pub use sample::{rows_to_sample, sample, samples_per_cell};
pub use stars::{Covered, Light, StarReport, stars};
