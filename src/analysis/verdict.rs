//! What an analysis comes to, and what keeps it from saying that nothing was lost. That is a claim
//! like any other: it is made only where all that was expected could be heard over the whole span.

use super::drives::Drive;
use super::notice::Notice;
use super::{Analysis, Cause, Doubt, Evidence, KeyState, Outage, Thinned};
use crate::capture::ChannelIndex;
use crate::fold::timing::seconds;
use crate::silence::OfAnother;

/// What an analysis comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// All that was expected was heard over the whole span.
    NothingLost,
    /// Something was lost.
    SomethingLost,
    /// The capture proves neither.
    CannotTell,
}

/// Why nothing can be said.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Obstacle {
    /// So many records could not be read that the others may not be what was recorded.
    Refused {
        /// Place in [`Analysis::captures`].
        capture: usize,
    },
    /// Frames carry no time stamps.
    NoTimeStamps {
        /// Place in [`Analysis::captures`].
        capture: usize,
    },
    /// The logger kept only some frames of a channel.
    Thinned {
        /// Where.
        channel: ChannelIndex,
        /// How that shows.
        thinned: Thinned,
    },
    /// The recording paused for too much of the time.
    Paused {
        /// Share of the span of all captures.
        share: f64,
    },
    /// The span is too short.
    Short {
        /// In seconds.
        span: f64,
    },
    /// No identifier keeps a period, so that none can be missed.
    NothingPeriodic {
        /// Where; `None` for all channels.
        channel: Option<ChannelIndex>,
    },
    /// Most identifiers keep no period, as all do where the clock of the recorder is coarse or
    /// frames are missing: who falls silent among them is not missed.
    FewPeriodic {
        /// Where.
        channel: ChannelIndex,
        /// How many identifiers keep one.
        periodic: usize,
        /// Of how many that were sent often enough to show one.
        of: usize,
    },
    /// An outage that is no loss as far as the capture tells, and may be one all the same.
    Outage {
        /// Why.
        doubt: Doubt,
    },
    /// So much of the roster was not heard that the key may have been off.
    MostNotHeard {
        /// Where.
        channel: ChannelIndex,
        /// How many identifiers.
        identifiers: usize,
        /// Of how many that the roster expects there.
        expected: usize,
        /// After how many seconds of the recording the first of them came; `None` for never.
        until: Option<f64>,
    },
    /// Identifiers of the roster were not heard, and so little else was that it proves nothing.
    Unproven {
        /// Where.
        channel: ChannelIndex,
        /// How many.
        identifiers: usize,
    },
    /// The roster is of another vehicle or bus.
    RosterOfAnother(OfAnother),
    /// The roster expects channels that the capture does not have.
    ChannelsMissing {
        /// How many.
        channels: usize,
    },
    /// There are more identifiers than are told apart: what became of the others is not known.
    TooManyIdentifiers,
    /// The roster knows what needs the key, and nothing of it was heard, or for moments only.
    KeyOff {
        /// Where.
        channel: ChannelIndex,
    },
}

/// A recording that paused for more than this share of the time may have missed whatever happened.
const PAUSED: f64 = 0.1;
/// Seconds below which an identifier that is sent once a second was heard twice at most, and one of
/// 100 ms hardly longer than it takes to be missed.
const SHORT: f64 = 2.0;
/// Fewer broadcast frames than this on a channel are no traffic that a period could be asked of.
const FEW: u64 = 100;
/// Frames of an identifier that show whether it keeps a period.
const OFTEN: u64 = 24;
/// Of the identifiers of a vehicle that are sent so often more than this share keep a period: on 51
/// channels of real sound recordings 84 % and more. One with every fourth had frames missing.
const MOST: f64 = 0.5;

/// What most of a channel that was not heard, or came late, keeps from being said.
fn most_not_heard(outage: &Outage) -> Option<Obstacle> {
    let channel = outage.channel?;
    let until = outage.never_heard.is_empty().then(|| outage.duration());
    outage.evidence.iter().find_map(|evidence| match *evidence {
        Evidence::ProbablyOneNode { identifiers, expected, perhaps_key_off: true } => {
            Some(Obstacle::MostNotHeard { channel, identifiers, expected, until })
        }
        _ => None,
    })
}

impl Obstacle {
    /// An obstacle of a drive, with the places of all.
    fn in_all(mut self, drive: &Drive) -> Obstacle {
        match &mut self {
            Obstacle::Refused { capture } | Obstacle::NoTimeStamps { capture } => {
                *capture += drive.captures.start;
            }
            Obstacle::NothingPeriodic { channel } => {
                *channel = channel.map(|own| drive.channels[usize::from(own)]);
            }
            Obstacle::Thinned { channel, .. }
            | Obstacle::FewPeriodic { channel, .. }
            | Obstacle::Unproven { channel, .. }
            | Obstacle::MostNotHeard { channel, .. }
            | Obstacle::KeyOff { channel } => *channel = drive.channels[usize::from(*channel)],
            Obstacle::Paused { .. }
            | Obstacle::Short { .. }
            | Obstacle::Outage { .. }
            | Obstacle::RosterOfAnother(_)
            | Obstacle::ChannelsMissing { .. }
            | Obstacle::TooManyIdentifiers => {}
        }
        self
    }
}

