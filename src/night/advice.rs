//! Advice from measured values: how long to expose, and whether pixels and seeing go together.
//!
//! Each value stands for itself: what lacks an input is left out, never guessed. The sentences say the
//! numbers they rest on. It knows numbers alone, and neither frames nor profiles.
//!
//! The signal that fills the wells of a long exposure is the sky's. Once its shot noise outweighs
//! the read noise, many short exposures are as good as few long ones; the read noise adds the share p
//! to the sky's noise where sqrt(S + R^2) = (1 + p) sqrt(S), so the sky must give
//! S = R^2 / ((1 + p)^2 - 1) electrons per pixel.

use super::text::rounded;

/// The share that read noise may add to the sky's noise before longer exposures pay.
const SHARE: f64 = 0.05;

/// Fewer pixels than this across a star's width lose detail, after the sampling theorem.
const UNDER_PX: f64 = 2.0;
/// More pixels than this across a star's width show no more detail; common practice.
const OVER_PX: f64 = 4.0;

/// What was measured of lights of one rig, filter and exposure.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Series {
    /// Exposure of one light, seconds.
    pub exposure_s: f64,
    /// The sky's level above the pedestal, ADU: median background of calibrated lights.
    pub background_adu: Option<f64>,
    /// Gain, electrons per ADU, of the stored pixels.
    pub electrons_per_adu: Option<f64>,
    /// Read noise of a stored pixel, electrons.
    pub read_noise_e: Option<f64>,
    /// Arcseconds of a stored pixel.
    pub pixel_scale_arcsec: Option<f64>,
    /// Median full width at half maximum of stars, stored pixels.
    pub fwhm_px: Option<f64>,
}

/// How stars are sampled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sampling {
    /// Fewer than two pixels to a star's width.
    Under,
    /// Neither.
    Fitting,
    /// More than four pixels to a star's width.
    Over,
}

impl Sampling {
    /// Of stars so wide.
    fn of(fwhm_px: f64) -> Self {
        match fwhm_px {
            few if few < UNDER_PX => Self::Under,
            many if many > OVER_PX => Self::Over,
            _ => Self::Fitting,
        }
    }
}

/// What follows for a series.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Advice {
    /// Electrons per second that the sky gives a pixel; dark current that no dark took off counts
    /// as sky.
    pub sky_e_per_s: Option<f64>,
    /// What read noise adds to the sky's noise at the series' exposure, as a fraction.
    pub read_noise_share: Option<f64>,
    /// The exposure at which it adds 5 %, seconds.
    pub sub_exposure_s: Option<f64>,
    /// Arcseconds of a star's width.
    pub fwhm_arcsec: Option<f64>,
    /// How stars are sampled.
    pub sampling: Option<Sampling>,
    /// The same for a person.
    pub sentences: Vec<String>,
}

/// Electrons of sky per pixel at which read noise adds the share `p` to its noise.
pub fn needed_sky_e(read_noise_e: f64, p: f64) -> f64 {
    read_noise_e * read_noise_e / ((1.0 + p) * (1.0 + p) - 1.0)
}

/// What read noise adds to the noise of so many electrons of sky, as a fraction of that noise.
pub fn read_noise_share(read_noise_e: f64, sky_e: f64) -> f64 {
    (1.0 + read_noise_e * read_noise_e / sky_e).sqrt() - 1.0
}

/// What follows from what was measured.
pub fn advise(series: &Series) -> Advice {
    let positive = |value: Option<f64>| value.filter(|&value| value > 0.0 && value.is_finite());
    let exposure = positive(Some(series.exposure_s));
    let background = positive(series.background_adu);
    let sky = background
        .zip(positive(series.electrons_per_adu))
        .map(|(level, gain)| level * gain);
    let noise = positive(series.read_noise_e);
    let rate = sky.zip(exposure).map(|(sky, exposure)| sky / exposure);
    let scale = positive(series.pixel_scale_arcsec);
    let fwhm = positive(series.fwhm_px);
    let mut advice = Advice {
        sky_e_per_s: rate,
        read_noise_share: noise
            .zip(sky)
            .map(|(noise, sky)| read_noise_share(noise, sky)),
        sub_exposure_s: noise
            .zip(rate)
            .map(|(noise, rate)| needed_sky_e(noise, SHARE) / rate),
        fwhm_arcsec: fwhm.zip(scale).map(|(fwhm, scale)| fwhm * scale),
        sampling: fwhm.map(Sampling::of),
        sentences: Vec::new(),
    };
    advice.sentences = [exposing(series, &advice), sampling(fwhm, scale, &advice)]
        .into_iter()
        .flatten()
        .collect();
    advice
}

