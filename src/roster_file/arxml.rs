//! A roster from an AUTOSAR system description (ARXML): which ECU sends which CAN frame, and the
//! cycle time of its PDU.
//!
//! Read: CAN-FRAME-TRIGGERING (identifier, width), its FRAME-PORT with direction OUT inside an
//! ECU-INSTANCE, the frame's PDUs, and their cyclic transmission mode (AUTOSAR System Template:
//! CanFrameTriggering, FramePort, ISignalIPdu, CyclicTiming).

use std::collections::BTreeMap;

use autosar_data::{AutosarModel, CharacterData, Element, ElementName};
use lostnode_parsers::frame::make_id;

use super::{ExpectedMessage, ExpectedNode, RosterError, RosterFile};

/// Reads a system description.
///
/// # Errors
/// Where it is no ARXML, or holds no CAN frame that an ECU sends.
pub fn from_arxml(text: &str) -> Result<RosterFile, RosterError> {
    let model = AutosarModel::new();
    let loaded = model.load_buffer(text.as_bytes(), "system.arxml", false);
    loaded.map_err(|error| RosterError::NoArxml(error.to_string()))?;
    let mut nodes: BTreeMap<(String, String), ExpectedNode> = BTreeMap::new();
    let mut without_sender = 0;
    for (_, triggering) in model
        .elements_dfs()
        .filter(|(_, element)| element.element_name() == ElementName::CanFrameTriggering)
    {
        let Some(raw) = number(&triggering, ElementName::Identifier) else { continue };
        let extended =
            text_of(&triggering, ElementName::CanAddressingMode).as_deref() == Some("EXTENDED");
        let Some(id) = make_id(raw as u32, extended) else {
            let path = triggering.path().unwrap_or_default();
            return Err(RosterError::ArxmlIdentifier { path, raw, extended });
        };
        let Some(sender) = sender(&triggering) else {
            without_sender += 1;
            continue;
        };
        let channel = ancestor(&triggering, ElementName::CanCluster)
            .and_then(|cluster| cluster.item_name())
            .unwrap_or_else(|| "can0".to_owned());
        let node = nodes.entry((channel.clone(), sender.clone())).or_insert_with(|| ExpectedNode {
            name: sender,
            channel,
            ..ExpectedNode::default()
        });
        match period(&triggering) {
            Some(period) => node.messages.push(ExpectedMessage::periodic(id, period)),
            None => node.events.push(id),
        }
    }
    if nodes.is_empty() {
        return Err(RosterError::NoSender { frames: without_sender });
    }
    Ok(RosterFile { nodes: nodes.into_values().collect(), ..RosterFile::default() })
}

fn text_of(element: &Element, name: ElementName) -> Option<String> {
    match element.get_sub_element(name)?.character_data()? {
        CharacterData::Enum(item) => Some(item.to_str().to_owned()),
        CharacterData::String(text) => Some(text),
        CharacterData::UnsignedInteger(number) => Some(number.to_string()),
        CharacterData::Float(number) => Some(number.to_string()),
    }
}

fn number(element: &Element, name: ElementName) -> Option<f64> {
    let text = text_of(element, name)?;
    match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => u32::from_str_radix(digits, 16).ok().map(f64::from),
        None => text.parse().ok(),
    }
}

fn ancestor(element: &Element, name: ElementName) -> Option<Element> {
    let mut next = element.parent().ok().flatten();
    while let Some(element) = next {
        if element.element_name() == name {
            return Some(element);
        }
        next = element.parent().ok().flatten();
    }
    None
}

/// The ECU whose port sends the frame.
fn sender(triggering: &Element) -> Option<String> {
    let ports = triggering.get_sub_element(ElementName::FramePortRefs)?;
    ports.sub_elements().find_map(|port| {
        let port = port.get_reference_target().ok()?;
        let out = text_of(&port, ElementName::CommunicationDirection).as_deref() == Some("OUT");
        ancestor(&port, ElementName::EcuInstance).filter(|_| out).and_then(|ecu| ecu.item_name())
    })
}

/// The shortest cycle among the PDUs of the frame, in seconds.
fn period(triggering: &Element) -> Option<f64> {
    let frame = triggering.get_sub_element(ElementName::FrameRef)?.get_reference_target().ok()?;
    let mappings = frame.get_sub_element(ElementName::PduToFrameMappings)?;
    let pdus = mappings.sub_elements().filter_map(|mapping| {
        mapping.get_sub_element(ElementName::PduRef)?.get_reference_target().ok()
    });
    let cycles = pdus.flat_map(|pdu| {
        let timings = pdu
            .elements_dfs()
            .filter(|(_, element)| element.element_name() == ElementName::CyclicTiming);
        timings
            .filter_map(|(_, timing)| {
                number(&timing.get_sub_element(ElementName::TimePeriod)?, ElementName::Value)
            })
            .collect::<Vec<_>>()
    });
    cycles.filter(|cycle| *cycle > 0.0).reduce(f64::min)
}
