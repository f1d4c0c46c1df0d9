//! Tables: described as they are, the same rows in every form, read by a second reader (pyarrow)
//! and read back.

mod common;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;

use common::{lostnode, own, piped};
use lostnode::capture::frame_table;
use lostnode::render::json::row;
use lostnode::render::tables;
use lostnode::table::{Column, Kind};
use serde_json::Value;

const TABLES: [(&str, &[Column]); 5] = [
    ("frames", &frame_table::COLUMNS),
    ("messages", &tables::MESSAGES),
    ("outages", &tables::OUTAGES),
    ("codes", &tables::CODES),
    ("batch", &row::COLUMNS),
];

fn words(kind: Kind) -> (&'static str, &'static str) {
    match kind {
        Kind::Time => ("time", "timestamp[ns]"),
        Kind::Text => ("text", "large_string"),
        Kind::Whole => ("whole number", "int64"),
        Kind::Real => ("number", "double"),
        Kind::Flag => ("true or false", "bool"),
        Kind::Bytes => ("bytes", "large_binary"),
        Kind::Texts => ("list of texts", "large_list<element: large_string>"),
    }
}

#[test]
fn docs_describe_every_column() {
    let docs = fs::read_to_string(own("docs/tables.md")).unwrap();
    for (name, columns) in TABLES {
        let rows: String = columns
            .iter()
            .map(|column| {
                format!("| `{}` | {} | {} |\n", column.name, words(column.kind).0, column.meaning)
            })
            .collect();
        let wanted = format!("| column | holds | meaning |\n|---|---|---|\n{rows}");
        assert!(docs.contains(&wanted), "docs/tables.md, `{name}`, should have:\n{wanted}");
    }
}

/// Every kind of frame there is, and a pause that is as long as one may be.
const ODD: &str = "(0000000001.000001) can0 123#\n\
    (0000000001.000002) can0 123#1122334455667788_E\n\
    (0000000001.000003) can0 123#R0\n\
    (0000000001.000004) can1 00000123#R5\n\
    (0000000001.000005) can0 1FFFFFFF#AA\n\
    (0000000001.000006) a,b\"c 7FF##1AABB\n\
    (0000000001.000007) can0 12345678##2000102030405060708090A0B\n\
    (0000000001.000008) can0 20000088#0000080000000000\n\
    (0031000000.123456) can0 7E8#04410C1AF8000000\n";

