//! What a code points at, and the usual cautions, from `advice.toml`.

use std::sync::LazyLock;

use lostnode_parsers::dtc::{Code, System};
use serde::Deserialize;

use crate::analysis::finding::{Caution, ClassName};
use crate::fold::diagnostics::meaning::{self, Meaning, ParameterAbout};

/// A caution, and what it hangs on.
#[derive(Clone, Debug, Deserialize)]
struct Entry {
    #[serde(default)]
    words: Vec<String>,
    #[serde(default)]
    codes: Vec<CodeRange>,
    #[serde(default)]
    classes: Vec<ClassName>,
    /// Tests that call for one of these cautions are not offered for what carries this one.
    #[serde(default)]
    bars: Vec<String>,
    #[serde(flatten)]
    caution: Caution,
}

/// Codes from one letter and two digits to another, such as `P0A-P0F`.
#[derive(Clone, Debug, Deserialize)]
#[serde(try_from = "String")]
struct CodeRange {
    first: String,
    last: String,
}

impl TryFrom<String> for CodeRange {
    type Error = String;

    fn try_from(text: String) -> Result<CodeRange, String> {
        match text.split_once('-') {
            Some((first, last)) if first.len() == 3 && last.len() == 3 => {
                Ok(CodeRange { first: first.to_owned(), last: last.to_owned() })
            }
            _ => Err(text),
        }
    }
}

impl CodeRange {
    fn contains(&self, code: Code) -> bool {
        let begin = &Code::new(code.base(), None).to_string()[..3];
        (self.first.as_str()..=self.last.as_str()).contains(&begin)
    }
}

/// What codes of a kind point at.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pointer {
    kind: CodeKind,
    /// In words.
    pub text: String,
    /// Where it is from.
    pub source: String,
}

/// What a code is about, as far as its number tells.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq)]
#[serde(rename_all = "snake_case")]
enum CodeKind {
    Unconfigured,
    Supply,
    MissingMessage,
    BusOff,
    OpenOrShort,
    /// The module says that it is faulty inside.
    Internal,
    Bus,
    BusMissing,
    BusInError,
    OtherBus,
    J1708,
    SupplyHigh,
    SupplyVoltage,
    Charge,
    Resets,
    Software,
    Lost,
    Invalid,
    Other,
}

/// What modules with a switch for their user are called.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OwnSwitch {
    words: Vec<String>,
    /// Where they are from.
    #[expect(dead_code, reason = "for who reads the table")]
    source: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Advice {
    caution: Vec<Entry>,
    own_switch: OwnSwitch,
    points_at: Vec<Pointer>,
}

static ADVICE: LazyLock<Advice> =
    LazyLock::new(|| toml::from_str(include_str!("advice.toml")).expect("the table is tested"));

/// Cautions that a text touches: the name of a module, or the meaning of a code.
///
/// ```
/// use lostnode::fault::advice::cautions;
/// let found: Vec<_> = cautions("Restraints Control Module").map(|caution| &caution.id).collect();
/// assert_eq!(found, ["restraints"]);
/// assert!(cautions("gauge").next().is_none());
/// ```
pub fn cautions(text: &str) -> impl Iterator<Item = &'static Caution> + use<> {
    let text = text.to_lowercase();
    those(move |entry| entry.words.iter().any(|word| begins(&text, word)))
}

/// Whether what carries a caution is not to be tested by a test, which calls for `others`.
///
/// ```
/// use lostnode::fault::advice::bars;
/// assert!(bars("restraints", "connector_pins", &["unplug".to_owned()]));
/// assert!(bars("restraints", "supply_under_load", &[]));
/// assert!(!bars("restraints", "internal", &["tester".to_owned()]));
/// assert!(!bars("brakes", "connector_pins", &["unplug".to_owned()]));
/// ```
pub fn bars(caution: &str, test: &str, others: &[String]) -> bool {
    let own = ADVICE.caution.iter().filter(|entry| entry.caution.id == caution);
    own.flat_map(|entry| &entry.bars).any(|barred| barred == test || others.contains(barred))
}

/// Whether the name of a module is one of those that their user can switch off.
///
/// ```
/// use lostnode::fault::advice::has_own_switch;
/// assert!(has_own_switch("Radio"));
/// assert!(!has_own_switch("brakes"));
/// ```
pub fn has_own_switch(name: &str) -> bool {
    let name = name.to_lowercase();
    ADVICE.own_switch.words.iter().any(|word| begins(&name, word))
}

/// Whether a word of a text in small letters begins so.
fn begins(text: &str, word: &str) -> bool {
    // A short word stands alone: `abs` is not in "absolute".
    let whole =
        |at: usize| word.len() > 3 || !text[at + word.len()..].starts_with(char::is_alphanumeric);
    text.match_indices(word)
        .any(|(at, _)| !text[..at].ends_with(char::is_alphanumeric) && whole(at))
}

