//! What becomes of a sensor that was measured, or was not.

use std::time::Duration;

use jiff::Timestamp;

use super::{DaemonError, Engine, later};
use crate::facts::{SensorFigures, SensorTask};
use crate::make::MakeError;

impl Engine {
    /// A sensor was measured.
    pub fn knows(&mut self, task: &SensorTask, figures: SensorFigures) -> Result<(), DaemonError> {
        let key = task.key();
        self.catalogue.knows(&key, &figures)?;
        self.teller.all();
        if let Some(snapshot) = &mut self.snapshot {
            snapshot.sensors.insert(key, figures);
        }
        Ok(())
    }

    /// A sensor could not be measured, after so long.
    pub fn not_known(
        &mut self,
        task: &SensorTask,
        error: MakeError,
        took: Duration,
        now: Timestamp,
    ) -> Result<(), DaemonError> {
        let Some(error) = self.deal_with_raw(error, now)? else {
            return Ok(());
        };
        let reason = error.to_string();
        tracing::warn!(camera = %task.camera.name, "the sensor was not measured: {reason}");
        let passes = matches!(error, MakeError::Read { .. });
        self.put_off(task.key(), reason, passes.then(|| later(now, took)));
        self.teller.all();
        Ok(())
    }
}
