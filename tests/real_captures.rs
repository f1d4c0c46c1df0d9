//! Real captures, each with what is known of it (`../shared/data/SOURCE.md`).

mod common;

use common::{outages, report, shared};

#[test]
fn truck_with_intermittent_senders() {
    let Some(path) = shared("data/truck-intermittent.log.gz") else { return };
    let (code, document) = report(&path, &[]);
    // Ordinary key-offs, as the engine speed shows: nothing is lost, and no fault is named.
    assert_eq!(code, 0);
    let named = document["findings"].as_array().unwrap().iter();
    for finding in named.filter(|finding| finding["benign"] == false) {
        assert!(finding["probability"].as_f64().unwrap() <= 0.2, "{finding}");
    }
    for outage in document["outages"].as_array().unwrap() {
        let cause = outage["cause"].as_str().unwrap();
        let lawful = outage["benign"] == true || cause == "bus_sleep";
        assert!(lawful, "{outage}");
    }
    let found = outages(&document);
    // Whoever left with it is told with it: then it is a branch.
    let near = |scope: &str, who: &str, start: f64, length: Option<f64>| {
        let hit = found.iter().any(|(s, w, at, long)| {
            (s == scope || (scope == "node" && s == "branch"))
                && w.contains(who)
                && (at - start).abs() < 0.1
                && length.is_none_or(|length| (long - length).abs() < 0.1)
        });
        assert!(hit, "{scope} {who} at {start} for {length:?} is not among {found:#?}");
    };
    for (start, length) in [
        (38.31, Some(101.46)),
        (150.27, Some(5.57)),
        (301.75, Some(3.47)),
        (488.22, None),
        (2664.18, None),
    ] {
        near("node", "address 0x0B", start, length);
    }
    for (start, length) in [(77.43, Some(62.39)), (527.44, None), (2702.76, None)] {
        near("node", "address 0x00", start, length);
    }
    for (start, length) in
        [(577.54, 606.03), (1833.41, 473.89), (2377.25, 157.69), (2736.25, 22.77)]
    {
        near("bus", "", start, Some(length));
    }
    // The whole-channel silences are charged to no node.
    let blamed =
        found.iter().filter(|(scope, who, ..)| scope == "node" && who.contains("0x21")).count();
    assert_eq!(blamed, 0);
    // can0 was recorded for the first 16 s: that is its bus, not its nodes.
    let early: Vec<_> =
        document["outages"].as_array().unwrap().iter().filter(|o| o["channel"] == "can0").collect();
    assert_eq!(early.len(), 1);
    assert_eq!(
        (early[0]["scope"].as_str(), early[0]["ongoing_at_end"].as_bool()),
        (Some("bus"), Some(true))
    );
    for channel in document["channels"].as_array().unwrap() {
        assert_eq!(channel["bit_rate"]["bits_per_second"], 250_000.0);
        assert_eq!(channel["bit_rate"]["source"], "inferred");
    }
}

#[test]
fn sound_vehicles_raise_no_alarm() {
    for (name, frames, rate) in [
        ("truck-steady", 253_735, 250e3),
        ("truck-key-on", 51_781, 250e3),
        ("car-steady", 74_642, 500e3),
    ] {
        let Some(path) = shared(&format!("data/{name}.log.gz")) else { return };
        let (code, document) = report(&path, &[]);
        assert_eq!((code, outages(&document)), (0, vec![]), "{name}");
        assert_eq!(document["captures"][0]["frames"], frames, "{name}");
        assert_eq!(document["captures"][0]["rejected_lines"], 0, "{name}");
        assert_eq!(document["channels"][0]["bit_rate"]["bits_per_second"], rate, "{name}");
    }
}

#[test]
fn a_pausing_logger_is_no_lost_node() {
    let Some(path) = shared("data/car-capture-pause.log.gz") else { return };
    let (code, document) = report(&path, &[]);
    // It paused for 45 of 65 s: what happened meanwhile, nobody knows.
    assert_eq!(code, 3);
    let outages = document["outages"].as_array().unwrap();
    for outage in outages {
        assert_eq!(
            (outage["scope"].as_str(), outage["cause"].as_str()),
            (Some("capture"), Some("capture_gap")),
            "{outage}"
        );
    }
    let long = outages.iter().filter(|outage| outage["duration_s"].as_f64().unwrap() > 1.0).count();
    assert!(long >= 11, "eleven long pauses, {long} found");
    let begin = document["captures"][0]["start"].as_f64().unwrap();
    for (start, length) in [(0.20, 10.0), (12.28, 8.2)] {
        let hit = outages.iter().any(|outage| {
            (outage["start"].as_f64().unwrap() - begin - start).abs() < 0.01
                && (outage["duration_s"].as_f64().unwrap() - length).abs() < 0.05
        });
        assert!(hit, "pause at {start}");
    }
}

#[test]
fn key_off_is_a_sleep_and_blames_nobody() {
    let Some(path) = shared("data/car-key-cycle.log.gz") else { return };
    let (code, document) = report(&path, &[]);
    assert_eq!(code, 0);
    let outages = document["outages"].as_array().unwrap();
    assert_eq!(outages.len(), 1, "{outages:#?}");
    assert_eq!(
        (outages[0]["scope"].as_str(), outages[0]["cause"].as_str()),
        (Some("bus"), Some("bus_sleep"))
    );
    let start =
        outages[0]["start"].as_f64().unwrap() - document["captures"][0]["start"].as_f64().unwrap();
    assert!((3.97..=4.27).contains(&start));
}

#[test]
fn console_text_without_times_is_read_and_says_what_it_cannot_tell() {
    let Some(path) = shared("data/console-no-time.txt.gz") else { return };
    let (code, document) = report(&path, &[]);
    assert_eq!(code, 3);
    assert_eq!(document["captures"][0]["frames"], 6488);
    assert!(document["notices"].to_string().contains("no time stamps"));
}

#[test]
fn can_fd_lines() {
    let Some(path) = shared("data/canfd-three-frames.log") else { return };
    let (_, document) = report(&path, &["--bit-rate", "500000", "--data-bit-rate", "2000000"]);
    assert_eq!(document["captures"][0]["frames"], 3);
    assert_eq!(document["channels"].as_array().unwrap().len(), 2);
}
