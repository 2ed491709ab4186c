//! stub until merged
use crate::facts::{Frame, Kind, Profile, Sample};
/// stub
pub fn left_out(_: Kind, frames: &[(&Frame, &Sample)], _: &Profile) -> Vec<Option<String>> {
    vec![None; frames.len()]
}
