//! The program. Everything it does is in the library.

/// Gives memory back to the system when a burst of work is over; the system's own allocator keeps
/// most of it, since small pieces that live on lie between those that were freed.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> std::process::ExitCode {
    dawnledger::cli::main()
}
