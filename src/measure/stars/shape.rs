//! From fitted stars to the figures of a frame.

use rayon::prelude::*;

use super::choose::{self, FAIRLY_EXPOSED, Neighbours, WELL_EXPOSED, highest, is_whole};
use super::deblend::Blob;
use super::field::Field;
use super::growth::Growth;
use super::moffat::{self, Moffat, Sample};
use super::twin::Twin;
use crate::combine::{MAD_TO_SD, mad, median};
use crate::facts::{Shape, Star};

/// Fitted out to so many widths, and at least so many pixels.
const FIT_REACH: (f32, f32) = (2.5, 4.0);

/// The flux grows out to so many widths when half of it is looked for.
const GROWTH_REACH: f64 = 3.0;

/// A star's flux is summed within so many of the frame's widths: most of it, little of the sky.
const FLUX_REACH: f64 = 1.5;

/// Fewer stars give no shape, of the frame or of a zone.
const FEWEST: usize = 3;

/// Less weight gives no shape: what two fairly exposed stars have, or one and several that are fainter.
const LEAST_WEIGHT: f64 = 2.0 * (FAIRLY_EXPOSED * FAIRLY_EXPOSED) as f64;

/// How many stars stand for the pattern of a field, and how many of a ninth of it at most.
const BRIGHTEST: usize = 60;
const BRIGHTEST_OF_ZONE: usize = 14;

/// A star and its profile.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fitted {
    pub(super) profile: Moffat,
    half_flux: f64,
    /// Of its figures among others': the inverse of their variance, up to a limit from which on stars
    /// differ for other reasons than noise.
    weight: f64,
}

/// Fits the stars that tell the frame's shape. Blurred or drawn out, a light of a sparse field may have
/// hardly one that is fairly exposed; its fainter ones tell the same then. One that stands out among
/// them may be no star at all: it counts for no more than a fairly exposed one, and so never decides.
pub(super) fn fit_best(field: &Field<'_>, neighbours: &Neighbours<'_>, fwhm: f32) -> Vec<Fitted> {
    let stars = choose::choose(field, neighbours, fwhm);
    let fitted = fit_all(field, neighbours, &stars, fwhm, WELL_EXPOSED);
    if fitted.len() >= FEWEST {
        return fitted;
    }
    let stars = choose::choose_faint(field, neighbours, fwhm);
    fit_all(field, neighbours, &stars, fwhm, FAIRLY_EXPOSED)
}

/// Fits these stars, in their order; those that no profile fits are left out. Beyond a signal to noise
/// of `most` their weight grows no more.
fn fit_all(
    field: &Field<'_>,
    neighbours: &Neighbours<'_>,
    stars: &[&Blob],
    fwhm: f32,
    most: f32,
) -> Vec<Fitted> {
    let fitted: Vec<Option<Fitted>> = stars
        .par_iter()
        .map_init(Vec::new, |samples, star| {
            let profile = fit(field, neighbours, star, fwhm, samples)?;
            let reach = GROWTH_REACH * profile.fwhm();
            let place = (profile.x, profile.y);
            // Among neighbours, whose flux would count, only the profile can tell.
            let half_flux = match neighbours.leave_alone(star, reach as f32 + fwhm) {
                true => Growth::of(field, place, reach, profile.background).half_flux(&profile)?,
                false => profile.half_flux(),
            };
            let weight = f64::from(star.significance.min(most)).powi(2);
            Some(Fitted {
                profile,
                half_flux,
                weight,
            })
        })
        .collect();
    fitted.into_iter().flatten().collect()
}

/// Fits a star to its sound pixels that are not nearer to another star.
fn fit(
    field: &Field<'_>,
    neighbours: &Neighbours<'_>,
    star: &Blob,
    fwhm: f32,
    samples: &mut Vec<Sample>,
) -> Option<Moffat> {
    let reach = (FIT_REACH.0 * fwhm).max(FIT_REACH.1);
    let near: Vec<&Blob> = neighbours.of(star, 2.0 * reach).collect();
    samples.clear();
    let from = |at: f32| (at - reach).ceil().max(0.0) as usize;
    let to = |at: f32, side: usize| ((at + reach).floor().max(0.0) as usize).min(side - 1);
    for y in from(star.y)..=to(star.y, field.height) {
        for x in from(star.x)..=to(star.x, field.width) {
            let away = |star: &Blob| (x as f32 - star.x).powi(2) + (y as f32 - star.y).powi(2);
            let own = away(star);
            if own <= reach * reach && field.is_sound(x, y) && near.iter().all(|n| away(n) > own) {
                let value = f64::from(field.light.plane[(y, x)]) - field.mesh.at(x, y).level;
                samples.push(Sample {
                    x: x as f64,
                    y: y as f64,
                    value,
                });
            }
        }
    }
    let place = (f64::from(star.x), f64::from(star.y));
    moffat::fit(samples, place, f64::from(fwhm), f64::from(star.peak))
}

/// The median of a figure by the stars' weights: half of all weight lies on either side.
fn middle(fitted: &[Fitted], figure: impl Fn(&Fitted) -> f64) -> Option<f64> {
    let weigh = |star: &Fitted| (figure(star), star.weight);
    let mut figures: Vec<(f64, f64)> = fitted.iter().map(weigh).collect();
    figures.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = figures.iter().map(|(_, weight)| weight).sum::<f64>() / 2.0;
    let mut below = 0.0;
    let at = figures.iter().position(|(_, weight)| {
        below += weight;
        below >= half
    })?;
    // Where just half lies below, the middle lies between two, as that of an even number does.
    match figures.get(at + 1) {
        Some((next, _)) if below == half => Some((figures[at].0 + next) / 2.0),
        _ => Some(figures[at].0),
    }
}

