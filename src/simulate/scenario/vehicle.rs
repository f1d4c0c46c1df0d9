//! What is lawful in a vehicle: the key, the starter, sleep, modes and regular pauses.

use serde::Deserialize;

use super::{Scenario, above_zero, seconds};

/// One turn of the key.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeyTurn {
    /// When, seconds from the start.
    pub at: f64,
    /// Where to.
    pub turn: Turn,
    /// For `start`: how long the starter turns, in seconds; the engine runs afterwards.
    #[serde(default = "default_cranks")]
    pub cranks: f64,
}

fn default_cranks() -> f64 {
    0.7
}

/// Where the key is turned to. The first turn says how the capture begins: before `off` the engine
/// runs, before `on` the key is off, before `start` it is on.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum Turn {
    /// Modules leave one after another, but for those that are always on.
    Off,
    /// Modules boot, each in its time.
    On,
    /// The starter turns; afterwards the engine runs.
    Start,
}

/// Times in which something is switched on.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mode {
    /// Its name, for `mode` of messages.
    pub name: String,
    /// Beginnings, seconds from the start.
    pub at: Vec<f64>,
    /// Lengths in seconds: one for all, or one for each.
    pub lasts: Vec<f64>,
}

/// Pauses on a schedule.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pauses {
    /// Seconds from one beginning to the next.
    pub every: f64,
    /// Length of each in seconds.
    pub lasts: f64,
    /// When the first begins, seconds from the start; one `every` where not given.
    pub first: Option<f64>,
}

/// Short wakes of a module while the key is off, on a grid that all modules share.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wakes {
    /// Seconds from one wake to the next.
    pub every: f64,
    /// Length of each in seconds.
    pub lasts: f64,
}

/// What the voltage drop of the starter does to a module.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub enum Starter {
    /// It starts anew afterwards.
    Resets,
    /// It stops sending for so long, and runs on.
    Mutes,
}

/// What the turns of the key come to; spans in seconds from the start.
#[derive(Clone, Debug, Default)]
pub struct Course {
    /// The key is off.
    pub off: Vec<(f64, f64)>,
    /// The starter turns.
    pub cranks: Vec<(f64, f64)>,
    /// The engine runs.
    pub runs: Vec<(f64, f64)>,
}

impl Pauses {
    pub(super) fn check(&self, name: &str) -> Result<(), String> {
        above_zero(&format!("{name}: pauses: lasts"), self.lasts)?;
        seconds(&format!("{name}: pauses: first"), self.first.unwrap_or(0.0))?;
        match self.every.is_finite() && self.every > self.lasts {
            true => Ok(()),
            false => Err(format!("{name}: pauses: `every` must be longer than `lasts`")),
        }
    }

    /// Beginning and end of each before `until`, in seconds.
    ///
    /// ```
    /// use lostnode::simulate::scenario::Pauses;
    /// let pauses = Pauses { every: 9.5, lasts: 1.5, first: None };
    /// assert_eq!(pauses.times(20.0).collect::<Vec<_>>(), [(9.5, 11.0), (19.0, 20.5)]);
    /// ```
    pub fn times(&self, until: f64) -> impl Iterator<Item = (f64, f64)> + use<> {
        let Pauses { every, lasts, first } = *self;
        let first = first.unwrap_or(every);
        let count = ((until - first) / every).ceil().max(0.0) as u32;
        (0..count).map(move |turn| {
            let begin = first + every * f64::from(turn);
            (begin, begin + lasts)
        })
    }
}

impl Wakes {
    pub(super) fn check(&self, name: &str) -> Result<(), String> {
        above_zero(&format!("{name}: wakes: lasts"), self.lasts)?;
        match self.every.is_finite() && self.every > self.lasts {
            true => Ok(()),
            false => Err(format!("{name}: wakes: `every` must be longer than `lasts`")),
        }
    }
}

impl Mode {
    /// Beginning and end of each time, in seconds.
    pub fn times(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let lasts = |at: usize| self.lasts.get(at).or(self.lasts.first()).copied().unwrap_or(0.0);
        self.at.iter().enumerate().map(move |(at, begin)| (*begin, begin + lasts(at)))
    }
}