fn frames(input: &[u8], arguments: &[&str]) -> Vec<u8> {
    let output = piped(&[&["frames", "-"], arguments].concat(), input);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

#[test]
fn there_and_back() {
    for form in ["csv", "parquet"] {
        let table = frames(ODD.as_bytes(), &["--format", form]);
        assert_eq!(String::from_utf8(frames(&table, &[])).unwrap(), ODD, "{form}");
    }
    // Without time stamps.
    let console = b" can0  5C1   [8]  03 22 01 00 00 00 00 00\n can0  12345678   [0]\n";
    for form in ["csv", "parquet"] {
        let table = frames(console, &["--format", form]);
        assert_eq!(
            String::from_utf8(frames(&table, &[])).unwrap(),
            "can0 5C1#0322010000000000\ncan0 12345678#\n",
            "{form}"
        );
    }
}

/// A capture as a table gives the report that the capture gives.
#[test]
fn the_same_report_from_a_table() {
    let report = |path: &Path| {
        let (_, mut report) = common::report(path, &[]);
        report.as_object_mut().unwrap().remove("captures");
        report
    };
    let (place, sample) = (tempfile::tempdir().unwrap(), own("samples/van-door.log.gz"));
    for form in ["csv", "parquet"] {
        let output =
            lostnode().arg("frames").arg(&sample).args(["--format", form]).output().unwrap();
        // A wrong ending: what the bytes are decides.
        let path = place.path().join("table.log");
        fs::write(&path, output.stdout).unwrap();
        assert!(report(&path) == report(&sample), "{form}");
    }
}

/// Named columns: what stands in the file, how its columns are named, and the frames that are in
/// it.
#[test]
fn csv_of_others() {
    let one = "(0000000001.500000) can0 316#FF01\n";
    for (text, columns, expected) in [
        ("Timestamp,ID,D\n1.5,0316,FF01\n", "time=Timestamp,id=ID,data=D", one),
        ("Timestamp;ID;B0;B1;B2\n1.5;0x316;ff;1;\n", "time=Timestamp,id=ID,data=B0..B2", one),
        // The first data byte on the right: in the order in which the columns are named.
        ("Timestamp,ID,D1,D0\n1.5,316,01,FF\n", "time=Timestamp,id=ID,data=D0..D1", one),
        ("Timestamp,ID,D0,D1\n1.5,316,01,FF\n", "time=Timestamp,id=ID,data=D1..D0", one),
        // A channel as our own table has it.
        ("id,data,bus\n316,FF01,'=1+1\n", "id=id,data=data,channel=bus", "=1+1 316#FF01\n"),
        ("t\tid\tx\r\n1500\t790\tFF 01\r\n", "time=t:ms,id=id:dec,data=x", one),
        ("1500000,316,FF:01\n", "time=1:us,id=2,data=3", one),
        ("1500000000,316,FF-01\n", "time=1:ns,id=2,data=3", one),
        ("\u{feff}time,id,data\n1.5E0,316,FF01\n", "time=time,id=id,data=data", one),
        ("time,id,data\n1970-01-01T00:00:01.5Z,316,FF01\n", "time=time,id=id,data=data", one),
        (
            "time,id,data\n\"1970-01-01 00:00:01.5\",\"316\",\"FF01\"\n",
            "time=time,id=id,data=data",
            one,
        ),
        ("id,data,bus\n00000316,FF01,b\n", "id=id,data=data,channel=bus", "b 00000316#FF01\n"),
        (
            "id,ext,data,len\n316,1,FF01,2\n",
            "id=id,extended=ext,data=data,dlc=len",
            "can0 00000316#FF01\n",
        ),
        ("id,data\n800,AA\n", "id=id,data=data", "can0 00000800#AA\n"),
        // One digit a byte, prefixes before each byte, and other ways to write numbers.
        ("id,data\n1,4 FF 64 0 3 1 0 0\n", "id=id,data=data", "can0 001#04FF640003010000\n"),
        ("id,data\n1,0x11 0x2 0x33\n", "id=id,data=data", "can0 001#110233\n"),
        ("id,data\n1,0011 2233\n", "id=id,data=data", "can0 001#00112233\n"),
        ("id,data\n123h,00\n18FECA00x,00\n", "id=id,data=data", "can0 123#00\ncan0 18FECA00#00\n"),
        (
            "id,data\n00000123x,00\n12x,00\n",
            "id=id,data=data",
            "can0 00000123#00\ncan0 00000012#00\n",
        ),
        ("id,data\n1,4 255 100\n", "id=id,data=data:dec", "can0 001#04FF64\n"),
        ("t;id;data\n1,5;316;FF01\n", "time=t,id=id,data=data", one),
        (
            "id,data\n1,ESI=\n2,ESIz\n3,\n",
            "id=id,data=data:base64",
            "can0 001#1122\ncan0 002#112233\ncan0 003#\n",
        ),
        (
            "id,data\n1,000102030405060708090A0B\n",
            "id=id,data=data",
            "can0 001##0000102030405060708090A0B\n",
        ),
    ] {
        let found = frames(text.as_bytes(), &["--columns", columns]);
        assert_eq!(String::from_utf8(found).unwrap(), expected, "{columns} of {text}");
    }
    for (text, columns, message) in [
        (
            "id,data\n1,AA\n",
            "id=ID,data=data",
            "no column is called `ID`; the first line has: id, data",
        ),
        ("id,data\nzz,AA\n", "id=id,data=data", "line 2: `zz` is no identifier"),
        ("id,data\n1,A\n", "id=id,data=data", "no hexadecimal bytes"),
        ("id,data\n1,4 255 100\n", "id=id,data=data", "no hexadecimal bytes"),
        ("id,data\n1,4 256\n", "id=id,data=data:dec", "no bytes of the base ten"),
        ("id,data\n1,ESI\n", "id=id,data=data:base64", "no bytes in Base64"),
        ("id,data\n1,000102030405060708\n", "id=id,data=data", "no frame has 9 data bytes"),
        ("id,data\n20000000,00\n", "id=id,data=data", "no identifier of 29 bits"),
        ("id,data,t\n1,00,nan\n", "id=id,data=data,time=t", "`nan` is no time"),
        ("id,data,t\n1,00,9e99\n", "id=id,data=data,time=t", "is no time"),
        ("id,data\n1,00\n", "id=id", "both id= and data= are needed"),
        ("id,data\n1,00\n", "id=0,data=1", "count from 1"),
        // A quote that is never closed costs its own line.
        ("id,data\n1,\"00\n2,00\n", "id=id,data=data", ""),
    ] {
        let output = piped(&["frames", "-", "--columns", columns], text.as_bytes());
        let told = String::from_utf8_lossy(&output.stderr);
        assert!(told.contains(message), "{columns} of {text}: {told}");
        assert_eq!(output.status.code(), Some(if message.is_empty() { 0 } else { 2 }), "{told}");
    }
}

/// The tables of python-can are known by their head.
#[test]
fn csv_of_python_can() {
    let text = "timestamp,arbitration_id,extended,remote,error,dlc,data\r\n\
        1700000000.5,0x123,0,0,0,2,ESI=\r\n\
        1700000000.6,0x18feca00,1,0,0,0,\r\n\
        1700000000.7,0x7ff,0,1,0,5,\r\n\
        1700000000.8,0x4,0,0,1,8,AAEAAAAAAAA=\r\n";
    let expected = "(1700000000.500000) can0 123#1122\n\
        (1700000000.600000) can0 18FECA00#\n\
        (1700000000.700000) can0 7FF#R5\n\
        (1700000000.800000) can0 20000004#0001000000000000\n";
    assert_eq!(String::from_utf8(frames(text.as_bytes(), &[])).unwrap(), expected);
}

/// Damage anywhere in a Parquet file is said, and never ends the process otherwise.
#[test]
fn damaged_parquet() {
    let whole = frames(ODD.as_bytes(), &["--format", "parquet"]);
    let mut random = 1_u32;
    for turn in 0..120 {
        let mut bytes = whole.clone();
        random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let at = 4 + random as usize % (bytes.len() - 4);
        match turn % 3 {
            0 => bytes.truncate(at),
            1 => bytes[at] ^= 1 << (random >> 28 & 7),
            _ => bytes[at] = (random >> 20) as u8,
        }
        let output = piped(&["frames", "-"], &bytes);
        assert!(matches!(output.status.code(), Some(0 | 2)), "turn {turn}: {:?}", output.status);
        let told = String::from_utf8_lossy(&output.stderr);
        assert!(!told.contains("panicked"), "turn {turn}: {told}");
    }
    for bytes in
        [b"PAR1".to_vec(), b"PAR1PAR1".to_vec(), [b"PAR1", &[0xFF; 99][..], b"PAR1"].concat()]
    {
        let output = piped(&["frames", "-"], &bytes);
        assert_eq!(output.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&output.stderr).contains("not a Parquet table of frames"));
    }
}

