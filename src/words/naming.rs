//! What came of names from unplugging, in words.

use lostnode_parsers::Id;

use super::terms::{id_label, listed, plural, short_duration};
use crate::analysis::Analysis;
use crate::analysis::blame::Missed;
use crate::analysis::diagnosis::Module;
use crate::learn::unplugged::{Named, Naming, NamingRemark, NotNamed};

/// Identifiers shown in a row.
const IDS: usize = 8;

/// What came of a name: a line, and lines that go under it.
pub struct Told {
    /// The name and what was found.
    pub heading: String,
    /// What else.
    pub lines: Vec<String>,
}

/// What came of a name.
pub fn naming(analysis: &Analysis, naming: &Naming) -> Told {
    let spans: Vec<String> =
        naming.spans.iter().map(|(from, to)| format!("{from}..{to}")).collect();
    let spans = format!("{} s", listed(&spans, "and"));
    match &naming.outcome {
        Ok(named) if named.ids.is_empty() => Told {
            heading: format!("{}: known by its address ({spans})", naming.name),
            lines: joined(analysis, named),
        },
        Ok(named) => Told {
            heading: format!(
                "{}: {} fell silent while it was unplugged ({spans})",
                naming.name,
                ids(&named.ids)
            ),
            lines: joined(analysis, named),
        },
        Err(why) => Told {
            heading: format!("{}: NOT named ({spans})", naming.name),
            lines: not_named(analysis, naming, why),
        },
    }
}

fn joined(analysis: &Analysis, named: &Named) -> Vec<String> {
    let answers = named.edit.answers.iter().map(|own| format!("answers a tester by {own}"));
    let missed = named.edit.missed_as.iter().map(|name| {
        let by = modules(analysis, &named.missed_by);
        format!("codes call it {name} (set then in {by})")
    });
    let remarks = named.remarks.iter().map(|own| remark(analysis, own));
    answers.chain(missed).chain(remarks).collect()
}

fn ids(all: &[Id]) -> String {
    let mut shown: Vec<String> = all.iter().take(IDS).map(|id| id_label(*id)).collect();
    if all.len() > IDS {
        shown.push(format!("{} more", all.len() - IDS));
    }
    listed(&shown, "and")
}

fn modules(analysis: &Analysis, all: &[Module]) -> String {
    let names: Vec<String> =
        all.iter().map(|module| analysis.module_name(*module).to_string()).collect();
    listed(&names, "and")
}

fn missed(all: &[Missed]) -> String {
    let names: Vec<String> = all.iter().map(|missed| missed.0.clone()).collect();
    listed(&names, "and")
}

/// What the reader of a new name should know.
fn remark(analysis: &Analysis, remark: &NamingRemark) -> String {
    match remark {
        NamingRemark::OneSilenceOnly => {
            "taken for one module because they fell silent and came back together; not all of \
             their clocks can be compared yet, so it stays `guessed` in the roster, unless you \
             wrote the node yourself. Where a fuse was pulled that feeds several modules, unplug \
             the module itself; a longer recording tells clocks apart"
                .to_owned()
        }
        NamingRemark::AddressOnly => {
            "nothing that it sends is heard at this connector, as behind a gateway; codes and \
             answers carry its name, a silence of its own cannot be seen"
                .to_owned()
        }
        NamingRemark::SilentElsewhere { times, first } => format!(
            "it fell silent at other times too ({}, first at {}); that it did so in each of the \
             stated times is what the name rests on",
            plural(*times, "time", "times"),
            short_duration(*first)
        ),
        NamingRemark::Parted(all) => {
            format!("{} went on: the roster had guessed the same sender, and was wrong", ids(all))
        }
        NamingRemark::TooSeldom { count, needed } => format!(
            "{} come too seldom to be judged in that time; leave it unplugged for {} to judge \
             them",
            plural(*count, "identifier of an unknown sender", "identifiers of unknown senders"),
            short_duration(*needed)
        ),
        NamingRemark::NobodyMute => {
            "which address it answers a tester by is not known: no module that answers at other \
             times was asked then in vain; let the tester ask all modules before, while it is \
             unplugged and after"
                .to_owned()
        }
        NamingRemark::SeveralMute(all) => format!(
            "which address it answers a tester by is not known: {} did not answer then",
            modules(analysis, all)
        ),
        NamingRemark::MuteElsewhere(module) => format!(
            "{} did not answer then, but neither did it at other times; it is not joined",
            analysis.module_name(*module)
        ),
        NamingRemark::AnswersAsOther(module, other) => format!(
            "{} did not answer then, but the roster gives it to {other}; it is not joined",
            analysis.module_name(*module)
        ),
        NamingRemark::NoCode => {
            "what codes call it is not known: none that names a module was set then; read the \
             codes of all modules before and after each unplugging"
                .to_owned()
        }
        NamingRemark::SeveralMissed(all) => format!(
            "what codes call it is not known: those that were set then name {}",
            missed(all)
        ),
        NamingRemark::ReadTooSeldom(all) => format!(
            "what codes call it is not known: {} may have been set then or while another module \
             was unplugged; read the codes after each",
            missed(all)
        ),
        NamingRemark::MissedAsOther(own, other) => format!(
            "codes that name {} were set then, but the roster gives that to {other}; it is not \
             joined",
            own.0
        ),
    }
}

