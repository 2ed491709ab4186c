//! Flushes a product's rows while further ones are made: a thread waits for the disk meanwhile, and
//! little is left for the end.

use std::panic::resume_unwind;
use std::sync::mpsc;
use std::thread;

use super::MakeError;
use crate::fits::ImageWriter;

/// Does `act`, which may order a flush of what is written so far and goes on at once. All that were
/// ordered are done in the end.
///
/// # Errors
/// Those of `act` first, then those of flushing.
pub(super) fn alongside<T>(
    writer: &ImageWriter,
    act: impl FnOnce(&(dyn Fn() + Sync)) -> Result<T, MakeError>,
) -> Result<T, MakeError> {
    let (order, orders) = mpsc::channel();
    thread::scope(|scope| {
        let flusher = scope.spawn(move || orders.iter().try_for_each(|()| writer.flush()));
        // Where nobody listens any more a flush has failed, which shows below.
        let done = act(&|| {
            let _ = order.send(());
        });
        drop(order);
        let flushed = flusher.join().unwrap_or_else(|panic| resume_unwind(panic));
        let done = done?;
        flushed?;
        Ok(done)
    })
}
