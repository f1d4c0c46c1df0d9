//! Makes cases, or takes those in a folder, runs the tool on them, and adds up.

use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::case::{Set, make};
use crate::family::Family;
use crate::figures::Figures;
use crate::judge::{Verdict, judge};
use crate::report;
use crate::truth::Truth;

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
    let verdicts = all(list.len(), order.jobs, |place| {
        let (set, number) = list[place];
        (set, one(order, set, number))
    });
    (figures(&verdicts), verdicts)
}

/// Scores the cases that lie in a folder, each in a folder of its own with `capture.log`,
/// `truth.json`, and a roster or the sound captures to learn one from: whoever wrote them.
///
/// # Errors
///
/// A truth that cannot be read, with its place.
pub fn judged(
    cases: &Path,
    binary: &Path,
    jobs: usize,
) -> Result<(Figures, Vec<(Set, Verdict)>), String> {
    let mut folders: Vec<PathBuf> = std::fs::read_dir(cases)
        .map_err(|error| format!("{}: {error}", cases.display()))?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|folder| folder.join("truth.json").exists())
        .collect();
    folders.sort();
    let truths: Vec<(Set, Truth)> =
        folders.iter().map(|folder| truth_in(folder)).collect::<Result<_, _>>()?;
    let verdicts = all(folders.len(), jobs, |place| {
        let (set, truth) = &truths[place];
        let kept = scratch(&format!("judged-{place:03}"));
        let said = std::fs::create_dir_all(&kept)
            .map_err(|error| error.to_string())
            .and_then(|()| report::run(binary, &folders[place], &kept));
        let _ = std::fs::remove_dir_all(&kept);
        (*set, judge(truth, &said))
    });
    Ok((figures(&verdicts), verdicts))
}

fn truth_in(folder: &Path) -> Result<(Set, Truth), String> {
    let path = folder.join("truth.json");
    let wrong = |why: String| format!("{}: {why}", path.display());
    let text = std::fs::read_to_string(&path).map_err(|error| wrong(error.to_string()))?;
    let truth: Truth = serde_json::from_str(&text).map_err(|error| wrong(error.to_string()))?;
    let set = Set::named(&truth.set)
        .ok_or_else(|| wrong(format!("set {}: it is singles, pairs or sound", truth.set)))?;
    Ok((set, truth))
}

/// Does so many pieces of work, several at once, and gives what they make in order.
fn all<T: Send>(many: usize, jobs: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let found: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..jobs.max(1) {
            scope.spawn(|| {
                loop {
                    let place = next.fetch_add(1, Ordering::Relaxed);
                    if place >= many {
                        return;
                    }
                    let made = work(place);
                    if let Ok(mut found) = found.lock() {
                        found.push((place, made));
                    }
                }
            });
        }
    });
    let mut found = found.into_inner().unwrap_or_default();
    found.sort_by_key(|(place, _)| *place);
    found.into_iter().map(|(_, made)| made).collect()
}

fn figures(verdicts: &[(Set, Verdict)]) -> Figures {
    let mut figures = Figures::default();
    for (set, verdict) in verdicts {
        figures.add(*set, verdict);
    }
    figures
}

fn one(order: &Order, set: Set, number: usize) -> Verdict {
    let case = make(order.family, order.seed, set, number, order.longest);
    let name = format!("{}-{number:03}", set.name());
    let kept = order.dump.as_ref().map(|folder| folder.join(&name));
    let folder = kept.clone().unwrap_or_else(|| scratch(&name));
    let said =
        report::write(&folder, &case).and_then(|()| report::run(&order.binary, &folder, &folder));
    let verdict = judge(&case.truth, &said);
    if kept.is_none() {
        let _ = std::fs::remove_dir_all(&folder);
    }
    verdict
}

fn scratch(name: &str) -> PathBuf {
    std::env::temp_dir().join(format!("lostnode-world-{}-{name}", std::process::id()))
}
