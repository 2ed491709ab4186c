//! What the worker has done, and what follows from it.

use jiff::Timestamp;

use super::Turn;
use crate::daemon::DaemonError;
use crate::daemon::worker::{Job, Report};
use crate::facts::{Made, Recipe, ToMeasure};

impl Turn {
    /// Waits for the report that is due. False where the worker has nothing to do.
    #[cfg(test)]
    pub(in crate::daemon) async fn hear(&mut self, now: Timestamp) -> Result<bool, DaemonError> {
        match self.worker.busy {
            true => match self.worker.reports.recv().await {
                Some(report) => self.report(report, now).map(|()| true),
                None => Err(DaemonError::Worker("its thread is gone".to_owned())),
            },
            false => Ok(false),
        }
    }

    pub(super) fn report(&mut self, report: Report, now: Timestamp) -> Result<(), DaemonError> {
        self.worker.busy = false;
        match report {
            Report::TakenIn(taken) => {
                self.outcome.taken += taken.len();
                // What is in line may not be wanted any more.
                self.queue.clear();
                self.stale = true;
                self.engine.taken_in(taken, now)
            }
            Report::Made(task, took, made) => {
                self.stale = true;
                match *made {
                    Ok(made) => {
                        let seconds = took.as_secs_f64();
                        tracing::info!(product = made.product, seconds, "made");
                        self.outcome.made += 1;
                        self.progress.done();
                        // While its bytes are still in memory.
                        if let Some(light) = to_measure(&task.recipe, &made) {
                            self.queue.push_front(Job::Measure(Box::new(light)));
                        }
                        self.engine.made(made)
                    }
                    Err(error) => {
                        self.queue.clear();
                        self.engine.not_made(&task, error, took, now)
                    }
                }
            }
            Report::Pictured(pictures) => {
                for (product, picture) in pictures {
                    self.engine.pictured(product, picture);
                }
                Ok(())
            }
            Report::Known(task, took, known) => {
                self.stale = true;
                match *known {
                    Ok(figures) => {
                        let (camera, seconds) = (&task.camera.name, took.as_secs_f64());
                        tracing::info!(%camera, seconds, "measured the sensor");
                        self.engine.knows(&task, figures)
                    }
                    Err(error) => self.engine.not_known(&task, error, took, now),
                }
            }
            Report::Measured(light, took, measured) => {
                let (product, seconds) = (&light.product, took.as_secs_f64());
                match *measured {
                    Ok(measured) => {
                        tracing::info!(product, seconds, "measured");
                        self.engine.measured(&light, &measured)
                    }
                    Err(error) => self.engine.not_measured(&light, error),
                }
            }
        }
    }
}

/// What is to be measured on a product just made: a light.
fn to_measure(recipe: &Recipe, made: &Made) -> Option<ToMeasure> {
    let Recipe::Light(light) = recipe else {
        return None;
    };
    Some(ToMeasure {
        fingerprint: made.fingerprint,
        product: made.product.clone(),
        night: light.facts.night,
        camera: light.facts.camera.clone(),
        masters: made.masters.clone(),
    })
}
