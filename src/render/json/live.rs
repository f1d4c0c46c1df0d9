//! The lines of `watch --format jsonl`, and how all stands, for its page.

use schemars::JsonSchema;
use serde::Serialize;

use super::names;
use crate::analysis::Nanoseconds;
use crate::fold::timing::seconds;
use crate::live::{Event, Subject, Watch, What};
use crate::words;
use crate::words::terms::id_label;

#[derive(JsonSchema, Serialize)]
pub(super) struct EventJson {
    #[schemars(with = "names::LiveEvent")]
    event: &'static str,
    time: f64,
    channel: Option<String>,
    node: Option<String>,
    ids: Vec<String>,
    since: Option<f64>,
    for_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<names::Cause>")]
    cause: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    momentary: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    doubtful: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    count: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bus_off: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    text: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    frames: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    dropped: Option<u64>,
    sentence: String,
}

/// An event as one line, without its end.
pub fn event(watch: &Watch, event: &Event) -> String {
    let mut out = EventJson {
        event: names::live_event(&event.what),
        time: seconds(event.time),
        channel: None,
        node: None,
        ids: Vec::new(),
        since: None,
        for_s: None,
        cause: None,
        momentary: None,
        doubtful: None,
        count: None,
        bus_off: None,
        text: None,
        frames: None,
        dropped: None,
        sentence: words::live::sentence(watch, event),
    };
    let about = |out: &mut EventJson, who: Option<&Subject>, since: Nanoseconds| {
        let channel = who.and_then(|who| who.channel);
        out.channel = channel.map(|channel| watch.channel_name(channel).to_owned());
        out.node = who.and_then(|who| who.node.clone());
        out.ids = who.map_or(Vec::new(), |who| who.ids.iter().map(|id| id_label(*id)).collect());
        out.since = Some(seconds(since));
        out.for_s = Some(seconds(event.time - since));
    };
    match &event.what {
        What::Silent { who, since } => {
            about(&mut out, Some(who), *since);
        }
        What::Back { who, since, cause, momentary } => {
            about(&mut out, Some(who), *since);
            (out.cause, out.momentary) = (Some(names::cause(*cause)), Some(*momentary));
        }
        What::Sleep { who, since, doubtful } => {
            about(&mut out, Some(who), *since);
            out.doubtful = Some(*doubtful);
        }
        What::Wake { who, since } => {
            about(&mut out, Some(who), *since);
        }
        What::Pause { since } => {
            about(&mut out, None, *since);
        }
        What::Errors { channel, count, bus_off } => {
            out.channel = Some(watch.channel_name(*channel).to_owned());
            (out.count, out.bus_off) = (Some(*count), Some(*bus_off));
        }
        What::Mark { text } => out.text = Some(text.clone()),
        What::End { frames, drops } => (out.frames, out.dropped) = (Some(*frames), Some(*drops)),
    }
    // Serialising strings and numbers cannot fail.
    serde_json::to_string(&out).unwrap_or_default()
}

#[derive(JsonSchema, Serialize)]
struct StateJson {
    time: Option<f64>,
    watched_s: f64,
    since_last_loss_s: Option<f64>,
    frames: u64,
    dropped: u64,
    channels: Vec<ChannelJson>,
    nodes: Vec<NodeJson>,
}

#[derive(JsonSchema, Serialize)]
struct ChannelJson {
    name: String,
    frames: u64,
    errors: u64,
    load: Option<f64>,
    silent_since: Option<f64>,
}

#[derive(JsonSchema, Serialize)]
struct NodeJson {
    name: String,
    channel: String,
    silent_since: Option<f64>,
    silent_for_s: Option<f64>,
    asleep: bool,
    losses: u32,
    last_loss: Option<f64>,
}

/// How all stands, as one line without its end.
pub fn state(watch: &Watch) -> String {
    let view = watch.view();
    let clock = view.clock.unwrap_or_default();
    let passed = |since: Nanoseconds| seconds(clock - since);
    let channels = view.channels.iter().map(|own| ChannelJson {
        name: own.name.to_owned(),
        frames: own.frames,
        errors: own.errors,
        load: own.load,
        silent_since: own.presence.since().map(seconds),
    });
    let nodes = view.senders.iter().map(|own| {
        let since = watch.silent_since(own);
        NodeJson {
            name: words::live::lane(watch, own),
            channel: watch.channel_name(own.channel).to_owned(),
            silent_since: since.map(seconds),
            silent_for_s: since.map(passed),
            asleep: watch.is_asleep(own),
            losses: own.losses_so_far(),
            last_loss: own.last_loss.map(seconds),
        }
    });
    let state = StateJson {
        time: view.clock.map(seconds),
        watched_s: view.begin.map_or(0.0, passed),
        since_last_loss_s: watch.last_loss().map(passed),
        frames: view.frames,
        dropped: view.drops,
        channels: channels.collect(),
        nodes: nodes.collect(),
    };
    serde_json::to_string(&state).unwrap_or_default()
}
