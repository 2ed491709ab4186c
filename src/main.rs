fn main() -> std::process::ExitCode {
    match std::env::args().nth(1).as_deref() {
        Some("unpack") => dawnledger::fits::unpack_child(),
        _ => std::process::ExitCode::from(2),
    }
}
