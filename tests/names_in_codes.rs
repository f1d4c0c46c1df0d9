//! Whom a code means: by the address that SAE J1939 prefers for a name, by who was away when it was
//! read, by who tells of it. For each rule the smallest capture that needs it, and its counterpart.
//! All data is invented.

mod common;
#[path = "common/five_nodes.rs"]
mod five_nodes;
#[path = "common/messages.rs"]
mod messages;

use common::report_text;
use five_nodes::of_class;
use messages::{Message, buses, cut, log, message, messages, once, read, slow};
use serde_json::Value;

fn reported(text: &str) -> Value {
    report_text(text).1
}

/// What the frames say of a module with these words in its name.
fn verdict(document: &Value, name: &str) -> String {
    let rows = document["blame"].as_array().unwrap().iter();
    let row = rows.into_iter().find(|row| row["blamed"].to_string().contains(name));
    row.map_or("none".to_owned(), |row| row["verdict"].as_str().unwrap().to_owned())
}

/// Groups that trucks send every day (SAE J1939-71).
const GROUPS: [&str; 4] = ["0CF004", "18FEF1", "18FEEE", "18FEF7"];

/// A truck of five addresses; `but` is not there.
fn truck(but: &str) -> Vec<Message> {
    let own = |sender: &str, at: usize| {
        let id = format!("{}{sender}", GROUPS[at]);
        message(&id, [0.1, 0.1, 0.25, 0.5][at], 0.003 * at as f64 + 0.011)
    };
    let senders = ["00", "03", "0B", "17", "21"].into_iter().filter(|sender| *sender != but);
    senders.flat_map(|sender| (0..4).map(move |at| own(sender, at))).collect()
}

/// A read of the codes of an address, and its answer (ISO 15765-2, normal fixed addresses).
fn read_address(at: f64, address: &str, answer: fn(f64) -> String) -> Vec<Message> {
    let asks = once(at, &format!("18DA{address}F9"), |_| "031902FF00000000".to_owned());
    vec![asks, once(at + 0.01, &format!("18DAF9{address}"), answer)]
}

/// U0140, body control module, failing; and U0100, the engine's.
const BODY: fn(f64) -> String = |_| "075902FFC140002F".to_owned();
const ENGINE: fn(f64) -> String = |_| "075902FFC100002F".to_owned();

/// A name in a code means the address that SAE J1939 prefers for it: who sends from it throughout
/// is not missing, who does not is, and no other that falls silent is either of them.
#[test]
fn a_name_in_a_code_means_an_address() {
    let told = |but: &str, code: fn(f64) -> String| {
        let mut all = truck(but);
        let lost = |own: &Message| own.id.ends_with("17");
        all = all
            .into_iter()
            .map(|own| if lost(&own) { own.silent(20.0, 26.0) } else { own })
            .collect();
        all.extend(read_address(23.0, "0B", code));
        reported(&log(40.0, &all))
    };
    let heard = told("none", BODY);
    assert_eq!(verdict(&heard, "0x21"), "contradicted", "{:#}", heard["blame"]);
    let away = told("00", ENGINE);
    assert_eq!(verdict(&away, "0x00"), "open", "{:#}", away["blame"]);
    let findings = away["findings"].as_array().unwrap().iter();
    let of_cluster = findings.filter(|own| own["nodes"].to_string().contains("0x17"));
    let codes = |own: &Value| own["codes_explained"].as_array().unwrap().len();
    assert_eq!(of_cluster.map(codes).sum::<usize>(), 0, "{:#}", away["findings"]);
}

/// An active code (DM1) of one address that misses another.
fn misses(sender: &str, data: fn(f64) -> String) -> Message {
    Message { data, ..message(&format!("18FECA{sender}"), 1.0, 0.217) }
}

/// Addresses that are missed on one bus and were never heard hang on one branch or supply of it,
/// and are not behind a gateway. Missed each on another bus they are not of one branch.
#[test]
fn who_is_missed_by_address_is_of_the_bus_of_those_who_miss_it() {
    let without = |gone: &[&str]| -> Vec<Message> {
        let here = |own: &Message| !gone.iter().any(|sender| own.id.ends_with(sender));
        truck("none").into_iter().filter(here).collect()
    };
    // SPN 2003, 2011 and 2049 (addresses 0x03, 0x0B and 0x31), FMI 19.
    let transmission = misses("00", |_| "04FFD30713010000".to_owned());
    let brakes = misses("17", |_| "04FFDB0713010000".to_owned());
    let cab = misses("21", |_| "04FF010813010000".to_owned());
    let of_several = |found: &Value| -> Vec<usize> {
        let all = found["findings"].as_array().unwrap().iter();
        let shared = all.filter(|own| own["class"] == "branch" || own["class"] == "shared_supply");
        shared.map(|own| own["nodes"].as_array().unwrap().len()).collect()
    };
    let first = |found: &Value| found["findings"][0]["class"].as_str().unwrap().to_owned();
    let all = [transmission.clone(), brakes.clone(), cab];
    let three = reported(&log(40.0, &[without(&["03", "0B"]), all.to_vec()].concat()));
    assert_eq!(of_several(&three), [3, 3], "{:#}", three["findings"]);
    assert!(["branch", "shared_supply"].contains(&&*first(&three)), "{:#}", three["findings"]);
    assert!(of_class(&three, "gateway") < 0.2);
    let two = reported(&log(40.0, &[without(&["03", "0B"]), all[..2].to_vec()].concat()));
    assert_eq!(of_several(&two), [2, 2], "{:#}", two["findings"]);
    let one = [without(&["03"]), vec![transmission]].concat();
    let other = [without(&["0B"]), vec![brakes]].concat();
    let apart = reported(&buses(40.0, &[&one, &other]));
    assert_eq!(of_several(&apart), [0; 0], "{:#}", apart["findings"]);
}

