//! The temporary folder for dropped files, and those that killed pages left behind.

use std::fs::{self, File};
use std::path::Path;
use std::time::Duration;

use tempfile::TempDir;

use super::PageError;

const PREFIX: &str = "sondeproof-page-";
/// A file in every folder of a page: another folder that happens to have such a name is nobody's to remove.
const MARK: &str = ".sondeproof-page";

/// A folder that goes when the page ends.
#[derive(Debug)]
pub(super) struct Folder {
    folder: TempDir,
    /// Locked as long as the page lives, however it ends; null where a folder cannot be locked.
    _alive: Option<File>,
}

impl Folder {
    /// Makes the folder, after those of pages that were killed are removed.
    ///
    /// # Errors
    /// There is no place for it.
    pub(super) fn make() -> Result<Self, PageError> {
        let mut builder = tempfile::Builder::new();
        builder.prefix(PREFIX);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // A dropped log can hold positions, and the folder lies where every user of the machine can look.
            builder.permissions(fs::Permissions::from_mode(0o700));
        }
        let folder = builder.tempdir().map_err(|source| PageError::Folder {
            what: "make",
            folder: std::env::temp_dir(),
            source,
        })?;
        File::create(folder.path().join(MARK)).map_err(|source| PageError::Folder {
            what: "write to",
            folder: folder.path().to_path_buf(),
            source,
        })?;
        let alive = lock(folder.path());
        #[cfg(unix)]
        clear(folder.path());
        Ok(Self { folder, _alive: alive })
    }

    /// Where it is.
    pub(super) fn path(&self) -> &Path {
        self.folder.path()
    }

    /// Removes it. An audit that still runs may write once more while its folder goes: the next attempt finds it gone
    /// or empty.
    ///
    /// # Errors
    /// It stays.
    pub(super) fn remove(self) -> Result<(), PageError> {
        let path = self.folder.keep();
        let mut last = Ok(());
        for _ in 0..20 {
            last = fs::remove_dir_all(&path);
            match &last {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    std::thread::sleep(Duration::from_millis(50));
                }
                _ => return Ok(()),
            }
        }
        last.map_err(|source| PageError::Folder { what: "remove", folder: path, source })
    }
}

/// Locks a folder, unless a living page holds it.
fn lock(folder: &Path) -> Option<File> {
    File::open(folder).ok().filter(|file| file.try_lock().is_ok())
}

/// Removes the folders of this user's pages that ended without removing them.
#[cfg(unix)]
fn clear(own: &Path) {
    use std::os::unix::fs::MetadataExt;
    /// A page that starts has made its folder and locks it at once; a minute is far more (assumed).
    const YOUNG: Duration = Duration::from_mins(1);
    let (Some(place), Ok(me)) = (own.parent(), fs::metadata(own)) else { return };
    let Ok(items) = fs::read_dir(place) else { return };
    for item in items.flatten() {
        let left = item.file_name().to_string_lossy().starts_with(PREFIX)
            && item.metadata().is_ok_and(|about| {
                let age = about.modified().ok().and_then(|at| at.elapsed().ok());
                about.is_dir() && about.uid() == me.uid() && age.is_some_and(|age| age > YOUNG)
            })
            && item.path().join(MARK).is_file();
        if left && let Some(_held) = lock(&item.path()) {
            // One that cannot be removed stays for the next page.
            fs::remove_dir_all(item.path()).ok();
        }
    }
}
