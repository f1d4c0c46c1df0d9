//! Which silences are lawful and which are losses: the smallest captures that show each rule, made
//! by hand, so that each time is known to the frame.

#[path = "common/messages.rs"]
mod messages;

use lostnode::analysis::{Analysis, Cause, Doubt, Evidence, Outage, Why};
use lostnode::capture::Source;
use lostnode::settings::Settings;
use lostnode::silence::StopSign;
use messages::{Message, cut, log, message, messages, once, read};

/// What is said of `seconds` of these messages.
fn analysis(seconds: f64, messages: &[Message]) -> Analysis {
    let log = log(seconds, messages);
    let source = Source::Bytes { name: "made by hand".into(), bytes: log.into_bytes() };
    lostnode::analyse(source, &lostnode::Options::default()).unwrap()
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

/// A tester asks once, and a module answers that it misses another one.
fn misses_a_module(at: f64, answer: fn(f64) -> String) -> [Message; 2] {
    let single =
        |id: &str, at: f64, data: fn(f64) -> String| Message { data, ..message(id, 1000.0, at) };
    [single("7E0", at, |_| "031902FF00000000".to_owned()), single("7E8", at + 0.02, answer)]
}

/// Its code fails now.
fn missed_now(_: f64) -> String {
    "075902FFC140002F".to_owned()
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

/// Two modules may fail within seconds of each other. One stage of the key brings all back within
/// seconds; where a module is missed, what came back while the others stayed away hung on another.
#[test]
fn what_comes_back_apart_was_not_switched_off_together() {
    let judged = |to: f64, asked: &[Message]| {
        let one = |first, count, from, to, shift| {
            let cut = cut(messages(first, count), from, to).into_iter();
            cut.map(move |mut own| {
                own.silent[0].2 = shift;
                own
            })
        };
        let others = messages(0x500, 8);
        let of_two = one(0x100, 6, 8.0, 15.0, 0.0033).chain(one(0x200, 4, 10.0, to, 0.0047));
        let all = of_two.chain(others).chain(asked.iter().cloned());
        analysis(40.0, &all.collect::<Vec<_>>())
    };
    let two = |to: f64| judged(to, &misses_a_module(30.0, missed_now));
    let apart = two(21.0);
    let lost: Vec<usize> = apart.lost().map(|outage| outage.ids.len()).collect();
    assert_eq!(lost, [6, 4], "{:#?}", apart.outages);
    // Back within seconds of each other it may be the key.
    let together = two(17.0);
    let outage = only(&together);
    assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, Some(Doubt::KeyOrSupply)));
    // Nor did what came back hang on that which never did.
    assert_eq!(two(99.0).lost().count(), 2);
    // Where nobody misses a module, the driver may have turned the key back in two stages.
    for to in [21.0, 99.0] {
        let stages = judged(to, &[]);
        let outage = only(&stages);
        assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, Some(Doubt::KeyOrSupply)));
        assert_eq!(outage.ids.len(), 10);
    }
}

/// These silent at one instant; each begins its grid anew.
fn restarting(messages: Vec<Message>, from: f64, to: f64) -> Vec<Message> {
    messages.into_iter().map(|own| own.anew(from, to, 0.0033)).collect()
}

/// A key takes each module once: who left twice, and was heard between, was lost.
#[test]
fn who_leaves_twice_was_not_switched_off() {
    let judged = |again: bool| {
        let one = restarting(messages(0x100, 6), 8.0, 9.7);
        let one = if again { restarting(one, 12.0, 13.4) } else { one };
        let other = restarting(messages(0x200, 4), 8.3, 15.0);
        analysis(40.0, &[one, other, messages(0x500, 24)].concat())
    };
    let twice = judged(true);
    assert!(twice.lost().count() >= 3, "{:#?}", twice.outages);
    assert!(twice.outages.iter().all(|outage| outage.cause != Cause::SwitchedOff));
    let once = judged(false);
    let outage = only(&once);
    assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, Some(Doubt::KeyOrSupply)));
}

/// A supply that fails holds each module up for a time of its own, a fraction of a second, and what
/// comes and goes is soon back. Software takes longer, and a key is off for longer.
#[test]
fn modules_that_are_held_up_have_lost_their_supply() {
    let judged = |from: f64, to: f64| {
        let one = restarting(messages(0x100, 6), 8.0, to);
        let other = restarting(messages(0x200, 4), from, to + 0.3);
        analysis(40.0, &[one, other, messages(0x500, 24)].concat())
    };
    let found = judged(8.2, 9.5);
    let outage = only(&found);
    assert!(outage.is_loss() && outage.ids.len() == 10, "{outage:#?}");
    assert!(matches!(why(outage), Some(Why::HeldUp { identifiers: 10, .. })), "{outage:?}");
    for (from, to) in [(8.6, 9.5), (8.2, 20.0)] {
        assert_eq!(only(&judged(from, to)).cause, Cause::SwitchedOff);
    }
}

