//! Puts a case together: vehicle, story, faults, tester, recorder, roster.

use crate::draw::Draw;
use crate::effects::{Effects, Noise};
use crate::family::{Family, Shape};
use crate::faults::{FAULTS, Planted, fits, plant};
use crate::frame::text_id;
use crate::record::Recorder;
use crate::sim::Sim;
use crate::soil::{Needs, Soil};
use crate::story::{Story, WARM};
use crate::tester::{Plan, Tester};
use crate::truth::{Truth, Unit};
use crate::vehicle::{Cadence, Vehicle};
use crate::{build, memories};

/// Which of the three sets a case is of.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Set {
    /// One fault.
    Singles,
    /// Two independent faults.
    Pairs,
    /// None.
    Sound,
}

impl Set {
    /// Its name in files and tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Singles => "singles",
            Self::Pairs => "pairs",
            Self::Sound => "sound",
        }
    }

    /// The set of a name.
    pub fn named(name: &str) -> Option<Self> {
        [Self::Singles, Self::Pairs, Self::Sound].into_iter().find(|set| set.name() == name)
    }
}

/// A case, ready to be written.
pub struct Case {
    /// The capture as log text.
    pub text: String,
    /// Sound captures to learn a roster from, as log text.
    pub lessons: Vec<String>,
    /// A roster written by hand, with names.
    pub roster: Option<String>,
    /// The truth.
    pub truth: Truth,
}

/// The faults of a case: any share of the list by weight, any two for a pair.
pub fn faults_of(set: Set, number: usize) -> Vec<usize> {
    let mut list: Vec<usize> = Vec::new();
    for (fault, (_, many, _)) in FAULTS.iter().enumerate() {
        list.extend(std::iter::repeat_n(fault, *many));
    }
    Draw::new(19).shuffle(&mut list);
    match set {
        Set::Singles => vec![list[number % list.len()]],
        Set::Sound => Vec::new(),
        Set::Pairs => {
            let mut draw = Draw::new(1900 + number as u64);
            loop {
                let (one, other) = (draw.pick(&list), draw.pick(&list));
                if pairs_well(FAULTS[one].0, FAULTS[other].0) {
                    return vec![one, other];
                }
            }
        }
    }
}

/// Two of a kind are no pair, nor two that touch the whole bus or the memories.
fn pairs_well(one: &str, other: &str) -> bool {
    let whole = ["short", "termination", "flood", "gateway"];
    let memory = ["stale", "mended"];
    one != other
        && !(whole.contains(&one) && whole.contains(&other))
        && !(memory.contains(&one) && memory.contains(&other))
}

/// Makes a case of at most so many seconds. The same family, seed, set and number give the same
/// case.
pub fn make(family: Family, seed: u64, set: Set, number: usize, longest: f64) -> Case {
    let shape = family.shape();
    let faults = faults_of(set, number);
    let mix = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ shape.salt << 24;
    let mut draw = Draw::new(mix ^ (set as u64) << 20 ^ number as u64);
    loop {
        let mut attempt = draw.fork();
        if let Some(case) = attempt_case(family, set, number, &faults, longest, &mut attempt) {
            return case;
        }
    }
}

struct Scene {
    vehicle: Vehicle,
    story: Story,
    effects: Effects,
    planted: Vec<Planted>,
    needs: Needs,
    recorded: Vec<usize>,
}

fn scene(shape: &Shape, faults: &[usize], longest: f64, draw: &mut Draw) -> Option<Scene> {
    let mut vehicle = build::vehicle(shape, &mut draw.fork());
    if !faults.iter().all(|&fault| fits(FAULTS[fault].0, &vehicle)) {
        return None;
    }
    // A unit that resets now and then is a fault of its own: sound vehicles have none.
    if faults.is_empty() {
        vehicle.nodes.iter_mut().for_each(|node| node.watchdog = None);
    }
    // Busy buses are recorded for less long, so that all cases are of like size.
    let seconds =
        draw.log(60.0, 240.0).min(longest).min((1.2e5 / frames_a_second(&vehicle)).max(50.0));
    let story = Story::new(shape, seconds, &mut draw.fork());
    let both = vehicle.rates.len() == 2 && draw.yes(shape.both_recorded);
    let recorded = if both { vec![0, 1] } else { vec![0] };
    let (mut effects, mut planted) = (Effects::default(), Vec::new());
    let (mut needs, mut taken) = (Needs::default(), Vec::new());
    let mut soil = Soil {
        vehicle: &vehicle,
        story: &story,
        recorded: &recorded,
        effects: &mut effects,
        taken: &mut taken,
        needs: &mut needs,
        chatter: shape.chatter,
    };
    for &fault in faults {
        planted.push(plant(fault, &mut soil, &mut draw.fork())?);
    }
    Some(Scene { vehicle, story, effects, planted, needs, recorded })
}

