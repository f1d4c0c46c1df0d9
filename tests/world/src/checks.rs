//! Fast tests of the world itself.

use crate::bus::Heard;
use crate::case::{Set, make};
use crate::draw::Draw;
use crate::effects::{Effects, Noise};
use crate::family::Family;
use crate::frame::Frame;
use crate::sim::Sim;
use crate::story::Story;
use crate::tester::Tester;

#[test]
fn frames_have_the_length_of_the_standard() {
    // No data and no run of five: 44 bits and the stuff bits of the zeros; ISO 11898-1 allows
    // up to 24 stuff bits in 8 bytes of 11-bit frames.
    for data in [[0u8; 8], [0xFF; 8], [0x55; 8]] {
        let short = Frame::new(0x2AA, false, &data).wire_bits();
        let long = Frame::new(0x0AAA_AAAA, true, &data).wire_bits();
        assert!((108..=132).contains(&short), "{short}");
        assert!((128..=157).contains(&long), "{long}");
    }
    assert_eq!(Frame::new(0x2AA, false, &[0x55; 8]).wire_bits() / 10, 10);
}

#[test]
fn the_lower_identifier_wins_and_the_short_format_before_the_long() {
    let rank = |id, extended| Frame::new(id, extended, &[]).rank();
    assert!(rank(0x100, false) < rank(0x101, false));
    assert!(rank(0x100, false) < rank(0x100 << 18, true));
    assert!(rank(0x100 << 18, true) < rank(0x101, false));
}

#[test]
fn the_same_seed_gives_the_same_case() {
    let (one, other) =
        (make(Family::Fit, 3, Set::Singles, 2, 60.0), make(Family::Fit, 3, Set::Singles, 2, 60.0));
    assert_eq!(one.text, other.text);
    assert_ne!(one.text, make(Family::Held, 3, Set::Singles, 2, 60.0).text);
}

#[test]
fn frames_on_a_channel_never_overlap() {
    let mut draw = Draw::new(8);
    let shape = Family::Held.shape();
    let vehicle = crate::build::vehicle(shape, &mut draw);
    let story = Story::new(shape, 10.0, &mut draw);
    let effects = Effects::default();
    let mut sim = Sim::new(&vehicle, &story, &effects, Tester::default(), true, Draw::new(1));
    sim.run();
    let mut last = vec![0; vehicle.rates.len()];
    for heard in &sim.out {
        if let Heard::Frame(end, channel, frame) = heard {
            let bit = 1e9 / vehicle.rates[*channel];
            let start = *end as f64 - f64::from(frame.wire_bits()) * bit;
            assert!(start + 200.0 >= last[*channel] as f64, "{start} {}", last[*channel]);
            last[*channel] = *end;
        }
    }
    assert!(last[0] > 0);
}

#[test]
fn a_sound_vehicle_stores_no_lost_communication() {
    for number in 0..5 {
        let case = make(Family::Fit, 2, Set::Sound, number, 60.0);
        let stored = case.text.lines().filter(|line| {
            let data = line.split('#').nth(1).unwrap_or("");
            let code = |at: usize| data.get(at..at + 1) == Some("C");
            (data.get(2..6) == Some("5902") && code(8))
                || (data.get(4..8) == Some("5902") && code(10))
        });
        assert_eq!(stored.count(), 0, "sound {number}");
    }
}

#[test]
fn a_destroyed_frame_is_sent_again_as_arbitration_lets_it() {
    let mut draw = Draw::new(8);
    let shape = Family::Fit.shape();
    let mut vehicle = crate::build::vehicle(shape, &mut draw);
    vehicle.nodes.iter_mut().for_each(|node| node.watchdog = None);
    let story = Story { record: (6.0, 16.0), on: vec![(0.0, 99.0)], ..Story::default() };
    let noise = Noise { channel: 0, sender: None, from: 4.0, to: 15.0, chance: 0.02, early: 0.0 };
    let effects = Effects { noise: vec![noise], ..Effects::default() };
    let mut sim = Sim::new(&vehicle, &story, &effects, Tester::default(), true, Draw::new(1));
    sim.run();
    let mut broken = 0;
    for (place, heard) in sim.out.iter().enumerate() {
        let Heard::Error(_, 0, id, false, _) = heard else { continue };
        let rank = Frame::new(*id, vehicle.extended, &[]).rank();
        for later in &sim.out[place + 1..] {
            match later {
                Heard::Frame(_, 0, frame) if frame.id == *id => break,
                Heard::Frame(_, 0, frame) => assert!(frame.rank() < rank),
                _ => {}
            }
        }
        broken += 1;
    }
    assert!(broken > 20, "{broken}");
}