/// Two steps of few modules, seconds apart, are two losses; within a second they may be the key.
#[test]
fn two_steps_far_apart_are_two_losses() {
    let judged = |from: f64| {
        let one = restarting(messages(0x100, 6), 8.0, 15.0);
        let other = restarting(messages(0x200, 4), from, 17.0);
        analysis(40.0, &[one, other, messages(0x500, 16)].concat())
    };
    let apart = judged(10.5);
    let lost: Vec<usize> = apart.lost().map(|outage| outage.ids.len()).collect();
    assert_eq!(lost, [6, 4], "{:#?}", apart.outages);
    assert_eq!(only(&judged(8.6)).cause, Cause::SwitchedOff);
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

/// A truck whose brakes fall silent from 8 to 12 s, and others as well where they are given.
fn truck(engine: fn(f64) -> String, more: &[Message]) -> Vec<Message> {
    let mut speed = message("0CF00400", 0.02, 0.0);
    speed.data = engine;
    let others = ["18FEEE00", "18FEF500", "18FEF200"].map(|id| message(id, 0.1, 0.011));
    [vec![speed], leaving("0B", 8.0, 12.0), others.to_vec(), more.to_vec()].concat()
}

/// Four messages of a truck's control unit, silent for a while and back off their grid.
fn leaving(address: &str, from: f64, to: f64) -> Vec<Message> {
    let of = |(at, group): (usize, &str)| {
        message(&format!("{group}{address}"), 0.1, 0.003 * (at + 1) as f64).anew(from, to, 0.021)
    };
    ["18F001", "18FEBF", "18FEF1", "18FEC1"].into_iter().enumerate().map(of).collect()
}

#[test]
fn the_engine_proves_the_key() {
    let found = analysis(20.0, &truck(engine(|_| false), &leaving("21", 8.7, 12.3)));
    let outage = only(&found);
    assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, None));
    assert_eq!(why(outage), Some(Why::EngineStood));
    // Where one sender alone falls silent, the engine may have stalled for want of it.
    let found = analysis(20.0, &truck(engine(|_| false), &[]));
    let outage = only(&found);
    assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, Some(Doubt::KeyOrSupply)));
    // What turns faster than any such engine once is none, and proves no key.
    fn no_speed(time: f64) -> String {
        let [low, high] = if time < 1.0 { 6000u16 * 8 } else { 0 }.to_le_bytes();
        format!("FFFFFF{low:02X}{high:02X}FFFFFF")
    }
    let found = analysis(20.0, &truck(no_speed, &leaving("21", 8.7, 12.3)));
    assert!(found.outages.iter().all(|own| why(own) != Some(Why::EngineStood)));
    // The same while the engine runs on.
    let found = analysis(20.0, &truck(engine(|_| true), &[]));
    assert!(only(&found).is_loss(), "{:?}", only(&found));
}

/// The engine stops and modules leave; it runs again for long, and two of them do not come back.
#[test]
fn who_stays_away_while_the_engine_runs_again_is_lost() {
    /// Stands from 8.1 to 14 s.
    fn speed(time: f64) -> String {
        if (8.1..14.0).contains(&time) { "FFFFFF0000FFFFFF" } else { "FFFFFFE015FFFFFF" }.to_owned()
    }
    let two = [leaving("21", 8.7, 99.0), leaving("03", 9.4, 99.0)].concat();
    let away = |seconds| analysis(seconds, &truck(speed, &two));
    let found = away(50.0);
    let lost: Vec<&Outage> = found.lost().collect();
    assert_eq!(lost.len(), 2, "{:#?}", found.outages);
    for own in lost {
        assert!(own.ongoing && own.ids.len() == 4);
        assert!(matches!(why(own), Some(Why::EngineRanAgain { seconds: 30.0.. })), "{own:?}");
    }
    // What came back is the key's; and where the recording ends soon after, so is all.
    assert_eq!(found.outages.iter().filter(|own| own.cause == Cause::SwitchedOff).count(), 1);
    assert_eq!(away(24.0).lost().count(), 0);
    // What goes together may be a trailer that was unhitched in the stop; a code decides.
    let trailer = [leaving("21", 8.7, 99.0), leaving("03", 8.7, 99.0)].concat();
    let of = |more: &[Message]| analysis(50.0, &truck(speed, &[trailer.as_slice(), more].concat()));
    let open = of(&[]);
    assert_eq!(open.lost().count(), 0, "{:#?}", open.outages);
    let away = open.outages.iter().find(|own| own.ongoing).unwrap();
    assert_eq!((away.cause, away.doubt), (Cause::SwitchedOff, Some(Doubt::KeyOrSupply)));
    assert!(matches!(why(away), Some(Why::EngineRanAgain { .. })), "{away:?}");
    // SPN 639 with FMI 9: what comes over the network comes too seldom.
    let mut code = message("18FECA00", 1.0, 0.4);
    code.data = |_| "04FF7F0209050000".to_owned();
    assert_eq!(of(&[code]).lost().count(), 1);
}

