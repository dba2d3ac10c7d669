//! Files that are either the old one or the new one, never half of one.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// As many links as Linux follows (manual page `path_resolution`).
pub(crate) const LINKS_MOST: usize = 40;
const PREFIX: &str = ".sondeproof-";
const SUFFIX: &str = ".part";
/// An unfinished file that rests for longer was left by a killed process (assumed: no write pauses for a day).
const STALE: Duration = Duration::from_hours(24);

/// The file that is filled. It remembers why the system refused, because a library that writes to it wraps the
/// refusal in words of its own.
#[derive(Debug)]
pub struct Sink {
    file: File,
    refused: Option<io::Error>,
    /// Bytes that may still be written before the system would end the process.
    room: u64,
}

impl Sink {
    fn noted<T>(&mut self, done: io::Result<T>) -> io::Result<T> {
        if let Err(error) = &done
            && error.kind() != io::ErrorKind::Interrupted
        {
            let copy = error.raw_os_error().map_or_else(|| error.kind().into(), io::Error::from_raw_os_error);
            self.refused.get_or_insert(copy);
        }
        done
    }
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if bytes.len() as u64 > self.room {
            return self.noted(Err(io::ErrorKind::FileTooLarge.into()));
        }
        let done = self.file.write(bytes);
        if let Ok(written) = &done {
            self.room -= *written as u64;
        }
        self.noted(done)
    }

    fn flush(&mut self) -> io::Result<()> {
        let done = self.file.flush();
        self.noted(done)
    }
}

/// Writes a file by way of a temporary one in the same folder: filled, synced to disk, then renamed over `path`.
///
/// A crash, a full disk or an error from `fill` leaves whatever stood at `path` before. A symbolic link is
/// followed, so that the link stays; a pipe, a terminal or the null device is written directly, because there is
/// nothing to replace. Refused is what would lose more than a file: a disk, and a file that the process was given open
/// (`/dev/stdout`), to which others write as well.
///
/// What killed processes left unfinished in the folder a day ago or longer is removed.
///
/// * `fill`: writes the content; buffered, no need to flush
///
/// # Errors
/// The first error of the file system, or of `fill` where the file system refused nothing.
pub fn write<E, F>(path: &Path, fill: F) -> Result<(), E>
where
    E: From<io::Error>,
    F: FnOnce(&mut BufWriter<Sink>) -> Result<(), E>,
{
    if let Some(stream) = stream(path)? {
        let mut writer = filled(stream, fill)?;
        return Ok(writer.flush()?);
    }
    let target = followed(path);
    let folder = parent(&target);
    let named = temporary(&folder, &target, fill)?.persist(&target);
    named.map_err(|failed| vanished(failed.error, &folder))?;
    Ok(settle(&folder)?)
}

/// What a path means, opened, where there is nothing to replace.
fn stream(path: &Path) -> io::Result<Option<File>> {
    let Ok(found) = fs::metadata(path) else { return Ok(None) };
    let refused = if found.is_dir() || (found.is_file() && !is_given_open(path)) {
        return Ok(None);
    } else if found.is_file() {
        "it is a file that this program was given open, which others may write to\n  help: name the file itself, or `-` where \
         the option takes it"
    } else if is_disk(&found) {
        "it is a disk, and all that is on it would be lost\n  help: name a file"
    } else {
        return fs::OpenOptions::new().write(true).open(path).map(Some);
    };
    Err(io::Error::new(io::ErrorKind::InvalidInput, refused))
}

/// Whether a path leads to a file by one of the numbers under which a process has files open.
fn is_given_open(path: &Path) -> bool {
    let mut path = path.to_path_buf();
    for _ in 0..LINKS_MOST {
        let folder = fs::canonicalize(parent(&path)).unwrap_or_default();
        if folder == Path::new("/dev/fd") || (folder.starts_with("/proc") && folder.ends_with("fd")) {
            return true;
        }
        let Ok(aim) = fs::read_link(&path) else { return false };
        path = parent(&path).join(aim);
    }
    false
}

#[cfg(unix)]
fn is_disk(found: &fs::Metadata) -> bool {
    std::os::unix::fs::FileTypeExt::is_block_device(&found.file_type())
}

#[cfg(not(unix))]
const fn is_disk(_: &fs::Metadata) -> bool {
    false
}

