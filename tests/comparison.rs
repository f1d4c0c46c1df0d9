//! What `compare` makes of reports: each made by hand, so that every count and second is known.

use lostnode::analysis::diagnosis::{
    CodeAge, CodeEntry, CodeNumber, CodeStanding, IdentityEntry, Module, MonitorEntry, Party,
    TalkEntry,
};
use lostnode::analysis::{
    Analysis, Basis, BitRate, Cause, Channel, Doubt, Identifier, Node, Outage, Scope,
};
use lostnode::compare::compare;
use lostnode::compare::comparison::{CodeChange, Comparison, Notice, State};
use lostnode::fold::timing::{Rhythm, nanoseconds};
use lostnode::ids::{IdIndex, NodeIndex};
use lostnode::words::comparison as words;
use lostnode_parsers::Id;
use lostnode_parsers::dtc::Code;
use lostnode_parsers::frame::parse_id;

const FRONT: NodeIndex = NodeIndex(0);
const REAR: NodeIndex = NodeIndex(1);

fn id(digits: &str) -> Id {
    parse_id(digits).unwrap()
}

/// So many seconds in which two nodes of two identifiers each were heard on `can0`, one identifier
/// of nobody, and one that comes now and then.
fn report(length: f64) -> Analysis {
    let channel = |name: &str| Channel {
        name: name.to_owned(),
        j1939: lostnode::analysis::J1939::No,
        frames: 1000,
        error_frames: 0,
        out_of_order: (0, 0.0),
        bit_rate: BitRate::Unknown,
        load: None,
        errors: Vec::new(),
        tally: Default::default(),
        awake: length,
        thinned: None,
        key_off: Vec::new(),
        key: lostnode::analysis::KeyState::NotKnown,
        unproven: 0,
    };
    let identifier = |digits: &str, node: Option<NodeIndex>, periodic: bool| Identifier {
        channel: 0,
        id: id(digits),
        frames: 200,
        rhythm: periodic.then_some(Rhythm { period: 0.1, jitter: 0.0, coarse: 0.0 }),
        skew_ppm: None,
        counter: None,
        timeout: None,
        heard: None,
        longest_silence: None,
        node,
        pace: None,
        occasions: 200,
        rush: None,
        only_with_key: false,
        diagnostic: false,
        silent: Vec::new(),
        gaps: Vec::new(),
        skips: Vec::new(),
    };
    let node = |name: &str, ids: [usize; 2]| Node {
        name: name.to_owned(),
        ids: ids.map(IdIndex).to_vec(),
        basis: vec![Basis::Clock],
        confidence: 0.9,
        heard: true,
        ..Node::default()
    };
    Analysis {
        captures: vec![lostnode::capture::Capture {
            path: format!("{length} s"),
            ..Default::default()
        }],
        span: Some((0, nanoseconds(length))),
        channels: vec![channel("can0"), channel("can1")],
        identifiers: vec![
            identifier("100", Some(FRONT), true),
            identifier("110", Some(FRONT), true),
            identifier("200", Some(REAR), true),
            identifier("210", Some(REAR), true),
            identifier("300", None, true),
            identifier("310", None, false),
        ],
        nodes: vec![node("front", [0, 1]), node("rear", [2, 3])],
        ..Analysis::default()
    }
}

/// A loss of nodes or identifiers of `can0`, by their places above.
fn outage(scope: Scope, nodes: &[NodeIndex], ids: &[usize], at: f64, lasts: f64) -> Outage {
    Outage {
        scope,
        channel: Some(0),
        nodes: nodes.to_vec(),
        ids: ids.iter().copied().map(IdIndex).collect(),
        never_heard: Vec::new(),
        start: nanoseconds(at),
        end: nanoseconds(at + lasts),
        cause: Cause::Unknown,
        benign: false,
        doubt: None,
        ran_on: 0.0,
        divided: lostnode::analysis::Division::No,
        unrecorded: 0,
        ongoing: false,
        evidence: Vec::new(),
    }
}

/// A report in which the front node was lost for 2 s at each of these times.
fn front_lost(length: f64, at: &[f64]) -> Analysis {
    let outages = at.iter().map(|at| outage(Scope::Node, &[FRONT], &[0, 1], *at, 2.0)).collect();
    Analysis { outages, ..report(length) }
}

/// Name, state, losses and episodes before and after, watched seconds before and after.
type RowOf<'a> = (&'a str, State, (u64, u64), (u64, u64), (f64, f64));

#[track_caller]
fn rows(before: &Analysis, after: &[Analysis], expected: &[RowOf<'_>]) -> Comparison {
    let comparison = compare(before, after);
    let in_order = words::rows(&comparison);
    let names: Vec<String> = in_order.iter().map(|row| words::name(&row.lost)).collect();
    let found: Vec<RowOf<'_>> = in_order
        .iter()
        .zip(&names)
        .map(|(row, name)| (name.as_str(), row.state, row.losses, row.episodes, row.watched))
        .collect();
    assert_eq!(found, expected);
    comparison
}

/// What is said of the one row of a comparison.
fn said(comparison: &Comparison) -> String {
    words::row(&comparison.rows[0])
}

#[track_caller]
fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-9 * expected.abs().max(1.0), "{found} is not {expected}");
}

