//! Groups that a unit tells all in several packets. What fits into one frame at one time and not at
//! another, such as active codes, goes by two ways: its own identifier falls silent while the
//! transport carries it (SAE J1939-21, 5.10: more than 8 bytes go by BAM; SAE J1939-73, DM1).

use std::collections::BTreeMap;

use crate::capture::ChannelIndex;
use crate::fold::timing::{Nanoseconds, Silence, nanoseconds};

/// Seconds between two of them in which the group was not missing: active codes are told each
/// second, and a busy bus or a recording may lack some.
const APART: f64 = 3.0;
/// Stretches kept of a group; a group that comes and goes more often says nothing.
const MOST_STRETCHES: usize = 1024;

/// When a group came in packets, by source address, group and channel.
#[derive(Debug, Default)]
pub struct InParts {
    stretches: BTreeMap<(u8, u32, ChannelIndex), Vec<Silence>>,
}

impl InParts {
    /// One came, begun and ended then.
    pub(super) fn push(
        &mut self,
        (channel, source, pgn): (ChannelIndex, u8, u32),
        (begun, ended): (Nanoseconds, Nanoseconds),
    ) {
        let own = self.stretches.entry((source, pgn, channel)).or_default();
        let full = own.len() >= MOST_STRETCHES;
        match own.last_mut() {
            Some(last) if begun - last.end <= nanoseconds(APART) => last.end = ended.max(last.end),
            _ if full => {}
            _ => own.push(Silence { start: begun, end: ended }),
        }
    }

    /// Whether a group came in packets all through a silence of its own identifier, on one of the
    /// channels that count.
    pub fn fills(
        &self,
        (source, pgn): (u8, u32),
        silence: Silence,
        counts: impl Fn(ChannelIndex) -> bool,
    ) -> bool {
        let apart = nanoseconds(APART);
        let fills = |own: &Silence| {
            own.start - silence.start <= apart
                && silence.end - own.end <= apart
                && own.overlap(&silence) > 0
        };
        self.of(source, pgn).any(|(channel, own)| own.iter().any(fills) && counts(channel))
    }

    /// Whether a group ever came in packets, on one of the channels that count.
    pub fn came(&self, (source, pgn): (u8, u32), counts: impl Fn(ChannelIndex) -> bool) -> bool {
        self.of(source, pgn).any(|(channel, _)| counts(channel))
    }

    fn of(&self, source: u8, pgn: u32) -> impl Iterator<Item = (ChannelIndex, &[Silence])> {
        let channels = ChannelIndex::MIN..=ChannelIndex::MAX;
        let range = (source, pgn, *channels.start())..=(source, pgn, *channels.end());
        self.stretches.range(range).map(|((.., channel), own)| (*channel, own.as_slice()))
    }
}