/// Wheel speeds (SPN 905 to 907) are sent by the brakes alone: where they do not come, these are
/// missed; where they come marked in error, they were sent.
#[test]
fn data_in_error_misses_nobody() {
    let found = |told: fn(f64) -> String| {
        let there = truck("none").into_iter().filter(|own| !own.id.ends_with("0B"));
        let found = reported(&log(40.0, &[there.collect(), vec![misses("00", told)]].concat()));
        found["blame"].as_array().unwrap().len()
    };
    let late = found(|_| "04FF890309010000".to_owned());
    let in_error = found(|_| "04FF890313010000".to_owned());
    assert_eq!((late, in_error), (1, 0));
}

/// One module that remembers four others, whom nobody else misses, was cut off itself at some time:
/// these are no four old codes. Where each is told by another module they are.
#[test]
fn who_alone_misses_many_tells_one_thing() {
    // Stored, with a test that has not failed in this cycle nor the last.
    let one = [
        once(5.0, "7E0", |_| "031902FF00000000".to_owned()),
        once(5.01, "7E8", |_| "10135902FFC10000".to_owned()),
        once(5.012, "7E0", |_| "3000000000000000".to_owned()),
        once(5.014, "7E8", |_| "2128C1210028C131".to_owned()),
        once(5.016, "7E8", |_| "220028C155002800".to_owned()),
    ];
    let each = [
        read(5.0, 0, |_| "075902FFC1000028".to_owned()),
        read(7.0, 1, |_| "075902FFC1210028".to_owned()),
        read(9.0, 2, |_| "075902FFC1310028".to_owned()),
        read(11.0, 3, |_| "075902FFC1550028".to_owned()),
    ];
    let stale = |codes: Vec<Message>| {
        let found = reported(&log(40.0, &[messages(0x300, 16), codes].concat()));
        assert_eq!(found["codes"].as_array().unwrap().len(), 4, "{:#}", found["codes"]);
        of_class(&found, "stale_codes")
    };
    let (alone, scattered) = (stale(one.to_vec()), stale(each.concat()));
    assert!(scattered > 0.5 && alone < 0.5 * scattered, "{alone} {scattered}");
}

/// A clear mends nothing: what had failed in this drive, and was never read again, stands as it did
/// before. What was only stored does not.
#[test]
fn a_clear_mends_nothing() {
    let told = |code: fn(f64) -> String| {
        let clear = [
            once(20.0, "7E0", |_| "0414FFFFFF000000".to_owned()),
            once(20.02, "7E8", |_| "0154000000000000".to_owned()),
        ];
        let all = [messages(0x300, 16), read(10.0, 0, code), clear.to_vec()].concat();
        let found = reported(&log(40.0, &all));
        (of_class(&found, "module_power"), of_class(&found, "stale_codes"))
    };
    let (failing, of_failing) = told(|_| "075902FFC140002F".to_owned());
    let (stored, of_stored) = told(|_| "075902FFC1400028".to_owned());
    assert!(failing > of_failing && failing > 2.0 * stored, "{failing} {of_failing} {stored}");
    assert!(of_stored > stored, "{of_stored} {stored}");
}

/// Who is heard throughout and missed now by two has supply and bus, and does not send what they
/// wait for. One alone may be the one that waits for what nobody sends.
#[test]
fn who_is_heard_and_missed_now_does_not_fit() {
    let told = |tellers: &[&str]| {
        // SPN 2033 (address 0x21), FMI 9.
        let one = |sender: &&str| misses(sender, |_| "04FFF10709010000".to_owned());
        let all = [truck("none"), tellers.iter().map(one).collect()].concat();
        of_class(&reported(&log(40.0, &all)), "not_configured")
    };
    assert!(told(&["00", "17"]) > 0.4, "{}", told(&["00", "17"]));
    assert!(told(&["00"]) < 0.2, "{}", told(&["00"]));
}

