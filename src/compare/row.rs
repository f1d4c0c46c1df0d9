//! How it stands with one subject: what was lost of it before and after, in how much time.

use super::comparison::{Lost, Open, Row, State};
use super::subject::{self, Presence, Subject};
use super::watched::{self, Time};
use super::{episodes, proves, statistics};
use crate::analysis::{Analysis, Cause, Doubt, Identifier, Outage, Scope, Silence};
use crate::fold::timing::seconds;
use crate::ids::IdIndex;

/// Chance of being wrong that a verdict takes.
const RISK: f64 = 0.05;
/// What was silent all along is back where it is heard for so many seconds: several periods of what
/// is sent once a second. Whether it stays is for the road to tell.
pub(super) const BACK_FOR: f64 = 10.0;
/// A message that was there for less than this share of the time before is sent on an occasion.
const HELD: f64 = 0.5;

/// The rows of a subject: its own, and of what was lost before one for each message of it that is
/// not sent any more.
pub(super) fn all(subject: &Subject, before: &Analysis, after: &[&Analysis]) -> Vec<Row> {
    let own = row(subject, before, after);
    let mut rows = match own.episodes.0 > 0 && !own.gone && !own.never_before {
        true => parts(subject, &own, before, after),
        false => Vec::new(),
    };
    rows.insert(0, own);
    rows
}

/// Beginnings of the losses of a subject in several captures, in seconds recorded until then; and
/// for how long one could be heard in those that count.
fn losses(
    subject: &Subject,
    captures: &[&Analysis],
    counts: impl Fn(&Analysis) -> bool,
) -> (Vec<Vec<f64>>, f64) {
    let (mut time, mut recorded) = (Time::default(), 0.0);
    let mut known: Vec<Silence> = Vec::new();
    let mut starts = Vec::new();
    for analysis in captures {
        let begin = analysis.span.map_or(0, |(begin, _)| begin);
        let mut own = watched::lost(subject, analysis);
        if counts(analysis) {
            time.add(analysis, watched::watched(subject, analysis));
        }
        if watched::has_dates(analysis) {
            // What two recorders heard is one loss.
            own.retain(|loss| known.iter().all(|other| other.overlap(loss) == 0));
            known.extend(&own);
        }
        starts.push(own.iter().map(|loss| recorded + seconds(loss.start - begin)).collect());
        recorded += analysis.length();
    }
    (starts, time.seconds())
}

/// Whether a subject was silent for a reason that may be a loss all the same. The key, or a supply
/// that many share, is no loss of what was lost alone before.
fn may_be_lost(subject: &Subject, with_others: bool, analysis: &Analysis) -> bool {
    let of_its_own = |outage: &&Outage| match outage.doubt {
        None => false,
        Some(Doubt::KeyOrSupply) => with_others,
        Some(_) => !outage.is_loss(),
    };
    let touches = |outage: &Outage| {
        let own = |id: &IdIndex| subject.has(analysis, &analysis.identifiers[*id]);
        subject.is_in(analysis, outage) || outage.scope < Scope::Bus && outage.ids.iter().any(own)
    };
    analysis.outages.iter().filter(of_its_own).any(touches)
}

/// In how many captures after something was absent, how many had its channel, and whether some
/// excuse it.
#[derive(Clone, Copy, Debug, Default)]
struct Absences {
    absent: u64,
    recorded: u64,
    excused: bool,
    /// Some heard too little of it.
    hardly: bool,
}

