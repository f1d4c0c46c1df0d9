//! With `--hide-identity` no VIN, part, serial or calibration number is left, in any output.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::{lostnode, own, piped};
use polars_arrow::array::{Array, BinaryViewArray, ListArray, Utf8ViewArray};
use polars_parquet::read::{
    BasicDecompressor, PageReader, column_iter_to_arrays, infer_schema, read_metadata,
};
use polars_utils::mmap::{MemReader, MemSlice};
use serde_json::Value;

fn run(arguments: &[&str], paths: &[&Path]) -> Vec<u8> {
    let output = lostnode().args(arguments).args(paths).output().unwrap();
    assert_ne!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stderr));
    [output.stdout, output.stderr].concat()
}

/// All that identifies in a report.
fn secrets(document: &Value) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut take = |value: &Value| out.extend(value.as_str().map(str::to_owned));
    take(&document["vehicle"]["vin"]);
    for entry in document["identity"].as_array().unwrap() {
        take(&entry["vin"]);
        take(&entry["part_number"]);
        for list in ["calibration_ids", "verification_numbers"] {
            entry[list].as_array().unwrap().iter().for_each(&mut take);
        }
        entry["others"].as_array().unwrap().iter().for_each(|other| take(&other["value"]));
    }
    out.retain(|text| text.len() >= 5);
    out.sort();
    out.dedup();
    out
}

fn assert_without(what: &str, bytes: &[u8], secrets: &[String]) {
    let text = String::from_utf8_lossy(bytes).to_uppercase();
    for secret in secrets {
        let hidden = [secret.to_uppercase(), hex::encode_upper(secret)];
        for form in hidden {
            assert!(!text.contains(&form), "{what} holds {secret}");
        }
    }
}

fn document(bytes: &[u8]) -> Value {
    serde_json::from_slice(&piped(&["report", "-", "--format", "json"], bytes).stdout).unwrap()
}

/// A truck: VIN, component, software and address claim, short ones and by the transport; then the
/// same of a car with extended addressing, several records at once and a write.
fn others() -> String {
    let mut log = String::new();
    let mut time = 1e9;
    let mut put = |frame: &str| {
        time += 0.01;
        log += &format!("({time:.6}) can0 {frame}\n");
    };
    let transported = |pgn: u32, text: &str, put: &mut dyn FnMut(&str)| {
        let bytes = text.as_bytes();
        let packets = bytes.len().div_ceil(7);
        put(&format!(
            "1CECFF0B#20{:02X}00{packets:02X}FF{:02X}{:02X}{:02X}",
            bytes.len(),
            pgn & 0xFF,
            pgn >> 8 & 0xFF,
            pgn >> 16
        ));
        for (at, part) in bytes.chunks(7).enumerate() {
            let data = hex::encode_upper(part);
            put(&format!("1CEBFF0B#{:02X}{data:F<14}", at + 1));
        }
    };
    for round in 0..40 {
        put("0CF00400#F07D7D2020FFFFFF");
        put("18FEF100#FFFFFFFFFFFFFFFF");
        put("18FEBF0B#FFFFFFFFFFFFFFFF");
        put("18F0010B#FFFFFFFFFFFFFFFF");
        if round == 10 {
            put("18EEFF0B#45230100000B0000");
            transported(0xFEEC, "XXTESTXXA0N000077*", &mut put);
            transported(0xFEEB, "MAKER*MODEL9*SER12345*UNIT77*", &mut put);
            transported(0xFEDA, "SOFTW-4711*", &mut put);
        }
    }
    log
}