fn attempt_case(
    family: Family,
    set: Set,
    number: usize,
    faults: &[usize],
    longest: f64,
    draw: &mut Draw,
) -> Option<Case> {
    let shape = family.shape();
    let mut scene = scene(shape, faults, longest, draw)?;
    let mut besides = Vec::new();
    let plan = plan(&scene, shape, draw)?;
    if set != Set::Sound && !plan.scans.is_empty() && draw.yes(shape.old_codes) {
        earlier(&mut scene, draw);
        besides.push(("stale_codes".to_owned(), Vec::new()));
    }
    for (place, node) in scene.vehicle.nodes.iter().enumerate() {
        if node.watchdog.is_some() {
            let classes = ["module_power", "module_dead", "module_connector"];
            besides.extend(classes.map(|class| (class.to_owned(), vec![place])));
        }
    }
    if draw.yes(0.25) {
        plug_in(&mut scene, draw);
    }
    let acknowledges = draw.yes(shape.acknowledges);
    let errors = scene.needs.errors || draw.yes(shape.error_frames);
    let span = scene.story.record;
    let recorder = Recorder::new(scene.recorded.clone(), errors, span, draw);
    if !recorder.pauses.is_empty() {
        besides.push(("logger".to_owned(), Vec::new()));
    }
    if scene.story.style != "runs" && scene.story.style != "cranks" {
        besides.push(("sleep".to_owned(), Vec::new()));
    }
    if !scene.story.cranks.is_empty() {
        besides.push(("cranking".to_owned(), Vec::new()));
    }
    let tester = Tester::new(&scene.vehicle, &plan, shape, draw);
    let mut sim =
        Sim::new(&scene.vehicle, &scene.story, &scene.effects, tester, acknowledges, draw.fork());
    sim.run();
    let seconds = scene.story.record.1;
    let loads = sim.busy.iter().map(|busy| *busy as f64 / 1e9 / seconds).collect();
    let written = recorder.write(&sim.out, span, draw);
    let frames = written.text.lines().count() - written.errors.len();
    if frames < 500 {
        return None;
    }
    let mut case = Case {
        text: written.text,
        lessons: Vec::new(),
        roster: None,
        truth: Truth {
            family: format!("{family:?}").to_lowercase(),
            case: number,
            set: set.name().into(),
            vehicle: kind(&scene.vehicle).into(),
            key: scene.story.style.into(),
            planted: scene.planted.clone(),
            besides,
            units: units(&scene.vehicle),
            gateway: scene.vehicle.gateway,
            errors: written.errors,
            loads,
            frames,
            roster: "none".into(),
            scans: plan.scans.iter().map(|at| at - WARM).collect(),
            clears: plan.clear.iter().map(|at| at - WARM).collect(),
        },
    };
    if scene.needs.roster || draw.yes(0.3) {
        roster(&mut case, &scene, shape, draw);
    }
    Some(case)
}

fn frames_a_second(vehicle: &Vehicle) -> f64 {
    let messages = vehicle.nodes.iter().flat_map(|node| &node.messages);
    messages.map(|message| 1.0 / message.period).sum::<f64>().max(1.0)
}

fn kind(vehicle: &Vehicle) -> &'static str {
    match (vehicle.truck, vehicle.extended) {
        (true, _) => "truck",
        (_, true) => "car, 29 bits",
        _ => "car",
    }
}

fn units(vehicle: &Vehicle) -> Vec<Unit> {
    let text = |id| text_id(id, vehicle.extended);
    vehicle
        .nodes
        .iter()
        .map(|node| Unit {
            name: node.name.into(),
            called: node.called.into(),
            channel: node.channel,
            ids: node.messages.iter().map(|message| text(message.id)).collect(),
            answer: node.diagnosis.map(|(_, answer)| text(answer)),
            request: node.diagnosis.map(|(request, _)| text(request)),
            address: vehicle.truck.then_some(node.address),
        })
        .collect()
}

