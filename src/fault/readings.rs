//! Readings that come back in: what was measured, tried and done on the vehicle, from a job file.

use serde::Deserialize;
use toml::Spanned;

use super::job_error::{JobError, Problem};
use super::knowledge::{self, Knowledge};
use crate::analysis::Analysis;
use crate::analysis::blame::has_words_of;
use crate::analysis::finding::{Done, Reading, ReadingValue};
use crate::analysis::subject::{Level, Subject, Unheard};
use crate::capture::ChannelIndex;
use crate::ids::NodeIndex;

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

/// A reading put in its band.
#[derive(Clone, Debug)]
pub struct Observed {
    /// Its table.
    pub table: String,
    /// Which band or outcome.
    pub place: usize,
    /// What was read, and of what.
    pub reading: Reading,
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
    /// assert!(Job::parse("[[reading]]\nvalu = 60.5").unwrap_err().to_string().contains("valu"));
    /// ```
    pub fn parse(text: &str) -> Result<Job, JobError> {
        let job: Job = toml::from_str(text).map_err(|error| JobError::Form(error.to_string()))?;
        Ok(Job { text: text.to_owned(), ..job })
    }

    /// The readings in their bands, against what an analysis knows.
    ///
    /// # Errors
    /// Where a reading is not known, lacks its value, or names what the capture has not; with its
    /// line.
    pub fn observed(
        &self,
        analysis: &Analysis,
        knowledge: &Knowledge,
    ) -> Result<Vec<Observed>, JobError> {
        self.reading.iter().map(|entry| self.observe(entry, analysis, knowledge)).collect()
    }

    /// What was done, each with what it was done to.
    pub fn done(&self, analysis: &Analysis) -> Vec<(Subject, &Done)> {
        let about = |done: &Done| match &done.node {
            Some(name) => named(analysis, name),
            None => Subject::Vehicle,
        };
        self.done.iter().map(|done| (about(done), done)).collect()
    }

    fn line(&self, at: usize) -> usize {
        self.text[..at.min(self.text.len())].matches('\n').count() + 1
    }

    fn observe(
        &self,
        entry: &Entry,
        analysis: &Analysis,
        knowledge: &Knowledge,
    ) -> Result<Observed, JobError> {
        let name = entry.what.get_ref();
        let Some(table) = knowledge.reading.get(name) else {
            let known = knowledge.reading.keys().cloned().collect();
            return self.wrong(&entry.what, Problem::UnknownReading { what: name.clone(), known });
        };
        let (place, value) = self.value(entry, table)?;
        let reading = Reading {
            text: table.text.clone(),
            source: table.source.clone(),
            subject: self.subject(entry, table.at, analysis)?,
            value,
            at: entry.at.clone(),
            note: entry.note.clone(),
        };
        Ok(Observed { table: name.clone(), place, reading })
    }

    fn wrong<T, U>(&self, at: &Spanned<T>, problem: Problem) -> Result<U, JobError> {
        Err(JobError::AtLine { line: self.line(at.span().start), problem })
    }

    /// In which band or outcome of its table a reading lies, and its value.
    fn value(
        &self,
        entry: &Entry,
        table: &knowledge::Reading,
    ) -> Result<(usize, ReadingValue), JobError> {
        let what = entry.what.get_ref().clone();
        match (&entry.value, &entry.result) {
            (Some(value), _) if !table.bands.is_empty() => {
                let number = *value.get_ref();
                if !number.is_finite() || number < 0.0 {
                    return self.wrong(value, Problem::NoQuantity { what, number });
                }
                let in_it = |band: &knowledge::Band| number <= band.to;
                let place = table.bands.iter().position(in_it).unwrap_or(table.bands.len() - 1);
                let (unit, band) = (table.unit.clone(), table.bands[place].name.clone());
                Ok((place, ReadingValue::Measured { number, unit, band }))
            }
            (_, Some(result)) if !table.outcomes.is_empty() => {
                let outcome = result.get_ref();
                match table.outcomes.iter().position(|known| known == outcome) {
                    Some(place) => Ok((place, ReadingValue::Outcome(outcome.clone()))),
                    None => {
                        let known = table.outcomes.clone();
                        let unknown = Problem::UnknownResult { result: outcome.clone(), known };
                        self.wrong(result, unknown)
                    }
                }
            }
            _ if table.bands.is_empty() => {
                let known = table.outcomes.clone();
                self.wrong(&entry.what, Problem::NeedsResult { what, known })
            }
            _ => self.wrong(&entry.what, Problem::NeedsValue { what }),
        }
    }

