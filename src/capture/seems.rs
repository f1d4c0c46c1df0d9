//! What a file without frames seems to be, told by its first bytes and by the shape of its text, so
//! that whoever named it learns what to do. A guess in plain words, never a reason to read a file
//! otherwise.

use std::fmt;

/// First bytes that are looked at, once unpacked.
pub(super) const LOOKED_AT: usize = 4096;

/// What a file that holds no frames seems to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seems {
    /// An archive or packed in a way that is not unpacked here.
    Packed(&'static str),
    /// A text, a picture or a program for people or machines: nothing that holds traffic.
    Other(&'static str),
    /// A measurement file of the open standard ASAM MDF.
    Measurement,
    /// Text in two bytes a character.
    Utf16,
    /// A description of what frames mean.
    Description(&'static str),
    /// An AUTOSAR system description.
    Arxml,
    /// A roster.
    Roster,
    /// A scenario of `lostnode simulate`.
    Scenario,
    /// A job file.
    Job,
    /// Some other TOML.
    Toml,
    /// Something that lostnode wrote about a capture.
    OwnReport,
    /// What really happened in a simulated capture.
    OwnTruth,
    /// A table with a head.
    Table,
    /// Bytes that are no text and nothing known.
    Binary,
}

/// Where a mark stands, the mark, and what it is of. Each is fixed by the description of its
/// format: PKWARE APPNOTE 4.3.7, ISO 32000-1 7.5.2, ASAM MDF 4 (ID block), RFC 2083,
/// ISO/IEC 10918-1, POSIX.1 ustar, and so on.
const MARKS: [(usize, &[u8], Seems); 22] = [
    (0, b"MDF     ", Seems::Measurement),
    (0, b"UnFinMF ", Seems::Measurement),
    (0, b"PK\x03\x04", Seems::Packed("a ZIP archive")),
    (0, b"PK\x05\x06", Seems::Packed("an empty ZIP archive")),
    (0, b"7z\xBC\xAF\x27\x1C", Seems::Packed("a 7z archive")),
    (0, b"Rar!\x1A\x07", Seems::Packed("a RAR archive")),
    (0, b"\xFD7zXZ\0", Seems::Packed("packed with xz")),
    (0, b"BZh", Seems::Packed("packed with bzip2")),
    (0, b"\x04\x22\x4D\x18", Seems::Packed("packed with LZ4")),
    (0, b"\x1F\x8B", Seems::Packed("packed twice")),
    (0, b"\x28\xB5\x2F\xFD", Seems::Packed("packed twice")),
    (257, b"ustar", Seems::Packed("a tar archive")),
    (0, b"%PDF-", Seems::Other("a PDF document")),
    (0, b"\xD0\xCF\x11\xE0\xA1\xB1\x1A\xE1", Seems::Other("an office document")),
    (0, b"{\\rtf", Seems::Other("an office document")),
    (0, b"\x89PNG\r\n\x1A\n", Seems::Other("a picture")),
    (0, b"\xFF\xD8\xFF", Seems::Other("a picture")),
    (0, b"GIF8", Seems::Other("a picture")),
    (0, b"\x7FELF", Seems::Other("a program")),
    (0, b"\x89HDF\r\n\x1A\n", Seems::Other("a table of measurements (HDF5)")),
    (0, b"SQLite format 3\0", Seems::Other("a database")),
    (0, b"\0\0\0\x01Bud1", Seems::Other("what a desktop keeps of a folder")),
];

impl Seems {
    /// What the first bytes of a file, unpacked, seem to be of; `None` of text of no known shape.
    ///
    /// ```
    /// use lostnode::capture::Seems;
    /// assert_eq!(Seems::of(b"%PDF-1.7"), Some(Seems::Other("a PDF document")));
    /// assert_eq!(Seems::of(b"# doors\n[[node]]\nname = \"door\"\n"), Some(Seems::Roster));
    /// assert_eq!(Seems::of(b"what was said on the telephone"), None);
    /// ```
    pub fn of(bytes: &[u8]) -> Option<Seems> {
        let bytes = &bytes[..bytes.len().min(LOOKED_AT)];
        let marked = MARKS.iter().find(|(at, mark, _)| {
            bytes.get(*at..).is_some_and(|from_there| from_there.starts_with(mark))
        });
        if let Some((_, _, seems)) = marked {
            return Some(*seems);
        }
        if is_utf16(bytes) {
            return Some(Seems::Utf16);
        }
        if !is_text(bytes) {
            return Some(Seems::Binary);
        }
        of_text(String::from_utf8_lossy(bytes).trim_start_matches('\u{feff}').trim_start())
    }

    /// What it seems to be, in words.
    pub fn what(self) -> &'static str {
        self.words().0
    }

    /// What it seems to be, and what to do where a capture was wanted.
    fn words(self) -> (&'static str, &'static str) {
        match self {
            Seems::Packed(what) => (what, "unpack it and name the captures in it"),
            Seems::Other(what) => (what, "name the capture that goes with it"),
            Seems::Measurement => (
                "a measurement file (ASAM MDF)",
                "bus logging of version 4 is read; of others the library asammdf of PyPI converts \
                 what they hold",
            ),
            Seems::Utf16 => {
                ("text in UTF-16, two bytes a character", "save it again as UTF-8 or plain ASCII")
            }
            Seems::Description(what) => {
                (what, "it says what frames mean and holds none; name a capture")
            }
            Seems::Arxml => (
                "an AUTOSAR system description",
                "it tells what is expected: name a capture, and this with --roster",
            ),
            Seems::Roster => {
                ("a roster", "it tells what is expected: name a capture, and this with --roster")
            }
            Seems::Scenario => {
                ("a scenario", "make its capture with lostnode simulate, and name that")
            }
            Seems::Job => {
                ("a job file", "name the capture it belongs to, and this with --readings")
            }
            Seems::Toml => ("a file of settings (TOML)", "name a capture"),
            Seems::OwnReport => {
                ("a report that lostnode wrote", "name the capture it was made from")
            }
            Seems::OwnTruth => {
                ("the truth beside a simulated capture", "name the capture, without .truth.json")
            }
            Seems::Table => (
                "a table (CSV)",
                "if its rows are frames, name the columns: --columns \
                 time=Timestamp:ms,id=ID,data=D0..D7",
            ),
            Seems::Binary => (
                "binary data of a kind not known here",
                "open libraries such as python-can read many forms of recordings and write log \
                 text, or let the program that wrote it export log text or CSV",
            ),
        }
    }

    /// Whether it is certain enough that no traffic is in it: it lies beside captures, and a folder
    /// of them is none the worse for it.
    pub fn is_no_capture(self) -> bool {
        !matches!(
            self,
            Seems::Packed(_) | Seems::Measurement | Seems::Utf16 | Seems::Table | Seems::Binary
        )
    }
}

impl fmt::Display for Seems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (what, to_do) = self.words();
        write!(f, "{what}; {to_do}")
    }
}

