//! Rendered frames have the statistics that their scenario states.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::*;

mod files;

fn scenario(text: &str) -> Scenario {
    Scenario::parse(text).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

const MONO: &str = "
seed: 11
rigs:
  - camera: Test 1M
    sensor: {width: 256, height: 192, e_per_adu: 0.8, read_noise_e: 3, pedestal_adu: 400,
             dark_e_per_s: 0.5, hot_pixels_per_million: 0, column_pattern_adu: 2, pixel_pattern_adu: 2}
    filters: [{name: R, sky_e_per_s: 4, dust: 3}]
    targets: [{name: A field, ra_deg: 10, dec_deg: 40}]
    runs:
      - {kind: bias, start: '2026-09-05T18:00:00Z', count: 2}
      - {kind: flat, start: '2026-09-05T19:00:00Z', count: 2, filter: R, exposure_s: 0, level: 0.5}
      - {kind: dark, start: '2026-09-05T20:00:00Z', count: 2, exposure_s: 400}
      - {kind: light, start: '2026-09-05T21:00:00Z', count: 4, filter: R, target: A field, exposure_s: 60,
         faults: [{at: [2], fault: {clouds: 0.5}}, {at: [3], fault: {streaked: [8, 0]}},
                  {at: [4], fault: {doubled: [0, 9]}}]}
";

fn of(scenario: &Scenario, kind: Kind) -> Vec<PlannedFile> {
    let mut files = frames(scenario);
    files.retain(|file| file.exposure().is_some_and(|it| it.kind == kind));
    files
}

fn numbers(scenario: &Scenario, file: &PlannedFile) -> Vec<f64> {
    pixels(scenario, file.exposure().unwrap())
        .into_iter()
        .map(f64::from)
        .collect()
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn variance(values: &[f64]) -> f64 {
    let centre = mean(values);
    values
        .iter()
        .map(|v| (v - centre) * (v - centre))
        .sum::<f64>()
        / values.len() as f64
}

fn minus(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

#[track_caller]
fn near(what: &str, found: f64, wanted: f64, relative: f64) {
    assert!(
        (found / wanted - 1.0).abs() < relative,
        "{what}: {found} instead of {wanted} +- {} %",
        100.0 * relative
    );
}

#[test]
fn photon_transfer_gives_back_the_sensor() {
    // Coarser steps than the noise would hide it.
    for (bits, noise_e) in [(16, 3.0), (14, 3.0), (12, 9.0)] {
        let text = MONO
            .replace("{width: 256", &format!("{{bits: {bits}, width: 256"))
            .replace("read_noise_e: 3", &format!("read_noise_e: {noise_e}"));
        let scenario = scenario(&text);
        let pair = |kind| -> Vec<Vec<f64>> {
            of(&scenario, kind)
                .iter()
                .map(|file| numbers(&scenario, file))
                .collect()
        };
        let (bias, flat, dark) = (pair(Kind::Bias), pair(Kind::Flat), pair(Kind::Dark));
        let noise = variance(&minus(&bias[0], &bias[1]));
        // K = [(F1 + F2) - (B1 + B2)] / [var(F1 - F2) - var(B1 - B2)], EMVA 1288's photon
        // transfer for two images; the variances of 49152 pixels are good to 0.7 %.
        let signal = mean(&flat[0]) + mean(&flat[1]) - mean(&bias[0]) - mean(&bias[1]);
        let gain = signal / (variance(&minus(&flat[0], &flat[1])) - noise);
        near("gain", gain, 0.8, 0.03);
        // The converter's step adds its own noise, a twelfth of its square.
        let step = f64::from(1 << (16 - bits));
        let read_noise = 0.8 * (noise / 2.0 - step * step / 12.0).sqrt();
        near("read noise", read_noise, noise_e, 0.03);
        let charge = 0.8 * (mean(&dark[0]) - mean(&bias[0]));
        near("dark current", charge / 400.0, 0.5, 0.02);
        let top = 65_536.0 - step;
        near("flat level", mean(&flat[0]) / top, 0.5, 0.01);
        assert!(
            flat[0]
                .iter()
                .chain(&dark[0])
                .all(|value| value % step == 0.0),
            "steps of {step}"
        );
        // Fixed pattern: columns and pixels, 2 ADU each, on top of the read noise.
        let average: Vec<f64> = bias[0]
            .iter()
            .zip(&bias[1])
            .map(|(a, b)| (a + b) / 2.0)
            .collect();
        near("pattern", variance(&average) - noise / 4.0, 8.0, 0.2);
    }
}

#[test]
fn perfect_masters_leave_the_truth_and_its_noise() {
    let scenario = scenario(MONO);
    for file in of(&scenario, Kind::Light) {
        let raw = numbers(&scenario, &file);
        let truth = truth(&scenario, &file).unwrap();
        let ideal = ideal(&scenario, &file).unwrap();
        let mut pulls = Vec::new();
        for (index, raw) in raw.iter().enumerate() {
            let (truth, flat) = (f64::from(truth[index]), f64::from(ideal.flat[index]));
            let dark = f64::from(ideal.dark[index]);
            let calibrated = (raw - dark) / flat;
            // Photons, dark charge, read noise, the converter's step.
            let electrons = truth * flat * 0.8 + (dark - f64::from(ideal.bias[index])) * 0.8;
            let noise = ((electrons + 9.0) / 0.64 + 1.0 / 12.0).sqrt() / flat;
            if *raw < 65_000.0 {
                pulls.push((calibrated - truth) / noise);
            }
        }
        let name = file.path.display();
        assert!(pulls.len() > 49_000, "{name}: {} pixels", pulls.len());
        assert!(mean(&pulls).abs() < 0.02, "{name}: bias {}", mean(&pulls));
        near(&format!("{name}: noise"), variance(&pulls), 1.0, 0.03);
    }
}

#[test]
fn responses_have_mean_1_over_each_colour_and_lose_light_in_corners() {
    let text = MONO.replace("{width: 256", "{cfa: RGGB, width: 256");
    let scenario = scenario(&text);
    let flat = ideal(&scenario, &of(&scenario, Kind::Flat)[0])
        .unwrap()
        .flat;
    let phase = |x: usize, y: usize| {
        let values: Vec<f64> = (0..flat.len())
            .filter(|index| index % 256 % 2 == x && index / 256 % 2 == y)
            .map(|index| f64::from(flat[index]))
            .collect();
        mean(&values)
    };
    near("red", phase(0, 0), 1.0, 1e-6);
    near("blue", phase(1, 1), 1.0, 1e-6);
    near("green", (phase(1, 0) + phase(0, 1)) / 2.0, 1.0, 1e-6);
    let box_at = |x: usize, y: usize| {
        let values: Vec<f64> = (0..64)
            .map(|i| f64::from(flat[(y + i / 8) * 256 + x + i % 8]))
            .collect();
        mean(&values)
    };
    let corner = box_at(0, 0) / box_at(130, 86);
    assert!((0.7..0.85).contains(&corner), "corner {corner}");
    let deepest = flat.iter().copied().fold(2.0, f32::min);
    assert!(deepest > 0.5, "{deepest}");
}

#[test]
fn colours_have_their_own_sky_and_panel() {
    let text = MONO
        .replace("{width: 256", "{cfa: GRBG, width: 256")
        .replace(
            "sky_e_per_s: 4",
            "sky_e_per_s: [2, 6, 3], panel: [0.5, 1, 0.75]",
        )
        .replace("dec_deg: 40", "dec_deg: 40, stars: 0");
    let scenario = scenario(&text);
    let levels = |values: &[f64]| {
        let mut sums = [[0.0; 2]; 2];
        for (index, value) in values.iter().enumerate() {
            sums[index / 256 % 2][index % 2] += 4.0 * value / values.len() as f64;
        }
        sums
    };
    let light = &of(&scenario, Kind::Light)[0];
    let truth: Vec<f64> = truth(&scenario, light)
        .unwrap()
        .into_iter()
        .map(f64::from)
        .collect();
    // 60 s at 0.8 e-/ADU: G R / B G.
    let [[green, red], [blue, green_too]] = levels(&truth);
    for (what, found, rate) in [
        ("red", red, 2.0),
        ("green", green, 6.0),
        ("green", green_too, 6.0),
        ("blue", blue, 3.0),
    ] {
        near(what, found, rate * 60.0 / 0.8, 0.01);
    }
    let flat = levels(&numbers(&scenario, &of(&scenario, Kind::Flat)[0]));
    near(
        "panel, red",
        flat[0][1] - 400.0,
        (0.5 * 65_535.0 - 400.0) * 0.5,
        0.01,
    );
    near("panel, green", flat[0][0], 0.5 * 65_535.0, 0.01);
    near(
        "panel, blue",
        flat[1][0] - 400.0,
        (0.5 * 65_535.0 - 400.0) * 0.75,
        0.01,
    );
}

#[test]
fn faults_do_what_they_say() {
    let scenario = scenario(MONO);
    let light = |number: usize| {
        let file = &of(&scenario, Kind::Light)[number - 1];
        let truth = truth(&scenario, file).unwrap();
        let sky = truth.iter().map(|&v| f64::from(v)).fold(1e9, f64::min);
        // Sky has a gradient: stars are what stands 60 ADU above the faintest of it.
        let stars: f64 = truth
            .iter()
            .map(|&v| (f64::from(v) - sky - 60.0).max(0.0))
            .sum();
        (stars, truth)
    };
    let (good, _) = light(1);
    let (clouded, _) = light(2);
    assert!(
        (0.4..0.56).contains(&(clouded / good)),
        "{}",
        clouded / good
    );

    // The brightest star's neighbourhood is drawn out along x, then doubled along y.
    let spread = |truth: &[f32]| {
        let peak = (0..truth.len())
            .filter(|i| (16..240).contains(&(i % 256)) && (16..176).contains(&(i / 256)))
            .max_by(|&a, &b| truth[a].total_cmp(&truth[b]))
            .unwrap();
        let above = |index: usize| truth[index] > truth[peak] / 3.0;
        let along = (1..16).take_while(|&step| above(peak + step)).count()
            + (1..16).take_while(|&step| above(peak - step)).count();
        let across = (1..12).take_while(|&step| above(peak + 256 * step)).count()
            + (1..12).take_while(|&step| above(peak - 256 * step)).count();
        (along, across)
    };
    let (along, across) = spread(&light(1).1);
    assert!(along.abs_diff(across) <= 1, "round: {along} by {across}");
    let (along, across) = spread(&light(3).1);
    assert!(along >= across + 4, "streaked: {along} by {across}");
}

#[test]
fn a_flip_turns_the_field_upside_down_and_nothing_else() {
    let text = MONO
        .replace("exposure_s: 60,", "exposure_s: 60, dither_px: 0,")
        .replace("sky_e_per_s: 4", "sky_e_per_s: 4, gradient: 0")
        .replace(
            "    filters:",
            "    optics: {sky_angle_deg: 200}\n    filters:",
        );
    let straight = scenario(&text);
    let flipped = scenario(&text.replace("dither_px: 0,", "dither_px: 0, flipped: true,"));
    let light = |scenario: &Scenario| of(scenario, Kind::Light)[0].clone();
    let (file, turned) = (light(&straight), light(&flipped));
    let (a, mut b) = (
        truth(&straight, &file).unwrap(),
        truth(&flipped, &turned).unwrap(),
    );
    b.reverse();
    let worst = a
        .iter()
        .zip(&b)
        .map(|(a, b)| (a - b).abs() / a)
        .fold(0.0, f32::max);
    assert!(worst < 1e-4, "{worst}");
    let angle = |scenario, file| {
        let bytes = render(scenario, file);
        let header = String::from_utf8_lossy(&bytes[..5760]).into_owned();
        header
            .split("POSANGLE=")
            .nth(1)
            .unwrap()
            .split('/')
            .next()
            .unwrap()
            .trim()
            .to_owned()
    };
    assert_eq!(angle(&straight, &file), "200.0");
    assert_eq!(angle(&flipped, &turned), "20.0");
    let flat = |scenario: &Scenario, file| ideal(scenario, file).unwrap().flat;
    assert!(flat(&straight, &file) == flat(&flipped, &turned));
}

#[test]
fn a_held_black_level_hides_the_dark_charge_but_not_its_noise() {
    let scenario = scenario(&MONO.replace("{width: 256", "{holds_black: true, width: 256"));
    let numbers_of = |kind| {
        let files = of(&scenario, kind);
        (numbers(&scenario, &files[0]), numbers(&scenario, &files[1]))
    };
    let ((b1, b2), (d1, d2)) = (numbers_of(Kind::Bias), numbers_of(Kind::Dark));
    assert!(
        (mean(&d1) - mean(&b1)).abs() < 0.5,
        "{} {}",
        mean(&d1),
        mean(&b1)
    );
    // I = K^2 [var(D1 - D2) - var(B1 - B2)] / (2 t).
    let extra = variance(&minus(&d1, &d2)) - variance(&minus(&b1, &b2));
    near("dark current from noise", 0.64 * extra / 800.0, 0.5, 0.03);
    let ideal = ideal(&scenario, &of(&scenario, Kind::Dark)[0]).unwrap();
    let perfect: Vec<f64> = ideal.dark.iter().map(|&v| f64::from(v)).collect();
    assert!(mean(&minus(&d1, &perfect)).abs() < 0.3);
}
