//! Arguments in, exit code out.

mod allocator;

fn main() -> std::process::ExitCode {
    allocator::settle();
    sondeproof::cli::run(std::env::args_os())
}
