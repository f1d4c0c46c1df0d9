//! Readings that come back in: what was measured, tried and done on the vehicle, from a job file.

use lostnode_parsers::Id;
use lostnode_parsers::frame::parse_id;
use serde::Deserialize;
use toml::Spanned;

use super::job_error::{JobError, Problem};
use super::knowledge::{self, Knowledge};
use crate::analysis::Analysis;
use crate::analysis::blame::has_words_of;
use crate::analysis::finding::{Done, JobNotes, Reading, ReadingValue};
use crate::analysis::subject::{Level, Subject, Unheard};
use crate::capture::ChannelIndex;
use crate::fold::diagnostics::{Module, supply};
use crate::ids::{IdIndex, NodeIndex};

/// A job file, as written.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Job {
    /// What it is, for the reader.
    pub title: Option<String>,
    /// Which vehicle, for the reader.
    pub vehicle: Option<String>,
    /// Nominal volts of the supply, 12 or 24; from the capture and the readings where not given.
    system_volts: Option<Spanned<f64>>,
    /// Measurements and trials.
    #[serde(default)]
    reading: Vec<Entry>,
    /// What was cleaned, repaired, replaced, configured or cleared.
    #[serde(default)]
    done: Vec<DoneEntry>,
    #[serde(skip)]
    text: String,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    what: Spanned<String>,
    node: Option<Spanned<String>>,
    channel: Option<Spanned<String>>,
    element: Option<Spanned<String>>,
    value: Option<Spanned<f64>>,
    result: Option<Spanned<String>>,
    at: Option<String>,
    note: Option<String>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DoneEntry {
    what: Spanned<String>,
    node: Option<Spanned<String>>,
    at: Option<String>,
    note: Option<String>,
}

impl DoneEntry {
    fn done(&self) -> Done {
        Done {
            what: self.what.get_ref().clone(),
            node: self.node.as_ref().map(|node| node.get_ref().clone()),
            at: self.at.clone(),
            note: self.note.clone(),
        }
    }
}

/// A reading that was taken, put in its band.
#[derive(Clone, Debug)]
pub struct ReadingTaken {
    /// Its table.
    pub table: String,
    /// Which band or outcome.
    pub place: usize,
    /// What was read, and of what.
    pub reading: Reading,
}

