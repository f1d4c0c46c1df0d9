//! Fits the last step from what the tool's tables come to, to what it states: how often findings of
//! each probability were true.

use std::path::{Path, PathBuf};

use crate::score::{Order, score};

/// Findings of a pool at least: of fewer the share that is true is known to a tenth at best.
const FEWEST: usize = 60;

/// What the tables came to for a finding, and whether it is true.
type Row = (f64, bool);

/// Runs the tool on each seed of a family, or reads the rows that `score --rows` wrote of it; reads
/// rows made elsewhere besides, and gives the table in the form of the tool's file.
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
        all.extend(findings.map(|finding| (finding.uncalibrated, finding.holds)));
    }
    let own = all.len();
    if let Some(path) = others {
        all.extend(read(path)?);
    }
    let pools = pools(&mut all);
    let mut points = vec![(0.0, 0.0)];
    points.extend(pools.iter().map(|pool| (pool.mean(), pool.share())));
    points.extend(pools.last().map(|pool| (1.0, pool.share())));
    points.dedup_by(|a, b| a.0 <= b.0);
    let list: Vec<String> =
        points.iter().map(|(own, measured)| format!("    [{own:.3}, {measured:.3}],\n")).collect();
    let seeds: Vec<String> = seeds.iter().map(u64::to_string).collect();
    let simulated = match all.len() - own {
        0 => String::new(),
        more => format!(", and {more} on the simulator's buses"),
    };
    Ok(format!(
        "date = \"{date}\"\nsource = \"{own} findings on the second world, family {:?}, seeds \
         {}{simulated}; pools of {FEWEST} or more\"\npoints = [\n{}]\n",
        order.family,
        seeds.join(", "),
        list.concat()
    ))
}

fn read(path: &Path) -> Result<Vec<Row>, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    rows(&text).ok_or_else(|| format!("{}: no columns uncalibrated and holds", path.display()))
}

/// The two columns that count, by their names in the first line.
fn rows(text: &str) -> Option<Vec<Row>> {
    let (head, lines) = text.split_once('\n')?;
    let column = |name: &str| head.split(',').position(|own| own.trim() == name);
    let (own, holds) = (column("uncalibrated")?, column("holds")?);
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').map(str::trim).collect();
        Some((cells.get(own)?.parse().ok()?, *cells.get(holds)? == "1"))
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
            hold: rows.iter().filter(|row| row.1).count(),
            sum: rows.iter().map(|row| row.0).sum(),
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
fn pools(rows: &mut [Row]) -> Vec<Pool> {
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    let count = (rows.len() / FEWEST).max(1);
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

    /// What is true less often than its lower neighbour is taken together with it.
    #[test]
    fn pools_rise() {
        let shares = [0.1, 0.5, 0.3, 0.9];
        let mut rows: Vec<Row> = Vec::new();
        for (at, share) in shares.iter().enumerate() {
            let own = 0.1 + 0.2 * at as f64;
            rows.extend((0..FEWEST).map(|n| (own, (n as f64) < share * FEWEST as f64)));
        }
        let pools = pools(&mut rows);
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
        assert_eq!(rows(text), Some(vec![(0.25, true), (0.9, false)]));
        assert_eq!(rows("a,b\n1,2\n"), None);
    }
}
