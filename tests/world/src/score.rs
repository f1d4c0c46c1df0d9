//! Makes cases, runs the tool on them, and adds up.

use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::case::{Set, make};
use crate::family::Family;
use crate::figures::Figures;
use crate::judge::{Verdict, judge};
use crate::report;

/// What is to be scored.
#[derive(Clone, Debug)]
pub struct Order {
    /// Family of structure.
    pub family: Family,
    /// Seed.
    pub seed: u64,
    /// Cases of each set: singles, pairs, sound.
    pub many: [usize; 3],
    /// Binary of the tool.
    pub binary: PathBuf,
    /// Longest recording, in seconds.
    pub longest: f64,
    /// Runs at once.
    pub jobs: usize,
    /// Folder that keeps the cases.
    pub dump: Option<PathBuf>,
    /// Only faults whose name has this in it.
    pub class: Option<String>,
    /// Only this number of each set.
    pub case: Option<usize>,
}

impl Order {
    fn list(&self) -> Vec<(Set, usize)> {
        let sets = [Set::Singles, Set::Pairs, Set::Sound];
        let all =
            sets.iter().zip(self.many).flat_map(|(&set, many)| (0..many).map(move |n| (set, n)));
        all.filter(|&(_, number)| self.case.is_none_or(|only| only == number))
            .filter(|&(set, number)| {
                self.class.as_ref().is_none_or(|class| {
                    let faults = crate::case::faults_of(set, number);
                    faults
                        .iter()
                        .any(|&fault| crate::faults::FAULTS[fault].0.contains(class.as_str()))
                })
            })
            .collect()
    }
}

/// Scores: the figures, and each verdict in order.
pub fn score(order: &Order) -> (Figures, Vec<(Set, Verdict)>) {
    let list = order.list();
    let next = AtomicUsize::new(0);
    let found: Mutex<Vec<(usize, Verdict)>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..order.jobs.max(1) {
            scope.spawn(|| {
                loop {
                    let place = next.fetch_add(1, Ordering::Relaxed);
                    let Some(&(set, number)) = list.get(place) else { return };
                    let verdict = one(order, set, number);
                    if let Ok(mut found) = found.lock() {
                        found.push((place, verdict));
                    }
                }
            });
        }
    });
    let mut found = found.into_inner().unwrap_or_default();
    found.sort_by_key(|(place, _)| *place);
    let mut figures = Figures::default();
    let mut verdicts = Vec::new();
    for (place, verdict) in found {
        figures.add(list[place].0, &verdict);
        verdicts.push((list[place].0, verdict));
    }
    (figures, verdicts)
}

fn one(order: &Order, set: Set, number: usize) -> Verdict {
    let case = make(order.family, order.seed, set, number, order.longest);
    let name = format!("{}-{number:03}", set.name());
    let kept = order.dump.as_ref().map(|folder| folder.join(&name));
    let folder = kept.clone().unwrap_or_else(|| {
        std::env::temp_dir().join(format!("lostnode-world-{}-{name}", std::process::id()))
    });
    let verdict = judge(&case.truth, &report::run(&order.binary, &folder, &case));
    if kept.is_none() {
        let _ = std::fs::remove_dir_all(&folder);
    }
    verdict
}
