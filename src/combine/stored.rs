//! 16-bit samples in the bytes in which FITS stores them.
//!
//! Kernels take them as they lie in the file: to turn their bytes round while they are loaded costs next to
//! nothing, a pass of its own over all samples does not.

/// An unsigned 16-bit sample as FITS stores it: less 32,768, the high byte first (FITS Standard 4.0,
/// sections 5.2.2 and 5.2.5).
pub type Stored = [u8; 2];

/// A sample in its stored form.
#[inline(always)]
pub const fn stored(sample: u16) -> Stored {
    (sample ^ 0x8000).to_be_bytes()
}

/// The sample of a stored form, ADU.
#[inline(always)]
pub const fn sample(stored: Stored) -> u16 {
    u16::from_be_bytes(stored) ^ 0x8000
}
