//! The header that a tile-compressed image has once it is plain.

use crate::facts::{Card, Value};

use super::claims::{Tiles, is_structural};
use super::encode::header_block;

/// The header of the plain file: its own structure, then every card of the original that is not
/// about the compressed form, as it stood.
pub(super) fn header(cards: &[Card], tiles: &Tiles) -> Vec<u8> {
    let number = |keyword, value| Card::new(keyword, Value::Integer(value), "");
    let mut plain = vec![
        Card::new("SIMPLE", Value::Logical(true), ""),
        number("BITPIX", tiles.bitpix),
        number("NAXIS", 2),
        number("NAXIS1", tiles.width as i64),
        number("NAXIS2", tiles.height as i64),
    ];
    let stated = |keyword: &str| {
        cards
            .iter()
            .find(|card| card.keyword == keyword && card.value != Value::None)
    };
    // A compressed integer image may name its undefined value under the table's keyword only.
    if let (true, None, Some(blank)) = (tiles.bitpix > 0, stated("BLANK"), stated("ZBLANK")) {
        plain.push(Card::new("BLANK", blank.value.clone(), ""));
    }
    plain.extend(
        cards
            .iter()
            .filter(|card| !is_structural(&card.keyword) && !is_about_tiles(&card.keyword))
            .cloned(),
    );
    header_block(&plain)
}

/// True for keywords of the compressed form: those of the tiled image convention (FITS Standard
/// 4.0, section 10.1) and of its binary table.
fn is_about_tiles(keyword: &str) -> bool {
    const NUMBERED: [&str; 12] = [
        "ZTILE", "ZNAXIS", "ZNAME", "ZVAL", "TTYPE", "TFORM", "TUNIT", "TSCAL", "TZERO", "TNULL",
        "TDIM", "TDISP",
    ];
    let digits = keyword.trim_end_matches(|c: char| c.is_ascii_digit());
    matches!(
        keyword,
        "ZIMAGE"
            | "ZCMPTYPE"
            | "ZBITPIX"
            | "ZMASKCMP"
            | "ZQUANTIZ"
            | "ZDITHER0"
            | "ZSIMPLE"
            | "ZTENSION"
            | "ZEXTEND"
            | "ZBLOCKED"
            | "ZPCOUNT"
            | "ZGCOUNT"
            | "ZHECKSUM"
            | "ZDATASUM"
            | "ZBLANK"
            | "ZSCALE"
            | "ZZERO"
            | "TFIELDS"
            | "THEAP"
    ) || NUMBERED.contains(&digits)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keywords_of_the_compressed_form_are_known() {
        for keyword in [
            "ZIMAGE", "ZNAXIS", "ZNAXIS2", "TTYPE1", "ZVAL12", "ZDATASUM",
        ] {
            assert!(is_about_tiles(keyword), "{keyword}");
        }
        for keyword in [
            "ZENITH", "ZPOINT1", "TDIMMER", "TELESCOP", "BZERO", "EXPTIME",
        ] {
            assert!(!is_about_tiles(keyword), "{keyword}");
        }
    }
}