/// A table of Parquet as text, cell by cell; anything else as it is.
fn unpacked(bytes: &[u8]) -> Vec<u8> {
    if !bytes.starts_with(b"PAR1") {
        return bytes.to_vec();
    }
    let metadata = read_metadata(&mut std::io::Cursor::new(bytes)).unwrap();
    let schema = infer_schema(&metadata).unwrap();
    let all = MemSlice::from_vec(bytes.to_vec());
    let mut cells = Vec::new();
    for group in &metadata.row_groups {
        for (name, field) in schema.iter() {
            let chunks = group.columns_under_root_iter(name).unwrap();
            let (pages, types) = chunks
                .map(|chunk| {
                    let range = chunk.byte_range();
                    let own = MemReader::new(all.slice(range.start as usize..range.end as usize));
                    let pages = PageReader::new(own, chunk, Vec::new(), usize::MAX);
                    let kind = &chunk.descriptor().descriptor.primitive_type;
                    (BasicDecompressor::new(pages, Vec::new()), kind)
                })
                .unzip();
            let array = column_iter_to_arrays(pages, types, field.clone(), None).unwrap();
            cells.extend(texts(array.as_ref()));
        }
    }
    assert!(cells.len() > 10);
    cells.join("\n").into_bytes()
}

/// The texts of a column uncut, bytes in hexadecimal; numbers as they are shown.
fn texts(array: &dyn Array) -> Vec<String> {
    let any = array.as_any();
    if let Some(texts) = any.downcast_ref::<Utf8ViewArray>() {
        texts.iter().flatten().map(str::to_owned).collect()
    } else if let Some(bytes) = any.downcast_ref::<BinaryViewArray>() {
        bytes.iter().flatten().map(hex::encode_upper).collect()
    } else if let Some(lists) = any.downcast_ref::<ListArray<i64>>() {
        texts(lists.values().as_ref())
    } else {
        vec![format!("{array:?}")]
    }
}

/// All files below a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut out = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() { &mut folders } else { &mut out }.push(path);
        }
    }
    out
}

/// Whatever takes a capture has the option.
#[test]
fn every_command_that_takes_a_capture_can_hide() {
    let help = String::from_utf8(run(&["--help"], &[])).unwrap();
    let commands = help.split_once("Commands:").unwrap().1.split("Options:").next().unwrap();
    let names = commands.lines().filter_map(|line| line.split_whitespace().next());
    let mut seen = 0;
    for name in names.filter(|name| {
        // None of these reads a capture.
        !["explain", "schema", "simulate", "manual", "completions", "help"].contains(name)
    }) {
        let help = String::from_utf8(run(&[name, "--help"], &[])).unwrap();
        assert!(help.contains("--hide-identity"), "{name}: {help}");
        seen += 1;
    }
    assert!(seen >= 10, "{commands}");
}

