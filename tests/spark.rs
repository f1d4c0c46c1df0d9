//! The job for a cluster gives the rows of `batch`, though a worker dies on the way.

mod common;

use std::fs;
use std::process::Command;

use common::own;
use lostnode::render::json::row;
use lostnode::table::Kind;

/// A column that `batch` gains and the job does not would fail only where a cluster runs.
#[test]
fn the_job_has_the_columns_of_batch() {
    let job = fs::read_to_string(own("integrations/spark/summarise.py")).unwrap();
    let of_batch = row::COLUMNS.iter().map(|column| {
        let kind = match column.kind {
            Kind::Text => "TEXT",
            Kind::Whole => "WHOLE",
            Kind::Real => "REAL",
            Kind::Texts => "TEXTS",
            Kind::Flag => "YES_NO",
            other => panic!("{}: the job knows no {other:?}", column.name),
        };
        format!("(\"{}\", {kind})", column.name)
    });
    let mut rest = job.as_str();
    for column in of_batch {
        let at = rest.find(&column).unwrap_or_else(|| panic!("the job lacks {column}"));
        rest = &rest[at + column.len()..];
    }
}

#[test]
fn a_cluster_gives_the_rows_of_batch() {
    let java = Command::new("java").arg("-version").output();
    if !java.is_ok_and(|output| output.status.success()) {
        return println!("skipped: no Java here");
    }
    let Some(python) = common::python("pyspark, pyarrow") else { return };
    let place = tempfile::tempdir().unwrap();
    let (folder, work) = (place.path().join("captures"), place.path().join("work"));
    fs::create_dir_all(folder.join("deep/er")).unwrap();
    fs::create_dir_all(&work).unwrap();
    for at in 0..60 {
        let path =
            folder.join(format!("{}{at:03}.log.gz", if at % 2 == 0 { "" } else { "deep/er/" }));
        fs::copy(
            own(if at % 3 == 0 { "samples/van-door.log.gz" } else { "samples/van-after.log.gz" }),
            path,
        )
        .unwrap();
    }
    fs::write(folder.join("empty.log"), b"").unwrap();
    fs::write(folder.join("000.log.gz.marks"), "1.5 pressing the harness\n").unwrap();
    fs::write(folder.join("binary"), [0_u8, 1, 2, 255].repeat(99)).unwrap();
    fs::write(folder.join("ümlaut, \"quoted\".log"), b"nothing\n").unwrap();
    std::os::unix::fs::symlink(&folder, folder.join("deep/loop")).unwrap();
    let output = Command::new(python)
        .arg(own("integrations/spark/test_cluster.py"))
        .arg(env!("CARGO_BIN_EXE_lostnode"))
        .args([&folder, &work])
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stdout);
    println!("{told}");
    assert!(output.status.success(), "{told}{}", String::from_utf8_lossy(&output.stderr));
    assert!(
        told.contains(
            "63 rows, the same as batch: ['lost', 'no capture', 'not read', 'nothing lost']"
        ),
        "{told}"
    );
}
