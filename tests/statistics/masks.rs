//! Masks of sigma clipping, bit for bit, against a reference library.

use dawnledger::combine::combine_scalar;
use dawnledger::facts::{Combining, InputCount};

use super::{Stack, pixel, read, sigma_clip, stack};

/// Masks of astropy.stats.sigma_clip 8.0.2 (tests/reference/sigma_clip.py).
#[test]
fn clipping_masks_equal_astropys() {
    let table = read("reference/sigma_clip.txt");
    let mut samples: (&str, Vec<&str>) = ("", Vec::new());
    let mut masks = [0, 0];
    for line in table.lines() {
        let words: Vec<&str> = line.split(' ').collect();
        if words[0] == "pixel" {
            samples = (words[1], words[2..].to_vec());
            continue;
        }
        let method = sigma_clip(
            words[1],
            words[2].parse().unwrap(),
            words[3].parse().unwrap(),
            words[4].parse().unwrap(),
        );
        let want: Vec<bool> = words[5].chars().map(|digit| digit == '1').collect();
        let values: Vec<f64> = samples.1.iter().map(|word| word.parse().unwrap()).collect();
        let (value, mask) = match samples.0 {
            "u16" => pixel(
                &method,
                &values.iter().map(|&x| x as u16).collect::<Vec<_>>(),
            ),
            "f32" => pixel(
                &method,
                &values.iter().map(|&x| x as f32).collect::<Vec<_>>(),
            ),
            other => panic!("{other} samples"),
        };
        masks[usize::from(samples.0 == "f32")] += 1;
        assert_eq!(mask, want, "{method}, {} {values:?}", samples.0);
        let survivors = || values.iter().zip(&want).filter(|(_, dropped)| !**dropped);
        let mean = survivors().map(|(x, _)| x).sum::<f64>() / survivors().count() as f64;
        assert!(
            (f64::from(value) - mean).abs() <= mean.abs() * f64::from(f32::EPSILON),
            "{method}: {value}, mean of the survivors {mean}"
        );
    }
    assert!(masks.iter().all(|&count| count > 1000), "{masks:?}");
}

/// Pixels of each number of exposures at each pedestal, as in tests/reference/million_masks.py.
const PIXELS: u64 = 62_500;

/// Steps of one ADU.
const STEPS: i64 = 512;

/// The finaliser of SplitMix64 (Steele, Lea, Flood 2014) on its Weyl sequence.
fn mix(counter: u64) -> u64 {
    let z = counter.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// Steps of 1/512 ADU, by the rules of the script.
fn steps(block: u64, exposure: u64, pixel: u64, pedestal: i64) -> i64 {
    let counter = (block << 40) + (pixel << 8) + exposure;
    let (noise, strike) = (mix(2 * counter), mix(2 * counter + 1));
    let words = [0, 16, 32, 48].map(|shift| ((noise >> shift) & 0xFFFF) as i64);
    let quiet = pedestal * STEPS + ((words.iter().sum::<i64>() - 131_070) >> 3);
    let far = (((strike >> 8) & 0x3F_FFFF) >> ((strike >> 40) & 7)) as i64;
    match strike & 63 {
        0..3 => quiet + far,
        3 => (quiet - far).max(0),
        _ => quiet,
    }
}

/// A line of the table: the settings and what astropy made of them.
struct Row<'a> {
    kind: &'a str,
    count: u64,
    pedestal: i64,
    method: Combining,
    dropped: u64,
    digest: &'a str,
}

impl<'a> Row<'a> {
    fn read(line: &'a str) -> Self {
        let words: Vec<&str> = line.split(' ').collect();
        let [
            kind,
            count,
            pedestal,
            centre,
            low,
            high,
            rounds,
            dropped,
            digest,
        ] = words[..]
        else {
            panic!("{line}")
        };
        let number = |word: &str| word.parse::<f64>().unwrap();
        Self {
            kind,
            count: count.parse().unwrap(),
            pedestal: pedestal.parse().unwrap(),
            method: sigma_clip(centre, number(low), number(high), rounds.parse().unwrap()),
            dropped: dropped.parse().unwrap(),
            digest,
        }
    }
}

/// Holds a million masks to the table: those of the specification, pixel by pixel, and by them the
/// fast form, which tells counts and values of a whole stretch.
fn hold_a_million<T: Stack>(kind: &str, sample: impl Fn(i64) -> T) {
    let table = read("reference/million_masks.txt");
    let rows: Vec<Row> = table.lines().map(Row::read).collect();
    let rows: Vec<&Row> = rows.iter().filter(|row| row.kind == kind).collect();
    let same = |a: &&Row, b: &&Row| (a.count, a.pedestal) == (b.count, b.pedestal);
    let mut pixels = 0;
    for (block, settings) in rows.chunk_by(same).enumerate() {
        let (count, pedestal) = (settings[0].count, settings[0].pedestal);
        let made = |exposure, at| sample(steps(block as u64, exposure, at, pedestal));
        let exposures: Vec<Vec<T>> = (0..count)
            .map(|exposure| (0..PIXELS).map(|at| made(exposure, at)).collect())
            .collect();
        for row in settings {
            hold(row, &exposures);
        }
        pixels += PIXELS;
    }
    assert_eq!(pixels, 1_000_000);
}

fn hold<T: Stack>(row: &Row, exposures: &[Vec<T>]) {
    let what = format!(
        "{} x {} at {}: {}",
        row.count, row.kind, row.pedestal, row.method
    );
    let none = vec![InputCount::default(); exposures.len()];
    let mut counts = none.clone();
    let mut values = Vec::new();
    let mut digest = 0u64;
    for at in 0..PIXELS {
        let samples = exposures.iter();
        let samples: Vec<T::Raw> = samples.map(|row| row[at as usize].raw()).collect();
        let samples: Vec<&[T::Raw]> = samples.iter().map(std::slice::from_ref).collect();
        let (mut value, mut rejected) = ([0.0], none.clone());
        let exposures = T::exposures(&samples);
        combine_scalar(&row.method, exposures, 1e9, &mut value, &mut rejected);
        let bits = rejected
            .iter()
            .rev()
            .fold(0, |bits, count| bits << 1 | (count.low + count.high));
        digest = digest.wrapping_add(mix(bits ^ mix(at)));
        values.push(value[0].to_bits());
        for (sum, count) in counts.iter_mut().zip(&rejected) {
            *sum = InputCount {
                low: sum.low + count.low,
                high: sum.high + count.high,
            };
        }
    }
    let dropped: u64 = counts.iter().map(|count| count.low + count.high).sum();
    let found = (dropped, format!("{digest:016x}"));
    assert_eq!(found, (row.dropped, row.digest.to_owned()), "{what}");
    let (fast, rejected) = stack(&row.method, exposures);
    assert_eq!(rejected, counts, "{what}");
    assert!(
        fast.iter().map(|value| value.to_bits()).eq(values),
        "{what}"
    );
}

/// Masks of astropy.stats.sigma_clip 8.0.2 (tests/reference/million_masks.py).
#[test]
fn a_million_masks_of_whole_numbers_equal_astropys() {
    hold_a_million("u16", |steps| u16::try_from(steps / STEPS).unwrap());
}

/// The same, of numbers with a fraction; astropy clipped them as float64.
#[test]
fn a_million_masks_of_floats_equal_astropys() {
    hold_a_million("f32", |steps| (steps as f64 / STEPS as f64) as f32);
}
