//! Measures one calibrated light, from the product as it lies in the output folder.
//!
//! What is found is a function of the product and its masters. The raw frame is not needed, so that
//! a light can be measured again when its raw file has long gone to storage.

use ndarray::Array2;

use super::{MakeError, Maker, Pulse, mask};
use crate::facts::{Measured, ToMeasure};
use crate::fits::Source;
use crate::measure;

impl Maker {
    /// Measures a light.
    ///
    /// # Errors
    /// [`MakeError::Master`] where the product cannot be read.
    pub fn measure(&self, light: &ToMeasure, pulse: &Pulse) -> Result<Measured, MakeError> {
        pulse.beat()?;
        let path = self.output.join(&light.product);
        let unusable = |error: crate::fits::FitsError| MakeError::Master {
            path: path.clone(),
            reason: error.to_string(),
        };
        let source = self.open_product(&light.product, &light.camera)?;
        let plane = super::planes::whole(&source).map_err(unusable)?;
        let mask = Source::open_plane(&path, mask::NAME).map_err(unusable)?;
        let _mask: Option<Array2<u8>> = mask
            .map(|mask| super::planes::bytes(&mask).map_err(unusable))
            .transpose()?;
        pulse.beat()?;
        Ok(measure::light(plane.view(), light.camera.cfa))
    }
}
