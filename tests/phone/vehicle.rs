//! A vehicle that is watched in real time, and what its watch serves.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use serde_json::Value;

/// Invented: four nodes, two identifiers each, periods of 20 and 50 ms.
const NODES: [(&str, [u32; 2]); 4] = [
    ("engine", [0x100, 0x110]),
    ("brakes", [0x200, 0x210]),
    ("door", [0x300, 0x310]),
    ("lamps", [0x400, 0x410]),
];
const PERIODS: [u64; 2] = [20, 50];

pub struct Vehicle {
    child: Child,
    feeder: Option<JoinHandle<Vec<String>>>,
    over: Arc<AtomicBool>,
    door_off: Arc<AtomicBool>,
    events: Arc<Mutex<Vec<Value>>>,
    folder: tempfile::TempDir,
    pub address: SocketAddr,
    /// `/secret`
    pub base: String,
    /// All of the link.
    #[allow(dead_code)] // for a browser
    pub link: String,
}

impl Vehicle {
    /// Runs `watch - --save FILE` with these arguments, which say where the page is to be.
    pub fn start(serve: &[&str]) -> Vehicle {
        let folder = tempfile::tempdir().unwrap();
        let roster = folder.path().join("roster.toml");
        let nodes = NODES.map(|(name, ids)| {
            let one = |at: usize| {
                let period = PERIODS[at] as f64 / 1e3;
                format!("{{ id = \"0x{:X}\", period = {period}, timeout = 0.5 }}", ids[at])
            };
            let messages = format!("messages = [{}, {}]", one(0), one(1));
            format!("[[node]]\nname = \"{name}\"\nchannel = \"can0\"\n{messages}\n")
        });
        std::fs::write(&roster, nodes.join("\n")).unwrap();
        let mut child = crate::common::lostnode()
            .args(["watch", "-", "--format", "jsonl", "--roster"])
            .arg(&roster)
            .arg("--save")
            .arg(folder.path().join("saved.log"))
            .args(serve)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let (over, door_off) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let stdin = child.stdin.take().unwrap();
        let (ends, off) = (Arc::clone(&over), Arc::clone(&door_off));
        let feeder = thread::spawn(move || feed(stdin, &ends, &off));
        let events = Arc::new(Mutex::new(Vec::new()));
        let (told, out) = (Arc::clone(&events), child.stdout.take().unwrap());
        thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                told.lock().unwrap().push(serde_json::from_str(&line).unwrap());
            }
        });
        let mut stderr = BufReader::new(child.stderr.take().unwrap()).lines();
        let mut said = String::new();
        let link = loop {
            let line = stderr.next().unwrap_or_else(|| panic!("{said}")).unwrap();
            if let Some(at) = line.find("http://") {
                break line[at..].trim().to_owned();
            }
            said.push_str(&line);
        };
        thread::spawn(move || stderr.for_each(drop));
        let rest = link.strip_prefix("http://").unwrap();
        let (host, secret) = rest.split_once('/').unwrap();
        let base = format!("/{}", secret.trim_end_matches('/'));
        let address = host.parse().unwrap();
        let feeder = Some(feeder);
        Vehicle { child, feeder, over, door_off, events, folder, address, base, link }
    }

    pub fn door(&self, heard: bool) {
        self.door_off.store(!heard, Ordering::Relaxed);
    }

    /// The events of one kind so far.
    pub fn events(&self, kind: &str) -> Vec<Value> {
        let events = self.events.lock().unwrap();
        events.iter().filter(|event| event["event"] == kind).cloned().collect()
    }

    /// Kilobytes of memory that the watch took at most.
    pub fn memory(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()));
        let status = status.unwrap_or_default();
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        line.map_or(0, |line| line.trim().trim_end_matches(" kB").parse().unwrap())
    }

    /// Connections and files that the watch has open.
    pub fn open_files(&self) -> usize {
        std::fs::read_dir(format!("/proc/{}/fd", self.child.id())).map_or(0, Iterator::count)
    }

    /// Ends it. What it saved has to be all that was sent, as it was sent.
    #[track_caller]
    pub fn end(mut self) {
        thread::sleep(Duration::from_secs(1));
        self.over.store(true, Ordering::Relaxed);
        let sent = self.feeder.take().unwrap().join().unwrap();
        let begun = Instant::now();
        while self.child.try_wait().unwrap().is_none() {
            assert!(begun.elapsed() < Duration::from_secs(60), "it does not end");
            thread::sleep(Duration::from_millis(20));
        }
        let saved = std::fs::read_to_string(self.saved()).unwrap();
        let saved: Vec<&str> = saved.lines().collect();
        println!("{} frames sent, {} saved", sent.len(), saved.len());
        assert!(sent.len() > 50 && saved == sent, "frames are missing or changed");
    }

    fn saved(&self) -> PathBuf {
        self.folder.path().join("saved.log")
    }

    /// Sends bytes and reads what comes until the connection ends or `patience` is over.
    pub fn raw(&self, bytes: &[u8], patience: Duration) -> String {
        let mut stream = self.connect();
        // It may hang up before it has taken all.
        let _ = stream.write_all(bytes);
        read(&mut stream, patience)
    }

    pub fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect_timeout(&self.address, Duration::from_secs(20)).unwrap();
        stream.set_write_timeout(Some(Duration::from_secs(20))).unwrap();
        stream
    }

    /// One request as a browser would send it; the status and all of the answer.
    pub fn ask(&self, method: &str, path: &str, body: &str) -> (u16, String) {
        let length = if body.is_empty() {
            String::new()
        } else {
            format!("Content-Length: {}\r\n", body.len())
        };
        let request =
            format!("{method} {path} HTTP/1.1\r\nHost: {}\r\n{length}\r\n{body}", self.address);
        let answer = self.raw(request.as_bytes(), Duration::from_secs(20));
        (status(&answer), answer)
    }

    pub fn mark(&self, text: &str) -> u16 {
        self.ask("POST", &format!("{}/mark", self.base), text).0
    }
}

