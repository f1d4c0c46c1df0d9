//! What is being done now, as somebody says it.

/// Letters that a mark may have.
pub const LONGEST: usize = 120;

/// The text of a mark without blanks around it; `None` where it is empty, too long, or has
/// characters that are no letters of any script and could move a cursor.
pub fn checked(text: &str) -> Option<String> {
    let text = text.trim();
    let fits = !text.is_empty() && text.chars().count() <= LONGEST;
    (fits && !text.chars().any(char::is_control)).then(|| text.to_owned())
}
