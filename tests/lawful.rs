//! Which silences are lawful and which are losses: the smallest captures that show each rule, made
//! by hand, so that each time is known to the frame.

use std::fmt::Write as _;

use lostnode::analysis::{Analysis, Cause, Doubt, Evidence, Outage, Why};
use lostnode::capture::Source;
use lostnode::silence::StopSign;

/// An identifier on a timer, as it stands in a log line.
#[derive(Clone)]
struct Message {
    id: String,
    period: f64,
    first: f64,
    data: fn(f64) -> String,
    /// Silent from one second to another; the time grid begins anew after `shift` seconds more.
    silent: Vec<(f64, f64, f64)>,
}

fn message(id: &str, period: f64, first: f64) -> Message {
    Message { id: id.to_owned(), period, first, data: |_| "00".to_owned(), silent: Vec::new() }
}

impl Message {
    /// Silent for a while, and back on its grid.
    fn silent(mut self, from: f64, to: f64) -> Message {
        self.silent.push((from, to, 0.0));
        self
    }

    /// Silent for a while, and back `shift` seconds off its grid.
    fn anew(mut self, from: f64, to: f64, shift: f64) -> Message {
        self.silent.push((from, to, shift));
        self
    }

    fn times(&self, seconds: f64) -> Vec<f64> {
        let steps = (0..).map(|step| self.first + f64::from(step) * self.period);
        steps
            .take_while(|time| *time < seconds)
            .filter(|time| !self.silent.iter().any(|(from, to, _)| (*from..*to).contains(time)))
            .map(|time| {
                let shift = self.silent.iter().filter(|(_, to, _)| time >= *to);
                time + shift.map(|(_, _, shift)| shift).sum::<f64>()
            })
            .collect()
    }
}

/// What is said of `seconds` of these messages.
fn analysis(seconds: f64, messages: &[Message]) -> Analysis {
    let mut frames: Vec<(f64, String)> = Vec::new();
    for message in messages {
        let line = |time: f64| (time, format!("{}#{}", message.id, (message.data)(time)));
        frames.extend(message.times(seconds).into_iter().map(line));
    }
    frames.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut log = String::new();
    for (time, frame) in frames {
        writeln!(log, "({:.6}) can0 {frame}", 1_000.0 + time).unwrap();
    }
    let source = Source::Bytes { name: "made by hand".into(), bytes: log.into_bytes() };
    lostnode::analyse(source, &lostnode::Options::default()).unwrap()
}

/// `count` messages of 10 to 100 ms from an identifier on, each with its own phase.
fn messages(first: u32, count: u32) -> Vec<Message> {
    let one = |at: u32| {
        let period = [0.01, 0.02, 0.05, 0.1][at as usize % 4];
        message(&format!("{:03X}", first + at), period, 0.0007 * f64::from(at + first % 7))
    };
    (0..count).map(one).collect()
}

/// All of these silent at one instant.
fn cut(messages: Vec<Message>, from: f64, to: f64) -> Vec<Message> {
    messages.into_iter().map(|message| message.silent(from, to)).collect()
}

fn only(analysis: &Analysis) -> &Outage {
    assert_eq!(analysis.outages.len(), 1, "{:#?}", analysis.outages);
    &analysis.outages[0]
}

fn why(outage: &Outage) -> Option<Why> {
    outage.evidence.iter().find_map(|evidence| match evidence {
        Evidence::Why(why) => Some(*why),
        _ => None,
    })
}

#[test]
fn a_supply_that_takes_half_away_at_one_instant_is_a_loss() {
    let found = analysis(20.0, &[cut(messages(0x100, 14), 8.0, 11.0), messages(0x300, 9)].concat());
    let outage = only(&found);
    assert!(outage.is_loss());
    assert_eq!(outage.ids.len(), 14);
    assert!(matches!(why(outage), Some(Why::PhaseKept { kept: 10.., .. })), "{outage:?}");
}

#[test]
fn modules_that_leave_one_after_another_were_switched_off() {
    let off = |to: f64| {
        [
            cut(messages(0x100, 6), 8.0, to),
            cut(messages(0x200, 5), 8.3, to + 0.1),
            cut(messages(0x300, 4), 9.1, to + 0.2),
            messages(0x500, 8),
        ]
        .concat()
        .into_iter()
        .enumerate()
        // Each begins its grid anew.
        .map(|(at, mut message)| {
            message.silent.iter_mut().for_each(|silent| silent.2 = 0.0031 * (at + 1) as f64);
            message
        })
        .collect::<Vec<_>>()
    };
    let found = analysis(30.0, &off(15.0));
    let outage = only(&found);
    assert_eq!((outage.cause, outage.benign, outage.doubt), (Cause::SwitchedOff, true, None));
    assert_eq!(outage.ids.len(), 15);
    assert_eq!(found.lost().count(), 0);
    // Without its return it may be their common supply.
    let found = analysis(30.0, &off(100.0));
    let outage = only(&found);
    assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, Some(Doubt::KeyOrSupply)));
    assert!(outage.ongoing);
}