impl Scenario {
    /// What the turns of the key come to; without any the engine runs all the time.
    ///
    /// ```
    /// use lostnode::simulate::Scenario;
    /// let text = "title = \"t\"\nstart = 0.0\nduration = 60.0\nchannel = []\nnode = []\n\
    ///     [[key]]\nat = 5.0\nturn = \"off\"\n[[key]]\nat = 20.0\nturn = \"on\"";
    /// let course = Scenario::parse(text).unwrap().course();
    /// assert_eq!(course.runs, [(0.0, 5.0)]);
    /// assert_eq!(course.off, [(5.0, 20.0)]);
    /// ```
    pub fn course(&self) -> Course {
        let mut out = Course::default();
        let first = self.keys.first().map(|key| key.turn);
        let mut off_since = (first == Some(Turn::On)).then_some(0.0);
        let mut runs_since = matches!(first, None | Some(Turn::Off)).then_some(0.0);
        for key in &self.keys {
            match key.turn {
                Turn::Off => {
                    out.runs.extend(runs_since.take().map(|since| (since, key.at)));
                    off_since = Some(key.at);
                }
                Turn::On => out.off.extend(off_since.take().map(|since| (since, key.at))),
                Turn::Start => {
                    out.cranks.push((key.at, key.at + key.cranks));
                    runs_since = Some(key.at + key.cranks);
                }
            }
        }
        out.off.extend(off_since.map(|since| (since, self.duration)));
        out.runs.extend(runs_since.map(|since| (since, self.duration)));
        out
    }

    /// Times of a mode, in seconds from the start; `None` where there is no such mode.
    pub fn mode(&self, name: &str) -> Option<Vec<(f64, f64)>> {
        let runs = || self.course().runs;
        match name {
            "engine_runs" => Some(runs()),
            "engine_stopped" => Some(outside(&runs(), self.duration)),
            _ => {
                self.modes.iter().find(|mode| mode.name == name).map(|mode| mode.times().collect())
            }
        }
    }

    pub(super) fn has_mode(&self, name: &str) -> bool {
        self.mode(name).is_some()
    }

    pub(super) fn check_vehicle(&self) -> Result<(), String> {
        let mut before: Option<KeyTurn> = None;
        for key in &self.keys {
            seconds("key: at", key.at)?;
            above_zero("key: cranks", key.cranks)?;
            let follows = match (before.map(|before| before.turn), key.turn) {
                (None, _) => true,
                (Some(last), Turn::Off) => last != Turn::Off,
                (Some(last), Turn::On) => last == Turn::Off,
                (Some(last), Turn::Start) => last == Turn::On,
            };
            let ended = before.is_none_or(|before| match before.turn {
                Turn::Start => before.at + before.cranks <= key.at,
                _ => before.at < key.at,
            });
            if !(follows && ended) {
                return Err(format!(
                    "key at {} s: turns go in order of time from off to on, start and off",
                    key.at
                ));
            }
            before = Some(*key);
        }
        self.modes.iter().try_for_each(|mode| {
            let fits = mode.lasts.len() == 1 || mode.lasts.len() == mode.at.len();
            let sorted = mode.times().is_sorted_by(|a, b| a.1 <= b.0);
            let own = !["engine_runs", "engine_stopped"].contains(&mode.name.as_str());
            match fits && sorted && own {
                true => mode.times().try_for_each(|(at, _)| seconds("mode: at", at)),
                false => Err(format!(
                    "mode {}: give `at` in order of time and, in `lasts`, one length or as many",
                    mode.name
                )),
            }
        })
    }
}

/// What of the time from 0 to `until` lies outside of sorted spans.
pub(in crate::simulate) fn outside(spans: &[(f64, f64)], until: f64) -> Vec<(f64, f64)> {
    let ends = std::iter::once(0.0).chain(spans.iter().map(|span| span.1));
    let begins = spans.iter().map(|span| span.0).chain(std::iter::once(until));
    ends.zip(begins).filter(|(from, to)| from < to).collect()
}
