//! Whole nights through `once`: the demo night against its truth, a messy folder against what was
//! put into it, and the same bytes whatever the way there.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod dice;
#[allow(dead_code, reason = "pages have tests of their own that ask for more")]
#[path = "page/document.rs"]
mod document;
mod mutants;
mod observatory;

#[path = "once/change.rs"]
mod change;
#[path = "once/demo.rs"]
mod demo;
#[path = "once/half_read.rs"]
mod half_read;
#[path = "once/hostile_names.rs"]
mod hostile_names;
#[path = "once/keep.rs"]
mod keep;
#[path = "once/label.rs"]
mod label;
#[path = "once/levels.rs"]
mod levels;
#[path = "once/lines.rs"]
mod lines;
#[path = "once/messy.rs"]
mod messy;
#[path = "once/mutated.rs"]
mod mutated;
#[path = "once/noise.rs"]
mod noise;
#[path = "once/overscan.rs"]
mod overscan;
#[path = "once/piled.rs"]
mod piled;
#[path = "once/planes.rs"]
mod planes;
#[path = "once/rejected.rs"]
mod rejected;
#[path = "once/same.rs"]
mod same;
#[path = "once/scaled.rs"]
mod scaled;
#[path = "once/sensor.rs"]
mod sensor;
#[path = "once/stored.rs"]
mod stored;
#[path = "once/supplied.rs"]
mod supplied;

/// A monochrome rig that needs bias and flats.
pub const NORTH: &str = "name: north-pier
camera: Petrel 26M
calibration:
  bias: {rule: required, min_frames: 5}
  dark: {rule: never}
  flat-dark: {rule: never}
  flat: {rule: required, min_frames: 5}
filters: {H: Ha}
";

/// A colour rig that needs darks.
pub const SOUTH: &str = "name: south-pier
camera: Dunlin*
calibration:
  bias: {rule: required, min_frames: 5}
  dark: {rule: required, min_frames: 5}
  flat-dark: {rule: if-present, min_frames: 5}
  flat: {rule: required, min_frames: 5}
";

/// Two rigs, a filter without flats, a few of each kind.
pub const NIGHT: &str = "rigs:
  - camera: Petrel 26M
    folder: north
    sensor: {width: 96, height: 64}
    filters: [{name: Ha, written: H}, {name: OIII}]
    targets: [{name: Veil Nebula, stars: 8}]
    runs:
      - {kind: flat, filter: Ha, exposure_s: 2, start: '2026-09-05T19:00:00Z', count: 6}
      - {kind: light, filter: Ha, target: Veil Nebula, exposure_s: 120, start: '2026-09-05T21:00:00Z', count: 4}
      - {kind: light, filter: OIII, target: Veil Nebula, exposure_s: 120, start: '2026-09-05T22:00:00Z', count: 2}
      - {kind: bias, start: '2026-09-06T04:00:00Z', count: 6}
  - camera: Dunlin 24C
    folder: south
    spelling: long
    sensor: {width: 96, height: 64, cfa: RGGB, glow_e_per_s: 1.0}
    filters: [{name: L}]
    targets: [{name: M 33, stars: 8}]
    runs:
      - {kind: flat, filter: L, exposure_s: 2, start: '2026-09-05T19:00:00Z', count: 6}
      - {kind: light, filter: L, target: M 33, exposure_s: 120, start: '2026-09-05T21:00:00Z', count: 3}
      - {kind: bias, start: '2026-09-06T04:00:00Z', count: 6}
      - {kind: dark, exposure_s: 120, start: '2026-09-06T04:10:00Z', count: 6}
";
