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

/// The first `length` bytes of a room, which belong to the file from byte `offset` on.
struct Piece {
    offset: u64,
    length: usize,
    room: Vec<u8>,
}

impl Queue {
    /// Brings a piece of `length` bytes, filled in by `fill`, that belongs to the file from byte
    /// `offset` on. Where somebody else is writing, it is left to them.
    ///
    /// # Errors
    /// When the disk refuses this piece or one that another thread left; what waits then stays
    /// unwritten.
    pub(super) fn put(
        &self,
        draft: &Draft,
        offset: u64,
        length: usize,
        fill: impl FnOnce(&mut [u8]),
    ) -> Result<(), PublishError> {
        let mut room = own(&self.spare).pop().unwrap_or_default();
        if room.len() < length {
            room.resize(length, 0);
        }
        fill(&mut room[..length]);
        let count = {
            let mut waiting = own(&self.waiting);
            waiting.push(Piece {
                offset,
                length,
                room,
            });
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
                draft.write_at(piece.offset, &piece.room[..piece.length])?;
                own(&self.spare).push(piece.room);
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
