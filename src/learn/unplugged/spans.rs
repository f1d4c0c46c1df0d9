//! When modules were unplugged, as a person wrote it down.

use std::fmt;
use std::str::FromStr;

use serde::Deserialize;
use toml::Spanned;

use crate::capture::plain::has_unprinted;

/// Times that a person reads off a screen while he pulls at a plug are right within this many
/// seconds: he looks, pulls, looks again (common practice, no source).
pub(super) const BY_HAND: f64 = 2.0;

/// A shorter span has no time in which the module was surely unplugged, in seconds.
const SHORTEST: f64 = 2.0 * BY_HAND + 1.0;

/// A module was unplugged, or its fuse was pulled.
#[derive(Clone, Debug, PartialEq)]
pub struct Unplugging {
    /// What the module is called.
    pub name: String,
    /// When it was unplugged, in seconds from the first frame.
    pub from: f64,
    /// When it was plugged in again, likewise.
    pub to: f64,
    /// Where that was said.
    pub given: Given,
}

/// Where a span was said.
#[derive(Clone, Debug, PartialEq)]
pub enum Given {
    /// As an argument, which was this.
    Argument(String),
    /// On this line of a file.
    Line(usize),
}

/// What is wrong with a span.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum SpanError {
    /// The file is no TOML, or not of that form; as the reader of TOML says it.
    Form(String),
    /// There is none in the file.
    Empty,
    /// One of them is wrong.
    Wrong {
        /// Where it was said.
        given: Given,
        /// What is wrong.
        problem: SpanProblem,
    },
}

/// What is wrong with one span.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum SpanProblem {
    /// It is not of the form `NAME=FROM..TO`.
    NoSpan,
    /// The name is empty.
    NoName,
    /// The name holds a character that is not printed.
    Unprinted,
    /// A time is negative, or no number.
    NoTime {
        /// The key.
        key: &'static str,
        /// What stands there.
        value: f64,
    },
    /// It ends before it begins.
    Backwards,
    /// It is shorter than times by hand can tell.
    Short {
        /// Its seconds.
        length: f64,
    },
    /// It lies outside the capture.
    Outside {
        /// Seconds of the capture.
        length: f64,
    },
    /// It overlaps that of another.
    Overlaps {
        /// Name of the other.
        name: String,
        /// When that began, in seconds.
        from: f64,
        /// When it ended.
        to: f64,
    },
}

impl fmt::Display for Given {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Given::Argument(text) => write!(f, "--unplugged `{text}`"),
            Given::Line(line) => write!(f, "line {line}"),
        }
    }
}

impl fmt::Display for SpanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SpanError::Form(error) => f.write_str(error),
            SpanError::Empty => {
                f.write_str("it has no `[[unplugged]]`, so there is no name to give")
            }
            SpanError::Wrong { given, problem } => write!(f, "{given}: {problem}"),
        }
    }
}

impl fmt::Display for SpanProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SpanProblem::NoSpan => f.write_str(
                "write it as \"NAME\"=FROM..TO, in seconds from the first frame, such as \
                 \"sliding door\"=31..45",
            ),
            SpanProblem::NoName => f.write_str("name is empty"),
            SpanProblem::Unprinted => f.write_str("name holds a character that is not printed"),
            SpanProblem::NoTime { key, value } => {
                write!(f, "{key} is {value}; it is in seconds from the first frame, 0 or more")
            }
            SpanProblem::Backwards => f.write_str("it ends before it begins"),
            SpanProblem::Short { length } => write!(
                f,
                "{length:.1} s are too short: times by hand are right within {BY_HAND:.0} s, so \
                 leave it unplugged for 15 s or more"
            ),
            SpanProblem::Outside { length } => {
                write!(f, "it lies outside the capture, which is {length:.1} s long")
            }
            SpanProblem::Overlaps { name, from, to } => {
                write!(f, "it overlaps `{name}` at {from}..{to}; unplug one module at a time")
            }
        }
    }
}

impl std::error::Error for SpanError {}

impl FromStr for Unplugging {
    type Err = SpanError;

