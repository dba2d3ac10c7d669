//! No output of a command may be one of its inputs, or another of its outputs.

use std::collections::{HashMap, VecDeque};
use std::path::{Path, PathBuf};

use super::failure::Failure;
use crate::atomic;
use crate::ledger::{SENSOR_FOLDER, holds_sessions};

/// Refuses a call that would write over what it reads, or write two things to one place. Nothing has been written then.
///
/// * `inputs`: files that the command reads
/// * `places`: more of them, and folders of which it reads every file
/// * `outputs`: files that it will write, as the user would name them
///
/// # Errors
/// [`Failure::Input`] with the first pair.
pub(super) fn check<'a>(
    inputs: impl IntoIterator<Item = &'a Path>,
    places: &'a [PathBuf],
    outputs: &[PathBuf],
) -> Result<(), Failure> {
    let folders: Vec<Folder> =
        places.iter().filter(|path| path.is_dir()).map(|folder| Folder::of(folder)).collect();
    let is_read = |place: &Path| place.ancestors().skip(1).any(|above| folders.contains(&Folder::of(above)));
    let files = inputs.into_iter().chain(places.iter().map(PathBuf::as_path));
    let mut taken: HashMap<_, &str> =
        files.filter_map(|path| Some((place_in_folder(&place(path)?), "is read by this call"))).collect();
    for output in outputs {
        let Some(place) = place(output) else { continue };
        let named = place_in_folder(&place);
        let why = if !folders.is_empty() && is_read(&place) {
            Some("is in a folder that is read by this call")
        } else {
            let in_ledger = is_in_ledger(output).then_some("would lie among the sessions of a ledger");
            // The file behind a linked session has a name of its own.
            let session = || holds_sessions(&place).then_some("holds sessions of a ledger");
            taken.get(&named).copied().or(in_ledger).or_else(session)
        };
        if let Some(why) = why {
            return Err(Failure::Input(format!(
                "cannot write {}: that file {why}\n  help: name another file",
                output.display()
            )));
        }
        taken.insert(named, "is written twice by this call");
    }
    Ok(())
}

/// Whether a file is or would be in the folder of a sensor, below which nothing but the ledger writes. Links are followed
/// one by one: the folder, or a session in it, may itself be a link to a place of another name.
fn is_in_ledger(path: &Path) -> bool {
    let names_sensor = |folder: &Path| {
        folder.components().any(|part| part.as_os_str().to_string_lossy().starts_with(SENSOR_FOLDER))
    };
    let parts = |path: &Path| -> VecDeque<PathBuf> {
        path.components().map(|part| PathBuf::from(part.as_os_str())).collect()
    };
    let mut rest = parts(&std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf()));
    let mut links = 0;
    // Free of links.
    let mut place = PathBuf::new();
    while let Some(part) = rest.pop_front() {
        if part == Path::new("..") {
            place.pop();
            continue;
        }
        // A root takes the place of all before it.
        let next = place.join(&part);
        if let Ok(aim) = std::fs::read_link(&next)
            && links < atomic::LINKS_MOST
        {
            if names_sensor(&place) || (!rest.is_empty() && names_sensor(&part)) {
                return true;
            }
            links += 1;
            rest = parts(&aim).into_iter().chain(rest).collect();
        } else {
            place = next;
        }
    }
    place.parent().is_some_and(names_sensor)
}

/// Where a file is or would be, links followed; null for a device or pipe, which holds nothing to lose.
fn place(path: &Path) -> Option<PathBuf> {
    if std::fs::metadata(path).is_ok_and(|found| !found.is_file() && !found.is_dir()) {
        return None;
    }
    let path = &atomic::followed(path);
    if let Ok(found) = std::fs::metadata(path) {
        return found.is_file().then(|| path.clone());
    }
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let folder = std::fs::canonicalize(folder).unwrap_or_else(|_| folder.to_path_buf());
    Some(folder.join(path.file_name()?))
}

