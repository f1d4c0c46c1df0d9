//! Fits the last step from what the tool's tables come to, to what it states: how often findings of
//! each probability were true.

use std::path::Path;

use crate::score::{Order, score};

/// Findings of a pool at least: of fewer the share that is true is known to a tenth at best.
const FEWEST: usize = 60;

/// What the tables came to for a finding, and whether it is true.
type Row = (f64, bool);

/// Runs the tool on each seed of a family, reads rows made elsewhere besides (a number and 0 or 1,
/// with a comma between), and gives the table in the form of the tool's file.
pub fn table(
    order: &Order,
    seeds: &[u64],
    others: Option<&Path>,
    date: &str,
) -> Result<String, String> {
    let mut rows: Vec<Row> = Vec::new();
    for seed in seeds {
        let (_, verdicts) = score(&Order { seed: *seed, ..order.clone() });
        let findings = verdicts.iter().flat_map(|(_, verdict)| &verdict.findings);
        rows.extend(findings.map(|finding| (finding.uncalibrated, finding.holds)));
    }
    let own = rows.len();
    if let Some(path) = others {
        let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
        rows.extend(text.lines().filter_map(row));
    }
    let pools = pools(&mut rows);
    let mut points = vec![(0.0, 0.0)];
    points.extend(pools.iter().map(|pool| (pool.mean(), pool.share())));
    points.extend(pools.last().map(|pool| (1.0, pool.share())));
    points.dedup_by(|a, b| a.0 <= b.0);
    let list: Vec<String> =
        points.iter().map(|(own, measured)| format!("    [{own:.3}, {measured:.3}],\n")).collect();
    let seeds: Vec<String> = seeds.iter().map(u64::to_string).collect();
    let simulated = match rows.len() - own {
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

fn row(line: &str) -> Option<Row> {
    let (own, holds) = line.split_once(',')?;
    Some((own.trim().parse().ok()?, holds.trim() == "1"))
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
    fn a_row_is_a_number_and_whether_it_holds() {
        assert_eq!(row("0.25,1"), Some((0.25, true)));
        assert_eq!(row("0.9, 0"), Some((0.9, false)));
        assert_eq!(row("uncalibrated,holds"), None);
    }
}