const FIVE: [f64; 5] = [20.0, 70.0, 130.0, 190.0, 260.0];

/// None of five losses in 290 s since, in 410 s: by luck (290/700)^5; in 20 s not sure, and what is
/// missing makes 5 % of it.
#[test]
fn none_since() {
    let before = front_lost(300.0, &FIVE);
    let held =
        rows(&before, &[report(410.0)], &[("front", State::Held, (5, 0), (5, 0), (290.0, 410.0))]);
    near(held.rows[0].p.unwrap(), (290.0_f64 / 700.0).powi(5));
    assert_eq!(held.rows[0].needed, None);
    assert_eq!(held.verdict, State::Held);
    assert_eq!(
        words::verdict(&held),
        "Not lost in 6 min 50 s; before, 5 times in 4 min 50 s. 95 % sure that it is better; no proof that it is cured."
    );
    assert_eq!(
        said(&held),
        "5 episodes in 290.0 s; none in 410.0 s since. The chance of that by luck alone is 1.2 %, so the result is at least 95 % sure"
    );
    let open =
        rows(&before, &[report(20.0)], &[("front", State::NotSure, (5, 0), (5, 0), (290.0, 20.0))]);
    let needed = 290.0 * (0.05_f64.powf(-0.2) - 1.0) - 20.0;
    near(open.rows[0].needed.unwrap(), needed);
    near((290.0 / (290.0 + 20.0 + needed)).powi(5), 0.05);
    let sentence = words::verdict(&open);
    assert!(
        sentence.contains("but not for long enough: at least another 218.0 s without a loss"),
        "{sentence}"
    );
    let sentence = said(&open);
    assert!(
        sentence.contains(
            "none in 20.00 s since. The chance of that by luck alone is 71.6 %; at least another \
             218.0 s without a loss"
        ),
        "{sentence}"
    );
    // Several captures after count together.
    rows(
        &before,
        &[report(200.0), report(210.0)],
        &[("front", State::Held, (5, 0), (5, 0), (290.0, 410.0))],
    );
    near(held.watched.0, 300.0);
    let two = compare(&before, &[report(200.0), report(210.0)]);
    near(two.watched.1, 410.0);
    assert_eq!(
        two.captures,
        (vec!["300 s".to_owned()], vec!["200 s".to_owned(), "210 s".to_owned()])
    );
}

/// Silent again for a reason that may be a loss: long enough or not, nothing has held.
#[test]
fn silent_again_with_a_doubt() {
    let before = front_lost(300.0, &FIVE);
    let doubtful = |doubt, nodes: &[NodeIndex], ids: &[usize]| {
        let scope = if nodes.is_empty() { Scope::Identifier } else { Scope::Node };
        let own = outage(scope, nodes, ids, 50.0, 2.0);
        Analysis {
            outages: vec![Outage { benign: true, doubt: Some(doubt), ..own }],
            ..report(410.0)
        }
    };
    let state = |after: Analysis| compare(&before, &[after]).rows[0].state;
    let again = doubtful(Doubt::NearTheEnd, &[FRONT], &[0, 1]);
    let comparison = compare(&before, std::slice::from_ref(&again));
    assert_eq!(comparison.verdict, State::NotSure);
    assert!(words::verdict(&comparison).contains("fell silent again"));
    assert!(said(&comparison).contains("silent again in 408.0 s since"), "{}", said(&comparison));
    // One identifier of it is enough; one of another node is not.
    assert_eq!(state(doubtful(Doubt::SenderUnknown, &[], &[1])), State::NotSure);
    assert_eq!(state(doubtful(Doubt::SenderUnknown, &[], &[2])), State::Held);
    // The key takes away many; what was lost alone before is not lost by it.
    assert_eq!(state(doubtful(Doubt::KeyOrSupply, &[FRONT, REAR], &[0, 1, 2, 3])), State::Held);
}

