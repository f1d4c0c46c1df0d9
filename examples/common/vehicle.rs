//! Invented vehicles with live payloads, for scoring what is found just before losses.

use std::fmt::Write;

use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A message that signals are put into.
struct Message {
    id: u32,
    period: f64,
    node: usize,
    counter: bool,
    signals: Vec<String>,
    /// Bits that are taken.
    taken: u64,
}

impl Message {
    /// Puts a signal at a free place.
    fn carry(&mut self, name: &str, width: u32, random: &mut ChaCha8Rng) {
        let step = if width == 1 { 1 } else { 8 };
        let mask = ((1_u128 << width) - 1) as u64;
        let places = 64 / step - width.div_ceil(step) + 1;
        for _ in 0..40 {
            let at = random.random_range(0..places) * step;
            if self.taken & mask << at != 0 {
                continue;
            }
            self.taken |= mask << at;
            let inverted = random.random_bool(0.2);
            let high_first = width == 16 && random.random_bool(0.5);
            self.signals.push(format!(
                "{{ signal = \"{name}\", byte = {}, bit = {}, width = {width}, inverted = \
                 {inverted}, high_first = {high_first} }}",
                at / 8,
                at % 8,
            ));
            return;
        }
    }
}

const PERIODS: [f64; 8] = [0.05, 0.1, 0.1, 0.2, 0.2, 0.5, 0.5, 1.0];

/// A vehicle whose first node is lost 3 to 12 times: by a switch that triggers it, or at random.
pub fn scenario(seed: u64, triggered: bool) -> String {
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x5652_4548_0000_0000);
    let random = &mut random;
    let duration: f64 = random.random_range(240.0..480.0);
    let count = random.random_range(40..=150);
    let nodes = random.random_range(5..=10);
    let mut messages: Vec<Message> = (0..count)
        .map(|at| Message {
            id: 0x100 + at * 5 + random.random_range(0..5),
            period: *PERIODS.choose(random).expect("there are periods"),
            node: at as usize % nodes,
            counter: random.random_bool(0.4),
            signals: Vec::new(),
            taken: 0xF,
        })
        .collect();
    messages[0].period = 0.05;
    let mut text = format!(
        "title = \"t\"\ninvented = true\nseed = {seed}\nstart = 1790000000.0\nduration = \
         {duration:.1}\n[[channel]]\nname = \"can0\"\nbit_rate = 500000\nstamp_noise = 0.00001\n"
    );
    let losses = random.random_range(3..=12_u32);
    if triggered {
        trigger(&mut text, &mut messages, losses, duration, random);
    } else {
        lost_at(&mut text, losses, duration, random);
    }
    consequences(&mut text, &mut messages, random);
    others(&mut text, &mut messages, random);
    for node in 0..nodes {
        let _ = write!(
            text,
            "[[node]]\nname = \"n{node}\"\nchannel = \"can0\"\ndrift_ppm = {:.1}\nmessages = [\n",
            random.random_range(-120.0..120.0)
        );
        for own in messages.iter().filter(|own| own.node == node) {
            let counter = if own.counter { "counter = { byte = 0, width = 4 }, " } else { "" };
            let _ = writeln!(
                text,
                "  {{ id = \"{:03X}\", period = {}, {counter}signals = [{}] }},",
                own.id,
                own.period,
                own.signals.join(", ")
            );
        }
        text += "]\n";
    }
    text
}

/// A message of another node than the lost one, no slower than so many seconds.
fn other<'m>(
    messages: &'m mut [Message],
    slowest: f64,
    random: &mut ChaCha8Rng,
) -> &'m mut Message {
    loop {
        let at = random.random_range(0..messages.len());
        if messages[at].node != 0 && messages[at].period <= slowest {
            return &mut messages[at];
        }
    }
}

