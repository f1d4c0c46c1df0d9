//! From the analysis to symptoms: what asks for an explanation, what it is about, and its signs
//! (docs/findings.md).

mod across;
mod answers;
mod at_once;
mod behind;
mod beside;
mod bus;
mod carried;
mod comes_back;
mod company;
mod doubtful;
mod elsewhere;
mod endless;
mod ends;
mod in_turn;
mod lacking;
mod moved;
mod newcomer;
mod nodes;
mod once;
mod own_switch;
mod rhythm;
mod senders;
mod skips;
mod standing;
mod starts;
mod stranger;
mod symptom;
mod told;
mod traffic;
mod within;

pub(super) use elsewhere::{lasts, was_asked_since};
pub(crate) use senders::{sender, struck};
pub use symptom::Symptom;

use self::carried::Stopped;
use crate::analysis::symptom::Silences;
use crate::analysis::{Analysis, Outage};
use crate::capture::ChannelIndex;

/// All symptoms of an analysis: what the frames show, then what modules tell.
pub fn of(analysis: &Analysis) -> Vec<Symptom> {
    let mut out = nodes::silent(analysis);
    for channel in 0..analysis.channels.len() {
        bus::of(analysis, channel as ChannelIndex, &mut out);
    }
    across::join(analysis, &mut out);
    at_once::join(analysis, &mut out);
    carried::note_heard(analysis, &mut out);
    in_turn::mark(analysis, &mut out);
    endless::mark(analysis, &mut out);
    carried::mark_called(analysis, &mut out);
    carried::mark_lone(analysis, &mut out);
    let floods = elsewhere::floods(analysis);
    elsewhere::leave_to_floods(analysis, &floods, &mut out);
    match carried::stopped(analysis, &out, &floods) {
        Stopped::Nothing => {}
        Stopped::ByStarter => elsewhere::leave_to_gateway(analysis, &mut out),
        Stopped::Symptom(carried, begins) => {
            elsewhere::leave_to_gateway(analysis, &mut out);
            carried::mark(analysis, &begins, &mut out);
            out.push(*carried);
        }
    }
    out.extend(bus::recording(analysis));
    out.extend(told::of(analysis, &out));
    carried::mark_missed(&mut out);
    newcomer::add(analysis, &mut out);
    lacking::add(analysis, &mut out);
    stranger::mark(analysis, &mut out);
    out
}

/// Sums up silences, of which there is at least one.
fn summed(outages: &[&Outage]) -> Silences {
    let start = |outage: Option<&&Outage>| outage.map_or(0, |outage| outage.start);
    Silences {
        times: outages.len(),
        seconds: outages.iter().map(|outage| outage.duration()).sum(),
        first: start(outages.first()),
        last: start(outages.last()),
        ongoing: matches!(outages, [one] if one.ongoing),
    }
}
