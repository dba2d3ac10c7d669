//! Arguments in, exit code out.

#[cfg(all(target_os = "linux", target_env = "gnu"))]
mod allocator;

fn main() -> std::process::ExitCode {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    allocator::settle();
    sondeproof::cli::run(std::env::args_os())
}
