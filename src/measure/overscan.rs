//! The level of a frame's overscan.

use crate::combine::clipped_sorted;

/// Clipping limit in standard deviations.
const LIMIT: f64 = 3.0;

/// It settles after a few rounds; a limit keeps the time bounded.
const ROUNDS: u32 = 20;

/// One level for the whole frame: the mean of the overscan's pixels, clipped around their median
/// until nothing is left to clip. Nothing where none is finite.
///
/// Clipping takes off what a cosmic ray or the trail of a saturated star leaves there. A mean, not
/// a median: samples come in whole ADU, and so would their median. A level per row would follow
/// drifts within a readout, and add the noise of a few pixels to every row of the image as stripes.
pub fn overscan_level(mut pixels: Vec<f32>) -> Option<f64> {
    pixels.retain(|pixel| pixel.is_finite());
    pixels.sort_unstable_by(f32::total_cmp);
    clipped_sorted(&pixels, LIMIT, ROUNDS).map(|clip| clip.mean)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mean_without_trails_and_what_is_no_number() {
        // 0 to 7 evenly: mean 3.5, standard deviation 2.3, nothing beyond three of them.
        let even = || (0..4000).map(|n| 500.0 + (n % 8) as f32);
        assert_eq!(overscan_level(even().collect()), Some(503.5));
        let trails = std::iter::repeat_n(40_000.0, 30).chain([f32::NAN, f32::INFINITY, 0.0]);
        assert_eq!(overscan_level(even().chain(trails).collect()), Some(503.5));
        assert_eq!(overscan_level(vec![f32::NAN]), None);
    }
}