/// Lost again, and what had not been lost before.
#[test]
fn lost_since() {
    let before = front_lost(300.0, &FIVE);
    let again = rows(
        &before,
        &[front_lost(202.0, &[100.0])],
        &[("front", State::StillLost, (5, 1), (5, 1), (290.0, 200.0))],
    );
    assert_eq!(words::verdict(&again), "It is still lost.");
    let (ratio, low, high) = again.rows[0].ratio.unwrap();
    near(ratio.unwrap(), (1.0 / 200.0) / (5.0 / 290.0));
    assert!(low < 0.29 && high.unwrap() > 0.29);
    assert!(said(&again).starts_with(
        "5 episodes in 290.0 s; 1 episode in 200.0 s since; rate after over before 0.29 (95 %: 0.0"
    ));
    assert_eq!(again.rows[0].needed, None);
    let newly = rows(
        &report(300.0),
        &[front_lost(202.0, &[50.0, 150.0])],
        &[("front", State::NewlyLost, (0, 2), (0, 2), (300.0, 198.0))],
    );
    assert_eq!(words::verdict(&newly), "Something is lost that was not lost before.");
    assert_eq!(said(&newly), "not lost in 300.0 s before; 2 episodes in 198.0 s since");
    assert_eq!(newly.rows[0].ratio.unwrap().0, None);
    let nothing = rows(&report(300.0), &[report(100.0)], &[]);
    assert_eq!(
        (nothing.verdict, words::verdict(&nothing).as_str()),
        (State::NothingLost, "Nothing was lost before, and nothing after.")
    );
    // The worst comes first, and is the verdict.
    let rear = Analysis {
        outages: vec![outage(Scope::Node, &[REAR], &[2, 3], 10.0, 2.0)],
        ..report(402.0)
    };
    let expected = [
        ("rear", State::NewlyLost, (0, 1), (0, 1), (300.0, 400.0)),
        ("front", State::NotSure, (1, 0), (1, 0), (298.0, 402.0)),
    ];
    assert_eq!(rows(&front_lost(300.0, &[20.0]), &[rear], &expected).verdict, State::NewlyLost);
}

/// Bursts are one episode each, on both sides by the same gap; each capture after begins anew.
#[test]
fn bursts() {
    let before = front_lost(1000.0, &[100.0, 103.0, 106.0, 600.0]);
    let after = [front_lost(500.0, &[200.0, 204.0, 498.0]), front_lost(500.0, &[1.0])];
    let found =
        rows(&before, &after, &[("front", State::StillLost, (4, 4), (2, 3), (992.0, 992.0))]);
    near(found.rows[0].joined, 0.3 * 992.0 / 2.0);
    assert!(
        said(&found).starts_with(
            "2 episodes (from 4 losses, those within 148.8 s joined) in 16 min 32 s; 3 episodes"
        ),
        "{}",
        said(&found)
    );
}

/// While the bus slept or the recording paused nothing could be lost: that is not time watched. A
/// sleep of another channel is.
#[test]
fn time_watched() {
    let sleep =
        |channel, cause| Outage { channel, cause, ..outage(Scope::Bus, &[], &[], 250.0, 30.0) };
    let with = |outage: Outage| {
        let mut before = front_lost(300.0, &[20.0]);
        before.outages.push(outage);
        before
    };
    let after = [report(600.0)];
    for (outage, watched, all) in [
        (sleep(Some(0), Cause::BusSleep), 268.0, 270.0),
        (sleep(None, Cause::CaptureGap), 268.0, 270.0),
        (sleep(Some(1), Cause::BusSleep), 298.0, 270.0),
    ] {
        let found = rows(
            &with(outage),
            &after,
            &[("front", State::NotSure, (1, 0), (1, 0), (watched, 600.0))],
        );
        near(found.watched.0, all);
    }
    // A capture that is all loss was not watched at all: nothing is said of luck, it is back.
    let lost = Analysis {
        outages: vec![outage(Scope::Node, &[FRONT], &[0, 1], 0.0, 100.0)],
        ..report(100.0)
    };
    let found = rows(&lost, &after, &[("front", State::Back, (1, 0), (1, 0), (0.0, 600.0))]);
    assert_eq!((found.rows[0].p, found.rows[0].ratio), (None, None));
}

/// A branch is its nodes, a bus is itself, identifiers are each by itself; and what shares an
/// identifier is one thing, whatever it is called.
#[test]
fn who_was_lost() {
    let lost = |outages: Vec<Outage>| Analysis { outages, ..report(300.0) };
    let after = [report(300.0)];
    let one = |name, watched| (name, State::NotSure, (1, 0), (1, 0), (watched, 300.0));
    let branch = lost(vec![outage(Scope::Branch, &[FRONT, REAR], &[0, 1, 2, 3], 50.0, 4.0)]);
    rows(&branch, &after, &[one("front", 296.0), one("rear", 296.0)]);
    rows(
        &lost(vec![outage(Scope::Bus, &[FRONT], &[0, 1], 50.0, 4.0)]),
        &after,
        &[one("all of can0", 296.0)],
    );
    rows(
        &lost(vec![outage(Scope::Identifier, &[FRONT], &[0, 4], 50.0, 4.0)]),
        &after,
        &[one("0x100", 296.0), one("0x300", 296.0)],
    );
    // A bus and a node of it are two things.
    let both = lost(vec![
        outage(Scope::Bus, &[FRONT], &[0, 1], 50.0, 4.0),
        outage(Scope::Node, &[FRONT], &[0, 1], 90.0, 4.0),
    ]);
    rows(&both, &after, &[one("all of can0", 296.0), one("front", 296.0)]);
    // A node before, one of its identifiers after: still lost.
    let part = [lost(vec![outage(Scope::Identifier, &[FRONT], &[1], 100.0, 10.0)])];
    rows(
        &front_lost(300.0, &[50.0]),
        &part,
        &[("front", State::StillLost, (1, 1), (1, 1), (298.0, 290.0))],
    );
    // The whole bus on two channels.
    let other = Outage { channel: Some(1), ..outage(Scope::Bus, &[], &[], 100.0, 10.0) };
    let buses = lost(vec![outage(Scope::Bus, &[], &[], 50.0, 4.0), other]);
    rows(&buses, &after, &[one("all of can0", 296.0), one("all of can1", 290.0)]);
    // What a roster expects and nobody sent.
    let mut never = lost(vec![Outage {
        never_heard: vec![id("500")],
        ..outage(Scope::Identifier, &[], &[], 0.0, 100.0)
    }]);
    rows(&never, &after, &[one("0x500", 200.0)]);
    never.nodes.push(Node {
        name: "roof".to_owned(),
        never_heard: vec![id("500")],
        ids: Vec::new(),
        ..never.nodes[0].clone()
    });
    never.outages = vec![outage(Scope::Node, &[NodeIndex(2)], &[], 0.0, 100.0)];
    rows(
        &never,
        &part,
        &[("0x110", State::NewlyLost, (0, 1), (0, 1), (300.0, 290.0)), one("roof", 200.0)],
    );
}

