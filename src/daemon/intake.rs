//! Takes one file in: reads its header, recognises it, subsamples its pixels, digests its bytes. A frame
//! of which a part was never read keeps its place among its kind, refused.

use std::fs::{self, File};
use std::io::{self, Read};
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::DaemonError;
use crate::facts::{Camera, Content, Digest, Frame, Header, Kind, Look, Profile, Sample};
use crate::fits::{self, FitsError, Source, Unpacker, Wrapped};
use crate::frame::recognise;
use crate::make::{Pool, Pulse, stamp, trim};
use crate::measure::{self, Unread};

/// Bytes digested between two signs of life: few enough to stay in a core's cache.
const BLOCK: usize = 1 << 17;

/// The largest ADC step that is believed: 8 bits in 16.
const COARSEST_STEP: u32 = 256;

/// The top of the deepest ADC in common use, ADU: what 32-bit and floating-point files, whose
/// storage says nothing of the sensor, are taken to end at unless the profile says otherwise.
const DEEPEST: f64 = 65_535.0;

/// What came of it.
#[derive(Debug)]
pub enum Taken {
    /// The file is taken in as this.
    In(Content),
    /// It is shorter than its header promises: it may still be arriving.
    Short(String),
    /// It changed or vanished meanwhile: look again.
    Changed,
    /// Reading failed after so long, perhaps only this time.
    Later(String, Duration),
    /// There is no room to decode it.
    NoRoom(DaemonError),
}

/// What taking in needs to know.
pub struct Intake {
    /// The rigs.
    pub profiles: Vec<Arc<Profile>>,
    /// For compressed files.
    pub unpacker: Unpacker,
    /// Pixels that are looked at: fresh memory for each file takes longer than reading into it.
    pub pixels: Pool<Vec<f32>>,
}

impl Intake {
    /// Takes in the file at `path`, which looked like `look`. `known` is its digest where the very
    /// same file was taken in before under other settings. `complete`: nothing more will come.
    pub fn take(
        &self,
        path: &Path,
        look: &Look,
        known: Option<Digest>,
        complete: bool,
        pulse: &Pulse,
    ) -> Taken {
        let same = || fs::metadata(path).is_ok_and(|found| stamp(&found) == look.stamp);
        if !same() {
            return Taken::Changed;
        }
        let begun = Instant::now();
        let taken = self.read(path, look, known, complete, pulse);
        match taken {
            _ if !same() => Taken::Changed,
            Taken::Later(reason, _) => Taken::Later(reason, begun.elapsed()),
            taken => taken,
        }
    }

    fn read(
        &self,
        path: &Path,
        look: &Look,
        known: Option<Digest>,
        complete: bool,
        pulse: &Pulse,
    ) -> Taken {
        let wrapped = match Wrapped::open(path, &self.unpacker) {
            Ok(wrapped) => wrapped,
            Err(error) => return self.unopened(path, look, error, known, complete, pulse),
        };
        let (width, height) = wrapped.size();
        let size = (width as u32, height as u32);
        let mut frame = match self.recognise(wrapped.header(), size, look) {
            Ok(frame) => frame,
            Err(refused) => return Taken::In(refused),
        };
        if wrapped.header().find("DATASUM").is_some()
            && matches!(fits::checksums_hold(path), Ok(Some(false)))
        {
            frame
                .remarks
                .push("CHECKSUM or DATASUM does not fit the bytes".to_owned());
        }
        let limit = self.saturation(&frame);
        let rows = rows_needed(&frame.camera, height);
        let source = match wrapped.unwrapped(rows, &self.unpacker) {
            Ok(source) => source,
            Err(error) => return self.unopened(path, look, error, known, complete, pulse),
        };
        let look_at = |pixels: &mut Vec<f32>| looked_at(source, &frame, limit, pixels);
        let (sample, unusable) = match self.pixels.lend(look_at) {
            Ok(Ok(sample)) => (Some(Box::new(sample)), None),
            Ok(Err(unread)) => (None, Some(unread.to_string())),
            Err(FitsError::Io { source, .. }) => return later(&source),
            Err(error) => return self.cut(path, look, error, known, pulse),
        };
        match known.map_or_else(|| digest(path, pulse), Ok) {
            Ok(digest) => Taken::In(Content::Frame {
                digest,
                frame: Arc::new(frame),
                sample,
                unusable,
            }),
            Err(error) => later(&error),
        }
    }

    /// A file that cannot be opened, or not decoded.
    fn unopened(
        &self,
        path: &Path,
        look: &Look,
        error: FitsError,
        known: Option<Digest>,
        complete: bool,
        pulse: &Pulse,
    ) -> Taken {
        match error {
            FitsError::Io { source, .. } => later(&source),
            FitsError::Scratch { folder, source } => {
                Taken::NoRoom(DaemonError::scratch(folder, source))
            }
            FitsError::Short { .. } if !complete => Taken::Short(reason(error)),
            FitsError::Short { .. } => self.cut(path, look, error, known, pulse),
            FitsError::Refused(_) => Taken::In(Content::Refused(reason(error))),
        }
    }

    fn recognise(&self, header: &Header, size: (u32, u32), look: &Look) -> Result<Frame, Content> {
        recognise(header, size.0, size.1, &look.file.path, &self.profiles)
            .map_err(|refusal| Content::Refused(refusal.to_string()))
    }

