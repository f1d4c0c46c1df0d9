//! Fits the last step from what the tool's tables come to, to what it states: how often findings of
//! each probability were true.

use std::path::{Path, PathBuf};

use crate::score::{Order, score};

/// Findings of a pool of all classes at least: of fewer the share that is true is known to a tenth
/// at best.
const FEWEST: usize = 60;
/// Findings of a pool of a group at least …
const FEWEST_OF_GROUP: usize = 30;
/// … and there are two pools at least: what is likelier than the last is stated as that.
const FEWEST_FOR_A_GROUP: usize = 2 * FEWEST_OF_GROUP;
/// So many findings of that probability of any class count with a pool of a group: what few
/// show is drawn towards what all show.
const DRAWN: f64 = 60.0;

/// Classes whose evidence is alike: how one module came back, what modules and frames say outright,
/// codes against frames, and what is no fault. What strikes several is each for itself: a common
/// supply is oftener true than its tables come to, a branch seldomer.
const GROUPS: [&[&str]; 8] = [
    &["module_power", "module_connector", "module_dead"],
    &["branch"],
    &["shared_supply"],
    &["gateway"],
    &["line"],
    &["not_configured", "overload"],
    &["stale_codes"],
    &["sleep", "cranking", "logger"],
];

/// A finding's class, what the tables came to for it, and whether it is true.
#[derive(Clone, Debug, PartialEq)]
struct Row {
    class: String,
    own: f64,
    holds: bool,
}

/// Pairs of what the tables came to and how often that was true.
type Points = Vec<(f64, f64)>;

/// Runs the tool on each seed of a family, or reads the rows that `score --rows` wrote of it; reads
/// rows made elsewhere besides, and gives the tables in the form of the tool's file.
pub fn table(
    order: &Order,
    seeds: &[u64],
    files: &[PathBuf],
    others: Option<&Path>,
    date: &str,
) -> Result<String, String> {
    let mut all: Vec<Row> = Vec::new();
    for file in files {
        all.extend(read(file)?);
    }
    for seed in seeds.iter().filter(|_| files.is_empty()) {
        let (_, verdicts) = score(&Order { seed: *seed, ..order.clone() });
        let findings = verdicts.iter().flat_map(|(_, verdict)| &verdict.findings);
        all.extend(findings.map(|finding| Row {
            class: finding.class.clone(),
            own: finding.uncalibrated,
            holds: finding.holds,
        }));
    }
    let own = all.len();
    if let Some(path) = others {
        all.extend(read(path)?);
    }
    let pooled = points(&pools(&mut all, FEWEST), None);
    let seeds: Vec<String> = seeds.iter().map(u64::to_string).collect();
    let simulated = match all.len() - own {
        0 => String::new(),
        more => format!(", and {more} on the simulator's buses"),
    };
    let mut text = format!(
        "date = \"{date}\"\nsource = \"{own} findings on the second world, family {:?}, seeds {}\
         {simulated}; pools of {FEWEST} or more, of {FEWEST_OF_GROUP} in a group\"\npoints = \
         {}",
        order.family,
        seeds.join(", "),
        listed(&pooled)
    );
    for classes in GROUPS {
        let of_group = |row: &&Row| classes.contains(&row.class.as_str());
        let mut rows: Vec<Row> = all.iter().filter(of_group).cloned().collect();
        if rows.len() < FEWEST_FOR_A_GROUP {
            continue;
        }
        let points = points(&pools(&mut rows, FEWEST_OF_GROUP), Some(&pooled));
        text += &format!(
            "\n# {} findings.\n[[group]]\nclasses = {classes:?}\npoints = {}",
            rows.len(),
            listed(&points)
        );
    }
    Ok(text)
}

/// Of each pool what was measured; drawn towards what all classes show, but never above what the
/// best pool of the group was.
fn points(pools: &[Pool], towards: Option<&Points>) -> Points {
    let most = pools.iter().map(|pool| pool.share()).fold(0.0, f64::max);
    let of = |pool: &Pool| {
        let drawn = towards.map_or(pool.share(), |all| {
            let many = pool.many as f64;
            (pool.hold as f64 + DRAWN * between(all, pool.mean())) / (many + DRAWN)
        });
        (pool.mean(), drawn.min(most))
    };
    let mut out = vec![(0.0, 0.0)];
    for (own, measured) in pools.iter().map(of) {
        let before = out[out.len() - 1];
        if round(own) > round(before.0) {
            out.push((own, measured.max(before.1)));
        }
    }
    let last = out[out.len() - 1];
    if round(last.0) < 1.0 {
        out.push((1.0, last.1));
    }
    out
}

fn round(number: f64) -> f64 {
    (number * 1e3).round() / 1e3
}

/// On the straight line between two points.
fn between(points: &Points, own: f64) -> f64 {
    let next = points.partition_point(|(at, _)| *at < own).clamp(1, points.len() - 1);
    let ((from, low), (to, high)) = (points[next - 1], points[next]);
    low + (own - from) / (to - from) * (high - low)
}

