//! What a watch tells of, in one sentence each.

use crate::analysis::{Cause, Nanoseconds};
use crate::capture::ChannelIndex;
use crate::fold::timing::seconds;
use crate::live::{Event, Reach, Sender, Subject, Watch, What};
use crate::words::terms::{duration, id_label, listed, plural, short_duration};

/// An event in one sentence, without its time.
pub fn sentence(watch: &Watch, event: &Event) -> String {
    let length = |since: Nanoseconds| seconds(event.time - since);
    match &event.what {
        What::Silent { who, since } => {
            let together = if is_company(who) { "silent together" } else { "silent" };
            format!("{} {together}: nothing for {}", is(watch, who), duration(length(*since)))
        }
        What::Back { who, since, momentary: true, .. } => format!(
            "{} back after {}: too short to be an outage",
            is(watch, who),
            duration(length(*since))
        ),
        What::Back { who, since, cause, .. } => {
            let why = came_back(*cause).map_or(String::new(), |why| format!(": {why}"));
            format!("{} back after {}{why}", is(watch, who), duration(length(*since)))
        }
        What::Sleep { who, doubtful, .. } => {
            let what = match who.reach {
                Reach::Channel | Reach::Recording => "going to sleep; no loss",
                Reach::Node | Reach::Messages => "switched off with others; no loss",
            };
            let doubt = match doubtful {
                true => ", unless what feeds them failed",
                false => "",
            };
            format!("{} {what}{doubt}", is(watch, who))
        }
        What::Wake { who, since } => {
            format!("{} awake again after {}", is(watch, who), short_duration(length(*since)))
        }
        What::Pause { since } => {
            format!("the recording paused for {}; no module is to blame", duration(length(*since)))
        }
        What::Errors { channel, count, bus_off } => {
            let off = if *bus_off { "; the controller went off the bus" } else { "" };
            let count = plural(*count as usize, "error report", "error reports");
            format!("{}: {count} about the bus{off}", name(watch, *channel))
        }
        What::Mark { text } => format!("mark: {text}"),
        What::End { frames, drops } => {
            let frames = plural(*frames as usize, "frame", "frames");
            match drops {
                0 => format!("end: {frames}, none dropped"),
                drops => format!("end: {frames}, {drops} dropped before they could be read"),
            }
        }
    }
}

/// The same behind its time, in seconds from the first frame.
pub fn line(watch: &Watch, event: &Event) -> String {
    let begin = watch.view().begin.unwrap_or(event.time);
    format!("{:>9.2} s  {}", seconds(event.time - begin), sentence(watch, event))
}

/// The same of values that are shown as they change.
pub fn value(watch: &Watch, text: &str) -> String {
    let view = watch.view();
    let passed = view.clock.zip(view.begin).map_or(0.0, |(now, begin)| seconds(now - begin));
    format!("{passed:>9.2} s  {text}")
}

/// What a return says of the cause; `None` where it says nothing.
pub fn came_back(cause: Cause) -> Option<&'static str> {
    match cause {
        Cause::LostPower => Some("it restarted, as after a lost supply or a reset"),
        Cause::OpenCircuit => Some("it had kept running unheard, as behind an open line or a plug"),
        Cause::LostAddress => Some("it had given up its address to another unit"),
        Cause::BusFault => Some("there were error reports about the bus"),
        Cause::SwitchedOff => Some("it was switched off"),
        Cause::BusSleep | Cause::CaptureGap | Cause::Unknown => None,
    }
}

/// The same in two words, for a list.
pub fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::LostPower => "restarted",
        Cause::OpenCircuit => "kept running",
        Cause::LostAddress => "lost its address",
        Cause::BusFault => "bus errors",
        Cause::SwitchedOff => "switched off",
        Cause::BusSleep => "bus slept",
        Cause::CaptureGap => "recording paused",
        Cause::Unknown => "cause not shown",
    }
}

/// Who it is, with its channel: `Door module (can0)`.
pub fn who(watch: &Watch, who: &Subject) -> String {
    let channel = who.channel.map(|at| name(watch, at));
    let of_channel = channel.as_ref().map_or(String::new(), |channel| format!(" ({channel})"));
    match (who.reach, &who.node, channel) {
        (Reach::Channel, _, Some(channel)) => format!("{channel}, the whole channel,"),
        (Reach::Channel | Reach::Recording, _, _) => "every channel".to_owned(),
        (_, Some(node), _) => format!("{node}{of_channel}"),
        (_, None, _) => {
            let mut ids: Vec<String> = who.ids.iter().take(4).map(|id| id_label(*id)).collect();
            if who.ids.len() > ids.len() {
                ids.pop();
                ids.push(format!("{} more", who.ids.len() - ids.len()));
            }
            format!("{}{of_channel}, sender unknown,", listed(&ids, "and"))
        }
    }
}

/// A sender as a lane is called.
pub fn lane(watch: &Watch, sender: &Sender) -> String {
    match (&sender.name, watch.first_id(sender)) {
        (Some(name), _) => name.clone(),
        (None, Some(id)) => id_label(id),
        (None, None) => String::new(),
    }
}

fn name(watch: &Watch, channel: ChannelIndex) -> String {
    watch.channel_name(channel).to_owned()
}

fn is(watch: &Watch, subject: &Subject) -> String {
    let are = if is_company(subject) { "are" } else { "is" };
    format!("{} {are}", who(watch, subject))
}

/// Whether they are several messages, and not what a node or a channel sends.
fn is_company(who: &Subject) -> bool {
    who.reach == Reach::Messages && who.ids.len() > 1
}