/// A folder and a name in it, or the path where the system has no numbers.
fn place_in_folder(place: &Path) -> (Folder, PathBuf) {
    let name = place.file_name().map_or_else(PathBuf::new, PathBuf::from);
    (Folder::of(place.parent().unwrap_or(place)), name)
}

/// A folder, by what is the same for all its names: one that is mounted in two places has two paths.
#[derive(PartialEq, Eq, Hash)]
enum Folder {
    /// Device and number in it.
    #[cfg(unix)]
    Numbered(u64, u64),
    Named(PathBuf),
}

impl Folder {
    fn of(path: &Path) -> Self {
        #[cfg(unix)]
        if let Ok(found) = std::fs::metadata(path) {
            use std::os::unix::fs::MetadataExt;
            return Self::Numbered(found.dev(), found.ino());
        }
        Self::Named(path.to_path_buf())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn the_folder_of_a_sensor_is_known_through_any_links() {
        use std::fs::{create_dir_all, write};
        use std::os::unix::fs::symlink;
        let folder = tempfile::tempdir().expect("folder");
        let at = |path: &str| folder.path().join(path);
        for made in ["real", "L/sensor=B"] {
            create_dir_all(at(made)).expect("made");
        }
        write(at("real/one.parquet"), "a session").expect("written");
        // The folder of a sensor elsewhere, a session elsewhere, and links to both.
        symlink("../real", at("L/sensor=A")).expect("link");
        symlink("../../real/one.parquet", at("L/sensor=B/one.parquet")).expect("link");
        symlink("L/sensor=A", at("a")).expect("link");
        symlink(at("L/sensor=B/one.parquet"), at("b.json")).expect("link");
        symlink("round", at("round")).expect("link");
        for inside in [
            "L/sensor=A/one.parquet",
            "L/sensor=A/new.parquet",
            "L/sensor=B/one.parquet",
            "L/sensor=B/deep/er/new.json",
            "L/sensor=new/3.csv",
            "a/one.parquet",
            "b.json",
            "L/sensor=A/../real/one.parquet/../../L/sensor=B/x",
        ] {
            assert!(is_in_ledger(&at(inside)), "{inside}");
        }
        for outside in ["L/new.json", "L/sensor=B/../new.json", "real/new.json", "round", "round/new.json"] {
            assert!(!is_in_ledger(&at(outside)), "{outside}");
        }
    }

    #[test]
    fn one_file_has_one_place_however_it_is_named() {
        let folder = tempfile::tempdir().expect("folder");
        let log = folder.path().join("log.csv");
        std::fs::write(&log, "x").expect("log");
        let around = folder.path().join(".").join("log.csv");
        assert!(check([log.as_path()], &[], std::slice::from_ref(&around)).is_err());
        let new = folder.path().join("new.json");
        assert_eq!(check([log.as_path()], &[], std::slice::from_ref(&new)), Ok(()));
        assert!(check([log.as_path()], &[], &[new.clone(), folder.path().join("./new.json")]).is_err());
        let inside = folder.path().join("new.parquet");
        assert!(check([], &[folder.path().to_owned()], &[inside]).is_err());
        assert_eq!(check([], &[folder.path().join("other")], std::slice::from_ref(&new)), Ok(()));
        #[cfg(unix)]
        {
            let link = folder.path().join("link.json");
            std::os::unix::fs::symlink(&log, &link).expect("link");
            assert!(check([log.as_path()], &[], &[link]).is_err());
            // A link to a file that is still to be made is that file.
            let ahead = folder.path().join("ahead.json");
            std::os::unix::fs::symlink(&new, &ahead).expect("link");
            assert!(check([log.as_path()], &[], &[ahead, new.clone()]).is_err());
            let nowhere = PathBuf::from("/dev/null");
            assert_eq!(check([log.as_path()], &[], &[nowhere.clone(), nowhere]), Ok(()));
        }
    }
}
