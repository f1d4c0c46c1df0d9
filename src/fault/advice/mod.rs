//! What a code points at, and the usual cautions, from `advice.toml`.

use std::sync::LazyLock;

use lostnode_parsers::dtc::{Code, System};
use serde::Deserialize;

use crate::fold::diagnostics::meaning::{self, Meaning};

/// A caution.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Caution {
    /// Its short name.
    pub id: String,
    words: Vec<String>,
    /// In words.
    pub text: String,
    /// Where it is from.
    pub source: String,
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
    Bus,
    Software,
    Lost,
    Invalid,
    Other,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Advice {
    caution: Vec<Caution>,
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
    let begins = move |word: &String| {
        // A short word stands alone: `abs` is not in "absolute".
        let whole = |at: usize| {
            word.len() > 3 || !text[at + word.len()..].starts_with(char::is_alphanumeric)
        };
        text.match_indices(word.as_str())
            .any(|(at, _)| !text[..at].ends_with(char::is_alphanumeric) && whole(at))
    };
    ADVICE.caution.iter().filter(move |caution| caution.words.iter().any(&begins))
}

/// The caution about sending on a bus.
pub fn transmitting() -> &'static Caution {
    ADVICE.caution.iter().find(|caution| caution.id == "transmit").expect("the table is tested")
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
        _ if meaning::is_unconfigured(code) => CodeKind::Unconfigured,
        _ if meaning::is_supply(code) => CodeKind::Supply,
        (_, Some(0x87)) => CodeKind::MissingMessage,
        (_, Some(0x88)) => CodeKind::BusOff,
        (_, Some(0x11..=0x1F)) => CodeKind::OpenOrShort,
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_of_code_points_somewhere() {
        for (code, part) in [
            ("U0199", "is not heard"),
            ("U0073", "The bus itself"),
            ("U0401", "marked invalid"),
            ("U0300", "does not match"),
            ("P0562", "Clear it and read again"),
            ("P0602", "Configure it"),
            ("U0199-87", "one message of that module, or all of them"),
            ("U0199-56", "not configured"),
            ("U3510", "not configured"),
            ("U0199-88", "off the bus"),
            ("B1234-13", "one circuit"),
            ("P0300", "No pointer"),
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
}
