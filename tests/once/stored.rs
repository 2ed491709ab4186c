//! Lights as 16-bit integers, plain and compressed, against the floating-point ones of the same
//! night.

use std::fs;
use std::path::{Path, PathBuf};

use dawnledger::facts::SessionLog;
use dawnledger::fits::{Source, checksums_hold, read_header};
use fitsio::FitsFile;

use crate::demo::pixels;
use crate::observatory::{Observatory, assert_same, stamps};
use crate::{NIGHT, NORTH, SOUTH};

const NOISE: &str = "sensor: {read_noise_e: 3, electrons_per_adu: 0.5}\n";

fn night(products: &str, settings: &str) -> Observatory {
    let add = |profile: &str| format!("{profile}{NOISE}products: {{{products}}}\n");
    let (north, south) = (add(NORTH), add(SOUTH));
    let here = Observatory::new(&[("north", &north), ("south", &south)], settings);
    here.shoot(NIGHT);
    here.once();
    here
}

/// Calibrated lights, by raw file.
fn lights(here: &Observatory) -> Vec<PathBuf> {
    let log: SessionLog = here.session("2026-09-05");
    let products = log.lights.iter().filter_map(|light| light.product.as_ref());
    let found: Vec<_> = products.map(|p| here.products().join(p)).collect();
    assert_eq!(found.len(), 7);
    found
}

fn plane(path: &Path, name: &str) -> Vec<f32> {
    let mut file = FitsFile::open(path).unwrap();
    let hdu = file.hdu(name).unwrap();
    hdu.read_image(&mut file).unwrap()
}

#[test]
fn sixteen_bits_are_the_same_light_rounded() {
    let real = night("uncertainty: true", "");
    for (more, level) in [
        ("samples: {bits: 16}", 1000.0),
        ("samples: {bits: 16, added_level_adu: 65400}", 65_400.0),
        ("samples: {bits: 16}, compressed: true", 1000.0),
    ] {
        let whole = night(&format!("uncertainty: true, {more}"), "");
        let mut cut_in_all = 0;
        for (real, whole) in lights(&real).iter().zip(lights(&whole)) {
            assert_ne!(real.file_name(), whole.file_name());
            assert_eq!(checksums_hold(&whole).unwrap(), Some(true));
            let header = read_header(&whole).unwrap();
            assert_eq!(header.number("DLADDED"), Some(level));
            assert_eq!(header.number("BZERO"), Some(32_768.0));
            let same = ["OBJECT", "DATE-OBS", "EXPTIME", "DLLEVEL", "DLNOISE"];
            let before = read_header(real).unwrap();
            for keyword in same {
                assert_eq!(header.find(keyword), before.find(keyword), "{keyword}");
            }
            let expected = pixels(real).into_iter().map(f64::from);
            let expected: Vec<f64> = expected.map(|v| (v + level).round_ties_even()).collect();
            let beyond = |value: &&f64| !(0.0..=65_535.0).contains(*value);
            let cut = expected.iter().filter(beyond).count() as i64;
            assert_eq!(header.integer("DLCUT"), Some(cut));
            cut_in_all += cut;
            for (found, expected) in pixels(&whole).iter().zip(&expected) {
                assert_eq!(f64::from(*found), expected.clamp(0.0, 65_535.0), "{more}");
            }
            assert_eq!(plane(&whole, "DLMASK"), plane(real, "DLMASK"));
            let sigma = Source::open_plane(&whole, "DLSIGMA").unwrap().unwrap();
            let mut found = vec![0.0; sigma.width() * sigma.height()];
            sigma.rows_f32(0, sigma.height(), &mut found).unwrap();
            for (found, before) in found.iter().zip(plane(real, "DLSIGMA")) {
                let expected = before.hypot((1.0_f32 / 12.0).sqrt());
                assert!((found - expected).abs() < 1e-4 * expected);
            }
        }
        assert_eq!(cut_in_all > 0, level > 2000.0, "{more}: {cut_in_all} cut");
    }
}

#[test]
fn compressed_lights_are_the_same_bytes_and_are_adopted() {
    let products = "samples: {bits: 16}, compressed: true";
    let here = night(products, "");
    let wanted = here.tree();
    for settings in ["threads: 1", "threads: 2\nmemory_mib: 64"] {
        assert_same(&night(products, settings).tree(), &wanted, settings);
    }
    let before = stamps(&here.products());
    fs::remove_dir_all(here.path("state")).unwrap();
    let said = here.once();
    assert!(said.contains("made 0 products"), "{said}");
    assert_eq!(stamps(&here.products()), before);
    assert_same(&here.tree(), &wanted, "state lost");
    // One that is damaged is not adopted but made again.
    let damaged = &lights(&here)[0];
    let mut bytes = fs::read(damaged).unwrap();
    let place = bytes.len() - 2000;
    bytes[place] ^= 1;
    fs::write(damaged, bytes).unwrap();
    fs::remove_dir_all(here.path("state")).unwrap();
    let said = here.once();
    assert!(said.contains("made 1 products"), "{said}");
    assert_same(&here.tree(), &wanted, "one was damaged");
}
