//! Fits the last step from what the tool's tables come to, to what it states: how often findings of
//! each probability were true. And the proof of it: what a world that had no part in a table shows
//! with it.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use crate::figures::Stated;

/// Findings of a pool of all classes at least: of fewer the share that is true is known to a tenth
/// at best.
const FEWEST: usize = 150;
/// Findings of a pool of a group at least …
const FEWEST_OF_GROUP: usize = 75;
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

/// A finding's class, what the tables came to for it, what was stated, and whether it is true.
#[derive(Clone, Debug, PartialEq)]
struct Row {
    class: String,
    own: f64,
    stated: f64,
    holds: bool,
}

/// The findings of one set of a world, as `score --rows` and `judge --rows` wrote them.
#[derive(Clone, Debug)]
pub struct Rows {
    world: String,
    rows: Vec<Row>,
}

impl Rows {
    /// Reads `WORLD=FILE`.
    pub fn read(word: &str) -> Result<Rows, String> {
        let (world, path) =
            word.split_once('=').ok_or_else(|| format!("{word}: WORLD=FILE.csv is wanted"))?;
        Ok(Rows { world: world.to_owned(), rows: read(&PathBuf::from(path))? })
    }
}

/// Pairs of what the tables came to and how often that was true.
type Points = Vec<(f64, f64)>;

/// The table of all classes, and those of groups.
struct Tables {
    all: Points,
    groups: Vec<(&'static [&'static str], usize, Points)>,
}

impl Tables {
    fn of<'a>(sets: impl Iterator<Item = &'a Rows>) -> Tables {
        let mut all: Vec<Row> = sets.flat_map(|set| set.rows.iter().cloned()).collect();
        let pooled = points(&pools(&mut all, FEWEST), None);
        let group = |classes: &'static [&'static str]| {
            let of_group = |row: &&Row| classes.contains(&row.class.as_str());
            let mut rows: Vec<Row> = all.iter().filter(of_group).cloned().collect();
            let many = rows.len();
            (many >= FEWEST_FOR_A_GROUP)
                .then(|| (classes, many, points(&pools(&mut rows, FEWEST_OF_GROUP), Some(&pooled))))
        };
        let groups = GROUPS.into_iter().filter_map(group).collect();
        Tables { all: pooled, groups }
    }

    fn measured(&self, row: &Row) -> f64 {
        let own = self.groups.iter().find(|(classes, ..)| classes.contains(&row.class.as_str()));
        between(own.map_or(&self.all, |(.., points)| points), row.own)
    }
}

/// The tables of all sets, in the form of the tool's file.
pub fn table(sets: &[Rows], date: &str) -> String {
    let tables = Tables::of(sets.iter());
    let many: usize = sets.iter().map(|set| set.rows.len()).sum();
    let names: BTreeSet<&str> = sets.iter().map(|set| set.world.as_str()).collect();
    let names: Vec<&str> = names.into_iter().collect();
    let mut text = format!(
        "date = \"{date}\"\nsource = \"{many} findings on invented vehicles of {} worlds ({}); pools \
         of {FEWEST} or more, of {FEWEST_OF_GROUP} in a group\"\npoints = {}",
        names.len(),
        names.join(", "),
        listed(&tables.all)
    );
    for (classes, many, points) in &tables.groups {
        let _ = write!(
            text,
            "\n# {many} findings.\n[[group]]\nclasses = {classes:?}\npoints = {}",
            listed(points)
        );
    }
    text
}

/// For each set of `on`: how far off what was stated is, and what the tables of all other worlds
/// would state.
pub fn check(sets: &[Rows], on: &[Rows]) -> String {
    let mut text = String::from(
        "| world | findings | off as stated | 0.95 or more, and true | off by the tables of the other \
         worlds | 0.95 or more, and true |\n|---|---|---|---|---|---|\n",
    );
    for own in on {
        let tables = Tables::of(sets.iter().filter(|set| set.world != own.world));
        let stated = cells(own.rows.iter().map(|row| (row.stated, row.holds)));
        let others = cells(own.rows.iter().map(|row| (tables.measured(row), row.holds)));
        let _ = writeln!(text, "| {} | {} | {stated} | {others} |", own.world, own.rows.len());
    }
    text
}

/// How far off it is, and what of it is stated at 0.95 or more: two cells of a table.
fn cells(rows: impl Iterator<Item = (f64, bool)>) -> String {
    let mut all = Stated::default();
    rows.for_each(|(probability, holds)| all.add(probability, holds));
    format!("{:.3} | {} of {}", all.error(), all.sure.of, all.sure.all)
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
    rows(&text).ok_or_else(|| {
        format!("{}: no columns class, uncalibrated, probability and holds", path.display())
    })
}

/// The columns that count, by their names in the first line.
fn rows(text: &str) -> Option<Vec<Row>> {
    let (head, lines) = text.split_once('\n')?;
    let column = |name: &str| head.split(',').position(|own| own.trim() == name);
    let (class, own) = (column("class")?, column("uncalibrated")?);
    let (stated, holds) = (column("probability")?, column("holds")?);
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').map(str::trim).collect();
        Some(Row {
            class: (*cells.get(class)?).to_owned(),
            own: cells.get(own)?.parse().ok()?,
            stated: cells.get(stated)?.parse().ok()?,
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
        Row { class: class.to_owned(), own, stated: own, holds }
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
        let text = "class,holds,uncalibrated,probability\nline,1,0.25,0.25\nbranch,0,0.9,0.9\n";
        assert_eq!(rows(text), Some(vec![row("line", 0.25, true), row("branch", 0.9, false)]));
        assert_eq!(rows("a,b\n1,2\n"), None);
    }

    /// A world is held against the tables of the others, never its own: here what the others have
    /// true in half is never true in it.
    #[test]
    fn a_world_is_held_against_the_tables_of_others() {
        let of = |world: &str, share: usize| {
            let rows = (0..4 * FEWEST).map(|n| row("line", 0.9, n % 4 < share)).collect();
            Rows { world: world.to_owned(), rows }
        };
        let (one, other) = (of("one", 0), of("other", 2));
        let found = check(&[one.clone(), other], &[one]);
        let last = found.lines().last().unwrap_or_default();
        assert_eq!(last, format!("| one | {} | 0.900 | 0 of 0 | 0.500 | 0 of 0 |", 4 * FEWEST));
    }
}