fn pyarrow(arguments: &[&Path]) -> Option<Value> {
    let python = common::python("pyarrow")?;
    let output = Command::new(python)
        .arg(own("tests/oracles/parquet_rows.py"))
        .args(arguments)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(if output.stdout.is_empty() {
        Value::Null
    } else {
        serde_json::from_slice(&output.stdout).unwrap()
    })
}

/// What pyarrow reads of our Parquet is what our JSON lines say, with the documented types.
#[track_caller]
fn check(parquet: &Path, jsonl: &[u8], columns: &[Column]) {
    let Some(read) = pyarrow(&[parquet]) else { return };
    for column in columns {
        assert_eq!(read["types"][column.name], words(column.kind).1, "{}", column.name);
    }
    let rows: Vec<BTreeMap<String, Value>> = jsonl
        .split(|byte| *byte == b'\n')
        .filter(|line| !line.is_empty())
        .map(|line| serde_json::from_slice(line).unwrap())
        .collect();
    let read = read["rows"].as_array().unwrap();
    assert_eq!(read.len(), rows.len());
    assert!(!rows.is_empty());
    for (read, row) in read.iter().zip(&rows) {
        for column in columns {
            let (theirs, ours) = (&read[column.name], &row[column.name]);
            match column.kind {
                Kind::Time if !ours.is_null() => {
                    assert!(
                        (theirs.as_i64().unwrap() as f64 / 1e9 - ours.as_f64().unwrap()).abs()
                            < 1e-6,
                        "{theirs} {ours}"
                    );
                }
                _ => assert_eq!(theirs, ours, "{}", column.name),
            }
        }
    }
}

