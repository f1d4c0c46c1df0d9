//! The last step from what the tables come to, to what is stated: `calibration.toml`, of how often
//! findings were true. A table for each group of classes whose evidence is alike: an identification
//! that is read off is true more often than a class that is told by how a module came back, though
//! the tables come to the same for both.

use std::sync::LazyLock;

use serde::Deserialize;

use crate::analysis::finding::ClassName;

/// Tables from the probability that the tables of knowledge come to, to the one that was measured.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// When it was measured.
    pub date: String,
    /// On what.
    pub source: String,
    /// Of classes that stand in no group.
    points: Vec<(f64, f64)>,
    /// Of classes whose evidence is alike.
    group: Vec<Group>,
}

/// Classes whose evidence is alike, and their table.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Group {
    classes: Vec<ClassName>,
    /// Pairs of both probabilities, ascending.
    points: Vec<(f64, f64)>,
}

impl Calibration {
    /// The built-in tables, read when they are first asked for.
    pub fn built_in() -> &'static Calibration {
        static BUILT_IN: LazyLock<Calibration> = LazyLock::new(|| {
            toml::from_str(include_str!("calibration.toml")).expect("the table is tested")
        });
        &BUILT_IN
    }

    /// What was measured for a probability, 0 to 1, that the tables come to for a class.
    pub fn measured(&self, class: &ClassName, stated: f64) -> f64 {
        let own = self.group.iter().find(|group| group.classes.contains(class));
        between(own.map_or(&self.points, |group| &group.points), stated)
    }

    /// The same where something was measured on the vehicle, or tried. What that says was not part
    /// of what the table was made on: it moves the odds that were measured without it by as much as
    /// it moves those of the tables, and so may lift a probability above all that traffic gives.
    pub fn with_readings(&self, class: &ClassName, before: f64, after: f64) -> f64 {
        let odds = |probability: f64| {
            let inside = probability.clamp(LEAST, 1.0 - LEAST);
            inside / (1.0 - inside)
        };
        let own = odds(self.measured(class, before)) * odds(after) / odds(before);
        own / (1.0 + own)
    }
}

/// No odds are taken for more than these, 100,000 to one.
const LEAST: f64 = 1e-5;

fn between(points: &[(f64, f64)], stated: f64) -> f64 {
    let next = points.partition_point(|(own, _)| *own < stated);
    match (next.checked_sub(1).map(|before| points[before]), points.get(next)) {
        (Some((from, low)), Some((to, high))) => low + (stated - from) / (to - from) * (high - low),
        (None, Some((_, first))) => *first,
        (Some((_, last)), None) => last,
        (None, None) => stated,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is likelier before is not less likely after, and all stays a probability; each class
    /// has one table, and is one that there is.
    #[test]
    fn the_tables_only_rise() {
        let table = Calibration::built_in();
        assert!(!table.date.is_empty() && !table.source.is_empty());
        let all = table.group.iter().map(|group| &group.points).chain([&table.points]);
        for points in all {
            assert!(points.len() >= 2, "{points:?}");
            for pair in points.windows(2) {
                assert!(pair[0].0 < pair[1].0 && pair[0].1 <= pair[1].1, "{pair:?}");
            }
            assert!(points.iter().all(|(_, measured)| (0.0..=1.0).contains(measured)));
        }
        let mut classes: Vec<_> = table.group.iter().flat_map(|group| &group.classes).collect();
        let known = &crate::fault::Knowledge::built_in().class;
        assert!(classes.iter().all(|class| known.contains_key(*class)), "{classes:?}");
        let count = classes.len();
        classes.sort();
        classes.dedup();
        assert_eq!(classes.len(), count, "a class stands in one group");
    }

    fn table() -> Calibration {
        let group = Group {
            classes: vec![ClassName::STALE_CODES],
            points: vec![(0.0, 0.0), (0.5, 0.2), (1.0, 0.8)],
        };
        let points = vec![(0.0, 0.0), (1.0, 1.0)];
        Calibration { date: String::new(), source: String::new(), points, group: vec![group] }
    }

    #[test]
    fn between_two_points_lies_a_line() {
        for (stated, measured) in [(0.0, 0.0), (0.25, 0.1), (0.5, 0.2), (0.75, 0.5), (1.0, 0.8)] {
            let found = table().measured(&ClassName::STALE_CODES, stated);
            assert!((found - measured).abs() < 1e-12, "{stated}");
            let other = table().measured(&ClassName::LOGGER, stated);
            assert!((other - stated).abs() < 1e-12, "{stated}");
        }
    }

    /// Odds of four to one without a reading that makes it ten times likelier are forty to one.
    #[test]
    fn a_reading_moves_what_was_measured() {
        let class = ClassName::STALE_CODES;
        let before: f64 = 1.0 - 1e-3;
        let odds = before / (1.0 - before) * 10.0;
        let found = table().with_readings(&class, before, odds / (1.0 + odds));
        let own = table().measured(&class, before);
        let wanted = own / (1.0 - own) * 10.0;
        assert!((found - wanted / (1.0 + wanted)).abs() < 1e-9, "{found}");
        assert!(found > 0.8);
        let same = table().with_readings(&class, 0.5, 0.5);
        assert!((same - 0.2).abs() < 1e-9, "{same}");
    }
}
