//! What SAE J1939 sends on an occasion only, however regular it is meanwhile: packets while there
//! is something long to tell, commands while there is something to control, answers while somebody
//! asks, and all that a service tool sends while it is plugged in. Nothing of that is expected.

use lostnode_parsers::Id;
use lostnode_parsers::j1939::{Fields, SERVICE_TOOLS, comes_on_occasion};

use crate::capture::ChannelIndex;
use crate::fold::diagnostics::Diagnostics;
use crate::fold::j1939::{self, J1939};
use crate::fold::timing::{IdTiming, Silence, Timing};

/// By channel: whether it speaks SAE J1939.
pub(super) struct Occasional(Vec<J1939>);

impl Occasional {
    pub fn of(timing: &Timing) -> Occasional {
        Occasional(j1939::of(timing))
    }

    /// Whether an identifier comes on an occasion only.
    pub fn has(&self, channel: ChannelIndex, id: Id) -> bool {
        let Id::Extended(id) = id else { return false };
        let Fields { pgn, source, .. } = Fields::of(id);
        self.0.get(usize::from(channel)) == Some(&J1939::Yes)
            && (comes_on_occasion(pgn) || SERVICE_TOOLS.contains(&source))
    }
}

/// Whether an identifier is sent when it is asked for, and not missed in a silence. Missed is a
/// unit that sends nothing else by itself, and that was asked in vain: of another the rest tells
/// whether it is there. `None` stands for the whole capture.
pub(super) fn is_answer(
    timing: &Timing,
    diagnostics: &Diagnostics,
    id: &IdTiming,
    silence: Option<Silence>,
) -> bool {
    let asked = &diagnostics.asked;
    let answers = |id: &IdTiming| asked.is_answer(id.key.channel, id.key.id, id.frames);
    let source = |id: &IdTiming| match id.key.id {
        Id::Extended(own) => Some((id.key.channel, Fields::of(own).source)),
        Id::Standard(_) => None,
    };
    let speaks_too = || {
        let others = timing.ids.iter().filter(|other| source(other) == source(id));
        others.filter(|other| other.rhythm().is_some()).any(|other| !answers(other))
    };
    answers(id) && (!asked.in_vain(id.key.channel, id.key.id, silence) || speaks_too())
}
