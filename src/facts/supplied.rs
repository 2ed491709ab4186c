//! Ready-made masters: files that a profile names, made elsewhere or on another night.
//!
//! Such a master is what its contents and its facts are, not where it lies: a file that was replaced
//! under its name is another master.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use super::recipe::{fingerprint, line};
use super::{Camera, Digest, Fingerprint, FlatLevel, Kind, MasterFacts, MasterUse, Stamp};

/// Changes with every change of what is made of a supplied master when it is read.
const VERSION: u32 = 1;

/// What products say in place of a path: they are a function of their inputs, not of where those lie.
const WORD: &str = "supplied:";

/// A master as a profile names it.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct SuppliedFile {
    /// Where it lies. Absolute where the profile's own path is.
    pub path: PathBuf,
    /// What it is.
    pub kind: Kind,
    /// Fact name -> its value, as a header would state it; heard instead of the header.
    pub stated: BTreeMap<String, String>,
}

/// One such file as it was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Supplied {
    /// The name of the profile that names it.
    pub rig: Arc<str>,
    /// Where it lies.
    pub path: PathBuf,
    /// What the profile says that it is.
    pub kind: Kind,
    /// What it is, or why it cannot be used.
    pub master: Result<SuppliedMaster, String>,
}

/// A usable ready-made master.
#[derive(Clone, Debug, PartialEq)]
pub struct SuppliedMaster {
    /// Of contents and facts.
    pub fingerprint: Fingerprint,
    /// Of its bytes.
    pub digest: Digest,
    /// What the file looked like when it was examined; it must still look so while it is read.
    pub stamp: Stamp,
    /// What it is. It has no time, and the optional hard keys that nothing states are absent.
    pub facts: MasterFacts,
    /// Which of the other hard keys nothing states.
    pub unstated: Unstated,
    /// For flats: what the mean is brought to.
    pub flat_level: Option<FlatLevel>,
    /// Exposures in it, where its header counts them.
    pub frames: Option<usize>,
    /// Its level, ADU; of a flat in its own units.
    pub level: f64,
    /// How its pixels scatter, in the units of its level.
    pub spread: f64,
}

/// Hard keys with a usual value that neither header nor profile states.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Unstated {
    /// The camera's name.
    pub name: bool,
    /// Binning.
    pub binning: bool,
    /// First column and row on the sensor.
    pub origin: bool,
}

impl SuppliedMaster {
    /// The fingerprint of a master with these contents and facts.
    pub fn print(
        digest: &Digest,
        facts: &MasterFacts,
        unstated: Unstated,
        flat_level: Option<FlatLevel>,
    ) -> Fingerprint {
        fingerprint(&[
            ("method", format!("supplied/{VERSION} {flat_level:?}")),
            ("fact", line(facts)),
            ("unstated", format!("{unstated:?}")),
            ("input", digest.to_string()),
        ])
    }

    /// What stands for its place in products.
    pub fn word(&self) -> String {
        format!("{WORD}{}", self.digest)
    }

    /// Its hard keys with those of a frame in place of what nothing states: unlike a frame's, an
    /// unstated key of a finished master fits any. The size always counts, and an overscan plays no
    /// part, since it was cut off.
    pub fn filled(&self, wanted: &Camera) -> Camera {
        let own = &self.facts.camera;
        let Unstated {
            name,
            binning,
            origin,
        } = self.unstated;
        let row_order = match own.row_order {
            super::RowOrder::Unstated => wanted.row_order,
            stated => stated,
        };
        Camera {
            name: if name { &wanted.name } else { &own.name }.clone(),
            width: own.width,
            height: own.height,
            binning: if binning { wanted.binning } else { own.binning },
            gain: own.gain.or(wanted.gain),
            offset: own.offset.or(wanted.offset),
            readout_mode: own
                .readout_mode
                .as_ref()
                .or(wanted.readout_mode.as_ref())
                .cloned(),
            row_order,
            origin: if origin { wanted.origin } else { own.origin },
            cfa: own.cfa.or(wanted.cfa),
            overscan: wanted.overscan,
        }
    }
}

impl MasterUse {
    /// True for a master that was not made here.
    pub fn is_supplied(&self) -> bool {
        self.product.starts_with(WORD)
    }
}
