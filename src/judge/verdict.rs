//! Which lights are kept and which are set aside, by their group and by the profile's limits.
//!
//! A light is set aside where a figure of it is beyond its limit *and* three robust standard
//! deviations from its group. The group says what to expect ([`trend`]): its better lights at about
//! that time of the night, so that a setting target, a rising Moon or seeing that slowly worsens is
//! no fault. Groups of fewer than five lights say too little of their spread; there the limit alone
//! decides. A group that is bad as a whole is measured by earlier nights of the rig.
//!
//! The limits (`VerdictLimits`) and what they stand for are common practice among imagers. Air
//! mass X is corrected for where it is known for the whole group: extinction by 0.2 mag per air
//! mass, usual for broadband light at a good site, and the seeing's width by X^0.6 (D. L. Fried 1966,
//! JOSA 56, 1372: the coherence length goes as X^-0.6).
//!
//! # Invariants
//!
//! The verdicts depend on the set of lights, not on their order. It does not know what lights make
//! a group (`group`), nor what becomes of a light that is set aside.

mod compare;
mod figures;
mod findings;
#[cfg(test)]
mod tests;
mod trend;

use jiff::Timestamp;

use crate::facts::{Judged, Measured, Relative, Seconds, VerdictLimits};

use compare::{Compared, Seen};
use findings::Bench;

/// What the verdict needs to know of a light.
#[derive(Clone, Copy, Debug)]
pub struct Subframe<'a> {
    /// What its pixels say.
    pub measured: &'a Measured,
    /// Start of the exposure.
    pub start: Option<Timestamp>,
    /// Its length.
    pub exposure: Seconds,
    /// Thickness of air on the way, 1 at the zenith.
    pub air_mass: Option<f64>,
    /// Arc seconds per pixel.
    pub pixel_scale: Option<f64>,
    /// Columns and rows.
    pub size: (u32, u32),
}

/// What earlier nights of the rig were like at this filter and exposure: medians over their kept
/// lights. What is not known is absent.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Usual {
    /// Full width at half maximum at the zenith, pixels.
    pub fwhm_px: Option<f64>,
    /// Long axis over short axis.
    pub elongation: Option<f64>,
    /// Sky level, ADU per second.
    pub background_adu_per_s: Option<f64>,
    /// Number of stars, in this field.
    pub stars: Option<f64>,
}

/// Fewer lights than this say nothing of their spread.
const ENOUGH: usize = 5;

/// Judges each light of one group: one rig, field, filter and exposure. Answers stand in the order
/// of the lights.
///
/// - *trailed*: elongation beyond its limit (0.2 more where stars are narrower than 2 pixels, whose
///   shape says little). That of a field whose stars are all doubled, after a jump of the guiding, is
///   measured over both images.
/// - *clouds*: the same stars are fainter than the limit allows. Where too few stars are left to
///   match, the brightest are compared by rank.
/// - *defocused*: stars too wide; of a trailed light, across the trail. *bright-sky*: background above
///   the limit, and above the noise of a pixel, below which a bright sky does no harm. *few-stars*: too
///   few above the threshold.
/// - *off-target*: the field's centre is displaced by more than the limit, as a part of the side; or
///   there are plenty of stars and they are others. A field that is upside down is the same field.
pub fn verdicts(
    group: &[Subframe<'_>],
    earlier: Option<&Usual>,
    limits: &VerdictLimits,
) -> Vec<Judged> {
    let compared = Compared::of(group);
    let usual = earlier.copied().unwrap_or_default();
    let bench = Bench::new(group, &compared, usual, limits);
    (0..group.len())
        .map(|at| Judged {
            findings: bench.findings(at),
            relative: match compared.lights[at] {
                Seen::Matched(found) => Some(Relative {
                    transparency: bench.transparency(at),
                    shift_px: found.shift_px,
                    rotation_deg: found.rotation_deg,
                    scale: found.scale,
                }),
                Seen::Unmatched => None,
            },
        })
        .collect()
}
