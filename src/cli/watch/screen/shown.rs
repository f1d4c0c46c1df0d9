//! What the screen shows, as values, and where the lanes have been.

use std::collections::{HashMap, VecDeque};

use crate::fold::timing::seconds;
use crate::live::{Ledger, Presence, Quiet, Watch};
use crate::words::live as words;

/// How it stands with somebody; the worst of a column of a lane is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::cli::watch) enum State {
    /// Nothing is known.
    #[default]
    Unheard,
    Asleep,
    Here,
    Silent,
}

/// A node, or a message of unknown sender.
#[derive(Clone, Debug, Default)]
pub(in crate::cli::watch) struct Lane {
    pub name: String,
    pub channel: String,
    pub state: State,
    /// Seconds, where it is not heard.
    pub silent_for: Option<f64>,
    pub losses: u32,
}

/// A loss that was told of.
#[derive(Clone, Debug, Default)]
pub(in crate::cli::watch) struct Loss {
    pub who: String,
    /// Seconds from the first frame.
    pub start: f64,
    /// Seconds; `None` while it lasts.
    pub length: Option<f64>,
    pub how: &'static str,
}

/// A channel.
#[derive(Clone, Debug, Default)]
pub(in crate::cli::watch) struct Channel {
    pub name: String,
    pub load: Option<f64>,
    pub errors: u64,
    pub state: State,
    pub silent_for: Option<f64>,
}

/// All of it.
#[derive(Clone, Debug, Default)]
pub(in crate::cli::watch) struct Shown {
    /// Seconds since the first frame; `None` before it.
    pub passed: Option<f64>,
    pub lanes: Vec<Lane>,
    pub channels: Vec<Channel>,
    /// The latest first.
    pub losses: Vec<Loss>,
    pub count: u64,
    pub quiet: Option<Quiet>,
    pub frames: u64,
    pub drops: u64,
    /// Bits and bytes that were asked for, with their values.
    pub values: Vec<String>,
    pub note: Option<String>,
}

/// Losses that fit a large screen.
const LOSSES: usize = 40;

impl Shown {
    pub fn of(watch: &Watch, ledger: &Ledger) -> Self {
        let view = watch.view();
        let (begin, clock) = (view.begin.unwrap_or_default(), view.clock.unwrap_or_default());
        let state = |presence: Presence| match presence {
            Presence::Silent { .. } => State::Silent,
            Presence::Asleep { .. } => State::Asleep,
            Presence::Here | Presence::Returning { .. } => State::Here,
        };
        let lanes = view.senders.iter().map(|own| {
            let since = watch.silent_since(own);
            let state = match since {
                Some(_) if watch.is_asleep(own) => State::Asleep,
                Some(_) => State::Silent,
                None => state(own.presence),
            };
            Lane {
                name: words::lane(watch, own),
                channel: watch.channel_name(own.channel).to_owned(),
                state,
                silent_for: since.map(|since| seconds(clock - since)),
                losses: own.losses_so_far(),
            }
        });
        let channels = view.channels.iter().map(|own| Channel {
            name: own.name.to_owned(),
            load: own.load,
            errors: own.errors,
            state: state(own.presence),
            silent_for: own.presence.since().map(|since| seconds(clock - since)),
        });
        let losses = ledger.latest().take(LOSSES).map(|own| Loss {
            who: words::who(watch, &own.who).trim_end_matches(',').to_owned(),
            start: seconds(own.since - begin),
            length: own.back.map(|back| seconds(back - own.since)),
            how: match (own.back, own.momentary) {
                (None, _) => "still silent",
                (_, true) => "momentary",
                _ => words::cause(own.cause),
            },
        });
        Shown {
            passed: view.begin.map(|_| seconds(clock - begin)),
            lanes: lanes.collect(),
            channels: channels.collect(),
            losses: losses.collect(),
            count: ledger.count(),
            quiet: view.begin.and_then(|begin| ledger.quiet(begin, clock)),
            frames: view.frames,
            drops: view.drops,
            values: Vec::new(),
            note: None,
        }
    }
}

/// Seconds that a column of the lanes stands for.
pub(super) const COLUMN: f64 = 0.5;
/// Columns that are kept.
const KEPT: usize = 400;

/// Where the lanes have been, the newest column last.
#[derive(Debug, Default)]
pub(super) struct History {
    columns: HashMap<(String, String), VecDeque<State>>,
    at: u64,
}

impl History {
    pub fn push(&mut self, shown: &Shown) {
        let Some(passed) = shown.passed else { return };
        let at = (passed.max(0.0) / COLUMN) as u64;
        let steps = at.saturating_sub(self.at).min(KEPT as u64) as usize;
        self.at = self.at.max(at);
        for column in self.columns.values_mut() {
            // What is not told of in between stayed as it was.
            let last = column.back().copied().unwrap_or_default();
            column.extend(std::iter::repeat_n(last, steps));
        }
        for lane in &shown.lanes {
            let key = (lane.channel.clone(), lane.name.clone());
            let column = self.columns.entry(key).or_default();
            match column.back_mut() {
                Some(last) if steps == 0 => *last = lane.state.max(*last),
                Some(last) => *last = lane.state,
                None => column.push_back(lane.state),
            }
            let more = column.len().saturating_sub(KEPT);
            column.drain(..more);
        }
        let named: Vec<_> = shown.lanes.iter().map(|own| (&own.channel, &own.name)).collect();
        self.columns.retain(|(channel, name), _| named.contains(&(channel, name)));
    }

    /// The last columns of a lane, so many at most.
    pub fn of(&self, lane: &Lane, most: usize) -> Vec<State> {
        let key = (lane.channel.clone(), lane.name.clone());
        let Some(column) = self.columns.get(&key) else { return Vec::new() };
        column.iter().skip(column.len().saturating_sub(most)).copied().collect()
    }
}