/// What was sent on a timer before and by nobody after is lost, where the channel was listened to.
#[test]
fn not_heard_since() {
    let before = report(300.0);
    let without = |ids: &[&str]| {
        let mut after = report(100.0);
        after.identifiers.retain(|own| !ids.iter().any(|gone| own.id == id(gone)));
        after.nodes.clear();
        after
    };
    let gone = |name, watched| (name, State::NewlyLost, (0, 1), (0, 1), (watched, 100.0));
    let found = rows(&before, &[without(&["100", "110"])], &[gone("front", 300.0)]);
    assert_eq!(said(&found), "heard before, and not at all since");
    // One message may be of another mode of the vehicle: nothing is said to be lost.
    let lone = [("0x300", State::NotSure, (0, 0), (0, 0), (300.0, 0.0))];
    let found = rows(&before, &[without(&["300"])], &lone);
    assert!(said(&found).contains("sent only in one mode"), "{}", said(&found));
    assert!(words::verdict(&found).contains("Record as before"), "{}", words::verdict(&found));
    // A part of a node, or what comes now and then, may be missing for other reasons.
    rows(&before, &[without(&["100"])], &[]);
    rows(&before, &[without(&["310"])], &[]);
    // Heard in one of the captures, though seldom.
    rows(&before, &[without(&["100", "110"]), report(50.0)], &[]);
    let mut silent = report(100.0);
    silent.identifiers[0].frames = 0;
    silent.identifiers[1].frames = 1;
    rows(&before, std::slice::from_ref(&silent), &[]);
    silent.identifiers[1].frames = 0;
    rows(&before, &[silent], &[gone("front", 300.0)]);
    // Another channel, and one on which nothing came.
    let mut elsewhere = report(100.0);
    elsewhere.identifiers.iter_mut().take(2).for_each(|own| own.channel = 1);
    assert_eq!(compare(&before, std::slice::from_ref(&elsewhere)).rows.len(), 1);
    elsewhere.channels[0].frames = 0;
    elsewhere.identifiers.retain(|own| own.channel == 1);
    rows(&before, &[elsewhere], &[]);
    // Lost before too: it is still lost.
    let still = rows(
        &front_lost(300.0, &[50.0]),
        &[without(&["100", "110"])],
        &[("front", State::StillLost, (1, 1), (1, 1), (298.0, 100.0))],
    );
    assert_eq!(said(&still), "1 episode in 298.0 s; not heard at all since");
    // Lost in one capture after and not heard otherwise: counted as it was.
    let mut lost = without(&["100", "110"]);
    lost.outages = vec![Outage {
        never_heard: vec![id("100")],
        ..outage(Scope::Identifier, &[], &[], 10.0, 20.0)
    }];
    rows(
        &before,
        &[lost.clone(), lost],
        &[("0x100", State::NewlyLost, (0, 2), (0, 2), (300.0, 160.0))],
    );
}

