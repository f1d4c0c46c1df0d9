//! The faults: what each does to units and wires, and which classes of a report name it rightly.

use serde::{Deserialize, Serialize};

use crate::codes::{Code, FAILING};
use crate::draw::Draw;
use crate::effects::{Down, Flood, Noise};
use crate::episodes::{Times, episodes};
use crate::soil::{Soil, history, join, open, times_or_for_good};
use crate::vehicle::Vehicle;

/// A finer truth: its name, how many of 201 single faults it makes, and the classes that name it.
/// Where frames and codes alone cannot tell causes apart, each of them counts.
pub const FAULTS: [(&str, usize, &[&str]); 16] = [
    ("power intermittent", 18, &["module_power"]),
    ("open stub", 18, &["module_connector"]),
    ("corroded contact", 12, &["module_connector"]),
    ("silent from the start", 12, &["module_power", "module_connector", "module_dead"]),
    ("silent from the middle", 12, &["module_power", "module_connector", "module_dead"]),
    ("branch", 19, &["branch"]),
    ("shared supply", 19, &["shared_supply"]),
    ("short", 9, &["line"]),
    ("gateway", 10, &["gateway"]),
    ("termination", 9, &["line"]),
    ("dead", 16, &["module_dead", "module_power", "module_connector"]),
    ("flood", 9, &["overload"]),
    ("foreign", 10, &["not_configured"]),
    ("stale", 10, &["stale_codes"]),
    ("mended", 9, &["stale_codes"]),
    ("restraint", 9, &["module_power", "module_connector", "module_dead"]),
];

/// A fault as it was planted.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Planted {
    /// Name of the finer truth.
    pub fault: String,
    /// Classes that name it rightly.
    pub accept: Vec<String>,
    /// The class it really is, where frames and codes alone cannot tell.
    pub really: String,
    /// Places of its units; empty: a bus or the vehicle.
    pub nodes: Vec<usize>,
    /// When it acts, from and to in seconds of the recording.
    pub when: Vec<(f64, f64)>,
    /// How it acts, in words.
    pub how: String,
}

/// What a vehicle must be so that the fault fits it.
pub fn fits(fault: &str, vehicle: &Vehicle) -> bool {
    match fault {
        "gateway" => vehicle.gateway.is_some(),
        "foreign" | "stale" | "mended" => !vehicle.truck,
        "restraint" => {
            !vehicle.truck
                && vehicle.nodes.iter().any(|n| n.name == "airbag" && n.diagnosis.is_some())
        }
        _ => true,
    }
}

/// Plants a fault. None where this vehicle has no place for it.
pub fn plant(fault: usize, soil: &mut Soil, draw: &mut Draw) -> Option<Planted> {
    let (name, _, accept) = FAULTS[fault];
    let (nodes, times, how) = match name {
        "power intermittent" => power(soil, draw)?,
        "open stub" => stub(soil, draw)?,
        "corroded contact" => corroded(soil, draw)?,
        "silent from the start" => silent(soil, true, draw)?,
        "silent from the middle" => silent(soil, false, draw)?,
        "branch" => branch(soil, draw)?,
        "shared supply" => supply(soil, draw)?,
        "short" => short(soil, draw)?,
        "gateway" => gateway(soil, draw)?,
        "termination" => termination(soil, draw)?,
        "dead" => dead(soil, draw)?,
        "flood" => flood(soil, draw)?,
        _ => crate::memories::plant(name, soil, draw)?,
    };
    let for_good = times.len() == 1 && times[0].1 > soil.story.record.1;
    let usual = accept;
    let accept: &[&str] = match how.as_str() {
        "its program stands still, its diagnosis answers" => &["module_dead", "not_configured"],
        // Seen from one channel only, all that lies behind goes at once, as behind a connector.
        "the gateway carries nothing over" if soil.recorded.len() == 1 => &["gateway", "branch"],
        "the gateway has no supply" => &["gateway", "module_power"],
        // Gone for good at one moment: a common fuse and a common connector look alike.
        "the wires of a branch part" | "a common supply fails" if for_good => {
            &["branch", "shared_supply"]
        }
        "it starts again and again" => &["module_dead", "module_power"],
        "the airbag's supply fails" => &["module_power"],
        "the airbag's bus wires part" => &["module_connector"],
        _ => accept,
    };
    let really = match how.as_str() {
        "silent for good: no supply" | "the airbag's supply fails" => "module_power",
        "silent for good: bus wires open" | "the airbag's bus wires part" => "module_connector",
        _ => usual[0],
    };
    let from = soil.story.record.0;
    Some(Planted {
        fault: name.into(),
        really: really.into(),
        accept: accept.iter().map(|class| (*class).into()).collect(),
        nodes,
        when: times.iter().map(|&(a, b)| (a - from, b - from)).collect(),
        how,
    })
}

