//! Working memory that strips take turns with: no more pieces than threads, whoever works on what.

use std::sync::{Mutex, PoisonError};

/// Pieces of working memory that nobody uses at the moment.
#[derive(Default)]
pub(super) struct Pool<T>(Mutex<Vec<T>>);

impl<T: Default> Pool<T> {
    /// Lends a piece, which holds what its last user left.
    pub(super) fn lend<R>(&self, act: impl FnOnce(&mut T) -> R) -> R {
        let free = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let mut piece = free().pop().unwrap_or_default();
        let result = act(&mut piece);
        free().push(piece);
        result
    }
}