/// Which channel is which is told by what is sent on it, not by the name of the interface.
#[test]
fn interfaces_swapped() {
    let before = front_lost(300.0, &FIVE);
    let swapped = |own: Analysis| {
        let mut own = own;
        own.identifiers.iter_mut().for_each(|id| id.channel = 1);
        own.nodes.iter_mut().for_each(|node| node.channel = 1);
        own.outages.iter_mut().for_each(|outage| outage.channel = Some(1));
        own
    };
    let held = rows(
        &before,
        &[swapped(report(410.0))],
        &[("front", State::Held, (5, 0), (5, 0), (290.0, 410.0))],
    );
    let moved = Notice::ChannelMoved("410 s".into(), "can1".into(), "can0".into());
    assert_eq!(held.notices[0], moved);
    rows(
        &before,
        &[swapped(front_lost(202.0, &[100.0]))],
        &[("front", State::StillLost, (5, 1), (5, 1), (290.0, 200.0))],
    );
    // The dead module on the other channel: what else is sent tells which it is.
    let mut dead = swapped(report(410.0));
    dead.identifiers.retain(|own| own.id != id("100") && own.id != id("110"));
    dead.nodes.clear();
    let found = compare(&before, &[dead]);
    assert_eq!((found.rows[0].state, found.rows[0].gone), (State::StillLost, true));
    // Its channel was not recorded: no time counts.
    let two = |mut own: Analysis| {
        for digits in ["600", "610", "620", "630", "640"] {
            let model = own.identifiers[4].clone();
            own.identifiers.push(Identifier { id: id(digits), channel: 1, ..model });
        }
        own
    };
    let mut other = two(report(410.0));
    other.channels.remove(0);
    other.identifiers.retain(|own| own.channel == 1);
    other.identifiers.iter_mut().for_each(|own| own.channel = 0);
    other.nodes.clear();
    let found = compare(&two(before), &[other]);
    assert_eq!(
        (found.verdict, found.rows.len(), found.rows[0].watched.1),
        (State::NotSure, 1, 0.0)
    );
    assert_eq!(found.notices[0], Notice::NotRecorded("410 s".into(), "can0".into()));
    assert!(words::verdict(&found).contains("not recorded"), "{}", words::verdict(&found));
}

/// Each drive after is asked by itself whether the module was there.
#[test]
fn absent_in_a_later_drive() {
    let before = front_lost(300.0, &FIVE);
    let mut gone = report(410.0);
    gone.identifiers.retain(|own| own.id != id("100") && own.id != id("110"));
    gone.nodes.clear();
    let after = [report(410.0), gone.clone()];
    let found =
        rows(&before, &after, &[("front", State::StillLost, (5, 1), (5, 1), (290.0, 820.0))]);
    assert!(!found.rows[0].gone);
    // It was not lost before: it may be of another mode.
    rows(&report(300.0), &after, &[]);
    // With the key off nothing of it is due.
    gone.channels[0].key = lostnode::analysis::KeyState::Off;
    let found = compare(&before, &[report(410.0), gone]);
    assert_eq!((found.rows[0].state, found.rows[0].watched.1), (State::Held, 410.0));
}

/// A message of the mended module that is not sent any more, or that falls silent to the end.
#[test]
fn a_part_was_left_out() {
    let mut before = front_lost(30.0, &[5.0, 10.0, 15.0, 20.0, 25.0]);
    before.channels.iter_mut().for_each(|own| own.awake = 30.0);
    let mut part = report(410.0);
    part.identifiers.remove(1);
    part.nodes[0].ids.pop();
    part.nodes[1].ids = vec![IdIndex(1), IdIndex(2)];
    let found = compare(&before, &[part]);
    assert_eq!(found.verdict, State::NotSure);
    assert!(words::verdict(&found).contains("not all that it sent"), "{}", words::verdict(&found));
    let names: Vec<String> = found.rows.iter().map(|row| words::name(&row.lost)).collect();
    assert_eq!(names, ["front", "0x110"]);
    let mut ends = report(410.0);
    let silent = outage(Scope::Identifier, &[FRONT], &[1], 200.0, 210.0);
    ends.outages = vec![Outage { benign: true, ongoing: true, ..silent }];
    let found = compare(&before, &[ends]);
    assert_eq!(found.verdict, State::NotSure);
    assert!(
        words::verdict(&found).contains("fell silent afterwards"),
        "{}",
        words::verdict(&found)
    );
}

/// Lawful silences of others, and those that overlap, take nothing from the time watched; what two
/// recorders heard at once counts once.
#[test]
fn time_counts_once() {
    let switched = |nodes: &[NodeIndex], ids: &[usize], at, lasts| Outage {
        benign: true,
        cause: Cause::SwitchedOff,
        ..outage(Scope::Branch, nodes, ids, at, lasts)
    };
    let mut before = front_lost(300.0, &[20.0]);
    before.outages.push(switched(&[REAR], &[2, 3], 30.0, 250.0));
    before.outages.push(switched(&[FRONT], &[0, 1], 100.0, 50.0));
    before.outages.push(switched(&[FRONT, REAR], &[0, 1, 2, 3], 120.0, 80.0));
    // One message of it is no silence of it.
    before.outages.push(switched(&[], &[0], 210.0, 80.0));
    let date = 1_700_000_000 * 1_000_000_000;
    let dated = |from: f64, to: f64| Analysis {
        span: Some((date + nanoseconds(from), date + nanoseconds(to))),
        ..report(to - from)
    };
    let after = [dated(0.0, 300.0), dated(100.0, 400.0)];
    let found = rows(&before, &after, &[("front", State::NotSure, (1, 0), (1, 0), (198.0, 400.0))]);
    near(found.watched.1, 400.0);
    // A loss that both heard is one loss.
    let lost = after.map(|mut own| {
        let front = front_lost(300.0, &[0.0]).outages.remove(0);
        let at = |seconds: f64| date + nanoseconds(seconds);
        own.outages = vec![Outage { start: at(200.0), end: at(202.0), ..front }];
        own
    });
    assert_eq!(compare(&before, &lost).rows[0].losses, (1, 1));
}

