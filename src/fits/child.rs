//! The decoder's side of [`super::Unpacker`]: reads a compressed file from descriptor 0, writes a
//! plain FITS file to descriptor 1.
//!
//! It limits itself before it reads a byte. It checks the file with the same gate as the parent,
//! so CFITSIO only ever sees a tile-compressed image whose claims are bounded. The file is opened
//! by descriptor with the call that knows no extended file names. Nothing is kept in memory but
//! strips. CFITSIO's own message stack is left alone; its status codes are reported.

use std::ffi::{CString, OsStr, OsString};
use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::ops::Range;
use std::os::fd::AsFd;
use std::path::Path;
use std::process::ExitCode;
use std::ptr;

use fitsio::hdu::{FitsHdu, HduInfo};
use fitsio::{FileOpenMode, FitsFile};
use flate2::bufread::MultiGzDecoder;
use rustix::process::{Resource, Rlimit, setrlimit};

use crate::facts::Card;

use super::FitsError;
use super::claims::{Form, Tiles};
use super::gate::{BLOCK, Opened};
use super::plain;
use super::unpack::{BROKEN_OFF, REFUSED, TROUBLE, UNWRITTEN};

/// The largest file that may come out, bytes.
const OUTPUT_LIMIT: u64 = 2 << 30;
/// Address space, bytes.
const MEMORY_LIMIT: u64 = 4 << 30;
/// Processor time, seconds. It ends with SIGXCPU, which says what was wrong; at the same hard limit
/// it would end with SIGKILL, which might be anybody's. Less than the parent's patience, so that what
/// works for too long is ended by this.
pub(super) const TIME_LIMIT: u64 = 100;
/// Processor time that is left to take the signal, seconds.
pub(super) const TIME_TO_END: u64 = 10;
/// Rows decoded at a time: few enough to stay near the processor, as many as the tiles of the algorithm
/// that has the highest ones (FITS Standard 4.0, section 10.4.4: 16), or they would be decoded twice.
const STRIP: usize = 16;

/// Why the child ends.
enum End {
    Refused(String),
    Trouble(String),
    BrokenOff,
    Unwritten(io::Error),
}

impl From<FitsError> for End {
    fn from(error: FitsError) -> Self {
        match error {
            FitsError::Io { .. } => Self::Trouble(error.to_string()),
            other => match other.refusal() {
                Some(refusal) => Self::Refused(refusal.to_string()),
                None => Self::Trouble("no reason".to_owned()),
            },
        }
    }
}

impl From<fitsio::errors::Error> for End {
    fn from(error: fitsio::errors::Error) -> Self {
        let why = match error {
            fitsio::errors::Error::Fits(known) => {
                format!("{} (CFITSIO status {})", known.message, known.status)
            }
            other => other.to_string(),
        };
        Self::Refused(format!("its pixels cannot be decoded: {why}"))
    }
}

/// Body of the hidden `unpack` command: limits its own resources, decodes the file on standard
/// input to standard output, says on standard error what went wrong. `rows` of an image in tiles,
/// each as `first..end`, are decoded alone, the others are left zero; all are where none is named.
/// Exit 1: the file is refused; 2: the system failed; 3: the file breaks off; 4: standard output could
/// not be written.
pub fn unpack_child(rows: impl Iterator<Item = OsString>) -> ExitCode {
    let rows = rows.map(|word| range(&word)).collect::<Result<_, _>>();
    let done = limit().and(rows).and_then(|rows: Vec<_>| unpack(&rows));
    let (code, message) = match done {
        Ok(()) => return ExitCode::SUCCESS,
        Err(End::Refused(why)) => (REFUSED, why),
        Err(End::Trouble(why)) => (TROUBLE, why),
        Err(End::Unwritten(error)) => (UNWRITTEN, error.to_string()),
        Err(End::BrokenOff) => (BROKEN_OFF, "its gzip stream breaks off".to_owned()),
    };
    // Nobody listening is no reason to end otherwise.
    let _ = writeln!(io::stderr(), "{message}");
    ExitCode::from(code)
}

fn range(word: &OsStr) -> Result<Range<usize>, End> {
    let ends = word.to_str().and_then(|word| word.split_once(".."));
    ends.and_then(|(first, end)| Some(first.parse().ok()?..end.parse().ok()?))
        .ok_or_else(|| End::Trouble(format!("{} is no range of rows", word.display())))
}

fn limit() -> Result<(), End> {
    let output = OUTPUT_LIMIT + BLOCK as u64;
    let limits = [
        (Resource::As, MEMORY_LIMIT, MEMORY_LIMIT),
        (Resource::Cpu, TIME_LIMIT, TIME_LIMIT + TIME_TO_END),
        // One block beyond our own limit, so that ours speaks first.
        (Resource::Fsize, output, output),
        (Resource::Core, 0, 0),
    ];
    for (resource, soft, hard) in limits {
        let limit = Rlimit {
            current: Some(soft),
            maximum: Some(hard),
        };
        setrlimit(resource, limit)
            .map_err(|error| End::Trouble(format!("could not limit itself: {error}")))?;
    }
    // Ends with the parent; where that is not to be had, the limits end it.
    let _ = rustix::process::set_parent_process_death_signal(Some(rustix::process::Signal::KILL));
    Ok(())
}

