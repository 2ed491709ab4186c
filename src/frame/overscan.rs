//! The overscan that the profile names, as it lies in one frame.
//!
//! The profile counts pixels of a whole, unbinned readout. A frame in which that cannot lie is
//! refused, since pixels of the sky would be taken for dark ones.

use crate::facts::{Overscan, Refusal, Stripe, Stripes};

use super::source::Source;

/// `size` and `binning` are the frame's, `origin` its first column and row on the sensor.
pub(super) fn overscan(
    source: &Source<'_>,
    size: (u32, u32),
    binning: (u32, u32),
    origin: (u32, u32),
) -> Result<Option<Overscan>, Refusal> {
    let Some(named) = source.profile().overscan else {
        return Ok(None);
    };
    let refuse = |what: &str, found: String, want: &str| Refusal::Keyword {
        keyword: what.to_owned(),
        found,
        want: want.to_owned(),
    };
    if origin != (0, 0) {
        return Err(refuse(
            "subframe origin",
            format!("{},{}", origin.0, origin.1),
            "the profile's overscan lies in whole readouts, want 0,0",
        ));
    }
    let binned = |stripe: Option<Stripe>, factor: u32| match stripe {
        Some(Stripe { first, count, skip })
            if [first, count, skip]
                .iter()
                .any(|number| number % factor != 0) =>
        {
            Err(refuse(
                "binning",
                format!("{}x{}", binning.0, binning.1),
                "pixels of the profile's overscan and of the image would be in one",
            ))
        }
        other => Ok(other.map(|stripe| Stripe {
            first: stripe.first / factor,
            count: stripe.count / factor,
            skip: stripe.skip / factor,
        })),
    };
    let found = Overscan {
        stored: size,
        stripes: Stripes {
            columns: binned(named.columns, binning.0)?,
            rows: binned(named.rows, binning.1)?,
        },
    };
    let inside = found.regions().all(|region| {
        region.left + region.width <= size.0 as usize
            && region.top + region.height <= size.1 as usize
    });
    let image = found.image();
    if !inside || image.width == 0 || image.height == 0 {
        return Err(refuse(
            "size",
            format!("{}x{}", size.0, size.1),
            "the profile's overscan does not lie in it beside an image",
        ));
    }
    Ok(Some(found))
}