fn listed(points: &Points) -> String {
    let list = points.iter().map(|(own, measured)| format!("    [{own:.3}, {measured:.3}],\n"));
    format!("[\n{}]\n", list.collect::<String>())
}

fn read(path: &Path) -> Result<Vec<Row>, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    rows(&text)
        .ok_or_else(|| format!("{}: no columns class, uncalibrated and holds", path.display()))
}

/// The columns that count, by their names in the first line.
fn rows(text: &str) -> Option<Vec<Row>> {
    let (head, lines) = text.split_once('\n')?;
    let column = |name: &str| head.split(',').position(|own| own.trim() == name);
    let (class, own) = (column("class")?, column("uncalibrated")?);
    let holds = column("holds")?;
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').map(str::trim).collect();
        Some(Row {
            class: (*cells.get(class)?).to_owned(),
            own: cells.get(own)?.parse().ok()?,
            holds: *cells.get(holds)? == "1",
        })
    };
    lines.lines().map(row).collect()
}

/// Findings that are taken together.
#[derive(Clone, Copy, Debug, Default)]
struct Pool {
    many: usize,
    hold: usize,
    sum: f64,
}

impl Pool {
    fn of(rows: &[Row]) -> Pool {
        Pool {
            many: rows.len(),
            hold: rows.iter().filter(|row| row.holds).count(),
            sum: rows.iter().map(|row| row.own).sum(),
        }
    }

    fn with(self, other: Pool) -> Pool {
        Pool {
            many: self.many + other.many,
            hold: self.hold + other.hold,
            sum: self.sum + other.sum,
        }
    }

    fn share(self) -> f64 {
        self.hold as f64 / self.many.max(1) as f64
    }

    fn mean(self) -> f64 {
        self.sum / self.many.max(1) as f64
    }
}

/// Neighbours of which the higher was true less often are one (isotonic regression by pooling
/// adjacent violators).
fn pools(rows: &mut [Row], fewest: usize) -> Vec<Pool> {
    rows.sort_by(|a, b| a.own.total_cmp(&b.own));
    let count = (rows.len() / fewest).max(1);
    let place = |at: usize| at * rows.len() / count;
    let mut out: Vec<Pool> = Vec::new();
    for at in 0..count {
        let mut pool = Pool::of(&rows[place(at)..place(at + 1)]);
        while let Some(before) = out.last().filter(|before| before.share() >= pool.share()) {
            pool = before.with(pool);
            out.pop();
        }
        out.push(pool);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(class: &str, own: f64, holds: bool) -> Row {
        Row { class: class.to_owned(), own, holds }
    }

    /// A pool of 60 of a group counts as much as what all show, and never states more than the best
    /// pool of its group was.
    #[test]
    fn few_are_drawn_towards_all() {
        let all = vec![(0.0, 0.0), (1.0, 0.8)];
        let pool = |own: f64, hold| Pool { many: 60, hold, sum: 60.0 * own };
        let found = points(&[pool(0.5, 12), pool(0.9, 54)], Some(&all));
        let wanted = [(0.0, 0.0), (0.5, 0.3), (0.9, 0.81), (1.0, 0.81)];
        for (found, wanted) in found.iter().zip(wanted) {
            assert!((found.1 - wanted.1).abs() < 1e-9, "{found:?} {wanted:?}");
        }
        let low = points(&[pool(0.5, 12), pool(0.9, 24)], Some(&all));
        assert!(low.iter().all(|(_, measured)| *measured <= 0.4), "{low:?}");
    }

    /// What is true less often than its lower neighbour is taken together with it.
    #[test]
    fn pools_rise() {
        let shares = [0.1, 0.5, 0.3, 0.9];
        let mut rows: Vec<Row> = Vec::new();
        for (at, share) in shares.iter().enumerate() {
            let own = 0.1 + 0.2 * at as f64;
            rows.extend((0..FEWEST).map(|n| row("line", own, (n as f64) < share * FEWEST as f64)));
        }
        let pools = pools(&mut rows, FEWEST);
        let found: Vec<(f64, f64)> = pools.iter().map(|pool| (pool.mean(), pool.share())).collect();
        let wanted = [(0.1, 0.1), (0.4, 0.4), (0.7, 0.9)];
        assert_eq!(found.len(), 3, "{found:?}");
        for (found, wanted) in found.iter().zip(wanted) {
            let near = (found.0 - wanted.0).abs() < 1e-9 && (found.1 - wanted.1).abs() < 1e-9;
            assert!(near, "{found:?}");
        }
    }

    #[test]
    fn rows_are_read_by_the_names_of_their_columns() {
        let text = "class,holds,uncalibrated\nline,1,0.25\nbranch,0,0.9\n";
        assert_eq!(rows(text), Some(vec![row("line", 0.25, true), row("branch", 0.9, false)]));
        assert_eq!(rows("a,b\n1,2\n"), None);
    }
}
