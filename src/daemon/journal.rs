//! The system's journal, spoken to in its own protocol, so that a line keeps its level and its
//! fields: `journalctl DAWNLEDGER_FRAME=...` finds all that was said of one file.
//!
//! The words of a line are those that standard error would get. A line that the journal does not
//! take is lost: there is nobody left to tell.

use std::io;
use std::os::unix::net::UnixDatagram;
use std::path::Path;

use rustix::fs::fstat;
use tracing::{Event, Level, Subscriber};
use tracing_subscriber::Layer;
use tracing_subscriber::layer::Context;

use super::event::Said;

/// Where the journal listens.
const SOCKET: &str = "/run/systemd/journal/socket";

/// The name that lines carry, which `journalctl -t` knows.
pub const IDENTIFIER: &str = "dawnledger";

/// What lines call a thing, and the field of the journal that holds it.
const FIELDS: [(&str, &str); 4] = [
    ("file", "DAWNLEDGER_FRAME"),
    ("product", "DAWNLEDGER_TASK"),
    ("night", "DAWNLEDGER_NIGHT"),
    ("hook", "DAWNLEDGER_HOOK"),
];

/// The room that speaks.
const ROOM: &str = "DAWNLEDGER_ROOM";

/// A field is cut here, so that a line fits into one datagram whatever a file is called.
const LONGEST: usize = 12 << 10;

/// The way to the journal.
pub struct Journal {
    socket: UnixDatagram,
}

impl Journal {
    /// The journal, where standard error leads there: `stream` is what the service manager says of
    /// it in `JOURNAL_STREAM`, device and inode.
    pub fn behind(stream: &str) -> Option<Self> {
        let errors = fstat(io::stderr()).ok()?;
        (stream == format!("{}:{}", errors.st_dev, errors.st_ino)).then_some(())?;
        Self::at(Path::new(SOCKET)).ok()
    }

    fn at(socket: &Path) -> io::Result<Self> {
        let own = UnixDatagram::unbound()?;
        own.connect(socket)?;
        Ok(Self { socket: own })
    }
}

impl<S: Subscriber> Layer<S> for Journal {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        let about = event.metadata();
        let record = record(&Said::by(event), *about.level(), about.target());
        let _ = self.socket.send(&record);
    }
}

fn record(said: &Said, level: Level, target: &str) -> Vec<u8> {
    let priority = match level {
        Level::ERROR => "3",
        Level::WARN => "4",
        Level::INFO => "6",
        _ => "7",
    };
    let mut record = Vec::new();
    put(&mut record, "MESSAGE", &said.line());
    put(&mut record, "PRIORITY", priority);
    put(&mut record, "SYSLOG_IDENTIFIER", IDENTIFIER);
    let room = target.split("::").nth(1).unwrap_or(target);
    put(&mut record, ROOM, room);
    for (name, value) in &said.fields {
        if let Some((_, field)) = FIELDS.iter().find(|(known, _)| known == name) {
            put(&mut record, field, value);
        }
    }
    record
}

/// One field: plain where it is one line, else with its length before it.
fn put(record: &mut Vec<u8>, name: &str, value: &str) {
    let value = &value.as_bytes()[..value.floor_char_boundary(LONGEST)];
    record.extend(name.bytes());
    if value.contains(&b'\n') {
        record.push(b'\n');
        record.extend((value.len() as u64).to_le_bytes());
    } else {
        record.push(b'=');
    }
    record.extend(value);
    record.push(b'\n');
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use std::time::Duration;

    use tracing_subscriber::prelude::*;

    use super::*;

    /// What a journal would get of what `speak` logs.
    fn heard(speak: impl FnOnce()) -> Vec<u8> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal");
        let ear = UnixDatagram::bind(&path).unwrap();
        ear.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        let layer = Journal::at(&path).unwrap();
        tracing::subscriber::with_default(tracing_subscriber::registry().with(layer), speak);
        let mut buffer = vec![0; 1 << 20];
        let count = ear.recv(&mut buffer).unwrap();
        buffer.truncate(count);
        buffer
    }

    #[test]
    fn a_line_keeps_its_words_its_level_and_its_fields() {
        let heard = heard(
            || tracing::warn!(file = %"raw/a b.fits", seconds = 0.25, "refused: {}", "short"),
        );
        assert_eq!(
            String::from_utf8(heard).unwrap(),
            "MESSAGE=refused: short file=raw/a b.fits seconds=0.250\nPRIORITY=4\n\
             SYSLOG_IDENTIFIER=dawnledger\nDAWNLEDGER_ROOM=daemon\nDAWNLEDGER_FRAME=raw/a b.fits\n"
        );
    }

    /// The native protocol: name, line feed, 64-bit little-endian length, bytes, line feed
    /// (systemd.io/JOURNAL_NATIVE_PROTOCOL).
    #[test]
    fn a_name_with_a_line_end_forges_no_field() {
        let heard = heard(|| tracing::info!(product = "a\nPRIORITY=0", "made"));
        let text = String::from_utf8_lossy(&heard);
        assert!(
            text.starts_with("MESSAGE=made product=a PRIORITY=0\nPRIORITY=6\n"),
            "{text}"
        );
        let mut field = b"DAWNLEDGER_TASK\n".to_vec();
        field.extend(12_u64.to_le_bytes());
        field.extend(b"a\nPRIORITY=0\n");
        assert!(heard.ends_with(&field), "{text}");
    }

    #[test]
    fn what_is_too_long_is_cut() {
        let long = "\u{e9}".repeat(1 << 20);
        let heard = heard(|| tracing::info!(file = long, product = long, "{long}"));
        assert!(
            heard.len() < 4 * LONGEST && heard.len() > 2 * LONGEST,
            "{}",
            heard.len()
        );
    }
}