/// No key is off while the engine runs, however orderly modules seem to leave.
#[test]
fn modules_that_leave_while_the_engine_runs_are_lost() {
    let more = [leaving("21", 8.7, 12.3), leaving("03", 9.4, 12.6)].concat();
    let found = analysis(20.0, &truck(engine(|_| true), &more));
    assert!(found.outages.iter().all(Outage::is_loss), "{:#?}", found.outages);
    assert_eq!(found.lost().map(|outage| outage.ids.len()).sum::<usize>(), 12);
    // Of an engine that nobody tells of, it is the key.
    let silent = |_| "FFFFFFFFFFFFFFFF".to_owned();
    let found = analysis(20.0, &truck(silent, &more));
    assert_eq!(only(&found).cause, Cause::SwitchedOff);
}

#[test]
fn the_voltage_behind_the_key_switch_proves_the_key() {
    /// Battery at 27 V; behind the switch the same until 8 s.
    fn volts(time: f64) -> String {
        let key: u16 = if (7.9..12.0).contains(&time) { 0 } else { 540 };
        let [low, high] = key.to_le_bytes();
        format!("FFFFFFFF1C02{low:02X}{high:02X}")
    }
    let silent = |_| "FFFFFFFFFFFFFFFF".to_owned();
    let mut power = message("18FEF727", 0.1, 0.002);
    power.data = volts;
    let found = analysis(20.0, &truck(silent, &[power.clone()]));
    let outage = only(&found);
    assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, None));
    power.data = |_| "FFFFFFFF1C021C02".to_owned();
    assert!(only(&analysis(20.0, &truck(silent, &[power]))).is_loss());
}

/// An identifier of 29 bits that is none of SAE J1939 says nothing of an engine.
#[test]
fn a_maker_of_his_own_tells_no_engine_speed() {
    let mut speed = message("0CF00400", 0.02, 0.0);
    speed.data = engine(|_| false);
    let own =
        (0..9_u32).map(|at| message(&format!("{:08X}", 0x0310_4400 + 0x1357 * at), 0.05, 0.001));
    let own = own.enumerate().map(|(at, message)| match at {
        0..4 => message.anew(8.0, 12.0, 0.013),
        _ => message,
    });
    let found = analysis(20.0, &own.chain([speed]).collect::<Vec<_>>());
    assert!(only(&found).is_loss(), "{:?}", only(&found));
}

/// The first identifier of a module, how many messages it sends, and when it is silent.
type Module<'a> = (u32, u32, &'a [(f64, f64)]);

