//! Measures one calibrated light, from the product as it lies in the output folder.
//!
//! What is found is a function of the product and its masters. The raw frame is not needed, so that
//! a light can be measured again when its raw file has long gone to storage.

use super::planes::{bytes, whole};
use super::{MakeError, Maker, Pulse, mask};
use crate::facts::{Measured, ToMeasure};
use crate::fits::{FitsError, Source};
use crate::measure::{self, Light};

impl Maker {
    /// Measures a light.
    ///
    /// # Errors
    /// [`MakeError::Master`] where the product cannot be read.
    pub fn measure(&self, light: &ToMeasure, pulse: &Pulse) -> Result<Measured, MakeError> {
        pulse.beat()?;
        let path = self.output.join(&light.product);
        let unusable = |error: FitsError| MakeError::Master {
            path: path.clone(),
            reason: error.to_string(),
        };
        let source = self.open_product(&self.product(&light.product), &light.camera)?;
        let mut plane = whole(&source).map_err(unusable)?;
        // What was added so that integers keep the noise around 0.
        if let Some(added) = source.header().number("DLADDED") {
            plane.par_mapv_inplace(|value| value - added as f32);
        }
        let flags = Source::open_plane(&path, mask::NAME).map_err(unusable)?;
        let flags = flags.filter(|flags| (flags.height(), flags.width()) == plane.dim());
        let flags = flags.map(|flags| bytes(&flags).map_err(unusable));
        let flags = flags.transpose()?;
        pulse.beat()?;
        let measured = measure::light(&Light {
            plane: plane.view(),
            mask: flags.as_ref().map(|flags| flags.view()),
            cfa: light.camera.cfa,
        });
        let measured = measured
            .ok_or_else(|| MakeError::Internal("none of its pixels is a number".to_owned()))?;
        pulse.beat()?;
        let fits = self.fits(
            light,
            plane.view(),
            flags.as_ref().map(|flags| flags.view()),
        )?;
        Ok(Measured {
            flat_fit: fits.flat,
            dark_fit: fits.dark,
            moved: fits.moved,
            ..measured
        })
    }
}
