//! What limits a comparison.

use super::comparison::{Lost, Notice, Row, State};
use super::{Read, path_of, proves, subject};
use crate::analysis;
use crate::analysis::verdict::Obstacle;
use crate::analysis::{Analysis, Cause, Evidence, Outage, Scope, Why};

/// So few episodes before are said with care: whoever records a drive because of a loss has drawn
/// one that had it, and not the many that had none.
const SELDOM: u64 = 2;

pub(super) fn all(
    before: &Analysis,
    after: &[Read<'_>],
    rows: &[Row],
    cannot_tell: bool,
) -> Vec<Notice> {
    let kept_out = before.kept_out.iter().cloned();
    let kept_out = kept_out.map(|own| Notice::KeptOut(own.path, own.vin, own.vehicle));
    let mut out: Vec<Notice> = kept_out.collect();
    out.extend(after.iter().flat_map(|own| own.doubts.iter().cloned()));
    let compared = || after.iter().filter(|own| !own.is_left_out());
    out.extend(compared().flat_map(|own| not_recorded(own, before)));
    out.extend(compared().flat_map(|own| {
        let moved = own.fitted.moved.iter().cloned();
        moved.map(|(is, was)| Notice::ChannelMoved(own.path.clone(), is, was))
    }));
    out.extend(
        compared()
            .filter_map(|own| subject::heard_only_since(&own.path, before, &own.fitted.analysis)),
    );
    let each = || before.each_drive().chain(compared().map(|own| &*own.fitted.analysis));
    let told = std::iter::once(before).chain(after.iter().map(|own| &*own.fitted.analysis));
    out.extend(told.flat_map(|analysis| &analysis.notices).filter_map(|notice| match notice {
        analysis::Notice::SameTwice { path, read } => {
            Some(Notice::SameTwice(path.clone(), read.clone()))
        }
        _ => None,
    }));
    each().for_each(|analysis| out.extend(of_capture(analysis, cannot_tell)));
    if compared().any(|own| own.fitted.analysis.lost().any(|outage| outage.ongoing)) {
        out.push(Notice::LossToTheEnd);
    }
    let lost_before = |row: &&Row| row.episodes.0 > 0;
    if !rows.iter().any(|row| lost_before(&row)) {
        let excused = excused(before);
        out.extend((!excused.is_empty()).then_some(Notice::Excused(excused)));
    }
    let timed = |row: &&Row| matches!(row.state, State::Held | State::NotSure) && row.p.is_some();
    if rows.iter().filter(timed).any(|row| row.episodes.0 <= SELDOM) {
        out.push(Notice::Seldom);
    }
    out.push(Notice::SameRoads);
    if rows.iter().any(|row| matches!(row.state, State::NotSure | State::Back)) {
        out.push(Notice::Driving);
    }
    out
}

/// Channels on which something was lost before, and that a capture does not have.
fn not_recorded(own: &Read<'_>, before: &Analysis) -> Vec<Notice> {
    let mut names: Vec<&str> = before
        .lost()
        .filter_map(|outage| Some(before.channel(outage.channel?).name.as_str()))
        .filter(|name| !subject::listened(&own.fitted.analysis, name))
        .collect();
    names.sort_unstable();
    names.dedup();
    names.into_iter().map(|name| Notice::NotRecorded(own.path.clone(), name.to_owned())).collect()
}

/// What limits a capture that is compared, from before or after.
fn of_capture(analysis: &Analysis, cannot_tell: bool) -> Vec<Notice> {
    let path = || path_of(analysis);
    let mut out = Vec::new();
    if analysis.span.is_none() {
        out.push(Notice::NoTimeStamps(path()));
    }
    if analysis.span.is_some() && !proves(analysis) {
        out.push(Notice::ProvesNothing(path()));
    }
    let obstacles = analysis.obstacles();
    out.extend(obstacles.iter().filter_map(|own| match own {
        Obstacle::MostNotHeard { identifiers, expected, .. } => {
            Some(Notice::MostNotHeard(path(), *identifiers, *expected))
        }
        Obstacle::Outage { .. } if cannot_tell => Some(Notice::MayBeLoss(path())),
        _ => None,
    }));
    out.dedup();
    let rejected: u64 = analysis.captures.iter().map(|capture| capture.rejected).sum();
    if rejected > 0 {
        out.push(Notice::Rejected(path(), rejected));
    }
    out
}

/// What fell silent before and was taken for a pause by nature: whole modules, and single messages
/// where there is no such module.
fn excused(before: &Analysis) -> Vec<Lost> {
    let habit = |evidence: &Evidence| {
        matches!(evidence, Evidence::Why(Why::PausesAgain { .. } | Why::PausedWhenLearned { .. }))
    };
    let paused = |outage: &&Outage| {
        outage.benign
            && outage.cause == Cause::Unknown
            && outage.doubt.is_none()
            && outage.evidence.iter().any(habit)
    };
    let of = |whole: bool| {
        let all = before.outages.iter().filter(paused);
        all.filter(move |own| matches!(own.scope, Scope::Node | Scope::Branch) == whole)
    };
    let mut out: Vec<Lost> = Vec::new();
    let nodes = of(true).flat_map(|own| &own.nodes);
    let nodes = nodes.map(|node| Lost::Node(before.nodes[*node].name.clone()));
    let ids = of(false).flat_map(|own| &own.ids);
    let ids = ids.map(|id| Lost::Identifier(before.identifiers[*id].id));
    for lost in nodes {
        if !out.contains(&lost) {
            out.push(lost);
        }
    }
    if out.is_empty() {
        for lost in ids {
            if !out.contains(&lost) {
                out.push(lost);
            }
        }
    }
    out
}
