//! The command line: what was typed becomes a call, what comes back becomes text and an exit code.
//!
//! Exit 0 done, 1 failed, 2 wrong usage or settings.

mod check;
mod demo;
mod explain;
mod log;
mod plan;
mod run;
mod settings;
mod simulate;

use std::ffi::OsString;
use std::io::IsTerminal;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use tracing_subscriber::EnvFilter;

use crate::daemon::{Lines, Mode};
use crate::night::harmless;

/// Takes in a night's subframes, calibrates the lights, and leaves a log for the morning.
#[derive(Parser)]
#[command(version, about)]
struct Arguments {
    /// The settings file.
    #[arg(
        long,
        global = true,
        value_name = "FILE",
        default_value = "/etc/dawnledger/settings.yaml"
    )]
    config: PathBuf,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Watch the folders until told to stop: for the service manager.
    Run,
    /// Take everything there now as complete, finish it, and end.
    Once,
    /// Check settings and profiles.
    Check,
    /// Print what would be made now, and what waits for what.
    Plan,
    /// Say what became of one file and why, and which masters were considered for it.
    Explain {
        /// The raw file, as a path or as the log names it.
        file: PathBuf,
    },
    /// Print a night's digest.
    Log {
        /// The night's evening date, such as 2026-09-05; the latest where it is left out.
        night: Option<jiff::civil::Date>,
    },
    /// Play the demo night from end to end in a scratch folder.
    Demo {
        /// Where to play it; a new folder for temporary files where it is left out.
        #[arg(long, value_name = "FOLDER")]
        folder: Option<PathBuf>,
        /// Where the demo's files lie.
        #[arg(long, value_name = "FOLDER", default_value = "demo-data")]
        data: PathBuf,
    },
    /// Write the frames of a scenario into a folder.
    Simulate {
        /// The scenario, YAML.
        scenario: PathBuf,
        /// The folder, made where it is missing.
        folder: PathBuf,
    },
    /// Decode a compressed frame from standard input to standard output.
    #[command(hide = true)]
    Unpack {
        /// Only these rows, each as FIRST..END.
        rows: Vec<OsString>,
    },
}

/// What a command ends with where it does not end well.
enum Failure {
    /// Exit 2.
    Usage(anyhow::Error),
    /// Exit 1.
    Failed(anyhow::Error),
}

impl<E: Into<anyhow::Error>> From<E> for Failure {
    fn from(error: E) -> Self {
        Self::Failed(error.into())
    }
}

/// Parses the arguments, runs the command, prints what went wrong.
pub fn main() -> ExitCode {
    // The decoder sets limits on its own process: nothing must have been started before.
    let mut words = std::env::args_os().skip(1);
    if words.next().is_some_and(|word| word == "unpack") {
        return crate::fits::unpack_child(words);
    }
    let arguments = Arguments::parse();
    trace(&arguments.command);
    let config = &arguments.config;
    let done = match arguments.command {
        Command::Run => run::run(config, Mode::Run),
        Command::Once => run::run(config, Mode::Once),
        Command::Check => check::check(config),
        Command::Plan => plan::plan(config),
        Command::Explain { file } => explain::explain(config, &file),
        Command::Log { night } => log::log(config, night),
        Command::Demo { folder, data } => demo::demo(folder, &data),
        Command::Simulate { scenario, folder } => simulate::simulate(&scenario, &folder),
        Command::Unpack { rows } => return crate::fits::unpack_child(rows.into_iter()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(Failure::Failed(error)) => complain(&error, 1),
        Err(Failure::Usage(error)) => complain(&error, 2),
    }
}

/// Prints a line. Names out of files may stand in it: they neither begin another nor steer a terminal.
fn say(line: &str) {
    println!("{}", plain(line));
}

fn plain(line: &str) -> String {
    line.chars().map(harmless).collect()
}

fn complain(error: &anyhow::Error, code: u8) -> ExitCode {
    // Errors of our own name their cause already; it is not said twice.
    let mut text = String::new();
    for cause in error.chain().map(ToString::to_string) {
        if !text.contains(&cause) {
            text += if text.is_empty() { "" } else { ": " };
            text += &cause;
        }
    }
    eprintln!("dawnledger: {}", plain(&text));
    ExitCode::from(code)
}

/// Log lines go to standard error, above the progress bar where there is one. `DAWNLEDGER_LOG`
/// sets what is logged, by room where wanted: `info,dawnledger::watch=debug`.
fn trace(command: &Command) {
    let usual = match command {
        Command::Run | Command::Once => "info",
        _ => "warn",
    };
    let filter =
        EnvFilter::try_from_env("DAWNLEDGER_LOG").unwrap_or_else(|_| EnvFilter::new(usual));
    let coloured = std::io::stderr().is_terminal();
    let lines = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(coloured)
        .with_writer(move || Lines { coloured });
    // The journal has times of its own.
    if std::env::var_os("JOURNAL_STREAM").is_some() {
        lines.without_time().init();
    } else {
        lines.init();
    }
}