/// Old codes that have nothing to do with the fault.
fn earlier(scene: &mut Scene, draw: &mut Draw) {
    let Scene { vehicle, story, effects, recorded, needs, planted } = scene;
    let mut taken: Vec<usize> = planted.iter().flat_map(|p| p.nodes.clone()).collect();
    let mut soil =
        Soil { vehicle, story, recorded, effects, taken: &mut taken, needs, chatter: 0.0 };
    memories::remember(&mut soil, draw.yes(0.6), draw);
}

/// The recorder is plugged in while the bus runs: a few frames break in the first moments.
fn plug_in(scene: &mut Scene, draw: &mut Draw) {
    let from = scene.story.record.0;
    for &channel in &scene.recorded {
        scene.effects.noise.push(Noise {
            channel,
            sender: None,
            from,
            to: from + draw.log(0.002, 0.015),
            chance: 0.5,
            early: 0.3,
        });
    }
}

/// When the tester scans: while the key is on; before, during or after the fault.
fn plan(scene: &Scene, shape: &Shape, draw: &mut Draw) -> Option<Plan> {
    let mut habit = draw.weigh(&shape.testers);
    if scene.needs.scan {
        habit = habit.max(1);
    }
    if scene.needs.clear {
        habit = 3;
    }
    let driving = scene.story.driving(1.0);
    if habit == 0 {
        return Some(Plan::default());
    }
    let (from, to) = *driving.iter().max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)))?;
    if to - from < 30.0 {
        return None;
    }
    let long = to - from;
    let first = from + long * draw.between(0.02, 0.35);
    let last = from + long * draw.between(0.7, 0.88);
    Some(match habit {
        1 => Plan { scans: vec![draw.pick(&[first, last])], clear: None },
        2 => Plan { scans: vec![first, last], clear: None },
        _ => Plan {
            scans: vec![first, last],
            clear: Some(first + (last - first) * draw.between(0.3, 0.6)),
        },
    })
}

/// A roster: learned from sound captures of the same vehicle, or written by hand with names.
fn roster(case: &mut Case, scene: &Scene, shape: &Shape, draw: &mut Draw) {
    if draw.yes(0.35) {
        case.roster = Some(by_hand(&scene.vehicle, &scene.recorded));
        case.truth.roster = "written".into();
        return;
    }
    for _ in 0..draw.whole(1, 3) {
        let mut story = Story::new(shape, draw.between(25.0, 70.0), draw);
        if story.driving(0.0).iter().map(|(from, to)| to - from).sum::<f64>() < 15.0 {
            story.on = vec![(0.0, 999.0)];
        }
        let mut sound = scene.vehicle.clone();
        sound.nodes.iter_mut().for_each(|node| node.watchdog = None);
        let effects = Effects::default();
        let mut sim = Sim::new(&sound, &story, &effects, Tester::default(), true, draw.fork());
        sim.run();
        let recorder = Recorder {
            pauses: Vec::new(),
            ..Recorder::new(scene.recorded.clone(), false, story.record, draw)
        };
        case.lessons.push(recorder.write(&sim.out, story.record, draw).text);
    }
    case.truth.roster = "learned".into();
}

/// A roster file as docs/roster.md describes it.
fn by_hand(vehicle: &Vehicle, recorded: &[usize]) -> String {
    let mut text = String::new();
    for node in vehicle.nodes.iter().filter(|node| recorded.contains(&node.channel)) {
        let (mut lines, mut events) = (String::new(), Vec::new());
        for message in &node.messages {
            let id = text_id(message.id, vehicle.extended);
            if message.cadence == Cadence::Periodic {
                lines += &format!("  {{ id = \"{id}\", period = {} }},\n", message.period);
            } else {
                events.push(format!("\"{id}\""));
            }
        }
        text += &format!("[[node]]\nname = \"{}\"\nchannel = \"can{}\"\n", node.name, node.channel);
        text += &format!("messages = [\n{lines}]\n");
        if !events.is_empty() {
            text += &format!("events = [{}]\n", events.join(", "));
        }
        text.push('\n');
    }
    text
}
