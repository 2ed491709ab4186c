//! Pages to read: the morning page of a night, and the lists of nights, targets and sensors.
//!
//! [`morning()`] turns a session log into one HTML text; [`index()`], [`targets()`] and [`sensors()`] do so
//! with the briefs of all nights. [`preview`] makes small pictures of planes of pixels for it.
//! The same arguments give the same text.
//!
//! Invariants: a page is one file that fetches nothing, runs no script and says the same without
//! styles; it is well-formed as XML too; whatever headers and files are called, foreign text
//! stays text, on its own line and of bounded length. Verdicts differ in shape as well as colour,
//! and every colour of text stands out from its ground by 4.5 to 1 in both themes.
//!
//! It does not know where pages are stored, except for how they lie to each other, and decides
//! nothing: every number stands in the log.

mod account;
mod axis;
mod chart;
mod glance;
mod index;
mod lists;
mod mark;
mod morning;
mod picture;
mod runs;
mod sensors;
mod targets;
mod text;
mod timeline;

pub use index::index;
pub use morning::{NightFacts, Preview, morning};
pub use picture::{Marks, Picture, Shrunk, preview, preview_with_defects};
pub use sensors::sensors;
pub use targets::targets;
