//! What each key of a scenario does, read from the frames that the simulator writes.

use std::collections::BTreeMap;

use lostnode::simulate::{self, Scenario, Truth, TruthSilence, What};

const START: f64 = 1_790_000_000.0;

/// A frame of the capture: seconds from the start, identifier and data as written.
#[derive(Clone, Debug, PartialEq)]
struct Frame {
    time: f64,
    id: String,
    data: Vec<u8>,
}

/// Runs a scenario on one bus of 500 kbit/s without noise.
fn text(seed: u64, seconds: f64, rest: &str) -> (String, Truth) {
    let scenario = format!(
        "title = \"t\"\ninvented = true\nseed = {seed}\nstart = {START:?}\nduration = {seconds:?}\n\
         [[channel]]\nname = \"can0\"\nbit_rate = 500000\n{rest}"
    );
    let scenario = Scenario::parse(&scenario).unwrap_or_else(|error| panic!("{error}{scenario}"));
    let mut out = Vec::new();
    let truth = simulate::run(&scenario, &mut out).unwrap();
    (String::from_utf8(out).unwrap(), truth)
}

fn frames(text: &str) -> Vec<Frame> {
    let frame = |line: &str| {
        let mut words = line.split_whitespace();
        let time = words.next().unwrap().trim_matches(['(', ')']);
        // Whole seconds apart from the fraction: a double does not hold both to the microsecond.
        let (whole, fraction) = time.split_once('.').unwrap();
        let whole: f64 = whole.parse().unwrap();
        let fraction: f64 = format!("0.{fraction}").parse().unwrap();
        let (id, data) = words.nth(1).unwrap().split_once('#').unwrap();
        let data = hex::decode(data).unwrap();
        Frame { time: whole - START + fraction, id: id.to_owned(), data }
    };
    text.lines().map(frame).collect()
}

fn world(seconds: f64, rest: &str) -> (Vec<Frame>, Truth) {
    let (text, truth) = text(1, seconds, rest);
    (frames(&text), truth)
}

fn times(frames: &[Frame], id: &str) -> Vec<f64> {
    frames.iter().filter(|frame| frame.id == id).map(|frame| frame.time).collect()
}

fn gaps(times: &[f64]) -> Vec<f64> {
    times.windows(2).map(|pair| pair[1] - pair[0]).collect()
}

/// The gaps that are longer than `least` seconds, as their ends.
fn pauses(frames: &[Frame], id: &str, least: f64) -> Vec<(f64, f64)> {
    let times = times(frames, id);
    times.windows(2).filter(|pair| pair[1] - pair[0] > least).map(|p| (p[0], p[1])).collect()
}

fn node(name: &str, keys: &str, messages: &str) -> String {
    format!("[[node]]\nname = \"{name}\"\nchannel = \"can0\"\n{keys}\nmessages = [ {messages} ]\n")
}

/// A node with one message each 10 ms and a counter of 8 bits in byte 0.
fn plain(id: &str, keys: &str) -> String {
    let message =
        format!("{{ id = \"{id}\", period = 0.01, counter = {{ byte = 0, width = 8 }} }}");
    node(id, keys, &message)
}

fn turns(turns: &[(f64, &str)]) -> String {
    let turn = |(at, turn)| format!("[[key]]\nat = {at:?}\nturn = \"{turn}\"\n");
    turns.iter().copied().map(turn).collect()
}

fn silences(truth: &Truth, what: What) -> Vec<&TruthSilence> {
    truth.silences.iter().filter(|silence| silence.what == what).collect()
}

/// Start and end in seconds from the start of the scenario.
fn span(silence: &TruthSilence) -> (f64, f64) {
    (silence.start - START, silence.end - START)
}

#[track_caller]
fn near(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found} is not {expected} within {within}");
}

