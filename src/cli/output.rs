//! The two streams: answers and machine output on stdout, errors and progress on stderr.

use std::io::{self, IsTerminal, Write};

use crate::atomic;

/// Bits of a file's flags that say what it was opened for, and both (POSIX, as Linux numbers them).
const OPEN_KIND: u32 = 0o3;
const OPEN_TO_READ_AND_WRITE: u32 = 0o2;
/// The bit that says that every write goes to the end (as Linux numbers it).
const OPEN_TO_APPEND: u32 = 0o2000;

/// Width of the page for people: the terminal's, or 100 where there is none.
pub(super) fn width() -> usize {
    terminal_size::terminal_size().map_or(100, |(width, _)| usize::from(width.0))
}

/// Prints text for people; emphasis goes only where it is wanted (`NO_COLOR`, pipes, files).
pub(super) fn print(text: &str) -> io::Result<()> {
    check_room(text.len())?;
    let mut stdout = anstream::stdout().lock();
    stdout.write_all(text.as_bytes())?;
    stdout.flush()
}

/// Prints machine output, byte for byte.
pub(super) fn emit(bytes: &[u8]) -> io::Result<()> {
    check_room(bytes.len())?;
    let mut stdout = io::stdout().lock();
    stdout.write_all(bytes)?;
    stdout.flush()
}

/// Prints machine output as it is made, byte for byte.
///
/// * `write`: makes it, the same each time
pub(super) fn stream(write: impl Fn(&mut dyn Write) -> io::Result<()>) -> io::Result<()> {
    if atomic::size_most() != u64::MAX {
        let mut length = Length(0);
        write(&mut length)?;
        check_room(length.0)?;
    }
    let mut stdout = io::BufWriter::new(io::stdout().lock());
    write(&mut stdout)?;
    stdout.flush()
}

/// Counts what is written to it.
struct Length(usize);

impl Write for Length {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0 += bytes.len();
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Whether stdout was closed when the program began. The start of the program puts the null device in its place, open for
/// reading too, which a redirection to it is not. Only Linux tells.
pub(super) fn is_closed() -> bool {
    let null = std::fs::read_link("/proc/self/fd/1").is_ok_and(|path| path.as_os_str() == "/dev/null");
    null && flags().is_some_and(|flags| flags & OPEN_KIND == OPEN_TO_READ_AND_WRITE)
}

/// What the system says of stdout as an open file.
fn told(what: &str) -> Option<String> {
    let about = std::fs::read_to_string("/proc/self/fdinfo/1").ok()?;
    about.lines().find_map(|line| line.strip_prefix(what)).map(|text| text.trim().to_owned())
}

fn flags() -> Option<u32> {
    told("flags:").and_then(|text| u32::from_str_radix(&text, 8).ok())
}

/// Whether so many bytes fit into the file that stdout is. Beyond the limit of a file's size (`ulimit -f`) the system ends
/// the process by a signal, which leaves half an answer and says nothing.
fn check_room(bytes: usize) -> io::Result<()> {
    let most = atomic::size_most();
    if most == u64::MAX {
        return Ok(());
    }
    let Some(file) = std::fs::metadata("/proc/self/fd/1").ok().filter(std::fs::Metadata::is_file) else {
        return Ok(());
    };
    let appends = flags().is_some_and(|flags| flags & OPEN_TO_APPEND != 0);
    let at = if appends { file.len() } else { told("pos:").and_then(|text| text.parse().ok()).unwrap_or(0) };
    if at.saturating_add(bytes as u64) > most { Err(io::ErrorKind::FileTooLarge.into()) } else { Ok(()) }
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
