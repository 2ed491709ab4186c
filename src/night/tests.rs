//! Composing a messy night, and the Sun against published tables.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod composing;
mod sunlight;
