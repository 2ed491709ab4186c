//! The night's account: a snapshot and a plan become one session log.
//!
//! [`compose()`] is a pure function, so two runs over the same files give the same text; nothing in
//! a log but its `state` depends on a clock. [`yaml()`] writes the log for scripts, [`digest()`] for a
//! person with a cup of coffee. [`is_over`] says when a night has ended, from the Sun.
//!
//! Invariant: every file of a night stands in exactly one list, and the ledger counts the lists.
//!
//! It does not know what time it is, where a log is stored, or how a plan comes about.

mod advice;
mod airmass;
mod alarm;
mod compose;
mod depth;
mod digest;
mod fits;
mod masters;
mod sensors;
mod sheet;
mod shoot;
mod standing;
mod summary;
mod sun;
mod targets;
mod text;
mod warnings;
mod yaml;

#[cfg(test)]
mod scene;
#[cfg(test)]
mod tests;

pub use advice::{Advice, Sampling, Series, advise};
pub use alarm::{Alarm, Cause, Event};
pub use compose::{compose, nights};
pub use digest::{Beside, digest};
pub use sensors::{sensor_history, sensors};
pub use sheet::{harmless, plain, tame};
pub use shoot::{SUN_CAUTION, in_order, shot};
pub use standing::{Standing, lights_of, standing, usual_before};
pub use summary::summary;
pub use sun::{
    Daylight, Spell, altitude_deg, closes_at, is_dark, is_over, rises_above, sets_below, spells,
};
pub use targets::{parse_targets, targets, targets_yaml};
pub use text::{bytes, clock, counted, rounded, span};
pub use yaml::{parse, sensors_yaml, yaml};

use crate::facts::{Plan, Settings, Snapshot};

/// What a night is written up from. The plan is that of this very snapshot.
#[derive(Clone, Copy)]
pub struct Known<'a> {
    /// All that is known of files and products.
    pub snapshot: &'a Snapshot,
    /// What the planner found.
    pub plan: &'a Plan,
    /// The settings.
    pub settings: &'a Settings,
}