fn trigger(
    text: &mut String,
    messages: &mut [Message],
    losses: u32,
    duration: f64,
    random: &mut ChaCha8Rng,
) {
    let share: f64 = random.random_range(0.3..=1.0);
    let every = duration * share / f64::from(losses);
    let long: f64 = random.random_range(0.3..3.0);
    // From a tenth of a second, for a wire that a door pulls, to one and a half.
    let delay = 0.05 * (30.0_f64).powf(random.random::<f64>());
    let _ = write!(
        text,
        "[[signal]]\nname = \"trigger\"\nkind = \"switch\"\nevery = {every:.2}\nlasts = [{:.2}, \
         {long:.2}]\n[[trigger]]\nsignal = \"trigger\"\nkind = \"{}\"\nnode = \"n0\"\nprobability \
         = {share:.3}\ndelay = [{:.3}, {:.3}]\nlasts = [0.6, 3.0]\n",
        long / 2.0,
        ["power_loss", "stub_open"][random.random_range(0..2)],
        delay * 0.7,
        delay * 1.3,
    );
    other(messages, 0.1, random).carry("trigger", 1, random);
    for _ in 0..random.random_range(0..=3) {
        other(messages, 1.0, random).carry("trigger", 1, random);
    }
    // Some are lost for another reason besides.
    if random.random_bool(0.4) {
        lost_at(text, random.random_range(1..=2), duration, random);
    }
}

/// Losses at random.
fn lost_at(text: &mut String, losses: u32, duration: f64, random: &mut ChaCha8Rng) {
    let at: Vec<String> =
        (0..losses).map(|_| format!("{:.2}", random.random_range(12.0..duration - 5.0))).collect();
    let _ = write!(
        text,
        "[[trouble]]\nkind = \"power_loss\"\nnode = \"n0\"\nat = [{}]\nlasts = [{:.2}]\n",
        at.join(", "),
        random.random_range(0.6..3.0)
    );
}

fn consequences(text: &mut String, messages: &mut [Message], random: &mut ChaCha8Rng) {
    for number in 0..random.random_range(1..=3) {
        let name = format!("missed{number}");
        let _ = write!(
            text,
            "[[consequence]]\nname = \"{name}\"\nnode = \"n0\"\nafter = {:.2}\nstays = {:.2}\n",
            random.random_range(0.2..0.6),
            random.random_range(0.0..3.0)
        );
        for _ in 0..random.random_range(1..=2) {
            other(messages, 0.5, random).carry(&name, 1, random);
        }
    }
}

/// Switches, levels and temperatures that have nothing to do with it.
fn others(text: &mut String, messages: &mut [Message], random: &mut ChaCha8Rng) {
    for number in 0..random.random_range(4..=12) {
        let name = format!("switch{number}");
        let _ = write!(
            text,
            "[[signal]]\nname = \"{name}\"\nkind = \"switch\"\nevery = {:.1}\nlasts = [0.3, \
             {:.1}]\n",
            random.random_range(8.0..90.0),
            random.random_range(0.5..20.0)
        );
        for _ in 0..random.random_range(1..=3) {
            other(messages, 1.0, random).carry(&name, 1, random);
        }
    }
    for number in 0..random.random_range(4..=10) {
        let (name, width) = (format!("level{number}"), [8, 16][random.random_range(0..2)]);
        let most = if width == 8 { 250 } else { 9000 };
        let _ = write!(
            text,
            "[[signal]]\nname = \"{name}\"\nkind = \"analogue\"\nrange = [0, {most}]\nmoves_in = \
             {:.1}\n",
            random.random_range(3.0..60.0)
        );
        other(messages, 1.0, random).carry(&name, width, random);
    }
    for number in 0..2 {
        let name = format!("warmth{number}");
        let _ = write!(
            text,
            "[[signal]]\nname = \"{name}\"\nkind = \"temperature\"\nrange = [40, 130]\nover = \
             {:.1}\n",
            random.random_range(60.0..400.0)
        );
        other(messages, 1.0, random).carry(&name, 8, random);
    }
}
