//! What happened just before the losses, as JSON.

use schemars::JsonSchema;
use serde::Serialize;

use super::names;
use crate::analysis::Analysis;
use crate::analysis::just_before::{Change, Lead};
use crate::words::just_before as words;
use crate::words::{fault, terms::id_label};

#[derive(JsonSchema, Serialize)]
pub(super) struct PrecursorJson {
    node: Option<String>,
    nodes: Vec<String>,
    channel: String,
    id: String,
    byte: u8,
    bit: Option<u8>,
    width: u8,
    high_first: Option<bool>,
    #[schemars(with = "names::Change")]
    change: &'static str,
    value: Option<u64>,
    within_s: f64,
    losses_with: usize,
    losses: usize,
    elsewhere: usize,
    apart_s: [f64; 3],
    p: f64,
    #[schemars(with = "names::LeadKind")]
    kind: &'static str,
    together: Vec<PlaceJson>,
    confirmed: Option<ConfirmedJson>,
    sentence: String,
}

#[derive(JsonSchema, Serialize)]
struct PlaceJson {
    channel: String,
    id: String,
    byte: u8,
    bit: Option<u8>,
    width: u8,
}

#[derive(JsonSchema, Serialize)]
struct ConfirmedJson {
    losses_with: usize,
    losses: usize,
    p: f64,
    holds: bool,
}

pub(super) fn precursors(analysis: &Analysis) -> Vec<PrecursorJson> {
    analysis.just_before.leads.iter().map(|lead| precursor(analysis, lead)).collect()
}

fn precursor(analysis: &Analysis, lead: &Lead) -> PrecursorJson {
    let nodes: Vec<String> = lead.of.nodes().iter().map(|at| analysis.node_name(*at)).collect();
    let value = match lead.change {
        Change::Rises | Change::Falls => None,
        Change::Is(value) | Change::Above(value) | Change::Below(value) => Some(value),
    };
    let channel = |at| analysis.channel(at).name.clone();
    let field = lead.place.field;
    PrecursorJson {
        node: match nodes.as_slice() {
            [one] => Some(one.clone()),
            [] => None,
            _ => Some(fault::subject(analysis, &lead.of)),
        },
        nodes,
        channel: channel(lead.place.channel),
        id: id_label(lead.place.id),
        byte: field.byte,
        bit: field.bit,
        width: field.width,
        high_first: (field.width > 8).then_some(field.high_first),
        change: names::change(lead.change),
        value,
        within_s: lead.within,
        losses_with: lead.losses_with,
        losses: lead.losses,
        elsewhere: lead.elsewhere,
        apart_s: [lead.apart.0, lead.apart.1, lead.apart.2],
        p: lead.p,
        kind: names::lead_kind(lead.kind),
        together: lead
            .together
            .iter()
            .map(|own| PlaceJson {
                channel: channel(own.channel),
                id: id_label(own.id),
                byte: own.field.byte,
                bit: own.field.bit,
                width: own.field.width,
            })
            .collect(),
        confirmed: lead.confirmed.map(|own| ConfirmedJson {
            losses_with: own.losses_with,
            losses: own.losses,
            p: own.p,
            holds: own.holds(),
        }),
        sentence: words::sentence(analysis, lead),
    }
}