#[test]
fn the_key_takes_modules_away_in_stages_and_they_boot_in_their_order() {
    let (frames, truth) = world(
        40.0,
        &[
            turns(&[(10.0, "off"), (25.0, "on")]),
            plain("100", "leaves = 0.1\nboot = 0.6"),
            plain("200", "leaves = 0.5\nboot = 0.2"),
            plain("300", "leaves = 8.0\nboot = 0.05"),
            plain("400", "always_on = true"),
        ]
        .concat(),
    );
    for (id, leaves, boot) in [("100", 0.1, 0.6), ("200", 0.5, 0.2), ("300", 8.0, 0.05)] {
        let [(from, to)] = pauses(&frames, id, 0.5)[..] else { panic!("{id}") };
        near(from, 10.0 + leaves, 0.02 + 0.01 * leaves);
        // Spread over the period, and 10 ms by which modules notice the key.
        near(to, 25.0 + boot + 0.01, 0.015);
        let found = silences(&truth, What::KeyOff);
        let own = found.iter().find(|silence| silence.node.as_deref() == Some(id)).unwrap();
        near(span(own).0, from, 0.012);
        near(span(own).1, to, 0.012);
        let first = frames.iter().find(|frame| frame.id == id && frame.time > 25.0).unwrap();
        assert_eq!(first.data[0], 0, "a module that booted counts from zero");
    }
    assert!(pauses(&frames, "400", 0.05).is_empty());
    assert!(silences(&truth, What::Loss).is_empty() && silences(&truth, What::Sleep).is_empty());
}

#[test]
fn modules_without_a_time_to_leave_take_from_a_twentieth_to_five_seconds() {
    let nodes: String = (0..20).map(|node| plain(&format!("{:03X}", 0x100 + node), "")).collect();
    let (frames, _) = world(20.0, &(turns(&[(10.0, "off")]) + &nodes));
    let mut last: BTreeMap<&str, f64> = BTreeMap::new();
    frames.iter().for_each(|frame| _ = last.insert(&frame.id, frame.time - 10.0));
    let mut left: Vec<f64> = last.into_values().collect();
    left.sort_by(f64::total_cmp);
    assert!(left[0] > 0.03 && left[19] < 5.1, "{left:?}");
    assert!(left[4] < 0.5 && left[15] > 0.5, "not spread: {left:?}");
}

#[test]
fn who_still_runs_when_the_key_comes_back_goes_on() {
    let key = turns(&[(10.0, "off"), (14.0, "on")]);
    let (frames, truth) = world(20.0, &(key + &plain("100", "leaves = 30.0")));
    assert!(pauses(&frames, "100", 0.05).is_empty() && truth.silences.is_empty());
}

#[test]
fn before_the_first_turn_on_nobody_sends() {
    let key = turns(&[(5.0, "on")]);
    let (frames, truth) = world(10.0, &(key + &plain("100", "boot = 0.3")));
    near(frames[0].time, 5.3, 0.03);
    near(span(silences(&truth, What::Sleep)[0]).0, 0.0, 1e-6);
}

#[test]
fn the_starter_resets_some_mutes_some_and_spares_the_rest() {
    let rest = [
        "[[key]]\nat = 5.0\nturn = \"start\"\ncranks = 0.6\n".to_owned(),
        plain("100", "starter = \"resets\"\nboot = 0.2"),
        plain("200", "starter = \"mutes\""),
        plain("300", ""),
    ];
    let (frames, truth) = world(10.0, &rest.concat());
    let [(from, to)] = pauses(&frames, "100", 0.1)[..] else { panic!() };
    near(from, 5.0, 0.07);
    near(to, 5.8, 0.03);
    let [(_, to)] = pauses(&frames, "200", 0.1)[..] else { panic!() };
    near(to, 5.6, 0.02);
    let counter = |id: &str, after: f64| {
        frames.iter().find(|frame| frame.id == id && frame.time > after).unwrap().data[0]
    };
    assert_eq!(counter("100", 5.5), 0);
    assert_eq!(counter("200", 5.3), counter("200", 4.99).wrapping_add(61), "its clock ran on");
    assert!(pauses(&frames, "300", 0.05).is_empty());
    let found = silences(&truth, What::Starter);
    let mut names: Vec<_> = found.iter().map(|silence| silence.node.as_deref().unwrap()).collect();
    names.sort_unstable();
    assert_eq!(names, ["100", "200"]);
}

