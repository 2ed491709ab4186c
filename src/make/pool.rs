//! Working memory that pieces of work take turns with: no more of it than threads, whoever works on what.

use std::sync::{Mutex, PoisonError};

/// Pieces of working memory that nobody uses at the moment.
#[derive(Default)]
pub struct Pool<T>(Mutex<Vec<T>>);

impl<T: Default> Pool<T> {
    /// Lends a piece, which holds what its last user left.
    pub fn lend<R>(&self, act: impl FnOnce(&mut T) -> R) -> R {
        let free = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let mut piece = free().pop().unwrap_or_default();
        let result = act(&mut piece);
        free().push(piece);
        result
    }

    /// Lets go of what nobody uses.
    pub fn clear(&self) {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clear();
    }
}
