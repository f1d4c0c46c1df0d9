//! What a code says, put together for a reader.

use lostnode_parsers::dtc::{Code, System};
use lostnode_parsers::j1939;

use super::diagnosis::meaning_text;
use crate::analysis::finding::Caution;
use crate::fault::advice::{self, Pointer};
use crate::fold::diagnostics::CodeNumber;
use crate::fold::diagnostics::meaning::{self, ParameterAbout};

/// A code, explained.
#[derive(Clone, Debug)]
pub struct Explanation {
    /// The code as it is written.
    pub code: String,
    /// What kind of code it is.
    pub kind: String,
    /// What it means; `None` where no table knows it.
    pub meaning: Option<String>,
    /// Failure type or failure mode: its number, and what it means where that is known.
    pub failure: Option<(String, Option<&'static str>)>,
    /// What it points at, and where that is from.
    pub pointer: &'static Pointer,
    /// What to be careful of.
    pub cautions: Vec<&'static Caution>,
}

impl Explanation {
    /// Explains a code; a suspect parameter may come without its failure mode.
    pub fn of(code: Asked) -> Explanation {
        match code {
            Asked::Whole(CodeNumber::Code(code)) => of_code(code),
            Asked::Whole(CodeNumber::SpnFmi { spn, fmi }) => of_spn(spn, Some(fmi)),
            Asked::Parameter(spn) => of_spn(spn, None),
        }
    }
}

/// What somebody asks about.
#[derive(Clone, Copy, Debug)]
pub enum Asked {
    /// A code.
    Whole(CodeNumber),
    /// A suspect parameter without its failure mode.
    Parameter(u32),
}

fn of_code(code: Code) -> Explanation {
    let system = match code.system() {
        System::Powertrain => "powertrain",
        System::Chassis => "chassis",
        System::Body => "body",
        System::Network => "network",
    };
    let owner = match (code.is_generic(), code.is_reserved()) {
        (true, _) => "generic",
        (_, true) => "reserved by the standard",
        _ => "of the maker",
    };
    Explanation {
        code: code.to_string(),
        kind: format!("{system} code, {owner}"),
        meaning: meaning::of(code).map(meaning_text),
        failure: code
            .failure_type()
            .map(|byte| (format!("{byte:02X}"), meaning::failure_type(byte))),
        pointer: advice::points_at(code),
        cautions: advice::cautions_of(code),
    }
}

fn of_spn(spn: u32, fmi: Option<u8>) -> Explanation {
    let meaning = meaning::suspect_parameter(spn).map(|(name, about)| match about {
        ParameterAbout::Module(address) => {
            let name = if name.is_empty() { String::new() } else { format!(" ({name})") };
            format!("the module at source address 0x{address:02X}{name}, from memory")
        }
        _ => name.to_owned(),
    });
    Explanation {
        code: match fmi {
            Some(fmi) => format!("SPN {spn} FMI {fmi}"),
            None => format!("SPN {spn}"),
        },
        kind: "code of SAE J1939-73".to_owned(),
        meaning,
        failure: fmi.map(|fmi| (fmi.to_string(), j1939::failure_mode(fmi))),
        pointer: advice::spn_points_at(spn, fmi),
        cautions: advice::cautions_of_spn(spn),
    }
}
