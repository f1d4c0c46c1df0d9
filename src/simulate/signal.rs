//! How signals go in one run, and the troubles that they bring about.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp};

use super::scenario::{Carried, Consequence, Scenario, Signal, SignalCourse as Course, Trouble};
use crate::fold::timing::seconds;

/// The signals of one run by name.
pub(super) struct Signals(Vec<(String, Played)>);

/// A signal as it goes.
enum Played {
    /// At 1 between these times, in seconds.
    Switch(Vec<(f64, f64)>),
    /// By time, in seconds, evenly spaced.
    Series { step: f64, values: Vec<u16> },
}

/// Seconds between two values of an analogue signal.
const STEP: f64 = 0.02;

/// Lets the signals go, and adds the troubles that they bring about to those of the scenario.
pub(super) fn play(scenario: &Scenario) -> (Scenario, Signals) {
    // Random numbers of their own: scenarios without signals stay as they were.
    let mut random = ChaCha8Rng::seed_from_u64(scenario.seed ^ 0x5349_474E_0000_0000);
    let mut played: Vec<(String, Played)> = Vec::new();
    for signal in &scenario.signals {
        played.push((signal.name.clone(), of(signal, scenario.duration, &mut random)));
    }
    let mut scenario = scenario.clone();
    for trigger in &scenario.triggers.clone() {
        let Some((_, Played::Switch(spans))) =
            played.iter().find(|(name, _)| *name == trigger.signal)
        else {
            continue;
        };
        let (mut at, mut lasts, mut free) = (Vec::new(), Vec::new(), 0.0);
        for (from, to) in spans {
            let begin = if trigger.falling { *to } else { *from };
            let begin = begin + within(trigger.delay, &mut random);
            let length = within(trigger.lasts, &mut random);
            let happens = random.random_bool(trigger.probability);
            if happens && begin > free && begin + length < scenario.duration {
                at.push(begin);
                lasts.push(length);
                free = begin + length;
            }
        }
        if !at.is_empty() {
            scenario.troubles.push(Trouble {
                beyond: Vec::new(),
                terminated: false,
                share: Trouble::SHARE,
                kind: trigger.kind,
                node: Some(trigger.node.clone()),
                branch: None,
                channel: None,
                at,
                lasts,
            });
        }
    }
    for own in &scenario.consequences {
        played.push((own.name.clone(), Played::Switch(missed(&scenario, own))));
    }
    (scenario, Signals(played))
}

fn within([least, most]: [f64; 2], random: &mut ChaCha8Rng) -> f64 {
    least + (most - least) * random.random::<f64>()
}

fn of(signal: &Signal, duration: f64, random: &mut ChaCha8Rng) -> Played {
    match &signal.course {
        Course::Switch { at, every, lasts } => {
            let mut begins = at.clone();
            if let Some(law) = every.and_then(|every| Exp::new(1.0 / every).ok()) {
                let mut time = law.sample(random);
                while time < duration {
                    begins.push(time);
                    time += lasts[1] + law.sample(random);
                }
            }
            let spans = begins.into_iter().map(|from| (from, from + within(*lasts, random)));
            Played::Switch(spans.collect())
        }
        Course::Analogue { range: [low, high], moves_in } => {
            let (low, high) = (f64::from(*low), f64::from(*high));
            let mut at = low + (high - low) * random.random::<f64>();
            let mut aim = at;
            let count = (duration / STEP) as usize + 1;
            let values = (0..count).map(|_| {
                // It makes for one aim after another.
                if random.random_bool((STEP / moves_in).min(1.0)) {
                    aim = low + (high - low) * random.random::<f64>();
                }
                at += (aim - at) * (3.0 * STEP / moves_in).min(1.0);
                at.round() as u16
            });
            Played::Series { step: STEP, values: values.collect() }
        }
        Course::Temperature { range: [first, last], over } => {
            let (first, last) = (f64::from(*first), f64::from(*last));
            let value = |time: f64| last + (first - last) * (-time / over).exp();
            let values = (0..=duration as usize).map(|time| value(time as f64).round() as u16);
            Played::Series { step: 1.0, values: values.collect() }
        }
    }
}

/// When the monitor of a consequence misses its node.
fn missed(scenario: &Scenario, own: &Consequence) -> Vec<(f64, f64)> {
    let boot =
        scenario.nodes.iter().find(|node| node.name == own.node).map_or(0.0, |node| node.boot);
    let losses =
        scenario.troubles.iter().filter(|trouble| trouble.node.as_ref() == Some(&own.node));
    let spans = losses.flat_map(Trouble::times);
    let spans = spans.map(|(from, to)| (from + own.after, to + boot + own.stays));
    spans.filter(|(from, to)| from < to).collect()
}

impl Signals {
    /// The place of each signal that a message carries.
    pub fn places(&self, carried: &[Carried]) -> Vec<usize> {
        let place = |own: &Carried| self.0.iter().position(|(name, _)| *name == own.signal);
        carried.iter().filter_map(place).collect()
    }

    /// The value of a signal at a time in nanoseconds.
    pub fn value(&self, at: usize, time: i64) -> u16 {
        let time = seconds(time);
        match &self.0[at].1 {
            Played::Switch(spans) => {
                u16::from(spans.iter().any(|(from, to)| (*from..*to).contains(&time)))
            }
            Played::Series { step, values } => {
                let at = (time / step).max(0.0) as usize;
                values.get(at).or(values.last()).copied().unwrap_or(0)
            }
        }
    }

    /// Beginnings and ends of each switch, in seconds from the start.
    pub fn switches(&self) -> impl Iterator<Item = (&str, &[(f64, f64)])> {
        self.0.iter().filter_map(|(name, played)| match played {
            Played::Switch(spans) => Some((name.as_str(), spans.as_slice())),
            Played::Series { .. } => None,
        })
    }
}