/// Cautions of a code: by what it means, by the range its number lies in, and that it may be
/// anything where no table has its meaning.
///
/// ```
/// use lostnode::fault::advice::cautions_of;
/// use lostnode::parsers::dtc::Code;
/// let ids = |code| cautions_of(Code::parse(code).unwrap()).into_iter().map(|found| &found.id);
/// assert_eq!(ids("B0051").collect::<Vec<_>>(), ["restraints"]);
/// assert_eq!(ids("P1A10").collect::<Vec<_>>(), ["high_voltage", "unknown"]);
/// ```
pub fn cautions_of(code: Code) -> Vec<&'static Caution> {
    let mut out: Vec<&'static Caution> =
        those(move |entry| entry.codes.iter().any(|range| range.contains(code))).collect();
    let text = match meaning::of(code) {
        Some(
            Meaning::Lost(text)
            | Meaning::Invalid(text)
            | Meaning::Software(text)
            | Meaning::Text(text),
        ) => text,
        None => {
            out.push(caution("unknown"));
            return out;
        }
    };
    for found in cautions(text) {
        if !out.iter().any(|known| known.id == found.id) {
            out.push(found);
        }
    }
    out
}

/// Cautions of a class of findings.
pub fn cautions_of_class(class: &ClassName) -> impl Iterator<Item = &'static Caution> + use<> {
    let class = class.clone();
    those(move |entry| entry.classes.contains(&class))
}

fn those(wanted: impl Fn(&Entry) -> bool) -> impl Iterator<Item = &'static Caution> {
    ADVICE.caution.iter().filter(move |entry| wanted(entry)).map(|entry| &entry.caution)
}

/// The caution of that short name.
pub fn named(id: &str) -> Option<&'static Caution> {
    those(|entry| entry.caution.id == id).next()
}

fn caution(id: &str) -> &'static Caution {
    named(id).expect("the table is tested")
}

/// The caution about sending on a bus.
pub fn transmitting() -> &'static Caution {
    caution("transmit")
}

/// The caution about a road test.
pub fn driving() -> &'static Caution {
    caution("road_test")
}

/// The caution about unplugging modules one after another to learn their names.
pub fn unplugging() -> &'static Caution {
    caution("naming")
}

/// What holds for every report: the maker first, and who may have sent.
pub fn general() -> [&'static Caution; 2] {
    ["general", "sending"].map(caution)
}

/// What holds for a module of which nobody knows what it is.
pub fn unknown() -> &'static Caution {
    caution("unknown")
}

/// What a code points at.
///
/// ```
/// use lostnode::fault::advice::points_at;
/// use lostnode::parsers::dtc::Code;
/// assert!(points_at(Code::parse("U0100").unwrap()).text.contains("is not heard"));
/// ```
pub fn points_at(code: Code) -> &'static Pointer {
    let kind = match (code.system(), code.failure_type()) {
        // A module's own software that does not fit: after an update as well as after a swap.
        (System::Network, None | Some(0)) if code.base() == [0xC3, 0x00] => CodeKind::Software,
        _ if meaning::is_unconfigured(code) => CodeKind::Unconfigured,
        _ if meaning::is_supply(code) => CodeKind::Supply,
        (_, Some(0x87)) => CodeKind::MissingMessage,
        (_, Some(0x88)) => CodeKind::BusOff,
        (_, Some(0x11..=0x1F)) => CodeKind::OpenOrShort,
        (_, Some(0x41..=0x49)) => CodeKind::Internal,
        (System::Network, _) => match (meaning::of(code), code.base()[0] & 0x3F) {
            (Some(Meaning::Text(_)) | None, 0) => CodeKind::Bus,
            (Some(Meaning::Text(_)), 3) | (Some(Meaning::Software(_)), _) => CodeKind::Software,
            (Some(Meaning::Lost(_)), _) => CodeKind::Lost,
            (Some(Meaning::Invalid(_)), _) => CodeKind::Invalid,
            _ => CodeKind::Other,
        },
        _ => CodeKind::Other,
    };
    ADVICE.points_at.iter().find(|pointer| pointer.kind == kind).expect("the table is tested")
}

