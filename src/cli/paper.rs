//! What editors, shells and `man` read: printed, and put where it belongs by whoever packs it.
//!
//! All of it is derived from the program's own types, so it knows the keys and options that the
//! program knows. It writes no file.

use std::io::{self, Write};

use anyhow::anyhow;
use clap::{CommandFactory, ValueEnum};
use clap_complete::Shell;
use clap_mangen::Man;

use super::{Arguments, Failure};
use crate::config;

/// A document that has a schema.
#[derive(Clone, Copy, ValueEnum)]
pub enum Document {
    /// The settings of an observatory.
    Settings,
    /// The profile of a camera rig.
    Profile,
}

/// Prints the JSON Schema of a document.
pub fn schema(document: Document) -> Result<(), Failure> {
    let document = match document {
        Document::Settings => config::Document::Settings,
        Document::Profile => config::Document::Profile,
    };
    print(config::schema(document).as_bytes())
}

/// Prints what a shell needs to complete the command line.
pub fn completions(shell: Shell) -> Result<(), Failure> {
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut Arguments::command(), "dawnledger", &mut text);
    print(&text)
}

/// Prints the manual page of the program, or of one of its commands.
pub fn manual(command: Option<&str>) -> Result<(), Failure> {
    let mut program = Arguments::command().disable_help_subcommand(true);
    program.build();
    let page = match command {
        None => program,
        Some(name) => {
            let found = program.find_subcommand(name).cloned();
            found.ok_or_else(|| Failure::Usage(anyhow!("{name}: no such command")))?
        }
    };
    let mut text = Vec::new();
    Man::new(page)
        .source(concat!("dawnledger ", env!("CARGO_PKG_VERSION")))
        .manual("Dawnledger")
        .render(&mut text)?;
    print(&text)
}

/// A reader that has seen enough is no failure.
fn print(text: &[u8]) -> Result<(), Failure> {
    match io::stdout().write_all(text) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(error.into()),
        _ => Ok(()),
    }
}
