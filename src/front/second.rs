//! The second look: the frames once more, for what happened just before the losses.

use lostnode_parsers::Id;

use super::{Analyser, Error, Options};
use crate::analysis::Analysis;
use crate::analysis::drives::Drive;
use crate::analysis::just_before::{Lead, Outcome, Place};
use crate::analysis::subject::Subject;
use crate::capture::{self, ChannelIndex, Source};
use crate::ids::IdIndex;
use crate::precursor::Second;

/// Looks at the frames of all captures again, where that is asked for and worth its while; `open`
/// gives each by its place in [`Analysis::captures`].
pub(super) fn look(
    analysis: &mut Analysis,
    options: &Options,
    open: impl FnMut(usize) -> Option<Source>,
) {
    if !options.precursors {
        return;
    }
    match Second::of(analysis) {
        Err(outcome) => analysis.just_before.outcome = outcome,
        Ok(mut second) => match read_again(&mut second, analysis, options, open) {
            Some(()) => {
                analysis.just_before = second.finish(options.reading.threads);
                hand_down(analysis);
            }
            None => analysis.just_before.outcome = Outcome::NotAgain,
        },
    }
}

/// Gives each of several drives what went before the losses in it, for the pictures.
fn hand_down(analysis: &mut Analysis) {
    for at in 0..analysis.drives.len() {
        let own = |lead: &Lead| in_drive(analysis, &analysis.drives[at], lead);
        let leads = analysis.precursors().filter_map(own).collect();
        analysis.drives[at].analysis.just_before.leads = leads;
    }
}

/// A lead as one drive has it; `None` where what was lost, or what goes before it, was not heard.
fn in_drive(analysis: &Analysis, drive: &Drive, lead: &Lead) -> Option<Lead> {
    let channel = drive.channels.iter().position(|own| *own == lead.place.channel)?;
    let place = Place { channel: channel as ChannelIndex, ..lead.place };
    let (begin, end) = drive.span?;
    let onsets = lead.onsets.iter().filter(|time| (begin..=end).contains(*time));
    let onsets = onsets.map(|time| time.saturating_sub(drive.shift)).collect();
    let own = &drive.analysis;
    let here = |(name, id): (String, Option<Id>)| {
        let channel = own.channels.iter().position(|channel| channel.name == name)?;
        own.place_of(channel as ChannelIndex, id?)
    };
    let lost: Vec<IdIndex> = ids(analysis, &lead.of).into_iter().filter_map(here).collect();
    let node = lost.iter().filter_map(|id| own.identifiers[*id].node).min();
    let alone = || lost.iter().min().copied().map(Subject::Sender);
    let of = node.map(Subject::Node).or_else(alone)?;
    Some(Lead { of, place, onsets, ..lead.clone() })
}

/// Reads all captures again; `None` where one cannot be.
fn read_again(
    second: &mut Second,
    analysis: &Analysis,
    options: &Options,
    mut open: impl FnMut(usize) -> Option<Source>,
) -> Option<()> {
    for at in 0..analysis.captures.len() {
        let source = open(at)?;
        let drive = analysis.drives.iter().find(|drive| drive.captures.contains(&at));
        let shift = drive.map_or(0, |drive| drive.shift);
        let reading = capture::Options { progress: None, ..options.reading.clone() };
        let mut places: Vec<Option<ChannelIndex>> = Vec::new();
        capture::read(source, &reading, |batch| {
            for name in &batch.channels[places.len()..] {
                let known = analysis.channels.iter().position(|channel| channel.name == *name);
                places.push(known.map(|at| at as ChannelIndex));
            }
            second.push(batch, analysis, &places, shift);
        })
        .ok()?;
    }
    Some(())
}

/// Holds the leads of an analysis against a capture that was kept back: whether they come before
/// its losses too.
///
/// # Errors
/// Where it cannot be read.
pub fn confirm(analysis: &mut Analysis, source: Source, options: &Options) -> Result<(), Error> {
    let path = source.name();
    let again = source.again();
    let options = Options { precursors: false, findings: None, ..options.clone() };
    let mut analyser = Analyser::new(&options);
    let capture = capture::read(source, &options.reading, |batch| analyser.push(batch))?;
    let other = analyser.close_and_draw(vec![capture]);
    analysis.just_before.confirmed_with = Some(path);
    let (Ok(mut second), Some(again)) = (Second::of(&other), again) else { return Ok(()) };
    let mut again = Some(again);
    if read_again(&mut second, &other, &options, |_| again.take()).is_none() {
        return Ok(());
    }
    let names: Vec<String> = analysis.channels.iter().map(|own| own.name.clone()).collect();
    let channel = |at: ChannelIndex| {
        let name = &names[usize::from(at)];
        other.channels.iter().position(|own| own.name == *name).map(|at| at as ChannelIndex)
    };
    let mut leads = std::mem::take(&mut analysis.just_before.leads);
    let is_same = |lead: &Lead, of: &Subject| {
        let theirs = ids(&other, of);
        ids(analysis, &lead.of).iter().any(|own| theirs.contains(own))
    };
    second.confirm(&mut leads, channel, is_same);
    analysis.just_before.leads = leads;
    Ok(())
}

/// The identifiers of a subject, by the names of their channels.
fn ids(analysis: &Analysis, of: &Subject) -> Vec<(String, Option<Id>)> {
    let name = |channel: ChannelIndex| analysis.channel(channel).name.clone();
    let identifier = |at: IdIndex| {
        let own = &analysis.identifiers[at];
        (name(own.channel), Some(own.id))
    };
    match of {
        Subject::Sender(id) => vec![identifier(*id)],
        Subject::Channel(channel) => vec![(name(*channel), None)],
        _ => {
            let nodes = of.nodes().iter().flat_map(|node| analysis.nodes[*node].ids.clone());
            nodes.map(identifier).collect()
        }
    }
}
