//! Which frames of a set are left out, and which lights are set aside, with the value and the limit.
//!
//! [`left_out`] says it of calibration frames. [`groups`] says which lights are judged together,
//! [`strays`] which groups are a mistake and [`apart`] which may be one, [`verdicts`] which lights of a group
//! are set aside, and [`Course`] how it went through the night, with [`focus_step`] for its
//! focus. What darks say of their sensor is [`need_of_darks`]'s, [`black_level`]'s and [`glow`]'s.
//!
//! It does not know how frames were grouped into sets, or what is made of those that stay.

mod apart;
mod black;
mod calibration;
mod contradiction;
mod course;
mod darks;
mod focus;
mod glow;
mod group;
mod mesh;
mod stray;
mod verdict;

pub use apart::{Apart, apart};
pub use black::{BlackLevel, black_level};
pub use calibration::left_out;
pub use contradiction::{Against, Contradiction};
pub use course::{Course, Drift, Jump, Passage};
pub use darks::{Sensor, most_demanding, need_of_darks};
pub use focus::{FocusStep, focus_step};
pub use glow::glow;
pub use group::{groups, pixel_scale, separation_deg};
pub use stray::{Stray, strays};
pub use verdict::{Subframe, Usual, verdicts};
