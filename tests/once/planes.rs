//! What goes with a calibrated light, against the simulator's truth.

use std::path::{Path, PathBuf};

use dawnledger::facts::{Kind, SessionLog};
use dawnledger::fits::{Source, Unpacker, checksums_hold};
use dawnledger::simulate::{Scenario, frames, ideal, truth};

use crate::demo::pixels;
use crate::observatory::{Observatory, PROGRAM};

/// Hot pixels in every colour, glow, and stars that saturate.
pub const NIGHT: &str = "rigs:
  - camera: Dunlin 24C
    folder: south
    sensor: {width: 128, height: 96, cfa: RGGB, e_per_adu: 0.5, read_noise_e: 3, hot_pixels_per_million: 4000,
             hot_e_per_s: 8, dark_e_per_s: 0.02, glow_e_per_s: 2}
    filters: [{name: L, sky_e_per_s: 3}]
    targets: [{name: M 33, stars: 12, faintest_e_per_s: 30000, brightest_e_per_s: 600000}]
    runs:
      - {kind: flat, filter: L, exposure_s: 2, start: '2026-09-05T19:00:00Z', count: 6}
      - {kind: light, filter: L, target: M 33, exposure_s: 120, start: '2026-09-05T21:00:00Z', count: 3}
      - {kind: bias, start: '2026-09-06T04:00:00Z', count: 9}
      - {kind: dark, exposure_s: 120, start: '2026-09-06T04:10:00Z', count: 9}
";

const WIDTH: usize = 128;
const HEIGHT: usize = 96;
const SATURATED: u16 = 1;
const HOT: u16 = 2;
const REPAIRED: u16 = 8;

pub struct Night {
    pub here: Observatory,
    scenario: Scenario,
    pub log: SessionLog,
}

fn night(more: &str) -> Night {
    night_of(&format!("{}{more}", crate::SOUTH), NIGHT)
}

/// What `once` makes of a scenario with three lights.
pub fn night_of(profile: &str, scenario: &str) -> Night {
    let here = Observatory::new(&[("south", profile)], "");
    here.shoot(scenario);
    here.once();
    let log = here.session("2026-09-05");
    assert_eq!(log.lights.len(), 3);
    let scenario = Scenario::parse(scenario).unwrap();
    Night {
        here,
        scenario,
        log,
    }
}

impl Night {
    fn path(&self, product: &str) -> PathBuf {
        self.here.products().join(product)
    }

    pub fn light(&self, number: usize) -> PathBuf {
        self.path(self.log.lights[number].product.as_ref().unwrap())
    }

    fn raw(&self, number: usize) -> Vec<f32> {
        pixels(&self.here.incoming().join(&self.log.lights[number].file))
    }

    fn master(&self, kind: Kind) -> PathBuf {
        let found = self.log.masters.iter().find(|master| master.kind == kind);
        self.path(&found.unwrap().product)
    }

    /// Pixels of the perfect dark for the lights.
    fn true_dark(&self) -> Vec<f32> {
        let files = frames(&self.scenario);
        let is_dark = |kind| kind == Kind::Dark;
        let dark = files
            .iter()
            .find(|file| file.exposure().is_some_and(|e| is_dark(e.kind)));
        ideal(&self.scenario, dark.unwrap()).unwrap().dark
    }
}

fn mask(path: &Path) -> Option<Vec<u16>> {
    let plane = Source::open_plane(path, "DLMASK").unwrap()?;
    let mut flags = vec![0; plane.width() * plane.height()];
    plane.rows_u16(0, plane.height(), &mut flags).unwrap();
    Some(flags)
}

/// How far a pixel lies above the median of its neighbours of the same colour.
fn excess(plane: &[f32], place: usize) -> f32 {
    let (x, y) = (place % WIDTH, place / WIDTH);
    let mut around = Vec::new();
    for dy in [-2_isize, 0, 2] {
        for dx in [-2_isize, 0, 2] {
            let column = x.checked_add_signed(dx).filter(|&x| x < WIDTH);
            let row = y.checked_add_signed(dy).filter(|&y| y < HEIGHT);
            if let (Some(column), Some(row), true) = (column, row, (dx, dy) != (0, 0)) {
                around.push(plane[row * WIDTH + column]);
            }
        }
    }
    around.sort_by(f32::total_cmp);
    plane[place] - around[around.len() / 2]
}

