//! Losses cut into real captures of sound vehicles: all that the engine controller sends, for 3 s.
//! Each must be loud, told as one, and named first; near a key-off too.

mod common;

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read as _;

use common::{report, shared};
use rand::{RngExt as _, SeedableRng as _};

/// Seconds, identifier, and the whole line.
type Line = (f64, String, String);

fn lines(name: &str) -> Option<Vec<Line>> {
    let path = shared(&format!("cars/{name}.log.gz"))?;
    let mut text = String::new();
    flate2::read::GzDecoder::new(std::fs::File::open(path).unwrap())
        .read_to_string(&mut text)
        .unwrap();
    let line = |line: &str| {
        let (time, rest) = line.trim_start().strip_prefix('(')?.split_once(')')?;
        let id = rest.split_whitespace().nth(1)?.split('#').next()?;
        Some((time.parse().ok()?, id.to_owned(), line.to_owned()))
    };
    Some(text.lines().filter_map(line).collect())
}

/// How often each identifier comes in a part of a capture.
fn count<'a>(lines: impl Iterator<Item = &'a Line>) -> BTreeMap<&'a str, usize> {
    let mut out = BTreeMap::new();
    lines.for_each(|(_, id, _)| *out.entry(id.as_str()).or_default() += 1);
    out
}

/// What the sound captures hold and the one without its controller lacks.
fn controller(sound: &[Vec<Line>], missing: &[Line]) -> BTreeSet<String> {
    let here = count(missing.iter());
    let often = |lines: &Vec<Line>| -> BTreeSet<String> {
        let counts = count(lines.iter()).into_iter();
        counts.filter(|(_, times)| *times >= 3).map(|(id, _)| id.to_owned()).collect()
    };
    let all = sound.iter().map(often).reduce(|a, b| &a & &b).unwrap_or_default();
    all.into_iter().filter(|id| !here.contains_key(id.as_str())).collect()
}

/// Cuts `gone` out of a capture from `from` on, and looks at what is said of it; `None` where its
/// identifiers are not heard well before and after.
fn told(lines: &[Line], gone: &BTreeSet<String>, from: f64) -> Option<(bool, bool, bool)> {
    let (begin, end) = (lines.first()?.0, lines.last()?.0);
    let cut = from..from + 3.0;
    let all = count(lines.iter());
    let before = count(lines.iter().filter(|line| line.0 < cut.start));
    let after = count(lines.iter().filter(|line| line.0 >= cut.end));
    let fast: BTreeSet<&str> = gone
        .iter()
        .map(String::as_str)
        .filter(|id| all.get(id).is_some_and(|times| *times as f64 > 3.5 * (end - begin)))
        .collect();
    let heard = |part: &BTreeMap<&str, usize>| {
        fast.iter().all(|id| part.get(id).is_some_and(|times| *times >= 10))
    };
    if fast.is_empty() || !heard(&before) || !heard(&after) {
        return None;
    }
    let kept = lines.iter().filter(|(time, id, _)| !(gone.contains(id) && cut.contains(time)));
    let text: String = kept.map(|(_, _, line)| format!("{line}\n")).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cut.log");
    std::fs::write(&path, text).unwrap();
    let (code, document) = report(&path, &[]);
    let most = document["outages"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|outage| outage["benign"] == false)
        .map(|outage| {
            let ids = outage["ids"].as_array().unwrap().iter();
            ids.filter(|id| fast.contains(&id.as_str().unwrap()[2..])).count()
        })
        .max()
        .unwrap_or(0);
    let first = document["findings"].as_array().unwrap().iter().find(|one| one["benign"] == false);
    let silent = ["module_power", "module_connector", "module_dead", "branch", "shared_supply"];
    let named = first.is_some_and(|one| silent.contains(&one["class"].as_str().unwrap()));
    Some((code == 1, most as f64 >= 0.95 * fast.len() as f64, named))
}

/// Car, sound captures, and a capture of it without its engine controller.
const CARS: [(char, u32); 4] = [('a', 7), ('b', 2), ('c', 7), ('g', 5)];

#[test]
fn a_loss_cut_into_a_sound_capture_is_loud_one_and_first() {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(18);
    let (mut cuts, mut quiet) = (0, Vec::new());
    for (car, captures) in CARS {
        let names: Vec<String> = (1..=captures).map(|at| format!("car-{car}-sound-{at}")).collect();
        let sound: Option<Vec<Vec<Line>>> = names.iter().map(|name| lines(name)).collect();
        let (Some(sound), Some(missing)) = (sound, lines(&format!("car-{car}-missing-1"))) else {
            return;
        };
        let gone = controller(&sound, &missing);
        for (name, lines) in names.iter().zip(&sound) {
            let (begin, span) = (lines[0].0, lines[lines.len() - 1].0 - lines[0].0);
            let mut places = vec![0.45];
            places.extend((0..2).map(|_| random.random_range(0.2..0.8)));
            for place in places.into_iter().filter(|_| span >= 9.0) {
                let from = begin + place * span;
                let Some(told) = told(lines, &gone, from) else { continue };
                cuts += 1;
                if told != (true, true, true) {
                    quiet.push((name.clone(), place, told));
                }
            }
        }
    }
    println!("{cuts} losses cut in; loud, one and first all but {quiet:?}");
    assert!(cuts >= 12, "{cuts}");
    assert!(quiet.len() * 20 <= cuts, "{quiet:?}");
    assert!(quiet.iter().all(|(_, _, (loud, ..))| *loud), "{quiet:?}");
}

#[test]
fn a_loss_that_is_over_before_a_key_off_is_loud() {
    // The key goes off at 9.0 s at the earliest in the first and last of these.
    let Some(missing) = lines("car-b-missing-1") else { return };
    let names = ["car-b-sound-1", "car-b-sound-2"];
    let sound: Option<Vec<Vec<Line>>> = names.into_iter().map(lines).collect();
    let Some(sound) = sound else { return };
    let gone = controller(&sound, &missing);
    let Some(capture) = lines("car-b-keyoff-2") else { return };
    // The last module that the key takes away is heard until then.
    let last = |id: &String| {
        capture.iter().rev().find(|line| line.1 == *id).map_or(f64::INFINITY, |line| line.0)
    };
    let off = gone.iter().map(last).fold(f64::INFINITY, f64::min);
    let begin = capture[0].0;
    let mut told_of = 0;
    for before in [4.9, 4.4] {
        let from = off - before;
        if let Some((loud, one, first)) = told(&capture, &gone, from) {
            told_of += 1;
            assert!(loud && one && first, "{loud} {one} {first} at {:.1} s", from - begin);
        }
    }
    println!("{told_of} losses just before a key-off, at {:.1} s", off - begin);
}
