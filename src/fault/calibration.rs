//! The last step from what the tables come to, to what is stated: a table with its date,
//! `calibration.toml`, of how often findings were true.

use std::sync::LazyLock;

use serde::Deserialize;

/// A table from the probability that the tables come to, to the one that was measured.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// When it was measured.
    pub date: String,
    /// On what.
    pub source: String,
    /// Pairs of both, ascending.
    points: Vec<(f64, f64)>,
}

impl Calibration {
    /// The built-in table, read when it is first asked for.
    pub fn built_in() -> &'static Calibration {
        static BUILT_IN: LazyLock<Calibration> = LazyLock::new(|| {
            toml::from_str(include_str!("calibration.toml")).expect("the table is tested")
        });
        &BUILT_IN
    }

    /// What was measured for a probability, 0 to 1, that the tables come to.
    pub fn measured(&self, stated: f64) -> f64 {
        let next = self.points.partition_point(|(own, _)| *own < stated);
        match (next.checked_sub(1).map(|before| self.points[before]), self.points.get(next)) {
            (Some((from, low)), Some((to, high))) => {
                low + (stated - from) / (to - from) * (high - low)
            }
            (None, Some((_, first))) => *first,
            (Some((_, last)), None) => last,
            (None, None) => stated,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is likelier before is not less likely after, and all stays a probability.
    #[test]
    fn the_table_only_rises() {
        let table = Calibration::built_in();
        assert!(table.points.len() >= 2 && !table.date.is_empty() && !table.source.is_empty());
        for pair in table.points.windows(2) {
            assert!(pair[0].0 < pair[1].0 && pair[0].1 <= pair[1].1, "{pair:?}");
        }
        assert!(table.points.iter().all(|(_, measured)| (0.0..=1.0).contains(measured)));
    }

    #[test]
    fn between_two_points_lies_a_line() {
        let points = vec![(0.0, 0.0), (0.5, 0.2), (1.0, 0.8)];
        let table = Calibration { date: String::new(), source: String::new(), points };
        for (stated, measured) in [(0.0, 0.0), (0.25, 0.1), (0.5, 0.2), (0.75, 0.5), (1.0, 0.8)] {
            assert!((table.measured(stated) - measured).abs() < 1e-12, "{stated}");
        }
    }
}
