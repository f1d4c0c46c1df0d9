//! The screen, drawn into a buffer of characters.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};

use super::big;
use super::shown::{COLUMN, History, Lane, Shown, State};
use crate::words::terms::{duration, plural, short_duration};

/// How to draw, as the terminal and the user have it.
#[derive(Clone, Debug, Default)]
pub(super) struct Look {
    pub colour: bool,
    pub blocks: bool,
    pub muted: bool,
    pub paused: bool,
    pub frozen: bool,
    /// The text of a mark that is being typed.
    pub typing: Option<String>,
}

/// Draws from above to below; what does not fit a small terminal is left out.
pub(super) fn draw(shown: &Shown, history: &History, look: &Look, area: Rect, buffer: &mut Buffer) {
    let mut page = Page { buffer, area, row: 0, look };
    page.line(&status(shown), page.style(None, Modifier::REVERSED));
    let large = area.height >= 40 && area.width >= 120;
    let tall = big::ROWS as u16 * if large { 2 } else { 1 };
    let (text, state) = headline(shown, usize::from(area.width), large);
    if area.height >= tall + 8 {
        page.row += 1;
        page.big(&text, state, large);
        page.row += 1;
    } else {
        page.line(&text, page.of(state, Modifier::BOLD));
    }
    page.line(&silent(shown), page.of(state, Modifier::BOLD));
    for value in &shown.values {
        page.line(value, page.style(None, Modifier::empty()));
    }
    // Below: losses with their title, how long there was none, the keys.
    let left = area.height.saturating_sub(page.row);
    let losses = (left / 3).clamp(2, 14).min(shown.losses.len().max(1) as u16);
    let lanes = left.saturating_sub(losses + 4);
    page.lanes(shown, history, lanes);
    page.losses(shown, usize::from(losses));
    page.row = area.height.saturating_sub(2);
    let note = shown.note.clone().unwrap_or_else(|| sure(shown));
    page.line(&note, page.style(None, Modifier::empty()));
    page.line(&keys(look), page.style(None, Modifier::REVERSED));
}

struct Page<'p> {
    buffer: &'p mut Buffer,
    area: Rect,
    row: u16,
    look: &'p Look,
}

impl Page<'_> {
    fn style(&self, colour: Option<Color>, modifier: Modifier) -> Style {
        let style = Style::default().add_modifier(modifier);
        match colour.filter(|_| self.look.colour) {
            Some(colour) => style.fg(colour),
            None => style,
        }
    }

    fn of(&self, state: State, modifier: Modifier) -> Style {
        let colour = match state {
            State::Silent => Color::Red,
            State::Here => Color::Green,
            State::Asleep => Color::Blue,
            State::Unheard => return self.style(None, modifier),
        };
        self.style(Some(colour), modifier)
    }

    /// A line over the whole width.
    fn line(&mut self, text: &str, style: Style) {
        let width = usize::from(self.area.width);
        self.put(0, &format!("{:width$}", self.plain(text)), style);
        self.row += 1;
    }

    fn put(&mut self, column: u16, text: &str, style: Style) {
        if self.row < self.area.height && column < self.area.width {
            let (x, y) = (self.area.x + column, self.area.y + self.row);
            let width = usize::from(self.area.width - column);
            self.buffer.set_stringn(x, y, text, width, style);
        }
    }

    /// Letters that a terminal without Unicode has.
    fn plain(&self, text: &str) -> String {
        match self.look.blocks {
            true => text.to_owned(),
            false => text.chars().map(|c| if c.is_ascii() { c } else { '?' }).collect(),
        }
    }

    fn big(&mut self, text: &str, state: State, large: bool) {
        let style = self.of(state, Modifier::BOLD);
        for row in big::rows(text, self.look.blocks) {
            let wide: String = row.chars().flat_map(|c| [c, c]).collect();
            for _ in 0..if large { 2 } else { 1 } {
                self.put(1, if large { &wide } else { &row }, style);
                self.row += 1;
            }
        }
    }

    fn lanes(&mut self, shown: &Shown, history: &History, most: u16) {
        // Who is silent stands above, then who was lost; the others in their order.
        let mut lanes: Vec<&Lane> = shown.lanes.iter().collect();
        let fits = lanes.len() <= usize::from(most);
        if !fits {
            lanes.sort_by_key(|own| (own.state != State::Silent, std::cmp::Reverse(own.losses)));
        }
        let names = lanes.iter().map(|own| own.name.chars().count()).max().unwrap_or(0);
        let name = names.clamp(6, (usize::from(self.area.width) / 4).max(6));
        let columns = usize::from(self.area.width).saturating_sub(name + 7);
        let room = usize::from(most);
        let shown_lanes = if fits { lanes.len() } else { room.saturating_sub(1) };
        for lane in lanes.iter().take(shown_lanes) {
            let short: String = self.plain(&lane.name).chars().take(name).collect();
            self.put(0, &format!("{short:<name$}"), self.of(lane.state, Modifier::empty()));
            if lane.losses > 0 {
                let count = format!("{:>4}x", lane.losses);
                self.put(name as u16, &count, self.style(None, Modifier::BOLD));
            }
            let states = history.of(lane, columns);
            // The newest on the right.
            let first = name + 6 + columns - states.len();
            for (at, state) in states.into_iter().enumerate() {
                let glyph = match (state, self.look.blocks) {
                    (State::Silent, true) => "█",
                    (State::Silent, false) => "#",
                    (State::Here, true) => "─",
                    (State::Here, false) => "-",
                    (State::Asleep, _) => ".",
                    (State::Unheard, _) => " ",
                };
                self.put((first + at) as u16, glyph, self.of(state, Modifier::empty()));
            }
            self.row += 1;
        }
        if !fits && room > 0 {
            let more =
                format!("and {} more, all of them as above or heard", lanes.len() - shown_lanes);
            self.line(&more, self.style(None, Modifier::DIM));
        }
        let span = format!("each column {COLUMN} s, newest on the right");
        self.line(&span, self.style(None, Modifier::DIM));
    }

    fn losses(&mut self, shown: &Shown, most: usize) {
        let title = format!("losses so far: {}", shown.count);
        self.line(&title, self.style(None, Modifier::BOLD));
        for own in shown.losses.iter().take(most) {
            let length = own.length.map_or("...".to_owned(), duration);
            let text =
                format!("{:>8}  {length:>9}  {:<16}  {}", clock(own.start), own.how, own.who);
            self.line(&text, self.style(None, Modifier::empty()));
        }
    }
}