/// A reading at a part of the harness, as written.
#[derive(Clone, Copy, Debug)]
pub struct AtElement<'a> {
    /// Line of the job file, from 1.
    pub line: usize,
    /// The element, by its name in the wiring file.
    pub element: &'a str,
    /// What was measured or looked at.
    pub what: &'a str,
    /// The number.
    pub value: Option<f64>,
    /// The outcome.
    pub result: Option<&'a str>,
    /// When and where, in the user's words.
    pub at: Option<&'a str>,
    /// More of the user's words.
    pub note: Option<&'a str>,
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
        let job = Job { text: text.to_owned(), ..job };
        for entry in &job.done {
            if !Done::KNOWN.contains(&entry.what.get_ref().as_str()) {
                let known = Done::KNOWN.map(str::to_owned).to_vec();
                let what = entry.what.get_ref().clone();
                return job.wrong(&entry.what, Problem::UnknownDone { what, known });
            }
        }
        match &job.system_volts {
            Some(volts) if ![12.0, 24.0].contains(volts.get_ref()) => {
                job.wrong(volts, Problem::NoSystem(*volts.get_ref()))
            }
            _ => Ok(job),
        }
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
    ) -> Result<Vec<ReadingTaken>, JobError> {
        for node in self.done.iter().filter_map(|entry| entry.node.as_ref()) {
            self.named(node, analysis)?;
        }
        let scale = self.scale(analysis, knowledge);
        let observe = |entry| self.observe(entry, scale, analysis, knowledge);
        let of_modules = self.reading.iter().filter(|entry| entry.element.is_none());
        of_modules.map(observe).collect()
    }

    /// Readings at parts of the harness; `wiring` knows their names and tables.
    pub fn at_elements(&self) -> impl Iterator<Item = AtElement<'_>> {
        self.reading.iter().filter_map(|entry| {
            let element = entry.element.as_ref()?;
            Some(AtElement {
                line: self.line(element.span().start),
                element: element.get_ref(),
                what: entry.what.get_ref(),
                value: entry.value.as_ref().map(|value| *value.get_ref()),
                result: entry.result.as_ref().map(|result| result.get_ref().as_str()),
                at: entry.at.as_deref(),
                note: entry.note.as_deref(),
            })
        })
    }

    /// What was done, each with what it was done to.
    pub fn done(&self, analysis: &Analysis) -> Vec<(Subject, Done)> {
        let about = |entry: &DoneEntry| match &entry.node {
            Some(name) => named(analysis, name.get_ref()).unwrap_or(Subject::Vehicle),
            None => Subject::Vehicle,
        };
        self.done.iter().map(|entry| (about(entry), entry.done())).collect()
    }

    /// What heads the report.
    pub fn notes(&self, observed: &[ReadingTaken]) -> JobNotes {
        JobNotes {
            title: self.title.clone(),
            vehicle: self.vehicle.clone(),
            readings: observed.iter().map(|observed| observed.reading.clone()).collect(),
            done: self.done.iter().map(DoneEntry::done).collect(),
        }
    }

    /// By how much limits of the supply are larger than those of a 12 V system. Where the job does
    /// not say, a supply above 18 V, told on the bus or measured, is one of 24 V.
    fn scale(&self, analysis: &Analysis, knowledge: &Knowledge) -> f64 {
        if let Some(volts) = &self.system_volts {
            return volts.get_ref() / 12.0;
        }
        let scales = |entry: &&Entry| {
            knowledge.reading.get(entry.what.get_ref()).is_some_and(|table| table.scales)
        };
        let measured = self.reading.iter().filter(scales).filter_map(|entry| entry.value.as_ref());
        let told = analysis.diagnosis.vehicle.supply.as_ref().map(|supply| supply.max);
        let most = measured.map(|value| *value.get_ref()).chain(told).fold(0.0, f64::max);
        if supply::is_double(most) { 2.0 } else { 1.0 }
    }

    fn named(&self, name: &Spanned<String>, analysis: &Analysis) -> Result<Subject, JobError> {
        named(analysis, name.get_ref()).map_or_else(
            || {
                let (node, known) = (name.get_ref().clone(), known(analysis));
                self.wrong(name, Problem::UnknownNode { node, known })
            },
            Ok,
        )
    }

    fn line(&self, at: usize) -> usize {
        self.text[..at.min(self.text.len())].matches('\n').count() + 1
    }

    fn observe(
        &self,
        entry: &Entry,
        scale: f64,
        analysis: &Analysis,
        knowledge: &Knowledge,
    ) -> Result<ReadingTaken, JobError> {
        let name = entry.what.get_ref();
        let Some(table) = knowledge.reading.get(name) else {
            let known = knowledge.reading.keys().cloned().collect();
            return self.wrong(&entry.what, Problem::UnknownReading { what: name.clone(), known });
        };
        let scale = if table.scales { scale } else { 1.0 };
        let (place, value) = self.value(entry, table, scale)?;
        let reading = Reading {
            text: table.text.clone(),
            source: table.source.clone(),
            subject: self.subject(entry, table.at, analysis)?,
            culprit: table.culprit.as_ref().is_some_and(|own| value.is(own)),
            value,
            one_sided: table.side.map(|side| table.one_sided(side, place)),
            at: entry.at.clone(),
            note: entry.note.clone(),
        };
        Ok(ReadingTaken { table: name.clone(), place, reading })
    }

    fn wrong<T, U>(&self, at: &Spanned<T>, problem: Problem) -> Result<U, JobError> {
        Err(JobError::AtLine { line: self.line(at.span().start), problem })
    }

    /// In which band or outcome of its table a reading lies, and its value.
    fn value(
        &self,
        entry: &Entry,
        table: &knowledge::Reading,
        scale: f64,
    ) -> Result<(usize, ReadingValue), JobError> {
        let what = entry.what.get_ref().clone();
        match (&entry.value, &entry.result) {
            (Some(value), _) if !table.bands.is_empty() => {
                let number = *value.get_ref();
                if !number.is_finite() || number < 0.0 {
                    return self.wrong(value, Problem::NoQuantity { what, number });
                }
                let in_it = |band: &knowledge::Band| number <= band.to * scale;
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
            (_, Some(name), _) => self.named(name, analysis),
            _ => self.wrong(&entry.what, Problem::NeedsNode { what: what() }),
        }
    }
}

