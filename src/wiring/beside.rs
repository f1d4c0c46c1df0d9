//! Elements behind losses that no finding is about, or only half.

use std::collections::BTreeSet;

use super::fits::{Harness, Need, Part, Weights};
use super::losses::Loss;
use super::table::Elements;
use crate::analysis::Cause;
use crate::analysis::element::Element;
use crate::analysis::finding::Finding;
use crate::analysis::subject::Subject;

impl Harness<'_> {
    /// Losses of several nodes that no finding with an element is about, such as those that an
    /// engine start may be behind: elements that would explain them, with their share.
    pub fn beside(&self, ranked: &[Finding]) -> Vec<(usize, f64)> {
        let placed =
            |finding: &&Finding| finding.element.as_ref().is_some_and(|own| !own.fits.is_empty());
        let placed: Vec<Need<'_>> =
            ranked.iter().filter(placed).filter_map(|finding| self.need(finding)).collect();
        let told = |loss: &Loss| placed.iter().any(|need| loss.own.is_subset(&need.lost));
        // Under a poor feed now these modules stop and now those.
        let mut sets: Vec<BTreeSet<Subject>> = Vec::new();
        for loss in self.losses.iter().filter(|loss| loss.own.len() > 1 && !told(loss)) {
            let mut wide = loss.own.clone();
            sets.retain(|set| {
                let apart = set.is_disjoint(&wide);
                if !apart {
                    wide.extend(set.iter().cloned());
                }
                apart
            });
            sets.push(wide);
        }
        // Within what one element explains another may fail by itself: just its nodes were lost.
        let inner = |loss: &&Loss| {
            let exact = |element: &Element| element.feeds.iter().eq(loss.own.iter());
            let whole = placed.iter().any(|need| need.lost == loss.own);
            told(loss) && !whole && self.elements.iter().any(exact)
        };
        for loss in self.losses.iter().filter(|loss| loss.own.len() > 1).filter(inner) {
            if !sets.contains(&loss.own) {
                sets.push(loss.own.clone());
            }
        }
        // Two faults at one time: what is left where one of them is explained.
        let mut halves: Vec<Loss> = Vec::new();
        for loss in self.losses.iter().filter(|loss| !told(loss)) {
            for need in placed.iter().filter(|need| need.lost.is_subset(&loss.own)) {
                let own: BTreeSet<Subject> = loss.own.difference(&need.lost).cloned().collect();
                sets.extend((!sets.contains(&own)).then(|| own.clone()));
                halves.push(loss.of(own));
            }
        }
        let of_set = |lost: BTreeSet<Subject>| {
            let several = |loss: &&Loss| loss.own.len() > 1 && loss.own.is_subset(&lost);
            let half = halves.iter().filter(|loss| loss.own == lost);
            let losses: Vec<&Loss> = self.losses.iter().filter(several).chain(half).collect();
            let count = |cause| losses.iter().filter(|loss| loss.cause == cause).count();
            let (anew, ran_on) = (count(Cause::LostPower), count(Cause::OpenCircuit));
            let lasting = losses.iter().all(|loss| loss.lasting);
            let may = [(Part::Power, anew >= ran_on), (Part::Bus, ran_on >= anew)];
            let parts = may.into_iter().filter(|own| own.1).map(|own| own.0);
            let judged = parts.map(|part| {
                let (lost, losses) = (lost.clone(), losses.clone());
                self.judged(&Need { part, lost, losses, lasting, errors: None }).0
            });
            let weights: Weights = judged.flatten().collect();
            let left_out = Elements::built_in().left_out.of_several;
            let total: f64 = weights.iter().map(|own| own.1).sum::<f64>() + left_out;
            weights.into_iter().map(move |((at, _), weight)| (at, weight / total))
        };
        sets.into_iter().flat_map(of_set).collect()
    }
}
