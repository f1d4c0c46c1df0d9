//! Why a capture cannot tell, and what would be needed.

use std::collections::BTreeSet;

use super::headline::capital;
use super::terms::{listed, of_drive, short_duration};
use super::who;
use crate::analysis::verdict::Obstacle;
use crate::analysis::{Analysis, Doubt, Evidence, HowThinned, Outage, Thinned};
use crate::capture::ChannelIndex;
use crate::fold::timing::nanoseconds;
use crate::ids::{IdIndex, NodeIndex};
use crate::silence::OfAnother;

/// Why nothing can be said, and what would be needed, one sentence for each reason.
pub fn obstacles(analysis: &Analysis) -> Vec<String> {
    if !analysis.drives.is_empty() {
        let of_drives = analysis.drives.iter().enumerate().flat_map(|(at, drive)| {
            let sentences = obstacles(&drive.analysis).into_iter();
            sentences.map(move |sentence| format!("drive {}: {sentence}", at + 1))
        });
        return of_drives.collect();
    }
    let sentence = |obstacle: &Obstacle| {
        let (reason, needed) = (reason(analysis, obstacle), needed(analysis, obstacle));
        format!("{reason}. {}", capital(needed))
    };
    // Of missing time stamps the notices tell, with the file.
    let own = |obstacle: &&Obstacle| !matches!(obstacle, Obstacle::NoTimeStamps { .. });
    analysis.obstacles().iter().filter(own).map(sentence).collect()
}

/// Modules that a key-off takes leave within so many seconds (common practice, no source).
const ONE_KEY_OFF: f64 = 5.0;

const NO_STAMPS: &str = "its frames carry no time stamps";

/// Why nothing can be said.
pub(super) fn reason(analysis: &Analysis, obstacle: &Obstacle) -> String {
    let on = |at| match analysis.channels.len() {
        1 => String::new(),
        _ => format!(" on {}", analysis.channel(at).name),
    };
    match obstacle {
        Obstacle::Refused { capture } => {
            let own = &analysis.captures[*capture];
            let refused = own.refused().unwrap_or_default();
            format!("{refused} of its {} lines could not be read", own.lines)
        }
        Obstacle::NoTimeStamps { capture } => {
            let stamped = analysis.captures[*capture].no_clock.is_some();
            let what = if stamped { "its time stamps are no clock" } else { NO_STAMPS };
            what.to_owned()
        }
        Obstacle::Thinned { channel, thinned } => self::thinned(thinned, &on(*channel)),
        Obstacle::Paused { share } => {
            format!("the recording paused for {:.0} % of the time", share * 100.0)
        }
        Obstacle::Short { span } => format!("it is only {span:.1} s long"),
        Obstacle::NothingPeriodic { channel } => {
            format!("no identifier keeps a period{}", channel.map_or(String::new(), on))
        }
        Obstacle::FewPeriodic { channel, periodic, of } => {
            format!("only {periodic} of {of} identifiers keep a period{}", on(*channel))
        }
        Obstacle::Outage { doubt: Doubt::KeyOrSupply } => with_the_key(analysis, on),
        Obstacle::Outage { doubt: doubt @ Doubt::SenderUnknown } => {
            of_addresses(analysis).unwrap_or_else(|| doubtful(*doubt).to_owned())
        }
        Obstacle::Outage { doubt } => doubtful(*doubt).to_owned(),
        Obstacle::MostNotHeard { channel, identifiers, expected, until: None } => format!(
            "{identifiers} of {expected} identifiers that it normally sends were never heard{}; \
             either the key was off, or a module or shared supply is missing",
            on(*channel)
        ),
        Obstacle::MostNotHeard { channel, identifiers, expected, until: Some(seconds) } => format!(
            "{identifiers} of {expected} identifiers that it normally sends came only after \
             {seconds:.1} s{}; either the key was turned on then, or a module or shared supply \
             was missing until then",
            on(*channel)
        ),
        Obstacle::Unproven { channel, identifiers } => format!(
            "{} of the roster {} not heard{}, and less than half of what was due from the others",
            super::terms::plural(*identifiers, "identifier", "identifiers"),
            if *identifiers == 1 { "was" } else { "were" },
            on(*channel)
        ),
        Obstacle::RosterOfAnother(own) => of_another(own),
        Obstacle::ChannelsMissing { channels } => format!(
            "{} of the roster {} not in the capture",
            super::terms::plural(*channels, "channel", "channels"),
            if *channels == 1 { "is" } else { "are" }
        ),
        Obstacle::TooManyIdentifiers => {
            "it has more identifiers than lostnode keeps apart, and nothing is known of the rest"
                .to_owned()
        }
        Obstacle::KeyOff { channel } => format!(
            "the key was off{}, going by the roster: hardly anything that needs it was heard",
            on(*channel)
        ),
    }
}

