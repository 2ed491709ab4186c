//! A few rows of two half masters, of every second exposure and of the others, in an extension called
//! `DLHALVES`: what [`measure::fit`] compares a light with.
//!
//! The rows are those of [`measure::fit::is_kept`], ascending and named in `DLROWS`, first of one
//! half, then of the other, in the unit of the finished master. A master of one exposure has none.

use std::path::Path;

use crate::facts::{Camera, Card, Value};
use crate::fits::{FitsError, ImageWriter, Plane, Samples, Source, Storage};
use crate::measure;
use crate::publish::PublishError;

/// The name of the extension.
const NAME: &str = "DLHALVES";

/// Rows of both halves of a master.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Halves {
    /// Their numbers, ascending.
    pub(super) rows: Vec<usize>,
    /// One row after the other, by half.
    pub(super) values: [Vec<f32>; 2],
}

impl Halves {
    /// Puts rows, each with its number, in order.
    pub(super) fn of(mut rows: Vec<(usize, [Vec<f32>; 2])>) -> Self {
        rows.sort_unstable_by_key(|(row, _)| *row);
        let mut halves = Self::default();
        for (row, values) in rows {
            halves.rows.push(row);
            for (all, values) in halves.values.iter_mut().zip(values) {
                all.extend(values);
            }
        }
        halves
    }

    /// Both halves of pair number `place` of neighbouring rows.
    pub(super) fn pair(&self, place: usize, width: usize) -> [&[f32]; 2] {
        [0, 1].map(|half| &self.values[half][2 * place * width..2 * (place + 1) * width])
    }

    /// The plane that holds those of a master of so many exposures; none where it has no halves.
    pub(super) fn plane(height: usize, exposures: usize) -> Option<Plane> {
        let rows = kept(height).filter(|_| exposures > 1);
        let rows: Vec<String> = rows.map(|row| row.to_string()).collect();
        let note = |text: &str| Card::new("COMMENT", Value::None, text);
        (!rows.is_empty()).then(|| Plane {
            storage: Storage::F32,
            cards: vec![
                Card::new(
                    "EXTNAME",
                    Value::Text(NAME.to_owned()),
                    "rows of two half masters",
                ),
                Card::new("DLROWS", Value::Text(rows.join(" ")), ""),
                note("DLROWS: which rows of the master, counted from 0; first those combined"),
                note("from every second exposure, then the same rows from the others"),
            ],
            height: Some(2 * rows.len()),
        })
    }

    /// Writes them as plane number `place`.
    pub(super) fn write(&self, writer: &ImageWriter, place: usize) -> Result<(), PublishError> {
        let [one, other] = &self.values;
        writer.rows(place, 0, Samples::F32(one))?;
        writer.rows(place, self.rows.len(), Samples::F32(other))
    }

    /// Reads those of a master of this camera; nothing where it has none.
    pub(super) fn read(path: &Path, camera: &Camera) -> Result<Option<Self>, FitsError> {
        let (width, height) = (camera.width as usize, camera.height as usize);
        let rows: Vec<usize> = kept(height).collect();
        let found = Source::open_plane(path, NAME)?;
        let fits = |source: &Source| (source.width(), source.height()) == (width, 2 * rows.len());
        let Some(source) = found.filter(fits) else {
            return Ok(None);
        };
        let half = |first: usize| {
            let mut values = vec![0.0; rows.len() * width];
            source.rows_f32(first, rows.len(), &mut values)?;
            Ok::<_, FitsError>(values)
        };
        let values = [half(0)?, half(rows.len())?];
        Ok(Some(Self { rows, values }))
    }
}

/// The rows that are kept of a master of this height.
fn kept(height: usize) -> impl Iterator<Item = usize> {
    (0..height).filter(move |row| measure::fit::is_kept(*row, height))
}
