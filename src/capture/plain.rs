//! Text from outside that people read: what is not printed could steer a terminal, break a line or
//! turn the direction of writing.

use std::borrow::Cow;
use std::fmt::Write as _;

/// Whether a character is not printed: a control character, one that has no width, or one that
/// turns the direction of writing (Unicode 16.0, 23.1 and 23.2; UAX #9, 2).
pub(crate) fn is_unprinted(character: char) -> bool {
    character.is_control()
        || matches!(
            character,
            '\u{061C}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}'
                | '\u{2060}'..='\u{206F}' | '\u{FEFF}' | '\u{FFF9}'..='\u{FFFB}'
        )
}

/// Whether a text holds such a character.
pub(crate) fn has_unprinted(text: &str) -> bool {
    text.contains(is_unprinted)
}

/// A text whose unprinted characters are written as numbers: the name of a file, or what a file
/// said of itself.
pub(crate) fn plain(text: &str) -> Cow<'_, str> {
    escaped(text, |_| false)
}

/// The same of several lines.
pub(crate) fn plain_lines(text: &str) -> Cow<'_, str> {
    escaped(text, |character| matches!(character, '\n' | '\t'))
}

fn escaped(text: &str, stays: impl Fn(char) -> bool) -> Cow<'_, str> {
    let turns = |character: char| is_unprinted(character) && !stays(character);
    if !text.contains(turns) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 8);
    for character in text.chars() {
        match turns(character) {
            true => out.extend(character.escape_unicode()),
            false => out.push(character),
        }
    }
    Cow::Owned(out)
}

/// The first string of a TOML document that holds an unprinted character, as it may be shown.
/// `None` too where it is no TOML: its reader says what is wrong.
pub(crate) fn unprinted_in_toml(text: &str) -> Option<String> {
    fn of_table(table: &toml::Table) -> Option<String> {
        let key = |(key, value): (&String, &toml::Value)| of_text(key).or_else(|| of_value(value));
        table.iter().find_map(key)
    }
    fn of_text(text: &str) -> Option<String> {
        // A text of several lines is none of a name, and allowed.
        let shown = plain_lines(text);
        matches!(shown, Cow::Owned(_)).then(|| shown.into_owned())
    }
    fn of_value(value: &toml::Value) -> Option<String> {
        match value {
            toml::Value::String(text) => of_text(text),
            toml::Value::Array(values) => values.iter().find_map(of_value),
            toml::Value::Table(table) => of_table(table),
            _ => None,
        }
    }
    of_table(&text.parse().ok()?)
}

/// XML without unprinted characters, also where they are written as numbers (XML 1.0, 4.1). Who
/// wrote a system description is no longer there to be asked for another.
pub(crate) fn printed_xml(text: &str) -> Cow<'_, str> {
    let drops = |character: char| is_unprinted(character) && !"\n\r\t".contains(character);
    if !text.contains(drops) && !text.contains("&#") {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len());
    let mut parts = text.split("&#");
    out.extend(parts.next().unwrap_or_default().chars().filter(|own| !drops(*own)));
    for part in parts {
        let (number, rest) = part.split_once(';').unwrap_or(("", part));
        let code = match number.strip_prefix('x') {
            Some(digits) => u32::from_str_radix(digits, 16),
            None => number.parse(),
        };
        let rest = match code.ok().and_then(char::from_u32) {
            Some(character) if drops(character) => rest,
            _ => {
                let _ = write!(out, "&#");
                part
            }
        };
        out.extend(rest.chars().filter(|own| !drops(*own)));
    }
    Cow::Owned(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_printed_is_written_as_a_number() {
        assert_eq!(plain("Tür, \"links\" \\ u\u{308}.log"), "Tür, \"links\" \\ u\u{308}.log");
        assert_eq!(plain("e\u{1b}[2J\u{202e}x"), "e\\u{1b}[2J\\u{202e}x");
        assert_eq!(plain_lines("a\n\tb\u{9b}"), "a\n\tb\\u{9b}");
        let told = unprinted_in_toml("[[node]]\nname = \"a\\u001B[2J\"");
        assert_eq!(told.as_deref(), Some("a\\u{1b}[2J"));
        assert_eq!(unprinted_in_toml("# \u{202e}\nname = \"a\""), None);
        let xml = "<a>b&#x202E;c&#8238;d&#65;\u{200b}&#x;e&amp;</a>";
        assert_eq!(printed_xml(xml), "<a>bcd&#65;&#x;e&amp;</a>");
    }
}
