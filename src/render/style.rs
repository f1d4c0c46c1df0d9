//! One palette for pictures, page and terminal.
//!
//! The more of the vehicle is missing, the further from the paper: a ramp of lightness carries the
//! order, so that it holds in grey, on paper and for every colour sight; hue only adds to it. What
//! is nobody's fault stays close to the paper. The tests below hold the numbers.

use anstyle::{Ansi256Color, Style};

use crate::analysis::{Analysis, Cause, Outage, Scope};
use crate::words::terms::kind;

/// A colour as the shares of red, green and blue.
pub type Rgb = (u8, u8, u8);

/// What an area of a picture says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    /// Traffic was heard.
    Heard,
    /// Silent, and nobody is to blame: sleep, the key, a message that pauses by nature.
    Quiet,
    /// The recording paused: nothing is known.
    Pause,
    /// Single identifiers were silent while their sender went on, or their sender is not known.
    Part,
    /// A node was cut off and ran on.
    Cut,
    /// A node was silent otherwise.
    Lost,
    /// Several nodes were silent together.
    Branch,
    /// A whole bus was silent.
    Bus,
}

impl Tone {
    /// All of them, from the paper away.
    pub const ALL: [Tone; 8] = [
        Tone::Pause,
        Tone::Quiet,
        Tone::Heard,
        Tone::Part,
        Tone::Cut,
        Tone::Lost,
        Tone::Branch,
        Tone::Bus,
    ];

    /// That of an outage.
    pub fn of(outage: &Outage) -> Tone {
        match (outage.scope, outage.cause) {
            (Scope::Capture, _) | (_, Cause::CaptureGap) => Tone::Pause,
            (_, cause) if cause.is_orderly() => Tone::Quiet,
            _ if outage.benign => Tone::Quiet,
            (Scope::Bus, _) => Tone::Bus,
            (Scope::Branch, _) => Tone::Branch,
            (Scope::Node, Cause::OpenCircuit) => Tone::Cut,
            (Scope::Node, _) => Tone::Lost,
            (Scope::Identifier, _) => Tone::Part,
        }
    }

    /// Its name in style sheets.
    pub fn name(self) -> &'static str {
        match self {
            Tone::Heard => "heard",
            Tone::Quiet => "quiet",
            Tone::Pause => "pause",
            Tone::Part => "part",
            Tone::Cut => "cut",
            Tone::Lost => "lost",
            Tone::Branch => "branch",
            Tone::Bus => "bus",
        }
    }

    /// Its colour on white, and in print.
    pub const fn light(self) -> Rgb {
        match self {
            Tone::Pause => (124, 132, 126),
            Tone::Quiet => (210, 212, 202),
            Tone::Heard => (90, 161, 146),
            Tone::Part => (157, 122, 16),
            Tone::Cut => (169, 53, 27),
            Tone::Lost => (125, 22, 64),
            Tone::Branch => (63, 15, 85),
            Tone::Bus => (12, 10, 22),
        }
    }

    /// Its colour on the dark page.
    pub const fn dark(self) -> Rgb {
        match self {
            Tone::Pause => (139, 148, 142),
            Tone::Quiet => (58, 64, 56),
            Tone::Heard => (70, 113, 106),
            Tone::Part => (169, 128, 52),
            Tone::Cut => (238, 144, 48),
            Tone::Lost => (249, 170, 166),
            Tone::Branch => (240, 204, 248),
            Tone::Bus => (253, 255, 244),
        }
    }
}

/// Text, lines and grounds of the page: name in the style sheet, on white, on dark.
pub const PAGE: [(&str, Rgb, Rgb); 8] = [
    ("paper", PAPER, (21, 25, 27)),
    ("panel", (244, 245, 240), (31, 37, 39)),
    ("line", (198, 203, 194), (64, 72, 70)),
    ("ink", INK, (231, 235, 230)),
    ("soft", SOFT, (165, 176, 171)),
    ("bad", Tone::Lost.light(), Tone::Lost.dark()),
    ("good", (24, 98, 80), (134, 211, 189)),
    ("warn", (106, 78, 6), (223, 180, 92)),
];