/// The profile of a typical star of the frame: what it is where none was fitted.
pub(super) fn typical(fitted: &[Fitted], fwhm: f32) -> Moffat {
    let width = middle(fitted, |star| star.profile.fwhm()).unwrap_or(f64::from(fwhm));
    Moffat {
        x: 0.0,
        y: 0.0,
        height: 1.0,
        background: 0.0,
        g: middle(fitted, |star| star.profile.g).unwrap_or(0.3),
        long: width,
        short: width,
        angle: 0.0,
    }
}

/// The shape of these stars: medians over them. A twin that all of them have counts to it.
pub(super) fn of_stars(fitted: &[Fitted], twin: Option<Twin>) -> Option<Shape> {
    let weight: f64 = fitted.iter().map(|star| star.weight).sum();
    if fitted.len() < FEWEST || weight < LEAST_WEIGHT {
        return None;
    }
    let over = |figure: &dyn Fn(&Fitted) -> f64| middle(fitted, figure).map(|value| value as f32);
    // Directions are summed as vectors of twice the angle, longer for longer stars.
    let (mut along, mut across) = (0.0, 0.0);
    for star in fitted {
        let Moffat {
            long, short, angle, ..
        } = star.profile;
        let drawn = star.weight * (long - short) / (long + short);
        along += drawn * (2.0 * angle).cos();
        across += drawn * (2.0 * angle).sin();
    }
    let angle = 0.5 * f64::atan2(across, along);
    let mut shape = Shape {
        stars: fitted.len() as u32,
        fwhm_px: over(&|star| star.profile.fwhm())?,
        half_flux_px: over(&|star| star.half_flux)?,
        elongation: over(&|star| star.profile.long / star.profile.short)?,
        angle_deg: degrees(angle),
    };
    if let Some(twin) = twin {
        let (elongation, angle) = twin.with(&shape);
        shape.elongation = elongation;
        shape.angle_deg = degrees(angle);
    }
    Some(shape)
}

/// An axis's direction, 0 to 180.
fn degrees(angle: f64) -> f32 {
    // The remainder of a tiny negative angle rounds to 180.
    (angle.to_degrees().rem_euclid(180.0) as f32) % 180.0
}

/// Robust standard deviation of a figure of the stars' profiles. One bright star must not hide how the
/// others scatter, so all count alike.
pub(super) fn spread(fitted: &[Fitted], figure: impl Fn(&Moffat) -> f64) -> f32 {
    let mut figures: Vec<f64> = fitted.iter().map(|star| figure(&star.profile)).collect();
    let away = median(&mut figures).and_then(|centre| mad(&figures, centre));
    (MAD_TO_SD * away.unwrap_or(0.0)) as f32
}

/// Shapes by zone, three rows of three.
pub(super) fn zones(
    fitted: &[Fitted],
    twin: Option<Twin>,
    size: (usize, usize),
) -> [Option<Shape>; 9] {
    std::array::from_fn(|zone| {
        let here = |star: &&Fitted| zone_of((star.profile.x, star.profile.y), size) == zone;
        let fitted: Vec<Fitted> = fitted.iter().filter(here).copied().collect();
        of_stars(&fitted, twin)
    })
}

fn zone_of((x, y): (f64, f64), (width, height): (usize, usize)) -> usize {
    let third = |at: f64, side: usize| (3.0 * (at + 0.5) / side as f64).clamp(0.0, 2.0) as usize;
    3 * third(y, height) + third(x, width)
}

/// The stars that stand for the pattern of the field, by flux, the brightest first.
pub(super) fn brightest(
    field: &Field<'_>,
    neighbours: &Neighbours<'_>,
    typical: &Moffat,
) -> Vec<Star> {
    let size = (field.width, field.height);
    let fwhm = typical.fwhm() as f32;
    let highest = highest(neighbours.blobs);
    let mut whole: Vec<&Blob> = neighbours.blobs.iter().collect();
    whole.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    let mut taken: Vec<&Blob> = Vec::new();
    let mut of_zone = [0; 9];
    for star in whole {
        let zone = zone_of((f64::from(star.x), f64::from(star.y)), size);
        if taken.len() < BRIGHTEST
            && of_zone[zone] < BRIGHTEST_OF_ZONE
            && is_whole(field, star, fwhm, highest)
        {
            of_zone[zone] += 1;
            taken.push(star);
        }
    }
    let mut stars: Vec<Star> = taken
        .par_iter()
        .map_init(Vec::new, |samples, star| {
            let fitted = fit(field, neighbours, star, fwhm, samples);
            let place = fitted.map_or((f64::from(star.x), f64::from(star.y)), |p| (p.x, p.y));
            let reach = FLUX_REACH * typical.fwhm();
            let flux = Growth::of(field, place, reach, f64::from(star.around)).flux();
            Star {
                x: place.0 as f32,
                y: place.1 as f32,
                flux: flux as f32,
            }
        })
        .collect();
    stars.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    stars
}
