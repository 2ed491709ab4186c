//! Stars of real fields beside reference libraries.

use std::fs;

use dawnledger::measure::{Light, StarReport, stars};
use ndarray::Array2;

use super::{read, tests_folder};

/// A field of tests/data/statistics and what a reference found in it: column, row, flux, and
/// whether it stands alone.
struct Field {
    pixels: Array2<f32>,
    stars: Vec<[f64; 4]>,
}

fn field(name: &str) -> Field {
    let table = read("reference/stars.txt");
    let mut lines = table
        .lines()
        .skip_while(|line| !line.starts_with(&format!("field {name} ")));
    let words: Vec<&str> = lines.next().unwrap().split(' ').collect();
    let number = |at: usize| words[at].parse::<f64>().unwrap();
    let (side, scale, zero) = (number(2) as usize, number(3), number(4));
    let stars = lines
        .take_while(|line| !line.starts_with("field"))
        .map(|line| {
            let mut numbers = line.split(' ').map(|word| word.parse().unwrap());
            std::array::from_fn(|_| numbers.next().unwrap())
        })
        .collect();
    let path = tests_folder().join(format!("data/statistics/fields/{name}.i16"));
    let values = fs::read(path).unwrap();
    let values = values
        .chunks_exact(2)
        .map(|pair| (f64::from(i16::from_be_bytes([pair[0], pair[1]])) * scale + zero) as f32);
    let pixels = Array2::from_shape_vec((side, side), values.collect()).unwrap();
    Field { pixels, stars }
}

fn measured(field: &Field) -> StarReport {
    let light = Light {
        plane: field.pixels.view(),
        mask: None,
        cfa: None,
    };
    stars(&light).unwrap()
}

/// The found star nearest to one of the reference.
fn nearest(report: &StarReport, x: f64, y: f64) -> f64 {
    let away = report
        .stars
        .brightest
        .iter()
        .map(|star| (f64::from(star.x) - x).hypot(f64::from(star.y) - y));
    away.fold(f64::INFINITY, f64::min)
}

/// sep 1.4.1 at five times the noise (tests/reference/stars.py).
#[test]
fn the_same_bright_stars_in_a_sparse_field() {
    let field = field("sparse");
    let report = measured(&field);
    println!("{:?}", report.stars);
    for &[x, y, flux, alone] in &field.stars {
        println!(
            "{x:.2} {y:.2} {flux} {alone}: {:.3}",
            nearest(&report, x, y)
        );
    }
}

/// photutils 3.0.0 (tests/reference/stars.py).
#[test]
fn the_same_bright_stars_in_a_crowded_field() {
    let field = field("crowded");
    let report = measured(&field);
    println!("{:?}", report.stars);
    for &[x, y, flux, alone] in field.stars.iter().take(60) {
        println!(
            "{x:.2} {y:.2} {flux} {alone}: {:.3}",
            nearest(&report, x, y)
        );
    }
    for star in &report.stars.brightest {
        let away = field
            .stars
            .iter()
            .map(|s| (f64::from(star.x) - s[0]).hypot(f64::from(star.y) - s[1]));
        println!("own {star:?}: {:.3}", away.fold(f64::INFINITY, f64::min));
    }
}