/// `3:07`, `1:02:03`.
pub(super) fn clock(passed: f64) -> String {
    let whole = passed.max(0.0) as u64;
    match whole / 3600 {
        0 => format!("{}:{:02}", whole / 60, whole % 60),
        hours => format!("{hours}:{:02}:{:02}", whole % 3600 / 60, whole % 60),
    }
}

fn status(shown: &Shown) -> String {
    let mut parts = vec![shown.passed.map_or("waiting for the first frame".to_owned(), clock)];
    for own in &shown.channels {
        let load = own.load.map_or("load ?".to_owned(), |load| format!("{:.0} %", load * 100.0));
        let errors =
            if own.errors > 0 { format!(", {} errors", own.errors) } else { String::new() };
        parts.push(format!("{} {load}{errors}", own.name));
    }
    parts.push(format!("{} frames", shown.frames));
    parts.push(match shown.drops {
        0 => "none dropped".to_owned(),
        drops => format!("{drops} DROPPED"),
    });
    format!(" {}", parts.join(" | "))
}

/// Who is silent now in so few letters that they can be large, and for how long.
fn headline(shown: &Shown, width: usize, large: bool) -> (String, State) {
    let room = (width.saturating_sub(2)) / ((big::WIDTH + 1) * if large { 2 } else { 1 });
    let silent = || shown.lanes.iter().filter(|own| own.state == State::Silent);
    let of_channel = shown.channels.iter().filter(|own| own.state == State::Silent);
    let named = of_channel.map(|own| (own.name.as_str(), own.silent_for.unwrap_or_default()));
    let nodes = silent().map(|own| (own.name.as_str(), own.silent_for.unwrap_or_default()));
    // The latest is what the hand has just done; a channel goes before its nodes.
    let latest = named.min_by(|a, b| a.1.total_cmp(&b.1));
    let latest = latest.or_else(|| nodes.min_by(|a, b| a.1.total_cmp(&b.1)));
    if let Some((name, passed)) = latest {
        let time = if passed < 100.0 { format!("{passed:.1}") } else { clock(passed) };
        let name = name.strip_prefix("node of ").unwrap_or(name);
        let letters = room.saturating_sub(time.len() + 1);
        let name: String = name.chars().take(letters).collect();
        return (format!("{} {time}", name.trim_end()), State::Silent);
    }
    let asleep = |own: &super::shown::Channel| own.state == State::Asleep;
    match (shown.lanes.is_empty(), &shown.quiet) {
        (true, _) => ("LISTENING".to_owned(), State::Unheard),
        _ if !shown.channels.is_empty() && shown.channels.iter().all(asleep) => {
            ("ASLEEP".to_owned(), State::Asleep)
        }
        (_, Some(quiet)) => (format!("ALL HERE {}", clock(quiet.since_last)), State::Here),
        (_, None) => ("ALL HERE".to_owned(), State::Here),
    }
}

/// All who are silent, in one line.
fn silent(shown: &Shown) -> String {
    let told = |name: &str, passed: Option<f64>| {
        format!("{name} {}", passed.map_or(String::new(), short_duration))
    };
    let channels = shown.channels.iter().filter(|own| own.state == State::Silent);
    let gone: Vec<&str> = channels.clone().map(|own| own.name.as_str()).collect();
    let lanes = shown.lanes.iter();
    let lanes = lanes.filter(|own| own.state == State::Silent && !gone.contains(&&*own.channel));
    let all: Vec<String> = channels
        .map(|own| told(&format!("all of {}", own.name), own.silent_for))
        .chain(lanes.map(|own| told(&own.name, own.silent_for)))
        .collect();
    match all.as_slice() {
        [] => String::new(),
        all => format!(" silent: {}", all.join(", ")),
    }
}

/// For how long there was no loss, as far as one could have been heard.
fn sure(shown: &Shown) -> String {
    match &shown.quiet {
        None if shown.passed.is_some() => " something is lost now".to_owned(),
        None => String::new(),
        Some(quiet) => {
            let slept = match quiet.since_last - quiet.watched > 1.0 {
                true => " awake",
                false => "",
            };
            let quiet_for = short_duration(quiet.watched);
            match shown.count {
                0 => format!(" {quiet_for}{slept} without a loss"),
                count => format!(
                    " {}, none in {quiet_for}{slept} since; `compare` tells if it is mended",
                    plural(count as usize, "loss", "losses")
                ),
            }
        }
    }
}

fn keys(look: &Look) -> String {
    if let Some(text) = &look.typing {
        return format!(" mark: {text}_   (Enter: set, Esc: leave)");
    }
    let on = |on: bool, text: &str| if on { format!("{text} ON") } else { text.to_owned() };
    format!(
        " m or 1-9 mark | s {} | p {} | f {} | q quit",
        on(look.muted, "mute"),
        on(look.paused, "pause lanes"),
        on(look.frozen, "freeze")
    )
}