/// [`write`] for a file that must not be there yet, also not by another process that writes it meanwhile.
///
/// * returns false, and leaves what is there, when the name is taken
///
/// # Errors
/// As [`write`].
pub(crate) fn create<E, F>(target: &Path, fill: F) -> Result<bool, E>
where
    E: From<io::Error>,
    F: FnOnce(&mut BufWriter<Sink>) -> Result<(), E>,
{
    let folder = parent(target);
    match temporary(&folder, target, fill)?.persist_noclobber(target) {
        Ok(()) => settle(&folder)?,
        Err(failed) if failed.error.kind() == io::ErrorKind::AlreadyExists => return Ok(false),
        Err(failed) => return Err(unlinked(vanished(failed.error, &folder)).into()),
    }
    Ok(true)
}

/// Why a finished file got no name, where it is not there any more: the system only says that something is missing.
fn vanished(error: io::Error, folder: &Path) -> io::Error {
    if error.kind() != io::ErrorKind::NotFound || !folder.is_dir() {
        return error;
    }
    let words = "the unfinished file was taken away while it was written: another process does so with files that rest for a \
                 day, also where only the clock was set forward";
    io::Error::new(io::ErrorKind::ResourceBusy, words)
}

/// Why a finished file got no name that must be free. A file system that cannot rename without replacing is asked for a
/// second name, and one without those says that it is not permitted, which sounds like another user's folder.
fn unlinked(error: io::Error) -> io::Error {
    if !matches!(error.kind(), io::ErrorKind::PermissionDenied | io::ErrorKind::Unsupported) {
        return error;
    }
    let words = format!(
        "its file system cannot name a file without replacing what has the name ({error})\n  help: keep it on another disk"
    );
    io::Error::new(io::ErrorKind::Unsupported, words)
}

fn parent(target: &Path) -> PathBuf {
    match target.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_path_buf(),
        _ => PathBuf::from("."),
    }
}

/// Makes a folder and those above it that are not there, and lets their names reach the disk.
///
/// # Errors
/// One cannot be made, or the disk refuses.
pub(crate) fn make_folder(folder: &Path) -> io::Result<()> {
    let missing: Vec<&Path> =
        folder.ancestors().take_while(|folder| !folder.as_os_str().is_empty() && !folder.is_dir()).collect();
    fs::create_dir_all(folder)?;
    missing.into_iter().try_for_each(|made| settle(&parent(made)))
}

/// The names in a folder, or what a file holds, must reach the disk.
///
/// # Errors
/// The disk refuses, or nothing is there.
#[cfg_attr(not(unix), allow(clippy::unnecessary_wraps))]
pub(crate) fn settle(path: &Path) -> io::Result<()> {
    #[cfg(unix)]
    match File::open(path).and_then(|opened| opened.sync_all()) {
        Err(error) if !cannot_sync(&error) => return Err(error),
        _ => {}
    }
    #[cfg(not(unix))]
    let _ = path;
    Ok(())
}

/// Whether a folder cannot be synced there at all, which is no error: it may not be read, or the file system does not know
/// how. Anything else (a broken disk, a full one) is one.
#[cfg(unix)]
fn cannot_sync(error: &io::Error) -> bool {
    use io::ErrorKind::{InvalidInput, IsADirectory, PermissionDenied, Unsupported};
    /// `EBADF`, as file systems of a network answer (from memory).
    const BAD_FILE: i32 = 9;
    matches!(error.kind(), InvalidInput | IsADirectory | PermissionDenied | Unsupported)
        || error.raw_os_error() == Some(BAD_FILE)
}

/// A filled and synced file of another name, for `target`.
fn temporary<E, F>(folder: &Path, target: &Path, fill: F) -> Result<tempfile::TempPath, E>
where
    E: From<io::Error>,
    F: FnOnce(&mut BufWriter<Sink>) -> Result<(), E>,
{
    clear(folder);
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX).suffix(SUFFIX);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // Subject to the user's mask, like any new file; the crate's default would hide it from others.
        builder.permissions(fs::Permissions::from_mode(0o666));
        // A file that its owner closed to others stays closed.
        if let Some(old) = fs::symlink_metadata(target).ok().filter(fs::Metadata::is_file) {
            builder.permissions(old.permissions());
        }
    }
    let (file, hold) = builder.tempfile_in(folder)?.into_parts();
    let sink = filled(file, fill)?.into_inner().map_err(io::IntoInnerError::into_error)?;
    sink.file.sync_all()?;
    Ok(hold)
}

