//! What is worked out once for lights of one night that are alike.
//!
//! What a light asks of masters follows from facts that it shares with most of its night; of its own it
//! has its contents, its moment and where it pointed. A library of years holds a hundred such lights for
//! each that is unlike the others of its night.

use super::cast::Member;
use crate::facts::Frame;

/// Of so many kinds at most something is kept: lights of an uncooled camera may all be of one of their own.
const KINDS: usize = 64;

/// One thing for lights of one night that are alike. Each night has its own: that two lights are of one
/// night is not looked at.
pub struct Tonight<'a, T> {
    known: Vec<(&'a Frame, T)>,
}

impl<T> Default for Tonight<'_, T> {
    fn default() -> Self {
        Self { known: Vec::new() }
    }
}

impl<'a, T> Tonight<'a, T> {
    /// What is known for lights like this one.
    pub fn of(&mut self, light: &Member<'a>, work: impl FnOnce() -> T) -> &mut T {
        let like = |(other, _): &(&Frame, T)| is_like(light.frame, other);
        let place = self.known.iter().position(like).unwrap_or_else(|| {
            if self.known.len() == KINDS {
                self.known.clear();
            }
            self.known.push((light.frame, work()));
            self.known.len() - 1
        });
        &mut self.known[place].1
    }
}

/// Do two frames of one night ask for the same masters, each at its moment? Everything is taken apart by
/// name, so that what is added to a frame cannot be forgotten here.
fn is_like(frame: &Frame, other: &Frame) -> bool {
    let Frame {
        kind,
        rig,
        camera,
        filter,
        exposure,
        temperature,
        set_point,
        optics,
        rotator,
        sky_angle: _,
        target,
        start: _,
        pointing: _,
        pixel_um: _,
        electrons_per_adu,
        remarks: _,
    } = frame;
    *kind == other.kind
        && *exposure == other.exposure
        && *filter == other.filter
        && *target == other.target
        && *temperature == other.temperature
        && *set_point == other.set_point
        && *rotator == other.rotator
        && *electrons_per_adu == other.electrons_per_adu
        && *rig == other.rig
        && *camera == other.camera
        && *optics == other.optics
}