/// Heads of the tables that lostnode writes (docs/tables.md), of which none holds frames.
pub(super) const OWN_TABLES: [&str; 4] = [
    "path,verdict,reason,headline,",
    "scope,channel,nodes,ids,start,end,",
    "reporter,code,meaning,blames,",
    "time,channel,id,from,to,carrier,",
];

/// A recording has its records from the first lines on: more than one line in so many is one.
const RECORDS: usize = 2;

/// Whether a text may be traffic in a form that is not read: enough of its first lines begin with a
/// time in brackets, name an identifier before a `#`, or have three numbers or more, decimal or
/// hexadecimal. Of notes, lists of files and settings few lines do.
pub(super) fn may_be_traffic(bytes: &[u8]) -> bool {
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(LOOKED_AT)]);
    let hex = |word: &str| {
        !word.is_empty() && word.len() <= 8 && word.chars().all(|c| c.is_ascii_hexdigit())
    };
    let number = |word: &&str| {
        let plain = hex(word) && word.contains(|c: char| c.is_ascii_digit());
        plain || word.contains('.') && word.parse::<f64>().is_ok()
    };
    let stamped = |line: &str| {
        line.strip_prefix('(').is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()))
    };
    let record = |line: &&str| {
        let words = || line.split([' ', '\t', ',', ';']).filter(|word| !word.is_empty());
        let frame =
            |word: &str| word.split_once('#').is_some_and(|(id, _)| id.len() >= 3 && hex(id));
        stamped(line) || words().any(frame) || words().filter(number).count() >= 3
    };
    let lines = || text.lines().map(str::trim).filter(|line| !line.is_empty());
    let records = lines().filter(record).count();
    records * RECORDS > lines().count()
}

/// Two bytes a character: it says so at its beginning, or every other byte of plain text is zero.
fn is_utf16(bytes: &[u8]) -> bool {
    let zeros = |from: usize| {
        let half = bytes.iter().skip(from).step_by(2);
        (half.len(), half.filter(|byte| **byte == 0).count())
    };
    let plain = |(all, zero): (usize, usize), (others, of_others): (usize, usize)| {
        all >= 4 && all == zero && of_others == 0 && others > 0
    };
    bytes.starts_with(&[0xFF, 0xFE])
        || bytes.starts_with(&[0xFE, 0xFF])
        || plain(zeros(0), zeros(1))
        || plain(zeros(1), zeros(0))
}

/// Text in UTF-8 or in an older alphabet of one byte: no control characters but those of lines. The
/// last character may be cut.
fn is_text(bytes: &[u8]) -> bool {
    let control = |byte: &u8| *byte < 0x20 && !matches!(*byte, b'\t' | b'\n' | b'\r' | 0x0C | 0x1B);
    !bytes.iter().any(control)
}

