//! The stars of a calibrated light: how many, how wide, how round, where.
//!
//! The background comes off as a mesh. A first look at a few bands tells how wide stars are; then a
//! matched filter of that width finds what stands out by five times the noise, and groups of pixels
//! are parted into stars. The best exposed ones that are neither saturated, blended nor at an edge,
//! spread over the frame, get a Moffat profile fitted. Of a colour sensor the green photosites are
//! measured, in full pixels.
//!
//! Widths are those of the light that falls on the sensor: fits integrate the profile over pixels.
//!
//! Nothing here depends on the number of threads. The room does not know what a good star is: that
//! is the judge's business.

mod choose;
mod covered;
mod deblend;
mod detect;
mod field;
mod growth;
mod moffat;
mod shape;
#[cfg(test)]
mod tests;
mod twin;

use rayon::prelude::*;

use super::trails::{self, Speck};
use super::{BAND_ROWS, Background, Mesh};
use crate::combine::median;
use crate::facts::{Stars, Trail};

pub use covered::Covered;
pub use field::Light;

use choose::Neighbours;
use deblend::{Blob, deblend};
use detect::{Kernel, sweep};
use field::Field;

/// Full width at half maximum of a Gaussian: 2 sqrt(2 ln 2) standard deviations.
const SIGMA_TO_FWHM: f32 = 2.354_82;

/// Where no star tells: what a small telescope under an average sky yields.
const USUAL_FWHM: f32 = 3.0;

/// So many bands are looked at to see how wide stars are.
const FIRST_LOOK: usize = 8;

/// What a light's pixels say of its stars.
#[derive(Clone, Debug)]
pub struct StarReport {
    /// Level and noise of the background, ADU.
    pub background: Background,
    /// Steepest change of the background across the whole frame, ADU.
    pub gradient_adu: f64,
    /// Its stars.
    pub stars: Stars,
    /// Its trails.
    pub trails: Vec<Trail>,
    /// The background as a map.
    pub mesh: Mesh,
    /// Which pixels stars and trails reach.
    pub covered: Covered,
}

/// Measures a light. Nothing where no pixel is a number.
pub fn stars(light: &Light<'_>) -> Option<StarReport> {
    let mesh = light.mesh()?;
    let background = mesh.background();
    let field = Field::new(*light, mesh);
    let size = (field.width, field.height);
    let fwhm = first_look(&field);
    let kernel = Kernel::of(fwhm, light.cfa.is_some());
    let bands = field.height.div_ceil(BAND_ROWS);
    let (mut blobs, squares) = find(&field, &kernel, (0..bands).collect());
    let specks = trails::specks(&squares, field.width);
    let lines = lines(&blobs, &specks, background.noise, (fwhm, size));
    let on_line = |blob: &Blob| {
        lines
            .iter()
            .any(|line| line.is_near(blob.x, blob.y, trail_half(fwhm)))
    };
    blobs.retain(|blob| !on_line(blob));
    // Neighbours are looked for by row.
    blobs.sort_by(|a, b| a.y.total_cmp(&b.y).then(a.x.total_cmp(&b.x)));
    let fwhm = width(&blobs, &kernel).unwrap_or(fwhm);
    let neighbours = Neighbours::new(&blobs);
    let fitted = shape::fit_best(&field, &neighbours, fwhm);
    let twin = twin::find(&blobs, fwhm, size);
    let profile = shape::typical(&fitted, fwhm);
    let stars = Stars {
        count: blobs.len() as u32,
        shape: shape::of_stars(&fitted, twin),
        fwhm_spread_px: shape::spread(&fitted, |star| star.fwhm()),
        elongation_spread: shape::spread(&fitted, |star| star.long / star.short),
        second_image: twin.map(|twin| twin.image()),
        zones: shape::zones(&fitted, twin, size),
        brightest: shape::brightest(&field, &neighbours, &profile),
    };
    let strips: Vec<_> = lines
        .iter()
        .map(|line| (line.ends(), trail_half(fwhm)))
        .collect();
    Some(StarReport {
        background,
        gradient_adu: field.mesh.gradient(field.width, field.height),
        stars,
        trails: lines.iter().map(trails::Line::trail).collect(),
        covered: Covered::of(&blobs, &strips, &profile, background.noise, size),
        mesh: field.mesh,
    })
}