fn car(modules: &[Module<'_>]) -> Vec<Message> {
    let of = |(at, (first, count, silent)): (usize, &Module<'_>)| {
        let mut own = messages(*first, *count);
        for (place, message) in own.iter_mut().enumerate() {
            for (from, to) in *silent {
                // Each begins its grid anew.
                message.silent.push((*from, *to, 0.0031 * (at + place + 1) as f64));
            }
        }
        own
    };
    modules.iter().enumerate().flat_map(of).collect()
}

#[test]
fn an_after_run_is_part_of_the_key_off() {
    let with = |from: f64, to: f64| {
        car(&[
            (0x100, 6, &[(8.0, 30.0)]),
            (0x200, 5, &[(8.3, 30.1)]),
            (0x300, 4, &[(9.1, 30.2)]),
            (0x400, 4, &[(from, to)]),
            (0x500, 8, &[]),
        ])
    };
    let found = analysis(50.0, &with(21.0, 30.3));
    assert_eq!((only(&found).cause, only(&found).ids.len()), (Cause::SwitchedOff, 19));
    // What leaves in between and is back long before the others is none of it, but a doubt.
    let found = analysis(50.0, &with(16.0, 20.0));
    let own = found.outages.iter().find(|outage| outage.ids.len() == 4).unwrap();
    assert!(found.lost().next().is_none() && own.doubt == Some(Doubt::KeyOrSupply), "{own:?}");
}

#[test]
fn who_does_not_come_back_with_the_key_is_lost() {
    let parked = |back: f64| {
        let of = |(address, from, to)| leaving(address, from, to);
        let list = [("21", 8.3, 20.1), ("03", 8.9, 20.2), ("0B", 8.0, back), ("47", 9.4, 20.3)];
        let awake = ["18FEEE00", "18FEF500", "18FEF200"].map(|id| message(id, 0.1, 0.011));
        analysis(60.0, &[list.into_iter().flat_map(of).collect(), awake.to_vec()].concat())
    };
    // A slow start is none.
    assert_eq!(parked(24.0).lost().count(), 0);
    let found = parked(45.0);
    let lost: Vec<&Outage> = found.lost().collect();
    assert!(matches!(lost[..], [outage] if outage.ids.len() == 4), "{:#?}", found.outages);
    assert!(matches!(why(lost[0]), Some(Why::LateReturn { seconds: 24.0..26.0 })));
    // Nor does it come back at all.
    assert_eq!(parked(100.0).lost().count(), 1);
}

/// The whole bus sleeps, and one module does not wake with it: what stops with all of the bus shows
/// no silence of its own to compare with.
#[test]
fn who_does_not_wake_with_the_bus_is_lost() {
    let slept = |back: f64| {
        let of = |(address, to)| leaving(address, 20.0, to);
        let list = [("21", 30.1), ("03", 30.2), ("0B", back), ("47", 30.3), ("00", 30.0)];
        analysis(70.0, &list.into_iter().flat_map(of).collect::<Vec<_>>())
    };
    assert_eq!(slept(34.0).lost().count(), 0);
    let found = slept(55.0);
    let lost: Vec<&Outage> = found.lost().collect();
    assert!(matches!(lost[..], [outage] if outage.ids.len() == 4), "{:#?}", found.outages);
    assert!(matches!(why(lost[0]), Some(Why::LateReturn { seconds: 20.0..26.0 })));
    // Of identifiers whose sender is not known it cannot be told: they may need the engine.
    let of = |(at, back): (u32, f64)| {
        messages(0x100 * (at + 1), 5).into_iter().map(move |own| own.anew(20.0, back, 0.0031))
    };
    let car = [30.0, 30.1, 30.2, 55.0]
        .into_iter()
        .enumerate()
        .flat_map(|(at, back)| of((at as u32, back)));
    let found = analysis(70.0, &car.collect::<Vec<_>>());
    assert_eq!(found.lost().count(), 0);
    assert!(found.outages.iter().any(|outage| outage.doubt == Some(Doubt::KeyOrSupply)));
}

#[test]
fn the_same_order_a_second_time_proves_the_key() {
    let twice = |second: [f64; 3]| {
        car(&[
            (0x100, 4, &[(8.0, 15.0), (second[0], 99.0)]),
            (0x200, 4, &[(8.6, 15.1), (second[1], 99.0)]),
            (0x300, 4, &[(9.3, 15.2), (second[2], 99.0)]),
            (0x500, 14, &[]),
        ])
    };
    let doubts = |found: Analysis| found.outages.iter().map(|own| own.doubt).collect::<Vec<_>>();
    assert_eq!(doubts(analysis(40.0, &twice([30.0, 30.7, 31.2]))), [None, None]);
    let other = doubts(analysis(40.0, &twice([31.2, 30.7, 30.0])));
    assert_eq!(other, [Some(Doubt::KeyOrSupply), Some(Doubt::KeyOrSupply)]);
}

/// A key that is off for a second takes away those that leave within a second, as a longer one
/// showed; what leaves otherwise is lost.
#[test]
fn a_short_key_off_begins_as_a_long_one_did() {
    let lost = |again: &[&str], to: f64| {
        let of = |(address, from, back): (&str, f64, f64)| {
            let own = leaving(address, from, back).into_iter();
            let more = |message: Message| match again.contains(&address) {
                true => message.anew(40.0, to, 0.0171),
                false => message,
            };
            own.map(more).collect::<Vec<_>>()
        };
        let first = [("21", 8.0, 20.1), ("03", 8.0, 20.2), ("0B", 8.0, 20.0)];
        let later = [("47", 8.9, 20.3), ("19", 9.5, 20.1)];
        let awake = ["18FEEE00", "18FEF500", "18FEF200"].map(|id| message(id, 0.1, 0.011));
        let all = first.into_iter().chain(later).flat_map(of).chain(awake);
        analysis(60.0, &all.collect::<Vec<_>>()).lost().map(|own| own.ids.len()).sum::<usize>()
    };
    assert_eq!(lost(&["21", "03", "0B"], 40.9), 0);
    // By then others were due, and stay: it was no key.
    assert_eq!(lost(&["21", "03", "0B"], 44.0), 12);
    // Nor was it where one of the first stays.
    assert_eq!(lost(&["21", "03"], 40.9), 8);
}

/// Two modules may fail within seconds by chance, and come back likewise.
#[test]
fn two_modules_are_no_proof_of_the_key() {
    let found = analysis(
        30.0,
        &car(&[(0x100, 6, &[(8.0, 15.0)]), (0x200, 6, &[(9.5, 15.4)]), (0x500, 6, &[])]),
    );
    assert_eq!(only(&found).doubt, Some(Doubt::KeyOrSupply));
}

#[test]
fn the_starter_silences_modules_for_a_moment() {
    let start = |from: f64, more: &[(f64, f64)]| {
        let off = |from: f64, to: f64| -> Vec<(f64, f64)> { [&[(from, to)], more].concat() };
        let silent = [off(8.0, 15.0), off(8.6, 15.1), off(9.3, 15.2)];
        analysis(
            60.0,
            &car(&[
                (0x100, 5, &silent[0]),
                (0x200, 5, &silent[1]),
                (0x300, 4, &[(9.3, 15.2), (from, from + 0.8)]),
                (0x500, 8, &[]),
            ]),
        )
    };
    // Two or more at once, soon after the key.
    let found = start(18.0, &[(18.0, 18.7)]);
    assert!(found.outages.iter().all(|own| own.benign && own.doubt.is_none()), "{found:#?}");
    // One alone may give way under the load.
    let found = start(18.0, &[]);
    assert_eq!(found.outages.last().unwrap().doubt, Some(Doubt::EngineStart));
    // Long after the key there is no starter.
    assert_eq!(start(40.0, &[]).lost().count(), 1);
}

#[test]
fn messages_that_pause_by_the_clock_are_no_module() {
    let every = |length: fn(usize) -> f64| {
        let of = |(id, period): (&str, f64)| {
            let mut own = message(id, period, 0.001);
            for turn in 0..6_usize {
                let from = 4.0 + 9.5 * turn as f64;
                own = own.silent(from, from + length(turn));
            }
            own
        };
        let own = [("1A0", 0.02), ("1A1", 0.05), ("1A2", 0.1)].map(of);
        analysis(70.0, &[own.to_vec(), messages(0x300, 6)].concat())
    };
    assert_eq!(every(|_| 1.5).lost().count(), 0);
    // A contact keeps no clock.
    assert_eq!(every(|turn| [1.5, 3.1, 0.9][turn % 3]).lost().count(), 6);
}

/// Three times are enough where lengths and spacings are exact: no module boots so evenly.
#[test]
fn three_pauses_that_are_exact_are_of_a_clock() {
    let found = |late: f64| {
        let of = |(id, period): (&str, f64)| {
            let mut own = message(id, period, 0.001);
            for turn in 0..3_usize {
                let from = 4.0 + 9.5 * turn as f64 + late * turn as f64 * turn as f64;
                own = own.anew(from, from + 1.5 + late * turn as f64, 0.0033);
            }
            own
        };
        let own = [("1A0", 0.02), ("1A1", 0.05), ("1A2", 0.1)].map(of);
        analysis(40.0, &[own.to_vec(), messages(0x300, 6)].concat()).lost().count()
    };
    assert_eq!((found(0.0), found(0.1)), (0, 3));
}

/// Two messages of two modules that are sent while something is switched on.
#[test]
fn messages_of_an_occasion_are_told_and_not_blamed() {
    let of = |id: &str, period: f64, begins: f64| {
        message(id, period, 0.001).silent(0.0, begins).silent(24.0, 40.0).silent(45.0, 99.0)
    };
    let found = |begins: f64| {
        let own = [of("1A0", 0.02, begins), of("2A0", 0.05, begins)];
        analysis(60.0, &[own.to_vec(), messages(0x300, 6)].concat())
    };
    let rare = found(20.0);
    assert!(rare.outages.iter().all(|own| own.doubt == Some(Doubt::SenderUnknown)), "{rare:#?}");
    assert_eq!(rare.outages.len(), 2);
    // What was there at first and is gone for long is lost.
    assert_eq!(found(0.0).lost().count(), 2);
}

/// Two messages of two modules that begin in the middle and end together for good are of a function
/// that ran for a while. What ran for two seconds, or from the beginning on, was lost.
#[test]
fn what_begins_and_ends_together_ran_for_a_while() {
    let found = |begins: f64, ends: f64| {
        let of = |id: &str, period: f64| {
            message(id, period, 0.001).silent(0.0, begins).silent(ends, 99.0)
        };
        analysis(60.0, &[vec![of("1A0", 0.02), of("2A0", 0.05)], messages(0x300, 6)].concat())
    };
    let ran = found(20.0, 40.0);
    assert!(ran.outages.iter().all(|own| own.doubt == Some(Doubt::SenderUnknown)), "{ran:#?}");
    assert_eq!(ran.outages.len(), 1);
    assert_eq!([found(38.0, 40.0), found(0.0, 40.0)].map(|own| own.lost().count()), [1, 1]);
}

/// Some sleep and are polled once a second, others stay awake: one key-off, not one loss a second.
#[test]
fn a_module_that_is_polled_asleep_left_once() {
    let polled = |mut message: Message, from: f64| {
        let mut at = from;
        for second in (from as u32 + 1)..20 {
            message = message.anew(at, f64::from(second), 0.0);
            at = f64::from(second) + 0.1;
        }
        message.anew(at, 20.3, 0.0037)
    };
    let off =
        |first: u32, from: f64| messages(first, 5).into_iter().map(move |own| polled(own, from));
    let all =
        off(0x100, 8.0).chain(off(0x200, 8.6)).chain(off(0x300, 9.3)).chain(messages(0x500, 8));
    let found = analysis(40.0, &all.collect::<Vec<_>>());
    assert_eq!(found.lost().count(), 0, "{:#?}", found.outages);
    assert_eq!(found.outages.iter().filter(|own| own.cause == Cause::SwitchedOff).count(), 1);
    // Alone it is one silence all the same, and says how often it was heard meanwhile.
    let found = analysis(
        40.0,
        &[vec![polled(message("3A0", 0.05, 0.0), 8.0)], messages(0x500, 8)].concat(),
    );
    let times = |own: &Evidence| matches!(own, Evidence::HeardForMoments { times: 11 });
    assert!(only(&found).evidence.iter().any(times), "{:#?}", found.outages);
}

/// A slow message that is silent near the end, for longer than a key takes, may be all of a module;
/// a fast one that ends with the recording is of the key that ended it.
#[test]
fn a_slow_message_near_the_end_is_in_doubt() {
    let doubt = |own: Message| {
        let found = analysis(32.0, &[vec![own], messages(0x300, 6)].concat());
        assert_eq!((found.outages.len(), found.lost().count()), (1, 0), "{:#?}", found.outages);
        found.outages[0].doubt
    };
    let slow = doubt(message("3B0", 1.0, 0.1).late(0.06).silent(22.5, 99.0));
    let fast = doubt(message("3B0", 0.05, 0.001).late(0.006).silent(31.55, 99.0));
    assert_eq!((slow, fast), (Some(Doubt::NearTheEnd), None));
}

/// What begins after the bus woke, or is over before it sleeps, is no part of the sleep: a unit
/// that was heard has started. What is slow to start, or leaves early, is.
#[test]
fn a_loss_beside_a_sleep_is_a_loss() {
    let lost = |from: f64, to: f64| {
        let asleep = |own: Message, until: f64| own.anew(12.0, until, 0.0031);
        let own = messages(0x100, 5).into_iter().map(|own| match (from < 20.0, to > 20.0) {
            (true, true) => own.anew(from, to, 0.0031),
            (true, false) => asleep(own.anew(from, to, 0.0043), 20.0),
            _ => asleep(own, 20.0).anew(from, to, 0.0043),
        });
        // One after another, as software goes to sleep.
        let others = (0..4).flat_map(|at| {
            let from = 11.2 + 0.2 * f64::from(at);
            messages(0x200 + 0x10 * at, 4).into_iter().map(move |own| own.anew(from, 20.2, 0.0053))
        });
        let found = analysis(40.0, &own.chain(others).collect::<Vec<_>>());
        let of_it = |outage: &&Outage| outage.ids.len() == 5;
        found.lost().filter(of_it).count()
    };
    let beside = [(22.0, 24.0), (27.0, 28.0), (8.0, 9.5)];
    assert_eq!(beside.map(|(from, to)| lost(from, to)), [1, 1, 1]);
    let within = [(12.0, 24.0), (9.0, 21.0)];
    assert_eq!(within.map(|(from, to)| lost(from, to)), [0, 0]);
}

/// A single identifier of an unknown sender pauses once; a module reports that it misses another.
#[test]
fn a_code_that_misses_a_module_makes_a_pause_a_loss() {
    let report = |answer: fn(f64) -> String| {
        let asked = misses_a_module(15.0, answer);
        let once = message("1A0", 0.02 * (1.0 + 8e-5), 0.001).anew(8.0, 9.0, 0.007);
        analysis(20.0, &[vec![once], messages(0x300, 6), asked.to_vec()].concat())
    };
    let found = report(missed_now);
    assert_eq!(why(only(&found)), Some(Why::CodeMisses));
    assert!(only(&found).is_loss());
    // What pauses twice, for the same time, does so by nature; a module takes as long as it takes.
    let twice = |to: f64| {
        let asked = misses_a_module(15.0, missed_now);
        let own = message("1A0", 0.02 * (1.0 + 8e-5), 0.001).anew(4.0, 5.0, 0.007);
        let own = vec![own.anew(8.0, to, 0.007)];
        analysis(20.0, &[own, messages(0x300, 6), asked.to_vec()].concat()).lost().count()
    };
    assert_eq!((twice(9.0), twice(9.6)), (0, 2));
    // Remembered from any time before, it says nothing.
    let remembered = report(|_| "075902FFC1400008".to_owned());
    assert_eq!(only(&remembered).doubt, Some(Doubt::SenderUnknown));
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

/// A recording that pauses again and again: what is missed in all stretches to the end is lost,
/// though none of them is long; what comes back may have been late with the recorder.
#[test]
fn what_never_comes_back_between_pauses_is_lost() {
    let chopped = |to: f64| {
        let module = messages(0x100, 6).into_iter().map(|own| own.anew(20.5, to, 0.0033));
        let mut all = [module.collect(), messages(0x300, 14)].concat();
        for own in &mut all {
            for pause in 0..8 {
                let from = 4.0 * f64::from(pause) + 3.0;
                own.silent.push((from, from + 1.0, 0.0));
            }
        }
        analysis(36.0, &all)
    };
    let for_good = chopped(99.0);
    let lost: Vec<&Outage> = for_good.lost().collect();
    assert_eq!(lost.len(), 1, "{:#?}", for_good.outages);
    assert!(lost[0].ongoing && lost[0].ids.len() == 6);
    assert_eq!(chopped(25.2).lost().count(), 0);
}

/// Who records turns the key, and then stops recording: a large part that leaves together just
/// before the end was hardly lost. Longer before it, or where a module is missed, it was.
#[test]
fn a_large_part_that_leaves_just_before_the_end_may_have_been_switched_off() {
    let judged = |to: f64, asked: &[Message]| {
        let left = cut(messages(0x100, 10), 50.0, 99.0);
        analysis(to, &[left, messages(0x300, 12), asked.to_vec()].concat())
    };
    let found = judged(60.0, &[]);
    let outage = only(&found);
    assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, Some(Doubt::KeyOrSupply)));
    assert!(matches!(why(outage), Some(Why::BeforeTheEnd { identifiers: 10, .. })), "{outage:?}");
    assert_eq!(judged(70.0, &[]).lost().count(), 1);
    assert_eq!(judged(60.0, &misses_a_module(55.0, missed_now)).lost().count(), 1);
}

