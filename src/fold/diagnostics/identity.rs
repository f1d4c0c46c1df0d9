//! Who each module says it is, and what the vehicle says of itself: VIN, part numbers, supply
//! voltage. What is made of it: docs/diagnostics.md.

use std::collections::BTreeMap;

use lostnode_parsers::j1939;
use lostnode_parsers::obd;
use lostnode_parsers::uds;

use super::claims::{Claim, Claims, GivenUp, Unplaced};
use super::supply::{Source, Supply};
use super::{Message, Module, Party};
use crate::capture::ChannelIndex;
use crate::fold::timing::Nanoseconds;

/// What one module said.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Identity {
    /// VIN as stored; `Some("")` where the module answered with a blank one.
    pub vin: Option<String>,
    /// Part number.
    pub part_number: Option<String>,
    /// Calibration identifiers.
    pub calibration_ids: Vec<String>,
    /// Calibration verification numbers.
    pub verification_numbers: Vec<String>,
    /// Name of the module in its own words.
    pub name: Option<String>,
    /// Other identification, by its name in the standard.
    pub others: BTreeMap<&'static str, String>,
    /// Where the answers came from.
    pub sources: Vec<IdentitySource>,
    /// The 64-bit NAMEs that claimed this address, in order.
    pub claims: Vec<j1939::Name>,
    /// So many units want this address, and none gave way: more than one is a conflict.
    pub contested: usize,
    /// Units that said that they have no address.
    pub cannot_claim: Vec<Unplaced>,
    /// Its unit had to give this address up to another one.
    pub gave_up_address: Option<GivenUp>,
}

/// Where an identification comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum IdentitySource {
    /// Service 09 (SAE J1979).
    VehicleInformation,
    /// A record of service 22, by its number (ISO 14229-1).
    Record(u16),
    /// Address claim (SAE J1939-81).
    AddressClaim,
    /// Vehicle identification (SAE J1939-71).
    VehicleIdentification,
    /// Component identification.
    Component,
    /// Software identification.
    Software,
}

/// What the vehicle says of itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Vehicle {
    /// The VIN that most modules have; `None` on a tie.
    pub vin: Option<String>,
    /// Modules whose VIN is another, with it; blank ones too.
    pub conflicts: Vec<(Module, String)>,
}

/// Modules told apart.
const MOST_MODULES: usize = 4096;

/// What all modules said.
#[derive(Clone, Debug, Default)]
pub struct Identities {
    /// By module.
    pub modules: BTreeMap<Module, Identity>,
    /// Supply voltage, where any module told it.
    pub supply: Supply,
    /// Address claims, by time.
    pub claims: Claims,
    /// What groups of SAE J1939 said, until it is known whether the channel speaks it.
    by_group: BTreeMap<Module, Identity>,
    order: Vec<Module>,
}

impl Identity {
    /// Adds what the same module said in another way.
    fn join(&mut self, other: Identity) {
        self.vin = other.vin.or(self.vin.take());
        self.part_number = other.part_number.or(self.part_number.take());
        self.others.extend(other.others);
        self.sources.extend(other.sources);
        self.claims.extend(other.claims);
        self.contested = self.contested.max(other.contested);
        self.cannot_claim.extend(other.cannot_claim);
        self.gave_up_address = other.gave_up_address.or(self.gave_up_address);
    }
}

/// Text of an identification: the first run of printable ASCII, trimmed. What stands behind its end
/// is filling or a record of its own and no part of a number that is ordered by. Hexadecimal where
/// most of it is not printable, or what is printable stands in pieces; empty where it is blank.
fn text(data: &[u8]) -> String {
    let is_text = |byte: &u8| byte.is_ascii_graphic() || *byte == b' ';
    let blank = |byte: &u8| matches!(byte, 0 | 0xFF | b' ' | 0xAA | 0x55 | 0xCC);
    if data.iter().all(blank) {
        return String::new();
    }
    let runs = data.split(|byte| !is_text(byte)).map(<[u8]>::trim_ascii);
    let first = runs.clone().find(|run| !run.is_empty()).unwrap_or_default();
    let printable: usize = runs.map(<[u8]>::len).sum();
    let told = data.iter().filter(|byte| **byte != 0).count();
    if printable * 2 >= told && first.len() * 2 >= printable {
        first.iter().map(|byte| char::from(*byte)).collect()
    } else {
        hex::encode_upper(data)
    }
}

