//! `bus-load.png`: load over time, one panel a channel.

use std::io::{self, Write};

use plotters::prelude::*;

use super::Renderer;
use super::plot::{Anchor, Area, TimeAxis, png, rgb, write};
use super::style::{INK, Tone};
use crate::analysis::{Analysis, BitRate, Channel};
use crate::fold::timing::{nanoseconds, seconds};
use crate::words::terms::duration;

/// Renders the picture.
pub struct LoadPlot;

const WIDTH: i32 = 1600;
const LEFT: i32 = 110;
const RIGHT: i32 = WIDTH - 50;
const PANEL: i32 = 300;
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

fn panel(report: &Analysis, channel: &Channel, top: i32, area: &Area<'_>) -> Drawn {
    let (upper, lower) = (top + 60, top + PANEL - 40);
    write(area, &caption(channel), (20, top + 12), 17, rgb(INK), Anchor::Left)?;
    let Some(span) = report.span else { return Ok(()) };
    let axis = TimeAxis { pixels: (LEFT, RIGHT), span };
    axis.draw(area, upper, lower)?;
    let Some(load) = &channel.load else { return Ok(()) };
    let Some((peak, peak_at)) = load.peak() else { return Ok(()) };
    let full = [0.1, 0.2, 0.5, 1.0].into_iter().find(|full| peak <= *full).unwrap_or(peak);
    let y =
        |value: f64| lower - ((value / full).min(1.0) * f64::from(lower - upper)).round() as i32;
    for part in 0..=4 {
        let value = full * f64::from(part) / 4.0;
        write(
            area,
            &format!("{:.1} %", value * 100.0),
            (LEFT - 8, y(value)),
            14,
            rgb(INK),
            Anchor::Right,
        )?;
    }
    for (at, value) in load.load.iter().enumerate() {
        let from = load.start + nanoseconds(at as f64 * load.bin);
        let (left, right) = (axis.x(from), axis.x(from + nanoseconds(load.bin)));
        area.draw(&Rectangle::new(
            [(left, y(*value)), (right.max(left + 1), lower)],
            rgb(Tone::Heard.light()).filled(),
        ))?;
    }
    for event in &channel.errors {
        let x = axis.x(event.time);
        area.draw(&PathElement::new(vec![(x, upper), (x, upper + 10)], rgb(Tone::Lost.light())))?;
    }
    let x = axis.x(peak_at + nanoseconds(load.bin / 2.0));
    area.draw(&Circle::new((x, y(peak)), 5, rgb(Tone::Lost.light()).stroke_width(2)))?;
    let side = if x > (LEFT + RIGHT) / 2 { Anchor::Right } else { Anchor::Left };
    let beside = if matches!(side, Anchor::Right) { x - 10 } else { x + 10 };
    let label = format!("peak {:.1} % at {:.1} s", peak * 100.0, seconds(peak_at - span.0));
    // Below the top edge, and on white so that the bars do not hide it.
    let at = (beside, (y(peak) - 12).max(upper + 22));
    let half = super::plot::width(&label, 15);
    let left = if matches!(side, Anchor::Right) { at.0 - half } else { at.0 };
    area.draw(&Rectangle::new(
        [(left - 3, at.1 - 10), (left + half + 3, at.1 + 10)],
        WHITE.mix(0.85).filled(),
    ))?;
    write(area, &label, at, 15, rgb(Tone::Lost.light()), side)
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
