//! `presence.png`: a lane for each node or lone identifier, and what was missing in it.

use std::io::{self, Write};

use plotters::prelude::*;

use super::Renderer;
use super::plot::{Anchor, Area, TimeAxis, png, width, write};
use super::style::colour;
use crate::analysis::verdict::Verdict;
use crate::analysis::{Analysis, Lane, Outage, Scope};
use crate::capture::ChannelIndex;
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
const HEARD: RGBColor = RGBColor(120, 180, 130);
const INK: RGBColor = RGBColor(30, 30, 30);

type Drawn = Result<(), Box<dyn std::error::Error>>;

/// One row of the picture.
enum Row<'a> {
    Lane(&'a Lane),
    /// That many lanes of a channel without any loss, and their first and last time heard.
    Folded {
        channel: ChannelIndex,
        count: usize,
        heard: (i64, i64),
    },
    /// The error reports of a channel.
    Errors(ChannelIndex),
}

impl Row<'_> {
    fn channel(&self) -> ChannelIndex {
        match self {
            Row::Lane(lane) => lane.channel,
            Row::Folded { channel, .. } | Row::Errors(channel) => *channel,
        }
    }
}

impl Renderer for PresencePlot {
    fn render(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
        let (rows, left_out) = rows(report);
        let bottom = TOP + LANE * rows.len().max(1) as i32;
        let size = (WIDTH as u32, (bottom + 90) as u32);
        png(size, out, |area| draw(report, &rows, left_out, bottom, area))
    }
}

