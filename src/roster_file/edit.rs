//! Changes a roster file as a person would: what is not touched, comments among it, stays as it
//! was written.

use lostnode_parsers::Id;
use lostnode_parsers::frame::parse_id;
use toml_edit::{Array, ArrayOfTables, DocumentMut, Item, Table, Value};

use super::write::NOT_KNOWN;
use super::{Answering, ExpectedMessage, RosterError, RosterFile, Twice};
use crate::ids::RosterIndex;

/// What to write of a node whose name is known now.
#[derive(Clone, Debug, PartialEq)]
pub struct Edit {
    /// The node of the file that it is; `None` where it is to be a new one.
    pub node: Option<RosterIndex>,
    /// Its name.
    pub name: String,
    /// Its channel, as the file calls it.
    pub channel: String,
    /// That its identifiers have one sender is still a guess.
    pub guessed: bool,
    /// Identifiers of its own that stand elsewhere in the file, as messages or events.
    pub move_in: Vec<Id>,
    /// Messages of its own that the file does not have.
    pub add: Vec<ExpectedMessage>,
    /// What it answers a tester by.
    pub answers: Vec<Answering>,
    /// What codes of others call it.
    pub missed_as: Vec<String>,
}

/// The text of a roster file with these changes.
///
/// # Errors
/// Where it is no roster, or is written in a form that cannot be changed so (`node = [{…}]`).
pub fn edited(text: &str, edits: &[Edit]) -> Result<String, RosterError> {
    let form = |error: toml_edit::TomlError| RosterError::Form(error.to_string());
    let mut document: DocumentMut = text.parse().map_err(form)?;
    for edit in edits {
        apply(&mut document, edit).ok_or(RosterError::CannotBeChanged)?;
    }
    without_empty(&mut document);
    let out = document.to_string();
    // What stood twice before is the user's; what would from now on is a wrong change.
    let before = RosterFile::parse(text)?.twice;
    let is_old = |own: &Twice| before.iter().any(|old| old.what == own.what);
    match RosterFile::parse(&out)?.twice.into_iter().find(|own| !is_old(own)) {
        Some(new) => Err(RosterError::Twice(new)),
        None => Ok(out),
    }
}

fn apply(document: &mut DocumentMut, edit: &Edit) -> Option<()> {
    let moved = take(document, &edit.channel, &edit.move_in)?;
    let nodes = document.entry("node").or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
    let nodes = nodes.as_array_of_tables_mut()?;
    let at = match edit.node {
        Some(node) => node.0,
        None => {
            let mut table = Table::new();
            table.insert("channel", string(&edit.channel));
            nodes.push(table);
            nodes.len() - 1
        }
    };
    let node = nodes.get_mut(at)?;
    rename(node, &edit.name)?;
    mark(node, edit.guessed);
    for Moved { value, event } in moved {
        let list = list_of(node, if event { "events" } else { "messages" })?;
        list.push_formatted(value);
    }
    for message in &edit.add {
        let mut line = String::new();
        message.write(&mut line);
        let value: Value = line.trim().trim_end_matches(',').parse().ok()?;
        list_of(node, "messages")?.push_formatted(value.decorated("\n  ", ""));
    }
    if let Some(messages) = node.get_mut("messages") {
        end_each_line(messages.as_array_mut()?);
    }
    let answers = edit.answers.iter().map(Answering::to_string).collect();
    for (key, list) in [("answers", answers), ("missed_as", edit.missed_as.clone())] {
        for text in list {
            let own = list_of(node, key)?;
            if !own.iter().any(|value| value.as_str() == Some(&text)) {
                own.push(text);
            }
        }
    }
    Some(())
}

fn string(text: &str) -> Item {
    Item::Value(Value::from(text))
}

/// Sets the name in its place, and leaves what is written around it.
fn rename(node: &mut Table, name: &str) -> Option<()> {
    let Some(item) = node.get_mut("name") else {
        node.insert("name", string(name));
        // The name stands first.
        node.sort_values_by(|a, _, b, _| (a.get() != "name").cmp(&(b.get() != "name")));
        return Some(());
    };
    let own = item.as_value_mut()?;
    if own.as_str() != Some(name) {
        let decor = own.decor().clone();
        *own = Value::from(name);
        *own.decor_mut() = decor;
    }
    Some(())
}