#[test]
fn masks_say_what_is_hot_and_what_saturated() {
    let night = night("");
    let truth = night.true_dark();
    let dark = mask(&night.master(Kind::Dark)).unwrap();
    let noise = night.log.masters.iter().find(|m| m.kind == Kind::Dark);
    let noise = noise.unwrap().noise_adu as f32;
    let mut hot = 0;
    for (place, flags) in dark.iter().enumerate() {
        let excess = excess(&truth, place) / noise;
        hot += usize::from(flags & HOT != 0);
        assert!(
            flags & HOT == 0 || excess > 4.0,
            "{place}: {excess} flagged"
        );
        assert!(
            flags & HOT != 0 || excess < 16.0,
            "{place}: {excess} not flagged"
        );
    }
    assert!((20..100).contains(&hot), "{hot} hot pixels");
    let flat = mask(&night.master(Kind::Flat)).unwrap();
    let mut saturated = 0;
    for number in 0..3 {
        let path = night.light(number);
        assert_eq!(checksums_hold(&path).unwrap(), Some(true));
        let found = mask(&path).unwrap();
        for (place, raw) in night.raw(number).iter().enumerate() {
            let own = if *raw >= 65_535.0 { SATURATED } else { 0 };
            saturated += own;
            assert_eq!(found[place], own | dark[place] | flat[place], "{place}");
        }
    }
    assert!(saturated > 10, "{saturated} saturated pixels");
}

/// What a profile needs for uncertainties.
pub const UNCERTAIN: &str =
    "products: {uncertainty: true}\nsensor: {read_noise_e: 3, electrons_per_adu: 0.5}\n";

#[test]
fn uncertainties_are_the_scatter_around_the_truth() {
    let night = night(UNCERTAIN);
    scatter_around_the_truth(&night);
    let unpacker = Unpacker::new(PROGRAM.into(), night.here.path("scratch"));
    let light = Source::open(&night.light(0), &unpacker).unwrap();
    let method = light.header().text("DLMETHOD").unwrap();
    let wanted = "uncertainty read_noise_e=3 electrons_per_adu=0.5";
    assert!(method.contains(wanted), "{method}");
}

/// Good pixels less the truth, over their uncertainty, are unit normal numbers.
pub fn scatter_around_the_truth(night: &Night) {
    let files = frames(&night.scenario);
    let mut scores = Vec::new();
    for number in 0..3 {
        let entry = &night.log.lights[number];
        assert!(entry.masters.bias.is_some() && entry.masters.dark.is_some());
        let file = files
            .iter()
            .find(|file| file.path.to_str() == Some(&entry.file));
        let truth = truth(&night.scenario, file.unwrap()).unwrap();
        let path = night.light(number);
        assert_eq!(checksums_hold(&path).unwrap(), Some(true));
        let flags = mask(&path).unwrap();
        let plane = Source::open_plane(&path, "DLSIGMA").unwrap().unwrap();
        let mut sigma = vec![0.0; WIDTH * HEIGHT];
        plane.rows_f32(0, HEIGHT, &mut sigma).unwrap();
        for (place, value) in pixels(&path).iter().enumerate() {
            if flags[place] == 0 {
                scores.push(f64::from((value - truth[place]) / sigma[place]));
            }
        }
    }
    let found = dawnledger::combine::clipped(&mut scores, 5.0, 10).unwrap();
    assert!((found.sd - 1.0).abs() < 0.03, "{found:?}");
    assert!(found.mean.abs() < 0.1, "{found:?}");
}

#[test]
fn repaired_pixels_are_near_the_truth_and_the_others_untouched() {
    let plain = night("");
    let mended = night("products: {repair_hot_pixels: true}\n");
    let files = frames(&plain.scenario);
    let mut away = [Vec::new(), Vec::new()];
    for number in 0..3 {
        let name = plain.log.lights[number].file.as_str();
        let file = files.iter().find(|file| file.path.to_str() == Some(name));
        let truth = truth(&plain.scenario, file.unwrap()).unwrap();
        let before = pixels(&plain.light(number));
        let after = pixels(&mended.light(number));
        let flags = mask(&mended.light(number)).unwrap();
        for place in 0..before.len() {
            if flags[place] & REPAIRED == 0 {
                assert_eq!(before[place], after[place], "{place}");
                assert_eq!(flags[place] & HOT, 0, "{place}");
            } else {
                assert!(flags[place] & HOT != 0);
                away[0].push((before[place] - truth[place]).abs());
                away[1].push((after[place] - truth[place]).abs());
            }
        }
    }
    let [before, after] = away.map(|mut away| {
        away.sort_by(f32::total_cmp);
        away[away.len() / 2]
    });
    // The shot noise of a hot pixel's own charge is gone, and so is that of a single pixel.
    assert!(after < 0.5 * before, "{after} for {before} ADU");
}

#[test]
fn a_light_without_a_mask_has_the_same_pixels_and_another_fingerprint() {
    let (with, without) = (night(""), night("products: {mask: false}\n"));
    for number in 0..3 {
        let (a, b) = (with.light(number), without.light(number));
        assert!(mask(&a).is_some() && mask(&b).is_none());
        assert_eq!(pixels(&a), pixels(&b));
        assert_ne!(a.file_name(), b.file_name());
    }
    assert_eq!(
        with.master(Kind::Flat).file_name(),
        without.master(Kind::Flat).file_name(),
        "masters do not depend on it"
    );
}