fn filled<E, F>(file: File, fill: F) -> Result<BufWriter<Sink>, E>
where
    E: From<io::Error>,
    F: FnOnce(&mut BufWriter<Sink>) -> Result<(), E>,
{
    let mut writer = BufWriter::new(Sink { file, refused: None, room: size_most() });
    match fill(&mut writer) {
        Ok(()) => Ok(writer),
        Err(error) => Err(writer.get_mut().refused.take().map_or(error, E::from)),
    }
}

/// Bytes that a file of this process may have (`ulimit -f`). Beyond them the system ends the process by a signal, which
/// leaves half a file behind and says nothing. Only Linux tells; elsewhere, and without a limit, as many as there are.
pub(crate) fn size_most() -> u64 {
    let limits = fs::read_to_string("/proc/self/limits").unwrap_or_default();
    let line = limits.lines().find_map(|line| line.strip_prefix("Max file size"));
    line.and_then(|line| line.split_whitespace().next()?.parse().ok()).unwrap_or(u64::MAX)
}

/// The file that a path means, links followed, also where the last link points to a file that is not there yet.
pub(crate) fn followed(path: &Path) -> PathBuf {
    let mut path = path.to_path_buf();
    for _ in 0..LINKS_MOST {
        if let Ok(found) = fs::canonicalize(&path) {
            return found;
        }
        let Ok(aim) = fs::read_link(&path) else { break };
        path = path.parent().unwrap_or(Path::new("")).join(aim);
    }
    path
}

/// Removes what killed processes left in a folder; looks once per folder, because a batch writes many files into one.
fn clear(folder: &Path) {
    static CLEARED: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());
    let first = CLEARED.lock().unwrap_or_else(PoisonError::into_inner).insert(folder.to_path_buf());
    let Some(items) = first.then(|| fs::read_dir(folder).ok()).flatten() else { return };
    for item in items.flatten() {
        let name = item.file_name().to_string_lossy().into_owned();
        if name.starts_with(PREFIX)
            && name.ends_with(SUFFIX)
            && item.metadata().is_ok_and(|about| rests(&about))
        {
            // One that may not be removed, or that another process removes now, harms nobody.
            fs::remove_file(item.path()).ok();
        }
    }
}

