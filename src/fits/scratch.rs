//! Room for bytes on their way between a file and samples: one piece for each thread, used again
//! and again, since fresh memory costs more than what is done with it.

use std::cell::Cell;

thread_local! {
    static ROOM: Cell<Vec<u8>> = const { Cell::new(Vec::new()) };
}

/// Lends `length` bytes, which hold anything.
pub(super) fn lend<T>(length: usize, act: impl FnOnce(&mut [u8]) -> T) -> T {
    // Taken out meanwhile, so that a loan within a loan would only get other room.
    let mut room = ROOM.take();
    if room.len() < length {
        room.resize(length, 0);
    }
    let result = act(&mut room[..length]);
    ROOM.set(room);
    result
}
