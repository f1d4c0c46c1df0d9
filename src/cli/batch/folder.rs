//! What lies in the folder of captures, and in that of their results.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use super::work::ROW;
use crate::cli::Failure;
use crate::cli::files::marks_beside;

/// All files below a folder, sorted; links to folders are not followed, and the results are left
/// out, as are the marks of a capture, which are read with it.
pub(super) fn captures(folder: &Path, out: &Path) -> Result<Vec<PathBuf>, Failure> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        let entries = match fs::read_dir(&folder) {
            Ok(entries) => entries,
            // One folder that is not ours to read costs one row, not the run.
            Err(_) if !found.is_empty() || !folders.is_empty() => {
                found.push(folder);
                continue;
            }
            Err(error) => {
                return Err(Failure::message(format!(
                    "{}: cannot be read: {error}",
                    folder.display()
                )));
            }
        };
        for entry in entries.flatten() {
            let path = entry.path();
            match entry.file_type() {
                Ok(kind) if kind.is_dir() && path != out => folders.push(path),
                Ok(kind) if kind.is_dir() => {}
                Ok(kind) if kind.is_symlink() && path.is_dir() => {}
                _ => found.push(path),
            }
        }
    }
    found.sort();
    let marks: BTreeSet<PathBuf> = found.iter().map(|path| marks_beside(path)).collect();
    found.retain(|path| !marks.contains(path));
    Ok(found)
}

/// Results of earlier runs that are of none of these captures, by name.
pub(super) fn left_over(out: &Path, places: &BTreeSet<PathBuf>) -> Vec<String> {
    let Ok(entries) = fs::read_dir(out) else { return Vec::new() };
    let paths = entries.flatten().map(|entry| entry.path());
    let old = paths.filter(|path| !places.contains(path) && is_result(path));
    let mut names: Vec<String> =
        old.filter_map(|path| Some(path.file_name()?.to_string_lossy().into_owned())).collect();
    names.sort();
    names
}

/// Whether a folder holds the results of a capture, and is none of somebody else's.
fn is_result(place: &Path) -> bool {
    fs::read_to_string(place.join(ROW)).is_ok_and(|text| text.contains("\"made_from\""))
}