/// What a suspect parameter with its failure mode points at.
///
/// ```
/// use lostnode::fault::advice::spn_points_at;
/// assert!(spn_points_at(639, Some(3)).text.contains("The bus itself"));
/// assert!(spn_points_at(639, Some(9)).text.contains("stayed away"));
/// assert!(spn_points_at(2011, Some(9)).text.contains("is not heard"));
/// assert!(spn_points_at(168, Some(0)).text.contains("too high"));
/// ```
pub fn spn_points_at(spn: u32, fmi: Option<u8>) -> &'static Pointer {
    use ParameterAbout::{Bus, Charge, J1708, Module, OtherBus, Resets, Supply};
    let about = meaning::suspect_parameter(spn).map(|(_, about)| about);
    // Failure modes: SAE J1939-73, appendix A.
    let kind = match (about, fmi) {
        // Messages that stay away or are in error are no matter of levels and terminations.
        (Some(Bus | OtherBus), Some(9)) => CodeKind::BusMissing,
        (Some(Bus | OtherBus), Some(19)) => CodeKind::BusInError,
        (Some(Bus), _) => CodeKind::Bus,
        (Some(OtherBus), _) => CodeKind::OtherBus,
        (Some(J1708), _) => CodeKind::J1708,
        // Below normal, voltage low, drifted low; erratic, which a loose feed is too.
        (Some(Supply), Some(1 | 2 | 4 | 17 | 18 | 21)) => CodeKind::Supply,
        // Above normal, voltage high, drifted high.
        (Some(Supply), Some(0 | 3 | 15 | 16 | 20)) => CodeKind::SupplyHigh,
        (Some(Supply), None) => CodeKind::SupplyVoltage,
        (Some(Charge), fmi) if !matches!(fmi, Some(3..=6)) => CodeKind::Charge,
        (Some(Resets), _) => CodeKind::Resets,
        // Received network data in error: something came.
        (_, Some(19)) => CodeKind::Invalid,
        (Some(Module(_)), _) => CodeKind::Lost,
        // Abnormal update rate.
        (_, Some(9)) => CodeKind::MissingMessage,
        (_, Some(3..=6)) => CodeKind::OpenOrShort,
        _ => CodeKind::Other,
    };
    ADVICE.points_at.iter().find(|pointer| pointer.kind == kind).expect("the table is tested")
}

/// Cautions of a suspect parameter: by its name, and that it may be anything where that is not
/// known.
pub fn cautions_of_spn(spn: u32) -> Vec<&'static Caution> {
    match meaning::suspect_parameter(spn) {
        Some((name, _)) if !name.is_empty() => cautions(name).collect(),
        _ => vec![caution("unknown")],
    }
}

/// The same, none where its name is not known: beside what it was found with that is known.
pub(crate) fn cautions_of_known_spn(spn: u32) -> impl Iterator<Item = &'static Caution> {
    cautions(meaning::suspect_parameter(spn).map_or("", |(name, _)| name))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::Knowledge;

    #[test]
    fn each_kind_of_code_points_somewhere() {
        for (code, part) in [
            ("U0199", "is not heard"),
            ("U0073", "The bus itself"),
            ("U0401", "marked invalid"),
            ("U0300", "does not match"),
            ("P0562", "then clear it and read again"),
            ("P0602", "Configure it"),
            ("U0199-87", "one message of that module, or all of them"),
            ("U0199-56", "not configured"),
            ("U3510", "not configured"),
            ("U0199-88", "off the bus"),
            ("B1234-13", "one circuit"),
            ("P0606-49", "Prove its supply and ground under load first"),
            ("P0300", "Nothing further is known"),
        ] {
            let text = &points_at(Code::parse(code).unwrap()).text;
            assert!(text.contains(part), "{code}: {text}");
        }
        assert!(!transmitting().text.is_empty() && !transmitting().source.is_empty());
    }

    #[test]
    fn a_word_begins_where_a_word_begins() {
        let ids = |text| cautions(text).map(|caution| caution.id.as_str()).collect::<Vec<_>>();
        assert_eq!(ids("Electric Park Brake Module"), ["parking_brake", "brakes"]);
        assert!(ids("Absolute pressure").is_empty());
        assert!(ids("crab sensor").is_empty());
    }

    /// No caution is out of reach, and each can stand beside a test.
    #[test]
    fn every_caution_hangs_on_something() {
        let knowledge = Knowledge::built_in();
        let tests = knowledge.test.values().flat_map(|test| &test.cautions);
        let covers = knowledge.access.values().flat_map(|access| &access.cautions);
        let used: Vec<&String> = tests.chain(covers).collect();
        let alone = ["general", "sending", "unknown", "transmit", "naming"];
        for entry in &ADVICE.caution {
            let Caution { id, brief, text, source } = &entry.caution;
            let hangs = !entry.words.is_empty()
                || !entry.codes.is_empty()
                || !entry.classes.is_empty()
                || used.contains(&id)
                || alone.contains(&id.as_str());
            assert!(hangs, "{id}");
            assert!(brief.chars().count() <= 80 && !text.is_empty() && !source.is_empty(), "{id}");
        }
        let classes = ADVICE.caution.iter().flat_map(|entry| &entry.classes);
        assert!(classes.into_iter().all(|class| knowledge.class.contains_key(class)));
    }

    /// Every built-in test has a caution of its own or of what has to be opened for it.
    #[test]
    fn every_test_has_a_caution() {
        let knowledge = Knowledge::built_in();
        for (name, test) in &knowledge.test {
            let access = &knowledge.access[&test.access];
            assert!(!test.cautions.is_empty() || !access.cautions.is_empty(), "{name}");
        }
    }
}
