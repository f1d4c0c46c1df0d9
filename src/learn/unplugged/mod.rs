//! Names from unplugging: a module is known by what fell silent while it was unplugged, and by what
//! did not answer the tester then; codes that others set then name it (docs/roster.md).

mod silent;
mod spans;
mod told;

use std::collections::BTreeMap;

use lostnode_parsers::Id;

use crate::analysis::blame::Missed;
use crate::analysis::diagnosis::Module;
use crate::analysis::{Analysis, Silence};
use crate::capture::ChannelIndex;
use crate::fold::timing::{Key, seconds};
use crate::ids::{IdIndex, NodeIndex, RosterIndex};
use crate::roster_file::{Answering, Edit, ExpectedMessage, Known, RosterFile};
pub use spans::{Given, SpanError, SpanProblem, Unplugging};

/// What came of one name.
#[derive(Clone, Debug)]
pub struct Naming {
    /// The name.
    pub name: String,
    /// When it was unplugged: seconds from the first frame.
    pub spans: Vec<(f64, f64)>,
    /// The node that it is, or why that cannot be told.
    pub outcome: Result<Named, NotNamed>,
}

/// A node that has its name.
#[derive(Clone, Debug)]
pub struct Named {
    /// Identifiers that fell silent then.
    pub ids: Vec<Id>,
    /// Who set a code then that names it.
    pub missed_by: Vec<Module>,
    /// What is to be written of it.
    pub edit: Edit,
    /// What the reader should know.
    pub remarks: Vec<NamingRemark>,
}

/// What the reader of a new name should know.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum NamingRemark {
    /// That they have one sender rests on the shared silence alone: nothing is known of their
    /// clocks.
    OneSilenceOnly,
    /// Nothing that it sends is heard here: it is known by its address alone.
    AddressOnly,
    /// It is silent at other times too, the first of which this is in seconds from the first
    /// frame; several spans fit all the same.
    SilentElsewhere {
        /// How often.
        times: usize,
        /// When first.
        first: f64,
    },
    /// Of what was taken for one sender, these went on and stay behind.
    Parted(Vec<Id>),
    /// So many identifiers of unknown senders come too seldom to be judged; a silence of so many
    /// seconds would do for all.
    TooSeldom {
        /// How many.
        count: usize,
        /// Seconds.
        needed: f64,
    },
    /// No module was asked then that answers at other times.
    NobodyMute,
    /// Several did not answer then.
    SeveralMute(Vec<Module>),
    /// It did not answer then, nor at other times.
    MuteElsewhere(Module),
    /// It answers by what the roster gives to another node, of this name.
    AnswersAsOther(Module, String),
    /// No code of others appeared then.
    NoCode,
    /// Codes that appeared then name several modules.
    SeveralMissed(Vec<Missed>),
    /// Codes appeared between two reads that hold other spans as well.
    ReadTooSeldom(Vec<Missed>),
    /// Codes call it what the roster gives to another node, of this name.
    MissedAsOther(Missed, String),
}

/// Why a name is not given.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum NotNamed {
    /// Nothing fell silent for that time.
    NothingSilent {
        /// What was silent in a part of it, and when, in seconds from the first frame.
        near: Vec<(Id, f64, f64)>,
        /// A whole channel was silent in it.
        stopped: bool,
        /// Modules that did not answer the tester then, and do at other times.
        mute: Vec<Module>,
    },
    /// What fell silent then was silent at other times too.
    SilentElsewhere {
        /// The identifiers.
        ids: Vec<Id>,
        /// The other times, in seconds from the first frame.
        times: Vec<(f64, f64)>,
    },
    /// Several senders fell silent: the identifiers of each.
    SeveralSenders(Vec<Vec<Id>>),
    /// Identifiers of several channels fell silent.
    SeveralChannels(Vec<Id>),
    /// The roster, as a person wrote it, calls them so.
    CalledOtherwise(String),
    /// The roster gives the name to others.
    NameTaken(Vec<Id>),
    /// The roster, as a person wrote it, says that these are of the same node, and they went on.
    WentOn(Vec<Id>),
}

