//! Arguments in, exit code out.

fn main() -> std::process::ExitCode {
    sondeproof::cli::run(std::env::args_os())
}