fn exposing(series: &Series, advice: &Advice) -> Option<String> {
    let rate = advice.sky_e_per_s?;
    let sky = format!("the sky gives {} electrons per second", three(rate));
    let (Some(share), Some(enough)) = (advice.read_noise_share, advice.sub_exposure_s) else {
        return Some(format!("{sky}; the read noise is not known"));
    };
    let (noise, now) = (series.read_noise_e?, series.exposure_s);
    let verdict = match enough {
        enough if now < enough => "longer exposures pay",
        enough if now > 3.0 * enough => "shorter ones would do as well and lose less to a gust",
        _ => "well chosen",
    };
    Some(format!(
        "{sky}: at {} s the read noise of {} electrons adds {} % to its noise, at {} s it would \
         add 5 %: {verdict}",
        rounded(now, 3),
        three(noise),
        three(share * 100.0),
        three(enough),
    ))
}

fn sampling(fwhm_px: Option<f64>, scale: Option<f64>, advice: &Advice) -> Option<String> {
    let pixels = scale.map(|scale| format!(" of {} arcsec", three(scale)));
    let pixels = pixels.unwrap_or_default();
    let Some(fwhm_px) = fwhm_px else {
        return scale.map(|scale| format!("a pixel is {} arcsec", three(scale)));
    };
    let width = advice.fwhm_arcsec;
    let width = width.map(|width| format!(" ({} arcsec)", three(width)));
    let verdict = match Sampling::of(fwhm_px) {
        Sampling::Under => "undersampled, under 2: detail is lost, dithering wins some back",
        Sampling::Fitting => "well sampled, between 2 and 4",
        Sampling::Over => "oversampled, over 4: binning loses nothing tonight",
    };
    Some(format!(
        "stars are {} pixels{pixels} wide{}: {verdict}",
        three(fwhm_px),
        width.unwrap_or_default()
    ))
}