/// Whether a frame of SAE J1939 is text that an asterisk ends, and nothing behind it but filling.
fn is_field(data: &[u8]) -> bool {
    let is_text = |byte: &u8| byte.is_ascii_graphic() || *byte == b' ';
    let mut parts = data.splitn(2, |byte| *byte == b'*');
    let (Some(field), Some(filling)) = (parts.next(), parts.next()) else { return false };
    field.iter().all(is_text)
        && [0x00, 0xFF].iter().any(|own| filling.iter().all(|byte| byte == own))
}

/// Whether an answer is of the length of a VIN: 17 characters (ISO 3779:2009, 5; ISO 14229-1:2020,
/// table C.1, F190; SAE J1979, service 09). One of another length is in the maker's own format, a
/// part of the VIN or another number, and says nothing of the vehicle that its module is from.
pub(crate) fn has_vin_length(text: &str) -> bool {
    text.len() == 17
}

/// Whether an answer is all zeros, as of modules that were never told a VIN.
pub(crate) fn is_blank(text: &str) -> bool {
    text.bytes().all(|byte| byte == b'0')
}

/// Whether a text may be a VIN in the writing of a user: 17 letters, in capitals or not, and digits
/// without I, O and Q (ISO 3779:2009, 5).
pub(crate) fn has_vin_form(text: &str) -> bool {
    let fits =
        |byte: u8| byte.is_ascii_alphanumeric() && !b"IOQ".contains(&byte.to_ascii_uppercase());
    has_vin_length(text) && text.bytes().all(fits)
}

/// Whether a module may give a text as its VIN: it has the form of one, in capitals, and is not all
/// zeros, as in modules that were never told theirs.
///
/// ```
/// use lostnode::fold::diagnostics::is_vin;
/// assert!(is_vin("XXTESTXXA0N000042"));
/// assert!(!is_vin("XXTESTXXA0N00004O"));
/// ```
pub fn is_vin(text: &str) -> bool {
    has_vin_form(text) && !is_blank(text) && !text.bytes().any(|byte| byte.is_ascii_lowercase())
}

impl Identities {
    /// Takes a whole message of the diagnostic transport.
    pub(super) fn push(&mut self, message: &Message<'_>) {
        if !message.from_module {
            return;
        }
        let uds::Message::Positive { service, data } = uds::Message::parse(message.data) else {
            return;
        };
        let module = Module { channel: message.channel, party: message.from };
        let now = message.time.map_or(0, |time| time.nanoseconds());
        match (service.id, data) {
            (0x01, _) => self.supply(module, now, obd::answers(data)),
            (0x22, [0xF4, ..]) => self.supply(module, now, obd::identified(data)),
            (0x09, [kind, count, rest @ ..]) => {
                self.vehicle_information(module, *kind, *count, rest)
            }
            (0x22, [0xF8, ..]) => {
                if let Some((kind, rest)) = obd::vehicle_information(data) {
                    // A record of its own has all its items, whatever their number.
                    self.vehicle_information(module, kind, u8::MAX, rest);
                }
            }
            (0x22, [high, low, rest @ ..]) => {
                self.identification(module, u16::from_be_bytes([*high, *low]), rest)
            }
            (0x1A, [option, rest @ ..]) => {
                self.identification(module, 0xF100 | u16::from(*option), rest)
            }
            _ => {}
        }
    }

    /// Voltages of the supply among PIDs with their data.
    fn supply<'d>(
        &mut self,
        module: Module,
        now: Nanoseconds,
        pids: impl Iterator<Item = (u8, &'d [u8])>,
    ) {
        let source = Source { module, group: false };
        for (pid, bytes) in pids.filter(|(pid, _)| *pid == 0x42) {
            obd::values(pid, bytes).for_each(|value| self.supply.push(now, value.value, source));
        }
    }

