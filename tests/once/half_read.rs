//! Frames whose download broke off, of full length by their headers: the rest is one row over again, a few
//! rows, or one value. They are refused with the row and the number of rows, the others serve.

use std::fs;
use std::ops::Range;
use std::path::Path;

use dawnledger::facts::SessionLog;
use dawnledger::fits::{Source, Unpacker};
use dawnledger::measure::{rows_to_look_at, unread};

use crate::observatory::{EVENING, Observatory, PROFILE, PROGRAM, files};

const WIDTH: usize = 96;

const FRAMES: &str = "rigs:
  - camera: Petrel 26M
    sensor: {width: 96, height: HEIGHT}
    filters: [{name: Ha}]
    targets: [{name: Veil Nebula, stars: 8}]
    runs:
      - {kind: bias, start: '2026-09-05T18:00:00Z', count: 6}
      - {kind: flat, filter: Ha, exposure_s: 2, start: '2026-09-05T19:00:00Z', count: 5}
      - {kind: light, filter: Ha, target: Veil Nebula, exposure_s: 60, start: '2026-09-05T21:00:00Z', count: 4}
";

/// What the rest of a frame holds.
#[derive(Clone, Copy)]
enum Rest {
    /// The rows before it, so many of them.
    Rows(usize),
    /// A byte.
    Bytes(u8),
}

/// Frames of so many rows.
fn shot(height: usize) -> Observatory {
    let here = Observatory::new(&[("north", PROFILE)], "");
    here.shoot(&FRAMES.replace("HEIGHT", &height.to_string()));
    here
}

/// Fills a file's rows with something else.
fn break_off(path: &Path, rows: Range<usize>, rest: Rest) {
    let mut bytes = fs::read(path).unwrap();
    let end = bytes
        .chunks(80)
        .position(|card| card.starts_with(b"END   "));
    let pixels = ((end.unwrap() + 1) * 80).next_multiple_of(2880);
    let row = 2 * WIDTH;
    let at = |number: usize| pixels + number * row;
    for number in rows {
        match rest {
            Rest::Rows(count) => {
                bytes.copy_within(at(number - count)..at(number - count + 1), at(number));
            }
            Rest::Bytes(byte) => bytes[at(number)..at(number + 1)].fill(byte),
        }
    }
    fs::write(path, bytes).unwrap();
}

/// State and reason of each file, by its name.
fn states(log: &SessionLog) -> Vec<(String, String, String)> {
    let lights = log.lights.iter();
    let lights = lights.map(|light| (&light.file, &light.state, &light.reason));
    let others = log.calibration.iter();
    let others = others.map(|frame| (&frame.file, &frame.state, &frame.reason));
    lights
        .chain(others)
        .map(|(file, state, reason)| {
            let reason = reason.clone().unwrap_or_default();
            (file.clone(), state.clone(), reason)
        })
        .collect()
}

#[test]
fn half_read_frames_are_refused_and_the_others_serve() {
    let here = shot(64);
    let copies = "repeat another to the last bit, limit 0";
    let broken = [
        (
            "light_Ha_60s_0002",
            30,
            Rest::Rows(1),
            "34 of 64 rows",
            copies,
        ),
        (
            "light_Ha_60s_0003",
            40,
            Rest::Bytes(0),
            "24 of 64 rows",
            "nothing but 32768 ADU, limit 3",
        ),
        (
            "bias_none_0s_0001",
            60,
            Rest::Rows(1),
            "4 of 64 rows",
            copies,
        ),
        (
            "bias_none_0s_0004",
            20,
            Rest::Rows(8),
            "44 of 64 rows",
            copies,
        ),
        (
            "flat_Ha_2s_0005",
            32,
            Rest::Rows(1),
            "32 of 64 rows",
            copies,
        ),
        (
            "flat_Ha_2s_0001",
            32,
            Rest::Bytes(0x80),
            "32 of 64 rows",
            "nothing but 128 ADU, limit 3",
        ),
    ];
    for (name, from, rest, ..) in broken {
        break_off(
            &here.incoming().join(format!("{name}.fits")),
            from..64,
            rest,
        );
    }
    here.once();
    let log = here.session(EVENING);
    let found = states(&log);
    assert_eq!(found.len(), 15, "{found:?}");
    for (file, state, reason) in &found {
        let spoilt = broken.iter().find(|(name, ..)| file.contains(name));
        match spoilt {
            Some((.., count, what)) => {
                assert_eq!(state, "refused", "{file}");
                assert!(reason.starts_with("half read: "), "{file}: {reason}");
                assert!(
                    reason.contains(count) && reason.contains(what),
                    "{file}: {reason}"
                );
            }
            None => assert!(
                state == "calibrated" || state == "used",
                "{file}: {state} {reason}"
            ),
        }
    }
    let used: Vec<_> = log
        .masters
        .iter()
        .map(|master| master.frames_used)
        .collect();
    assert_eq!(used, [Some(4), Some(3)], "{:?}", log.masters);
}

/// Of a compressed frame few tiles are decoded: what is looked at is among them.
#[test]
fn a_compressed_frame_is_looked_at_like_a_plain_one() {
    let here = shot(300);
    let light = here.incoming().join("light_Ha_60s_0002.fits");
    break_off(&light, 297..300, Rest::Rows(1));
    let [_, packed, ..] = crate::mutants::forms(&light, &here.path(""));
    fs::write(here.incoming().join("packed.fits.fz"), packed).unwrap();
    here.once();
    let found = states(&here.session(EVENING));
    let reason = |name: &str| {
        let found = found.iter().find(|(file, ..)| file == name);
        let (_, state, reason) = found.unwrap();
        assert_eq!(state, "refused", "{name}");
        reason
    };
    let plain = reason("light_Ha_60s_0002.fits");
    assert!(plain.starts_with("half read: 3 of "), "{plain}");
    assert!(plain.ends_with("the first of them is row 298"), "{plain}");
    assert_eq!(reason("packed.fits.fz"), plain);
}

/// Frames of real cameras, darks and flats, are whole, and half of one is not.
#[test]
fn real_frames_are_whole() {
    let scratch = tempfile::tempdir().unwrap();
    let unpacker = Unpacker::new(PROGRAM.into(), scratch.path().into());
    let mut looked_at = 0;
    for folder in ["darks", "flats"] {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/data")
            .join(folder);
        for path in files(&folder) {
            if path.extension().is_none_or(|ending| ending != "fz") {
                continue;
            }
            let source = Source::open(&path, &unpacker).unwrap();
            let (width, height) = (source.width(), source.height());
            let mut image = vec![0.0; width * height];
            source.rows_f32(0, height, &mut image).unwrap();
            let found = |image: &[f32]| {
                let rows = rows_to_look_at(height).into_iter();
                let rows = rows
                    .map(|(first, count)| (first, &image[first * width..(first + count) * width]));
                unread(width, &rows.collect::<Vec<_>>())
            };
            assert_eq!(found(&image), None, "{}", path.display());
            for row in height / 2..height {
                image.copy_within((row - 1) * width..row * width, row * width);
            }
            assert!(found(&image).is_some(), "{}", path.display());
            looked_at += 1;
        }
    }
    assert_eq!(looked_at, 24);
}
