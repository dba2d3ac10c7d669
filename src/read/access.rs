//! Why a file could not be opened, in words that say what to do.

use std::fs::{File, Metadata};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use super::limits::{GROWTH_MOST, STREAM_MOST};

/// Names of neighbours shown.
const NEIGHBOURS: usize = 3;
/// Bytes that are asked for beyond a limit, to see whether there are more: a page, because files that the system makes give
/// no part of a number.
const BEYOND: u64 = 4096;

/// The bytes of a file or a pipe.
///
/// * `most`: more than this many bytes are refused; of a pipe more than [`STREAM_MOST`]
///
/// # Errors
/// What the file system says, `InvalidInput` for a device, which may never end, or for too many bytes, and `FileTooLarge`
/// for a pipe that sends too many.
pub(crate) fn whole(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    bounded(path, most, STREAM_MOST, GROWTH_MOST)
}

/// * `streamed`: bytes that a pipe may send
/// * `growth`: bytes that a file may give beyond its stated size
fn bounded(path: &Path, most: u64, streamed: u64, growth: u64) -> io::Result<Vec<u8>> {
    let refuse = |words: String| Err(io::Error::new(io::ErrorKind::InvalidInput, words));
    let file = File::open(path)?;
    let about = file.metadata()?;
    if is_device(&about) {
        return refuse("this is a device, not a file".to_owned());
    }
    let too_large = || refuse(format!("it is larger than {}", size(most)));
    // A file says its size; of a pipe it is known when it has been read.
    if about.is_file() && about.len() > most {
        return too_large();
    }
    let bound = if about.is_file() { about.len().saturating_add(growth) } else { streamed };
    let mut bytes = Vec::new();
    bytes.try_reserve_exact(about.len().min(most) as usize).map_err(|_| io::ErrorKind::OutOfMemory)?;
    file.take(most.min(bound).saturating_add(BEYOND)).read_to_end(&mut bytes)?;
    let count = bytes.len() as u64;
    if count > most {
        return too_large();
    }
    if count > bound && about.is_file() {
        return refuse(format!(
            "it says that it holds {} bytes and gives {} more",
            about.len(),
            size(growth)
        ));
    }
    if count > bound {
        let words = format!("a pipe is read to {}, and more came", size(streamed));
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, words));
    }
    Ok(bytes)
}

fn size(bytes: u64) -> String {
    if bytes < 1 << 30 { format!("{} MiB", bytes >> 20) } else { format!("{} GiB", bytes >> 30) }
}

#[cfg(unix)]
fn is_device(about: &Metadata) -> bool {
    use std::os::unix::fs::FileTypeExt;
    about.file_type().is_char_device() || about.file_type().is_block_device()
}

#[cfg(not(unix))]
const fn is_device(_: &Metadata) -> bool {
    false
}

/// The problem, and on a second line what to do.
///
/// * `path`: as the user wrote it
pub(crate) fn refusal(path: &Path, error: &io::Error) -> String {
    use io::ErrorKind::{
        FileTooLarge, InvalidInput, IsADirectory, NotADirectory, NotFound, OutOfMemory, PermissionDenied,
    };
    let (problem, help) = match error.kind() {
        NotFound if path.as_os_str() == "-" => (
            "only a log is read from standard input, one in a call".to_owned(),
            "name a file; one that is called so is `./-`".to_owned(),
        ),
        NotFound | NotADirectory => ("there is no such file".to_owned(), missing(path)),
        IsADirectory => (
            "this is a folder, not a file".to_owned(),
            format!("name the files in it: `{}`", path.join("*").display()),
        ),
        PermissionDenied => (
            "reading it is not permitted".to_owned(),
            "ask its owner, or copy it to a place of your own".to_owned(),
        ),
        OutOfMemory => (
            "it does not fit into the memory that is free".to_owned(),
            "split the log, or close other programs".to_owned(),
        ),
        FileTooLarge => (error.to_string(), "write it to a file, and name the file".to_owned()),
        InvalidInput => (error.to_string(), "name the log that it was meant to be".to_owned()),
        _ => (error.to_string(), "copy the file to another disk and try again".to_owned()),
    };
    format!("{problem}\n  help: {help}")
}

