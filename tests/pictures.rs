//! `presence.png`, `bus-load.png` and the lanes of `report.html`: what they show of whom, and when.

mod common;

use std::fs;

use common::{lostnode, own, shared};
use lostnode::render::style::Tone;
use serde_json::Value;

struct Picture {
    width: usize,
    height: usize,
    pixels: Vec<u8>,
}

impl Picture {
    fn open(path: &std::path::Path) -> Picture {
        let decoder = png::Decoder::new(std::io::BufReader::new(fs::File::open(path).unwrap()));
        let mut reader = decoder.read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut pixels).unwrap();
        Picture { width: info.width as usize, height: info.height as usize, pixels }
    }

    fn at(&self, x: usize, y: usize) -> (u8, u8, u8) {
        let at = (y * self.width + x) * 3;
        (self.pixels[at], self.pixels[at + 1], self.pixels[at + 2])
    }

    /// Columns in which the colour stands somewhere.
    fn columns(&self, colour: (u8, u8, u8)) -> Vec<usize> {
        (0..self.width)
            .filter(|x| (0..self.height - 70).any(|y| self.at(*x, y) == colour))
            .collect()
    }
}

#[test]
fn pictures_show_the_outage_where_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let output = lostnode()
        .arg("report")
        .arg(own("samples/van-door.log.gz"))
        .arg("--out")
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    let presence = Picture::open(&folder.path().join("presence.png"));
    let red = presence.columns(Tone::Lost.light());
    // The axis runs from 260 to 1550 over 210 s; the longest outage from 141.29 s for 5.37 s.
    let x = |time: f64| 260.0 + time / 210.0 * 1290.0;
    let longest = red
        .iter()
        .filter(|column| (x(135.0)..x(155.0)).contains(&(**column as f64)))
        .collect::<Vec<_>>();
    assert!(
        (**longest.first().unwrap() as f64 - x(141.29)).abs() < 3.0
            && (**longest.last().unwrap() as f64 - x(146.65)).abs() < 3.0
    );
    assert!(
        !red.iter().any(|column| (x(150.0)..x(205.0)).contains(&(*column as f64))),
        "nothing was lost there"
    );
    let load = Picture::open(&folder.path().join("bus-load.png"));
    // Its axis runs from 110 to 1550: bars from end to end, but for the sleep from 167 to 185 s.
    let bars = load.columns(Tone::Heard.light());
    let x = |time: f64| 110.0 + time / 210.0 * 1440.0;
    let between = |from: f64, to: f64| {
        bars.iter().filter(|column| (x(from)..x(to)).contains(&(**column as f64))).count() as f64
            / (x(to) - x(from))
    };
    assert!(
        between(1.0, 166.0) > 0.9 && between(187.0, 209.0) > 0.9 && between(169.0, 184.0) == 0.0
    );
    let names: Vec<_> =
        fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names.len(), 4, "no unfinished file is left: {names:?}");
    let written: Value =
        serde_json::from_str(&fs::read_to_string(folder.path().join("report.json")).unwrap())
            .unwrap();
    assert_eq!(written["schema"], "lostnode.report/1");
}

#[test]
fn pictures_of_many_lanes_fold_the_quiet_ones() {
    let Some(path) = shared("data/truck-key-on.log.gz") else { return };
    let folder = tempfile::tempdir().unwrap();
    lostnode().arg("report").arg(path).arg("--out").arg(folder.path()).output().unwrap();
    assert!(Picture::open(&folder.path().join("presence.png")).height < 800);
}

/// Who sleeps, has no key or was not recorded is not drawn as heard, neither in the picture nor on
/// the page: whatever is drawn as heard, the capture has a frame for it.
#[test]
fn nobody_is_heard_while_the_bus_sleeps_or_the_recording_pauses() {
    let captures = [
        Some(own("samples/van-door.log.gz")),
        shared("data/car-key-cycle.log.gz"),
        shared("data/car-capture-pause.log.gz"),
        shared("data/truck-intermittent.log.gz"),
        shared("cars/car-b-keyoff-1.log.gz"),
    ];
    let mut stopped = 0;
    for capture in captures.into_iter().flatten() {
        let folder = tempfile::tempdir().unwrap();
        lostnode().arg("report").arg(&capture).arg("--out").arg(folder.path()).output().unwrap();
        let read = |name: &str| fs::read_to_string(folder.path().join(name)).unwrap();
        let document: Value = serde_json::from_str(&read("report.json")).unwrap();
        let time = |value: &Value| value.as_f64().unwrap();
        let [begin, end] = ["start", "end"].map(|edge| time(&document["captures"][0][edge]));
        let lanes = lanes(&read("report.html"));
        assert!(!lanes.is_empty(), "{}", capture.display());
        for lane in &lanes {
            let (heard, silent): (Vec<_>, Vec<_>) =
                lane.bars.iter().partition(|bar| bar.tone == "heard");
            for silent in silent.iter().filter(|bar| bar.whole) {
                // What is too short to be seen is drawn wider than it is.
                if silent.to - silent.from < 2.6 {
                    continue;
                }
                for heard in &heard {
                    let both = heard.to.min(silent.to) - heard.from.max(silent.from);
                    assert!(both < 0.03, "{} {}: {both}", capture.display(), lane.name);
                }
            }
        }
        let picture = Picture::open(&folder.path().join("presence.png"));
        let heard = picture.columns(Tone::Heard.light());
        let one_channel = document["channels"].as_array().unwrap().len() == 1;
        for outage in document["outages"].as_array().unwrap().iter().filter(|outage| {
            let scope = outage["scope"].as_str().unwrap();
            scope == "capture" || scope == "bus" && one_channel
        }) {
            stopped += 1;
            let x = |time: f64| 260.0 + (time - begin) / (end - begin) * 1290.0;
            let inside = x(time(&outage["start"])) + 1.0..x(time(&outage["end"])) - 1.0;
            let wrong = heard.iter().find(|column| inside.contains(&(**column as f64)));
            assert_eq!(wrong, None, "{}: {outage}", capture.display());
        }
    }
    assert!(stopped > 0);
}

/// A lane of the page as it is drawn: thousandths of the time.
struct Lane {
    name: String,
    bars: Vec<Bar>,
}

struct Bar {
    tone: String,
    from: f64,
    to: f64,
    /// All of the lane, not only some of its identifiers.
    whole: bool,
}

fn lanes(page: &str) -> Vec<Lane> {
    let value = |tag: &str, name: &str| -> String {
        let rest = tag.split(&format!(" {name}=\"")).nth(1).unwrap();
        rest.split('"').next().unwrap().to_owned()
    };
    let bar = |tag: &str| {
        let from: f64 = value(tag, "x").parse().unwrap();
        let width: f64 = value(tag, "width").parse().unwrap();
        let whole = value(tag, "height") != "6";
        Bar { tone: value(tag, "class"), from, to: from + width, whole }
    };
    let lane = |text: &str| {
        let drawn = text.split("</svg>").next().unwrap();
        Lane {
            name: value(text, "aria-label"),
            bars: drawn.split("<rect").skip(1).map(bar).collect(),
        }
    };
    page.split("<div class=\"lane\"")
        .skip(1)
        .filter(|text| text.contains("<rect"))
        .map(lane)
        .collect()
}
