//! Where log lines go: to the journal where the service manager says that standard error leads
//! there, else to standard error, above the progress bar where there is one.
//!
//! `DAWNLEDGER_LOG` sets what is logged, by room where wanted: `info,dawnledger::watch=debug`.

use std::io::IsTerminal;

use tracing_subscriber::filter::LevelFilter;
use tracing_subscriber::prelude::*;
use tracing_subscriber::{EnvFilter, Layer, fmt, registry};

use crate::daemon::{Journal, Lines, Troubles};

const FILTER: &str = "DAWNLEDGER_LOG";
const STREAM: &str = "JOURNAL_STREAM";

/// Opens the way for log lines. `at_work`: for a command that does the daemon's work, which says more.
pub fn begin(at_work: bool) {
    let usual = if at_work { "info" } else { "warn" };
    let (filter, complaint) = match std::env::var(FILTER).map(EnvFilter::try_new) {
        Ok(Ok(filter)) => (filter, None),
        Ok(Err(error)) => (EnvFilter::new(usual), Some(error)),
        Err(_) => (EnvFilter::new(usual), None),
    };
    let stream = std::env::var(STREAM).ok();
    let journal = stream.as_deref().and_then(Journal::behind);
    let lines = journal.is_none().then(|| {
        let coloured = std::io::stderr().is_terminal();
        let lines = fmt::layer()
            .with_ansi(coloured)
            .with_writer(move || Lines { coloured });
        match stream {
            // The service manager has times of its own.
            Some(_) => lines.without_time().boxed(),
            None => lines.boxed(),
        }
    });
    registry()
        .with(Troubles.with_filter(LevelFilter::WARN))
        .with(journal.map(Layer::boxed).or(lines).with_filter(filter))
        .init();
    if let Some(error) = complaint {
        tracing::warn!("{FILTER}: not understood, {usual} is taken instead: {error}");
    }
}