/// What stands where the file was looked for: the folder's files of a like name.
fn missing(path: &Path) -> String {
    if let Ok(target) = std::fs::read_link(path) {
        return format!("it is a link to `{}`, which is not there: name the file itself", target.display());
    }
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_path_buf(),
        _ => PathBuf::from("."),
    };
    let Ok(entries) = std::fs::read_dir(&folder) else {
        return format!("the folder `{}` does not exist either: check the path", folder.display());
    };
    let stem = |path: &Path| path.file_stem().map(|stem| stem.to_string_lossy().to_lowercase());
    let wanted = stem(path).unwrap_or_default();
    let mut near: Vec<String> = entries
        .filter_map(Result::ok)
        .map(|entry| entry.path())
        .filter(|found| {
            let found = stem(found).unwrap_or_default();
            let short = found.len().min(wanted.len());
            short >= 3 && (found.starts_with(&wanted) || wanted.starts_with(&found))
        })
        .filter_map(|found| found.file_name().map(|name| format!("`{}`", name.to_string_lossy())))
        .collect();
    near.sort();
    near.truncate(NEIGHBOURS);
    if near.is_empty() {
        "check the name and the folder from which the command is run".to_owned()
    } else {
        format!("check the name; in the same folder there is {}", near.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(path: &Path) -> String {
        refusal(path, &std::fs::read(path).expect_err("an error"))
    }

    #[test]
    fn a_misspelt_ending_names_the_file_that_is_there() {
        let folder = tempfile::tempdir().expect("folder");
        std::fs::write(folder.path().join("run1.csv"), "x").expect("write");
        let text = words(&folder.path().join("run1.txt"));
        assert!(text.starts_with("there is no such file\n  help: "), "{text}");
        assert!(text.contains("`run1.csv`"), "{text}");
        assert!(words(&folder.path().join("other.csv")).contains("check the name and the folder"));
        assert!(words(&folder.path().join("no/run.csv")).contains("does not exist either"));
    }

    #[test]
    fn a_file_is_read_whole_or_refused_and_a_device_always_is() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("run1.csv");
        std::fs::write(&path, "12345").expect("write");
        assert_eq!(whole(&path, 5).expect("five bytes"), b"12345");
        assert_eq!(whole(&path, 4).expect_err("five bytes").kind(), io::ErrorKind::InvalidInput);
        #[cfg(unix)]
        assert!(
            whole(Path::new("/dev/zero"), 1 << 20).expect_err("endless").to_string().contains("a device")
        );
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_pipe_is_read_to_its_limit_and_a_file_of_the_system_not_far_beyond_its_size() {
        use std::io::Write;
        use std::os::fd::AsRawFd;
        let piped = |count: usize| {
            let (reader, mut writer) = std::io::pipe().expect("a pipe");
            let path = PathBuf::from(format!("/dev/fd/{}", reader.as_raw_fd()));
            // Who is no longer listened to stops.
            std::thread::spawn(move || writer.write_all(&vec![b'1'; count]));
            bounded(&path, 8 << 20, 2 << 20, 0)
        };
        assert_eq!(piped(2 << 20).expect("all of it").len(), 2 << 20);
        let error = piped(64 << 20).expect_err("too much");
        let words = refusal(Path::new("/dev/stdin"), &error);
        assert_eq!(
            words,
            "a pipe is read to 2 MiB, and more came\n  help: write it to a file, and name the file"
        );
        let error = bounded(Path::new("/proc/self/pagemap"), u64::MAX, 0, 1 << 20).expect_err("too much");
        assert_eq!(error.to_string(), "it says that it holds 0 bytes and gives 1 MiB more");
    }

    #[test]
    fn a_folder_is_called_a_folder() {
        let folder = tempfile::tempdir().expect("folder");
        let text = words(folder.path());
        assert!(text.contains("a folder") && text.contains("\n  help: "), "{text}");
    }
}