/// Captures that do not belong together are not compared.
#[test]
fn left_out() {
    let vin = |vin: &str, own: Analysis| {
        let mut own = own;
        own.diagnosis.vehicle.vin = Some(vin.to_owned());
        own
    };
    let before = vin("WAUZZZ00000000001", front_lost(300.0, &FIVE));
    let found = compare(&before, &[vin("WAUZZZ00000000002", report(410.0))]);
    assert_eq!((found.verdict, found.all_left_out), (State::NotSure, true));
    assert!(
        words::verdict(&found).contains("do not belong together"),
        "{}",
        words::verdict(&found)
    );
    // One that fits is judged by itself.
    let both = [vin("WAUZZZ00000000002", report(20.0)), report(410.0)];
    let found = compare(&before, &both);
    assert_eq!((found.verdict, found.rows[0].watched.1), (State::Held, 410.0));
}

/// What the roster missed before, all of it or a part, is named where it is back.
#[test]
fn a_part_is_back() {
    let with = |ids: &[&str], missing: &[&str], doubt: Option<Doubt>| {
        let mut own = report(60.0);
        own.identifiers.retain(|known| {
            !["100", "110"].iter().any(|id| known.id == parse_id(id).unwrap())
                || ids.iter().any(|id| known.id == parse_id(id).unwrap())
        });
        let kept = own.identifiers.len() - 4;
        own.nodes[0].ids = (0..kept).map(IdIndex).collect();
        own.nodes[0].never_heard = missing.iter().map(|own| id(own)).collect();
        own.nodes[1].ids = vec![IdIndex(kept), IdIndex(kept + 1)];
        let ids = missing.iter().map(|own| id(own)).collect();
        let never = outage(Scope::Node, &[FRONT], &[], 0.0, 60.0);
        let never = Outage { never_heard: ids, benign: doubt.is_some(), doubt, ..never };
        own.outages = if missing.is_empty() { Vec::new() } else { vec![never] };
        own.has_roster = true;
        own
    };
    let key = Some(Doubt::KeyOrSupply);
    for doubt in [None, key] {
        let found =
            compare(&with(&[], &["100", "110"], doubt), &[with(&["100", "110"], &[], None)]);
        assert_eq!(found.verdict, State::Back, "{doubt:?}");
    }
    let before = with(&[], &["100", "110"], None);
    let found = compare(&before, &[with(&["100"], &["110"], None)]);
    assert_eq!(found.verdict, State::StillLost);
    assert_eq!(
        words::verdict(&found),
        "Only a part of it is back: 1 of 2 identifiers; still not heard: 0x110."
    );
    let found = compare(&before, std::slice::from_ref(&before));
    assert_eq!(said(&found), "not heard at all before, nor since");
}

/// A module that the roster knows and that was silent all along has no rate: it is back, or it was
/// heard too shortly.
#[test]
fn silent_all_along() {
    let mut before = report(60.0);
    before.outages = vec![outage(Scope::Node, &[FRONT], &[0, 1], 0.0, 60.0)];
    let back =
        rows(&before, &[report(20.0)], &[("front", State::Back, (1, 0), (1, 0), (0.0, 20.0))]);
    assert_eq!(said(&back), "not heard at all before; heard throughout for 20.00 s since");
    assert!(words::verdict(&back).starts_with("What was silent all along before is back."));
    let short =
        rows(&before, &[report(5.0)], &[("front", State::NotSure, (1, 0), (1, 0), (0.0, 5.0))]);
    assert!(words::verdict(&short).ends_with("too shortly to tell: 10 s are enough."));
    assert!(!said(&short).contains("0.00 s"), "{}", said(&short));
}

/// Without a roster nobody knows that a module was missing: what is heard only since is named.
#[test]
fn heard_only_since() {
    let mut before = report(60.0);
    before.identifiers.retain(|own| own.id != id("100") && own.id != id("110"));
    before.identifiers.iter_mut().for_each(|own| own.node = None);
    before.nodes.clear();
    let found = compare(&before, &[report(60.0)]);
    let named = vec![id("100"), id("110")];
    assert_eq!(found.notices[0], Notice::HeardOnlySince("60 s".to_owned(), named));
    assert!(words::verdict(&found).contains("not heard before at all"));
    before.has_roster = true;
    assert_eq!(compare(&before, &[report(60.0)]).notices, [Notice::SameRoads]);
}

