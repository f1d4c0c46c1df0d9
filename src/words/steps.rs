//! How tests are told: what goes before one, what it costs and what for, what to be careful of.

use super::headline::small;
use super::terms::listed;
use crate::analysis::Analysis;
use crate::analysis::finding::{Caution, NextTest};
use crate::fault::advice;
use crate::fold::timing::seconds;

/// What goes before any hand on a module of which nobody knows what it is.
const FOUND_BY_SCAN: &str =
    "Park, save all codes; scan while it is silent: which one does not answer?";
/// The same of one that is never silent for long enough to be scanned.
const FOUND_BY_CODES: &str = "Park, read and save the codes of all modules: whom do they miss?";
/// A scan of all modules takes so many seconds (common practice, no source).
const A_SCAN: f64 = 20.0;

/// The same as a request.
pub(super) const TO_BE_FOUND: &str = "first save all codes and find out which it is";

/// That what carries no source stands on practice alone.
pub const SOURCES: &str = "Expected values without a source in brackets are common practice. \
                           Manufacturer limits take precedence.";

/// Whether a test lays hands on what nobody knows what it is: that is found out before.
pub fn is_found_first(test: &NextTest) -> bool {
    let has = |id| advice::named(id).is_some_and(|own| test.cautions.contains(own));
    has("unknown") && !has("tester") && !has("switching")
}

/// What goes before a test that lays hands on what nobody knows what it is; `None` before others.
/// Who is back within seconds is not found by a scan, but its absence is stored by the others.
pub fn found_first(analysis: &Analysis, test: &NextTest) -> Option<&'static str> {
    let mut losses = analysis.lost().filter(|own| analysis.is_about(&test.subject, own)).peekable();
    let none = losses.peek().is_none();
    let long = losses.any(|own| own.ongoing || seconds(own.end - own.start) >= A_SCAN);
    is_found_first(test).then_some(if long || none { FOUND_BY_SCAN } else { FOUND_BY_CODES })
}

/// What a test costs and what for: `6 min, for finding 2`.
pub fn worth(test: &NextTest) -> String {
    let places: Vec<String> = test.findings.iter().map(usize::to_string).collect();
    let which = if places.len() == 1 { "finding" } else { "findings" };
    format!("{:.0} min, for {which} {}", test.minutes, listed(&places, "and"))
}

/// That a test is done as an earlier one of the list, elsewhere.
pub fn as_before(earlier: usize) -> String {
    format!("How, and what to expect: as test {earlier}.")
}

/// How a table says that it names no source.
const NO_SOURCE: &str = "common practice, no source";

/// Where something is from, in brackets; nothing where no source is named.
pub fn source(source: &str) -> String {
    let named = source.strip_prefix(NO_SOURCE).map_or(source, |rest| rest.trim_start_matches("; "));
    if named.is_empty() { String::new() } else { format!(" [{named}]") }
}

/// Cautions in short, each in full at its first place only; `told` are those of places before.
pub fn cautions<'a>(cautions: &'a [Caution], told: &mut Vec<&'a Caution>) -> String {
    let (again, new): (Vec<&Caution>, Vec<&Caution>) =
        cautions.iter().partition(|caution| told.contains(caution));
    told.extend(&new);
    let mut out: Vec<String> = new.iter().map(|caution| caution.brief.clone()).collect();
    if !again.is_empty() {
        let again: Vec<String> =
            again.iter().map(|caution| small(matter(&caution.brief))).collect();
        out.push(format!("As above: {}.", again.join("; ")));
    }
    out.join(" ")
}

/// What a caution is about: its beginning.
fn matter(brief: &str) -> &str {
    brief.split([':', ';']).next().unwrap_or(brief).trim_end_matches('.')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_caution_is_told_in_full_once() {
        let own: Vec<Caution> =
            ["unknown", "trim"].iter().filter_map(|id| advice::named(id)).cloned().collect();
        let mut told = Vec::new();
        let first = cautions(&own[..1], &mut told);
        assert_eq!(first, own[0].brief);
        let second = cautions(&own, &mut told);
        assert_eq!(second, format!("{} As above: identity not known.", own[1].brief));
    }

    #[test]
    fn what_names_no_source_has_none_in_brackets() {
        assert_eq!(source(NO_SOURCE), "");
        assert_eq!(
            source("common practice, no source; local rules decide"),
            " [local rules decide]"
        );
        assert_eq!(source("ISO 11898-2:2016"), " [ISO 11898-2:2016]");
    }
}
