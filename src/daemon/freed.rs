//! The memory that was freed. It stays the program's own for a second, in which the next plan or product uses
//! it again: asking the system for it anew takes a third of a plan's time. After that it goes back,
//! so that what a burst of work took is not held through the hours that follow.
//!
//! The second is the allocator's own default. It looks for what has been free for so long when more is
//! freed or a thread ends, and does nothing of its own accord.

use std::hint::black_box;
use std::thread;
use std::time::Duration;

use rustix::thread::disable_transparent_huge_pages;

/// Longer than freed memory is kept.
const SOON: Duration = Duration::from_millis(1500);

/// Has the system give memory in small pages: of a large one nothing goes back as long as a part is in use.
pub fn in_small_pages() {
    if let Err(error) = disable_transparent_huge_pages(true) {
        tracing::warn!("memory comes in large pages: {error}");
    }
}

/// Has what was freed go back to the system, soon.
pub fn give_back() {
    let waits = || {
        // The allocator only notices the end of a thread that it has served.
        let served = black_box(Box::new(0_u8));
        thread::sleep(SOON);
        drop(served);
    };
    let thread = thread::Builder::new().name("give-back".to_owned());
    if let Err(error) = thread.spawn(waits) {
        tracing::debug!("freed memory is kept for now: {error}");
    }
}
