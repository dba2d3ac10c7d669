//! Reads a log and prints its rows: what `compare.py` sets beside the plain read of general libraries.

use std::path::Path;
use std::process::ExitCode;

use sondeproof::read::{ReadOptions, open};

#[expect(clippy::print_stdout, clippy::print_stderr, reason = "a program of its own, run by compare.py")]
fn main() -> ExitCode {
    let Some(path) = std::env::args_os().nth(1) else {
        eprintln!("read_log LOG");
        return ExitCode::FAILURE;
    };
    match open(Path::new(&path), &ReadOptions::default()) {
        Ok(table) => {
            println!("{}", table.rows);
            ExitCode::SUCCESS
        }
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}
