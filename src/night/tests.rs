//! Alarms, composing a messy night, lights that strayed, and the Sun against published tables.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod alarms;
mod composing;
mod strayed;
mod sunlight;
