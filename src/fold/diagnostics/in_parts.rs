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
const MOST: usize = 1024;

/// When a group came in packets, by channel, source address and group.
#[derive(Debug, Default)]
pub struct InParts {
    stretches: BTreeMap<(ChannelIndex, u8, u32), Vec<Silence>>,
}

impl InParts {
    /// One came, begun and ended then.
    pub(super) fn push(
        &mut self,
        (channel, source, pgn): (ChannelIndex, u8, u32),
        (begun, ended): (Nanoseconds, Nanoseconds),
    ) {
        let own = self.stretches.entry((channel, source, pgn)).or_default();
        let full = own.len() >= MOST;
        match own.last_mut() {
            Some(last) if begun - last.end <= nanoseconds(APART) => last.end = ended.max(last.end),
            _ if full => {}
            _ => own.push(Silence { start: begun, end: ended }),
        }
    }

    /// Whether a group came in packets all through a silence of its own identifier.
    pub fn fills(&self, channel: ChannelIndex, source: u8, pgn: u32, silence: Silence) -> bool {
        let apart = nanoseconds(APART);
        let fills = |own: &Silence| {
            own.start - silence.start <= apart
                && silence.end - own.end <= apart
                && own.overlap(&silence) > 0
        };
        self.stretches.get(&(channel, source, pgn)).is_some_and(|own| own.iter().any(fills))
    }
}
