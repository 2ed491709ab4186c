//! Frames that are stored with an overscan whose level drifts from frame to frame, against the same
//! night without either.

use std::fs;
use std::path::{Path, PathBuf};

use dawnledger::facts::{Kind, SessionLog};
use dawnledger::fits::{Samples, Source, checksums_hold, read_header};

use crate::demo::pixels;
use crate::observatory::{Observatory, assert_same, files, rewrite};
use crate::{NIGHT, NORTH, SOUTH};

const WIDTH: usize = 96;
const HEIGHT: usize = 64;
/// Level of the overscan without drift, ADU.
const LEVEL: f64 = 300.0;

/// What is stored around a rig's image.
struct Around {
    /// Columns before and behind.
    columns: [usize; 2],
    /// Rows before and behind.
    rows: [usize; 2],
    profile: &'static str,
}

const NORTHERN: Around = Around {
    columns: [0, 24],
    rows: [0, 0],
    profile: "overscan: {columns: {first: 96, count: 24, skip: 2}}\n",
};
/// Odd numbers, so that the colour filter array begins elsewhere.
const SOUTHERN: Around = Around {
    columns: [23, 0],
    rows: [5, 0],
    profile: "overscan: {columns: {first: 0, count: 23}, rows: {first: 0, count: 5}}\n",
};