fn rows(report: &Analysis) -> (Vec<Row<'_>>, usize) {
    let fold = report.lanes.len() > MOST_LANES;
    let mut rows = Vec::new();
    let mut left_out = 0;
    for (at, own) in report.channels.iter().enumerate() {
        let channel = at as ChannelIndex;
        let lanes = || report.lanes.iter().filter(move |lane| lane.channel == channel);
        if fold {
            let lost: Vec<_> = lanes().filter(|lane| !lane.outages.is_empty()).collect();
            left_out += lost.len().saturating_sub(MOST_LOST);
            rows.extend(lost.into_iter().take(MOST_LOST).map(Row::Lane));
            let quiet = lanes().filter(|lane| lane.outages.is_empty());
            if let Some(heard) =
                quiet.clone().map(|lane| lane.heard).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
            {
                rows.push(Row::Folded { channel, count: quiet.count(), heard });
            }
        } else {
            rows.extend(lanes().map(Row::Lane));
        }
        if !own.errors.is_empty() {
            rows.push(Row::Errors(channel));
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
    write(area, &format!("Who was heard when: {name}"), (20, 24), 24, INK, Anchor::Left)?;
    let lost = report.lost().count();
    let mut caption = match lost {
        0 if report.verdict() == Verdict::CannotTell => words::verdict::headline(report),
        0 => "nothing lost".to_owned(),
        1 => "1 outage".to_owned(),
        lost => format!("{lost} outages"),
    };
    if left_out > 0 {
        caption += &format!("; {left_out} more lanes with losses are not drawn");
    }
    write(area, &caption, (20, 52), 17, INK, Anchor::Left)?;
    let Some(span) = report.span else {
        return write(area, "no time stamps", (LEFT, TOP + LANE / 2), 17, INK, Anchor::Left);
    };
    let axis = TimeAxis { pixels: (LEFT, RIGHT), span };
    axis.draw(area, TOP, bottom)?;
    for (at, row) in rows.iter().enumerate() {
        draw_row(report, row, TOP + at as i32 * LANE, &axis, area)?;
    }
    for outage in report.outages.iter().filter(|outage| outage.scope >= Scope::Bus) {
        let of_channel =
            |row: &Row<'_>| outage.channel.is_none_or(|channel| channel == row.channel());
        let Some(first) = rows.iter().position(of_channel) else { continue };
        let last = rows.iter().rposition(of_channel).unwrap_or(first);
        let edges = (TOP + first as i32 * LANE, TOP + (last as i32 + 1) * LANE);
        draw_stop(outage, edges, &axis, area)?;
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
        Row::Folded { channel, count, .. } => {
            format!("{}{count} more, nothing lost", prefix(*channel))
        }
        Row::Errors(channel) => format!("{}error reports", prefix(*channel)),
    };
    write(area, &label, (LEFT - 8, y + LANE / 2), 15, INK, Anchor::Right)?;
    let bar = |from, to, colour: RGBColor, inset: i32| {
        let (left, right) = (axis.x(from), axis.x(to));
        Rectangle::new(
            [(left, y + inset), (right.max(left + 3), y + LANE - inset)],
            colour.filled(),
        )
    };
    match row {
        Row::Lane(lane) => {
            area.draw(&bar(lane.heard.0, lane.heard.1, HEARD, 7))?;
            // Single identifiers below, whole nodes above them.
            let mut outages: Vec<&Outage> =
                lane.outages.iter().map(|at| &report.outages[*at]).collect();
            outages.sort_by_key(|outage| outage.scope);
            for outage in outages {
                let (r, g, b) = colour(outage);
                let thin = outage.scope == Scope::Identifier;
                if !thin {
                    area.draw(&bar(outage.start, outage.end, WHITE, 3))?;
                }
                area.draw(&bar(
                    outage.start,
                    outage.end,
                    RGBColor(r, g, b),
                    if thin { 9 } else { 4 },
                ))?;
                let label = duration(outage.duration());
                let (left, right) = (axis.x(outage.start), axis.x(outage.end));
                if !thin && width(&label, 14) + 8 < right - left {
                    write(
                        area,
                        &label,
                        ((left + right) / 2, y + LANE / 2),
                        14,
                        WHITE,
                        Anchor::Middle,
                    )?;
                }
            }
        }
        Row::Folded { heard, .. } => {
            area.draw(&bar(heard.0, heard.1, RGBColor(185, 215, 190), 7))?
        }
        Row::Errors(channel) => {
            for event in &report.channel(*channel).errors {
                let x = axis.x(event.time);
                area.draw(&PathElement::new(
                    vec![(x, y + 4), (x, y + LANE - 4)],
                    RGBColor(0, 0, 0),
                ))?;
            }
        }
    }
    Ok(())
}

/// A band over all lanes of a channel, or hatched over everything for a pause of the recording.
fn draw_stop(
    outage: &Outage,
    (top, bottom): (i32, i32),
    axis: &TimeAxis,
    area: &Area<'_>,
) -> Drawn {
    let (r, g, b) = colour(outage);
    let left = axis.x(outage.start);
    let right = axis.x(outage.end).max(left + 3);
    if outage.scope == Scope::Capture {
        area.draw(&Rectangle::new([(left, top), (right, bottom)], WHITE.mix(0.75).filled()))?;
        hatch(area, (left, right), (top, bottom), RGBColor(r, g, b))?;
        return Ok(area.draw(&Rectangle::new([(left, top), (right, bottom)], RGBColor(r, g, b)))?);
    }
    area.draw(&Rectangle::new(
        [(left, top), (right, bottom)],
        RGBColor(r, g, b).mix(0.55).filled(),
    ))?;
    area.draw(&Rectangle::new([(left, top), (right, bottom)], RGBColor(r, g, b)))?;
    let label = format!("{}, {}", kind(outage), duration(outage.duration()));
    if width(&label, 14) + 8 < right - left {
        let at = ((left + right) / 2, top + LANE / 2);
        write(area, &label, at, 14, INK, Anchor::Middle)?;
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

fn legend(report: &Analysis, y: i32, area: &Area<'_>) -> Drawn {
    let mut x = LEFT;
    let mut entry = |text: &str, colour: RGBColor, hatched: bool| -> Drawn {
        if hatched {
            hatch(area, (x, x + 26), (y - 7, y + 7), colour)?;
            area.draw(&Rectangle::new([(x, y - 7), (x + 26, y + 7)], colour))?;
        } else {
            area.draw(&Rectangle::new([(x, y - 7), (x + 26, y + 7)], colour.filled()))?;
        }
        write(area, text, (x + 34, y), 15, INK, Anchor::Left)?;
        x += 34 + width(text, 15) + 28;
        Ok(())
    };
    entry("heard", HEARD, false)?;
    let mut seen: Vec<&str> = Vec::new();
    for outage in &report.outages {
        if !seen.contains(&kind(outage)) {
            seen.push(kind(outage));
            let (r, g, b) = colour(outage);
            entry(kind(outage), RGBColor(r, g, b), outage.scope == Scope::Capture)?;
        }
    }
    if report.channels.iter().any(|channel| !channel.errors.is_empty()) {
        entry("error reports (ticks)", RGBColor(0, 0, 0), false)?;
    }
    Ok(())
}