#[test]
fn no_output_holds_what_identifies() {
    let folder = tempfile::tempdir().unwrap();
    let (sample, after) = (own("samples/van-door.log.gz"), own("samples/van-after.log.gz"));
    let open: Value = serde_json::from_slice(
        &lostnode().args(["report", "--format", "json"]).arg(&sample).output().unwrap().stdout,
    )
    .unwrap();
    let secrets = secrets(&open);
    let vin = open["vehicle"]["vin"].as_str().unwrap();
    assert!(vin.len() == 17 && secrets.len() > 3, "{secrets:?}");
    let part = secrets.iter().find(|secret| secret.len() < 17).unwrap();
    // The name of the file holds the VIN, and so do the words of the job.
    let van = folder.path().join(format!("van-{vin}.log.gz"));
    fs::copy(&sample, &van).unwrap();
    let job = fs::read_to_string(own("samples/van-job.toml")).unwrap();
    let job = job.replace("title = \"", &format!("vehicle = \"{vin}\"\ntitle = \"{vin}, {part}, "));
    let job = job.replace("note = \"", &format!("note = \"{vin}: "));
    let readings = folder.path().join("job.toml");
    fs::write(&readings, &job).unwrap();
    let (out, readings) = (folder.path().join("out"), readings.to_str().unwrap());
    let named = own("samples/van-roster.toml");
    let named = named.to_str().unwrap();
    let (out_text, roster) = (out.to_str().unwrap(), folder.path().join("roster.toml"));
    for arguments in [
        &["report", "--roster", named, "--readings", readings, "--out", out_text][..],
        &["report", "--brief"],
        &["report", "--roster", named, "--readings", readings, "--format", "json"],
        &["report", "--format", "row"],
        &["codes"],
        &["codes", "--format", "jsonl"],
        &["codes", "--format", "parquet"],
        &["messages"],
        &["messages", "--format", "csv"],
        &["messages", "--format", "parquet"],
        &["outages"],
        &["outages", "--format", "csv"],
        &["outages", "--format", "parquet"],
        &["frames"],
        &["frames", "--format", "csv"],
        &["frames", "--format", "parquet"],
        &["replay", "--no-wait"],
        &["replay", "--no-wait", "--from", "20", "--rounds", "2"],
        &["learn", "--out", roster.to_str().unwrap()],
    ] {
        let output = lostnode().args(arguments).arg("--hide-identity").arg(&van).output().unwrap();
        assert_ne!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stderr));
        assert!(!output.stdout.is_empty());
        let what = arguments.join(" ");
        assert_without(&what, &unpacked(&output.stdout), &secrets);
        if ["frames", "replay"].contains(&arguments[0]) {
            // A number that is cut over several frames, put together again.
            let report = document(&output.stdout).to_string();
            assert_without(&format!("report of {what}"), report.as_bytes(), &secrets);
        }
        // Without the option something of it is there, or the search proves nothing.
        if arguments[0] == "messages" && arguments.len() > 1 {
            let shown = lostnode().args(arguments).arg(&van).output().unwrap().stdout;
            let shown = String::from_utf8(unpacked(&shown)).unwrap();
            assert!(shown.contains(&hex::encode_upper(vin)), "{what}");
        }
    }
    for path in files(&out).into_iter().chain([roster]) {
        assert_without(&path.display().to_string(), &fs::read(&path).unwrap(), &secrets);
    }
    assert_without("compare", &run(&["compare", "--hide-identity"], &[&van, &after]), &secrets);

    // A folder, its tables unpacked.
    let captures = folder.path().join("captures");
    fs::create_dir(&captures).unwrap();
    fs::copy(&sample, captures.join("van.log.gz")).unwrap();
    let batch = folder.path().join("batch");
    run(&["batch", "--hide-identity", "--out", batch.to_str().unwrap()], &[&captures]);
    let written = files(&batch);
    assert!(written.iter().any(|path| path.ends_with("summary.parquet")));
    for path in written {
        let bytes = unpacked(&fs::read(&path).unwrap());
        assert_without(&path.display().to_string(), &bytes, &secrets);
    }

    // What is wrong with an identification is said all the same.
    let hidden: Value = serde_json::from_slice(
        &lostnode()
            .args(["report", "--format", "json", "--hide-identity"])
            .arg(&van)
            .output()
            .unwrap()
            .stdout,
    )
    .unwrap();
    assert!(hidden["identity"].to_string().contains("its VIN is blank"), "{}", hidden["identity"]);
    assert_eq!(hidden["outages"], open["outages"]);
}