/// Gives names to nodes of a roster: `analysis` is of a capture in which modules were unplugged,
/// drawn without the roster.
///
/// # Errors
/// Where a span lies outside the capture, or two overlap.
pub fn name(
    roster: &RosterFile,
    analysis: &Analysis,
    unpluggings: &[Unplugging],
) -> Result<Vec<Naming>, SpanError> {
    let length = analysis.span.map_or(0.0, |(begin, end)| seconds(end - begin));
    spans::check(unpluggings, length)?;
    let channels: Vec<String> =
        analysis.channels.iter().map(|channel| channel.name.clone()).collect();
    let known = roster.resolve(&channels);
    let case = Case { roster, known, analysis, all: unpluggings };
    let mut names: Vec<&str> = Vec::new();
    for own in unpluggings {
        if !names.contains(&own.name.as_str()) {
            names.push(&own.name);
        }
    }
    Ok(names.into_iter().map(|name| case.naming(name)).collect())
}

/// Whether all that was lost in a capture was lost while a module was unplugged.
pub fn explains(analysis: &Analysis, unpluggings: &[Unplugging]) -> bool {
    let case = Case {
        roster: &RosterFile::default(),
        known: Known::default(),
        analysis,
        all: unpluggings,
    };
    analysis.lost().all(|outage| {
        unpluggings.iter().any(|own| case.holds(&outage.silence(), (own.from, own.to)))
    })
}

/// All that a name is judged by.
struct Case<'a> {
    roster: &'a RosterFile,
    known: Known,
    analysis: &'a Analysis,
    all: &'a [Unplugging],
}