/// Who answers a tester, and sends nothing by itself while others miss it, runs and sends its
/// messages under other numbers; so it is whatever else is lost. Who sends its active codes beside
/// is heard, and one alone that misses it proves nothing.
#[test]
fn who_only_answers_a_tester_and_is_missed_does_not_fit() {
    let told = |beside: Vec<Message>| {
        // SPN 2049 (address 0x31), FMI 9.
        let one = misses("00", |_| "04FF010809010000".to_owned());
        let answer = read_address(20.0, "31", |_| "035902FF00000000".to_owned());
        reported(&log(40.0, &[truck("none"), vec![one], answer, beside].concat()))
    };
    let foreign = |document: &Value| of_class(document, "not_configured");
    let alone = told(Vec::new());
    assert_eq!(verdict(&alone, "0x31"), "open", "{:#}", alone["blame"]);
    assert!(foreign(&alone) > 0.4, "{}", foreign(&alone));
    let lost = message("18FEF133", 0.1, 0.017).silent(25.0, 28.0);
    assert!(foreign(&told(vec![lost])) > 0.4);
    let sends = told(vec![message("18FECA31", 1.0, 0.4)]);
    assert!(foreign(&sends) < 0.2, "{}", foreign(&sends));
}

/// Where nothing was lost, several that are missed now by name and were never heard share one wire
/// or one fuse. Not where a gateway is missed with them, nor where one of them may be the node that
/// was lost.
#[test]
fn who_is_missed_by_name_with_others_shares_something() {
    let fails = |at: f64, number: u16, code: fn(f64) -> String| read(at, number, code);
    let abs: fn(f64) -> String = |_| "075902FFC121002F".to_owned();
    let body: fn(f64) -> String = |_| "075902FFC140002F".to_owned();
    let gateway: fn(f64) -> String = |_| "075902FFC146002F".to_owned();
    let told = |codes: Vec<Message>| {
        let found = reported(&log(40.0, &[messages(0x300, 16), codes].concat()));
        of_class(&found, "branch") + of_class(&found, "shared_supply")
    };
    let both = [fails(5.0, 0, abs), fails(7.0, 1, body)].concat();
    assert!(told(both.clone()) > 0.5);
    assert_eq!(told(fails(5.0, 0, abs)), 0.0);
    assert_eq!(told([both.clone(), fails(9.0, 2, gateway)].concat()), 0.0);
    let lost = cut(messages(0x101, 4), 20.0, 36.0);
    let beside = told([both, slow(lost, 80.0)].concat());
    assert!(beside < 0.3, "{beside}");
}

/// Of two nodes whose names have words of a code, it means the one that has them all: the code of
/// the park brake is not the brakes'. And it means what people write for it in other words.
#[test]
fn the_name_with_all_words_of_a_code_is_meant() {
    let folder = tempfile::tempdir().unwrap();
    let node = |name: &str, first: u32| {
        format!(
            "[[node]]\nname = \"{name}\"\nchannel = \"can0\"\nmessages = [ {{ id = \
             \"0x{first:03X}\", period = 0.01 }}, {{ id = \"0x{:03X}\", period = 0.02 }} ]\n",
            first + 1
        )
    };
    let confirmed = |names: [&str; 2], code: fn(f64) -> String| {
        let roster = folder.path().join("roster.toml");
        std::fs::write(&roster, node(names[0], 0x110) + &node(names[1], 0x210)).unwrap();
        let asks = once(16.0, "7E0", |_| "031902FF00000000".to_owned());
        let answer = once(16.01, "7E8", code);
        let lost = cut(messages(0x210, 2), 10.0, 15.0);
        let all = [messages(0x110, 2), lost, messages(0x310, 8), vec![asks, answer]].concat();
        let capture = folder.path().join("drive.log");
        std::fs::write(&capture, log(30.0, &all)).unwrap();
        let arguments = ["--roster", roster.to_str().unwrap()];
        verdict(&common::report(&capture, &arguments).1, "Module")
    };
    // U0128, park brake control module, and U0151, restraints control module.
    let park: fn(f64) -> String = |_| "075902FFC128002F".to_owned();
    assert_eq!(confirmed(["brakes", "park brake"], park), "confirmed");
    assert_ne!(confirmed(["park brake", "brakes"], park), "confirmed");
    let restraints: fn(f64) -> String = |_| "075902FFC151002F".to_owned();
    assert_eq!(confirmed(["brakes", "airbag"], restraints), "confirmed");
}

/// Who speaks and sends what others call invalid now does not fit the vehicle. Not where that is
/// only remembered, nor where something is lost that it may be; and who complains is well, whatever
/// the failure type.
#[test]
fn who_sends_invalid_data_does_not_fit() {
    let told = |code: fn(f64) -> String, beside: Vec<Message>| {
        let all = [messages(0x300, 12), beside, read(30.0, 1, code)].concat();
        let found = reported(&log(40.0, &all));
        let all = found["findings"].as_array().unwrap().iter();
        let own = all.filter(|own| own["class"] == "not_configured");
        own.map(|own| own["nodes"][0].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let now: fn(f64) -> String = |_| "075902FFC422872F".to_owned();
    assert_eq!(told(now, Vec::new()), ["Body Control Module"]);
    assert_eq!(told(|_| "075902FFC422562F".to_owned(), Vec::new()), ["Body Control Module"]);
    assert!(told(|_| "075902FFC4228728".to_owned(), Vec::new()).is_empty());
    assert!(told(now, cut(slow(messages(0x100, 4), 90.0), 20.0, 99.0)).is_empty());
}