#[test]
fn one_module_that_leaves_for_good_is_a_loss() {
    let found = analysis(20.0, &[cut(messages(0x100, 6), 8.0, 99.0), messages(0x300, 12)].concat());
    let outage = only(&found);
    assert!(outage.is_loss() && outage.ongoing);
    assert_eq!(why(outage), Some(Why::OneInstant { identifiers: 6 }));
}

#[test]
fn one_message_that_pauses_is_told_and_not_blamed() {
    let others = || messages(0x300, 6);
    // Of a clock of its own.
    let once = message("1A0", 0.02 * (1.0 + 8e-5), 0.001).anew(8.0, 9.0, 0.007);
    let found = analysis(20.0, &[vec![once], others()].concat());
    let outage = only(&found);
    assert!(!outage.is_loss());
    assert_eq!(outage.doubt, Some(Doubt::SenderUnknown));
    // On a schedule it is sound.
    let mut regular = message("1A0", 0.02, 0.001);
    for start in [3.0, 7.0, 11.0, 15.0] {
        regular = regular.anew(start, start + 1.0, 0.003);
    }
    let found = analysis(20.0, &[vec![regular], others()].concat());
    assert_eq!(found.outages.len(), 4);
    assert!(found.outages.iter().all(|outage| outage.benign && outage.doubt.is_none()));
}

#[test]
fn senders_of_any_clock_that_fall_silent_together_are_one_outage() {
    // Six messages whose periods drift apart by 30 ppm and more: their clocks say nothing of one
    // sender.
    let one = |at: u32| {
        let period = 0.02 * (1.0 + 3e-5 * f64::from(at));
        message(&format!("{:03X}", 0x100 + at), period, 0.002 * f64::from(at)).silent(60.0, 63.0)
    };
    let found = analysis(120.0, &[(0..6).map(one).collect(), messages(0x300, 6)].concat());
    assert_eq!(only(&found).ids.len(), 6);
    assert!(only(&found).is_loss());
}

/// Two bytes of engine speed, 0.125 revolutions a bit, in the fourth and fifth.
fn engine(running: fn(f64) -> bool) -> fn(f64) -> String {
    // Functions without captures only: one for each story told below.
    fn data(runs: bool) -> String {
        let speed: u16 = if runs { 700 * 8 } else { 0 };
        let [low, high] = speed.to_le_bytes();
        format!("FFFFFF{low:02X}{high:02X}FFFFFF")
    }
    if running(8.5) { |_| data(true) } else { |time| data(time < 8.1) }
}

#[test]
fn the_engine_proves_the_key() {
    let truck = |data: fn(f64) -> String| {
        let mut speed = message("0CF00400", 0.02, 0.0);
        speed.data = data;
        let brakes = ["18F0010B", "18FEBF0B", "0C00000B", "18FEC10B"];
        let brakes = brakes
            .iter()
            .enumerate()
            .map(|(at, id)| message(id, 0.1, 0.003 * (at + 1) as f64).anew(8.0, 12.0, 0.021));
        let others = ["18FEEE00", "18FEF700", "18FEF200"].map(|id| message(id, 0.1, 0.011));
        [vec![speed], brakes.collect(), others.to_vec()].concat()
    };
    let found = analysis(20.0, &truck(engine(|_| false)));
    let outage = only(&found);
    assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, None));
    assert_eq!(why(outage), Some(Why::EngineStood));
    // The same while the engine runs on.
    let found = analysis(20.0, &truck(engine(|_| true)));
    assert!(only(&found).is_loss(), "{:?}", only(&found));
}

#[test]
fn a_bus_that_wakes_for_moments_sleeps() {
    let awake = |message: Message| message.anew(10.0, 20.0, 0.004);
    let sleeping = messages(0x100, 12).into_iter().map(awake);
    // A poll of the network management, once a second.
    let poll = (0..4).map(|at| message(&format!("{:03X}", 0x500 + at), 1.0, 0.01 * f64::from(at)));
    let found = analysis(30.0, &sleeping.chain(poll).collect::<Vec<_>>());
    let sleeps: Vec<&Outage> =
        found.outages.iter().filter(|outage| outage.cause == Cause::BusSleep).collect();
    assert_eq!(sleeps.len(), 1, "{:#?}", found.outages);
    let woke =
        |evidence: &Evidence| matches!(evidence, Evidence::Stop(StopSign::Woke { times: 8.. }));
    assert!(sleeps[0].evidence.iter().any(woke), "{:?}", sleeps[0]);
    assert_eq!(found.lost().count(), 0);
}

#[test]
fn a_recorder_catches_everyone_in_time() {
    let found = analysis(20.0, &cut(messages(0x100, 12), 8.0, 11.0));
    assert_eq!(only(&found).cause, Cause::CaptureGap);
}

#[test]
fn few_that_came_back_off_their_grid_may_have_stopped() {
    let anew = |message: Message| message.anew(8.0, 11.0, 0.0037);
    let found = analysis(20.0, &messages(0x100, 6).into_iter().map(anew).collect::<Vec<_>>());
    let outage = only(&found);
    assert!(!outage.is_loss());
    assert_eq!(outage.doubt, Some(Doubt::PauseOrStop), "{outage:?}");
}
