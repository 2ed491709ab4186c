//! Pieces on their way to the file. The system lets one writer at a time into a file, and a thread
//! that waits for its turn computes nothing: so whoever is writing writes for the others too, who
//! leave their pieces here and go on.

use std::sync::{Mutex, MutexGuard, PoisonError, TryLockError};

use crate::publish::{Draft, PublishError};

/// So many pieces may wait. Whoever brings one more waits for the file, so that memory stays bounded.
const MOST: usize = 8;

/// Pieces of a file that wait to be written: none, once every [`Queue::put`] has returned well.
#[derive(Default)]
pub(super) struct Queue {
    waiting: Mutex<Vec<Piece>>,
    /// Room of pieces that are written, to be used again.
    spare: Mutex<Vec<Vec<u8>>>,
    /// Held by the one who writes.
    turn: Mutex<()>,
}

struct Piece {
    offset: u64,
    bytes: Vec<u8>,
}

impl Queue {
    /// Room for a piece of `length` bytes, which hold anything.
    pub(super) fn room(&self, length: usize) -> Vec<u8> {
        let mut room = own(&self.spare).pop().unwrap_or_default();
        room.resize(length, 0);
        room
    }

    /// Brings a piece of the file that begins at byte `offset`. Where somebody else is writing, it
    /// is left to them.
    ///
    /// # Errors
    /// When the disk refuses this piece or one that another thread left; what waits then stays
    /// unwritten.
    pub(super) fn put(&self, draft: &Draft, offset: u64, bytes: Vec<u8>) -> Result<(), PublishError> {
        let count = {
            let mut waiting = own(&self.waiting);
            waiting.push(Piece { offset, bytes });
            waiting.len()
        };
        // Again where a piece came between the last look and the end of the turn.
        while !own(&self.waiting).is_empty() {
            let _turn = match self.turn.try_lock() {
                Ok(turn) => turn,
                Err(TryLockError::WouldBlock) if count <= MOST => break,
                Err(TryLockError::WouldBlock) => own(&self.turn),
                Err(TryLockError::Poisoned(turn)) => turn.into_inner(),
            };
            while let Some(piece) = self.next() {
                draft.write_at(piece.offset, &piece.bytes)?;
                own(&self.spare).push(piece.bytes);
            }
        }
        Ok(())
    }

    fn next(&self) -> Option<Piece> {
        own(&self.waiting).pop()
    }
}

/// A lock, whatever became of its last owner: what it guards is whole at any time.
fn own<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}