impl Case<'_> {
    fn naming(&self, name: &str) -> Naming {
        let own = self.all.iter().filter(|own| own.name == name);
        let spans: Vec<(f64, f64)> = own.map(|own| (own.from, own.to)).collect();
        let outcome = self.outcome(name, &spans);
        Naming { name: name.to_owned(), spans, outcome }
    }

    fn outcome(&self, name: &str, spans: &[(f64, f64)]) -> Result<Named, NotNamed> {
        let fitting = self.silent_in(spans);
        let Some(first) = fitting.first() else { return self.by_address(name, spans) };
        if self.is_belied(&fitting, spans) {
            let (near, stopped, mute) =
                (self.near(spans), self.stopped(spans), self.mute_in(spans));
            return Err(NotNamed::NothingSilent { near, stopped, mute });
        }
        let ids = |places: &[IdIndex]| -> Vec<Id> {
            places.iter().map(|at| self.analysis.identifiers[*at].id).collect()
        };
        let channel = self.analysis.identifiers[*first].channel;
        if fitting.iter().any(|at| self.analysis.identifiers[*at].channel != channel) {
            return Err(NotNamed::SeveralChannels(ids(&fitting)));
        }
        let mut remarks = Vec::new();
        let elsewhere = self.silent_elsewhere(&fitting, spans);
        if let Some((when, _)) = elsewhere.first() {
            if spans.len() == 1 {
                return Err(NotNamed::SilentElsewhere { ids: ids(&fitting), times: elsewhere });
            }
            let times = elsewhere.len();
            remarks.push(NamingRemark::SilentElsewhere { times, first: *when });
        }
        let senders = self.senders(&fitting);
        if senders.len() > 1 {
            let groups = senders.iter().map(|group| ids(group)).collect();
            return Err(NotNamed::SeveralSenders(groups));
        }
        let node = fitting.iter().find_map(|at| self.roster_node(*at));
        let (node, parted) = self.fits_the_roster(name, node, spans)?;
        if !parted.is_empty() {
            remarks.push(NamingRemark::Parted(parted));
        }
        let untold = |at: &IdIndex| self.roster_node(*at).is_none() && self.clock(*at).is_none();
        let by_silence = fitting.len() > 1 && fitting.iter().any(untold);
        if by_silence {
            remarks.push(NamingRemark::OneSilenceOnly);
        }
        remarks.extend(self.too_seldom(spans));
        let own = self.with_slow_ones(&fitting, spans);
        let mut edit = self.edit(name, node, &own, channel);
        edit.guessed = by_silence && node.is_none_or(|node| self.roster.nodes[node].guessed);
        let mut named = Named { ids: ids(&fitting), missed_by: Vec::new(), edit, remarks };
        self.join_answers(&mut named, node, spans, channel);
        self.join_codes(&mut named, node, spans);
        Ok(named)
    }

    /// Where nothing that can be heard here fell silent, the module may be behind a gateway, which
    /// passes on what it answers and nothing else: its address is enough to know it by.
    fn by_address(&self, name: &str, spans: &[(f64, f64)]) -> Result<Named, NotNamed> {
        let (near, stopped, mute) = (self.near(spans), self.stopped(spans), self.mute_in(spans));
        let [module] = mute[..] else {
            return Err(NotNamed::NothingSilent { near, stopped, mute });
        };
        if !near.is_empty() {
            return Err(NotNamed::NothingSilent { near, stopped, mute });
        }
        let known = self.known.nodes.iter().find(|known| known.answers.contains(&module));
        let node = known.map(|known| known.node);
        let (node, _) = self.fits_the_roster(name, node, spans)?;
        let edit = self.edit(name, node, &[], module.channel);
        let remarks = vec![NamingRemark::AddressOnly];
        let mut named = Named { ids: Vec::new(), missed_by: Vec::new(), edit, remarks };
        self.join_answers(&mut named, node, spans, module.channel);
        if named.edit.answers.is_empty() {
            return Err(NotNamed::NothingSilent { near, stopped, mute });
        }
        self.join_codes(&mut named, node, spans);
        Ok(named)
    }

    /// Whom the roster calls the sender of an identifier.
    fn roster_node(&self, at: IdIndex) -> Option<RosterIndex> {
        self.known.messages.get(&self.key(at))?.node
    }

    fn key(&self, at: IdIndex) -> Key {
        let own = &self.analysis.identifiers[at];
        Key { channel: own.channel, id: own.id }
    }

    /// The sender of an identifier, by its address, its field or its clock.
    fn clock(&self, at: IdIndex) -> Option<NodeIndex> {
        use crate::analysis::Basis::{Address, Clock, Field};
        let node = self.analysis.identifiers[at].node?;
        let basis = &self.analysis.nodes[node].basis;
        basis.iter().any(|basis| matches!(basis, Address | Field | Clock)).then_some(node)
    }

    /// Identifiers by sender, as far as the roster, addresses and clocks tell them apart; those of
    /// which nothing is told are with the first.
    fn senders(&self, fitting: &[IdIndex]) -> Vec<Vec<IdIndex>> {
        let mut groups: Vec<(Vec<IdIndex>, Vec<RosterIndex>, Vec<NodeIndex>)> = Vec::new();
        let mut untold = Vec::new();
        for at in fitting {
            let (node, clock) = (self.roster_node(*at), self.clock(*at));
            if node.is_none() && clock.is_none() {
                untold.push(*at);
                continue;
            }
            let own = |(_, nodes, clocks): &(_, Vec<RosterIndex>, Vec<NodeIndex>)| {
                node.is_some_and(|node| nodes.contains(&node))
                    || clock.is_some_and(|clock| clocks.contains(&clock))
            };
            let (mut joined, rest): (Vec<_>, Vec<_>) = groups.into_iter().partition(own);
            groups = rest;
            let mut one = joined.pop().unwrap_or_default();
            for (ids, nodes, clocks) in joined {
                one.0.extend(ids);
                one.1.extend(nodes);
                one.2.extend(clocks);
            }
            one.0.push(*at);
            one.1.extend(node);
            one.2.extend(clock);
            groups.push(one);
        }
        // What a person wrote keeps two nodes apart, whatever their clocks seem to say.
        let mut called: BTreeMap<RosterIndex, Vec<IdIndex>> = BTreeMap::new();
        for at in fitting {
            if let Some(node) = self.roster_node(*at).filter(|at| !self.roster.nodes[*at].guessed) {
                called.entry(node).or_default().push(*at);
            }
        }
        if called.len() > 1 {
            return called.into_values().collect();
        }
        let mut out: Vec<Vec<IdIndex>> = groups.into_iter().map(|(ids, ..)| ids).collect();
        match out.first_mut() {
            Some(first) => first.extend(untold),
            None => out.push(untold),
        }
        out.iter_mut().for_each(|ids| ids.sort_unstable());
        out.sort_unstable();
        out
    }

    /// The node of the roster that can take the name, and identifiers that are parted from it; no
    /// node where there must be a new one.
    fn fits_the_roster(
        &self,
        name: &str,
        node: Option<RosterIndex>,
        spans: &[(f64, f64)],
    ) -> Result<(Option<RosterIndex>, Vec<Id>), NotNamed> {
        let nodes = self.roster.nodes.iter().enumerate();
        let mut others = nodes.filter(|(at, _)| node != Some(RosterIndex(*at)));
        if let Some((_, other)) = others.find(|(_, other)| other.name.eq_ignore_ascii_case(name)) {
            return Err(NotNamed::NameTaken(other.ids().collect()));
        }
        let Some(at) = node else { return Ok((None, Vec::new())) };
        let own = &self.roster.nodes[at];
        if own.is_called() && !own.name.eq_ignore_ascii_case(name) {
            return Err(NotNamed::CalledOtherwise(own.name.clone()));
        }
        let identifiers = (0..self.analysis.identifiers.len()).map(IdIndex);
        let went_on: Vec<Id> = identifiers
            .filter(|id| self.roster_node(*id) == Some(at) && self.went_on(*id, spans))
            .map(|id| self.analysis.identifiers[id].id)
            .collect();
        match went_on.is_empty() {
            true => Ok((node, went_on)),
            false if own.guessed => Ok((None, went_on)),
            false => Err(NotNamed::WentOn(went_on)),
        }
    }

    /// What is to be written, where these identifiers are a node's own.
    fn edit(
        &self,
        name: &str,
        node: Option<RosterIndex>,
        own: &[IdIndex],
        channel: ChannelIndex,
    ) -> Edit {
        let mut edit = Edit {
            node,
            name: name.to_owned(),
            channel: self.channel_of_roster(channel),
            guessed: false,
            move_in: Vec::new(),
            add: Vec::new(),
            answers: Vec::new(),
            missed_as: Vec::new(),
        };
        for at in own {
            let id = &self.analysis.identifiers[*at];
            let period = id.rhythm.as_ref().map(|rhythm| rhythm.period).or(id.pace);
            match (self.known.messages.get(&self.key(*at)), period) {
                (Some(known), _) if known.node.is_some() && known.node == node => {}
                (Some(_), _) => edit.move_in.push(id.id),
                (None, Some(period)) => edit.add.push(ExpectedMessage::periodic(id.id, period)),
                (None, None) => {}
            }
        }
        edit
    }

    /// What the roster calls a channel.
    fn channel_of_roster(&self, here: ChannelIndex) -> String {
        let names = self.roster.nodes.iter().map(|node| &node.channel);
        let mut names: Vec<&String> =
            names.chain(self.roster.lone.iter().map(|(name, _)| name)).collect();
        names.dedup();
        match names[..] {
            [only] if self.analysis.channels.len() == 1 => only.clone(),
            _ => self.analysis.channel(here).name.clone(),
        }
    }

    /// From the first frame, in seconds.
    fn since_begin(&self, silence: &Silence) -> (f64, f64) {
        let begin = self.analysis.span.map_or(0, |(begin, _)| begin);
        (seconds(silence.start - begin), seconds(silence.end - begin))
    }

    /// What the roster's word for a module is: with its channel, where that is another.
    fn answering(&self, module: Module, home: ChannelIndex) -> Answering {
        let other = module.channel != home;
        let channel = other.then(|| self.analysis.channel(module.channel).name.clone());
        Answering { channel, party: module.party }
    }
}