#[test]
fn a_sleeping_bus_wakes_once_a_second_for_a_tenth() {
    let keys = "leaves = 0.2\nwakes = { every = 1.0, lasts = 0.1 }";
    let nodes: String = (0..12).map(|node| plain(&format!("{:03X}", 0x100 + node), keys)).collect();
    let (frames, truth) = world(30.0, &(turns(&[(5.0, "off"), (25.5, "on")]) + &nodes));
    let asleep: Vec<&Frame> =
        frames.iter().filter(|frame| (5.3..25.5).contains(&frame.time)).collect();
    assert!(asleep.iter().all(|frame| frame.time.fract() < 0.101), "{asleep:?}");
    for second in 6..=25 {
        let awake = |frame: &&&Frame| frame.time.floor() == f64::from(second);
        let mut ids: Vec<&str> = asleep.iter().filter(awake).map(|f| f.id.as_str()).collect();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), 12, "all wake at {second} s");
    }
    let [sleep] = silences(&truth, What::Sleep)[..] else { panic!("{truth:?}") };
    assert!(sleep.wakes == 20 && sleep.node.is_none() && sleep.ids.len() == 12, "{sleep:?}");
    near(span(sleep).0, 5.2, 0.02);
    // Memory is kept asleep: its counter goes on from wake to wake, and starts anew with the key.
    let own = |frame: &&Frame| frame.id == "100" && frame.time < 25.5;
    let counts: Vec<u8> = frames.iter().filter(own).map(|frame| frame.data[0]).collect();
    assert!(counts.windows(2).all(|pair| pair[1].wrapping_sub(pair[0]) <= 2), "{counts:?}");
}

#[test]
fn a_bus_with_one_module_awake_does_not_sleep() {
    let nodes = plain("100", "leaves = 0.2") + &plain("200", "always_on = true");
    let (_, truth) = world(20.0, &(turns(&[(5.0, "off")]) + &nodes));
    assert_eq!(silences(&truth, What::Sleep).len(), 0);
    assert_eq!(silences(&truth, What::KeyOff).len(), 1);
}

#[test]
fn an_identifier_of_a_mode_is_sent_in_it_only() {
    let mode = "[[mode]]\nname = \"reverse\"\nat = [12.0, 20.0]\nlasts = [3.0, 1.0]\n";
    let messages = "{ id = \"100\", period = 0.02, mode = \"reverse\" }, \
                    { id = \"200\", period = 0.02, mode = \"engine_stopped\" }, \
                    { id = \"300\", period = 0.02, mode = \"engine_runs\" }, \
                    { id = \"400\", period = 0.02 }";
    let rest = turns(&[(5.0, "start")]) + mode + &node("n", "", messages);
    let (frames, truth) = world(30.0, &rest);
    let [(from, to)] = pauses(&frames, "100", 0.1)[..] else { panic!() };
    let own = times(&frames, "100");
    near(own[0], 12.01, 0.015);
    near(from, 15.0, 0.025);
    near(to, 20.01, 0.015);
    near(own[own.len() - 1], 21.0, 0.025);
    near(*times(&frames, "200").last().unwrap(), 5.7, 0.025);
    near(times(&frames, "300")[0], 5.71, 0.015);
    assert!(pauses(&frames, "400", 0.05).is_empty());
    let of = |id: &str| {
        silences(&truth, What::Mode).iter().filter(|silence| silence.ids[0] == id).count()
    };
    assert_eq!((of("0x100"), of("0x200"), of("0x300")), (3, 1, 1));
}