#[test]
fn pyarrow_reads_our_tables() {
    let (place, sample) = (tempfile::tempdir().unwrap(), own("samples/van-door.log.gz"));
    for (name, columns) in &TABLES[..4] {
        let table = |form: &str| {
            lostnode().arg(name).arg(&sample).args(["--format", form]).output().unwrap().stdout
        };
        let path = place.path().join("table.parquet");
        fs::write(&path, table("parquet")).unwrap();
        check(&path, &table("jsonl"), columns);
    }
    let path = place.path().join("odd.parquet");
    fs::write(&path, frames(ODD.as_bytes(), &["--format", "parquet"])).unwrap();
    check(&path, &frames(ODD.as_bytes(), &["--format", "jsonl"]), &frame_table::COLUMNS);
    // Written again by another program, in other types and packing: read back the same.
    let again = place.path().join("again.parquet");
    if pyarrow(&[&path, &again]).is_some() {
        assert_eq!(String::from_utf8(frames(&fs::read(&again).unwrap(), &[])).unwrap(), ODD);
        for (kind, told) in [
            ("dictionary", "have it written as plain text"),
            ("numbers", "column id holds no text"),
            ("texts", "column time holds no time stamps"),
        ] {
            let other = place.path().join(kind);
            pyarrow(&[&path, &other]);
            let output = lostnode().arg("frames").arg(other).output().unwrap();
            let error = String::from_utf8_lossy(&output.stderr);
            assert!(output.status.code() == Some(2) && error.contains(told), "{error}");
        }
    }
}

/// The two summaries of a batch have the same rows.
#[test]
fn the_summary_of_a_batch_in_both_forms() {
    let place = tempfile::tempdir().unwrap();
    let output = lostnode()
        .arg("batch")
        .arg(own("samples"))
        .arg("--out")
        .arg(place.path())
        .output()
        .unwrap();
    assert!(output.status.code().is_some_and(|code| code <= 2));
    let Some(read) = pyarrow(&[&place.path().join("summary.parquet")]) else { return };
    let mut csv = csv::Reader::from_path(place.path().join("summary.csv")).unwrap();
    let rows: Vec<_> = csv.records().map(Result::unwrap).collect();
    assert_eq!(read["rows"].as_array().unwrap().len(), rows.len());
    for (read, row) in read["rows"].as_array().unwrap().iter().zip(&rows) {
        for (column, ours) in row::COLUMNS.iter().zip(row) {
            match &read[column.name] {
                Value::Null => assert_eq!(ours, ""),
                Value::Bool(yes) => assert_eq!(yes.to_string(), ours),
                Value::Number(number) => {
                    assert!(
                        (number.as_f64().unwrap() - ours.parse::<f64>().unwrap()).abs() < 1e-6,
                        "{}",
                        column.name
                    );
                }
                Value::Array(texts) => {
                    assert_eq!(
                        texts
                            .iter()
                            .map(|text| text.as_str().unwrap().replace(';', ","))
                            .collect::<Vec<_>>()
                            .join(";"),
                        ours
                    );
                }
                text => assert_eq!(text.as_str().unwrap(), ours),
            }
        }
    }
}
