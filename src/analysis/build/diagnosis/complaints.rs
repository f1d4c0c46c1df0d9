//! Whom a code means that says that software does not fit: who holds it, or another.

use std::collections::{BTreeMap, BTreeSet};

use lostnode_parsers::dtc::Code;

use super::problems;
use crate::analysis::blame::Missed;
use crate::analysis::diagnosis::{CodeAge, CodeEntry};
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
    let now = missed_by(codes, CodeEntry::is_present);
    // Where none of them misses anybody now, whom they missed before: it sends some at times.
    let ever = missed_by(codes, |code| code.gone.is_none());
    let mut all: BTreeMap<Code, BTreeSet<Module>> = BTreeMap::new();
    for code in codes.iter().filter(|code| code.gone.is_none()) {
        if let Some(number) = complaint(code) {
            all.entry(number).or_default().insert(code.module);
        }
    }
    for (number, holders) in all {
        let common = [&now, &ever].into_iter().find_map(|misses| {
            let told = holders.iter().filter_map(|holder| misses.get(holder));
            let few = told.filter(|missed| missed.len() < MANY);
            few.cloned().reduce(|a, b| &a & &b)
        });
        let common = common.unwrap_or_default();
        let Some(one) = most_failing(codes, common) else { continue };
        if reporters(codes, &one) < AGREE {
            continue;
        }
        let same = |code: &&CodeEntry| code.missed.as_ref() == Some(&one);
        let miss_it: BTreeSet<Module> = codes.iter().filter(same).map(|code| code.module).collect();
        // A number of the standard that names another is never of who holds it.
        let names_another = meaning::is_of_another(number);
        // What several say alike is of that one, whoever says it.
        let alike = miss_it.intersection(&holders).map(|module| module.party);
        let told_alike = alike.collect::<BTreeSet<Party>>().len() >= AGREE;
        let all = names_another || told_alike;
        for code in codes.iter_mut().filter(|code| complaint(code) == Some(number)) {
            if code.gone.is_none() && (miss_it.contains(&code.module) || all) {
                code.unconfigured = false;
                code.misfit = Some(one.clone());
            }
        }
    }
}

/// The only one of these, or the one that most say is missed now.
fn most_failing(codes: &[CodeEntry], common: BTreeSet<Missed>) -> Option<Missed> {
    let most = common.iter().map(|one| fails(codes, one)).max()?;
    let alone = common.len() == 1;
    let mut best = common.into_iter().filter(|one| alone || most > 0 && fails(codes, one) == most);
    best.next().filter(|_| best.next().is_none())
}

/// How many say that a module is missed now; who answers on two of its buses is one.
fn fails(codes: &[CodeEntry], missed: &Missed) -> usize {
    parties(codes, |code| {
        code.missed.as_ref() == Some(missed) && code.age == CodeAge::Failing && code.gone.is_none()
    })
}

/// Whom each module misses, by these codes. Who says by addresses whom it misses (SAE J1939) names
/// the same modules in other words beside.
fn missed_by(
    codes: &[CodeEntry],
    counts: impl Fn(&CodeEntry) -> bool,
) -> BTreeMap<Module, BTreeSet<Missed>> {
    let own = || codes.iter().filter(|code| counts(code) && code.event.is_none());
    let by_address: BTreeSet<Module> =
        own().filter(|code| code.missed_address.is_some()).map(|code| code.module).collect();
    let mut out: BTreeMap<Module, BTreeSet<Missed>> = BTreeMap::new();
    for code in own() {
        let tells = code.missed_address.is_some() || !by_address.contains(&code.module);
        if let Some(missed) = code.missed.as_ref().filter(|_| tells) {
            out.entry(code.module).or_default().insert(missed.clone());
        }
    }
    out
}

/// How many hold a code that misses a module.
fn reporters(codes: &[CodeEntry], missed: &Missed) -> usize {
    parties(codes, |code| code.missed.as_ref() == Some(missed))
}

/// How many hold such a code; who answers on two of its buses is one.
fn parties(codes: &[CodeEntry], wanted: impl Fn(&CodeEntry) -> bool) -> usize {
    let own = codes.iter().filter(|code| wanted(code));
    own.map(|code| code.module.party).collect::<BTreeSet<Party>>().len()
}
