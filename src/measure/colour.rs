//! What the colours of a Bayer sensor say: sky by colour, the channel line, and whether the label of
//! the colour filter array can be true.
//!
//! All results are for the log and the product's header; no pixel is changed by them.

mod diagonal;
mod line;
mod split;

use ndarray::parallel::prelude::*;
use ndarray::{ArrayView2, Axis};

use super::background::{self, BAND_ROWS};
use crate::facts::{Cfa, Colour, ColourSky, Passband};

pub use diagonal::{Diagonal, diagonal};
pub use line::{channel_lines, colour_cells, lines_of_cells};
pub use split::{Joined, LinePlane, line_plane};

/// Background and noise of each colour of a calibrated light, ADU: red, green, blue. A colour of which
/// nothing is known is left out.
pub fn colour_sky(plane: ArrayView2<'_, f32>, cfa: Cfa) -> Vec<ColourSky> {
    let (height, width) = plane.dim();
    let step = background::row_step(width, height);
    let sky = |colour: Colour| {
        let bands = plane.axis_chunks_iter(Axis(0), BAND_ROWS).into_par_iter();
        let cells: Vec<_> = bands
            .map(|rows| match rows.as_slice() {
                Some(rows) => background::band_of(width, rows, Some((cfa, colour)), step),
                None => Vec::new(),
            })
            .collect();
        let found = background::fold(&cells)?;
        Some(ColourSky {
            colour,
            level_adu: found.level,
            noise_adu: found.noise,
        })
    };
    let colours = [Colour::Red, Colour::Green, Colour::Blue];
    colours.into_iter().filter_map(sky).collect()
}

/// A sentence where a filter before a colour sensor passes a single line: it wastes photosites.
pub fn single_line_caution(filter: &str, passbands: &[Passband]) -> Option<String> {
    let [passband] = passbands else {
        return None;
    };
    let part = 100.0 * passband.photosites.part();
    let which = passband.photosites.word().replace('-', " and ");
    Some(format!(
        "filter {filter} before a colour sensor: {} reaches the {which} photosites, {part:.0} % of \
         all; {:.0} % are lost",
        passband.line,
        100.0 - part
    ))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use ndarray::Array2;

    use super::*;
    use crate::facts::Photosites;

    #[test]
    fn every_colour_has_its_sky() {
        let cfa = Cfa::parse("GBRG").unwrap();
        let plane = Array2::from_shape_fn((130, 200), |(y, x)| {
            let wave = ((x / 2 + 3 * (y / 2)) % 5) as f32 - 2.0;
            match cfa.at(x, y) {
                Colour::Red => 60.0 + wave,
                Colour::Green => 100.0 + 2.0 * wave,
                Colour::Blue => 50.0,
            }
        });
        let sky = colour_sky(plane.view(), cfa);
        let levels: Vec<(Colour, f64)> = sky.iter().map(|s| (s.colour, s.level_adu)).collect();
        let wanted = [
            (Colour::Red, 60.0),
            (Colour::Green, 100.0),
            (Colour::Blue, 50.0),
        ];
        for ((colour, level), wanted) in levels.into_iter().zip(wanted) {
            assert!(
                colour == wanted.0 && (level - wanted.1).abs() < 0.2,
                "{colour:?} {level}"
            );
        }
        // The variance of -2 to 2 is 2.
        assert!((sky[0].noise_adu - 2f64.sqrt()).abs() < 0.05, "{sky:?}");
        assert!((sky[1].noise_adu - 8f64.sqrt()).abs() < 0.1, "{sky:?}");
        assert_eq!(
            colour_sky(Array2::from_elem((4, 4), f32::NAN).view(), cfa),
            []
        );
    }

    /// A quarter of a Bayer array is red, a quarter blue, half of it green (US patent 3,971,065).
    #[test]
    fn single_lines_waste_photosites() {
        let passband = |line: &str, photosites| Passband {
            line: line.to_owned(),
            photosites,
        };
        let red = passband("Ha", Photosites::Red);
        let told = single_line_caution("Ha 3 nm", std::slice::from_ref(&red)).unwrap();
        assert!(
            told.contains("red photosites, 25 %") && told.contains("75 % are lost"),
            "{told}"
        );
        let both = passband("OIII", Photosites::GreenBlue);
        let told = single_line_caution("OIII", std::slice::from_ref(&both)).unwrap();
        assert!(told.contains("green and blue photosites, 75 %"), "{told}");
        assert_eq!(single_line_caution("dual", &[red, both]), None);
        assert_eq!(single_line_caution("L", &[]), None);
    }
}
