//! One spectral line's plane of a light through a filter of two lines: half as wide and half as high.
//!
//! It comes from the raw light and the masters like the light itself, not from the light's product, so
//! that how that is stored plays no part.

use super::blank::contiguous;
use super::light::Calibration;
use super::{MakeError, Maker, Pulse, provenance};
use crate::facts::{Card, LineRecipe, Made, MadeStats, Recipe, Task, Value};
use crate::fits::{ImageWriter, Plane, Samples, Storage};
use crate::measure::colour::{LinePlane, line_plane};
use crate::measure::{self, BAND_ROWS};

/// Keywords of the colour filter array, of which nothing is left.
const ARRAY: [&str; 5] = ["BAYERPAT", "COLORTYP", "XBAYROFF", "YBAYROFF", "CFAPAT"];

/// Makes the plane and publishes it.
pub fn make(
    maker: &Maker,
    task: &Task,
    recipe: &LineRecipe,
    pulse: &Pulse,
) -> Result<Made, MakeError> {
    let spoiled = |reason: &str| MakeError::Spoiled {
        file: recipe.light.input.file.clone(),
        reason: reason.to_owned(),
    };
    let cfa = recipe.light.facts.camera.cfa;
    let cfa = cfa.ok_or_else(|| spoiled("its sensor has no colours to split"))?;
    let light = Calibration::open(maker, task, &recipe.light)?;
    let plane = light.plane(pulse)?;
    maker.check(&recipe.light.input)?;
    let line = line_plane(plane.view(), cfa, recipe.passband.photosites);
    let (height, width) = line.plane.dim();
    let pixels = contiguous(line.plane.as_slice());
    let bands: Vec<_> = pixels
        .chunks(BAND_ROWS * width.max(1))
        .map(|rows| measure::band(width, rows, None, measure::row_step(width, height)))
        .collect();
    let background = measure::fold(&bands);
    let background = background.ok_or_else(|| spoiled("none of its pixels is a number"))?;
    let stats = MadeStats {
        pixels: pixels.len() as u64,
        level: background.level,
        noise: background.noise,
        temporal: None,
        cut: 0,
        rejected: Vec::new(),
    };
    let kept = light.kept().into_iter();
    let kept = kept.filter(|card| !ARRAY.contains(&card.keyword.as_str()));
    let mut cards: Vec<Card> = kept.map(halved).collect();
    cards.push(Card::new("BUNIT", Value::Text("adu".to_owned()), ""));
    cards.extend(line_cards(recipe, &line));
    cards.extend(provenance::cards(&Recipe::Line(recipe.clone()), &stats));
    let draft = maker.disk.draft(&maker.output.join(&task.product))?;
    let image = Plane {
        storage: Storage::F32,
        cards: cards.clone(),
        height: None,
    };
    let writer = ImageWriter::begin(draft, width, height, vec![image])?;
    writer.rows(0, 0, Samples::F32(pixels))?;
    let size = writer.finish(&cards)?;
    Ok(Made::of(task, size, stats))
}

fn line_cards(recipe: &LineRecipe, line: &LinePlane) -> Vec<Card> {
    let text =
        |keyword, value: &str, comment| Card::new(keyword, Value::Text(value.to_owned()), comment);
    let real = |keyword, value, comment| Card::new(keyword, Value::Real(value), comment);
    let (x, y) = line.offset;
    let mut cards = vec![
        text("DLLINE", &recipe.passband.line, "spectral line"),
        text("DLSITES", recipe.passband.photosites.word(), "photosites"),
        real("DLOFFX", x, "[pix] from the middle of the 2x2 cell"),
        real("DLOFFY", y, "[pix] likewise, along rows"),
    ];
    if let Some(joined) = line.joined {
        cards.push(real(
            "DLRESP",
            joined.response,
            "blue over green, taken off",
        ));
        cards.push(real("DLBLUE", joined.weight, "weight of blue"));
    }
    cards
}

/// A card of an image of which every 2x2 pixels became one: reference pixels, scales and pixel sizes
/// follow (FITS Standard 4.0, section 8.1: pixels count from the middle of the first one).
fn halved(card: Card) -> Card {
    let number = match card.value {
        Value::Real(number) => number,
        Value::Integer(number) => number as f64,
        _ => return card,
    };
    let stem = card
        .keyword
        .trim_end_matches(|c: char| c.is_ascii_uppercase());
    let new = match stem {
        "CRPIX1" | "CRPIX2" => (number - 0.5) / 2.0 + 0.5,
        "CDELT1" | "CDELT2" | "CD1_1" | "CD1_2" | "CD2_1" | "CD2_2" => 2.0 * number,
        _ => match card.keyword.as_str() {
            "XPIXSZ" | "YPIXSZ" | "PIXSIZE1" | "PIXSIZE2" => 2.0 * number,
            _ => return card,
        },
    };
    Card::new(&card.keyword, Value::Real(new), &card.comment)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first of two pixels has its middle at 1, the second at 2, both together at 1.5: the middle
    /// of the first pixel of the half-size plane.
    #[test]
    fn coordinates_follow_the_larger_pixels() {
        for (keyword, value, wanted) in [
            ("CRPIX1", Value::Real(1.5), Value::Real(1.0)),
            ("CRPIX2A", Value::Integer(3), Value::Real(1.75)),
            ("CD1_2", Value::Real(-0.25), Value::Real(-0.5)),
            ("XPIXSZ", Value::Real(3.76), Value::Real(7.52)),
            ("EXPTIME", Value::Real(300.0), Value::Real(300.0)),
            ("GAIN", Value::Integer(100), Value::Integer(100)),
        ] {
            let card = halved(Card::new(keyword, value, "kept"));
            assert_eq!((card.value, card.comment.as_str()), (wanted, "kept"));
        }
    }
}
