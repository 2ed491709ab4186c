//! The command line: what was typed becomes a call, what comes back becomes text and an exit code.
//!
//! Exit 0 done, 1 failed, 2 wrong usage or settings.

mod check;
mod demo;
mod explain;
mod instructions;
mod lines;
mod log;
mod paper;
mod plan;
mod run;
mod settings;
mod simulate;
mod status;
mod support;

use std::ffi::OsString;
use std::fmt;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::night::plain;

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
    /// Say what the daemon does now, what waits and why, and what went wrong last.
    Status,
    /// Print what somebody needs to know who is to help: one text, without pixels, to be read first.
    Support,
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
    /// Print the JSON Schema of a document, for editors that complete and check it.
    Schema {
        /// Which document.
        document: paper::Document,
    },
    /// Print what a shell needs to complete this command line.
    Completions {
        /// Which shell.
        shell: clap_complete::Shell,
    },
    /// Print the manual page, or that of one command.
    #[command(hide = true)]
    Manual {
        /// The command.
        command: Option<String>,
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

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (Self::Usage(error) | Self::Failed(error)) = self;
        // Errors of our own name their cause already; it is not said twice.
        let mut text = String::new();
        for cause in error.chain().map(ToString::to_string) {
            if !text.contains(&cause) {
                text += if text.is_empty() { "" } else { ": " };
                text += &cause;
            }
        }
        f.write_str(&text)
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
    lines::begin(matches!(arguments.command, Command::Run | Command::Once));
    match instructions::begin().and_then(|()| call(arguments)) {
        Ok(code) => code,
        Err(failure) => {
            eprintln!("dawnledger: {}", plain(&failure.to_string()));
            ExitCode::from(match failure {
                Failure::Failed(_) => 1,
                Failure::Usage(_) => 2,
            })
        }
    }
}

/// Runs the command.
fn call(arguments: Arguments) -> Result<ExitCode, Failure> {
    let config = &arguments.config;
    match arguments.command {
        Command::Run => run::run(config),
        Command::Once => run::once(config),
        Command::Check => check::check(config),
        Command::Plan => plan::plan(config),
        Command::Explain { file } => explain::explain(config, &file),
        Command::Log { night } => log::log(config, night),
        Command::Status => status::status(config),
        Command::Support => support::support(config),
        Command::Demo { folder, data } => demo::demo(folder, &data),
        Command::Simulate { scenario, folder } => simulate::simulate(&scenario, &folder),
        Command::Schema { document } => paper::schema(document),
        Command::Completions { shell } => paper::completions(shell),
        Command::Manual { command } => paper::manual(command.as_deref()),
        Command::Unpack { rows } => return Ok(crate::fits::unpack_child(rows.into_iter())),
    }?;
    Ok(ExitCode::SUCCESS)
}

/// Prints a line. Names out of files may stand in it: they neither begin another nor steer a terminal.
fn say(line: &str) {
    println!("{}", plain(line));
}
