//! What stands over groups of findings.

use crate::analysis::Analysis;
use crate::analysis::finding::Standing;
use crate::fault::order;

/// Over findings that explain once more what stands above, or are hardly likely; and where one of
/// them is likelier than what stands above, which is nearer to today's complaint.
pub const RIVALS: [&str; 2] = ["Other and less likely explanations", "Other explanations"];

/// Over each finding, where it begins a group: behind one explanation of each thing come the rivals
/// of all, and what is less likely.
pub fn headings(analysis: &Analysis) -> Vec<Option<&'static str>> {
    let ranked = analysis.ranked();
    let rivals = order::first_rival(ranked);
    let undecided = |at: usize| {
        let sets = analysis.findings.iter().flat_map(|findings| &findings.undecided);
        // What nothing chooses between stays together.
        sets.into_iter().any(|set| set.findings.iter().take(at + 1).copied().eq(0..=at))
    };
    let is_above = |at: usize| at < rivals || undecided(at);
    let is_rival = |at: usize| ranked[at].standing != Standing::Benign && !is_above(at);
    let least = (0..ranked.len()).filter(|at| is_above(*at)).map(|at| ranked[at].probability);
    let likelier = least.reduce(f64::min).is_some_and(|least| {
        (0..ranked.len()).filter(|at| is_rival(*at)).any(|at| ranked[at].probability > least)
    });
    let heading = |at: usize| match ranked[at].standing {
        Standing::Benign => standing(Standing::Benign),
        own if is_above(at) => standing(own),
        _ => RIVALS[usize::from(likelier)],
    };
    let all: Vec<&'static str> = (0..ranked.len()).map(heading).collect();
    let begins = |at: usize| (at == 0 || all[at - 1] != all[at]).then_some(all[at]);
    (0..all.len()).map(begins).collect()
}

/// What a group of findings is called that are as near to today's complaint.
pub fn standing(standing: Standing) -> &'static str {
    match standing {
        Standing::Present => "What explains it",
        Standing::Remembered => "Stored codes: past events",
        Standing::Foreign => "Modules that do not fit this vehicle",
        Standing::Benign => "Also seen, no fault",
    }
}