fn row(subject: &Subject, before: &Analysis, after: &[&Analysis]) -> Row {
    let drives: Vec<&Analysis> = before.each_drive().collect();
    let listened = |own: &Analysis| subject::listened(own, &subject.channel);
    let (times, time_before) = losses(subject, &drives, |own| !subject.never && listened(own));
    let times = times.concat();
    let (grouped, joined) = episodes::group(&times, time_before);
    let presence = |own: &Analysis| subject::presence(subject, before, own);
    let mut told = Absences::default();
    for own in after.iter().map(|own| presence(own)) {
        told.recorded += u64::from(own != Presence::NotRecorded);
        told.absent += u64::from(own == Presence::Absent);
        told.excused |= own == Presence::Excused;
        told.hardly |= own == Presence::Hardly;
    }
    // One message that is not there, or a module that is in some captures, may be a matter of the
    // mode of the vehicle, unless it was lost before too.
    let everywhere = told.absent == told.recorded;
    let (lost_before, several) = (!times.is_empty(), subject::timed(subject, before).len() > 1);
    let is_loss = told.absent > 0
        && match (several, lost_before) {
            (true, true) => true,
            (false, false) => false,
            _ => everywhere,
        };
    // What proves nothing proves no repair.
    let counts = |own: &Analysis| match presence(own) {
        Presence::Told => proves(own),
        Presence::Absent => is_loss && proves(own),
        Presence::NotRecorded | Presence::Excused | Presence::Hardly => false,
    };
    let (each, time_after) = losses(subject, after, counts);
    // Joined by the same gap as before, so that both sides count the same way.
    let apart = |times: &Vec<f64>| {
        let apart = times.windows(2).filter(|pair| pair[1] - pair[0] > joined).count();
        apart as u64 + u64::from(!times.is_empty())
    };
    let absences = if is_loss { told.absent } else { 0 };
    let (k, n) = (grouped.len() as u64, each.iter().map(apart).sum::<u64>() + absences);
    let count_after = each.iter().map(|own| own.len() as u64).sum::<u64>() + absences;
    let comparable = k + n > 0 && time_before > 0.0 && time_after > 0.0;
    let p = comparable.then(|| statistics::fewer_after(k, time_before, n, time_after));
    let needed = match n {
        0 => statistics::needed(k, time_before, 1.0 - RISK)
            .map(|time| time - time_after)
            .filter(|time| *time > 0.0),
        _ => None,
    };
    // It may have been lost again: nobody is blamed for that silence, and no repair is proved.
    let with_others =
        before.lost().any(|outage| outage.nodes.len() > 1 && subject.is_in(before, outage));
    let again = after.iter().any(|own| may_be_lost(subject, with_others, own));
    let open = match () {
        () if again => Some(Open::PerhapsAgain),
        () if n == 0 && (told.absent > 0 || told.excused && time_after <= 0.0) => {
            Some(Open::OneMode)
        }
        () if n == 0 && told.hardly && time_after <= 0.0 => Some(Open::HardlyHeard),
        () if told.recorded == 0 && !after.is_empty() => Some(Open::NotRecorded),
        () => None,
    };
    let still = subject.unheard.iter().filter(|key| {
        let heard = |own: &&Analysis| subject::is_key_heard(own, key);
        !after.iter().any(heard)
    });
    let unheard = (subject.unheard.len(), still.map(|key| key.1).collect::<Vec<_>>());
    let sure = p.is_some_and(|p| p <= RISK);
    // Of what was never heard no rate is known, and none is needed: it is there.
    let state = match (subject.never, k, n) {
        (false, 0, 1..) => State::NewlyLost,
        (_, _, 1..) => State::StillLost,
        (true, ..) if open.is_none() && unheard.1.is_empty() && time_after >= BACK_FOR => {
            State::Back
        }
        (true, ..) => State::NotSure,
        (false, 1.., 0) if sure && open.is_none() => State::Held,
        (false, 1.., 0) => State::NotSure,
        (false, 0, 0) if open.is_some() => State::NotSure,
        (false, 0, 0) => State::NothingLost,
    };
    let ratio = comparable
        .then(|| statistics::rate_ratio(k, time_before, n, time_after, 1.0 - RISK))
        .flatten();
    Row {
        lost: subject.lost.clone(),
        losses: (times.len() as u64, count_after),
        episodes: (k, n),
        joined,
        watched: (time_before, time_after),
        p,
        e_test: comparable.then(|| statistics::e_test(k, time_before, n, time_after).1),
        ratio: ratio.map(|(ratio, (low, high))| (ratio, low, high)),
        needed,
        state,
        open,
        gone: is_loss && everywhere && each.iter().all(Vec::is_empty),
        never_before: subject.never,
        unheard,
    }
}

/// Messages of a subject that was lost before, which its sender does not send any more though it is
/// heard: the repair may have left a part of it out.
fn parts(subject: &Subject, own: &Row, before: &Analysis, after: &[&Analysis]) -> Vec<Row> {
    let timed = subject::timed(subject, before);
    let after: Vec<&Analysis> = after
        .iter()
        .copied()
        .filter(|analysis| proves(analysis) && subject::is_heard(subject, analysis))
        .collect();
    if timed.len() < 2 || after.is_empty() || own.state == State::StillLost {
        return Vec::new();
    }
    let steady = |id: &&&Identifier| {
        let period = id.rhythm.map_or(0.0, |rhythm| rhythm.period);
        id.frames as f64 * period >= HELD * before.channel(id.channel).awake
    };
    let part = |id: &Identifier| {
        let key = (before.channel(id.channel).name.clone(), id.id);
        let never = after.iter().all(|own| !subject::is_key_heard(own, &key));
        let to_the_end = || after.iter().any(|own| ended(&key, before, own));
        let open = match never {
            true => Open::PartNever,
            false => to_the_end().then_some(Open::PartToTheEnd)?,
        };
        Some(Row {
            lost: Lost::Identifier(id.id),
            losses: (0, 0),
            episodes: (0, 0),
            p: None,
            e_test: None,
            ratio: None,
            needed: None,
            state: State::NotSure,
            open: Some(open),
            gone: never,
            never_before: false,
            unheard: (0, Vec::new()),
            ..own.clone()
        })
    };
    timed.iter().filter(steady).filter_map(|id| part(id)).collect()
}

/// Whether an identifier fell silent until the end of a capture while its sender went on, for
/// longer than twice as long as it paused before.
fn ended(key: &subject::Key, before: &Analysis, after: &Analysis) -> bool {
    let of = |analysis: &Analysis, outage: &Outage| {
        outage.scope == Scope::Identifier
            && !outage.is_loss()
            && outage.cause == Cause::Unknown
            && outage
                .ids
                .iter()
                .any(|at| subject::is_key(analysis, &analysis.identifiers[*at], key))
    };
    let paused = before.outages.iter().filter(|own| of(before, own));
    let longest = paused.map(Outage::duration).fold(0.0, f64::max);
    let mut silent = after.outages.iter().filter(|own| own.ongoing && of(after, own));
    silent.any(|own| own.duration() > 2.0 * longest)
}
