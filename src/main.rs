//! The program. Everything it does is in the library.

fn main() -> std::process::ExitCode {
    dawnledger::cli::main()
}