#[test]
fn a_regular_pause_keeps_its_schedule_and_its_grid() {
    let message = "{ id = \"455\", period = 0.1, pauses = { every = 9.5, lasts = 1.5 } }, \
                   { id = \"456\", period = 0.1 }";
    let (frames, truth) = world(60.0, &node("n", "jitter = 0.0", message));
    let found = pauses(&frames, "455", 0.5);
    assert_eq!(found.len(), 6, "{found:?}");
    for (turn, (from, to)) in found.iter().enumerate() {
        near(*from, 9.5 * (turn + 1) as f64, 0.1);
        near(to - from, 1.55, 0.051);
        let cycles = (to - from) / 0.1;
        near(cycles, cycles.round(), 0.02);
    }
    assert!(pauses(&frames, "456", 0.2).is_empty());
    let told = silences(&truth, What::Pause);
    assert_eq!(told.len(), 6);
    near(span(told[0]).1, 11.0, 1e-6);
}

#[test]
fn identifiers_of_one_tick_leave_together() {
    // One sender under three source addresses, in a form that is not SAE J1939.
    let messages: Vec<String> = ["00D4258B", "00D42580", "01F18F0B"]
        .map(|id| format!("{{ id = \"{id}\", period = 0.1 }}"))
        .to_vec();
    let own = node("bridge", "tick = 0.01\njitter = 0.003", &messages.join(", "));
    let (frames, truth) = world(20.0, &own);
    assert!(frames.len() >= 3 * 199);
    for burst in frames.chunks_exact(3) {
        let ids: Vec<&str> = burst.iter().map(|frame| frame.id.as_str()).collect();
        assert_eq!(ids, ["00D42580", "00D4258B", "01F18F0B"]);
        assert!(burst[2].time - burst[0].time < 0.001, "{burst:?}");
    }
    let spread = gaps(&times(&frames, "00D42580"));
    assert!(spread.iter().any(|gap| (gap - 0.1).abs() > 0.002), "late by the same, yet late");
    assert_eq!(truth.nodes[0].ids, ["0x00D4258B", "0x00D42580", "0x01F18F0B"]);
}

#[test]
fn two_beats_take_turns() {
    let message = "{ id = \"100\", beats = [0.0071, 0.0129] }, \
                   { id = \"331\", beats = [0.04, 0.96] }";
    let (frames, _) = world(60.0, &node("n", "jitter = 0.0001", message));
    let fast = gaps(&times(&frames, "100"));
    let mean = fast.iter().sum::<f64>() / fast.len() as f64;
    let variance = fast.iter().map(|gap| (gap - mean).powi(2)).sum::<f64>() / fast.len() as f64;
    near(mean, 0.01, 1e-4);
    near(variance.sqrt() / mean, 0.29, 0.02);
    for pair in gaps(&times(&frames, "331")).windows(2) {
        near(pair[0].min(pair[1]), 0.04, 0.002);
        near(pair[0].max(pair[1]), 0.96, 0.002);
    }
}

#[test]
fn multiplexed_identifiers_share_one_grid() {
    let message = "{ id = \"18FF0EA0\", period = 0.1, \
                   multiplex = { ids = [\"18FF09A0\", \"18FF05A0\"], frames = [1, 40] } }";
    let (frames, truth) = world(120.0, &node("n", "jitter = 0.0", message));
    // The first frame stands for one that was due just before.
    let all: Vec<f64> = frames.iter().skip(1).map(|frame| frame.time).collect();
    assert!(gaps(&all).iter().all(|gap| (gap - 0.1).abs() < 0.001));
    for id in ["18FF0EA0", "18FF09A0", "18FF05A0"] {
        let share = times(&frames, id).len() as f64 / frames.len() as f64;
        assert!(share > 0.1 && share < 0.7, "{id}: {share}");
        let gone = pauses(&frames, id, 0.65).len();
        let told = silences(&truth, What::Multiplex);
        let told = told.iter().filter(|silence| silence.ids == [format!("0x{id}")]);
        let told: Vec<_> = told.map(|s| span(s)).collect();
        // Those at the two ends of the capture have but one frame beside them.
        let within = told.iter().filter(|(from, to)| *from > 0.0 && *to < 120.0).count();
        assert_eq!(within, gone, "{id}: {told:?}");
    }
}