type Effect = Option<(Vec<usize>, Times, String)>;

fn power(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let place = soil.one(draw)?;
    let times = episodes(soil.story, 0.08, 20.0, draw)?;
    soil.cut(&[place], &times, draw);
    if draw.yes(0.25) {
        // "Battery voltage", too low: some units notice their own supply.
        let code = Code { code: 0xF003, failure: 0x16, status: FAILING };
        let at = times[0].1;
        soil.effects.codes.push((place, code, at));
    }
    history(soil, &[place], draw);
    Some((vec![place], times, "its supply fails".into()))
}

fn stub(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let place = soil.one(draw)?;
    let times = episodes(soil.story, 0.1, 20.0, draw)?;
    open(soil, &[place], &times, false);
    history(soil, &[place], draw);
    Some((vec![place], times, "its bus wires part".into()))
}

/// A corroded contact fails in bursts; just before, and between, its frames are destroyed.
fn corroded(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let place = soil.one(draw)?;
    let channel = soil.vehicle.nodes[place].channel;
    let bursts = episodes(soil.story, 1.0, 15.0, draw)?;
    let mut times = Vec::new();
    for &(from, to) in &bursts {
        let chance = draw.log(0.05, 0.6);
        let before = draw.log(0.2, 4.0);
        let noise = Noise {
            channel,
            sender: Some(place),
            from: from - before,
            to: to + draw.log(0.05, 1.0),
            chance,
            early: 0.05,
        };
        soil.effects.noise.push(noise);
        if draw.yes(0.2) {
            // The unit misreads others and destroys their frames too, less often.
            soil.effects.noise.push(Noise { sender: None, chance: chance * 0.03, ..noise });
        }
        let mut at = from;
        while at < to {
            let open = draw.log(0.15, 3.0).min(to - at);
            times.push((at, at + open));
            at += open + draw.log(0.05, 2.0);
        }
    }
    open(soil, &[place], &times, false);
    history(soil, &[place], draw);
    soil.needs.errors = draw.yes(0.7);
    Some((vec![place], times, "its contact fails in bursts".into()))
}

fn silent(soil: &mut Soil, from_start: bool, draw: &mut Draw) -> Effect {
    let place = soil.one(draw)?;
    let from = if from_start {
        0.0
    } else {
        let driving = soil.story.driving(6.0);
        let (from, to) = *driving.first()?;
        draw.between(from + 0.1 * (to - from), from + 0.7 * (to - from))
    };
    soil.needs.roster |= from_start;
    let how = if draw.yes(0.5) {
        soil.effects.cuts.push((place, from, soil.end()));
        "no supply"
    } else {
        open(soil, &[place], &vec![(from, soil.end())], false);
        "bus wires open"
    };
    Some((vec![place], vec![(from, soil.end())], format!("silent for good: {how}")))
}

fn branch(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let groups = soil.vehicle.branches.clone();
    let group = soil.group(&groups, draw)?;
    let times = times_or_for_good(soil, draw)?;
    let together = draw.yes(0.8);
    open(soil, &group, &times, together);
    if together {
        join(soil, group[0], &times);
    }
    history(soil, &group, draw);
    Some((group, times, "the wires of a branch part".into()))
}

fn supply(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let groups = soil.vehicle.supplies.clone();
    let group = soil.group(&groups, draw)?;
    let times = times_or_for_good(soil, draw)?;
    soil.cut(&group, &times, draw);
    history(soil, &group, draw);
    Some((group, times, "a common supply fails".into()))
}

fn short(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let channel = draw.pick(soil.recorded);
    let visible = draw.yes(0.6);
    let mut times = episodes(soil.story, 0.3, 15.0, draw)?;
    if visible {
        soil.needs.errors = true;
    } else {
        // Without error frames only the codes tell it from a recorder that paused.
        let end = soil.story.driving(1.0).first()?.1;
        soil.needs.scan = true;
        times[0].1 = (times[0].0 + 7.0).max(times[0].1).min(end);
        let first = times[0];
        times.retain(|time| *time == first || time.0 > first.1 + 0.2);
    }
    for &(from, to) in &times {
        soil.effects.downs.push(Down { channel, from, to, visible });
    }
    Some((Vec::new(), times, "the line is shorted".into()))
}