    /// Service 09 (SAE J1979, 7.9): the second byte counts the items.
    fn vehicle_information(&mut self, module: Module, kind: u8, count: u8, data: &[u8]) {
        if kind.is_multiple_of(0x20) {
            return;
        }
        let Some(identity) = self.module(module, IdentitySource::VehicleInformation) else {
            return;
        };
        let count = usize::from(count.max(1));
        match kind {
            0x02 => identity.vin = Some(text(data)),
            0x04 => {
                identity.calibration_ids =
                    data.chunks(16).take(count).map(text).filter(|text| !text.is_empty()).collect()
            }
            0x06 => {
                identity.verification_numbers =
                    data.chunks_exact(4).take(count).map(hex::encode_upper).collect()
            }
            0x0A => identity.name = Some(text(data)).filter(|text| !text.is_empty()),
            _ => {}
        }
    }

    /// Identification records F180 to F19E (ISO 14229-1:2020, table C.1).
    fn identification(&mut self, module: Module, did: u16, data: &[u8]) {
        let Some(name) = uds::identification(did) else { return };
        let Some(identity) = self.module(module, IdentitySource::Record(did)) else { return };
        match did {
            0xF190 => identity.vin = Some(text(data)),
            0xF187 => identity.part_number = Some(text(data)).filter(|text| !text.is_empty()),
            0xF197 => identity.name = Some(text(data)).filter(|text| !text.is_empty()),
            0xF186 => {}
            _ => {
                identity.others.insert(name, text(data));
            }
        }
    }

    /// Takes a group of SAE J1939.
    pub(super) fn push_j1939(&mut self, message: &Message<'_>, pgn: u32) {
        let module = Module { channel: message.channel, party: message.from };
        let now = message.time.map_or(0, |time| time.nanoseconds());
        match pgn {
            j1939::ELECTRICAL_POWER => {
                if let Some(volts) = j1939::battery_potential(message.data) {
                    self.supply.push(now, volts, Source { module, group: true });
                }
            }
            j1939::ADDRESS_CLAIMED => {
                let Some(name) = j1939::Name::parse(message.data) else { return };
                let Some(identity) = self.in_group(module, IdentitySource::AddressClaim) else {
                    return;
                };
                if !identity.claims.contains(&name) && identity.claims.len() < 8 {
                    identity.claims.push(name);
                }
                if let Party::Address(address) = message.from {
                    let channel = message.channel;
                    self.claims.push(Claim { time: now, channel, address, name });
                }
            }
            // A VIN and the asterisk that ends it (J1939-71) need more than one frame, and come
            // when somebody asks. What one frame holds is a message of the maker's.
            j1939::VEHICLE_IDENTIFICATION if message.length > 8 || is_field(message.data) => {
                let vin = text(message.data.split(|byte| *byte == b'*').next().unwrap_or(&[]));
                if let Some(identity) = self.in_group(module, IdentitySource::VehicleIdentification)
                {
                    identity.vin = Some(vin);
                }
            }
            j1939::COMPONENT_IDENTIFICATION | j1939::SOFTWARE_IDENTIFICATION => {
                let (source, name) = match pgn {
                    j1939::COMPONENT_IDENTIFICATION => {
                        (IdentitySource::Component, "component identification")
                    }
                    _ => (IdentitySource::Software, "software identification"),
                };
                let fields: Vec<String> = message
                    .data
                    .split(|byte| *byte == b'*')
                    .map(text)
                    .filter(|text| !text.is_empty())
                    .collect();
                if let Some(identity) = self.in_group(module, source) {
                    if source == IdentitySource::Component {
                        identity.part_number =
                            fields.get(1).cloned().or(identity.part_number.take());
                    }
                    identity.others.insert(name, fields.join(", "));
                }
            }
            _ => {}
        }
    }

    fn module(&mut self, module: Module, source: IdentitySource) -> Option<&mut Identity> {
        self.order(module);
        entry(&mut self.modules, module, source)
    }

    fn in_group(&mut self, module: Module, source: IdentitySource) -> Option<&mut Identity> {
        self.order(module);
        entry(&mut self.by_group, module, source)
    }

    fn order(&mut self, module: Module) {
        let known = self.modules.contains_key(&module) || self.by_group.contains_key(&module);
        if !known && self.order.len() < MOST_MODULES {
            self.order.push(module);
        }
    }

    /// Forgets all of a module.
    pub(super) fn forget(&mut self, module: Module) {
        self.modules.remove(&module);
        self.order.retain(|other| *other != module);
        self.supply.forget(|source| source.module == module);
    }