fn unpack(rows: &[Range<usize>]) -> Result<(), End> {
    let own = |fd: io::Result<std::os::fd::OwnedFd>| {
        fd.map(File::from)
            .map_err(|error| End::Trouble(format!("could not use a descriptor: {error}")))
    };
    let mut input = own(io::stdin().as_fd().try_clone_to_owned())?;
    let output = own(io::stdout().as_fd().try_clone_to_owned())?;
    // The parent may have left the shared position anywhere.
    input.rewind().map_err(unread)?;
    let opened = Opened::new(input, Path::new("standard input"))?;
    if opened.is_gzip()? {
        inflate(opened.file, output, OUTPUT_LIMIT)
    } else {
        let found = opened.find_image()?;
        match found.form {
            Form::Tiled(tiles) => untile(found.header.cards(), &tiles, rows, output),
            Form::Plain(_) => Err(End::Refused("it is not compressed".to_owned())),
        }
    }
}

fn unread(error: io::Error) -> End {
    End::Trouble(format!("could not read: {error}"))
}

/// Inflates a gzip file of one or more members. The size in its trailer is not trusted.
fn inflate(input: impl Read, mut output: impl Write, limit: u64) -> Result<(), End> {
    let mut decoder = MultiGzDecoder::new(BufReader::with_capacity(1 << 16, input));
    let mut buffer = vec![0; 1 << 18];
    let mut total = 0;
    loop {
        let count = match decoder.read(&mut buffer) {
            Ok(0) => return Ok(()),
            Ok(count) => count,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => {
                return Err(End::BrokenOff);
            }
            Err(error) if error.raw_os_error().is_some() => return Err(unread(error)),
            Err(error) => return Err(End::Refused(format!("not valid gzip: {error}"))),
        };
        total += count as u64;
        if total > limit {
            let why = format!("more than {limit} bytes unpacked");
            return Err(End::Refused(why));
        }
        output.write_all(&buffer[..count]).map_err(End::Unwritten)?;
    }
}

/// Writes the plain form of a tile-compressed image, of which only these rows are decoded, all where
/// none is named. Its pixels stay the stored numbers: BZERO and BSCALE are kept in the header, not
/// applied.
fn untile(cards: &[Card], tiles: &Tiles, rows: &[Range<usize>], output: File) -> Result<(), End> {
    let row_bytes = tiles.width as u64 * (tiles.bitpix.unsigned_abs() / 8);
    let length = row_bytes * tiles.height as u64;
    // Less what two headers may take.
    if length > OUTPUT_LIMIT - (16 << 20) {
        return Err(End::Refused(format!(
            "{} x {} pixels are too many to unpack",
            tiles.width, tiles.height
        )));
    }
    let header = plain::header(cards, tiles);
    let data = header.len() as u64;
    let mut output = BufWriter::with_capacity(1 << 16, output);
    output.write_all(&header).map_err(End::Unwritten)?;
    // The last byte first: what nothing is written to reads as zero, fill among it.
    let end = data + length.next_multiple_of(BLOCK as u64);
    output
        .seek(SeekFrom::Start(end - 1))
        .map_err(End::Unwritten)?;
    output.write_all(&[0]).map_err(End::Unwritten)?;
    let mut tiled = Tiled::open(tiles)?;
    let whole = 0..tiles.height;
    let all = std::slice::from_ref(&whole);
    for run in if rows.is_empty() { all } else { rows } {
        let run = run.start.min(tiles.height)..run.end.min(tiles.height);
        let start = data + run.start as u64 * row_bytes;
        output
            .seek(SeekFrom::Start(start))
            .map_err(End::Unwritten)?;
        for first in run.clone().step_by(STRIP) {
            let pixels = first * tiles.width..(first + STRIP).min(run.end) * tiles.width;
            let bytes = match tiles.bitpix {
                8 => tiled.integers::<u8>(pixels)?,
                16 => swap(&tiled.integers::<i16>(pixels)?, |v| v.to_be_bytes()),
                32 => swap(&tiled.integers::<i32>(pixels)?, |v| v.to_be_bytes()),
                -32 => swap(&tiled.floats::<f32>(pixels)?, |v| v.to_be_bytes()),
                _ => swap(&tiled.floats::<f64>(pixels)?, |v| v.to_be_bytes()),
            };
            output.write_all(&bytes).map_err(End::Unwritten)?;
        }
    }
    output.flush().map_err(End::Unwritten)
}

