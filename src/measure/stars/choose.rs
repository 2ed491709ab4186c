//! Which stars are measured.

use super::deblend::Blob;
use super::field::Field;

/// Signal to noise from which a star is well exposed.
pub(super) const WELL_EXPOSED: f32 = 50.0;

/// Where that leaves too few, from here.
pub(super) const FAIRLY_EXPOSED: f32 = 20.0;

/// The fit of a star that is fainter than this is a guess.
const FAINT: f32 = 7.0;

/// Fewer are too few.
const TOO_FEW: usize = 9;

/// The frame is cut into this many parts along each side, and so many stars are taken of each.
const PARTS: usize = 6;
const PER_PART: usize = 10;

/// A neighbour disturbs from this part of a star's flux on, within so many of its widths.
const DISTURBS: (f32, f32) = (0.03, 3.0);

/// Stars by row, so that neighbours are found without looking at all.
pub(super) struct Neighbours<'a> {
    pub(super) blobs: &'a [Blob],
}

impl<'a> Neighbours<'a> {
    /// Of stars in the order of their rows.
    pub(super) fn new(blobs: &'a [Blob]) -> Self {
        Self { blobs }
    }

    /// The other stars within a distance of one.
    pub(super) fn of(&self, star: &Blob, within: f32) -> impl Iterator<Item = &'a Blob> {
        let first = self
            .blobs
            .partition_point(|other| other.y < star.y - within);
        let (x, y) = (star.x, star.y);
        self.blobs[first..]
            .iter()
            .take_while(move |other| other.y <= y + within)
            .filter(move |other| {
                let away = (other.x - x).hypot(other.y - y);
                away <= within && away > 0.0
            })
    }

    /// Is none of those within a distance bright enough to disturb?
    pub(super) fn leave_alone(&self, star: &Blob, within: f32) -> bool {
        let mut near = self.of(star, within);
        !near.any(|other| other.flux > DISTURBS.0 * star.flux)
    }
}

/// Is it free of saturation, and far enough from the edges?
pub(super) fn is_whole(field: &Field<'_>, star: &Blob, fwhm: f32, highest: f32) -> bool {
    let margin = 1.5 * fwhm + 1.0;
    let inside = |at: f32, side: usize| at >= margin && at <= side as f32 - 1.0 - margin;
    let is_flat = star.is_flat_topped() && star.peak > 0.8 * highest;
    !star.is_saturated && !is_flat && inside(star.x, field.width) && inside(star.y, field.height)
}

/// The stars to be fitted, the brightest of each part of the frame.
pub(super) fn choose<'a>(
    field: &Field<'_>,
    neighbours: &Neighbours<'a>,
    fwhm: f32,
) -> Vec<&'a Blob> {
    // Better a faint star than none, and better a blended one than a faint one: its neighbours'
    // pixels are left out of the fit.
    let tries = [
        (WELL_EXPOSED, true),
        (WELL_EXPOSED, false),
        (FAIRLY_EXPOSED, false),
    ];
    let mut best = Vec::new();
    for (limit, apart) in tries {
        let taken = take(field, neighbours, fwhm, (limit, apart));
        if taken.len() > best.len() {
            best = taken;
        }
        if best.len() >= TOO_FEW {
            break;
        }
    }
    best
}

/// The same of a light through which hardly a star came: whatever can be fitted at all.
pub(super) fn choose_faint<'a>(
    field: &Field<'_>,
    neighbours: &Neighbours<'a>,
    fwhm: f32,
) -> Vec<&'a Blob> {
    take(field, neighbours, fwhm, (FAINT, false))
}

/// The brightest of each part of the frame from a limit on; only those that stand `apart`.
fn take<'a>(
    field: &Field<'_>,
    neighbours: &Neighbours<'a>,
    fwhm: f32,
    (limit, apart): (f32, bool),
) -> Vec<&'a Blob> {
    let highest = highest(neighbours.blobs);
    let alone = |star: &Blob| !star.is_blended && neighbours.leave_alone(star, DISTURBS.1 * fwhm);
    let mut parts: Vec<Vec<&Blob>> = vec![Vec::new(); PARTS * PARTS];
    for star in neighbours
        .blobs
        .iter()
        .filter(|star| star.significance >= limit)
    {
        let part = |at: f32, side: usize| ((at as usize) * PARTS / side).min(PARTS - 1);
        let place = part(star.y, field.height) * PARTS + part(star.x, field.width);
        parts[place].push(star);
    }
    let mut taken = Vec::new();
    for mut part in parts {
        part.sort_by(|a, b| b.significance.total_cmp(&a.significance));
        let fit = part
            .into_iter()
            .filter(|star| is_whole(field, star, fwhm, highest) && (!apart || alone(star)));
        taken.extend(fit.take(PER_PART));
    }
    taken
}

/// The highest pixel of all stars: where tops are flat, the saturation level.
pub(super) fn highest(blobs: &[Blob]) -> f32 {
    blobs.iter().fold(0.0, |high, blob| high.max(blob.peak))
}