/// A module on the battery runs on with the key off and stops only what needs the key: that comes
/// back with all else, on its grid. What was away at another time was lost.
#[test]
fn what_a_running_module_sends_with_the_key_keeps_its_grid() {
    let with = |from: f64, to: f64| {
        let anew = |first: u32, count: u32, from: f64, to: f64| {
            let own = cut(messages(first, count), from, to).into_iter().enumerate();
            own.map(|(at, mut own)| {
                own.silent[0].2 = 0.0031 * (at + 1) as f64;
                own
            })
        };
        let all = anew(0x100, 6, 8.0, 15.0)
            .chain(anew(0x200, 5, 8.3, 15.1))
            .chain(anew(0x300, 4, 9.1, 15.2))
            .chain(cut(messages(0x400, 4), from, to))
            .chain(messages(0x500, 6));
        analysis(30.0, &all.collect::<Vec<_>>())
    };
    assert_eq!(with(8.3, 15.1).lost().count(), 0);
    let lost: Vec<usize> = with(10.0, 13.0).lost().map(|outage| outage.ids.len()).collect();
    assert_eq!(lost, [4]);
}

/// Fast messages show to the hundredth when a supply failed, slow ones only by when they were due.
/// Where one instant explains both, the modules did not leave one after the other, however much
/// longer one of them took to come back.
#[test]
fn one_instant_that_slow_messages_leave_open_is_one() {
    let with = |last: f64| {
        let fast = messages(0x100, 6).into_iter().map(|own| own.anew(8.0, 12.0, 0.0033));
        let slow = (0..3).map(|at| {
            let own = message(&format!("{:03X}", 0x600 + at), 1.0, 0.2 + 0.1 * f64::from(at));
            own.anew(last, 16.0, 0.21)
        });
        analysis(30.0, &fast.chain(slow).chain(messages(0x500, 8)).collect::<Vec<_>>())
    };
    let lost: usize = with(7.9).lost().map(|outage| outage.ids.len()).sum();
    assert_eq!(lost, 9);
    // Two seconds before, they left at another instant.
    let found = with(6.0);
    assert_eq!(found.lost().count(), 0, "{:#?}", found.outages);
}

