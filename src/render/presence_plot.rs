//! `presence.png`: a lane for each node or lone identifier, and what was missing in it.

use std::io::{self, Write};

use plotters::prelude::*;

use super::Renderer;
use super::plot::{Anchor, Area, TimeAxis, png, rgb, width, write};
use super::style::{INK, Tone, legend as legend_of};
use crate::analysis::just_before::Lead;
use crate::analysis::presence::Missed;
use crate::analysis::signals::{Bin, SignalTrack};
use crate::analysis::{Analysis, Lane, Nanoseconds, Outage, Scope, Silence};
use crate::capture::ChannelIndex;
use crate::fold::timing::seconds;
use crate::words;
use crate::words::terms::{duration, kind};

/// Renders the picture.
pub struct PresencePlot;

const WIDTH: i32 = 1600;
const LEFT: i32 = 260;
const RIGHT: i32 = WIDTH - 50;
const TOP: i32 = 96;
const LANE: i32 = 24;
/// With more lanes than this, those without loss are drawn as one.
const MOST_LANES: usize = 24;
/// Lanes with losses beyond this are counted in the caption.
const MOST_LOST: usize = 120;

type Drawn = Result<(), Box<dyn std::error::Error>>;

/// One row of the picture.
enum Row<'a> {
    Lane(&'a Lane),
    /// What goes before its losses, under the lane of what is lost.
    Lead(ChannelIndex, &'a Lead),
    /// Lanes of a channel without any outage of their own.
    Folded(ChannelIndex, Vec<&'a Lane>),
    /// The error reports of a channel of which no lane tells.
    Errors(ChannelIndex, Vec<Nanoseconds>),
}

impl Row<'_> {
    fn channel(&self) -> ChannelIndex {
        match self {
            Row::Lane(lane) => lane.channel,
            Row::Folded(channel, _) | Row::Errors(channel, _) | Row::Lead(channel, _) => *channel,
        }
    }
}

impl Renderer for PresencePlot {
    fn render(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
        let (rows, left_out) = rows(report);
        let traces = report.traces().count();
        let bottom = TOP + LANE * (rows.len().max(1) + traces) as i32;
        let size = (WIDTH as u32, (bottom + 110) as u32);
        png(size, out, |area| draw(report, &rows, left_out, bottom, area))
    }
}

fn rows(report: &Analysis) -> (Vec<Row<'_>>, usize) {
    let fold = report.lanes.len() > MOST_LANES;
    let mut rows = Vec::new();
    let mut left_out = 0;
    for at in 0..report.channels.len() {
        let channel = at as ChannelIndex;
        let lanes = || report.lanes.iter().filter(move |lane| lane.channel == channel);
        if fold {
            let lost: Vec<_> = lanes().filter(|lane| !lane.outages.is_empty()).collect();
            left_out += lost.len().saturating_sub(MOST_LOST);
            for lane in lost.into_iter().take(MOST_LOST) {
                rows.push(Row::Lane(lane));
                rows.extend(report.leads_of(lane).map(|lead| Row::Lead(channel, lead)));
            }
            let whole: Vec<_> = lanes().filter(|lane| lane.outages.is_empty()).collect();
            if !whole.is_empty() {
                rows.push(Row::Folded(channel, whole));
            }
        } else {
            for lane in lanes() {
                rows.push(Row::Lane(lane));
                rows.extend(report.leads_of(lane).map(|lead| Row::Lead(channel, lead)));
            }
        }
        let errors = report.errors_of_nobody(channel);
        if !errors.is_empty() {
            rows.push(Row::Errors(channel, errors));
        }
    }
    (rows, left_out)
}

fn draw(
    report: &Analysis,
    rows: &[Row<'_>],
    left_out: usize,
    bottom: i32,
    area: &Area<'_>,
) -> Drawn {
    let name = report.captures.first().map_or("", |capture| capture.path.as_str());
    let name = name.rsplit('/').next().unwrap_or(name);
    let name = match report.captures.len() {
        0 | 1 => name.to_owned(),
        count => format!("{name} and {} more", count - 1),
    };
    write(area, &format!("Who was heard when: {name}"), (20, 24), 24, rgb(INK), Anchor::Left)?;
    let mut caption = words::headline::headline(report);
    if left_out > 0 {
        caption += &format!("; {left_out} more lanes with losses are not drawn");
    }
    // The whole sentence on one line, in smaller letters where it is long.
    let size = if caption.chars().count() > 170 { 13 } else { 17 };
    write(area, &caption, (20, 52), size, rgb(INK), Anchor::Left)?;
    let Some(span) = report.span else {
        return write(area, "no time stamps", (LEFT, TOP + LANE / 2), 17, rgb(INK), Anchor::Left);
    };
    let axis = TimeAxis { pixels: (LEFT, RIGHT), span };
    axis.draw(area, TOP, bottom)?;
    let stops = |paused: bool| {
        report.outages.iter().filter(move |outage| {
            outage.scope >= Scope::Bus && (Tone::of(outage) == Tone::Pause) == paused
        })
    };
    // What a lane lost by itself lies on top of what all of them missed; but nothing is known of a
    // pause of the recording.
    stops(false).try_for_each(|outage| draw_stop(outage, rows, &axis, area))?;
    for (at, row) in rows.iter().enumerate() {
        draw_row(report, row, TOP + at as i32 * LANE, &axis, area)?;
    }
    stops(true).try_for_each(|outage| draw_stop(outage, rows, &axis, area))?;
    for (at, track) in report.traces().enumerate() {
        let y = TOP + (rows.len().max(1) + at) as i32 * LANE;
        draw_trace(track, y, &axis, area)?;
    }
    legend(report, bottom + 52, area)
}

fn draw_row(report: &Analysis, row: &Row<'_>, y: i32, axis: &TimeAxis, area: &Area<'_>) -> Drawn {
    let many = report.channels.len() > 1;
    let prefix = |channel: ChannelIndex| {
        if many { format!("{} ", report.channel(channel).name) } else { String::new() }
    };
    let label = match row {
        Row::Lane(lane) => {
            format!("{}{}", prefix(lane.channel), words::network::lane(report, lane))
        }
        Row::Folded(channel, lanes) => {
            format!("{}{} more, nothing lost", prefix(*channel), lanes.len())
        }
        Row::Lead(_, lead) => words::just_before::label(report, lead),
        Row::Errors(channel, _) => format!("{}{}", prefix(*channel), words::network::OF_NOBODY),
    };
    // A long name is written smaller rather than cut.
    let thin = matches!(row, Row::Lead(..));
    let size = if width(&label, 15) < LEFT - 12 && !thin { 15 } else { 12 };
    write(area, &label, (LEFT - 8, y + LANE / 2), size, rgb(INK), Anchor::Right)?;
    match row {
        Row::Lane(lane) => {
            draw_lane(report, lane, y, axis, area)?;
            ticks(&report.errors_of(lane), y, axis, area)
        }
        Row::Lead(_, lead) => draw_lead(lead, y, axis, area),
        Row::Folded(_, lanes) => {
            draw_heard(&report.heard(lanes), y, axis, area)?;
            lanes.iter().try_for_each(|lane| ticks(&report.errors_of(lane), y, axis, area))
        }
        Row::Errors(_, times) => ticks(times, y, axis, area),
    }
}

/// A standard signal as a thin line, from its least value to its greatest; where it was not told
/// there is none.
fn draw_trace(track: &SignalTrack, y: i32, axis: &TimeAxis, area: &Area<'_>) -> Drawn {
    let label = words::signals::trace(track);
    let size = if width(&label, 13) < LEFT - 12 { 13 } else { 11 };
    write(area, &label, (LEFT - 8, y + LANE / 2), size, rgb(INK), Anchor::Right)?;
    let (low, high) = track.range;
    let height = |value: f64| match high > low {
        true => y + LANE - 4 - ((value - low) / (high - low) * f64::from(LANE - 8)) as i32,
        false => y + LANE / 2,
    };
    for piece in track.pieces() {
        let ends = |bin: &Bin| {
            let x = axis.x(bin.time);
            [(x, height(bin.high)), (x, height(bin.low))]
        };
        area.draw(&PathElement::new(piece.iter().flat_map(ends).collect::<Vec<_>>(), rgb(INK)))?;
    }
    Ok(())
}

/// A thin lane: a mark wherever what goes before the losses began.
fn draw_lead(lead: &Lead, y: i32, axis: &TimeAxis, area: &Area<'_>) -> Drawn {
    let (left, right) = (axis.x(axis.span.0), axis.x(axis.span.1));
    let ground = [(left, y + LANE / 2), (right, y + LANE / 2 + 1)];
    area.draw(&Rectangle::new(ground, rgb(Tone::Quiet.light()).filled()))?;
    lead.onsets.iter().try_for_each(|time| {
        let x = axis.x(*time);
        let mark = [(x - 1, y + 6), (x + 2, y + LANE - 6)];
        Ok(area.draw(&Rectangle::new(mark, rgb(INK).filled()))?)
    })
}

/// A thin line for each error, higher than what was heard, so that it shows on it.
fn ticks(times: &[Nanoseconds], y: i32, axis: &TimeAxis, area: &Area<'_>) -> Drawn {
    let mut columns: Vec<i32> = times.iter().map(|time| axis.x(*time)).collect();
    columns.dedup();
    columns.into_iter().try_for_each(|x| {
        let ends = vec![(x, y + 3), (x, y + LANE - 3)];
        Ok(area.draw(&PathElement::new(ends, rgb(INK)))?)
    })
}

/// A bar in a lane, at least 3 pixels wide so that it can be seen.
fn bar(part: Silence, y: i32, inset: i32, axis: &TimeAxis) -> [(i32, i32); 2] {
    let (left, right) = (axis.x(part.start).min(RIGHT - 3), axis.x(part.end));
    [(left, y + inset), (right.max(left + 3), y + LANE - inset)]
}

/// Low bars: what is missing stands higher, so that it shows in grey too.
fn draw_heard(heard: &[Silence], y: i32, axis: &TimeAxis, area: &Area<'_>) -> Drawn {
    heard.iter().try_for_each(|part| {
        // No wider than it is: beside a silence a wider one would lie in it.
        let (left, right) = (axis.x(part.start), axis.x(part.end));
        let corners = [(left, y + 7), (right.max(left + 1), y + LANE - 7)];
        Ok(area.draw(&Rectangle::new(corners, rgb(Tone::Heard.light()).filled()))?)
    })
}

fn draw_lane(report: &Analysis, lane: &Lane, y: i32, axis: &TimeAxis, area: &Area<'_>) -> Drawn {
    draw_heard(&report.heard(&[lane]), y, axis, area)?;
    for Missed { outage, part, whole } in report.missed(lane) {
        let tone = Tone::of(outage);
        if whole {
            area.draw(&Rectangle::new(bar(part, y, 3, axis), WHITE.filled()))?;
        }
        let corners = bar(part, y, if whole { 4 } else { 9 }, axis);
        area.draw(&Rectangle::new(corners, rgb(tone.light()).filled()))?;
        if tone == Tone::Quiet {
            area.draw(&Rectangle::new(corners, rgb(Tone::Pause.light())))?;
        }
        let label = duration(seconds(part.length()));
        let [(left, _), (right, _)] = corners;
        if whole && width(&label, 14) + 8 < right - left {
            let ink = if tone == Tone::Quiet { rgb(INK) } else { WHITE };
            let at = ((left + right) / 2, y + LANE / 2);
            write(area, &label, at, 14, ink, Anchor::Middle)?;
        }
    }
    Ok(())
}

/// A band over all lanes of a channel, or hatched over everything for a pause of the recording.
fn draw_stop(outage: &Outage, rows: &[Row<'_>], axis: &TimeAxis, area: &Area<'_>) -> Drawn {
    let of_channel = |row: &Row<'_>| outage.channel.is_none_or(|channel| channel == row.channel());
    let Some(first) = rows.iter().position(of_channel) else { return Ok(()) };
    let last = rows.iter().rposition(of_channel).unwrap_or(first);
    let (top, bottom) = (TOP + first as i32 * LANE, TOP + (last as i32 + 1) * LANE);
    let tone = Tone::of(outage);
    let left = axis.x(outage.start).min(RIGHT - 3);
    let right = axis.x(outage.end).max(left + 3);
    let band = [(left, top), (right, bottom)];
    let edge = if tone == Tone::Quiet { Tone::Pause } else { tone };
    if tone == Tone::Pause {
        area.draw(&Rectangle::new(band, WHITE.mix(0.75).filled()))?;
        hatch(area, (left, right), (top, bottom), rgb(tone.light()))?;
    } else {
        area.draw(&Rectangle::new(band, rgb(tone.light()).filled()))?;
    }
    area.draw(&Rectangle::new(band, rgb(edge.light())))?;
    let long = format!("{}, {}", kind(outage), duration(outage.duration()));
    let fits = |label: &String| tone != Tone::Pause && width(label, 14) + 8 < right - left;
    if let Some(label) = [long, duration(outage.duration())].into_iter().find(fits) {
        let ink = if tone == Tone::Quiet { rgb(INK) } else { WHITE };
        let at = ((left + right) / 2, top + LANE / 2);
        write(area, &label, at, 14, ink, Anchor::Middle)?;
    }
    Ok(())
}

fn hatch(
    area: &Area<'_>,
    (left, right): (i32, i32),
    (top, bottom): (i32, i32),
    colour: RGBColor,
) -> Drawn {
    let height = bottom - top;
    let mut start = left - height;
    while start < right {
        // From bottom left to top right, cut at the sides of the band.
        let (from, to) = (start.max(left), (start + height).min(right));
        if from < to {
            area.draw(&PathElement::new(
                vec![(from, bottom - (from - start)), (to, bottom - (to - start))],
                colour,
            ))?;
        }
        start += 9;
    }
    Ok(())
}

/// One entry for each tone, with all that it stands for.
fn legend(report: &Analysis, y: i32, area: &Area<'_>) -> Drawn {
    let (mut x, mut y) = (LEFT, y);
    for (tone, kinds) in legend_of(report) {
        let text = kinds.join(", ");
        if x > LEFT && x + 34 + width(&text, 15) > RIGHT {
            (x, y) = (LEFT, y + 20);
        }
        let (box_, colour) = ([(x, y - 7), (x + 26, y + 7)], rgb(tone.light()));
        match tone {
            Tone::Pause => hatch(area, (x, x + 26), (y - 7, y + 7), colour)?,
            _ => area.draw(&Rectangle::new(box_, colour.filled()))?,
        }
        let edged = matches!(tone, Tone::Pause | Tone::Quiet);
        if edged {
            area.draw(&Rectangle::new(box_, rgb(Tone::Pause.light())))?;
        }
        write(area, &text, (x + 34, y), 15, rgb(INK), Anchor::Left)?;
        x += 34 + width(&text, 15) + 28;
    }
    if report.channels.iter().any(|channel| !channel.errors.is_empty()) {
        let ends = vec![(x + 13, y - 7), (x + 13, y + 7)];
        area.draw(&PathElement::new(ends, rgb(INK)))?;
        write(area, words::network::TICK, (x + 24, y), 15, rgb(INK), Anchor::Left)?;
    }
    Ok(())
}