/// That a module carries another vehicle's VIN is told without either.
#[test]
fn another_vin_is_told_without_it() {
    let after = own("samples/van-after.log.gz");
    let frames = String::from_utf8(run(&["frames"], &[&after])).unwrap();
    let other = frames.replace("7EC#224E303030303432", "7EC#224E303030303939");
    assert!(other != frames);
    let said = |arguments: &[&str]| {
        let output = piped(&[&["report", "-"], arguments].concat(), other.as_bytes());
        let text = String::from_utf8(output.stdout).unwrap();
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert!(said(&[]).contains("VIN, XXTVANXXA0N000099"));
    let hidden = said(&["--hide-identity"]);
    assert!(hidden.contains("another vehicle's VIN, hidden") && !hidden.contains("XXTVAN"));
}

/// The frames themselves, put together again: the same losses, and nobody's numbers.
#[test]
fn blanked_frames_give_the_same_report_without_numbers() {
    let van = own("samples/van-door.log.gz");
    let open = lostnode().args(["report", "--format", "json"]).arg(&van).output().unwrap().stdout;
    let open: Value = serde_json::from_slice(&open).unwrap();
    let frames = lostnode().args(["frames", "--hide-identity"]).arg(&van).output().unwrap().stdout;
    let blanked = document(&frames);
    assert_without("report of blanked frames", blanked.to_string().as_bytes(), &secrets(&open));
    assert_eq!(
        blanked["outages"].as_array().unwrap().len(),
        open["outages"].as_array().unwrap().len()
    );
    assert_eq!(blanked["codes"].as_array().unwrap().len(), open["codes"].as_array().unwrap().len());
    // Blanking twice changes nothing more.
    let again = piped(&["frames", "-", "--hide-identity"], &frames).stdout;
    assert!(again == frames);
}

/// Transport and groups of SAE J1939.
#[test]
fn groups_of_trucks_are_blanked() {
    let log = others();
    let open = document(log.as_bytes());
    let secrets = secrets(&open);
    for part in ["XXTESTXXA0N000077", "SER12345", "SOFTW-4711"] {
        assert!(secrets.iter().any(|secret| secret.contains(part)), "{part}: {secrets:?}");
    }
    let frames = piped(&["frames", "-", "--hide-identity"], log.as_bytes()).stdout;
    let blanked = document(&frames).to_string();
    for part in ["XXTESTXXA0N000077", "SER12345", "SOFTW-4711", "UNIT77", "MODEL9"] {
        assert!(!blanked.contains(part), "{part}");
    }
    let text = String::from_utf8(frames).unwrap();
    // The number of the unit goes, its function stays.
    assert!(text.contains("18EEFF0B#00000000000B0000"), "{text}");
    assert!(text.contains("18FEF100#FFFFFFFFFFFFFFFF"));
}

/// Extended addressing, several records at once, CAN FD, writes, and what is no identification.
#[test]
fn frames_of_testers_are_blanked() {
    for (frames, blanked) in [
        // One byte of address.
        ("5D1#F10662F187414243", "5D1#F10662F187585858"),
        // A longer message: first frame, flow control, consecutive frames to its end, no further.
        (
            "7E8#100C62F18C414243\n7E0#3000000000000000\n7E8#21444546474849AA\n7E8#2231323334353637",
            "7E8#100C62F18C585858\n7E0#3000000000000000\n7E8#21585858585858AA\n7E8#2231323334353637",
        ),
        // An unsuspicious record first, an identifying one behind it.
        (
            "7E0#052201 00F18C0000\n7E8#07620100415A5A5A",
            "7E0#05220100F18C0000\n7E8#0762010058585858",
        ),
        // Writing the VIN.
        ("7E0#062EF19041424300", "7E0#062EF19058585800"),
        // CAN FD: the length stands in the second byte.
        ("7E8##1000A62F18C41424344454647", "7E8##1000A62F18C58585858585858"),
        // Speed, codes and other records stay.
        ("7E8#03410D4100000000", "7E8#03410D4100000000"),
        ("7E8#0762010041424344", "7E8#0762010041424344"),
        ("7E8#0649000102030400", "7E8#0649000102030400"),
    ] {
        let lines = |frames: &str| {
            let frames = frames.replace(' ', "");
            let all = frames.lines().enumerate();
            all.map(|(at, frame)| format!("(1000000000.{at:06}) can0 {frame}\n"))
                .collect::<String>()
        };
        let output = piped(&["frames", "-", "--hide-identity"], lines(frames).as_bytes());
        assert_eq!(String::from_utf8(output.stdout).unwrap(), lines(blanked), "{frames}");
    }
}

/// What a capture holds is said where people meet it.
#[test]
fn what_a_capture_holds_is_said() {
    let output = lostnode()
        .args(["report", "--format", "json"])
        .arg(own("samples/van-after.log.gz"))
        .output();
    assert!(output.unwrap().status.success());
    let folder = tempfile::tempdir().unwrap();
    run(&["report", "--out", folder.path().to_str().unwrap()], &[&own("samples/van-after.log.gz")]);
    let page = fs::read_to_string(folder.path().join("report.html")).unwrap();
    let foot = &page[page.find("<footer").unwrap()..];
    assert!(foot.contains("may hold the VIN") && foot.contains("--hide-identity"), "{foot}");
    for (file, part) in [
        ("README.md", "--hide-identity"),
        ("docs/limits.md", "Not who may see it"),
        ("docs/batch.md", "--hide-identity"),
    ] {
        assert!(fs::read_to_string(own(file)).unwrap().contains(part), "{file}");
    }
}
