//! Sentences about who a module says it is, and about its address.

use lostnode_parsers::j1939;

use crate::analysis::diagnosis::{IdentityProblem, Unplaced};

/// What is wrong with a module's identification.
pub fn problem(problem: &IdentityProblem) -> String {
    match problem {
        IdentityProblem::BlankVin => {
            "its VIN is blank: new, or not configured to this vehicle".to_owned()
        }
        IdentityProblem::OtherVin(vin) => format!(
            "it carries another vehicle's VIN, {vin}: probably a used module that was not \
             configured to this vehicle"
        ),
        IdentityProblem::TiedVin(vin) => format!(
            "it carries VIN {vin}, and as many modules carry another: compare both with the \
             vehicle's plate"
        ),
        IdentityProblem::NoVin(vin) => {
            format!("what it gives as its VIN does not have the form of one: {vin}")
        }
        IdentityProblem::Unconfigured => {
            "it holds a code that says it is not programmed or not configured".to_owned()
        }
        IdentityProblem::AddressClaims(units) => {
            format!("{units} units claim this address, and only one can keep it: {SET_TO_ONE}")
        }
        IdentityProblem::GaveUpAddress { to } => format!(
            "its unit had to give up this address to another one with a lower NAME{}: {SET_TO_ONE}",
            to.map_or(String::new(), |to| format!(" and goes on as address 0x{to:02X}"))
        ),
        IdentityProblem::CannotClaim(units) => {
            let units: Vec<String> = units.iter().map(without_address).collect();
            format!("{}: {SET_TO_ONE}", units.join("; "))
        }
    }
}

/// How two units come to want one address.
const SET_TO_ONE: &str = "two units are set to one address (address pins, the same part twice, a \
     unit added by a body builder)";

/// What is known of a unit without an address: nobody there can be asked.
fn without_address(unit: &Unplaced) -> String {
    let Unplaced { name, wanted } = unit;
    let wanted = wanted.map_or(String::new(), |address| {
        let usual = j1939::address_name(address).map_or(String::new(), |name| format!(" ({name})"));
        format!(", wanted 0x{address:02X}{usual}, which another unit has")
    });
    let identity = match name.identity() {
        0 => String::new(),
        identity => format!(", identity number {identity}"),
    };
    format!(
        "a unit could not claim an address (manufacturer code {}, function {}{identity}){wanted}",
        name.manufacturer(),
        name.function(),
    )
}