#[test]
fn look_alikes_of_the_transport_are_periodic() {
    let message = "{ id = \"280\", period = 0.02, looks_like = \"single_frame\" }, \
                   { id = \"140\", period = 0.01, looks_like = \"consecutive_frame\" }";
    let (frames, _) = world(30.0, &node("n", "", message));
    let of = |id: &'static str| frames.iter().filter(move |frame| frame.id == id);
    assert!(of("280").all(|frame| frame.data.len() == 8 && frame.data[0] == 2));
    let second: std::collections::BTreeSet<u8> = of("280").map(|frame| frame.data[1]).collect();
    assert!(second.len() > 10, "it changes slowly: {second:?}");
    let firsts: Vec<u8> = of("140").map(|frame| frame.data[0]).collect();
    assert!(firsts.windows(2).all(|pair| pair[1] == 0x20 | (pair[0] + 1) & 0x0F), "{firsts:?}");
    assert!(gaps(&times(&frames, "280"))[1..].iter().all(|gap| (gap - 0.02).abs() < 0.002));
}

/// Three senders, about 1,200 frames a second.
fn busy() -> String {
    let message = |id: &str, period: f64| format!("{{ id = \"{id}\", period = {period} }}");
    let list: Vec<String> = [("100", 0.002), ("200", 0.002), ("300", 0.005)]
        .map(|(id, period)| message(id, period))
        .to_vec();
    node("n", "", &list.join(", "))
}

fn recorded(recorder: &str) -> (Vec<Frame>, Truth) {
    world(20.0, &(busy() + "[recorder]\n" + recorder))
}

#[test]
fn a_thinning_recorder_keeps_three_frames_of_each_tick() {
    let (all, _) = world(20.0, &busy());
    let (kept, truth) = recorded("thin = { keep = 3, tick = 0.0205 }");
    let deliveries: Vec<&[Frame]> = kept.chunk_by(|a, b| b.time - a.time < 0.001).collect();
    assert!(deliveries.iter().filter(|frames| frames.len() == 3).count() >= deliveries.len() - 2);
    let starts: Vec<f64> = deliveries.iter().map(|frames| frames[0].time).collect();
    assert!(gaps(&starts).iter().all(|gap| (gap - 0.0205).abs() < 0.0025), "{starts:?}");
    let recording = truth.recording.unwrap();
    assert_eq!((recording.frames_on_bus, recording.frames_written), (all.len(), kept.len()));
    assert_eq!(recording.effects, ["thin"]);
}

#[test]
fn a_recorder_keeps_each_tenth_frame_or_a_random_share() {
    let (all, _) = world(20.0, &busy());
    let (tenth, _) = recorded("thin = { every = 10 }");
    assert_eq!(tenth, all.iter().step_by(10).cloned().collect::<Vec<_>>());
    let (some, _) = recorded("thin = { share = 0.3 }");
    near(some.len() as f64 / all.len() as f64, 0.3, 0.02);
    assert!(some.iter().all(|frame| all.contains(frame)) && some.len() < all.len());
}

#[test]
fn a_buffer_hands_over_three_at_a_time_and_loses_nothing() {
    let (all, _) = world(20.0, &busy());
    let (late, truth) = recorded("delivers = { every = 0.00195, frames = 3 }");
    let what = |frames: &[Frame]| -> Vec<(String, Vec<u8>)> {
        frames.iter().map(|frame| (frame.id.clone(), frame.data.clone())).collect()
    };
    assert_eq!(what(&late), what(&all));
    let deliveries: Vec<usize> =
        late.chunk_by(|a, b| b.time - a.time < 0.000_1).map(<[Frame]>::len).collect();
    assert!(deliveries.iter().all(|size| *size <= 3), "{deliveries:?}");
    assert!(deliveries.iter().filter(|size| **size > 1).count() * 2 > deliveries.len());
    let worst = all.iter().zip(&late).map(|(a, b)| b.time - a.time).fold(0.0, f64::max);
    assert!(worst < 0.02, "late by {worst} s");
    assert_eq!(truth.recording.unwrap().effects, ["delivers"]);
}

