//! Measures one calibrated light, from the product as it lies in the output folder.
//!
//! What is found is a function of the product and its masters. The raw frame is not needed, so that
//! a light can be measured again when its raw file has long gone to storage.

use super::planes::{flags_of, whole};
use super::{MakeError, Maker, Pulse, colour};
use crate::facts::{Measured, ToMeasure};
use crate::fits::FitsError;
use crate::measure::colour::channel_lines;
use crate::measure::{self, Light};

impl Maker {
    /// Measures a light.
    ///
    /// # Errors
    /// [`MakeError::Master`] where the product cannot be read.
    pub fn measure(&self, light: &ToMeasure, pulse: &Pulse) -> Result<Measured, MakeError> {
        pulse.beat()?;
        let place = self.product(&light.product);
        let unread = |error: FitsError| place.unread(error);
        let source = self.open_product(&place, &light.camera)?;
        let mut plane = whole(&source).map_err(unread)?;
        // What was added so that integers keep the noise around 0.
        if let Some(added) = source.header().number("DLADDED") {
            plane.par_mapv_inplace(|value| value - added as f32);
        }
        let flags = flags_of(&place.path, plane.dim()).map_err(unread)?;
        let flags = flags.as_ref().map(|flags| flags.view());
        pulse.beat()?;
        let measured = measure::light(&Light {
            plane: plane.view(),
            mask: flags,
            cfa: light.camera.cfa,
        });
        let measured = measured
            .ok_or_else(|| MakeError::Internal("none of its pixels is a number".to_owned()))?;
        // Lights made before their headers told it are looked at here.
        let lines = match (colour::lines(source.header()), light.camera.cfa) {
            (told, Some(cfa)) if told.is_empty() => channel_lines(plane.view(), flags, cfa),
            (told, _) => told,
        };
        pulse.beat()?;
        let fits = self.fits(light, plane.view(), flags)?;
        Ok(Measured {
            lines,
            flat_fit: fits.flat,
            dark_fit: fits.dark,
            moved: fits.moved,
            ..measured
        })
    }
}
