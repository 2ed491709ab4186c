//! The same bytes with whichever of the processor's instructions.

use std::path::PathBuf;
use std::process::{Command, Output};

use dawnledger::combine::Level;
use dawnledger::fits::Samples;

use crate::demo::pixels;
use crate::observatory::{EVENING, Observatory, assert_same, files, program, rewrite, said};

/// Together with [`SOUTH`]: every method, every plane of a light, each way to store one.
const NORTH: &str = "name: north-pier
camera: Petrel 26M
calibration:
  bias: {rule: required, min_frames: 5, combine: {method: mean}}
  dark: {rule: required, min_frames: 5, combine: {method: median}}
  flat-dark: {rule: required, min_frames: 5, combine: {method: trimmed}}
  flat: {rule: required, min_frames: 5, combine: {method: sigma-clip}}
sensor: {read_noise_e: 2, electrons_per_adu: 1, bias_adu: 500}
products: {uncertainty: true, samples: {bits: 16}, compressed: true}
";
const SOUTH: &str = "name: south-pier
camera: Dunlin 24C
calibration:
  bias: {rule: required, min_frames: 5, combine: {method: generalized-esd}}
  dark: {rule: required, min_frames: 5, combine: {method: winsorized}}
  flat-dark: {rule: required, min_frames: 5, combine: {method: by-count}}
  flat: {rule: required, min_frames: 5, combine: {method: noise-model}}
sensor: {read_noise_e: 3, electrons_per_adu: 0.5, bias_adu: 500}
passbands: {L: {Ha: red, OIII: green-blue}}
products: {uncertainty: true, repair_hot_pixels: true, split_lines: true}
";

const LIGHTS: usize = 4;

/// Width and height in the south.
const SOUTHERN: (usize, usize) = (326, 202);

/// Rows that are no whole number of vectors, hot pixels, glow, stars that saturate, a trail.
const NIGHT: &str = "rigs:
  - camera: Petrel 26M
    folder: north
    sensor: {width: 331, height: 207, hot_pixels_per_million: 2000, hot_e_per_s: 8}
    filters: [{name: L}]
    targets: [{name: M 33, stars: 60}]
    runs: &runs
      - {kind: flat, filter: L, exposure_s: 2, start: '2026-09-05T19:00:00Z', count: 11}
      - {kind: light, filter: L, target: M 33, exposure_s: 120, start: '2026-09-05T21:00:00Z', count: 4,
         faults: [{at: [2], fault: {trail: 2000}}]}
      - {kind: bias, start: '2026-09-06T04:00:00Z', count: 19}
      - {kind: dark, exposure_s: 120, start: '2026-09-06T04:10:00Z', count: 12}
      - {kind: flat-dark, exposure_s: 2, start: '2026-09-06T05:10:00Z', count: 9}
  - camera: Dunlin 24C
    folder: south
    sensor: {width: 326, height: 202, cfa: RGGB, e_per_adu: 0.5, read_noise_e: 3, hot_pixels_per_million: 4000,
             hot_e_per_s: 8, dark_e_per_s: 0.02, glow_e_per_s: 2}
    filters: [{name: L, sky_e_per_s: 3}]
    targets: [{name: M 33, stars: 60, faintest_e_per_s: 300, brightest_e_per_s: 600000}]
    runs: *runs
";

/// The south's bias frames and one of its lights as floats, some of which are no numbers.
fn with_floats(here: &Observatory) {
    const STRANGE: [u32; 4] = [0x7fc0_0000, 0xffc0_0000, 0x7fc0_1234, 0x7f80_0000];
    let south = files(&here.path("incoming/south")).into_iter();
    let is_one = |path: &PathBuf| {
        let name = path.file_name().unwrap().to_string_lossy();
        name.starts_with("bias") || name.starts_with("light") && name.contains("0001")
    };
    let mut count = 0;
    for (number, path) in south.filter(is_one).enumerate() {
        let mut samples = pixels(&path);
        let places = samples.iter_mut().skip(number).step_by(1009);
        for (value, bits) in places.zip(STRANGE.into_iter().cycle()) {
            *value = f32::from_bits(bits);
        }
        rewrite(&path, SOUTHERN, Samples::F32(&samples), &[]);
        count += 1;
    }
    assert_eq!(count, 20);
}

/// A command with no more than these instructions.
fn call(here: &Observatory, command: &str, level: &str) -> Output {
    let mut call = Command::new(program());
    call.args([command, "--config"]).arg(here.settings());
    call.env("DAWNLEDGER_INSTRUCTIONS", level).output().unwrap()
}

#[test]
fn every_level_makes_the_same_bytes() {
    let first = Observatory::new(&[("north", NORTH), ("south", SOUTH)], "");
    first.shoot(NIGHT);
    with_floats(&first);
    first.once();
    let wanted = first.tree();
    let log = first.session(EVENING);
    let calibrated = log
        .lights
        .iter()
        .filter(|light| light.state == "calibrated");
    assert_eq!(
        (calibrated.count(), log.masters.len()),
        (2 * LIGHTS, 8),
        "{log:?}"
    );
    for level in Level::here() {
        let here = Observatory::new(&[("north", NORTH), ("south", SOUTH)], "");
        here.copy_frames(&first);
        let output = call(&here, "once", level.name());
        assert!(output.status.success(), "{}", said(&output));
        assert_same(&here.tree(), &wanted, level.name());
    }
}

#[test]
fn instructions_are_those_that_were_asked_for() {
    let here = Observatory::new(&[("north", NORTH)], "");
    for level in Level::here() {
        let output = call(&here, "support", level.name());
        let wanted = format!("\ninstructions {} of plain", level.name());
        assert!(said(&output).contains(&wanted), "{}", said(&output));
    }
    let output = call(&here, "once", "all of them");
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    let wanted = "DAWNLEDGER_INSTRUCTIONS: all of them is not among what this processor has: plain";
    assert!(said(&output).contains(wanted), "{}", said(&output));
}
