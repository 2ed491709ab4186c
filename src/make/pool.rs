//! Working memory that pieces of work take turns with: no more of it than threads, whoever works on what.

use std::sync::{Mutex, MutexGuard, PoisonError};

/// So many pieces of work at most are begun together: nobody takes over what a thread has begun, and one whose
/// processor is slower for a while would keep all others waiting.
pub const EACH: usize = 1;

/// Pieces of working memory that nobody uses at the moment.
#[derive(Default)]
pub struct Pool<T>(Mutex<Vec<T>>);

impl<T: Default> Pool<T> {
    /// Lends a piece, which holds what its last user left. Who waits for other threads meanwhile may lend
    /// another.
    pub fn lend<R>(&self, act: impl FnOnce(&mut T) -> R) -> R {
        let mut piece = self.free().pop().unwrap_or_default();
        let result = act(&mut piece);
        self.free().push(piece);
        result
    }

    /// Lets go of what nobody uses.
    pub fn clear(&self) {
        self.free().clear();
    }

    fn free(&self) -> MutexGuard<'_, Vec<T>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
