//! Readings that come back in: what was measured, tried and done on the vehicle, from a job file.

use serde::Deserialize;
use toml::Spanned;

use super::knowledge::{Knowledge, Level};
use super::subject::Subject;
use crate::analysis::Analysis;
use crate::analysis::blame::same_thing;

/// A job file, as written.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Job {
    /// What it is, for the reader.
    pub title: Option<String>,
    /// Measurements and trials.
    #[serde(default)]
    reading: Vec<Entry>,
    /// What was cleaned, repaired, replaced, configured or cleared.
    #[serde(default)]
    done: Vec<Done>,
    #[serde(skip)]
    text: String,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    what: Spanned<String>,
    node: Option<Spanned<String>>,
    channel: Option<Spanned<String>>,
    value: Option<Spanned<f64>>,
    result: Option<Spanned<String>>,
    at: Option<String>,
    note: Option<String>,
}

/// Something done on the vehicle.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Done {
    /// `cleaned`, `repaired`, `replaced`, `configured`, `cleared`, or other words.
    pub what: String,
    /// On which node or module.
    pub node: Option<String>,
    /// When, in the user's words.
    pub at: Option<String>,
    /// More words.
    pub note: Option<String>,
}

/// A reading put in its band.
#[derive(Clone, Debug)]
pub struct Observed {
    /// Its table.
    pub table: String,
    /// Which band or outcome.
    pub place: usize,
    /// What it is about.
    pub subject: Subject,
    /// In a sentence.
    pub text: String,
}

impl Job {
    /// Reads a job file.
    ///
    /// # Errors
    /// What is wrong, with line and key.
    ///
    /// ```
    /// use lostnode::fault::Job;
    /// Job::parse("[[reading]]\nwhat = \"termination_ohms\"\nvalue = 60.5").unwrap();
    /// assert!(Job::parse("[[reading]]\nvalu = 60.5").unwrap_err().contains("valu"));
    /// ```
    pub fn parse(text: &str) -> Result<Job, String> {
        let job: Job = toml::from_str(text).map_err(|error| error.to_string())?;
        Ok(Job { text: text.to_owned(), ..job })
    }

    /// The readings in their bands, against the nodes of a report.
    ///
    /// # Errors
    /// Where a reading is not known, lacks its value, or names what the report has not; with its
    /// line.
    pub fn observed(
        &self,
        report: &Analysis,
        knowledge: &Knowledge,
    ) -> Result<Vec<Observed>, String> {
        self.reading.iter().map(|entry| self.observe(entry, report, knowledge)).collect()
    }

    /// What was done, in sentences, each with the module it names.
    pub fn done(&self) -> impl Iterator<Item = (&Done, String)> {
        self.done.iter().map(|done| {
            let parts = [done.node.as_deref(), done.at.as_deref(), done.note.as_deref()];
            let rest: Vec<&str> = parts.into_iter().flatten().collect();
            (
                done,
                if rest.is_empty() {
                    done.what.clone()
                } else {
                    format!("{}: {}", done.what, rest.join(", "))
                },
            )
        })
    }

    fn line(&self, at: usize) -> usize {
        self.text[..at.min(self.text.len())].matches('\n').count() + 1
    }

    fn observe(
        &self,
        entry: &Entry,
        report: &Analysis,
        knowledge: &Knowledge,
    ) -> Result<Observed, String> {
        let name = entry.what.get_ref();
        let at = |span: std::ops::Range<usize>, text: String| {
            Err(format!("line {}: {text}", self.line(span.start)))
        };
        let Some(table) = knowledge.reading.get(name) else {
            let known: Vec<&str> = knowledge.reading.keys().map(String::as_str).collect();
            return at(
                entry.what.span(),
                format!("what `{name}` is no reading; there are {}", known.join(", ")),
            );
        };
        let (place, value) = match (&entry.value, &entry.result) {
            (Some(value), _) if !table.bands.is_empty() => {
                let number = *value.get_ref();
                if !number.is_finite() || number < 0.0 {
                    return at(
                        value.span(),
                        format!("value is {number}; {name} is a number from 0 up"),
                    );
                }
                let place = table
                    .bands
                    .iter()
                    .position(|band| number <= band.to)
                    .unwrap_or(table.bands.len() - 1);
                (place, format!("{number} {} ({})", table.unit, table.bands[place].name))
            }
            (_, Some(result)) if !table.outcomes.is_empty() => {
                match table.outcomes.iter().position(|outcome| outcome == result.get_ref()) {
                    Some(place) => (place, result.get_ref().clone()),
                    None => {
                        let known = table.outcomes.join("`, `");
                        return at(
                            result.span(),
                            format!("result `{}` is none of `{known}`", result.get_ref()),
                        );
                    }
                }
            }
            _ if table.bands.is_empty() => {
                return at(
                    entry.what.span(),
                    format!("{name} needs a `result`: `{}`", table.outcomes.join("`, `")),
                );
            }
            _ => return at(entry.what.span(), format!("{name} needs a `value`")),
        };
        let subject = self.subject(entry, table.at, report)?;
        let mut text = format!("{} at {}: {value}", table.text, subject.name(report));
        for more in [entry.at.as_deref(), entry.note.as_deref()].into_iter().flatten() {
            text += &format!(", {more}");
        }
        Ok(Observed {
            table: name.clone(),
            place,
            subject,
            text: format!("{text} ({})", table.source),
        })
    }

    fn subject(&self, entry: &Entry, level: Level, report: &Analysis) -> Result<Subject, String> {
        let line = self.line(entry.what.span().start);
        match (level, &entry.node, &entry.channel) {
            (Level::Vehicle, ..) => Ok(Subject::Vehicle),
            (Level::Channel, _, Some(name)) => {
                let found =
                    report.channels.iter().position(|channel| channel.name == *name.get_ref());
                found.map(Subject::Channel).ok_or_else(|| {
                    let known: Vec<&str> =
                        report.channels.iter().map(|channel| channel.name.as_str()).collect();
                    format!(
                        "line {}: there is no channel `{}` in the capture; it has {}",
                        self.line(name.span().start),
                        name.get_ref(),
                        known.join(", ")
                    )
                })
            }
            (Level::Channel, _, None) if report.channels.len() == 1 => Ok(Subject::Channel(0)),
            (Level::Channel, ..) => {
                Err(format!("line {line}: {} needs a `channel`", entry.what.get_ref()))
            }
            (_, Some(name), _) => Ok(named(report, name.get_ref())),
            _ => Err(format!("line {line}: {} needs a `node`", entry.what.get_ref())),
        }
    }
}

/// What a name of a job file stands for: a node of the report, the sender of an identifier, or a
/// module of the codes.
pub fn named(report: &Analysis, name: &str) -> Subject {
    let exact = report.nodes.iter().position(|node| node.name == name);
    let like = || {
        let mut like =
            (0..report.nodes.len()).filter(|node| same_thing(&report.nodes[*node].name, name));
        like.next().filter(|_| like.next().is_none())
    };
    exact.or_else(like).map_or_else(|| Subject::Module(name.to_owned()), Subject::Node)
}