/// Says whether the node is a guess. Where somebody wrote a comment beside that, the line stays.
fn mark(node: &mut Table, guessed: bool) {
    let commented = |text: Option<&str>| text.is_some_and(|text| text.contains('#'));
    let above = node.key("guessed").and_then(|key| key.leaf_decor().prefix());
    let above = commented(above.and_then(|text| text.as_str()));
    match node.get_mut("guessed").and_then(Item::as_value_mut) {
        None if guessed => {
            node.insert("guessed", Item::Value(Value::from(true)));
        }
        None => {}
        Some(own) => {
            let decor = own.decor().clone();
            let behind = commented(decor.suffix().and_then(|text| text.as_str()));
            if guessed || above || behind {
                *own = Value::from(guessed);
                *own.decor_mut() = decor;
            } else {
                node.remove("guessed");
            }
        }
    }
}

fn list_of<'t>(node: &'t mut Table, key: &str) -> Option<&'t mut Array> {
    node.entry(key).or_insert(Item::Value(Value::Array(Array::new()))).as_array_mut()
}

/// The messages each on a line of its own, the bracket below them.
fn end_each_line(list: &mut Array) {
    for value in list.iter_mut() {
        if value.decor().prefix().and_then(|prefix| prefix.as_str()).is_none_or(str::is_empty) {
            value.decor_mut().set_prefix("\n  ");
        }
    }
    if !list.trailing().as_str().is_some_and(|text| text.contains('\n')) {
        list.set_trailing("\n");
    }
    list.set_trailing_comma(true);
}

/// A message that is to go to another place, or an identifier of events.
struct Moved {
    value: Value,
    event: bool,
}

/// Takes identifiers of a channel out of the lists in which they stand.
fn take(document: &mut DocumentMut, channel: &str, ids: &[Id]) -> Option<Vec<Moved>> {
    let mut out = Vec::new();
    for (kind, keys) in [("node", &["messages", "events"][..]), ("lone", &["messages"][..])] {
        let Some(item) = document.get_mut(kind) else { continue };
        for table in item.as_array_of_tables_mut()?.iter_mut() {
            if table.get("channel").and_then(Item::as_str) != Some(channel) {
                continue;
            }
            for key in keys {
                let Some(item) = table.get_mut(key) else { continue };
                take_from(item.as_array_mut()?, ids, *key == "events", &mut out);
            }
        }
    }
    Some(out)
}

fn take_from(list: &mut Array, ids: &[Id], event: bool, out: &mut Vec<Moved>) {
    let mut at = 0;
    while let Some(value) = list.get(at) {
        let text = match value {
            Value::InlineTable(table) => table.get("id").and_then(Value::as_str),
            other => other.as_str(),
        };
        let id = text.and_then(|text| text.strip_prefix("0x")).and_then(parse_id);
        if id.is_some_and(|id| ids.contains(&id)) {
            out.push(Moved { value: list.remove(at), event });
        } else {
            at += 1;
        }
    }
}

/// Drops what has nothing left in it: nodes that were a guess, and lists of messages without a
/// sender. What a person has written a comment on stays.
fn without_empty(document: &mut DocumentMut) {
    let is_empty = |table: &Table| {
        let none = |key| table.get(key).and_then(Item::as_array).is_none_or(Array::is_empty);
        none("messages") && none("events")
    };
    let is_ours = |table: &Table| {
        let text = table.decor().prefix().and_then(|prefix| prefix.as_str()).unwrap_or_default();
        let comments = text.lines().filter(|line| line.trim_start().starts_with('#'));
        comments.into_iter().all(|line| line.trim() == NOT_KNOWN)
            && !table.to_string().contains('#')
    };
    let guessed = |table: &Table| table.get("guessed").and_then(Item::as_bool) == Some(true);
    for (kind, only_guessed) in [("node", true), ("lone", false)] {
        if let Some(tables) = document.get_mut(kind).and_then(Item::as_array_of_tables_mut) {
            let goes = |table: &Table| {
                is_empty(table) && is_ours(table) && (!only_guessed || guessed(table))
            };
            tables.retain(|table| !goes(table));
        }
    }
}