/// Three addresses of a truck that leave at one instant and start anew together, and one that goes
/// on: a relay behind the key takes as many as a fuse does. Not for less than a key-off lasts, nor
/// where one of them was lost for a moment before.
#[test]
fn a_large_part_that_leaves_and_comes_back_at_once_may_be_the_keys() {
    let others = ["18FEEE00", "18FEF500", "18FEF200", "18F00400"].map(|id| message(id, 0.1, 0.011));
    let part = |to: f64, more: &dyn Fn(Message) -> Message| {
        let of = |address: &&str| leaving(address, 8.0, to).into_iter().map(more);
        let own: Vec<Message> = ["0B", "21", "03"].iter().flat_map(of).collect();
        analysis(30.0, &[own, others.to_vec()].concat())
    };
    let found = part(12.0, &|own| own);
    let outage = only(&found);
    assert_eq!((outage.cause, outage.doubt), (Cause::SwitchedOff, Some(Doubt::KeyOrSupply)));
    assert_eq!(why(outage), Some(Why::LargePart { identifiers: 12, of: 16 }));
    assert!(part(10.5, &|own| own).outages.iter().all(Outage::is_loss));
    let before =
        |own: Message| if own.id.ends_with("0B") { own.anew(3.0, 4.0, 0.013) } else { own };
    assert!(part(12.0, &before).outages.iter().all(Outage::is_loss));
}

