//! What captures are called in the table, and the folders of their results.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::contents::checksum;
use crate::analysis::hide::in_place_of_vins;
use crate::capture::plain::plain;

/// What stands for the VINs in the names of files, so that each vehicle keeps one of its own.
#[derive(Debug, Default)]
pub(super) struct Hidden(BTreeMap<String, usize>);

impl Hidden {
    /// Numbers the VINs in these names.
    pub fn of<'a>(names: impl Iterator<Item = &'a Path>) -> Hidden {
        let mut vins = BTreeSet::new();
        for name in names {
            in_place_of_vins(&shown(name), &mut |vin| {
                vins.insert(vin.to_ascii_uppercase());
                String::new()
            });
        }
        Hidden(vins.into_iter().zip(1..).collect())
    }

    /// A name without them.
    pub fn in_place(&self, name: &str) -> String {
        in_place_of_vins(name, &mut |vin| match self.0.get(&vin.to_ascii_uppercase()) {
            Some(number) => format!("hidden-{number}"),
            None => "hidden".to_owned(),
        })
    }
}

/// A name as text; bytes that are no UTF-8, and characters that are not printed, are written as
/// numbers, so that no two names are one.
pub(super) fn shown(name: &Path) -> String {
    let mut out = String::new();
    for chunk in name.as_os_str().as_encoded_bytes().utf8_chunks() {
        out += &plain(chunk.valid());
        chunk.invalid().iter().for_each(|byte| out += &format!("\\x{byte:02X}"));
    }
    out
}

/// The tables over all captures, which lie beside the folders.
pub(super) const TABLES: [&str; 2] = ["summary.csv", "summary.parquet"];

/// Longest name of a folder, in bytes: file systems have room for 255, those that encrypt names for
/// 143 (eCryptfs).
const LONGEST: usize = 140;
/// What is left of a longer one at either end.
const END: usize = 60;

/// A name for the results of a capture: the parts of its path joined, what is not plain written as
/// a number, so that no name leads out of the folder and no two captures share one. Of one that is
/// too long both ends are left, and between them a checksum of all of it.
pub(super) fn of_folder(name: &str) -> String {
    let mut out = String::new();
    for byte in name.bytes() {
        match byte {
            // A file of the name of a table of all captures.
            first if out.is_empty() && TABLES.contains(&name) => {
                out.push_str(&format!("%{first:02X}"));
            }
            b'/' => out.push_str("--"),
            b'.' if out.is_empty() => out.push_str("%2E"),
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'.' | b'_' | b' ' => {
                out.push(char::from(byte))
            }
            b'-' if !out.ends_with('-') => out.push('-'),
            other => out.push_str(&format!("%{other:02X}")),
        }
    }
    match out.len() {
        ..=LONGEST => out,
        // No name has a `~` otherwise.
        all => {
            let sum = checksum(out.as_bytes());
            format!("{}~{sum:016X}~{}", &out[..END], &out[all - END..])
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_results_stay_inside_and_apart() {
        let long = |end: char| format!("{}{end}{}", "a/".repeat(90), "b/".repeat(90));
        let names = [
            "a/b.log",
            "a--b.log",
            "../b",
            ".b",
            "a-/b",
            "a/-b",
            "ü",
            "summary.csv",
            &long('c'),
            &long('d'),
        ];
        let folders: Vec<String> = names.iter().map(|name| of_folder(name)).collect();
        assert!(
            folders.iter().all(|name| !name.contains('/') && !name.starts_with('.')),
            "{folders:?}"
        );
        assert!(folders.iter().all(|name| name.len() <= LONGEST), "{folders:?}");
        assert!(folders.iter().all(|name| !TABLES.contains(&name.as_str())), "{folders:?}");
        let apart: BTreeSet<&String> = folders.iter().collect();
        assert_eq!(apart.len(), folders.len(), "{folders:?}");
    }

    #[cfg(unix)]
    #[test]
    fn names_that_are_no_text_stay_apart() {
        use std::os::unix::ffi::OsStrExt;
        let name = |byte| shown(Path::new(std::ffi::OsStr::from_bytes(&[b'x', byte])));
        assert_eq!((name(0xFF), name(0xFE)), ("x\\xFF".to_owned(), "x\\xFE".to_owned()));
    }

    #[test]
    fn each_vehicle_keeps_a_number() {
        let names = ["XXTESTXXA0N000042/a.log", "b/xxtestxxa0n000042.log", "XXTESTXXA0N000017.log"];
        let hidden = Hidden::of(names.iter().map(Path::new));
        let shown: Vec<String> = names.iter().map(|name| hidden.in_place(name)).collect();
        assert_eq!(shown, ["hidden-2/a.log", "b/hidden-2.log", "hidden-1.log"]);
    }
}
