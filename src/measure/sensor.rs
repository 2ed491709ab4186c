//! The sensor by its own frames: photon transfer and dark signal.
//!
//! The same few [`Bands`] of rows are read of every frame. [`pair`] finds level and noise of two
//! exposures of one scene, [`photon_transfer`] the gain and the read noise from such pairs,
//! [`dark_signal`] what darks hold above the bias and [`dark_charge`] that in electrons, [`darkest`] how dark a flat's darkest part is.
//! Two exposures are enough for each: what does not change from one to the next drops out of their
//! difference, and there are pixels in plenty.
//!
//! It does not know where frames come from, nor what is too much.

mod bands;
mod dark;
mod pair;
mod quiet;
mod transfer;

#[cfg(test)]
mod tests;

pub use bands::Bands;
pub use dark::{dark_charge, dark_signal, darkest};
pub use pair::pair;
pub use transfer::{PhotonTransfer, photon_transfer};