/// That the roster is of another vehicle.
pub(super) fn of_another(own: &OfAnother) -> String {
    let OfAnother { heard, expected, new } = own;
    format!(
        "the roster is of another vehicle or bus: of its {expected} identifiers {} here, and \
         {new} here are not in it",
        match heard {
            0 => "none is".to_owned(),
            1 => "1 is".to_owned(),
            more => format!("{more} are"),
        }
    )
}

/// The outages that may be of the key, where something of them was heard.
fn perhaps_the_key(analysis: &Analysis) -> impl Iterator<Item = &Outage> {
    let open = |own: &&Outage| own.doubt == Some(Doubt::KeyOrSupply) && !own.ids.is_empty();
    analysis.outages.iter().filter(open)
}

/// Whether it was silent from the start, and came later.
fn came_late(outage: &Outage) -> bool {
    outage.evidence.iter().any(|own| matches!(own, Evidence::SilentFromTheStart { .. }))
}

/// What may have left or come with the key, and when: of one bus, and of one time.
fn with_the_key(analysis: &Analysis, on: impl Fn(ChannelIndex) -> String) -> String {
    let either = doubtful(Doubt::KeyOrSupply);
    let Some(first) = perhaps_the_key(analysis).next() else { return either.to_owned() };
    let together = |outage: &&Outage| {
        outage.channel == first.channel
            && came_late(outage) == came_late(first)
            && outage.start - first.start <= nanoseconds(ONE_KEY_OFF)
    };
    let left = perhaps_the_key(analysis).filter(together);
    let ids: BTreeSet<IdIndex> = left.flat_map(|outage| outage.ids.iter().copied()).collect();
    let here = analysis.identifiers.iter().filter(|id| Some(id.channel) == first.channel);
    let (left, all) = (ids.len(), here.count());
    let on = first.channel.map_or(String::new(), on);
    if came_late(first) {
        let late = short_duration(first.duration());
        return format!(
            "{left} of {all} identifiers{on} came only after {late}; either the key was turned on \
             then, or a module or shared supply was missing until then"
        );
    }
    let moment = analysis.moment(first.start);
    let at = format!("{}{}", short_duration(moment.seconds), of_drive(moment));
    format!("{left} of {all} identifiers{on} fell silent at {at}; {either}")
}

fn thinned(thinned: &Thinned, on: &str) -> String {
    let rate = thinned.frames_per_second;
    match thinned.how {
        HowThinned::Ticks(ticks) => format!(
            "the logger kept about {rate:.0} frames a second{on}, {} every {:.1} ms",
            number(ticks.frames),
            ticks.spacing * 1e3
        ),
        HowThinned::Holes => format!(
            "the logger kept about {rate:.0} frames a second{on} and left out others: identifiers \
             come at multiples of their periods"
        ),
        HowThinned::Sparse { share } => format!(
            "it holds {:.0} % of what the roster's identifiers would have sent{on}",
            share * 100.0
        ),
    }
}

