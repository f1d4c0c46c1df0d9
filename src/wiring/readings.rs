//! Readings at elements, from a job file.

use super::table::{Elements, Reading};
use crate::analysis::Analysis;
use crate::analysis::element::{Element, Taken};
use crate::analysis::finding::{ReadingValue, SupplySide};
use crate::fault::{AtElement, Job, JobError, JobProblem};

/// The readings at elements, each with how many times likelier it is where the element has the
/// fault than where it has not.
///
/// # Errors
/// Where a reading names what is not there, with its line.
pub fn taken(job: &Job, elements: &[Element]) -> Result<Vec<Taken>, JobError> {
    job.at_elements().map(|own| one(&own, elements)).collect()
}

/// What was moved by hand while losses followed, where a mark that stands out names an element.
pub fn marked(analysis: &Analysis, elements: &[Element]) -> Vec<Taken> {
    let Some(table) = Elements::built_in().reading.get("moved") else { return Vec::new() };
    let marks = analysis.marks.iter().filter(|mark| mark.stands_out());
    let named = marks.flat_map(|mark| {
        let text = mark.text.to_lowercase();
        let own =
            move |(_, element): &(usize, &Element)| text.contains(&element.name.to_lowercase());
        elements.iter().enumerate().filter(own).map(move |(at, _)| (at, mark))
    });
    let taken = named.map(|(element, mark)| Taken {
        element,
        text: table.text.clone(),
        value: ReadingValue::Outcome(table.outcomes[0].clone()),
        ratio: table.faulty[0] / table.sound[0],
        marked: true,
        at: Some(mark.text.clone()),
        note: None,
    });
    taken.collect()
}

fn one(own: &AtElement<'_>, elements: &[Element]) -> Result<Taken, JobError> {
    let wrong = |problem| JobError::AtLine { line: own.line, problem };
    let Some(element) = elements.iter().position(|other| other.name == own.element) else {
        let known = elements.iter().map(|own| own.name.clone()).collect();
        return Err(wrong(JobProblem::UnknownElement { element: own.element.to_owned(), known }));
    };
    let tables = &Elements::built_in().reading;
    let what = || own.what.to_owned();
    let Some(table) = tables.get(own.what) else {
        let known = tables.keys().cloned().collect();
        return Err(wrong(JobProblem::UnknownReading { what: what(), known }));
    };
    let carries = elements[element].carries;
    let carried = match table.side {
        Some(SupplySide::Supply) => carries.supply,
        Some(SupplySide::Ground) => carries.ground,
        None => true,
    };
    if !carried {
        let element = own.element.to_owned();
        return Err(wrong(JobProblem::NotCarried { what: what(), element }));
    }
    let (place, value) = value(own, table).map_err(wrong)?;
    Ok(Taken {
        element,
        text: table.text.clone(),
        value,
        ratio: table.faulty[place] / table.sound[place],
        marked: false,
        at: own.at.map(str::to_owned),
        note: own.note.map(str::to_owned),
    })
}

fn value(own: &AtElement<'_>, table: &Reading) -> Result<(usize, ReadingValue), JobProblem> {
    let what = || own.what.to_owned();
    if table.bands.is_empty() {
        let known = || table.outcomes.clone();
        let result = own.result.ok_or(JobProblem::NeedsResult { what: what(), known: known() })?;
        let place = table.outcomes.iter().position(|known| known == result);
        let unknown = JobProblem::UnknownResult { result: result.to_owned(), known: known() };
        return Ok((place.ok_or(unknown)?, ReadingValue::Outcome(result.to_owned())));
    }
    let number = own.value.ok_or(JobProblem::NeedsValue { what: what() })?;
    if !number.is_finite() || number < 0.0 {
        return Err(JobProblem::NoQuantity { what: what(), number });
    }
    let within = table.bands.iter().position(|band| number <= band.to);
    let place = within.unwrap_or(table.bands.len() - 1);
    let (unit, band) = (table.unit.clone(), table.bands[place].name.clone());
    Ok((place, ReadingValue::Measured { number, unit, band }))
}