#[test]
fn an_adapter_stamps_bursts_or_whole_milliseconds() {
    let (bursts, _) = recorded("delivers = { every = 0.001 }");
    // At most a twentieth of a tick late, and one frame 1.5 microseconds after the other.
    assert!(bursts.iter().all(|frame| (frame.time * 1000.0 + 1e-3).fract() < 0.07));
    let (coarse, _) = recorded("stamp_step = 0.001");
    let off = |frame: &Frame| (frame.time * 1000.0 - (frame.time * 1000.0).round()).abs();
    assert!(coarse.iter().all(|frame| off(frame) < 1e-6));
    let (all, _) = world(20.0, &busy());
    assert!(all.len() == coarse.len() && all.iter().any(|frame| off(frame) > 0.1));
}

#[test]
fn a_recorder_pauses_and_a_capture_is_cut_short() {
    let (frames, truth) = recorded("pauses = { every = 5.0, lasts = 0.4 }");
    let gaps = pauses(&frames, "100", 0.1);
    assert_eq!(gaps.len(), 3, "{gaps:?}");
    near(gaps[0].0, 5.0, 0.003);
    near(gaps[2].1, 15.4, 0.003);
    assert_eq!(truth.recording.unwrap().pauses.len(), 3);
    assert!(truth.silences.is_empty(), "the bus ran on");
    let (short, _) = recorded("cut = { from = 8.0, lasts = 3.0 }");
    near(short[0].time, 8.0, 0.003);
    near(short[short.len() - 1].time, 11.0, 0.003);
}

#[test]
fn a_clock_wraps_or_is_set_back() {
    let (all, _) = world(20.0, &busy());
    for (recorder, by) in
        [("wraps = 12.5", 4_294.967_296), ("set_back = { at = 12.5, by = 37.2 }", 37.2)]
    {
        let (frames, truth) = recorded(recorder);
        assert_eq!(frames.len(), all.len());
        for (frame, real) in frames.iter().zip(&all) {
            let step = if real.time < 12.5 { 0.0 } else { by };
            near(frame.time, real.time - step, 2e-6);
        }
        let steps = truth.recording.unwrap().clock_steps;
        near(steps[0].0, START + 12.5, 1e-6);
        near(steps[0].1, -by, 1e-9);
    }
}

#[test]
fn short_identifiers_stand_in_a_wide_column() {
    let messages = "{ id = \"301\", period = 0.1 }, { id = \"18FEF100\", period = 0.1 }";
    let (text, _) = text(1, 2.0, &(node("n", "", messages) + "[recorder]\npadded = true\n"));
    assert!(text.contains(") can0      301#") && text.contains(") can0 18FEF100#"), "{text}");
    assert_eq!(frames(&text).len(), text.lines().count());
}

#[test]
fn a_loss_beside_lawful_silences_has_its_cause() {
    let rest = [
        turns(&[(10.0, "off"), (15.0, "on")]),
        plain("100", "leaves = 0.1"),
        plain("200", "always_on = true"),
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"100\"\nat = [20.0]\nlasts = [2.0]\n"
            .to_owned(),
    ];
    let (frames, truth) = world(30.0, &rest.concat());
    assert_eq!(pauses(&frames, "100", 0.5).len(), 2);
    let [loss] = silences(&truth, What::Loss)[..] else { panic!("{truth:?}") };
    assert_eq!(loss.cause.as_deref(), Some("power_loss"));
    near(span(loss).0, 20.0, 1e-6);
    near(span(loss).1, 22.3, 1e-6);
    let [key] = silences(&truth, What::KeyOff)[..] else { panic!("{truth:?}") };
    assert!(key.cause.is_none());
    let written = serde_json::to_value(&truth).unwrap();
    assert_eq!(written["silences"][0]["what"], "key_off");
    assert_eq!(written["silences"][1]["cause"], "power_loss");
    assert!(written.get("recording").is_none());
}

#[test]
fn where_all_silences_are_troubles_the_events_say_it() {
    let trouble = "[[trouble]]\nkind = \"stub_open\"\nnode = \"100\"\nat = [5.0]\nlasts = [2.0]\n";
    let (_, truth) = world(10.0, &(plain("100", "") + trouble));
    assert_eq!(silences(&truth, What::Loss).len(), 1);
    let written = serde_json::to_value(&truth).unwrap();
    assert!(written.get("silences").is_none() && written["events"][0]["kind"] == "stub_open");
}