/// Messages of two addresses that stop together and go on on their grid, while both addresses send
/// others: no wire and no supply does that. All that one address sends is a module.
#[test]
fn what_stops_while_every_sender_goes_on_is_of_a_state() {
    let found = |left: usize| {
        let of = |address: &&str| {
            let all = leaving(address, 8.0, 8.0).into_iter().enumerate();
            let cut = |(at, own): (usize, Message)| {
                let own = Message { silent: Vec::new(), ..own };
                if at < left { own.silent(8.0, 11.0) } else { own }
            };
            all.map(cut).collect::<Vec<_>>()
        };
        let all = [truck(engine(|_| true), &[]), ["21", "03"].iter().flat_map(of).collect()];
        let without: Vec<Message> =
            all.concat().into_iter().filter(|own| !own.id.ends_with("0B")).collect();
        analysis(20.0, &without)
    };
    let two = found(2);
    assert!(two.lost().next().is_none(), "{:#?}", two.outages);
    assert!(found(4).lost().next().is_some());
}

/// What errors at its own frames showed to be lost is lost again where nothing tells why it pauses.
#[test]
fn what_was_lost_once_is_lost_again() {
    let whys = |errors: usize| {
        let period = 0.02 * (1.0 + 8e-5);
        let own = message("1A0", period, 0.001).anew(8.0, 9.0, 0.007).anew(14.0, 15.3, 0.005);
        // Two frames that may be destroyed in their data, and are sent again at once.
        let own = own.silent(7.95, 7.99);
        let due = [398.0, 399.0].map(|step| 0.001 + step * period);
        let again = due.map(|due| once(due + 0.00012, "1A0", |_| "00".to_owned()));
        let error = |due: f64| once(due - 0.00004, "20000088", |_| "0000040A00000000".to_owned());
        let errors = due.into_iter().take(errors).map(error);
        let all = messages(0x300, 6).into_iter().chain([own]).chain(again).chain(errors);
        let log = log(20.0, &all.collect::<Vec<_>>());
        let source = Source::Bytes { name: "made by hand".into(), bytes: log.into_bytes() };
        let settings = Settings { bit_rate: Some(500_000.0), ..Settings::default() };
        let options = lostnode::Options { settings, ..lostnode::Options::default() };
        let found = lostnode::analyse(source, &options).unwrap();
        found.outages.iter().map(|own| (own.benign, why(own))).collect::<Vec<_>>()
    };
    let own = Some(Why::OwnErrors { count: 2 });
    assert_eq!(whys(2), [(false, own), (false, Some(Why::LostBefore))]);
    // Without errors, or with one, both may be by nature.
    assert!(whys(1).iter().all(|(benign, _)| *benign), "{:?}", whys(1));
}

