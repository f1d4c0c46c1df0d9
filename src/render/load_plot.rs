//! `bus-load.png`: load over time, one panel a channel.

use std::io::{self, Write};

use plotters::prelude::*;

use super::Renderer;
use super::plot::{Anchor, Area, TimeAxis, png, rgb, write};
use super::style::{INK, SOFT, Tone};
use crate::analysis::{Analysis, BitRate, Channel, Series};
use crate::fold::timing::{nanoseconds, seconds};
use crate::words::terms::duration;

/// Renders the picture.
pub struct LoadPlot;

const WIDTH: i32 = 1600;
const LEFT: i32 = 110;
const RIGHT: i32 = WIDTH - 50;
const PANEL: i32 = 440;
/// Channels beyond this are left out and counted.
const MOST_PANELS: usize = 8;

type Drawn = Result<(), Box<dyn std::error::Error>>;

impl Renderer for LoadPlot {
    fn render(&self, report: &Analysis, out: &mut dyn Write) -> io::Result<()> {
        let panels = report.channels.len().clamp(1, MOST_PANELS);
        let size = (WIDTH as u32, (50 + PANEL * panels as i32) as u32);
        png(size, out, |area| {
            let left_out = report.channels.len().saturating_sub(MOST_PANELS);
            let more = if left_out > 0 {
                format!(" ({left_out} more channels not drawn)")
            } else {
                String::new()
            };
            write(area, &format!("Bus load{more}"), (20, 24), 24, rgb(INK), Anchor::Left)?;
            report
                .channels
                .iter()
                .take(MOST_PANELS)
                .enumerate()
                .try_for_each(|(at, channel)| panel(report, channel, 50 + at as i32 * PANEL, area))
        })
    }
}

/// The whole axis above, and below it the same enlarged where the load is low.
fn panel(report: &Analysis, channel: &Channel, top: i32, area: &Area<'_>) -> Drawn {
    write(area, &caption(channel), (20, top + 12), 17, rgb(INK), Anchor::Left)?;
    let Some(span) = report.span else { return Ok(()) };
    let axis = TimeAxis { pixels: (LEFT, RIGHT), span };
    let load = channel.load.as_ref();
    let peak = load.and_then(Series::peak).map_or(0.0, |(peak, _)| peak);
    let round = [0.02, 0.05, 0.1, 0.2, 0.5].into_iter().find(|full| peak <= *full);
    let whole = (top + 60, top + if round.is_some() { 160 } else { PANEL - 40 });
    curve(channel, &axis, whole, 1.0, area)?;
    if let (Some(full), Some(_)) = (round, load) {
        curve(channel, &axis, (top + 230, top + PANEL - 40), full, area)?;
        let label = format!("the same, enlarged: 0 to {:.0} %", full * 100.0);
        write(area, &label, (20, top + 195), 15, rgb(SOFT), Anchor::Left)?;
    }
    Ok(())
}

/// The load up to `full`, between two heights.
fn curve(
    channel: &Channel,
    axis: &TimeAxis,
    (upper, lower): (i32, i32),
    full: f64,
    area: &Area<'_>,
) -> Drawn {
    axis.draw(area, upper, lower)?;
    let y =
        |value: f64| lower - ((value / full).min(1.0) * f64::from(lower - upper)).round() as i32;
    for part in 0..=2 {
        let value = full * f64::from(part) / 2.0;
        let label = format!("{} %", value * 100.0);
        write(area, &label, (LEFT - 8, y(value)), 14, rgb(INK), Anchor::Right)?;
    }
    let ink = rgb(Tone::Lost.light());
    for event in &channel.errors {
        let x = axis.x(event.time);
        area.draw(&PathElement::new(vec![(x, upper), (x, upper + 10)], ink))?;
    }
    let Some(load) = &channel.load else { return Ok(()) };
    let Some((peak, peak_at)) = load.peak() else { return Ok(()) };
    for (at, value) in load.load.iter().enumerate() {
        let from = load.start + nanoseconds(at as f64 * load.bin);
        let (left, right) = (axis.x(from), axis.x(from + nanoseconds(load.bin)));
        let corners = [(left, y(*value)), (right.max(left + 1), lower)];
        area.draw(&Rectangle::new(corners, rgb(Tone::Heard.light()).filled()))?;
    }
    let x = axis.x(peak_at + nanoseconds(load.bin / 2.0));
    area.draw(&Circle::new((x, y(peak)), 5, ink.stroke_width(2)))?;
    let beyond = x > (LEFT + RIGHT) / 2;
    let (side, beside) = if beyond { (Anchor::Right, x - 10) } else { (Anchor::Left, x + 10) };
    let label = format!("peak {:.1} % at {:.1} s", peak * 100.0, seconds(peak_at - axis.span.0));
    // Below the top edge, and on white so that the bars do not hide it.
    let at = (beside, (y(peak) - 12).max(upper + 22));
    let wide = super::plot::width(&label, 15);
    let left = if beyond { at.0 - wide } else { at.0 };
    let ground = [(left - 3, at.1 - 10), (left + wide + 3, at.1 + 10)];
    area.draw(&Rectangle::new(ground, WHITE.mix(0.85).filled()))?;
    write(area, &label, at, 15, ink, side)
}

fn caption(channel: &Channel) -> String {
    let rate = match channel.bit_rate {
        BitRate::Given(rate) => format!("{:.0} kbit/s as given", rate / 1e3),
        BitRate::Inferred { rate, confidence } => {
            format!(
                "{:.0} kbit/s, inferred from frame spacing ({:.0} % sure)",
                rate / 1e3,
                confidence * 100.0
            )
        }
        BitRate::Unknown => "bit rate unknown: name it with --bit-rate to see the load".to_owned(),
    };
    let load = channel.load.as_ref().map_or(String::new(), |load| {
        format!("; mean {:.1} %, bins of {}", load.mean() * 100.0, duration(load.bin))
    });
    let errors = match channel.error_frames {
        0 => String::new(),
        count => format!("; {count} error reports (ticks at the top)"),
    };
    format!("{}: {rate}{load}{errors}", channel.name)
}
