//! `DAWNLEDGER_INSTRUCTIONS` keeps the arithmetic to some of the instructions that the processor has, to show
//! that products do not depend on them.

use std::env;

use anyhow::anyhow;

use super::Failure;
use crate::combine::Level;

const LEVEL: &str = "DAWNLEDGER_INSTRUCTIONS";

/// Keeps this process to what is asked for, if anything is.
pub fn begin() -> Result<(), Failure> {
    let Some(asked) = env::var_os(LEVEL) else {
        return Ok(());
    };
    match Level::here().find(|level| asked == level.name()) {
        Some(level) => {
            level.keep_to();
            Ok(())
        }
        None => {
            let (asked, names) = (asked.display(), names());
            let error = anyhow!("{LEVEL}: {asked} is not among what this processor has: {names}");
            Err(Failure::Usage(error))
        }
    }
}

/// Names of all that are here.
pub fn names() -> String {
    Level::here()
        .map(Level::name)
        .collect::<Vec<_>>()
        .join(", ")
}