/// What a name of a job file stands for: a node, or a module that a tester speaks to, by the name
/// that the report gives it or by an identifier that it sends; a node by words that are in its name
/// and in no other's; or a module that codes name.
pub(crate) fn named(analysis: &Analysis, name: &str) -> Option<Subject> {
    let nodes = || (0..analysis.nodes.len()).map(NodeIndex);
    if let Some(node) =
        nodes().find(|at| analysis.nodes[*at].name == name || analysis.node_name(*at) == name)
    {
        return Some(Subject::Node(node));
    }
    let called = |module: &Module| analysis.module_name(*module).to_string() == name;
    if let Some(module) = modules(analysis).find(called) {
        let node = analysis.node_of(module);
        return Some(node.map_or(Subject::Module(Unheard::Asked(module)), Subject::Node));
    }
    // `node of 0x3B0` is its name where nobody has given it another.
    let digits = name.trim_start_matches("node of ").trim_start_matches("0x");
    let sent = |id: Id| analysis.identifiers.iter().position(|own| own.id == id).map(IdIndex);
    if let Some(at) = parse_id(digits).and_then(sent) {
        let sender = analysis.identifiers[at].node;
        return Some(sender.map_or(Subject::Sender(at), Subject::Node));
    }
    let like: Vec<NodeIndex> =
        nodes().filter(|at| has_words_of(&analysis.nodes[*at].name, name)).collect();
    if let [node] = like[..] {
        return Some(Subject::Node(node));
    }
    let missed = analysis.diagnosis.blame.iter().map(|row| &row.missed);
    let missed = missed.into_iter().find(|missed| missed.0 == name)?;
    Some(Subject::Module(Unheard::Missed(missed.clone())))
}

fn modules(analysis: &Analysis) -> impl Iterator<Item = Module> {
    let diagnosis = &analysis.diagnosis;
    let talks = diagnosis.talks.iter().map(|talk| talk.module);
    talks
        .chain(diagnosis.codes.iter().map(|code| code.module))
        .chain(diagnosis.identity.iter().map(|entry| entry.module))
}

/// The names that a job file can use: of nodes, of modules that a tester speaks to, and of those
/// that codes name.
pub(crate) fn known(analysis: &Analysis) -> Vec<String> {
    let nodes = (0..analysis.nodes.len()).map(|at| analysis.node_name(NodeIndex(at)));
    let modules = modules(analysis).map(|module| analysis.module_name(module).to_string());
    let missed = analysis.diagnosis.blame.iter().map(|row| row.missed.0.clone());
    let mut out: Vec<String> = Vec::new();
    for name in nodes.chain(modules).chain(missed) {
        if !out.contains(&name) {
            out.push(name);
        }
    }
    out
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
            confidence: 1.0,
            several: None,
            heard: true,
            ..Node::default()
        };
        let nodes = vec![node("engine"), node("sliding door")];
        let analysis = Analysis { nodes, ..Analysis::default() };
        assert_eq!(named(&analysis, "sliding door"), Some(Subject::Node(NodeIndex(1))));
        assert_eq!(named(&analysis, "door"), Some(Subject::Node(NodeIndex(1))));
        assert_eq!(named(&analysis, "passenger door"), None);
    }
}
