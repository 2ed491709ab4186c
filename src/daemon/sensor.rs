//! Carries out the measuring of a sensor: reads the same few rows of each frame, at most a tenth of
//! a large one, and hands them to `measure`.

use crate::facts::{Exposed, Input, SensorFigures, SensorTask, Transfer};
use crate::make::{MakeError, Maker, Pulse};
use crate::measure::sensor::{Bands, dark_signal, darkest, pair};

/// Measures what a task names.
///
/// # Errors
/// Where a frame cannot be read, or no pixel can be used.
pub fn measure(
    maker: &Maker,
    task: &SensorTask,
    pulse: &Pulse,
) -> Result<SensorFigures, MakeError> {
    let SensorTask {
        camera, saturation, ..
    } = task;
    let bands = Bands::of(camera.width as usize, camera.height as usize);
    let read = |inputs: &[Input; 2]| -> Result<[Vec<f32>; 2], MakeError> {
        let frame = |input| maker.rows(input, camera, bands.rows(), *saturation, pulse);
        let (one, other) = rayon::join(|| frame(&inputs[0]), || frame(&inputs[1]));
        Ok([one?, other?])
    };
    let of_pair = |frames: &[Vec<f32>; 2], pedestal: &[_]| {
        let frames = frames.each_ref().map(Vec::as_slice);
        pair(&bands, camera.cfa, frames, *saturation, pedestal)
    };
    let unusable = || MakeError::Internal("no pixel of its frames can be used".to_owned());
    let bias = read(&task.bias)?;
    match &task.exposed {
        Exposed::Flats(flats) => {
            let of_bias = of_pair(&bias, &[]);
            let level = of_bias.first().ok_or_else(unusable)?.level;
            let figures = |inputs: &[Input; 2]| {
                let flats = read(inputs)?;
                let darkest = darkest(&bands, &flats[0], level).unwrap_or(1.0);
                Ok((of_pair(&flats, &of_bias), darkest))
            };
            // One after the other, so that few rows are held at a time.
            let found = flats
                .iter()
                .map(figures)
                .collect::<Result<Vec<_>, MakeError>>()?;
            let darkest = found
                .iter()
                .map(|(_, darkest)| *darkest)
                .min_by(f64::total_cmp);
            Ok(SensorFigures::Transfer(Transfer {
                bias: of_bias,
                flats: found.into_iter().map(|(pairs, _)| pairs).collect(),
                step: task.step,
                darkest: darkest.unwrap_or(1.0).max(f64::EPSILON),
            }))
        }
        Exposed::Darks(darks) => {
            let darks = read(darks)?;
            let [bias, darks] = [&bias, &darks].map(|frames| frames.each_ref().map(Vec::as_slice));
            let found = dark_signal(&bands, bias, darks, *saturation);
            found.map(SensorFigures::Dark).ok_or_else(unusable)
        }
    }
}
