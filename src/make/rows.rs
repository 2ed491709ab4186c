//! A few rows of a raw frame, for whoever measures them.

use super::{MakeError, Maker, Pulse, spoiled};
use crate::facts::{Camera, Input};

impl Maker {
    /// Reads runs of rows, each given by its first row and their number, one behind the other. Where
    /// there is an overscan it is cut off and its level subtracted. Samples at or above `saturation`
    /// stay there.
    ///
    /// # Errors
    /// Where the frame is not what it was, or cannot be read.
    pub fn rows(
        &self,
        input: &Input,
        camera: &Camera,
        runs: &[(usize, usize)],
        saturation: f64,
        pulse: &Pulse,
    ) -> Result<Vec<f32>, MakeError> {
        pulse.beat()?;
        let exposure = self.open(input, camera)?;
        let width = exposure.source.width();
        let rows: usize = runs.iter().map(|(_, count)| count).sum();
        let mut pixels = vec![0.0; rows * width];
        let read = exposure.source.row_runs_f32(runs, &mut pixels);
        if let Err(error) = read {
            return Err(spoiled(input, &self.raw_path(&input.file)?, error));
        }
        exposure.level(saturation, &mut pixels);
        self.check(input)?;
        Ok(pixels)
    }
}