/// Repeatable noise, from -1 to 1.
fn noise(seed: usize) -> f64 {
    let mixed = (seed as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let mixed = (mixed ^ (mixed >> 31)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    (mixed >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

/// Adds an overscan to every raw frame, and a drift to all its pixels.
fn widen(here: &Observatory) {
    for (number, path) in files(&here.incoming()).iter().enumerate() {
        let south = path.starts_with(here.incoming().join("south"));
        let around = if south { &SOUTHERN } else { &NORTHERN };
        let [left, right] = around.columns;
        let [above, below] = around.rows;
        let (width, height) = (left + WIDTH + right, above + HEIGHT + below);
        let drift = (80.0 * noise(number + 1)).round();
        let image = pixels(path);
        let mut stored = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let inside = (left..left + WIDTH).contains(&x);
                let value = if inside && (above..above + HEIGHT).contains(&y) {
                    f64::from(image[(y - above) * WIDTH + x - left]) + drift
                } else if !south && (x == WIDTH || x == WIDTH + 1) {
                    // Charge that trails behind the last column, which the profile skips.
                    5000.0
                } else {
                    LEVEL + drift + 8.0 * noise((number * height + y) * width + x)
                };
                stored.push(value.round().clamp(0.0, 65_535.0) as u16);
            }
        }
        let offset = i64::from(south);
        let cards = [("XBAYROFF", offset), ("YBAYROFF", offset)];
        rewrite(path, (width, height), Samples::U16(&stored), &cards);
    }
}

fn observatory(profiles: [&str; 2]) -> Observatory {
    let north = format!("{NORTH}{}", profiles[0]);
    let south = format!("{SOUTH}{}", profiles[1]);
    let here = Observatory::new(&[("north", &north), ("south", &south)], "");
    here.shoot(NIGHT);
    here
}

fn widened() -> Observatory {
    let here = observatory([NORTHERN.profile, SOUTHERN.profile]);
    widen(&here);
    here
}

fn mask(path: &Path) -> Vec<u16> {
    let plane = Source::open_plane(path, "DLMASK").unwrap().unwrap();
    let mut flags = vec![0; WIDTH * HEIGHT];
    plane.rows_u16(0, HEIGHT, &mut flags).unwrap();
    flags
}

/// Differences of good pixels, as median and as the size that one in a hundred exceeds.
fn difference(found: &Path, wanted: &Path) -> (f32, f32) {
    assert_eq!(checksums_hold(found).unwrap(), Some(true));
    let (a, b) = (pixels(found), pixels(wanted));
    assert_eq!((a.len(), b.len()), (WIDTH * HEIGHT, WIDTH * HEIGHT));
    let good = mask(found).into_iter().zip(mask(wanted));
    let pairs = good.zip(a.iter().zip(&b)).filter(|(m, _)| *m == (0, 0));
    let mut away: Vec<f32> = pairs.map(|(_, (a, b))| a - b).collect();
    assert!(away.len() > WIDTH * HEIGHT * 9 / 10);
    away.sort_by(f32::total_cmp);
    let median = away[away.len() / 2];
    let mut sizes: Vec<f32> = away.iter().map(|a| (a - median).abs()).collect();
    sizes.sort_by(f32::total_cmp);
    (median, sizes[sizes.len() * 99 / 100])
}

#[test]
fn a_drift_that_the_overscan_shows_is_taken_off() {
    let (plain, here) = (observatory(["", ""]), widened());
    plain.once();
    here.once();
    let (wanted, log): (SessionLog, SessionLog) =
        (plain.session("2026-09-05"), here.session("2026-09-05"));
    let states = |log: &SessionLog| -> Vec<(String, String)> {
        let lights = log.lights.iter().map(|l| (l.file.clone(), l.state.clone()));
        let others = log.calibration.iter();
        lights
            .chain(others.map(|c| (c.file.clone(), c.state.clone())))
            .collect()
    };
    assert_eq!(states(&log), states(&wanted));
    let path = |here: &Observatory, product: &str| -> PathBuf { here.products().join(product) };
    for (found, wanted) in log.lights.iter().zip(&wanted.lights) {
        let (Some(product), Some(wanted)) = (&found.product, &wanted.product) else {
            continue;
        };
        let product = path(&here, product);
        let (median, most) = difference(&product, &path(&plain, wanted));
        assert!(
            median.abs() < 0.4,
            "{}: {median} ADU in the middle",
            found.file
        );
        assert!(most < 3.0, "{}: {most} ADU", found.file);
        let header = read_header(&product).unwrap();
        let south = found.rig == "south-pier";
        let corner = if south { (23, 5) } else { (0, 0) };
        let found = ["XORGSUBF", "YORGSUBF"].map(|keyword| header.integer(keyword));
        assert_eq!(found, [Some(corner.0), Some(corner.1)]);
        let level = header.number("DLOSCAN").unwrap();
        assert!((level - LEVEL).abs() < 81.0, "{level}");
    }
    for master in &log.masters {
        let same = |other: &&dawnledger::facts::MasterEntry| {
            (other.kind, &other.filter, &other.rig) == (master.kind, &master.filter, &master.rig)
        };
        let twin = wanted.masters.iter().find(same).unwrap();
        let (found, wanted) = (path(&here, &master.product), path(&plain, &twin.product));
        let (median, most) = difference(&found, &wanted);
        let (level, within) = match master.kind {
            Kind::Flat => (0.0, 0.0005),
            _ => (-LEVEL as f32, 0.3),
        };
        assert!(
            (median - level).abs() < within,
            "{}: {median} for {level}",
            master.product
        );
        assert!(most < 6.0 * within, "{}: {most}", master.product);
    }
}

#[test]
fn frames_are_looked_at_again_when_the_profile_names_an_overscan() {
    let named = widened();
    named.once();
    let here = observatory(["", ""]);
    widen(&here);
    here.once();
    let log = here.session("2026-09-05");
    let light = log.lights[0].product.as_ref().unwrap();
    let width = read_header(&here.products().join(light))
        .unwrap()
        .integer("NAXIS1");
    assert_eq!(width, Some(WIDTH as i64 + 24), "nothing is cut off unasked");
    for (name, around) in [("north", NORTHERN), ("south", SOUTHERN)] {
        let file = here.path(&format!("{name}.yaml"));
        let text = fs::read_to_string(&file).unwrap() + around.profile;
        fs::write(file, text).unwrap();
    }
    here.once();
    assert_same(&here.tree(), &named.tree(), "overscan named later");
}
