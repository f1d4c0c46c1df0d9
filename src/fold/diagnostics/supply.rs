//! Supply voltage over time, as modules measured it.

use super::Module;
use crate::fold::timing::Nanoseconds;

/// Levels of a 12 V system below which something is wrong, in volts: modules may reset while
/// cranking, the battery is flat, the battery is not charged. Common practice, no source.
const LEVELS: [f64; 3] = [9.6, 10.5, 12.0];
/// A supply that ever exceeds this many volts is one of 24 V, whose levels are twice as high.
/// Common practice, no source.
const DOUBLE_ABOVE: f64 = 18.0;

/// No supply of 12 or 24 V has more volts than this (common practice, no source): what says so is
/// no reading of it.
pub const HIGHEST: f64 = 36.0;

/// No module sends at fewer volts (ISO 16750-2, starting profiles; from memory): what says so reads
/// an input to which nothing is joined.
const LEAST: f64 = 3.0;

/// The levels of a system whose supply reached `most` volts, lowest first.
pub fn levels(most: f64) -> [f64; 3] {
    LEVELS.map(|level| if is_double(most) { level * 2.0 } else { level })
}

/// Whether a supply that reached `most` volts is one of 24 V.
pub fn is_double(most: f64) -> bool {
    most > DOUBLE_ABOVE
}

/// Who measured a reading, and how it came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Source {
    /// The module.
    pub module: Module,
    /// Whether it came in a group of SAE J1939, and not in an answer.
    pub group: bool,
}

/// Readings in the order of the capture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Supply {
    /// Time and volts. Beyond [`Supply::KEPT`] readings every second one is dropped, the higher of
    /// a pair.
    pub series: Vec<(Nanoseconds, f64)>,
    /// Who measured each of them.
    sources: Vec<Source>,
    /// Readings that stand for one kept one.
    stride: usize,
    skipped: usize,
}

/// A time below a level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dip {
    /// The lowest level it fell below, in volts.
    pub below: f64,
    /// First reading below the highest level, and the last.
    pub span: (Nanoseconds, Nanoseconds),
    /// Least reading, in volts.
    pub least: f64,
    /// When it was least.
    pub least_at: Nanoseconds,
}

impl Supply {
    /// Readings kept at most.
    pub const KEPT: usize = 8192;

    pub(super) fn push(&mut self, time: Nanoseconds, volts: f64, source: Source) {
        if !(LEAST..=HIGHEST).contains(&volts) {
            return;
        }
        let stride = self.stride.max(1);
        self.skipped += 1;
        match self.series.last_mut().zip(self.sources.last_mut()) {
            Some((last, from)) if self.skipped < stride => {
                if volts < last.1 {
                    (*last, *from) = ((time, volts), source);
                }
            }
            _ => {
                self.series.push((time, volts));
                self.sources.push(source);
                self.skipped = 0;
            }
        }
        if self.series.len() > Self::KEPT {
            self.thin();
            self.stride = stride * 2;
        }
    }

    /// Drops the higher of each pair.
    fn thin(&mut self) {
        let second_is_lower = |pair: &[(Nanoseconds, f64)]| pair[0].1 > pair[pair.len() - 1].1;
        let kept = self
            .series
            .chunks(2)
            .enumerate()
            .map(|(at, pair)| 2 * at + usize::from(second_is_lower(pair)));
        let kept: Vec<usize> = kept.collect();
        self.series = kept.iter().map(|at| self.series[*at]).collect();
        self.sources = kept.iter().map(|at| self.sources[*at]).collect();
    }

    /// Forgets readings by their source.
    pub(super) fn forget(&mut self, is_gone: impl Fn(Source) -> bool) {
        let mut gone = self.sources.iter().map(|source| is_gone(*source));
        self.series.retain(|_| gone.next() != Some(true));
        self.sources.retain(|source| !is_gone(*source));
    }

    /// Least reading with its time, and greatest; `None` without readings.
    pub fn range(&self) -> Option<((Nanoseconds, f64), f64)> {
        let least = self.series.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let most = self.series.iter().map(|(_, volts)| *volts).fold(f64::MIN, f64::max);
        Some((least, most))
    }

    /// The levels of this system, lowest first.
    pub fn levels(&self) -> [f64; 3] {
        levels(self.range().map_or(0.0, |(_, most)| most))
    }

    /// Times below the highest level.
    pub fn dips(&self) -> Vec<Dip> {
        let levels = self.levels();
        let mut out: Vec<Dip> = Vec::new();
        let mut under = false;
        for (time, volts) in &self.series {
            let Some(below) = levels.into_iter().find(|level| volts < level) else {
                under = false;
                continue;
            };
            match out.last_mut().filter(|_| under) {
                Some(dip) => {
                    dip.span.1 = *time;
                    if *volts < dip.least {
                        (dip.least, dip.least_at) = (*volts, *time);
                        dip.below = below;
                    }
                }
                None => {
                    out.push(Dip { below, span: (*time, *time), least: *volts, least_at: *time })
                }
            }
            under = true;
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fold::diagnostics::Party;

    const ANY: Source =
        Source { module: Module { channel: 0, party: Party::Everyone }, group: false };

    #[test]
    fn a_dip_lasts_while_it_is_below_the_highest_level() {
        let mut supply = Supply::default();
        for (second, volts) in [12.6, 11.8, 9.1, 10.2, 13.9, 11.9].into_iter().enumerate() {
            supply.push(second as i64, volts, ANY);
        }
        let dips = supply.dips();
        assert_eq!(dips.len(), 2);
        assert_eq!((dips[0].below, dips[0].span, dips[0].least_at), (9.6, (1, 3), 2));
        assert_eq!((dips[1].below, dips[1].least), (12.0, 11.9));
    }

    #[test]
    fn a_long_series_is_thinned_and_keeps_its_least() {
        let mut supply = Supply::default();
        (0..100_000).for_each(|at| supply.push(at, if at == 77_777 { 8.0 } else { 13.0 }, ANY));
        assert!(supply.series.len() <= Supply::KEPT);
        assert_eq!(supply.range().unwrap().0, (77_777, 8.0));
    }

    #[test]
    fn a_24_v_system_has_twice_the_levels() {
        let mut supply = Supply::default();
        [27.0, 22.0]
            .into_iter()
            .enumerate()
            .for_each(|(at, volts)| supply.push(at as i64, volts, ANY));
        assert_eq!(supply.dips()[0].below, 24.0);
    }
}