/// What the verdict leaves out is said.
#[test]
fn notices() {
    let said = |before: &Analysis, after: &[Analysis]| compare(before, after).notices;
    let sound = said(&report(300.0), &[report(100.0)]);
    assert_eq!(sound, [Notice::SameRoads]);
    assert!(words::notice(&sound[0]).contains("only if the drive repeated the road"));
    let mut refused = report(100.0);
    refused.captures[0].rejected = 3;
    refused.span = None;
    let found = said(&report(300.0), &[refused]);
    assert_eq!(
        found[..2],
        [Notice::NoTimeStamps("100 s".to_owned()), Notice::Rejected("100 s".to_owned(), 3)]
    );
    let mut lasting = front_lost(100.0, &[90.0]);
    assert_eq!(said(&report(300.0), std::slice::from_ref(&lasting)).len(), 1);
    lasting.outages[0].ongoing = true;
    assert_eq!(said(&report(300.0), &[lasting])[0], Notice::LossToTheEnd);
}

/// A module by its letter: A answers with 7E8, B with 7E9.
fn module(letter: &str) -> Module {
    let answers = if letter == "A" { "7E8" } else { "7E9" };
    Module { channel: 0, party: Party::Id(id(answers)) }
}

/// A code of a module, and whether a later reading no longer had it.
fn code(code: &str, letter: &str, gone: bool, tested: Option<bool>) -> CodeEntry {
    CodeEntry {
        number: CodeNumber::Code(Code::parse(code).unwrap()),
        module: module(letter),
        missed: None,
        missed_address: None,
        failed_before_the_clear: false,
        status: None,
        lists: Vec::new(),
        standing: CodeStanding::Stored,
        seen: None,
        cleared: None,
        returned: false,
        gone: gone.then_some(1),
        stayed_away: None,
        tested,
        count: None,
        event: None,
        unconfigured: false,
        misfit: None,
        invalid: None,
        internal: false,
        bus_off: false,
        age: CodeAge::Untold,
        passed: false,
        of_last_drive: false,
        appeared: None,
        lamp: false,
        counter: None,
        severity: None,
        old_conversion: false,
        active: None,
    }
}

/// A report whose modules named were read for codes, and what they had.
fn read(modules: &[&str], codes: Vec<CodeEntry>) -> Analysis {
    let mut report = report(100.0);
    report.diagnosis.codes_read = modules.iter().map(|letter| module(letter)).collect();
    let talk = |letter: &&str| TalkEntry {
        module: module(letter),
        positive: 1,
        negative: Vec::new(),
        unanswered: 0,
        pending: 0,
        late: 0,
        slowest: None,
        mute: Vec::new(),
        answered: Vec::new(),
    };
    report.diagnosis.talks = modules.iter().map(talk).collect();
    report.diagnosis.codes = codes;
    report
}

const STILL_THERE: CodeChange = CodeChange::StillThere;
const RETURNED: CodeChange = CodeChange::Returned;
const NOT_READ: CodeChange = CodeChange::NotRead;
const GONE: CodeChange = CodeChange::Gone { tested: Some(true) };
const GONE_UNTESTED: CodeChange = CodeChange::Gone { tested: Some(false) };
const GONE_UNKNOWN: CodeChange = CodeChange::Gone { tested: None };

#[track_caller]
fn changes(before: &Analysis, after: &[Analysis], expected: &[(&str, &str, CodeChange)]) {
    let found: Vec<_> = compare(before, after)
        .codes
        .into_iter()
        .map(|row| (row.code, row.reporter.party, row.change))
        .collect();
    let expected: Vec<_> = expected
        .iter()
        .map(|(number, letter, change)| {
            (code(number, letter, false, None).number, module(letter).party, *change)
        })
        .collect();
    assert_eq!(found, expected);
}

/// What became of one code of module A.
#[track_caller]
fn change(own: CodeEntry, after: &[Analysis], expected: CodeChange) {
    changes(&read(&["A"], vec![own]), after, &[("U0100", "A", expected)]);
}

#[test]
fn codes() {
    let (active, cleared) =
        (|| code("U0100", "A", false, None), |tested| code("U0100", "A", true, tested));
    change(active(), &[read(&["A"], vec![active()])], STILL_THERE);
    change(cleared(None), &[read(&["A"], vec![active()])], RETURNED);
    change(active(), &[read(&["A"], vec![CodeEntry { returned: true, ..active() }])], RETURNED);
    change(active(), &[read(&["A"], vec![cleared(Some(true))])], GONE);
    change(active(), &[read(&["A"], vec![cleared(Some(false))])], GONE_UNTESTED);
    change(active(), &[read(&["A"], vec![cleared(None)])], GONE_UNKNOWN);
    change(active(), &[read(&["A"], vec![])], GONE_UNKNOWN);
    // What stayed away with its test run before the drive after is known to be tested.
    change(cleared(Some(true)), &[read(&["A"], vec![])], GONE);
    // Nobody asked the module afterwards, or not for codes: what was known before stands.
    change(active(), &[report(100.0)], NOT_READ);
    change(active(), &[read(&["B"], vec![])], NOT_READ);
    change(cleared(Some(true)), &[read(&["B"], vec![])], GONE);
    let mut spoke = read(&["A"], vec![]);
    spoke.diagnosis.codes_read.clear();
    change(active(), std::slice::from_ref(&spoke), NOT_READ);
    change(cleared(Some(true)), std::slice::from_ref(&spoke), GONE);
    // The last capture in which the module answered decides; one in which it only refused does not.
    let mut refused = read(&["A"], vec![]);
    refused.diagnosis.talks[0].positive = 0;
    change(active(), &[read(&["A"], vec![active()]), refused, read(&["B"], vec![])], STILL_THERE);
    change(active(), &[read(&["A"], vec![active()]), read(&["A"], vec![])], GONE_UNKNOWN);
    let mut codes_only = read(&["A"], vec![active()]);
    codes_only.diagnosis.talks.clear();
    change(active(), &[read(&["A"], vec![]), codes_only], STILL_THERE);
    // The same code of another module is another one; a new one counts unless it is gone already.
    let others = vec![
        code("U0100", "B", false, None),
        code("U0200", "A", false, None),
        code("U0300", "A", true, None),
    ];
    let expected = [
        ("U0100", "A", GONE_UNKNOWN),
        ("U0100", "B", CodeChange::New),
        ("U0200", "A", CodeChange::New),
    ];
    changes(&read(&["A"], vec![active()]), &[read(&["A", "B"], others)], &expected);
}