    fn subject(
        &self,
        entry: &Entry,
        level: Level,
        analysis: &Analysis,
    ) -> Result<Subject, JobError> {
        let what = || entry.what.get_ref().clone();
        match (level, &entry.node, &entry.channel) {
            (Level::Vehicle, ..) => Ok(Subject::Vehicle),
            (Level::Channel, _, Some(channel)) => {
                let name = channel.get_ref();
                match analysis.channels.iter().position(|channel| channel.name == *name) {
                    Some(at) => Ok(Subject::Channel(at as ChannelIndex)),
                    None => {
                        let known =
                            analysis.channels.iter().map(|channel| channel.name.clone()).collect();
                        let unknown = Problem::UnknownChannel { channel: name.clone(), known };
                        self.wrong(channel, unknown)
                    }
                }
            }
            (Level::Channel, _, None) if analysis.channels.len() == 1 => Ok(Subject::Channel(0)),
            (Level::Channel, ..) => self.wrong(&entry.what, Problem::NeedsChannel { what: what() }),
            (_, Some(name), _) => Ok(named(analysis, name.get_ref())),
            _ => self.wrong(&entry.what, Problem::NeedsNode { what: what() }),
        }
    }
}

/// What a name of a job file stands for: a node, or a module that a tester speaks to, by the name
/// that the report gives it; a node by words that are in its name and in no other's; or a module
/// that codes name.
fn named(analysis: &Analysis, name: &str) -> Subject {
    let nodes = || (0..analysis.nodes.len()).map(NodeIndex);
    if let Some(node) =
        nodes().find(|at| analysis.nodes[*at].name == name || analysis.node_name(*at) == name)
    {
        return Subject::Node(node);
    }
    let diagnosis = &analysis.diagnosis;
    let mut modules = diagnosis
        .talks
        .iter()
        .map(|talk| talk.module)
        .chain(diagnosis.codes.iter().map(|code| code.module))
        .chain(diagnosis.identity.iter().map(|entry| entry.module));
    if let Some(module) = modules.find(|module| analysis.module_name(*module).to_string() == name) {
        let node = analysis.node_of(module);
        return node.map_or(Subject::Module(Unheard::Asked(module)), Subject::Node);
    }
    let like: Vec<NodeIndex> =
        nodes().filter(|at| has_words_of(&analysis.nodes[*at].name, name)).collect();
    if let [node] = like[..] {
        return Subject::Node(node);
    }
    let missed = diagnosis.blame.iter().map(|row| &row.missed).find(|missed| missed.0 == name);
    Subject::Module(match missed {
        Some(missed) => Unheard::Missed(missed.clone()),
        None => Unheard::Named(name.to_owned()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::Node;

    /// A reading for one door is none for another door.
    #[test]
    fn a_name_is_a_node_only_by_all_its_words() {
        let node = |name: &str| Node {
            name: name.to_owned(),
            channel: 0,
            ids: Vec::new(),
            never_heard: Vec::new(),
            basis: Vec::new(),
            confidence: 1.0,
            heard: true,
        };
        let nodes = vec![node("engine"), node("sliding door")];
        let analysis = Analysis { nodes, ..Analysis::default() };
        assert_eq!(named(&analysis, "sliding door"), Subject::Node(NodeIndex(1)));
        assert_eq!(named(&analysis, "door"), Subject::Node(NodeIndex(1)));
        let other = "passenger door";
        let unknown = Subject::Module(Unheard::Named(other.to_owned()));
        assert_eq!(named(&analysis, other), unknown);
    }
}
