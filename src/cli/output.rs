//! The two streams: answers and machine output on stdout, errors and progress on stderr.

use std::io::{self, IsTerminal, Write};

/// Width of the page for people: the terminal's, or 100 where there is none.
pub(super) fn width() -> usize {
    terminal_size::terminal_size().map_or(100, |(width, _)| usize::from(width.0))
}

/// Prints text for people; emphasis goes only where it is wanted (`NO_COLOR`, pipes, files).
pub(super) fn print(text: &str) -> io::Result<()> {
    let mut stdout = anstream::stdout().lock();
    stdout.write_all(text.as_bytes())?;
    stdout.flush()
}

/// Prints machine output, byte for byte.
pub(super) fn emit(bytes: &[u8]) -> io::Result<()> {
    let mut stdout = io::stdout().lock();
    stdout.write_all(bytes)?;
    stdout.flush()
}

/// Prints an error. A closed stderr is nobody's loss.
pub(super) fn complain(message: &str) {
    let style = anstyle::Style::new().bold().fg_color(Some(anstyle::AnsiColor::Red.into()));
    let mut stderr = anstream::stderr().lock();
    writeln!(stderr, "{style}error{style:#}: {}", crate::report::safe(message)).ok();
}

/// Prints a remark, such as the path of a file written.
pub(super) fn remark(message: &str) {
    writeln!(anstream::stderr().lock(), "{}", crate::report::safe(message)).ok();
}

/// Whether someone watches stderr.
pub(super) fn watched() -> bool {
    io::stderr().is_terminal()
}
