//! Why a file could not be opened, in words that say what to do.

use std::fs::{File, Metadata};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// Names of neighbours shown.
const NEIGHBOURS: usize = 3;

/// The bytes of a file or a pipe.
///
/// * `most`: more than this many bytes are refused
///
/// # Errors
/// What the file system says, and `InvalidInput` for a device, which may never end, or for too many bytes.
pub(crate) fn whole(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let refuse = |words: String| Err(io::Error::new(io::ErrorKind::InvalidInput, words));
    let file = File::open(path)?;
    let about = file.metadata()?;
    if is_device(&about) {
        return refuse("this is a device, not a file".to_owned());
    }
    let too_large = || {
        let size = if most < 1 << 30 { format!("{} MiB", most >> 20) } else { format!("{} GiB", most >> 30) };
        refuse(format!("it is larger than {size}"))
    };
    // A file says its size; of a pipe it is known when it has been read.
    if about.is_file() && about.len() > most {
        return too_large();
    }
    let mut bytes = Vec::new();
    bytes.try_reserve_exact(about.len().min(most) as usize).map_err(|_| io::ErrorKind::OutOfMemory)?;
    file.take(most.saturating_add(1)).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most {
        return too_large();
    }
    Ok(bytes)
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
    use io::ErrorKind::{InvalidInput, IsADirectory, NotADirectory, NotFound, OutOfMemory, PermissionDenied};
    let (problem, help) = match error.kind() {
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
        InvalidInput => (error.to_string(), "name the log that it was meant to be".to_owned()),
        _ => (error.to_string(), "copy the file to another disk and try again".to_owned()),
    };
    format!("{problem}\n  help: {help}")
}

/// What stands where the file was looked for: the folder's files of a like name.
fn missing(path: &Path) -> String {
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

    #[test]
    fn a_folder_is_called_a_folder() {
        let folder = tempfile::tempdir().expect("folder");
        let text = words(folder.path());
        assert!(text.contains("a folder") && text.contains("\n  help: "), "{text}");
    }
}
