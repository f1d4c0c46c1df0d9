//! The whole program against other readers of the same capture, as ratios measured in one run:
//! `cargo bench --bench ratios`.
//!
//! Each figure is the shortest of several runs, all of them warm and in turns, so that a busy
//! machine spoils all alike. python-can is tried where `LOSTNODE_PYTHON` names a Python that has
//! it.

mod made;

use std::fs;
use std::io::{BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

/// Seconds that something takes.
type Figure<'a> = Box<dyn Fn() -> f64 + 'a>;

const FRAMES: usize = 2_000_000;
/// python-can reads so few frames a second that a part must do.
const PART: usize = 100_000;
const TURNS: usize = 15;

fn main() {
    // cargo test builds benches and runs them with this; there is nothing to measure then.
    if !std::env::args().any(|argument| argument == "--bench") {
        return;
    }
    let place = Path::new(env!("CARGO_TARGET_TMPDIR")).join("ratios");
    for folder in ["few", "many"] {
        fs::create_dir_all(place.join(folder)).unwrap();
    }
    let text = made::log(FRAMES);
    let (log, part, gzip, zst) =
        (place.join("log"), place.join("part"), place.join("log.gz"), place.join("log.zst"));
    fs::write(&log, &text).unwrap();
    fs::write(
        &part,
        text.lines().take(PART).map(|line| line.to_owned() + "\n").collect::<String>(),
    )
    .unwrap();
    let mut packed = flate2::write::GzEncoder::new(
        fs::File::create(&gzip).unwrap(),
        flate2::Compression::default(),
    );
    packed.write_all(text.as_bytes()).unwrap();
    packed.finish().unwrap();
    fs::write(&zst, zstd::encode_all(text.as_bytes(), 3).unwrap()).unwrap();
    for (folder, captures) in [("few", 16), ("many", 64)] {
        for at in 0..captures {
            fs::copy(&part, place.join(folder).join(format!("{at:02}.log"))).unwrap();
        }
    }
    println!("{FRAMES} frames, {} bytes; seconds, the shortest of {TURNS} runs", text.len());

    let program = env!("CARGO_BIN_EXE_lostnode");
    let report = |path: &Path, threads: &str| {
        run(Command::new(program).arg("report").arg(path).args([
            "--format",
            "json",
            "--threads",
            threads,
        ]))
    };
    let shell = |script: String| run(Command::new("sh").args(["-c", &script]));
    let batch = |folder: &str, jobs: &str| {
        run(Command::new(program)
            .arg("batch")
            .arg(place.join(folder))
            .args(["--jobs", jobs, "--out"])
            .arg(place.join("out")))
    };
    let figures: Vec<(&str, Figure<'_>)> = vec![
        ("report, 2 threads", Box::new(|| report(&log, "2"))),
        ("report, one core", Box::new(|| shell(on_core(0, program, &log)))),
        ("two reports at once, a core each", Box::new(|| two_at_once(program, &log))),
        ("report of gzip", Box::new(|| report(&gzip, "2"))),
        ("report of zstd", Box::new(|| report(&zst, "2"))),
        ("wc -l", Box::new(|| shell(format!("wc -l < {} > /dev/null", log.display())))),
        (
            "zcat | wc -l",
            Box::new(|| shell(format!("zcat {} | wc -l > /dev/null", gzip.display()))),
        ),
        ("crate socketcan reads", Box::new(|| socketcan_reads(&log))),
        ("batch of 16, 1 job", Box::new(|| batch("few", "1"))),
        ("batch of 16, 2 jobs", Box::new(|| batch("few", "2"))),
        ("batch of 64, 1 job", Box::new(|| batch("many", "1"))),
        ("batch of 64, 2 jobs", Box::new(|| batch("many", "2"))),
        ("report of the sample", Box::new(|| report(Path::new("samples/van-door.log.gz"), "2"))),
    ];
    let mut best = vec![f64::INFINITY; figures.len()];
    for _ in 0..TURNS {
        for (best, (_, figure)) in best.iter_mut().zip(&figures) {
            *best = best.min(figure());
        }
    }
    for ((name, _), best) in figures.iter().zip(&best) {
        println!("{name:<34} {best:>8.3} s");
    }
    let of = |name: &str| {
        figures.iter().position(|(known, _)| *known == name).map_or(f64::NAN, |at| best[at])
    };
    let whole = of("report, 2 threads");
    println!();
    println!(
        "{:<52} {:>8.1}   aim: 20 or more",
        "million frames a second",
        FRAMES as f64 / 1e6 / whole
    );
    println!("{:<52} {:>8.2}   aim: 4 or less", "report to wc -l", whole / of("wc -l"));
    println!(
        "{:<52} {:>8.1}   aim: 4 or more",
        "crate socketcan merely reading to report",
        of("crate socketcan reads") / whole
    );
    match python_can(&part) {
        Some(part) => {
            let all = part * (FRAMES / PART) as f64;
            println!(
                "{:<52} {:>8.1}   aim: 70 or more",
                "python-can merely reading to report",
                all / whole
            );
        }
        None => println!("python-can: LOSTNODE_PYTHON names no Python that has it"),
    }
    println!(
        "{:<52} {:>8.2}   aim: 1.8 or more",
        "one core to two",
        of("report, one core") / whole
    );
    println!(
        "{:<52} {:>8.2}   no program can have more here",
        "  two separate runs, one after the other to at once",
        2.0 * of("report, one core") / of("two reports at once, a core each")
    );
    println!(
        "{:<52} {:>8.2}   aim: 1.3 or less",
        "report of gzip to zcat | wc -l",
        of("report of gzip") / of("zcat | wc -l")
    );
    for (captures, one, two) in [
        (16, "batch of 16, 1 job", "batch of 16, 2 jobs"),
        (64, "batch of 64, 1 job", "batch of 64, 2 jobs"),
    ] {
        println!(
            "{:<52} {:>8.2}   aim: 1.9 or more",
            format!("batch of {captures} captures, one job to two"),
            of(one) / of(two)
        );
    }
    println!(
        "{:<52} {:>8.1}   aim: under 50",
        "report of the sample, milliseconds",
        of("report of the sample") * 1e3
    );
    for (name, path) in [("2 million frames", &log), ("the same, from standard input", &log)] {
        if let Some(megabytes) = peak(program, path, name.contains("input")) {
            println!(
                "{:<52} {megabytes:>8.1}   aim: 64 or less",
                format!("peak memory in MB, {name}")
            );
        }
    }
}

/// A report on one core, as a line of shell.
fn on_core(core: usize, program: &str, path: &Path) -> String {
    format!(
        "taskset -c {core} {program} report {} --format json --threads 1 > /dev/null || true",
        path.display()
    )
}

/// Seconds until two runs that have nothing to do with each other are both done, each on a core of
/// its own: what the second core of this machine is worth.
fn two_at_once(program: &str, path: &Path) -> f64 {
    run(Command::new("sh").args([
        "-c",
        &format!("({}) & {}; wait", on_core(1, program, path), on_core(0, program, path)),
    ]))
}

/// Seconds that a program takes, its output thrown away.
fn run(command: &mut Command) -> f64 {
    let begun = Instant::now();
    let status = command.stdout(Stdio::null()).stderr(Stdio::null()).status().unwrap();
    assert!(status.code().is_some_and(|code| code < 2), "{command:?}");
    begun.elapsed().as_secs_f64()
}

fn socketcan_reads(path: &Path) -> f64 {
    let begun = Instant::now();
    let mut reader =
        socketcan::dump::Reader::from_reader(BufReader::new(fs::File::open(path).unwrap()));
    let mut count = 0;
    while let Ok(Some(_)) = reader.next_record() {
        count += 1;
    }
    assert_eq!(count, FRAMES);
    begun.elapsed().as_secs_f64()
}

/// Seconds that python-can takes to read a log, without the start of Python.
fn python_can(path: &Path) -> Option<f64> {
    let script = "import sys, time\nfrom can.io.canutils import CanutilsLogReader\nbegun = \
     time.perf_counter()\nfor _ in CanutilsLogReader(sys.argv[1]): pass\nprint(time.perf_counter() \
     - begun)";
    let output = Command::new(std::env::var("LOSTNODE_PYTHON").ok()?)
        .args(["-c", script])
        .arg(path)
        .output()
        .ok()?;
    String::from_utf8(output.stdout).ok()?.trim().parse().ok()
}

/// Peak memory in megabytes, as GNU time tells it.
fn peak(program: &str, path: &Path, piped: bool) -> Option<f64> {
    let input = if piped {
        format!("cat {} | /usr/bin/time -f %M {program} report -", path.display())
    } else {
        format!("/usr/bin/time -f %M {program} report {}", path.display())
    };
    let output = Command::new("sh")
        .args(["-c", &format!("{input} --format json > /dev/null")])
        .output()
        .ok()?;
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    Some(told.lines().last()?.trim().parse::<f64>().ok()? / 1024.0)
}