    /// A file whose pixels are not all there. Where its header says what it is, it keeps its place
    /// among its kind.
    fn cut(
        &self,
        path: &Path,
        look: &Look,
        error: FitsError,
        known: Option<Digest>,
        pulse: &Pulse,
    ) -> Taken {
        let reason = reason(error);
        let header = fits::read_header_of_cut(path).ok();
        let frame = header.and_then(|header| {
            let axis = |keyword| u32::try_from(header.integer(keyword)?).ok();
            let size = (axis("NAXIS1")?, axis("NAXIS2")?);
            self.recognise(&header, size, look).ok()
        });
        let Some(frame) = frame else {
            return Taken::In(Content::Refused(reason));
        };
        match known.map_or_else(|| digest(path, pulse), Ok) {
            Ok(digest) => Taken::In(Content::Frame {
                digest,
                frame: Arc::new(frame),
                sample: None,
                unusable: Some(reason),
            }),
            Err(error) => later(&error),
        }
    }

    fn saturation(&self, frame: &Frame) -> Option<f64> {
        let profile = self
            .profiles
            .iter()
            .find(|profile| *profile.name == *frame.rig);
        profile.and_then(|profile| profile.saturation_adu)
    }
}

/// How long it took is known to the caller.
fn later(error: &io::Error) -> Taken {
    Taken::Later(error.to_string(), Duration::ZERO)
}

pub(super) fn reason(error: FitsError) -> String {
    let text = error.to_string();
    error.refusal().map_or(text, |refusal| refusal.to_string())
}

/// The rows that are looked at; none where all are needed: decoding costs more than all else of taking
/// a frame in, and the frame is decoded again when it is used.
fn rows_needed(camera: &Camera, height: usize) -> Vec<Range<usize>> {
    // An overscan runs along the whole image.
    if camera.overscan.is_some() {
        return Vec::new();
    }
    let looked_at = measure::rows_to_look_at(height).into_iter();
    looked_at
        .map(|(first, count)| first..first + count)
        .collect()
}

/// Whether a part of the stored image was never read.
fn unread(source: &Source, pixels: &mut Vec<f32>) -> Result<Option<Unread>, FitsError> {
    let rows = runs(source, &measure::rows_to_look_at(source.height()), pixels)?;
    Ok(measure::unread(source.width(), &rows))
}

/// What pixels say of a frame, or that a part of it was never read.
fn looked_at(
    source: Source,
    frame: &Frame,
    limit: Option<f64>,
    pixels: &mut Vec<f32>,
) -> Result<Result<Sample, Unread>, FitsError> {
    match unread(&source, pixels)? {
        Some(unread) => Ok(Err(unread)),
        None => sample(source, frame, limit, pixels).map(Ok),
    }
}

/// Runs of whole rows, each with the number of its first, read into `pixels`.
fn runs<'p>(
    source: &Source,
    wanted: &[(usize, usize)],
    pixels: &'p mut Vec<f32>,
) -> Result<Vec<(usize, &'p [f32])>, FitsError> {
    let width = source.width();
    let rows: usize = wanted.iter().map(|(_, count)| count).sum();
    pixels.resize(rows * width, 0.0);
    source.row_runs_f32(wanted, pixels)?;
    let mut rest = pixels.as_slice();
    let run = |&(first, count): &(usize, usize)| {
        let (run, others) = rest.split_at(count * width);
        rest = others;
        (first, run)
    };
    Ok(wanted.iter().map(run).collect())
}

/// Subsamples the pixels. The saturation level is the lowest of the profile's, the largest value
/// that can be stored, the top of the deepest ADC, the top of one whose steps are coarser than 1,
/// and where a raw frame's own samples pile up. It is a raw level; all others are above the
/// overscan's, where there is one.
fn sample(
    source: Source,
    frame: &Frame,
    limit: Option<f64>,
    pixels: &mut Vec<f32>,
) -> Result<Sample, FitsError> {
    let (source, overscan) = trim(source, &frame.camera)?;
    let raw = raw_sample(&source, Some(frame.kind), limit, pixels)?;
    Ok(raw.above(overscan.unwrap_or(0.0)))
}

/// The same above no level; without a kind of a file that is no raw frame, in which nothing piles up.
pub(super) fn raw_sample(
    source: &Source,
    kind: Option<Kind>,
    limit: Option<f64>,
    pixels: &mut Vec<f32>,
) -> Result<Sample, FitsError> {
    let (width, height) = (source.width(), source.height());
    let rows = runs(source, &measure::rows_to_sample(height), pixels)?;
    let highest = source.top().min(limit.unwrap_or(DEEPEST));
    let found = measure::sample(width, height, &rows, highest);
    let is_coarse = |step: &u32| {
        *step > 1 && step.is_power_of_two() && *step <= COARSEST_STEP && source.top() <= DEEPEST
    };
    let coarse = found.step.filter(is_coarse);
    let coarse = coarse.map(|step| source.top() + 1.0 - f64::from(step));
    let piled = kind.and_then(|kind| measure::piled_up(kind, width, &rows, &found));
    let levels = coarse.into_iter().chain(piled);
    let saturation = levels.fold(highest, f64::min);
    if saturation < highest {
        return Ok(measure::sample(width, height, &rows, saturation));
    }
    Ok(found)
}

/// BLAKE3 of a file's bytes.
pub(super) fn digest(path: &Path, pulse: &Pulse) -> io::Result<Digest> {
    let mut file = File::open(path)?;
    let mut hasher = blake3::Hasher::new();
    let mut block = vec![0; BLOCK];
    loop {
        pulse
            .beat()
            .map_err(|_| io::Error::from(io::ErrorKind::Interrupted))?;
        match file.read(&mut block) {
            Ok(0) => return Ok(Digest::new(*hasher.finalize().as_bytes())),
            Ok(count) => {
                hasher.update(&block[..count]);
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}
