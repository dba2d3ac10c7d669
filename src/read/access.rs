//! Why a file could not be opened, in words that say what to do.

use std::io;
use std::path::{Path, PathBuf};

/// Names of neighbours shown.
const NEIGHBOURS: usize = 3;

/// The problem, and on a second line what to do.
///
/// * `path`: as the user wrote it
pub(crate) fn refusal(path: &Path, error: &io::Error) -> String {
    use io::ErrorKind::{IsADirectory, NotADirectory, NotFound, PermissionDenied};
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
    fn a_folder_is_called_a_folder() {
        let folder = tempfile::tempdir().expect("folder");
        let text = words(folder.path());
        assert!(text.contains("a folder") && text.contains("\n  help: "), "{text}");
    }
}