/// Monitors of the module itself tell whether a code that is gone was tested for again; those that
/// are open or changed are listed.
#[test]
fn monitors() {
    let with = |monitors: &[(&str, &'static str, bool)]| {
        let mut report = read(&["A"], vec![]);
        report.diagnosis.vehicle.monitors = monitors
            .iter()
            .map(|(letter, monitor, complete)| MonitorEntry {
                module: module(letter),
                monitor,
                complete: *complete,
            })
            .collect();
        report
    };
    let active = || code("U0100", "A", false, None);
    change(active(), &[with(&[("A", "catalyst", true), ("A", "fuel", true)])], GONE);
    change(active(), &[with(&[("A", "catalyst", true), ("A", "fuel", false)])], GONE_UNTESTED);
    change(active(), &[with(&[("A", "catalyst", false), ("A", "fuel", true)])], GONE_UNTESTED);
    change(active(), &[with(&[("B", "catalyst", false)])], GONE_UNKNOWN);
    let listed = |before: &Analysis, after: &[Analysis]| {
        let comparison = compare(before, after);
        words::monitors(&comparison)
            .into_iter()
            .map(|row| {
                let letter = if row.module.party == module("A").party { "A" } else { "B" };
                format!("{letter} {} {:?} {:?}", row.monitor, row.complete.0, row.complete.1)
            })
            .collect::<Vec<_>>()
    };
    let before = with(&[
        ("A", "catalyst", true),
        ("A", "fuel", true),
        ("A", "misfire", false),
        ("B", "fuel", false),
    ]);
    let after = [
        with(&[("A", "catalyst", true), ("A", "fuel", false), ("A", "misfire", false)]),
        read(&["A"], vec![]),
    ];
    let none: [&str; 0] = [];
    assert_eq!(
        listed(&before, &after),
        [
            "A fuel Some(true) Some(false)",
            "A misfire Some(false) Some(false)",
            "B fuel Some(false) None"
        ]
    );
    assert_eq!(listed(&with(&[("A", "fuel", true)]), &[with(&[("A", "fuel", true)])]), none);
    assert_eq!(listed(&report(1.0), &[with(&[("A", "fuel", true)])]), ["A fuel None Some(true)"]);
}

/// A module is the same one whatever it calls itself, and another one on another channel.
#[test]
fn a_module_is_known_by_its_place() {
    let active = || code("U0100", "A", false, None);
    let mut named = read(&["A"], vec![active()]);
    named.diagnosis.identity = vec![IdentityEntry {
        module: module("A"),
        vin: None,
        part_number: None,
        calibration_ids: Vec::new(),
        verification_numbers: Vec::new(),
        name: Some("ECM".to_owned()),
        others: Vec::new(),
        sources: Vec::new(),
        problems: Vec::new(),
    }];
    change(active(), &[named], STILL_THERE);
    let mut elsewhere = read(&["A"], vec![active()]);
    elsewhere.diagnosis.codes[0].module.channel = 1;
    elsewhere.diagnosis.talks.clear();
    elsewhere.diagnosis.codes_read.clear();
    changes(
        &read(&["A"], vec![active()]),
        &[elsewhere],
        &[("U0100", "A", NOT_READ), ("U0100", "A", CodeChange::New)],
    );
}

/// Nothing was lost, and one channel was hardly heard: that is said before what was kept.
#[test]
fn a_channel_that_was_hardly_heard_is_told() {
    let told = |silent: f64| {
        let stop = outage(Scope::Bus, &[], &[], 100.0 - silent, silent);
        let own = Analysis { outages: vec![Outage { benign: true, ..stop }], ..report(100.0) };
        lostnode::words::first_screen::kept_time(&own)
    };
    assert!(
        told(84.0).starts_with("can0 was heard for only 16 s of 1 min 40 s. "),
        "{}",
        told(84.0)
    );
    assert!(!told(40.0).contains("only"), "{}", told(40.0));
}
