//! The nouns of the house: plain values that rooms hand to each other.
//!
//! Nothing here reads a file, a clock or a pixel. The only logic is checked construction, so that
//! a value that exists is a value that makes sense. Units live in the types ([`Seconds`],
//! [`Celsius`], [`Degrees`]); a bare number's unit is in its name.

mod by_entry;
mod digest;
mod file;
mod frame;
mod header;
mod made;
pub mod mask;
mod measured;
mod overscan;
mod plan;
mod products;
mod profile;
mod recipe;
mod refusal;
mod sample;
mod sensor;
mod session;
mod settings;
mod snapshot;
mod space;
mod summary;
mod supplied;
mod targets;
mod units;

pub use by_entry::ByEntry;
pub use digest::{Digest, DigestMap, DigestSet, EightBytes, Fingerprint};
pub use file::{FileId, Look, RelPath, Stamp};
pub use frame::{
    Camera, Cfa, Colour, Frame, Kind, Optics, Pointing, RowOrder, Setting, filter_is_none,
};
pub use header::{Card, Header, Value};
pub use made::{InputCount, Made, MadeStats, Temporal};
pub use measured::{
    ChannelLine, ColourSky, Finding, Fit, Gauge, Judged, Measured, MovedShadow, Relative,
    SecondImage, SetAside, Shape, Star, Stars, Trail,
};
pub use overscan::{Overscan, Stripe, Stripes, Window};
pub use plan::{
    CalibrationState, DarkSet, LightState, MasterState, NearMiss, Plan, PlannedMaster, SensorState,
    Shoot, Task, ToMeasure, Wait,
};
pub use products::Products;
pub use profile::{
    CalibrationRules, CfaChoice, Combining, CombiningRule, FlatLevel, FrameRule, GainMeaning,
    LightSamples, Passband, PathPattern, Pedestal, Photosites, ProductRules, Profile, Rule, Sensor,
    SensorNoise, ShortShots, Tolerance, VerdictLimits, Windows,
};
pub use recipe::{
    AlikeHash, Extras, Input, LightFacts, LightRecipe, LineRecipe, MasterFacts, MasterMethod,
    MasterRecipe, MasterUse, Recipe, line_of, quick_hasher,
};
pub use refusal::Refusal;
pub use sample::{MESH, PlaneSample, Sample};
pub use sensor::{
    DarkCheck, DarkEffect, DarkSignal, DarkVerdict, Estimate, Exposed, Need, Pair, SensorFigures,
    SensorTask, Stack, Transfer,
};
pub use session::{
    CalibrationEntry, CloudEntry, ColourGain, Count, DarkCheckEntry, GroupEntry, JumpEntry, Ledger,
    LightEntry, MasterEntry, Measures, NightState, PlainEntry, SCHEMA, SENSORS_SCHEMA, SensorEntry,
    SensorHistory, SensorNight, SensorNights, SessionLog, ShootEntry, UsedMasters, Verdict,
};
pub use settings::{Alarms, Close, Hook, Occasion, Settings, Site, WatchFolder, WatchMode};
pub use snapshot::{Content, Entry, Failure, Snapshot};
pub use space::Space;
pub use summary::{Conditions, Depth, Integration, NightSummary};
pub use supplied::{Supplied, SuppliedFile, SuppliedMaster, Unstated};
pub use targets::{FilterHours, Goal, Goals, SignalToNoise, TARGETS_SCHEMA, TargetEntry, Targets};
pub use units::{Celsius, Degrees, Seconds};