/// Three digits that count, zeros at the end among them; below 1 three decimals.
fn three(value: f64) -> String {
    let decimals = match rounded(value, 3).abs() {
        at if at >= 99.95 => 0,
        at if at >= 9.995 => 1,
        at if at >= 1.0 => 2,
        _ => 3,
    };
    format!("{:.decimals$}", rounded(value, decimals as i32))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    fn close(found: f64, wanted: f64, within: f64) {
        let far = (found - wanted).abs();
        assert!(far <= within, "{found} is not {wanted}");
    }

    fn exposed(read_noise_e: f64, sky_e_per_s: f64, exposure_s: f64) -> Advice {
        advise(&Series {
            exposure_s,
            background_adu: Some(sky_e_per_s * exposure_s / 0.25),
            electrons_per_adu: Some(0.25),
            read_noise_e: Some(read_noise_e),
            ..Series::default()
        })
    }

    /// Factors of R^2 computed apart with arbitrary precision.
    #[test]
    fn the_sky_that_drowns_read_noise() {
        for (percent, factor) in [
            (1.0, 49.7512),
            (2.0, 24.7525),
            (3.0, 16.4204),
            (5.0, 9.7561),
            (10.0, 4.7619),
            (20.0, 2.2727),
        ] {
            close(needed_sky_e(1.0, percent / 100.0), factor, 5e-5);
            close(read_noise_share(3.0, 9.0 * factor), percent / 100.0, 1e-5);
        }
        close(needed_sky_e(1.5, 0.05), 21.9512, 5e-5);
        close(needed_sky_e(8.0, 0.1), 304.762, 5e-4);
        close(
            exposed(1.5, 0.5, 60.0).sub_exposure_s.unwrap(),
            43.902,
            5e-4,
        );
        close(
            exposed(3.5, 0.2, 60.0).sub_exposure_s.unwrap(),
            597.561,
            5e-4,
        );
        // Nine times the square of the read noise, a popular rule.
        close(read_noise_share(1.0, 9.0), 0.0541, 5e-5);
    }

    /// A worked case published at wordpress.wt5l.com in March 2009: 20 electrons of read noise, 2.6
    /// electrons per ADU, 1000 ADU over a pedestal of 100: 8 % more noise.
    #[test]
    fn a_published_case_comes_out_as_published() {
        let advice = advise(&Series {
            exposure_s: 600.0,
            background_adu: Some(900.0),
            electrons_per_adu: Some(2.6),
            read_noise_e: Some(20.0),
            ..Series::default()
        });
        close(advice.read_noise_share.unwrap(), 0.0821, 5e-5);
        close(advice.sky_e_per_s.unwrap(), 3.9, 1e-12);
        assert_eq!(
            advice.sentences,
            [
                "the sky gives 3.90 electrons per second: at 600 s the read noise of 20.0 electrons adds \
              8.21 % to its noise, at 1001 s it would add 5 %: longer exposures pay"
            ]
        );
    }

    #[test]
    fn three_digits_count_and_zeros_are_among_them() {
        for (value, text) in [
            (3.0, "3.00"),
            (4.0, "4.00"),
            (9.996, "10.0"),
            (20.0, "20.0"),
            (99.96, "100"),
            (1000.7, "1001"),
            (0.9996, "1.00"),
            (0.5, "0.500"),
            (0.0123, "0.012"),
        ] {
            assert_eq!(three(value), text);
        }
    }

    #[test]
    fn exposures_are_judged_by_what_they_gain() {
        let says = |exposure| exposed(1.5, 0.5, exposure).sentences[0].clone();
        assert!(
            says(30.0).ends_with("longer exposures pay"),
            "{}",
            says(30.0)
        );
        assert!(says(60.0).ends_with("well chosen"), "{}", says(60.0));
        assert!(
            says(300.0).contains("shorter ones would do"),
            "{}",
            says(300.0)
        );
    }

    #[test]
    fn stars_are_undersampled_below_two_pixels_and_oversampled_above_four() {
        let of = |fwhm_px| {
            advise(&Series {
                pixel_scale_arcsec: Some(1.463_313),
                fwhm_px: Some(fwhm_px),
                ..Series::default()
            })
        };
        assert_eq!(of(1.9).sampling, Some(Sampling::Under));
        assert_eq!(of(2.0).sampling, Some(Sampling::Fitting));
        assert_eq!(of(4.0).sampling, Some(Sampling::Fitting));
        assert_eq!(of(4.1).sampling, Some(Sampling::Over));
        assert_eq!(
            of(2.5).sentences,
            [
                "stars are 2.50 pixels of 1.46 arcsec wide (3.66 arcsec): well sampled, between 2 and 4"
            ]
        );
    }

    #[test]
    fn what_is_not_known_is_left_out() {
        assert_eq!(advise(&Series::default()), Advice::default());
        let dark = Series {
            exposure_s: 60.0,
            background_adu: Some(-0.3),
            electrons_per_adu: Some(1.0),
            read_noise_e: Some(1.5),
            ..Series::default()
        };
        assert_eq!(advise(&dark), Advice::default(), "no sky, no advice");
        let bare = Series {
            background_adu: Some(100.0),
            read_noise_e: None,
            fwhm_px: Some(3.0),
            ..dark
        };
        let advice = advise(&bare);
        assert_eq!(advice.sub_exposure_s, None);
        assert_eq!(
            advice.sentences,
            [
                "the sky gives 1.67 electrons per second; the read noise is not known",
                "stars are 3.00 pixels wide: well sampled, between 2 and 4"
            ]
        );
    }
}