    /// Reads `NAME=FROM..TO`.
    ///
    /// ```
    /// use lostnode::learn::unplugged::Unplugging;
    /// let own: Unplugging = "sliding door=31..45.5".parse()?;
    /// assert_eq!((own.name.as_str(), own.from, own.to), ("sliding door", 31.0, 45.5));
    /// assert!("sliding door=31-45".parse::<Unplugging>().is_err());
    /// # Ok::<(), lostnode::learn::unplugged::SpanError>(())
    /// ```
    fn from_str(text: &str) -> Result<Unplugging, SpanError> {
        let given = Given::Argument(text.to_owned());
        let no_span = || SpanError::Wrong { given: given.clone(), problem: SpanProblem::NoSpan };
        let (name, span) = text.rsplit_once('=').ok_or_else(no_span)?;
        let (from, to) = span.split_once("..").ok_or_else(no_span)?;
        let number = |text: &str| text.trim().parse::<f64>().map_err(|_| no_span());
        Unplugging::checked(name.trim_matches('"'), number(from)?, number(to)?, given)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileToml {
    #[serde(default)]
    unplugged: Vec<Spanned<UnpluggedToml>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct UnpluggedToml {
    name: Spanned<String>,
    from: Spanned<f64>,
    to: Spanned<f64>,
}

impl Unplugging {
    fn checked(name: &str, from: f64, to: f64, given: Given) -> Result<Unplugging, SpanError> {
        let length = to - from;
        let is_time = |time: f64| time.is_finite() && time >= 0.0;
        let problem = match (from, to) {
            _ if name.trim().is_empty() => Some(SpanProblem::NoName),
            _ if has_unprinted(name) => Some(SpanProblem::Unprinted),
            _ if !is_time(from) => Some(SpanProblem::NoTime { key: "from", value: from }),
            _ if !is_time(to) => Some(SpanProblem::NoTime { key: "to", value: to }),
            _ if length <= 0.0 => Some(SpanProblem::Backwards),
            _ if length < SHORTEST => Some(SpanProblem::Short { length }),
            _ => None,
        };
        match problem {
            Some(problem) => Err(SpanError::Wrong { given, problem }),
            None => Ok(Unplugging { name: name.trim().to_owned(), from, to, given }),
        }
    }

    /// Reads a file of them.
    ///
    /// # Errors
    /// The line and key that are wrong.
    ///
    /// ```
    /// use lostnode::learn::unplugged::Unplugging;
    /// let text = "[[unplugged]]\nname = \"mirror\"\nfrom = 50\nto = 45";
    /// let error = Unplugging::file(text).unwrap_err();
    /// assert_eq!(error.to_string(), "line 4: it ends before it begins");
    /// ```
    pub fn file(text: &str) -> Result<Vec<Unplugging>, SpanError> {
        let file: FileToml =
            toml::from_str(text).map_err(|error| SpanError::Form(error.to_string()))?;
        let line = |at: usize| text[..at.min(text.len())].matches('\n').count() + 1;
        let mut out = Vec::new();
        for entry in file.unplugged {
            let at = line(entry.span().start);
            let UnpluggedToml { name, from, to } = entry.into_inner();
            let own = [("name", name.span()), ("from", from.span()), ("to", to.span())];
            let made = Unplugging::checked(
                name.get_ref(),
                *from.get_ref(),
                *to.get_ref(),
                Given::Line(at),
            );
            // The line of the value that is wrong, and not that of the whole.
            out.push(made.map_err(|error| match error {
                SpanError::Wrong { problem, .. } => {
                    let key = match &problem {
                        SpanProblem::NoName | SpanProblem::Unprinted => "name",
                        SpanProblem::NoTime { key, .. } => key,
                        _ => "to",
                    };
                    let span = own.iter().find(|(name, _)| *name == key);
                    let given = Given::Line(span.map_or(at, |(_, span)| line(span.start)));
                    SpanError::Wrong { given, problem }
                }
                other => other,
            })?);
        }
        if out.is_empty() { Err(SpanError::Empty) } else { Ok(out) }
    }
}

/// Holds spans against a capture of `length` seconds, and against each other.
pub(super) fn check(all: &[Unplugging], length: f64) -> Result<(), SpanError> {
    let wrong =
        |own: &Unplugging, problem| Err(SpanError::Wrong { given: own.given.clone(), problem });
    for (at, own) in all.iter().enumerate() {
        // A hand may write the end down a little late.
        if own.from >= length || own.to > length + BY_HAND {
            return wrong(own, SpanProblem::Outside { length });
        }
        let meets = |other: &&Unplugging| other.from < own.to && own.from < other.to;
        if let Some(other) = all[..at].iter().find(meets) {
            let (name, from, to) = (other.name.clone(), other.from, other.to);
            return wrong(own, SpanProblem::Overlaps { name, from, to });
        }
    }
    Ok(())
}