fn rests(about: &fs::Metadata) -> bool {
    let age = about.modified().ok().and_then(|at| at.elapsed().ok());
    about.is_file() && age.is_some_and(|age| age > STALE)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_killed_process_left_goes_with_the_next_write_and_nothing_else_does() {
        let folder = tempfile::tempdir().expect("folder");
        let old = std::time::SystemTime::now() - 2 * STALE;
        for (name, aged) in [
            (".sondeproof-aaaaaa.part", true),
            (".sondeproof-bbbbbb.part", false),
            ("run.part", true),
            (".sondeproof-notes", true),
        ] {
            let file = File::create(folder.path().join(name)).expect("file");
            if aged {
                file.set_modified(old).expect("aged");
            }
        }
        write::<io::Error, _>(&folder.path().join("out.json"), |w| w.write_all(b"new")).expect("write");
        let mut left: Vec<_> =
            fs::read_dir(folder.path()).expect("list").map(|item| item.expect("item").file_name()).collect();
        left.sort();
        assert_eq!(left, [".sondeproof-bbbbbb.part", ".sondeproof-notes", "out.json", "run.part"]);
    }

    #[test]
    fn a_failed_write_leaves_the_old_file_and_no_litter() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("out.json");
        write::<io::Error, _>(&path, |w| w.write_all(b"old")).expect("first");
        let failed = write::<io::Error, _>(&path, |w| {
            w.write_all(b"half of the n")?;
            Err(io::Error::other("disk full"))
        });
        assert!(failed.is_err());
        assert_eq!(fs::read(&path).expect("still there"), b"old");
        assert_eq!(fs::read_dir(folder.path()).expect("list").count(), 1);
    }

    #[test]
    fn an_unfinished_file_that_vanishes_is_called_so() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("out.json");
        let vanish = |_: &mut BufWriter<Sink>| {
            fs::read_dir(folder.path())?.try_for_each(|item| fs::remove_file(item?.path()))
        };
        let written = write::<io::Error, _>(&path, vanish).expect_err("is gone");
        let created = create::<io::Error, _>(&path, vanish).expect_err("is gone");
        for error in [written, created] {
            assert_eq!(error.kind(), io::ErrorKind::ResourceBusy);
            assert!(error.to_string().contains("taken away"), "{error}");
        }
        // EPERM, as Linux answers for a second name on FAT (manual page `link`), EACCES of a rename stays what it is.
        let told = unlinked(io::Error::from_raw_os_error(1)).to_string();
        assert!(told.contains("without replacing") && told.contains("help:"), "{told}");
        assert_eq!(unlinked(io::Error::from_raw_os_error(28)).kind(), io::ErrorKind::StorageFull);
        assert_eq!(
            vanished(io::ErrorKind::NotFound.into(), &path.join("no")).kind(),
            io::ErrorKind::NotFound
        );
    }

    #[test]
    fn a_successful_write_replaces_the_file() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("out.json");
        for content in [&b"old"[..], b"new"] {
            write::<io::Error, _>(&path, |w| w.write_all(content)).expect("write");
            assert_eq!(fs::read(&path).expect("read"), content);
        }
        assert_eq!(fs::read_dir(folder.path()).expect("list").count(), 1);
    }

    #[test]
    fn a_missing_folder_is_an_error() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("nowhere").join("out.json");
        assert!(write::<io::Error, _>(&path, |w| w.write_all(b"x")).is_err());
    }

    #[cfg(unix)]
    #[test]
    fn a_link_stays_a_link_and_its_target_is_replaced() {
        let folder = tempfile::tempdir().expect("folder");
        let real = folder.path().join("real.json");
        let link = folder.path().join("link.json");
        fs::write(&real, b"old").expect("real");
        std::os::unix::fs::symlink(&real, &link).expect("link");
        write::<io::Error, _>(&link, |w| w.write_all(b"new")).expect("write");
        assert!(fs::symlink_metadata(&link).expect("meta").file_type().is_symlink());
        assert_eq!(fs::read(&real).expect("read"), b"new");
        // A link to a file that is still to be made makes it.
        fs::remove_file(&real).expect("removed");
        write::<io::Error, _>(&link, |w| w.write_all(b"newer")).expect("write");
        assert!(fs::symlink_metadata(&link).expect("meta").file_type().is_symlink());
        assert_eq!(fs::read(&real).expect("read"), b"newer");
        // So does a link to such a link, and both stay.
        fs::remove_file(&real).expect("removed");
        let second = folder.path().join("second.json");
        std::os::unix::fs::symlink("link.json", &second).expect("link");
        write::<io::Error, _>(&second, |w| w.write_all(b"newest")).expect("write");
        for link in [&link, &second] {
            assert!(fs::symlink_metadata(link).expect("meta").file_type().is_symlink());
        }
        assert_eq!(fs::read(&real).expect("read"), b"newest");
    }

    #[test]
    fn of_several_that_create_one_file_at_once_one_does() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("entry");
        let made: Vec<u8> = std::thread::scope(|scope| {
            let one = |number: u8| {
                let path = &path;
                scope.spawn(move || create::<io::Error, _>(path, |w| w.write_all(&[number])).expect("write"))
            };
            let threads: Vec<_> = (0..8).map(|number| (number, one(number))).collect();
            threads.into_iter().filter_map(|(n, thread)| thread.join().expect("ends").then_some(n)).collect()
        });
        assert_eq!(made.len(), 1, "{made:?}");
        assert_eq!(fs::read(&path).expect("read"), made);
        assert_eq!(fs::read_dir(folder.path()).expect("list").count(), 1);
    }

    #[cfg(unix)]
    #[test]
    fn a_folder_that_cannot_be_synced_is_no_error_and_a_broken_disk_is() {
        let folder = tempfile::tempdir().expect("folder");
        let deep = folder.path().join("a/b/c");
        make_folder(&deep).expect("made");
        make_folder(&deep).expect("there");
        assert!(deep.is_dir());
        assert!(settle(&folder.path().join("gone")).is_err());
        // Numbers of errors that Linux and macOS share (manual page `errno`): EIO, ENOSPC, EROFS, then EBADF, EACCES,
        // EISDIR, EINVAL.
        let able = |number| !cannot_sync(&io::Error::from_raw_os_error(number));
        assert!([5, 28, 30].into_iter().all(able));
        assert!(![9, 13, 21, 22].into_iter().any(able));
    }

    #[cfg(unix)]
    #[test]
    fn a_file_closed_to_others_stays_closed() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("out.json");
        fs::write(&path, b"old").expect("old");
        fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).expect("closed");
        write::<io::Error, _>(&path, |w| w.write_all(b"new")).expect("write");
        assert_eq!(fs::metadata(&path).expect("meta").permissions().mode() & 0o777, 0o600);
    }
}
