//! Reads and checks a wiring file.

use std::collections::HashMap;

use serde::Deserialize;
use toml::Spanned;

use super::{Carries, Element, ElementKind, Named, Problem, WiringError, WiringFile, kbl};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileToml {
    #[serde(default)]
    element: Vec<ElementToml>,
}

/// An element as it is written, in a wiring file or in a roster file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ElementToml {
    name: Spanned<String>,
    kind: Spanned<String>,
    carries: Option<Spanned<Vec<Spanned<String>>>>,
    feeds: Option<Spanned<Vec<Spanned<String>>>>,
    beyond: Option<Spanned<Vec<Spanned<String>>>>,
    access: Option<String>,
    minutes: Option<Spanned<f64>>,
}

/// Checks with the text at hand, so that errors name lines.
struct Check<'a> {
    text: &'a str,
    seen: HashMap<String, usize>,
}

impl Check<'_> {
    fn wrong<T>(&self, at: usize, problem: Problem) -> Result<T, WiringError> {
        Err(WiringError::AtLine { line: self.line(at), problem })
    }

    fn line(&self, at: usize) -> usize {
        self.text[..at.min(self.text.len())].matches('\n').count() + 1
    }

    fn element(&mut self, element: &ElementToml) -> Result<Element, WiringError> {
        let (name, at) = (element.name.get_ref().trim(), element.name.span().start);
        if name.is_empty() {
            return self.wrong(at, Problem::NameEmpty);
        }
        let line = self.line(at);
        if let Some(first) = self.seen.insert(name.to_owned(), line) {
            return self.wrong(at, Problem::Twice { name: name.to_owned(), first });
        }
        let written = element.kind.get_ref();
        let Some(kind) = ElementKind::ALL.into_iter().find(|kind| kind.as_str() == written) else {
            return self.wrong(element.kind.span().start, Problem::UnknownKind(written.clone()));
        };
        let minutes = match &element.minutes {
            Some(minutes) if !(*minutes.get_ref() >= 0.0 && minutes.get_ref().is_finite()) => {
                let problem = Problem::NoMinutes(*minutes.get_ref());
                return self.wrong(minutes.span().start, problem);
            }
            minutes => minutes.as_ref().map(|minutes| *minutes.get_ref()),
        };
        Ok(Element {
            name: name.to_owned(),
            kind,
            carries: self.carries(element, kind)?,
            feeds: self.nodes(element, kind)?,
            access: element.access.clone(),
            minutes,
        })
    }

    fn carries(&self, element: &ElementToml, kind: ElementKind) -> Result<Carries, WiringError> {
        let said = match (&element.carries, kind.carries_what_it_says()) {
            (None, false) => return Ok(kind.carries()),
            (Some(said), false) => {
                return self.wrong(said.span().start, Problem::CarriesNeedless(kind));
            }
            (Some(said), true) if !said.get_ref().is_empty() => said,
            (_, true) => {
                let at = element.carries.as_ref().map_or(element.kind.span(), Spanned::span).start;
                return self.wrong(at, Problem::CarriesMissing(kind));
            }
        };
        let mut carries = Carries::default();
        for what in said.get_ref() {
            match what.get_ref().as_str() {
                "supply" => carries.supply = true,
                "ground" => carries.ground = true,
                "bus" => carries.bus = true,
                other => {
                    let problem = Problem::UnknownCarried(other.to_owned());
                    return self.wrong(what.span().start, problem);
                }
            }
        }
        Ok(carries)
    }

    fn nodes(&self, element: &ElementToml, kind: ElementKind) -> Result<Vec<Named>, WiringError> {
        let (key, own, other_key, other) = match kind {
            ElementKind::Trunk => ("beyond", &element.beyond, "feeds", &element.feeds),
            _ => ("feeds", &element.feeds, "beyond", &element.beyond),
        };
        if let Some(other) = other {
            let wrong = Problem::WrongKey { key: other_key, use_key: key, element: kind };
            return self.wrong(other.span().start, wrong);
        }
        let named = own.iter().flat_map(|own| own.get_ref()).map(|name| Named {
            name: name.get_ref().trim().to_owned(),
            line: self.line(name.span().start),
            also: Vec::new(),
        });
        let named: Vec<Named> = named.collect();
        // A termination is one of a bus, not of nodes.
        if named.is_empty() && kind != ElementKind::Terminator {
            let at = own.as_ref().map_or(element.kind.span(), Spanned::span).start;
            return self.wrong(at, Problem::NoNodes { key, element: kind });
        }
        Ok(named)
    }
}

impl WiringFile {
    /// Reads and checks a wiring file.
    ///
    /// # Errors
    /// The line and key that are wrong.
    ///
    /// ```
    /// use lostnode::wiring_file::WiringFile;
    /// let text = "[[element]]\nname = \"left step\"\nkind = \"grund\"\nfeeds = [\"door\"]";
    /// let error = WiringFile::parse(text).unwrap_err().to_string();
    /// assert!(error.starts_with("line 3: kind `grund` is not known; there are supply, fuse"));
    /// let file = WiringFile::parse(&text.replace("grund", "ground")).unwrap();
    /// assert_eq!(file.elements[0].feeds[0].name, "door");
    /// ```
    ///
    /// A harness description in KBL is read too, by what it begins with.
    pub fn parse(text: &str) -> Result<WiringFile, WiringError> {
        if kbl::is_xml(text) {
            return kbl::parse(text);
        }
        let file: FileToml =
            toml::from_str(text).map_err(|error| WiringError::Form(error.to_string()))?;
        WiringFile::checked(text, &file.element)
    }

    /// Checks elements that were read from `text`.
    pub(crate) fn checked(text: &str, elements: &[ElementToml]) -> Result<Self, WiringError> {
        let mut check = Check { text, seen: HashMap::new() };
        let elements = elements.iter().map(|element| check.element(element));
        Ok(WiringFile { elements: elements.collect::<Result<_, _>>()?, described: None })
    }
}
