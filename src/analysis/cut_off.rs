//! Who was cut off misses everybody else, and everybody else misses it: two sides of one break.

use std::collections::BTreeSet;

/// Who tells from beyond a break tells of so many more than there are of them.
const MORE: usize = 2;
/// Reporters on the other side. One alone may be what was cut off.
const SEVERAL: usize = 2;

/// Of accusations, given by who tells of each missed module: which are told only by those who were
/// cut off themselves. Nobody on one side of a break hears the other, so the two sides share no
/// reporter; the side that is cut off is the one of few that miss many, of whom none is known to
/// have been lost (`lost`, by row), while the other side has several reporters. Where all hangs
/// together nobody is told to be beyond. Nobody tells of a row without reporters.
///
/// ```
/// use lostnode::analysis::cut_off::from_beyond;
/// // Two miss one module, which misses them and a third.
/// let rows = [vec!["a", "b"], vec!["lost"], vec!["lost"], vec!["lost"]];
/// assert_eq!(from_beyond(&rows, |_| false), [false, true, true, true]);
/// // One that hears all of them ties the sides together.
/// let rows = [vec!["a", "b"], vec!["a"], vec!["a"]];
/// assert_eq!(from_beyond(&rows, |_| false), [false, false, false]);
/// ```
pub fn from_beyond<T: Ord + Copy>(rows: &[Vec<T>], lost: impl Fn(usize) -> bool) -> Vec<bool> {
    let mut sides: Vec<Side<T>> = Vec::new();
    for (row, reporters) in rows.iter().enumerate().filter(|(_, row)| !row.is_empty()) {
        let mut joined =
            Side { rows: BTreeSet::from([row]), reporters: reporters.iter().copied().collect() };
        let (same, apart): (Vec<Side<T>>, Vec<Side<T>>) =
            sides.into_iter().partition(|side| !side.reporters.is_disjoint(&joined.reporters));
        sides = apart;
        for side in same {
            joined.rows.extend(side.rows);
            joined.reporters.extend(side.reporters);
        }
        sides.push(joined);
    }
    let (beyond, here): (Vec<Side<T>>, Vec<Side<T>>) = sides.into_iter().partition(|side| {
        side.rows.len() >= MORE * side.reporters.len() && !side.rows.iter().any(|row| lost(*row))
    });
    let told = |row: usize| beyond.iter().any(|side| side.rows.contains(&row));
    let several = here.iter().any(|side| side.reporters.len() >= SEVERAL);
    (0..rows.len()).map(|row| several && told(row)).collect()
}

/// Accusations that hang together by who tells of them.
struct Side<T> {
    rows: BTreeSet<usize>,
    reporters: BTreeSet<T>,
}
