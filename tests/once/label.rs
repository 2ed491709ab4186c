//! The label of a colour filter array, from the header to what the imager reads: pattern, offsets and
//! row order together say which photosite has which colour, and the flat says whether that can be true.

use dawnledger::facts::SessionLog;

use crate::demo::pixels;
use crate::observatory::{Observatory, said};
use crate::planes::{NIGHT, Night, night_of};

const EVENING: &str = "2026-09-05";
/// The flat's light on red, green and blue, the level of green as a part of the range, and the pedestal.
const PANEL: [f64; 3] = [0.6, 1.0, 0.8];
const GREEN: f64 = 0.45 * 65_535.0;
const PEDESTAL: f64 = 500.0;

/// A night of a sensor that is RGGB whatever these cards say.
fn night(cards: &str) -> Night {
    let [red, green, blue] = PANEL;
    let panel = format!("sky_e_per_s: 3, panel: [{red}, {green}, {blue}]");
    let scenario = NIGHT
        .replace("sky_e_per_s: 3", &panel)
        .replace("    runs:", &format!("    cards: {{{cards}}}\n    runs:"));
    night_of(crate::SOUTH, &scenario)
}

fn told(log: &SessionLog) -> Vec<&str> {
    let about = |text: &&String| text.contains("colour filter array");
    log.warnings
        .iter()
        .filter(about)
        .map(String::as_str)
        .collect()
}

/// What `log` prints, on one line.
fn digest(here: &Observatory) -> String {
    let output = here.call(&["log", EVENING]);
    assert!(output.status.success(), "{}", said(&output));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The number between two words.
fn between(text: &str, before: &str, after: &str) -> f64 {
    let rest = &text[text.find(before).unwrap() + before.len()..];
    let number = &rest[..rest.find(after).unwrap()];
    number
        .trim()
        .parse()
        .unwrap_or_else(|_| panic!("{number:?} in {text}"))
}

#[test]
fn a_label_on_the_wrong_diagonal_is_told_with_its_figures() {
    // What is on red and on blue photosites, which the label takes for two greens.
    let [red, blue] = [PANEL[0], PANEL[2]].map(|part| part * GREEN + PEDESTAL);
    let apart = 100.0 * 2.0 * (blue - red) / (blue + red);
    let wrong = [
        ("BAYERPAT: GRBG", "GRBG", "RGGB or BGGR"),
        ("BAYERPAT: GBRG", "GBRG", "BGGR or RGGB"),
        ("XBAYROFF: 1", "GRBG", "RGGB or BGGR"),
        ("YBAYROFF: 1", "GBRG", "BGGR or RGGB"),
        ("ROWORDER: BOTTOM-UP", "GBRG", "BGGR or RGGB"),
    ];
    for (cards, label, likely) in wrong {
        let night = night(cards);
        let told = told(&night.log);
        assert_eq!(told.len(), 1, "{cards}: {:?}", night.log.warnings);
        let text = told[0];
        let words = [
            format!("south-pier: the colour filter array is not {label} as labelled: in the flat"),
            "(limit 3 %)".to_owned(),
            format!("it is {likely}: look at pattern, offsets and row order"),
        ];
        for words in words {
            assert!(text.contains(&words), "{cards}: {text}");
        }
        let greens = between(text, "its greens differ by ", "+-");
        assert!((greens - apart).abs() < 0.5, "{apart}: {text}");
        let others = between(text, "the other two by ", "+-");
        assert!(others < 0.5, "{text}");
        let digest = digest(&night.here);
        assert!(digest.contains(text), "{text} is not in {digest}");
    }
}

/// Whatever way a header takes to say which colour a photosite has, the same is made of it.
#[test]
fn pattern_offsets_and_row_order_that_say_the_truth_raise_nothing() {
    let right = [
        "BAYERPAT: RGGB",
        "BAYERPAT: GRBG, XBAYROFF: 1",
        "BAYERPAT: GBRG, YBAYROFF: 1",
        "BAYERPAT: BGGR, XBAYROFF: 1, YBAYROFF: -1",
        // From the last row up, of an even number.
        "BAYERPAT: GBRG, ROWORDER: BOTTOM-UP",
        "BAYERPAT: RGGB, YBAYROFF: 1, ROWORDER: BOTTOM-UP",
    ];
    let mut wanted: Option<Vec<Vec<f32>>> = None;
    for cards in right {
        let night = night(cards);
        assert_eq!(told(&night.log), [""; 0], "{cards}");
        let text = digest(&night.here);
        assert!(!text.contains("colour filter array"), "{cards}: {text}");
        let found: Vec<_> = (0..3).map(|number| pixels(&night.light(number))).collect();
        match &wanted {
            None => wanted = Some(found),
            Some(wanted) => assert!(found == *wanted, "{cards}: other pixels"),
        }
    }
}