#[test]
fn a_seed_decides_all_and_new_keys_leave_the_rest_as_it_is() {
    let full = turns(&[(5.0, "off"), (12.0, "on"), (14.0, "start")])
        + &plain("100", "wakes = { every = 1.0, lasts = 0.1 }")
        + &plain("200", "tick = 0.01\nstarter = \"resets\"")
        + "[recorder]\nthin = { share = 0.5 }\ndelivers = { every = 0.001 }\n";
    assert_eq!(text(7, 20.0, &full).0, text(7, 20.0, &full).0);
    assert_ne!(text(7, 20.0, &full).0, text(8, 20.0, &full).0);
    // A recorder without effects, and a key turned by no one who minds, change no byte.
    let bare = text(7, 20.0, &plain("100", "always_on = true")).0;
    let more = turns(&[(5.0, "off")]) + &plain("100", "always_on = true") + "[recorder]\n";
    assert_eq!(bare, text(7, 20.0, &more).0);
}

/// The example of docs/simulate.md: read from there, so that it stays right.
#[test]
fn the_example_of_the_docs_runs_and_shows_each_kind_of_silence() {
    use What::{KeyOff, Loss, Mode, Multiplex, Pause, Sleep, Starter};
    let docs = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/simulate.md");
    let docs = std::fs::read_to_string(docs).unwrap();
    let example = docs.split("```toml\n").nth(1).unwrap().split("```").next().unwrap();
    let scenario = Scenario::parse(example).unwrap();
    let mut out = Vec::new();
    let truth = simulate::run(&scenario, &mut out).unwrap();
    assert!(truth.invented && out.len() > 1_000_000);
    for what in [Loss, KeyOff, Starter, Mode, Pause, Multiplex, Sleep] {
        assert!(!silences(&truth, what).is_empty(), "{what:?}");
    }
    let again: Truth = serde_json::from_str(&serde_json::to_string(&truth).unwrap()).unwrap();
    assert_eq!(again.silences.len(), truth.silences.len());
    assert_eq!(again.recording, truth.recording);
}

#[test]
fn wrong_values_are_named() {
    for (rest, message) in [
        (turns(&[(5.0, "off"), (4.0, "on")]), "turns go in order"),
        (turns(&[(5.0, "off"), (6.0, "start")]), "turns go in order"),
        (plain("100", "tick = 0.0"), "tick is 0"),
        (plain("100", "always_on = true\nleaves = 1.0"), "neither leaves nor wakes"),
        (plain("100", "wakes = { every = 1.0, lasts = 2.0 }"), "longer than `lasts`"),
        (node("n", "", "{ id = \"100\", period = 0.1, mode = \"x\" }"), "there is no mode x"),
        (node("n", "", "{ id = \"100\", period = 0.1, beats = [0.1] }"), "or `beats`"),
        (
            node(
                "n",
                "",
                "{ id = \"100\", period = 0.1, multiplex = { ids = [\"101\"], frames = [2, 1] } }",
            ),
            "[least, most]",
        ),
        ("[recorder]\nthin = { keep = 3 }".to_owned(), "give `keep` and `tick`"),
        ("[recorder]\nthin = { share = 1.5 }".to_owned(), "between 0 and 1"),
        ("[recorder]\nset_back = { at = 1.0, by = 2e9 }".to_owned(), "would fall below 0"),
    ] {
        let head = "title = \"t\"\nstart = 1.79e9\nduration = 9.0\n\
                    [[channel]]\nname = \"can0\"\nbit_rate = 500000\n";
        let node = if rest.contains("[[node]]") { String::new() } else { plain("7FF", "") };
        let error = Scenario::parse(&format!("{head}{node}{rest}")).unwrap_err().to_string();
        assert!(error.contains(message), "{rest}: {error}");
    }
}
