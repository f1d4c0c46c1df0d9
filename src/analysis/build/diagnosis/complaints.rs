//! Whom a code means that says that software does not fit: who holds it, or another.

use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::dtc::Code;

use super::problems;
use crate::analysis::blame::Missed;
use crate::analysis::diagnosis::CodeEntry;
use crate::fold::diagnostics::{CodeNumber, Diagnostics, Module, Party, meaning};

/// Who misses so many is cut off itself, or a stranger among those that it knows not.
const MANY: usize = 3;

/// So many miss what is in question: whom one alone misses, that one may have had in another
/// vehicle.
const AGREE: usize = 2;

/// Settles who is meant by each; `vin` is that of the vehicle.
pub(super) fn settle(diagnostics: &Diagnostics, vin: Option<&str>, codes: &mut [CodeEntry]) {
    let known = known(diagnostics, vin, codes);
    if known.is_empty() {
        mean_the_missed(codes);
        return;
    }
    // Where a module is known to be of another vehicle, or says by another code that it is not
    // configured, the others complain about it.
    for code in codes.iter_mut().filter(|code| complaint(code).is_some()) {
        let of_another = known.iter().any(|module| *module != code.module);
        code.unconfigured &= !of_another || known.contains(&code.module);
    }
}

/// The number of a code that says that software does not fit, without its failure type.
fn complaint(code: &CodeEntry) -> Option<Code> {
    match code.number {
        CodeNumber::Code(number) if meaning::is_misfit(number) => {
            Some(Code::new(number.base(), None))
        }
        _ => None,
    }
}

/// Modules that are known to be of another vehicle, or not configured.
fn known(diagnostics: &Diagnostics, vin: Option<&str>, codes: &[CodeEntry]) -> BTreeSet<Module> {
    let by_number = diagnostics
        .identities
        .modules
        .iter()
        .filter(|(_, identity)| !problems(identity, vin, false).is_empty());
    let says_so =
        |code: &&CodeEntry| code.unconfigured && code.gone.is_none() && complaint(code).is_none();
    let by_code = codes.iter().filter(says_so);
    by_number.map(|(module, _)| *module).chain(by_code.map(|code| code.module)).collect()
}

/// Who misses one module now and holds such a code beside found that one not to fit: it sends what
/// its own vehicle had it send. Each number is about one module, so that all who hold it mean the
/// same. Who misses nobody says it of itself. Of 14 such modules of six invented vehicles of two
/// authors that were called strangers none was, and in five of the six the missed one was (first
/// sets).
fn mean_the_missed(codes: &mut [CodeEntry]) {
    let misses = missed_by(codes);
    let mut all: BTreeMap<Code, BTreeSet<Module>> = BTreeMap::new();
    for code in codes.iter().filter(|code| code.is_present()) {
        if let Some(number) = complaint(code) {
            all.entry(number).or_default().insert(code.module);
        }
    }
    for (number, holders) in all {
        let told = holders.iter().filter_map(|holder| misses.get(holder));
        let few = told.filter(|missed| missed.len() < MANY);
        let common = few.cloned().reduce(|a, b| &a & &b).unwrap_or_default();
        let mut common = common.into_iter();
        let (Some(one), None) = (common.next(), common.next()) else { continue };
        if reporters(codes, &one) < AGREE {
            continue;
        }
        let same = |code: &&CodeEntry| code.missed.as_ref() == Some(&one);
        let miss_it: BTreeSet<Module> = codes.iter().filter(same).map(|code| code.module).collect();
        // A number of the standard that names another is never of who holds it.
        let names_another = meaning::is_of_another(number);
        for code in codes.iter_mut().filter(|code| complaint(code) == Some(number)) {
            if code.gone.is_none() && (miss_it.contains(&code.module) || names_another) {
                code.unconfigured = false;
                code.misfit = Some(one.clone());
            }
        }
    }
}

/// Whom each module misses now. Who says by addresses whom it misses (SAE J1939) names the same
/// modules in other words beside.
fn missed_by(codes: &[CodeEntry]) -> BTreeMap<Module, BTreeSet<Missed>> {
    let now = || codes.iter().filter(|code| code.is_present() && code.event.is_none());
    let by_address: BTreeSet<Module> =
        now().filter(|code| code.missed_address.is_some()).map(|code| code.module).collect();
    let mut out: BTreeMap<Module, BTreeSet<Missed>> = BTreeMap::new();
    for code in now() {
        let counts = code.missed_address.is_some() || !by_address.contains(&code.module);
        if let Some(missed) = code.missed.as_ref().filter(|_| counts) {
            out.entry(code.module).or_default().insert(missed.clone());
        }
    }
    out
}

/// How many hold a code that misses a module; who answers on two of its buses is one.
fn reporters(codes: &[CodeEntry], missed: &Missed) -> usize {
    let own = codes.iter().filter(|code| code.missed.as_ref() == Some(missed));
    own.map(|code| code.module.party).collect::<BTreeSet<Party>>().len()
}
