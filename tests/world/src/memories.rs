//! Faults that stand in memories: another vehicle's unit, old codes, mended ones, airbag codes.

use crate::codes::{Code, REMEMBERED};
use crate::draw::Draw;
use crate::effects::Open;
use crate::episodes::Times;
use crate::soil::Soil;

type Effect = Option<(Vec<usize>, Times, String)>;

/// Plants one of them by name.
pub fn plant(name: &str, soil: &mut Soil, draw: &mut Draw) -> Effect {
    soil.needs.scan = true;
    match name {
        "foreign" => foreign(soil, draw),
        "stale" => stale(soil, draw),
        "mended" => mended(soil, draw),
        _ => restraint(soil, draw),
    }
}

fn asked(soil: &Soil) -> Vec<usize> {
    let nodes = &soil.vehicle.nodes;
    (0..nodes.len())
        .filter(|&place| nodes[place].diagnosis.is_some() && !soil.taken.contains(&place))
        .filter(|&place| nodes[place].channel == 0)
        .collect()
}

fn now() -> u8 {
    crate::codes::FAILING
}

/// A used unit from another vehicle: it tells that one's identification, or none.
fn foreign(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let able: Vec<usize> = asked(soil)
        .into_iter()
        .filter(|&place| soil.vehicle.nodes[place].status_mask != 0x0D)
        .filter(|&place| soil.vehicle.nodes[place].name != "engine")
        .collect();
    let place = (!able.is_empty()).then(|| draw.pick(&able))?;
    soil.taken.push(place);
    let mut other = format!("XX9{:014}", draw.whole(1, 99_999_999));
    if draw.yes(0.15) {
        other = "\u{0}".repeat(17);
    }
    soil.effects.foreign.push((place, other));
    if draw.yes(0.5) {
        // Not configured (failure type 55), invalid configuration (56).
        let failure = draw.pick(&[0x55, 0x56]);
        let code = Code { code: draw.pick(&[0xC300, 0xD101]), failure, status: now() };
        soil.effects.codes.push((place, code, 0.0));
    }
    Some((vec![place], Vec::new(), "a unit of another vehicle".into()))
}

/// Codes of a flat or disconnected battery of some day.
fn stale(soil: &mut Soil, draw: &mut Draw) -> Effect {
    let able = asked(soil);
    if able.len() < 3 {
        return None;
    }
    remember(soil, draw.yes(0.7), draw);
    Some((Vec::new(), Vec::new(), "codes of an earlier event".into()))
}

/// Puts codes of one earlier event of low supply into several units.
pub fn remember(soil: &mut Soil, with_supply: bool, draw: &mut Draw) {
    let status = draw.pick(&[REMEMBERED, 0x08, 0x68, 0x28]);
    let mut any = 0;
    for place in asked(soil) {
        let node = &soil.vehicle.nodes[place];
        if with_supply && draw.yes(0.6) {
            let code = if node.name == "engine" { (0x0562, 0x00) } else { (0xF003, 0x16) };
            let code = Code { code: code.0, failure: code.1, status };
            soil.effects.old.push((place, code));
            any += 1;
        }
        for monitor in &node.monitors {
            if draw.yes(if any == 0 { 0.6 } else { 0.25 }) {
                let code = soil.vehicle.nodes[monitor.of].code;
                let code = Code { code, failure: node.failure_type, status };
                soil.effects.old.push((place, code));
                any += 1;
            }
        }
    }
}

/// A unit was lost and has been mended; the codes are cleared and do not come back.
fn mended(soil: &mut Soil, draw: &mut Draw) -> Effect {
    soil.needs.clear = true;
    let able = asked(soil);
    let place = (!able.is_empty()).then(|| draw.pick(&able))?;
    let status = draw.pick(&[REMEMBERED, 0x2E, 0x08]);
    let mut stored = 0;
    for listener in able {
        let node = &soil.vehicle.nodes[listener];
        if listener != place && (node.monitors.iter().any(|m| m.of == place) || stored == 0) {
            let code = soil.vehicle.nodes[place].code;
            let code = Code { code, failure: node.failure_type, status };
            soil.effects.old.push((listener, code));
            stored += 1;
        }
    }
    (stored > 0).then(|| (vec![place], Vec::new(), "mended before the recording".into()))
}

/// The airbag unit is lost, and as a rule it or the belt circuits have left codes too (SAE J2012
/// B0001 and so on, from memory). Typical: a connector below the seat.
fn restraint(soil: &mut Soil, draw: &mut Draw) -> Effect {
    soil.needs.scan = draw.yes(0.8);
    let place = soil.vehicle.nodes.iter().position(|node| node.name == "airbag")?;
    if !soil.visible().contains(&place) {
        return None;
    }
    soil.taken.push(place);
    if draw.yes(0.6) {
        let code = draw.pick(&[0x8001, 0x8002, 0x8010, 0x8020, 0x8028, 0x8070]);
        let failure = draw.pick(&[0x11, 0x12, 0x13, 0x1A, 0x1B]);
        soil.effects.codes.push((place, Code { code, failure, status: now() }, 0.0));
    }
    let times = crate::soil::times_or_for_good(soil, draw)?;
    let (channel, power) = (soil.vehicle.nodes[place].channel, draw.yes(0.5));
    for &(from, to) in &times {
        if power {
            soil.effects.cuts.push((place, from, to));
        } else {
            let open = Open { nodes: vec![place], channel, from, to, together: false };
            soil.effects.opens.push(open);
        }
    }
    let good = times[0].1 > soil.story.record.1;
    let how = match (good, power) {
        (true, true) => "silent for good: no supply",
        (true, false) => "silent for good: bus wires open",
        (false, true) => "the airbag's supply fails",
        (false, false) => "the airbag's bus wires part",
    };
    Some((vec![place], times, how.into()))
}
