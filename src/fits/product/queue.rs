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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use std::fs;
    use std::io;
    use std::path::Path;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::sync::mpsc::{Receiver, Sender, channel};
    use std::thread;

    use super::*;
    use crate::publish::{Disk, Gate, Op};

    /// The first write says that it has begun and waits for leave to end, with `error`.
    struct Slow {
        first: AtomicBool,
        begun: Mutex<Sender<()>>,
        leave: Mutex<Receiver<()>>,
        error: bool,
    }

    impl Gate for Slow {
        fn pass(&self, op: Op, _: &Path) -> io::Result<()> {
            if op != Op::Write || self.first.swap(true, Ordering::Relaxed) {
                return Ok(());
            }
            own(&self.begun).send(()).unwrap();
            own(&self.leave).recv().unwrap();
            match self.error {
                true => Err(io::ErrorKind::StorageFull.into()),
                false => Ok(()),
            }
        }
    }

    /// Two pieces are brought while a first one is being written: what became of the first, and
    /// the file.
    fn while_writing(error: bool) -> (Result<(), PublishError>, Vec<u8>) {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("file");
        let ((begun, has_begun), (leave, may_leave)) = (channel(), channel());
        let disk = Disk::gated(Arc::new(Slow {
            first: AtomicBool::new(false),
            begun: Mutex::new(begun),
            leave: Mutex::new(may_leave),
            error,
        }));
        let draft = disk.draft(&target).unwrap();
        let queue = Queue::default();
        let put = |offset, byte| queue.put(&draft, offset, 3, |room| room.fill(byte));
        let first = thread::scope(|scope| {
            let first = scope.spawn(|| put(0, b'a'));
            has_begun.recv().unwrap();
            // Would wait for ever if they waited for the file.
            put(6, b'c').unwrap();
            put(3, b'b').unwrap();
            leave.send(()).unwrap();
            first.join().unwrap()
        });
        draft.publish().unwrap();
        (first, fs::read(target).unwrap())
    }

    #[test]
    fn who_writes_writes_what_others_bring_meanwhile() {
        let (first, bytes) = while_writing(false);
        first.unwrap();
        assert_eq!(bytes, b"aaabbbccc");
    }

    #[test]
    fn who_writes_is_told_what_the_disk_refuses() {
        let (first, _) = while_writing(true);
        assert_eq!(first.unwrap_err().op, Op::Write);
    }
}
