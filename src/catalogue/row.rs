//! Between values and columns.
//!
//! Unsigned 64-bit numbers are kept as signed ones of the same bits. Facts are JSON, since their
//! shape is `facts`' business; a sample is plain little-endian numbers, since a snapshot of
//! 100,000 frames has a hundred numbers in each and JSON has no word for NaN.

use std::borrow::Borrow;
use std::collections::{BTreeSet, HashSet};
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use rusqlite::types::{FromSqlError, Type};
use rusqlite::{Error, Result, Row};

use crate::facts::{
    Camera, Content, Digest, Entry, FileId, Frame, Made, MadeStats, Optics, PlaneSample, RelPath,
    Sample, Stamp,
};

/// Column numbers of the statements in `schema` that begin with watch, path and stamp.
const PATH: usize = 1;
const SIZE: usize = 2;
const MTIME: usize = 3;
const CTIME: usize = 4;
const INODE: usize = 5;
pub(super) const PRESENT: usize = 6;
const ARRIVED: usize = 7;
const KIND: usize = 8;
const DIGEST: usize = 9;
const REASON: usize = 10;
const FACTS: usize = 11;
const SAMPLE: usize = 12;

/// What the column `kind` holds.
#[derive(Clone, Copy)]
pub(super) enum Kept {
    Frame = 0,
    Refused = 1,
    Ignored = 2,
}

/// Values that many frames have in common, each held once.
#[derive(Default)]
pub(super) struct Interner {
    texts: HashSet<Arc<str>>,
    cameras: BTreeSet<Arc<Camera>>,
    optics: BTreeSet<Arc<Optics>>,
}

impl Interner {
    fn text(&mut self, text: &str) -> Arc<str> {
        if let Some(known) = self.texts.get(text) {
            return known.clone();
        }
        let text: Arc<str> = text.into();
        self.texts.insert(text.clone());
        text
    }

    fn camera(&mut self, camera: &Camera) -> Arc<Camera> {
        if let Some(known) = self.cameras.get(camera) {
            return known.clone();
        }
        let mut camera = camera.clone();
        camera.name = self.text(&camera.name);
        camera.readout_mode = camera.readout_mode.map(|mode| self.text(&mode));
        keep(&mut self.cameras, camera)
    }

    fn optics(&mut self, optics: &Optics) -> Arc<Optics> {
        if let Some(known) = self.optics.get(optics) {
            return known.clone();
        }
        let mut optics = optics.clone();
        optics.telescope = optics.telescope.map(|name| self.text(&name));
        keep(&mut self.optics, optics)
    }

    fn frame(&mut self, mut frame: Frame) -> Arc<Frame> {
        frame.rig = self.text(&frame.rig);
        frame.filter = self.text(&frame.filter);
        frame.target = frame.target.map(|target| self.text(&target));
        frame.camera = self.camera(&frame.camera);
        frame.optics = self.optics(&frame.optics);
        Arc::new(frame)
    }
}

fn keep<T: Ord>(set: &mut BTreeSet<Arc<T>>, value: T) -> Arc<T>
where
    Arc<T>: Borrow<T>,
{
    let value = Arc::new(value);
    set.insert(value.clone());
    value
}

pub(super) fn stamp_columns(stamp: &Stamp) -> [i64; 4] {
    [
        stamp.size.cast_signed(),
        stamp.mtime_ns,
        stamp.ctime_ns,
        stamp.inode.cast_signed(),
    ]
}

pub(super) fn stamp(row: &Row) -> Result<Stamp> {
    Ok(Stamp {
        size: row.get::<_, i64>(SIZE)?.cast_unsigned(),
        mtime_ns: row.get(MTIME)?,
        ctime_ns: row.get(CTIME)?,
        inode: row.get::<_, i64>(INODE)?.cast_unsigned(),
    })
}

/// Nanoseconds since 1970, held within the years 1677 to 2262.
pub(super) fn time_column(time: Timestamp) -> i64 {
    let clamped = time.as_nanosecond().clamp(i64::MIN.into(), i64::MAX.into());
    i64::try_from(clamped).unwrap_or_default()
}

pub(super) fn file(row: &Row, shared: &mut Interner) -> Result<FileId> {
    let path = Path::new(OsStr::from_bytes(
        row.get_ref(PATH)?.as_blob().map_err(odd)?,
    ));
    Ok(FileId {
        watch: shared.text(row.get_ref(0)?.as_str().map_err(odd)?),
        path: RelPath::new(path).ok_or_else(|| unreadable(PATH, "not a relative path"))?,
    })
}