/// How far beside a trail's middle pixels and supposed stars are the trail's.
fn trail_half(fwhm: f32) -> f32 {
    2.0 * fwhm + 2.0
}

/// The trails among what was found. Bright stars are kept from voting, but not what is drawn out: a
/// part of a trail is that as well.
fn lines(
    blobs: &[Blob],
    specks: &[Speck],
    noise: f64,
    (fwhm, size): (f32, (usize, usize)),
) -> Vec<trails::Line> {
    const BRIGHT: f32 = 20.0;
    const SPIKY: f32 = 1000.0;
    let bright = |blob: &&Blob| blob.significance > BRIGHT && !blob.is_drawn;
    let bright: Vec<Blob> = blobs.iter().filter(bright).copied().collect();
    let spiky = bright
        .iter()
        .filter(|blob| blob.is_saturated || blob.significance > SPIKY);
    let spiky: Vec<(f32, f32)> = spiky.map(|blob| (blob.x, blob.y)).collect();
    let covered = Covered::of(&bright, &[], &shape::typical(&[], fwhm), noise, size);
    let scene = trails::Scene {
        size,
        covered: &covered,
        spiky: &spiky,
        fwhm,
    };
    trails::find(specks, &scene)
}

/// The stars of these bands, and their squares of a few pixels. Long thin groups are no stars.
fn find(field: &Field<'_>, kernel: &Kernel, bands: Vec<usize>) -> (Vec<Blob>, Vec<f32>) {
    /// Longer than so many widths, a thin group is a part of a trail.
    const LONG: f32 = 25.0;
    let bright = sweep(field, kernel, bands);
    let groups = bright.groups();
    let stars: Vec<Vec<Blob>> = groups
        .par_iter()
        .map(|group| deblend(field, kernel, &bright, group, LONG * kernel.fwhm))
        .collect();
    (stars.concat(), bright.squares)
}

/// How wide stars are, from a few bands spread over the frame.
fn first_look(field: &Field<'_>) -> f32 {
    let bands = field.height.div_ceil(BAND_ROWS);
    let looked_at = bands.min(FIRST_LOOK);
    let spread = (0..looked_at).map(|at| (2 * at + 1) * bands / (2 * looked_at));
    let kernel = Kernel::of(USUAL_FWHM, field.light.cfa.is_some());
    width(&find(field, &kernel, spread.collect()).0, &kernel).unwrap_or(USUAL_FWHM)
}

/// Median width from the area above half of the filtered height, less the filter's own width, of all
/// clear stars, and where they are too few of the clearest. Nothing from too few stars.
fn width(blobs: &[Blob], kernel: &Kernel) -> Option<f32> {
    const FEWEST: usize = 3;
    const CLEAR: f32 = 20.0;
    const HARDLY_CLEAR: f32 = 8.0;
    let whole =
        |star: &&Blob| star.significance > HARDLY_CLEAR && !star.is_saturated && !star.is_blended;
    let mut clearest: Vec<&Blob> = blobs.iter().filter(whole).collect();
    clearest.sort_by(|a, b| b.significance.total_cmp(&a.significance));
    let clear = clearest.partition_point(|star| star.significance > CLEAR);
    let widths = clearest.iter().take(clear.max(FEWEST)).map(|star| {
        let square = 4.0 * f64::from(star.half_pixels) / std::f64::consts::PI;
        (square - f64::from(kernel.fwhm).powi(2)).max(1.0).sqrt()
    });
    let mut widths: Vec<f64> = widths.collect();
    if widths.len() < FEWEST {
        return None;
    }
    median(&mut widths).map(|width| width as f32)
}