impl Analysis {
    /// What it comes to: a loss before an obstacle, and either before nothing lost.
    pub fn verdict(&self) -> Verdict {
        match () {
            () if self.lost().next().is_some() => Verdict::SomethingLost,
            () if !self.obstacles().is_empty() => Verdict::CannotTell,
            () => Verdict::NothingLost,
        }
    }

    /// What keeps it from saying that nothing was lost, the weightiest first; of several drives
    /// what keeps any of them.
    pub fn obstacles(&self) -> Vec<Obstacle> {
        if !self.drives.is_empty() {
            return self.of_drives();
        }
        let captures = || 0..self.captures.len();
        let refused = captures().filter(|at| self.captures[*at].refused().is_some());
        let unread: Vec<Obstacle> = refused.map(|capture| Obstacle::Refused { capture }).collect();
        let mut out: Vec<Obstacle> = captures()
            .filter(|at| self.captures[*at].span.is_none() && self.captures[*at].frames > 0)
            .map(|capture| Obstacle::NoTimeStamps { capture })
            .collect();
        for (at, channel) in self.channels.iter().enumerate() {
            let channel_index = at as ChannelIndex;
            out.extend(
                channel
                    .thinned
                    .map(|thinned| Obstacle::Thinned { channel: channel_index, thinned }),
            );
        }
        if out.is_empty() {
            out.extend(self.nothing_periodic());
        }
        out.extend(self.paused());
        let span = self.span.map(|(begin, end)| seconds(end - begin));
        out.extend(span.filter(|span| *span < SHORT).map(|span| Obstacle::Short { span }));
        let open = self.outages.iter().filter_map(|outage| Some((outage, outage.doubt?)));
        for (outage, doubt) in open {
            let obstacle = most_not_heard(outage).unwrap_or(Obstacle::Outage { doubt });
            if !out.contains(&obstacle) {
                out.push(obstacle);
            }
        }
        out.extend(self.not_looked_at());
        let off = |at: &usize| self.channels[*at].key == KeyState::Off;
        let off = (0..self.channels.len()).filter(off);
        out.extend(off.map(|at| Obstacle::KeyOff { channel: at as ChannelIndex }));
        let of_another = self.notices.iter().filter_map(|notice| match notice {
            Notice::RosterOfAnother(own) => Some(Obstacle::RosterOfAnother(*own)),
            _ => None,
        });
        unread.into_iter().chain(of_another).chain(out).collect()
    }

    fn of_drives(&self) -> Vec<Obstacle> {
        let mut out: Vec<Obstacle> = Vec::new();
        for drive in &self.drives {
            for obstacle in drive.analysis.obstacles() {
                let obstacle = obstacle.in_all(drive);
                if !out.contains(&obstacle) {
                    out.push(obstacle);
                }
            }
        }
        out
    }

    /// What was expected and could not be looked at.
    fn not_looked_at(&self) -> Vec<Obstacle> {
        let unproven = self.channels.iter().enumerate().filter(|(_, own)| own.unproven > 0);
        let unproven = unproven.map(|(at, own)| Obstacle::Unproven {
            channel: at as ChannelIndex,
            identifiers: own.unproven,
        });
        let told = self.notices.iter().filter_map(|notice| match notice {
            Notice::ChannelsMissing { names } => {
                Some(Obstacle::ChannelsMissing { channels: names.len() })
            }
            Notice::TooManyIdentifiers { .. } => Some(Obstacle::TooManyIdentifiers),
            _ => None,
        });
        unproven.chain(told).collect()
    }

    fn nothing_periodic(&self) -> Vec<Obstacle> {
        let periodic = |at: usize| {
            self.identifiers.iter().any(|id| usize::from(id.channel) == at && id.rhythm.is_some())
        };
        if !self.captures.is_empty() && !(0..self.channels.len()).any(periodic) {
            return vec![Obstacle::NothingPeriodic { channel: None }];
        }
        let broadcast = |at: usize| {
            let own = self
                .identifiers
                .iter()
                .filter(|id| usize::from(id.channel) == at && !id.diagnostic);
            own.map(|id| id.frames).sum::<u64>()
        };
        let judged = (0..self.channels.len()).filter(|at| broadcast(*at) >= FEW);
        judged
            .filter_map(|at| match periodic(at) {
                true => self.few_periodic(at as ChannelIndex),
                false => Some(Obstacle::NothingPeriodic { channel: Some(at as ChannelIndex) }),
            })
            .collect()
    }

    fn few_periodic(&self, channel: ChannelIndex) -> Option<Obstacle> {
        let often = self
            .identifiers
            .iter()
            .filter(|id| id.channel == channel && !id.diagnostic && id.frames >= OFTEN);
        let of = often.clone().count();
        let periodic = often.filter(|id| id.rhythm.is_some()).count();
        ((periodic as f64) < MOST * of as f64).then_some(Obstacle::FewPeriodic {
            channel,
            periodic,
            of,
        })
    }

    fn paused(&self) -> Option<Obstacle> {
        let (begin, end) = self.span?;
        let pauses = self.outages.iter().filter(|outage| outage.cause == Cause::CaptureGap);
        let share = pauses.map(|pause| pause.duration()).sum::<f64>() / seconds(end - begin);
        (share > PAUSED).then_some(Obstacle::Paused { share })
    }
}