    /// Takes what groups of SAE J1939 said on channels that speak it, and forgets the rest.
    pub(super) fn settle_j1939(&mut self, speaks: &dyn Fn(ChannelIndex) -> bool) {
        for (module, identity) in std::mem::take(&mut self.by_group) {
            if speaks(module.channel) {
                self.modules.entry(module).or_default().join(identity);
            }
        }
        self.supply.forget(|source| source.group && !speaks(source.module.channel));
        self.claims.settle(speaks);
        self.settle_addresses();
    }

    /// Who says that it has no address speaks of the one that it had, or wanted.
    fn settle_addresses(&mut self) {
        for given_up in self.claims.given_up() {
            let module =
                |address| Module { channel: given_up.channel, party: Party::Address(address) };
            if let Some(identity) = self.modules.get_mut(&module(given_up.address)) {
                identity.gave_up_address = Some(given_up);
            }
            let nobody = module(j1939::NULL_ADDRESS);
            if let Some(identity) = self.modules.get_mut(&nobody) {
                identity.claims.retain(|name| *name != given_up.from);
                if identity.claims.is_empty() {
                    self.modules.remove(&nobody);
                    self.order.retain(|other| *other != nobody);
                }
            }
        }
        for (module, identity) in &mut self.modules {
            match module.party {
                Party::Address(j1939::NULL_ADDRESS) => {
                    let unplaced = |name: &j1939::Name| {
                        let wanted = self.claims.wanted(module.channel, *name);
                        Unplaced { name: *name, wanted }
                    };
                    let open =
                        |name: &&j1939::Name| self.claims.is_unplaced(module.channel, **name);
                    let names = identity.claims.iter().filter(open);
                    identity.cannot_claim = names.map(unplaced).collect();
                }
                Party::Address(address) => {
                    identity.contested = self.claims.contested(module.channel, address);
                }
                _ => {}
            }
        }
    }

    /// The vehicle's VIN and the modules that have another or none.
    pub fn vehicle(&self) -> Vehicle {
        let vins: Vec<(Module, &str)> = self
            .order
            .iter()
            .filter_map(|module| Some((*module, self.modules.get(module)?.vin.as_deref()?)))
            .collect();
        let votes = |vin: &str| vins.iter().filter(|(_, other)| *other == vin).count();
        let valid = || vins.iter().map(|(_, vin)| *vin).filter(|vin| is_vin(vin));
        let most = valid().map(votes).max();
        let mut leading = valid().filter(|vin| Some(votes(vin)) == most);
        // Which of two is the vehicle's nothing tells, and least of all who spoke first.
        let best = leading.next().filter(|first| leading.all(|other| other == *first));
        let conflicts = vins
            .iter()
            .filter(|(_, vin)| Some(*vin) != best && (has_vin_length(vin) || is_blank(vin)));
        Vehicle {
            vin: best.map(str::to_owned),
            conflicts: conflicts.map(|(module, vin)| (*module, (*vin).to_owned())).collect(),
        }
    }
}

/// The entry of a module, with one more source, while there is room.
fn entry(
    modules: &mut BTreeMap<Module, Identity>,
    module: Module,
    source: IdentitySource,
) -> Option<&mut Identity> {
    if modules.len() >= MOST_MODULES && !modules.contains_key(&module) {
        return None;
    }
    let identity = modules.entry(module).or_default();
    if !identity.sources.contains(&source) && identity.sources.len() < 16 {
        identity.sources.push(source);
    }
    Some(identity)
}

#[cfg(test)]
mod tests {
    use super::text;

    #[test]
    fn a_text_ends_where_it_ends() {
        for (data, said) in [
            (&b"A2059001234\0\0\x12KX9"[..], "A2059001234"),
            (b"SN42\0\xFFGARB", "SN42"),
            (b"\x01 SW 12 \0\0", "SW 12"),
            (b"\0\0\0XXTESTXXA0N000042", "XXTESTXXA0N000042"),
            (b"A 205 900 12 34  ", "A 205 900 12 34"),
            // Numbers, of which some happen to be letters.
            (b"\x01A\x02B\x03C", "014102420343"),
            (b"\x01\x02\x03\x04A", "0102030441"),
            (b"\xFF\xFF\0\0", ""),
        ] {
            assert_eq!(text(data), said);
        }
    }
}