impl Drop for Vehicle {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// 0 where nothing came.
pub fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0)
}

pub fn read(stream: &mut TcpStream, patience: Duration) -> String {
    let (begun, mut all, mut some) = (Instant::now(), Vec::new(), [0; 4096]);
    while begun.elapsed() < patience {
        let left = patience.saturating_sub(begun.elapsed()).max(Duration::from_millis(1));
        stream.set_read_timeout(Some(left)).unwrap();
        match stream.read(&mut some) {
            Ok(0) | Err(_) => break,
            Ok(count) => all.extend_from_slice(&some[..count]),
        }
    }
    String::from_utf8_lossy(&all).into_owned()
}

/// Sends frames by the clock until it is over; all that was sent.
fn feed(mut to: impl Write, over: &AtomicBool, door_off: &AtomicBool) -> Vec<String> {
    let (begun, mut sent) = (Instant::now(), Vec::new());
    let mut slot = 0_u64;
    while !over.load(Ordering::Relaxed) {
        slot += 1;
        let due = Duration::from_millis(slot * 10);
        thread::sleep(due.saturating_sub(begun.elapsed()));
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_micros();
        for (name, ids) in NODES {
            if name == "door" && door_off.load(Ordering::Relaxed) {
                continue;
            }
            for (id, period) in ids.iter().zip(PERIODS) {
                if (slot * 10).is_multiple_of(period) {
                    let line = format!(
                        "({}.{:06}) can0 {id:03X}#{:08X}",
                        now / 1_000_000,
                        now % 1_000_000,
                        slot
                    );
                    if writeln!(to, "{line}").is_err() {
                        return sent;
                    }
                    sent.push(line);
                }
            }
        }
        let _ = to.flush();
    }
    sent
}

/// Waits until `done`, or fails after so long; how long it took.
#[track_caller]
pub fn until(patience: u64, what: &str, mut done: impl FnMut() -> bool) -> Duration {
    let begun = Instant::now();
    while !done() {
        assert!(begun.elapsed() < Duration::from_secs(patience), "{what}: not in {patience} s");
        thread::sleep(Duration::from_millis(10));
    }
    begun.elapsed()
}