fn not_named(analysis: &Analysis, naming: &Naming, why: &NotNamed) -> Vec<String> {
    match why {
        NotNamed::NothingSilent { near, stopped, mute } => {
            nothing_silent(analysis, near, *stopped, mute)
        }
        NotNamed::SilentElsewhere { ids: own, times } => {
            let times: Vec<String> =
                times.iter().take(IDS).map(|(from, to)| format!("{from:.1}..{to:.1} s")).collect();
            vec![
                format!("{} fell silent then, but at {} too", ids(own), listed(&times, "and")),
                format!(
                    "to be sure, unplug it twice in one recording and give both times: \
                     --unplugged \"{}\"=… twice",
                    naming.name
                ),
            ]
        }
        NotNamed::SeveralSenders(groups) => {
            let senders: Vec<String> = groups.iter().map(|group| ids(group)).collect();
            vec![
                format!("{} senders fell silent then: {}", groups.len(), senders.join("; ")),
                "a fuse or a plug that feeds several modules was pulled, or one module has \
                 several clocks: unplug the module itself, or put the identifiers under one \
                 [[node]] of the roster by hand where you know that they are one module"
                    .to_owned(),
            ]
        }
        NotNamed::SeveralChannels(own) => vec![format!(
            "{} fell silent then, and they are on several channels: a gateway or what it feeds was \
             unplugged, or a module that sends on both; name its node by hand on each channel",
            ids(own)
        )],
        NotNamed::CalledOtherwise(other) => vec![format!(
            "what fell silent then is called `{other}` in the roster; change the name there by \
             hand where it is wrong"
        )],
        NotNamed::NameTaken(own) => vec![format!(
            "the roster has a node of that name already, which sends {}; choose another name",
            ids(own)
        )],
        NotNamed::WentOn(own) => vec![format!(
            "the roster says that {} are of the same node, and they went on; take them out of it \
             where that is wrong",
            ids(own)
        )],
    }
}

fn nothing_silent(
    analysis: &Analysis,
    near: &[(Id, f64, f64)],
    stopped: bool,
    mute: &[Module],
) -> Vec<String> {
    let mut lines = vec!["nothing fell silent for that time".to_owned()];
    let silent: Vec<String> = near
        .iter()
        .map(|(id, from, to)| format!("{} at {from:.1}..{to:.1} s", id_label(*id)))
        .collect();
    if !silent.is_empty() {
        lines.push(format!(
            "silent near it: {}. Check the times: where that was the unplugging, give these",
            listed(&silent, "and")
        ));
    }
    if stopped {
        lines.push(
            "the whole bus or the recording stood still in it: leave the module unplugged for 15 s \
             or more with the ignition on"
                .to_owned(),
        );
    }
    if !mute.is_empty() {
        lines.push(format!("{} did not answer the tester then", modules(analysis, mute)));
    }
    lines
}

/// Where the names were written, and what became of the rest of the file.
pub fn written(path: &str, named: usize, all: usize) -> String {
    format!(
        "{path}: {named} of {} written; all else in it, comments too, is as it was",
        plural(all, "name", "names")
    )
}
