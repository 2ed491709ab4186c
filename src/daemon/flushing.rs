//! How long the disk takes to flush products, said in the journal's debug lines: what a product
//! took beside that is our own doing.

use std::collections::HashMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Instant;

use crate::publish::{Gate, Op};

/// A gate that lets everything through and looks at the clock when a file is flushed.
#[derive(Default)]
pub struct Flushing {
    begun: Mutex<HashMap<PathBuf, Instant>>,
}

impl Gate for Flushing {
    fn pass(&self, op: Op, path: &Path) -> io::Result<()> {
        if op == Op::Sync {
            let mut begun = self.begun.lock().unwrap_or_else(PoisonError::into_inner);
            begun.insert(path.to_owned(), Instant::now());
        }
        Ok(())
    }

    fn done(&self, op: Op, path: &Path) {
        if op != Op::Sync {
            return;
        }
        let mut all = self.begun.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(begun) = all.remove(path) {
            let seconds = begun.elapsed().as_secs_f64();
            tracing::debug!(path = %path.display(), seconds, "flushed");
        }
    }
}
