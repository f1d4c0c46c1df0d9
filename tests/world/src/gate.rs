//! The gate: fixed sets, of both families and of other authors, against written figures.

use std::collections::BTreeMap;
use std::path::Path;

use crate::family::Family;
use crate::figures::Figures;
use crate::score::{Order, judged, score};

/// Cases of each set: singles, pairs, sound. As many as `score` takes: of eight pairs one more or
/// less is nothing but chance.
const MANY: [usize; 3] = [201, 66, 76];
/// Longest recording in seconds.
const LONGEST: f64 = 90.0;
/// Seed of the set. Changing it changes all figures.
const SEED: u64 = 4;
/// Figures below which is better.
const LOW: [&str; 3] = ["blamed", "calibration", "failed"];

/// Figures by name.
type Floor = BTreeMap<String, f64>;

fn figures_of(figures: &Figures) -> Floor {
    let named: [u64; 2] = figures
        .errors
        .iter()
        .fold([0, 0], |[named, right], (a, b)| [named + a.of as u64, right + b.of as u64]);
    let list = [
        ("first", figures.first.value()),
        ("three", figures.three.value()),
        ("both", figures.both.value()),
        ("blamed", figures.blamed.value()),
        ("calibration", figures.stated.error()),
        ("sure", sure(figures)),
        ("addressed", figures.addressed.value()),
        ("errors_right", named[1] as f64 / named[0].max(1) as f64),
        ("failed", figures.failed as f64),
    ];
    list.into_iter().map(|(name, value)| (name.to_owned(), (value * 1e3).round() / 1e3)).collect()
}

/// How much of what is stated at 95 % or more is true: all of it where nothing is stated so, since
/// nobody was told too much.
fn sure(figures: &Figures) -> f64 {
    if figures.stated.sure.all == 0 { 1.0 } else { figures.stated.sure.value() }
}

/// Runs the gate. True where nothing is below its written figure. Prints what was measured in
/// the form of the file.
pub fn pass(binary: &Path, floor: &Path, jobs: usize) -> Result<bool, String> {
    let written = read(floor)?;
    let mut holds = true;
    for (name, family) in [("fit", Family::Fit), ("held", Family::Held)] {
        let order = Order {
            family,
            seed: SEED,
            many: MANY,
            binary: binary.to_owned(),
            jobs,
            longest: LONGEST,
            dump: None,
            class: None,
            case: None,
        };
        holds &= hold(&score(&order).0, name, &written)?;
    }
    Ok(holds)
}

/// Holds the tool against cases that lie in a folder, whoever wrote them, and the figures under a
/// name. True where nothing is below them.
pub fn pass_cases(
    cases: &Path,
    name: &str,
    binary: &Path,
    floor: &Path,
    jobs: usize,
) -> Result<bool, String> {
    let (figures, _) = judged(cases, binary, jobs)?;
    hold(&figures, name, &read(floor)?)
}

fn read(floor: &Path) -> Result<BTreeMap<String, Floor>, String> {
    let text = std::fs::read_to_string(floor).map_err(|e| format!("{}: {e}", floor.display()))?;
    toml::from_str(&text).map_err(|e| format!("{}: {e}", floor.display()))
}

/// Whether no figure is below the one that is written; each is printed.
fn hold(figures: &Figures, name: &str, written: &BTreeMap<String, Floor>) -> Result<bool, String> {
    let floor = written.get(name).ok_or(format!("no [{name}]"))?;
    let mut holds = true;
    println!("[{name}]");
    for (figure, value) in &figures_of(figures) {
        let bound = *floor.get(figure).ok_or(format!("no {figure} in [{name}]"))?;
        let good = if LOW.contains(&figure.as_str()) { *value <= bound } else { *value >= bound };
        let note = if good { String::new() } else { format!("  # below the floor, {bound}") };
        println!("{figure} = {value:.3}{note}");
        holds &= good;
    }
    Ok(holds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_written_floor_names_every_figure() {
        let text = include_str!("../floor.toml");
        let written: BTreeMap<String, Floor> = toml::from_str(text).expect("the floor is TOML");
        let names: Vec<String> = figures_of(&Figures::default()).into_keys().collect();
        for family in ["fit", "held", "cars", "year", "replays"] {
            let floor = &written[family];
            assert_eq!(floor.keys().cloned().collect::<Vec<_>>(), names);
        }
    }
}