/// What would be needed.
pub(super) fn needed(analysis: &Analysis, obstacle: &Obstacle) -> &'static str {
    match obstacle {
        Obstacle::Refused { .. } => {
            "see under \"capture\" which lines and why, and convert them to a format that is read"
        }
        Obstacle::NoTimeStamps { .. } => "record with absolute time stamps",
        Obstacle::Thinned { .. } => "record again with a logger that keeps every frame",
        Obstacle::Paused { .. } => "record again without pauses",
        Obstacle::Short { .. } => "record for ten seconds or more, better a minute",
        Obstacle::NothingPeriodic { .. } => {
            "record the vehicle's own traffic, with a logger that keeps every frame"
        }
        Obstacle::FewPeriodic { .. } => {
            "record again with time stamps of a millisecond or finer, by a logger that keeps every \
             frame"
        }
        Obstacle::Outage { doubt: Doubt::SenderUnknown } if of_addresses(analysis).is_some() => {
            "record longer, and ask it with a tester while it is silent"
        }
        Obstacle::Outage { doubt: Doubt::SenderUnknown } => {
            "record longer, or with a roster that knows the sender"
        }
        Obstacle::Outage { doubt: Doubt::KeyOrSupply } => match perhaps_the_key(analysis).next() {
            Some(outage) if came_late(outage) => {
                "ask whether the key was turned on only then; if so, nothing is wrong here. If \
                 nobody knows, record two minutes with the key on before the recording begins"
            }
            Some(_) => {
                "ask whether the key was turned off then; if so, nothing is wrong here. If nobody \
                 knows, record two minutes with the key left on"
            }
            None => "record again, making sure that the key is on",
        },
        Obstacle::Outage { doubt: Doubt::NearTheEnd } => "keep recording after they fall silent",
        Obstacle::Outage { doubt: Doubt::RecordingChopped | Doubt::PauseOrStop } => {
            "record again with a logger that does not pause"
        }
        Obstacle::Outage { doubt: Doubt::EngineStart } => "record another start of the engine",
        Obstacle::Outage { doubt: Doubt::CameLate } => {
            "record longer, with the key on before the recording begins"
        }
        Obstacle::Outage { doubt: Doubt::InAnotherDrive } => {
            "a roster of several drives of this vehicle while it was sound (`lostnode learn`): it \
             knows what is sent only sometimes"
        }
        Obstacle::MostNotHeard { until: None, .. } => {
            "record again, making sure that the key is on"
        }
        Obstacle::MostNotHeard { until: Some(_), .. } => {
            "record again with the key on before the recording begins"
        }
        Obstacle::Unproven { .. } => "record again with a logger that keeps every frame",
        Obstacle::RosterOfAnother(_) => "name the roster of this vehicle and bus, or none",
        Obstacle::ChannelsMissing { .. } => "record all channels of the roster",
        Obstacle::TooManyIdentifiers => "record the vehicle's own traffic",
        Obstacle::KeyOff { .. } => "record again with the key on",
    }
}

/// That single messages fell silent whose senders their addresses tell; `None` where they do not.
fn of_addresses(analysis: &Analysis) -> Option<String> {
    let open = |own: &&Outage| own.doubt == Some(Doubt::SenderUnknown);
    let ids = analysis.outages.iter().filter(open).flat_map(|outage| &outage.ids);
    let nodes: Option<BTreeSet<NodeIndex>> = ids.map(|id| analysis.at_address(*id)).collect();
    let nodes: Vec<NodeIndex> = nodes?.into_iter().collect();
    let who = listed(&who::names(analysis, &nodes), "and");
    match nodes.len() {
        0 => None,
        1 => Some(format!(
            "a message of {who} fell silent; it may pause by nature, or be all that this module \
             sends by itself"
        )),
        _ => Some(format!(
            "messages of {who} fell silent; they may pause by nature, or be all that these modules \
             send by themselves"
        )),
    }
}

/// What may have been a loss.
fn doubtful(doubt: Doubt) -> &'static str {
    match doubt {
        Doubt::SenderUnknown => {
            "an identifier with no known sender fell silent; it may be the only message of some \
             module"
        }
        Doubt::KeyOrSupply => "either the key was turned off, or a module or shared supply failed",
        Doubt::NearTheEnd => "senders fell silent too near to its end",
        Doubt::RecordingChopped => "the recording pauses too often to tell losses apart",
        Doubt::PauseOrStop => "nothing shows whether the bus stopped or the recording did",
        Doubt::EngineStart => {
            "only one sender fell silent as the engine was started: the voltage drop, or a bad \
             contact"
        }
        Doubt::InAnotherDrive => {
            "what another drive heard all along was never heard in it: a mode of the vehicle sends \
             it, or a module that sends little else was dead"
        }
        Doubt::CameLate => {
            "what the roster expects came only some seconds after the recording began, and was not \
             lost again: the key, a mode or the driver may have started it, or it was lost before"
        }
    }
}

/// Small numbers as a word.
fn number(count: usize) -> String {
    let words = ["none", "one", "two", "three", "four", "five", "six"];
    words.get(count).map_or_else(|| count.to_string(), |word| (*word).to_owned())
}