/// Two modules begin to miss one as others leave as with the key: that is the module, and not the
/// message that paused before.
#[test]
fn one_code_makes_one_loss() {
    let lost = |leave: bool| {
        let off = [(0x100, 6, 8.0), (0x200, 5, 8.3), (0x400, 4, 9.1)];
        let off = off.into_iter().flat_map(|(first, count, from)| {
            let shift = 0.0031 * f64::from(first / 0x100);
            let anew = move |own: Message| if leave { own.anew(from, 15.0, shift) } else { own };
            messages(first, count).into_iter().map(anew)
        });
        let pauser = message("1A0", 0.02 * (1.0 + 8e-5), 0.001).anew(5.0, 6.0, 0.007);
        let codes = (0..2).flat_map(|number| {
            let at = 0.1 * f64::from(number);
            let none = read(3.0 + at, number, |_| "035902FF00000000".to_owned());
            none.into_iter().chain(read(12.0 + at, number, missed_now))
        });
        let all = off.chain(messages(0x500, 24)).chain([pauser]).chain(codes);
        let found = analysis(30.0, &all.collect::<Vec<_>>());
        found.lost().map(|own| (own.ids.len(), why(own))).collect::<Vec<_>>()
    };
    // Of the one episode each step is told.
    let began = Some(Why::CodesBegan { modules: 2 });
    assert_eq!(lost(true), [(6, began), (5, began), (4, began)]);
    assert_eq!(lost(false), [(1, Some(Why::CodeMisses))]);
}