pub(super) fn entry(row: &Row, shared: &mut Interner) -> Result<Entry> {
    let reason = || -> Result<Option<String>> { row.get(REASON) };
    let content = match row.get::<_, i64>(KIND)? {
        kind if kind == Kept::Frame as i64 => {
            let facts = row.get_ref(FACTS)?.as_str().map_err(odd)?;
            let frame: Frame = serde_json::from_str(facts).map_err(|e| unreadable(FACTS, e))?;
            let sample = match row.get_ref(SAMPLE)?.as_blob_or_null().map_err(odd)? {
                None => None,
                Some(bytes) => Some(Box::new(
                    sample(bytes).ok_or_else(|| unreadable(SAMPLE, "not a sample"))?,
                )),
            };
            Content::Frame {
                digest: Digest::new(row.get(DIGEST)?),
                frame: shared.frame(frame),
                sample,
                unusable: reason()?,
            }
        }
        kind if kind == Kept::Refused as i64 => Content::Refused(reason()?.unwrap_or_default()),
        kind if kind == Kept::Ignored as i64 => Content::Ignored(reason()?.unwrap_or_default()),
        _ => return Err(unreadable(KIND, "no such kind")),
    };
    Ok(Entry {
        file: file(row, shared)?,
        stamp: stamp(row)?,
        present: row.get(PRESENT)?,
        arrived: Timestamp::from_nanosecond(i128::from(row.get::<_, i64>(ARRIVED)?))
            .map_err(|error| unreadable(ARRIVED, error))?,
        content,
    })
}

/// Facts, level and noise. The two measures stand in columns of their own, where NaN is NULL.
pub(super) fn made_columns(made: &Made) -> Result<(String, Option<f64>, Option<f64>)> {
    let MadeStats { level, noise, .. } = made.stats;
    let tame = |value: f64| if value.is_finite() { value } else { 0.0 };
    let mut facts = made.clone();
    facts.stats.level = tame(level);
    facts.stats.noise = tame(noise);
    let column = |value: f64| (!value.is_nan()).then_some(value);
    Ok((json(&facts)?, column(level), column(noise)))
}

pub(super) fn made(row: &Row, shared: &mut Interner) -> Result<Made> {
    let facts = row.get_ref(0)?.as_str().map_err(odd)?;
    let mut made: Made = serde_json::from_str(facts).map_err(|error| unreadable(0, error))?;
    made.method = shared.text(&made.method);
    for used in &mut made.masters {
        used.product = shared.text(&used.product);
    }
    made.stats.level = row.get::<_, Option<f64>>(1)?.unwrap_or(f64::NAN);
    made.stats.noise = row.get::<_, Option<f64>>(2)?.unwrap_or(f64::NAN);
    if let Some(facts) = &mut made.facts {
        facts.rig = shared.text(&facts.rig);
        facts.filter = shared.text(&facts.filter);
        facts.camera = shared.camera(&facts.camera);
        facts.optics = shared.optics(&facts.optics);
    }
    Ok(made)
}

/// What was measured on a light.
/// What the first column holds as JSON.
pub(super) fn read_json<T: serde::de::DeserializeOwned>(row: &Row) -> Result<T> {
    let facts = row.get_ref(0)?.as_str().map_err(odd)?;
    serde_json::from_str(facts).map_err(|error| unreadable(0, error))
}

pub(super) fn json<T: serde::Serialize>(value: &T) -> Result<String> {
    serde_json::to_string(value).map_err(|error| Error::ToSqlConversionFailure(error.into()))
}

/// Set beside the step where the highest of each phase are there: those of older versions lack them.
const WITH_HIGHEST: u64 = 1 << 63;

/// Saturation, step (0 for none, else one more), the planes, the highest of each where they are there, the mesh.
pub(super) fn sample_bytes(sample: &Sample) -> Vec<u8> {
    let step = sample.step.map_or(0, |step| u64::from(step) + 1);
    let with = sample.highest.map_or(0, |_| WITH_HIGHEST);
    let mut bytes = Vec::with_capacity(144 + 4 * sample.mesh.len());
    bytes.extend(sample.saturation.to_le_bytes());
    bytes.extend((step | with).to_le_bytes());
    for plane in &sample.planes {
        for value in [plane.level, plane.spread, plane.saturated] {
            bytes.extend(value.to_le_bytes());
        }
    }
    let highest = sample.highest.iter().flatten();
    bytes.extend(highest.flat_map(|highest| highest.to_le_bytes()));
    for value in &sample.mesh {
        bytes.extend(value.to_le_bytes());
    }
    bytes
}

pub(super) fn sample(bytes: &[u8]) -> Option<Sample> {
    let (head, mesh) = bytes.split_at_checked(112)?;
    let (words, _) = head.as_chunks::<8>();
    let number = |index: usize| f64::from_le_bytes(words[index]);
    let step = u64::from_le_bytes(words[1]);
    let (highest, mesh) = match step & WITH_HIGHEST {
        0 => (None, mesh),
        _ => {
            let (highest, mesh) = mesh.split_at_checked(32)?;
            let (words, _) = highest.as_chunks::<8>();
            let highest = std::array::from_fn(|phase| f64::from_le_bytes(words[phase]));
            (Some(highest), mesh)
        }
    };
    let step = (step & !WITH_HIGHEST).checked_sub(1);
    let (mesh, rest) = mesh.as_chunks::<4>();
    rest.is_empty().then(|| Sample {
        planes: std::array::from_fn(|phase| PlaneSample {
            level: number(2 + 3 * phase),
            spread: number(3 + 3 * phase),
            saturated: number(4 + 3 * phase),
        }),
        mesh: mesh
            .iter()
            .map(|&value| f32::from_le_bytes(value))
            .collect(),
        step: step.and_then(|step| u32::try_from(step).ok()),
        saturation: number(0),
        highest,
    })
}

fn unreadable(column: usize, why: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Error {
    Error::FromSqlConversionFailure(column, Type::Blob, why.into())
}

fn odd(error: FromSqlError) -> Error {
    unreadable(0, error)
}
