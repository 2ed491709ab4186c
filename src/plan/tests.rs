//! Tables with a fake clock, and the properties that everything rests on, on a disk that only
//! exists in memory.

#![allow(clippy::unwrap_used, clippy::expect_used)]

pub(super) mod bench;
mod black;
mod darks;
mod properties;
mod saturation;
mod scaled;
mod stated;
mod supplied;
mod tables;
