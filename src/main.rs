//! The `loopgauge` command.

fn main() -> std::process::ExitCode {
    loopgauge::cli::main()
}