/// The ground of pictures.
pub const PAPER: Rgb = (255, 255, 255);
/// Text of pictures.
pub const INK: Rgb = (28, 34, 32);
/// Lesser text of pictures.
pub const SOFT: Rgb = (84, 94, 90);
/// Thin lines behind a picture.
pub const GRID: Rgb = (226, 229, 222);

/// The terminal's ground is not known: both colours lie halfway between black and white, and the
/// words say the same.
pub const BAD: Style = Ansi256Color(130).on_default().bold();
/// Nothing is wrong.
pub const GOOD: Style = Ansi256Color(30).on_default().bold();
/// Headings.
pub const HEAD: Style = Style::new().bold();

/// The tones that a report shows, each with all that it stands for.
pub fn legend(report: &Analysis) -> Vec<(Tone, Vec<&'static str>)> {
    let mut entries: Vec<(Tone, Vec<&str>)> = Vec::new();
    for outage in &report.outages {
        let (tone, kind) = (Tone::of(outage), kind(outage));
        match entries.iter_mut().find(|entry| entry.0 == tone) {
            Some((_, kinds)) if kinds.contains(&kind) => {}
            Some((_, kinds)) => kinds.push(kind),
            None => entries.push((tone, vec![kind])),
        }
    }
    // Heard, then what is worst.
    entries.sort_by_key(|(tone, _)| Tone::ALL.iter().rev().position(|own| own == tone));
    entries.insert(0, (Tone::Heard, vec!["heard"]));
    entries
}