fn gateway(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let place = soil.vehicle.gateway?;
    if soil.taken.contains(&place) {
        return None;
    }
    soil.taken.push(place);
    let routed = |node: &&crate::vehicle::Node| {
        node.channel == 1 && node.messages.iter().any(|m| m.routed && m.period <= 0.25)
    };
    if soil.vehicle.nodes.iter().filter(routed).count() < 2 {
        return None;
    }
    let times = if draw.yes(0.3) {
        let times = episodes(soil.story, 1.0, 2.0, draw)?;
        vec![(times[0].0, soil.end())]
    } else {
        episodes(soil.story, 0.5, 20.0, draw)?
    };
    let how = if draw.yes(0.5) {
        soil.effects.cuts.extend(times.iter().map(|&(from, to)| (place, from, to)));
        "the gateway has no supply"
    } else {
        soil.effects.unrouted.extend(&times);
        "the gateway carries nothing over"
    };
    Some((vec![place], times, how.into()))
}

/// A missing termination lets edges ring: frames of all senders are destroyed now and then.
fn termination(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let channel = draw.pick(soil.recorded);
    let times = if draw.yes(0.3) {
        vec![(0.0, soil.end())]
    } else {
        episodes(soil.story, 3.0, 40.0, draw)?
    };
    let chance = draw.log(0.002, 0.08);
    for &(from, to) in &times {
        let noise = Noise { channel, sender: None, from, to, chance, early: 0.2 };
        soil.effects.noise.push(noise);
    }
    if draw.yes(0.85) {
        soil.needs.errors = true;
    } else {
        soil.needs.scan = true;
        let nodes = &soil.vehicle.nodes;
        for place in (0..nodes.len()).filter(|&place| nodes[place].channel == channel).take(4) {
            let code = Code { code: 0xC001, failure: 0x88, status: FAILING };
            soil.effects.codes.push((place, code, times[0].0));
        }
    }
    Some((Vec::new(), times, "a termination is missing".into()))
}

fn dead(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let place = soil.one(draw)?;
    let start = episodes(soil.story, 1.0, 2.0, draw)?[0].0;
    // "Control module processor" or a maker's own, with failure type 04, system internal.
    let code = Code { code: draw.pick(&[0x0606, 0x9000 | 0x200]), failure: 0x04, status: FAILING };
    let early = soil.story.record.0;
    if draw.yes(0.6) {
        soil.effects.codes.push((place, code, early));
        soil.needs.scan = true;
    }
    let end = soil.end();
    match draw.weigh(&[0.5, 0.25, 0.25]) {
        0 => {
            soil.effects.cuts.push((place, start, end));
            Some((vec![place], vec![(start, end)], "it dies".into()))
        }
        1 => {
            soil.effects.hangs.push((place, start, end));
            let how = "its program stands still, its diagnosis answers";
            Some((vec![place], vec![(start, end)], how.into()))
        }
        _ => {
            let mut times = Vec::new();
            let mut at = start;
            while at < end && times.len() < 25 {
                let gone = draw.log(0.3, 3.0);
                times.push((at, at + gone));
                at += gone + draw.log(0.5, 6.0);
            }
            soil.effects.cuts.extend(times.iter().map(|&(from, to)| (place, from, to)));
            Some((vec![place], times, "it starts again and again".into()))
        }
    }
}

fn flood(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let node = soil.one(draw)?;
    let channel = soil.vehicle.nodes[node].channel;
    let bits = if soil.vehicle.extended { 155.0 } else { 132.0 };
    let gap = bits / soil.vehicle.rates[channel] * draw.between(0.9, 1.12);
    let id = if soil.vehicle.truck {
        0x0000_FF00 | u32::from(soil.vehicle.nodes[node].address)
    } else {
        draw.whole(0, 0x0F) as u32
    };
    let times = episodes(soil.story, 2.0, 12.0, draw)?;
    for &(from, to) in times.iter().take(3) {
        soil.effects.floods.push(Flood { node, id, gap, from, to });
    }
    Some((vec![node], times, "it sends without end".into()))
}