/// What a text seems to be; it begins with no blank.
fn of_text(text: &str) -> Option<Seems> {
    let has = |part: &str| text.contains(part);
    match text.chars().next()? {
        '<' => return Some(of_markup(text)),
        '{' if has("\"lostnode.") || has("\"made_from\"") => return Some(Seems::OwnReport),
        '{' if has("\"invented\"") && has("\"drift_ppm\"") => return Some(Seems::OwnTruth),
        '{' => return Some(Seems::Other("JSON")),
        _ => {}
    }
    if OWN_TABLES.iter().any(|head| text.starts_with(head)) {
        return Some(Seems::OwnReport);
    }
    let mut lines = text.lines().map(str::trim);
    let line = |begin: &str| text.lines().any(|line| line.starts_with(begin));
    if text.starts_with("VERSION \"") || line("BO_ ") || line("BU_:") {
        return Some(Seems::Description("a message description (DBC)"));
    }
    let first = lines.by_ref().find(|line| !line.is_empty() && !line.starts_with('#'))?;
    if is_toml(first) {
        let is = |tables: &[&str]| tables.iter().any(|table| line(table));
        return Some(match () {
            () if is(&["[[reading]]", "[[done]]"]) => Seems::Job,
            () if is(&["seed =", "[[trouble]]", "[[exchange]]", "[[key]]"]) => Seems::Scenario,
            () if is(&["[[node]]", "[[lone]]"]) => Seems::Roster,
            () => Seems::Toml,
        });
    }
    let parts = |line: &str| [',', ';', '\t'].map(|part| line.matches(part).count());
    let (head, below) = (parts(first), lines.next().map_or([0; 3], parts));
    let alike = head.iter().zip(below).any(|(head, below)| *head > 0 && *head == below);
    alike.then_some(Seems::Table)
}

fn of_markup(text: &str) -> Seems {
    let lower = text.to_ascii_lowercase();
    let has = |part: &str| lower.contains(part);
    match () {
        () if has("<html") && has("lostnode") => Seems::OwnReport,
        () if has("<html") => Seems::Other("a web page"),
        () if has("<autosar") => Seems::Arxml,
        () if has("<networkdefinition") => Seems::Description("a network description (KCD)"),
        () => Seems::Other("XML"),
    }
}

/// A table, or a key with its value.
fn is_toml(line: &str) -> bool {
    let word = |text: &str| {
        let text = text.trim();
        !text.is_empty() && text.chars().all(|c| c.is_ascii_alphanumeric() || "_-.\"".contains(c))
    };
    match line.strip_prefix('[') {
        Some(table) => {
            let table = table.trim_start_matches('[');
            table.split_once(']').is_some_and(|(name, _)| word(name))
        }
        None => line.split_once('=').is_some_and(|(key, value)| word(key) && !value.is_empty()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shapes_of_text() {
        for (text, seems) in [
            ("VERSION \"\"\n\nNS_ :\n", Some(Seems::Description("a message description (DBC)"))),
            ("BU_: A B\nBO_ 1 X: 8 A\n", Some(Seems::Description("a message description (DBC)"))),
            ("<?xml version=\"1.0\"?>\n<AUTOSAR>", Some(Seems::Arxml)),
            ("<!doctype html>\n<html lang=en>", Some(Seems::Other("a web page"))),
            ("title = \"x\"\nseed = 1\n[[node]]\n", Some(Seems::Scenario)),
            ("title = \"x\"\n[[reading]]\nwhat = \"supply_volts\"\n", Some(Seems::Job)),
            ("[x]\ny = 1\n", Some(Seems::Toml)),
            ("time;id;data\n1.0;123;00\n", Some(Seems::Table)),
            ("[a, b] is what he said\n", None),
            ("1.0 123 8 00 11 22\n2.0 124 8 00 11 22\n", None),
        ] {
            assert_eq!(Seems::of(text.as_bytes()), seems, "{text}");
        }
    }

    #[test]
    fn what_may_be_traffic() {
        for (text, traffic) in [
            ("# lostnode\n\nReads 3 formats; see 1.2 and 2.\n", false),
            ("# Of May\nAs in\n(1.0) can0 123#00\nhe\nsaid\n", false),
            ("name: van\nids:\n  - 0x123\n  - 0x456\n", false),
            ("3b1fc0de0a0b0c0d3b1fc0de0a0b0c0d  van-door.log.gz\n", false),
            ("   0.001000 1  123  Rx   d 8 00 11 22\n", true),
            ("1) 0.5 Rx 0123 8 00 11\n", true),
            ("1700000000.1 can0 123#00zz\n", true),
            ("(17000", true),
        ] {
            assert_eq!(may_be_traffic(text.as_bytes()), traffic, "{text}");
        }
    }

    #[test]
    fn two_bytes_a_character() {
        let text = "(1.000000) can0 123#00\n";
        let little: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let big: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
        assert_eq!((Seems::of(&little), Seems::of(&big)), (Some(Seems::Utf16), Some(Seems::Utf16)));
        // One character cut in two is text still.
        assert_eq!(Seems::of(&"größer".as_bytes()[..3]), None);
        assert_eq!(Seems::of(&[0, 1, 2, 3, 255]), Some(Seems::Binary));
    }
}
