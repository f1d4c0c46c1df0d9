//! A page of so many columns: no line on it is longer.

use std::io::{self, Write};

use textwrap::WordSplitter;

/// Fewest columns; what is narrower than this is no page.
const NARROWEST: usize = 40;
/// Most columns: longer lines are hard to read.
const WIDEST: usize = 120;

/// Writes lines, and wraps those that are too long under their own beginning.
pub(super) struct Paper<'a> {
    out: &'a mut dyn Write,
    /// Columns.
    pub width: usize,
    line: Vec<u8>,
}

/// What stands behind a number and belongs to it.
const UNITS: [&str; 7] = ["%", "s", "ms", "min", "h", "V", "kbit/s"];

/// The lines of a text; a number stays with its unit.
pub(super) fn wrap(text: &str, options: textwrap::Options<'_>) -> Vec<String> {
    let mut glued = String::with_capacity(text.len());
    for word in text.split(' ') {
        let bare = word.trim_end_matches([',', '.', ';', ':', ')']);
        let number = glued.ends_with(|end: char| end.is_ascii_digit());
        // As does `SPN 639 FMI 9`.
        let of_code = glued.ends_with("SPN") || glued.ends_with("FMI") || number && word == "FMI";
        let belongs = of_code || number && UNITS.contains(&bare);
        if !glued.is_empty() {
            glued.push(if belongs { '\u{a0}' } else { ' ' });
        }
        glued += word;
    }
    let glued = if text.starts_with(' ') { text } else { &glued };
    let options = options.word_splitter(WordSplitter::Custom(hyphens));
    textwrap::wrap(glued, options).iter().map(|line| line.replace('\u{a0}', " ")).collect()
}

/// Where a word may be parted: at its hyphens, unless it is a code or a number such as `U0151-87`.
fn hyphens(word: &str) -> Vec<usize> {
    match word.contains(|letter: char| letter.is_ascii_digit()) {
        true => Vec::new(),
        false => WordSplitter::HyphenSplitter.split_points(word),
    }
}

impl<'a> Paper<'a> {
    /// A page of about so many columns.
    pub fn new(out: &'a mut dyn Write, width: usize) -> Self {
        Paper { out, width: width.clamp(NARROWEST, WIDEST), line: Vec::new() }
    }

    /// Text with its own beginning for the first line and for the others.
    pub fn hanging(&mut self, text: &str, first: &str, next: &str) -> io::Result<()> {
        let options =
            textwrap::Options::new(self.width).initial_indent(first).subsequent_indent(next);
        for line in wrap(text, options) {
            writeln!(self.out, "{}", line.trim_end())?;
        }
        Ok(())
    }

    fn end_line(&mut self) -> io::Result<()> {
        let line = String::from_utf8_lossy(&std::mem::take(&mut self.line)).into_owned();
        if textwrap::core::display_width(&line) <= self.width {
            return writeln!(self.out, "{line}");
        }
        let text = line.trim_start_matches(' ');
        let indent = (line.len() - text.len()).min(self.width / 4);
        let (first, next) = (" ".repeat(indent), " ".repeat(indent + 2));
        self.hanging(text, &first, &next)
    }
}

impl Write for Paper<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        for part in bytes.split_inclusive(|byte| *byte == b'\n') {
            self.line.extend(part.strip_suffix(b"\n").unwrap_or(part));
            if part.ends_with(b"\n") {
                self.end_line()?;
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if !self.line.is_empty() {
            self.end_line()?;
        }
        self.out.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_line_is_wrapped_under_its_beginning() {
        let mut bytes = Vec::new();
        let mut paper = Paper::new(&mut bytes, 40);
        writeln!(paper, "  supply 9.60 to 14.20 V, least at 120.4 s, and more").unwrap();
        writeln!(paper, "short").unwrap();
        let text = String::from_utf8(bytes).unwrap();
        // A number stays with its unit.
        assert_eq!(text, "  supply 9.60 to 14.20 V, least at\n    120.4 s, and more\nshort\n");
    }

    #[test]
    fn a_code_is_never_parted() {
        let lines = |text| wrap(text, textwrap::Options::new(14));
        assert_eq!(lines("clears U0151-87 in"), ["clears", "U0151-87 in"]);
        assert_eq!(lines("a SPN 639 FMI 9"), ["a", "SPN 639 FMI 9"]);
        assert_eq!(lines("some high-voltage"), ["some high-", "voltage"]);
    }
}