fn swap<T: Copy, const N: usize>(samples: &[T], bytes: impl Fn(T) -> [u8; N]) -> Vec<u8> {
    samples.iter().flat_map(|&sample| bytes(sample)).collect()
}

/// A compressed image as CFITSIO opens it.
struct Tiled {
    file: FitsFile,
    hdu: FitsHdu,
}

impl Tiled {
    #[allow(
        unsafe_code,
        reason = "opening by descriptor and raw scaling are C calls"
    )]
    fn open(tiles: &Tiles) -> Result<Self, End> {
        // Standard input by number: no name of anybody's choosing reaches CFITSIO.
        let name = CString::from(c"/proc/self/fd/0");
        let mut raw = ptr::null_mut();
        let mut status = 0;
        // SAFETY: `raw` and `status` are valid for writes, `name` is a C string that outlives the
        // call, 0 asks for reading only.
        unsafe { fitsio::sys::ffdkopn(&raw mut raw, name.as_ptr(), 0, &raw mut status) };
        check(status)?;
        // SAFETY: CFITSIO reported success, so `raw` is an open file of its own; nobody else has it.
        let mut file = unsafe { FitsFile::from_raw(raw, FileOpenMode::READONLY) }?;
        let hdu = file.hdu(tiles.unit)?;
        match &hdu.info {
            HduInfo::ImageInfo { shape, .. }
                if shape
                    .iter()
                    .filter(|&&side| side != 1)
                    .eq([tiles.height, tiles.width]
                        .iter()
                        .filter(|&&side| side != 1)) => {}
            _ => return Err(End::Refused("its tables do not describe its image".into())),
        }
        // SAFETY: the pointer is the open file's, current at the image; the call only stores
        // numbers in it. Scale 1 and zero 0 make reads return the stored numbers.
        unsafe { fitsio::sys::ffpscl(file.as_raw(), 1.0, 0.0, &raw mut status) };
        check(status)?;
        Ok(Self { file, hdu })
    }

    /// Stored integers of a range of pixels.
    fn integers<T>(&mut self, range: Range<usize>) -> Result<Vec<T>, End>
    where
        Vec<T>: fitsio::images::ReadImage,
    {
        let pixels = self
            .hdu
            .read_section(&mut self.file, range.start, range.end)?;
        Ok(pixels)
    }

    /// Floats of a range of pixels, NaN where undefined. The undefined value has to be passed for
    /// CFITSIO to look for it, which the wrapper's call does not do.
    #[allow(unsafe_code, reason = "asking for NaN is a C call")]
    fn floats<T: Float>(&mut self, range: Range<usize>) -> Result<Vec<T>, End> {
        let mut pixels = vec![T::NAN; range.len()];
        let mut nan = T::NAN;
        let mut any = 0;
        let mut status = 0;
        // SAFETY: `pixels` has room for `range.len()` numbers of the type that `T::TYPE` names,
        // `nan` is one of them, and all pointers outlive the call.
        unsafe {
            fitsio::sys::ffgpv(
                self.file.as_raw(),
                T::TYPE,
                range.start as i64 + 1,
                range.len() as i64,
                (&raw mut nan).cast(),
                pixels.as_mut_ptr().cast(),
                &raw mut any,
                &raw mut status,
            );
        }
        check(status)?;
        Ok(pixels)
    }
}

/// A float that CFITSIO knows.
trait Float: Copy {
    /// CFITSIO's number for the type.
    const TYPE: i32;
    /// Not a number.
    const NAN: Self;
}

impl Float for f32 {
    const TYPE: i32 = 42;
    const NAN: Self = f32::NAN;
}

impl Float for f64 {
    const TYPE: i32 = 82;
    const NAN: Self = f64::NAN;
}

fn check(status: i32) -> Result<(), End> {
    Ok(fitsio::errors::check_status(status)?)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use flate2::Compression;
    use flate2::write::GzEncoder;

    use super::*;

    fn gzip(bytes: &[u8]) -> Vec<u8> {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
        encoder.write_all(bytes).unwrap();
        encoder.finish().unwrap()
    }

    #[test]
    fn a_stream_that_swells_is_stopped() {
        let zeros = vec![0; 4 << 20];
        let packed = gzip(&zeros);
        assert!(packed.len() < 10_000, "{}", packed.len());
        let mut out = Vec::new();
        let end = inflate(&packed[..], &mut out, 1 << 20);
        assert!(matches!(end, Err(End::Refused(_))));
        assert!(out.len() <= 1 << 20, "{}", out.len());
    }

    #[test]
    fn members_follow_each_other() {
        let packed = [gzip(b"one "), gzip(b"two")].concat();
        let mut out = Vec::new();
        assert!(inflate(&packed[..], &mut out, 7).is_ok());
        assert_eq!(out, b"one two");
        let end = inflate(&packed[..packed.len() - 9], &mut Vec::new(), 7);
        assert!(matches!(end, Err(End::BrokenOff)));
    }
}