/// The palette as variables of a style sheet.
pub fn sheet(dark: bool) -> String {
    let page = PAGE.map(|(name, light, night)| (name, if dark { night } else { light }));
    let tones = Tone::ALL.map(|tone| (tone.name(), if dark { tone.dark() } else { tone.light() }));
    let one = |(name, (r, g, b)): (&str, Rgb)| format!("--{name}: #{r:02x}{g:02x}{b:02x};");
    page.into_iter().chain(tones).map(one).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    type Linear = [f64; 3];

    fn linear((r, g, b): Rgb) -> Linear {
        [r, g, b].map(|value| {
            let value = f64::from(value) / 255.0;
            if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
        })
    }

    /// How people see who lack one of the three cones: Machado, Oliveira and Fernandes, "A
    /// physiologically-based model for simulation of color vision deficiency", 2009, at full
    /// severity. The last one is a grey print.
    const SIGHTS: [(&str, [Linear; 3]); 5] = [
        ("usual", [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
        (
            "protan",
            [
                [0.152_286, 1.052_583, -0.204_868],
                [0.114_503, 0.786_281, 0.099_216],
                [-0.003_882, -0.048_116, 1.051_998],
            ],
        ),
        (
            "deutan",
            [
                [0.367_322, 0.860_646, -0.227_968],
                [0.280_085, 0.672_501, 0.047_413],
                [-0.011_820, 0.042_940, 0.968_881],
            ],
        ),
        (
            "tritan",
            [
                [1.255_528, -0.076_749, -0.178_779],
                [-0.078_411, 0.930_809, 0.147_602],
                [0.004_733, 0.691_367, 0.303_900],
            ],
        ),
        ("grey", [[0.2126, 0.7152, 0.0722]; 3]),
    ];

    fn seen(colour: Rgb, sight: &[Linear; 3]) -> Linear {
        let own = linear(colour);
        sight.map(|row| row.iter().zip(own).map(|(a, b)| a * b).sum::<f64>().clamp(0.0, 1.0))
    }

    fn luminance([r, g, b]: Linear) -> f64 {
        0.2126 * r + 0.7152 * g + 0.0722 * b
    }

    /// CIE L*a*b* of 1976, white point D65.
    fn lab(own: Linear) -> Linear {
        let [r, g, b] = own;
        let f = |t: f64| if t > 0.008_856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 };
        let x = f((0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505);
        let y = f(luminance(own));
        let z = f((0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089);
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    /// From 1 to 21, as accessibility rules for the web count it.
    fn contrast(a: Rgb, b: Rgb) -> f64 {
        let (a, b) = (luminance(linear(a)), luminance(linear(b)));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// Every two of them are apart for everybody: in lightness, and more so with colour.
    #[test]
    fn tones_differ_for_every_sight_and_in_grey() {
        for shade in [Tone::light, Tone::dark] {
            for (name, sight) in &SIGHTS {
                let lab = |tone: Tone| lab(seen(shade(tone), sight));
                // The pause is hatched or dashed: its form tells it.
                let own = &Tone::ALL[1..];
                let (mut least, mut nearest) = (f64::MAX, f64::MAX);
                for (at, one) in own.iter().enumerate() {
                    for other in &own[at + 1..] {
                        let (a, b) = (lab(*one), lab(*other));
                        let square = |i: usize| (a[i] - b[i]).powi(2);
                        least = least.min((a[0] - b[0]).abs());
                        nearest = nearest.min((square(0) + square(1) + square(2)).sqrt());
                    }
                }
                println!("{name}: lightness {least:.1} apart, colours {nearest:.1}");
                assert!(least > 5.5, "{name}: {least:.1}");
                assert!(*name == "grey" || nearest > 14.0, "{name}: {nearest:.1}");
            }
        }
    }

    /// What is missing stands out from the ground, text can be read, and in order of how much is
    /// missing tones go away from the paper.
    #[test]
    fn contrast_with_the_ground() {
        for (dark, shade) in [(false, Tone::light as fn(Tone) -> Rgb), (true, Tone::dark)] {
            let of = |name: &str| {
                let (_, light, night) = PAGE.iter().find(|own| own.0 == name).unwrap();
                if dark { *night } else { *light }
            };
            let tones = &Tone::ALL[1..];
            for pair in tones.windows(2) {
                let [near, far] = [pair[0], pair[1]].map(|tone| contrast(shade(tone), of("paper")));
                assert!(near < far, "{pair:?}");
            }
            for tone in Tone::ALL.into_iter().filter(|tone| *tone != Tone::Quiet) {
                let found = contrast(shade(tone), of("paper"));
                println!("{} on paper: {found:.1}", tone.name());
                assert!(found >= 3.0, "{tone:?}: {found:.2}");
            }
            for text in ["ink", "soft", "bad", "good", "warn"] {
                for ground in ["paper", "panel"] {
                    let found = contrast(of(text), of(ground));
                    println!("{text} on {ground}: {found:.1}");
                    assert!(found >= 4.5, "{text} on {ground}: {found:.2}");
                }
            }
        }
        for tone in [Tone::Cut, Tone::Lost, Tone::Branch, Tone::Bus] {
            assert!(contrast(PAPER, tone.light()) >= 4.5, "lengths are written on {tone:?}");
        }
        assert!(contrast(INK, Tone::Quiet.light()) >= 4.5);
    }

    /// Of 256 colours, those from 16 are a cube of fixed values.
    #[test]
    fn the_terminal_is_readable_on_black_and_white() {
        let cube = |style: Style| {
            let Some(anstyle::Color::Ansi256(colour)) = style.get_fg_color() else { panic!() };
            let place = colour.0 - 16;
            let level = |part: u8| [0, 95, 135, 175, 215, 255][usize::from(part)];
            (level(place / 36), level(place / 6 % 6), level(place % 6))
        };
        for style in [BAD, GOOD] {
            for ground in [(0, 0, 0), (255, 255, 255)] {
                let found = contrast(cube(style), ground);
                assert!(found >= 4.3, "{:?} on {ground:?}: {found:.2}", cube(style));
            }
        }
        for (name, sight) in &SIGHTS[..4] {
            let [a, b] = [BAD, GOOD].map(|style| lab(seen(cube(style), sight)));
            let apart = a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt();
            assert!(apart > 20.0, "{name}: {apart:.1}");
        }
    }
}
