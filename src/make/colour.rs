//! A light's channel lines in its header: red and blue as straight lines over green.

use crate::facts::{Card, ChannelLine, Colour, Header, Value};

/// The keywords of slope and intercept of a colour that has a line.
const KEYWORDS: [(Colour, &str, &str); 2] = [
    (Colour::Red, "DLREDSLP", "DLREDINT"),
    (Colour::Blue, "DLBLUSLP", "DLBLUINT"),
];

/// The cards that tell these lines.
pub(super) fn cards(lines: &[ChannelLine]) -> Vec<Card> {
    let told = KEYWORDS.iter().filter_map(|(colour, slope, intercept)| {
        let line = lines.iter().find(|line| line.colour == *colour)?;
        Some([
            Card::new(slope, Value::Real(line.slope), "slope over green"),
            Card::new(
                intercept,
                Value::Real(line.intercept_adu),
                "[adu] where green is 0",
            ),
        ])
    });
    told.flatten().collect()
}

/// Lines that stand for those not known yet: as many cards as any light may have.
pub(super) fn unknown() -> Vec<ChannelLine> {
    let line = |(colour, _, _)| ChannelLine {
        colour,
        slope: 0.0,
        intercept_adu: 0.0,
    };
    KEYWORDS.map(line).into()
}

/// The lines that a header tells.
pub(super) fn lines(header: &Header) -> Vec<ChannelLine> {
    let told = KEYWORDS.iter().filter_map(|(colour, slope, intercept)| {
        Some(ChannelLine {
            colour: *colour,
            slope: header.number(slope)?,
            intercept_adu: header.number(intercept)?,
        })
    });
    told.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_header_tells_the_lines_back() {
        let mut wanted = unknown();
        assert_eq!(wanted.len(), 2);
        wanted[1].slope = 0.83;
        wanted[1].intercept_adu = -41.25;
        for wanted in [&wanted[..], &wanted[1..], &[]] {
            assert_eq!(lines(&Header::new(cards(wanted))), wanted);
        }
    }
}
