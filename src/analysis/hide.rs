//! What identifies the vehicle, left out of an analysis so that it can be shared: numbers that
//! modules gave, the vehicle that the job names, and either of them in words that a user typed:
//! names of files, title and notes of the job.

use super::diagnosis::Diagnosis;
use super::finding::Observation;
use super::{Analysis, Notice};
use crate::fold::diagnostics::has_vin_form;

/// Shorter numbers are words like any other.
const SHORTEST: usize = 5;

impl Analysis {
    /// Leaves all of it out. That there was something, and what is wrong with it, stays.
    pub fn hide_identity(&mut self) {
        self.drives.iter_mut().for_each(|drive| drive.analysis.hide_identity());
        for own in &mut self.kept_out {
            Diagnosis::HIDDEN.clone_into(&mut own.vin);
            Diagnosis::HIDDEN.clone_into(&mut own.vehicle);
        }
        let numbers = self.diagnosis.numbers();
        self.diagnosis.hide_identity();
        self.hide_names();
        let paths = self.captures.iter_mut().map(|capture| &mut capture.path);
        paths.for_each(|path| without(path, &numbers));
        self.marks.iter_mut().for_each(|mark| without(&mut mark.text, &numbers));
        let Some(findings) = &mut self.findings else { return };
        let job = &mut findings.job;
        if let Some(vehicle) = &mut job.vehicle {
            Diagnosis::HIDDEN.clone_into(vehicle);
        }
        let mut readings: Vec<_> = job.readings.iter_mut().collect();
        let mut done: Vec<_> = job.done.iter_mut().collect();
        for finding in &mut findings.ranked {
            done.extend(&mut finding.done);
            let observed = finding.evidence.iter_mut().map(|evidence| &mut evidence.what);
            readings.extend(observed.filter_map(|what| match what {
                Observation::Reading(reading) => Some(reading),
                _ => None,
            }));
        }
        let of_readings =
            readings.into_iter().flat_map(|own| own.at.iter_mut().chain(&mut own.note));
        let of_done = done.into_iter().flat_map(|own| own.at.iter_mut().chain(&mut own.note));
        let words = job.title.iter_mut().chain(of_readings).chain(of_done);
        words.for_each(|text| {
            without(text, &numbers);
            without_vins(text);
        });
    }

    /// Leaves what has the form of a VIN out of the names of the files alone.
    pub fn hide_names(&mut self) {
        self.drives.iter_mut().for_each(|drive| drive.analysis.hide_names());
        self.captures.iter_mut().for_each(|capture| without_vins(&mut capture.path));
        self.kept_out.iter_mut().for_each(|own| without_vins(&mut own.path));
        for notice in &mut self.notices {
            if let Notice::SameTwice { path, read } = notice {
                [path, read].into_iter().for_each(without_vins);
            }
        }
    }
}

/// A text without numbers that are known.
fn without(text: &mut String, numbers: &[String]) {
    for number in numbers.iter().filter(|number| number.len() >= SHORTEST) {
        if text.contains(number.as_str()) {
            *text = text.replace(number.as_str(), Diagnosis::HIDDEN);
        }
    }
}

/// A text without what may be a VIN.
fn without_vins(text: &mut String) {
    *text = in_place_of_vins(text, &mut |_| Diagnosis::HIDDEN.to_owned());
}

/// A text with something else in the place of each word that may be a VIN.
pub(crate) fn in_place_of_vins(text: &str, put: &mut dyn FnMut(&str) -> String) -> String {
    let mut out = String::new();
    let mut word = String::new();
    for c in text.chars().chain(['\0']) {
        if c.is_ascii_alphanumeric() {
            word.push(c);
            continue;
        }
        match may_be_vin(&word) {
            true => out += &put(&word),
            false => out += &word,
        }
        word.clear();
        out.push(c);
    }
    out.pop();
    out
}

/// Whether a word may be a VIN as somebody typed it. Users write names of files in small letters
/// too, which no module does; and a time written as 17 digits is no VIN, which has some of each.
fn may_be_vin(word: &str) -> bool {
    has_vin_form(word)
        && word.contains(|c: char| c.is_ascii_digit())
        && word.contains(|c: char| c.is_ascii_alphabetic())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_has_the_form_of_a_vin_goes() {
        for (text, left) in [
            ("drives/XXTESTXXA0N000042.log.gz", "drives/hidden.log.gz"),
            ("xxtestxxa0n000042", "hidden"),
            // One more, one less, none of a kind, and a letter that no VIN has.
            ("XXTESTXXA0N0000421", "XXTESTXXA0N0000421"),
            ("XXTESTXXA0N00004", "XXTESTXXA0N00004"),
            ("20260921141320123", "20260921141320123"),
            ("drive-of-thursday", "drive-of-thursday"),
            ("QXTESTXXA0N000042", "QXTESTXXA0N000042"),
            ("", ""),
        ] {
            let mut own = text.to_owned();
            without_vins(&mut own);
            assert_eq!(own, left, "{text}");
        }
    }
}
