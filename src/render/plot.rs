//! What both pictures share: canvas, font, axes of time.

use std::io::{self, Write};
use std::sync::Once;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::style::{GRID, Rgb, SOFT};
use crate::analysis::Nanoseconds;
use crate::fold::timing::seconds;
use crate::words::terms::time_of_day;

/// The canvas that a picture is drawn on.
pub type Area<'a> = DrawingArea<BitMapBackend<'a>, plotters::coord::Shift>;

/// Draws a picture of the given size and writes it as PNG.
///
/// # Errors
/// Those of the writer; drawing into memory itself does not fail.
pub fn png(
    size: (u32, u32),
    out: &mut dyn Write,
    draw: impl FnOnce(&Area<'_>) -> Result<(), Box<dyn std::error::Error>>,
) -> io::Result<()> {
    static FONT: Once = Once::new();
    // The picture must look the same on a machine without fonts.
    FONT.call_once(|| {
        let _ = plotters::style::register_font(
            "sans-serif",
            FontStyle::Normal,
            include_bytes!("font/DejaVuSans.ttf"),
        );
    });
    let mut pixels = vec![0; size.0 as usize * size.1 as usize * 3];
    {
        let area = BitMapBackend::with_buffer(&mut pixels, size).into_drawing_area();
        let drawn = area.fill(&WHITE).map_err(Into::into).and_then(|()| draw(&area));
        drawn
            .and_then(|()| area.present().map_err(Into::into))
            .map_err(|error| io::Error::other(error.to_string()))?;
    }
    let mut encoder = png::Encoder::new(out, size.0, size.1);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().map_err(io::Error::other)?;
    writer.write_image_data(&pixels).map_err(io::Error::other)
}

/// A colour of the palette for the canvas.
pub fn rgb((r, g, b): Rgb) -> RGBColor {
    RGBColor(r, g, b)
}

/// Where text hangs on its point.
#[derive(Clone, Copy)]
pub enum Anchor {
    /// Text to the right of the point, centred vertically.
    Left,
    /// Text to the left of the point, centred vertically.
    Right,
    /// Centred on the point.
    Middle,
}

/// Writes text.
///
/// # Errors
/// Those of the drawing backend.
pub fn write(
    area: &Area<'_>,
    text: &str,
    at: (i32, i32),
    size: i32,
    colour: RGBColor,
    anchor: Anchor,
) -> Result<(), Box<dyn std::error::Error>> {
    let horizontal = match anchor {
        Anchor::Left => HPos::Left,
        Anchor::Right => HPos::Right,
        Anchor::Middle => HPos::Center,
    };
    let style =
        ("sans-serif", size).into_font().color(&colour).pos(Pos::new(horizontal, VPos::Center));
    area.draw_text(text, &style, at)?;
    Ok(())
}

/// Width of text in pixels, near enough for layout.
pub fn width(text: &str, size: i32) -> i32 {
    ("sans-serif", size)
        .into_font()
        .box_size(text)
        .map_or(text.chars().count() as i32 * size * 6 / 10, |(w, _)| w as i32)
}

/// A horizontal axis of time.
pub struct TimeAxis {
    /// Pixels of its ends.
    pub pixels: (i32, i32),
    /// Times of its ends.
    pub span: (Nanoseconds, Nanoseconds),
}

impl TimeAxis {
    /// Pixel of a time, within the axis.
    pub fn x(&self, time: Nanoseconds) -> i32 {
        let (left, right) = self.pixels;
        let share = (time - self.span.0) as f64 / (self.span.1 - self.span.0).max(1) as f64;
        left + (share.clamp(0.0, 1.0) * f64::from(right - left)).round() as i32
    }

    /// Ticks: elapsed time below the picture at `bottom`, time of day above it at `top`, thin lines
    /// between.
    ///
    /// # Errors
    /// Those of the drawing backend.
    pub fn draw(
        &self,
        area: &Area<'_>,
        top: i32,
        bottom: i32,
    ) -> Result<(), Box<dyn std::error::Error>> {
        let ticks = Ticks::of(seconds(self.span.1 - self.span.0), 9.0);
        let (grid, grey) = (rgb(GRID), rgb(SOFT));
        for (elapsed, label) in &ticks.marks {
            let time = self.span.0 + crate::fold::timing::nanoseconds(*elapsed);
            let x = self.x(time);
            area.draw(&PathElement::new(vec![(x, top), (x, bottom)], grid))?;
            write(area, label, (x, bottom + 13), 15, grey, Anchor::Middle)?;
            if let Some(clock) = time_of_day(time) {
                write(area, &clock, (x, top - 11), 15, grey, Anchor::Middle)?;
            }
        }
        let (left, right) = self.pixels;
        area.draw(&Rectangle::new([(left, top), (right, bottom)], grey))?;
        write(area, ticks.unit, (left - 42, bottom + 13), 15, grey, Anchor::Right)?;
        if time_of_day(self.span.0).is_some() {
            write(area, "UTC", (left - 42, top - 11), 15, grey, Anchor::Right)?;
        }
        Ok(())
    }
}

/// Round marks of elapsed time.
pub struct Ticks {
    /// Seconds between them.
    pub step: f64,
    /// How their labels are to be read.
    pub unit: &'static str,
    /// Seconds from the beginning, and the label.
    pub marks: Vec<(f64, String)>,
}

impl Ticks {
    /// Those of a stretch of that many seconds, in at most so many parts.
    pub fn of(length: f64, parts: f64) -> Ticks {
        let step = step(length / parts);
        let count = (length * 1.0001 / step) as usize;
        let mark = |at: usize| (at as f64 * step, elapsed_label(at as f64 * step, step));
        Ticks {
            step,
            unit: if step >= 60.0 { "min:s" } else { "seconds" },
            marks: (0..=count).map(mark).collect(),
        }
    }
}

fn elapsed_label(elapsed: f64, step: f64) -> String {
    if step >= 60.0 {
        let whole = elapsed.round() as i64;
        format!("{}:{:02}", whole / 60, whole % 60)
    } else if step >= 1.0 {
        format!("{elapsed:.0}")
    } else {
        format!("{elapsed:.2}")
    }
}

/// The smallest round step of time that is not below `least` seconds.
fn step(least: f64) -> f64 {
    const STEPS: [f64; 21] = [
        0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0,
        600.0, 1200.0, 1800.0, 3600.0, 7200.0, 21_600.0,
    ];
    STEPS
        .into_iter()
        .find(|step| *step >= least)
        .unwrap_or_else(|| (least / 86_400.0).ceil() * 86_400.0)
}
