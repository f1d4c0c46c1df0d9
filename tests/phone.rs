//! `watch --serve`: what the page gives, to whom, and that nothing asked of it keeps the recording
//! from going on. `Vehicle::end` holds what was saved against what was sent.

mod common;
#[path = "phone/vehicle.rs"]
mod vehicle;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use vehicle::{Vehicle, read, status, until};

const SECONDS: fn(u64) -> Duration = Duration::from_secs;

/// On this machine only, at a port of its own.
fn start() -> Vehicle {
    Vehicle::start(&["--serve"])
}

/// All answers to who may not see anything are the same, so that they tell nothing.
#[test]
fn without_the_secret_nothing_is_given() {
    let vehicle = start();
    let base = vehicle.base.clone();
    assert_eq!(base.len(), 27, "128 bits in base 32");
    let mut near = base.clone().into_bytes();
    near[26] = if near[26] == b'A' { b'B' } else { b'A' };
    let near = String::from_utf8(near).unwrap();
    let mut paths: Vec<String> =
        ["/", "/favicon.ico", "/events", "/mark", "/index.html"].map(str::to_owned).into();
    for wrong in [&near, &base[..26], &format!("{base}A"), "/AAAAAAAAAAAAAAAAAAAAAAAAAA"] {
        paths.extend(["", "/", "/events", "/mark"].map(|rest| format!("{wrong}{rest}")));
    }
    paths.push(format!("/?secret={}", &base[1..]));
    let nothing = vehicle.ask("GET", "/", "").1;
    for path in &paths {
        for method in ["GET", "POST", "PUT", "DELETE", "OPTIONS"] {
            let (status, answer) = vehicle.ask(method, path, "a mark");
            assert_eq!((status, &answer), (404, &nothing), "{method} {path}");
        }
    }
    assert!(!nothing.contains("lostnode") && nothing.ends_with("\r\n\r\n"), "{nothing}");
    let (status, page) = vehicle.ask("GET", &format!("{base}/"), "");
    assert_eq!(status, 200);
    assert!(page.contains("<title>lostnode"), "with the secret there is a page");
    assert!(vehicle.events("mark").is_empty());
    vehicle.end();
}

/// The path is taken as it comes; there is nothing behind it but three places.
#[test]
fn paths_lead_nowhere_else() {
    let vehicle = start();
    let base = vehicle.base.clone();
    let secret = &base[1..];
    for path in [
        format!("{base}/../../../etc/passwd"),
        format!("{base}/events/../../etc/passwd"),
        format!("{base}/..%2f..%2fetc%2fpasswd"),
        format!("{base}/%2e%2e/"),
        format!("{base}/./"),
        format!("{base}//"),
        format!("/{base}/"),
        format!("/.{base}/"),
        format!("{base}%00/"),
        format!("{base}/mark%0d%0aX: y"),
        format!("{base}/events?x=1"),
        format!("{base}\\"),
        format!("http://{}{base}/", vehicle.address),
        format!("http://evil.example{base}/"),
        format!("/%{:02X}{}/", secret.as_bytes()[0], &secret[1..]),
        "*".to_owned(),
        vehicle.address.to_string(),
    ] {
        for method in ["GET", "POST", "CONNECT", "OPTIONS", "TRACE", "PROPFIND"] {
            let (status, answer) = vehicle.ask(method, &path, "x");
            assert!([400, 404].contains(&status), "{method} {path}: {answer}");
            assert!(!answer.contains("root:") && !answer.contains("<html"), "{method} {path}");
        }
    }
    for method in ["POST", "PUT", "DELETE", "HEAD", "PATCH"] {
        assert_eq!(vehicle.ask(method, &format!("{base}/"), "x").0, 404, "{method}");
    }
    assert_eq!(vehicle.ask("GET", &format!("{base}/mark"), "").0, 404);
    assert!(vehicle.events("mark").is_empty());
    vehicle.end();
}

/// A name of somebody else's that leads to this machine, and a page of somebody else's.
#[test]
fn a_foreign_host_is_refused() {
    let vehicle = start();
    let (base, port) = (vehicle.base.clone(), vehicle.address.port());
    let ask = |head: &str| {
        let bytes = format!("GET {base}/ HTTP/1.1\r\n{head}\r\n");
        status(&vehicle.raw(bytes.as_bytes(), SECONDS(10)))
    };
    let own = format!("Host: 127.0.0.1:{port}\r\n");
    assert_eq!(ask(&own), 200);
    assert_eq!(ask(&format!("Host: localhost:{port}\r\n")), 200);
    for head in [
        "Host: evil.example\r\n".to_owned(),
        format!("Host: evil.example:{port}\r\n"),
        format!("Host: 127.0.0.1.evil.example:{port}\r\n"),
        "Host: 127.0.0.1\r\n".to_owned(),
        format!("Host: 127.0.0.2:{port}\r\n"),
        format!("Host: user@127.0.0.1:{port}\r\n"),
        format!("{own}Host: evil.example\r\n"),
        format!("Host: evil.example\r\n{own}"),
        format!("Host: evil.example\r\nX-Forwarded-Host: 127.0.0.1:{port}\r\n"),
        "Host:\r\n".to_owned(),
        String::new(),
    ] {
        assert_eq!(ask(&head), 404, "{head}");
    }
    let old = format!("GET {base}/ HTTP/1.0\r\n\r\n");
    assert_eq!(status(&vehicle.raw(old.as_bytes(), SECONDS(10))), 404);
    for (site, answer) in [("cross-site", 404), ("same-site", 404), ("same-origin", 200)] {
        let bytes = format!(
            "POST {base}/mark HTTP/1.1\r\n{own}Sec-Fetch-Site: {site}\r\nContent-Length: 1\r\n\r\n7"
        );
        assert_eq!(status(&vehicle.raw(bytes.as_bytes(), SECONDS(10))), answer, "{site}");
    }
    until(60, "the mark", || vehicle.events("mark").len() == 1);
    vehicle.end();
}

/// Neither a long head nor a body without end is kept in memory, whoever sends them.
#[test]
fn huge_requests_are_cut_off() {
    let vehicle = start();
    let base = vehicle.base.clone();
    let host = format!("Host: {}\r\n", vehicle.address);
    assert_eq!(vehicle.ask("GET", &format!("{base}/"), "").0, 200);
    let before = vehicle.memory();
    let megabyte = "a".repeat(1 << 20);
    let heads = [
        format!("GET /{megabyte} HTTP/1.1\r\n{host}\r\n"),
        format!("GET {base}/ HTTP/1.1\r\n{host}X: {megabyte}\r\n\r\n"),
        format!("GET {base}/ HTTP/1.1\r\n{host}{}\r\n", "X: y\r\n".repeat(100_000)),
        megabyte.clone(),
    ];
    for head in &heads {
        let answer = vehicle.raw(head.as_bytes(), SECONDS(10));
        // The connection may be gone before the answer is read.
        assert!([0, 400, 414, 431].contains(&status(&answer)), "{answer}");
    }
    let bodies = [
        format!("Content-Length: 1000000000000\r\n\r\n{megabyte}"),
        format!("Content-Length: 401\r\n\r\n{}", "a".repeat(401)),
        format!("Transfer-Encoding: chunked\r\n\r\n100000\r\n{megabyte}\r\n"),
        "Content-Length: 5\r\nContent-Length: 6\r\n\r\nabcdef".to_owned(),
        "Content-Length: -1\r\n\r\nabcdef".to_owned(),
        "Content-Length: 18446744073709551616\r\n\r\nabcdef".to_owned(),
        "Transfer-Encoding: chunked\r\n\r\nFFFFFFFFFFFFFFFFF\r\nabc".to_owned(),
    ];
    for body in &bodies {
        let bytes = format!("POST {base}/mark HTTP/1.1\r\n{host}{body}");
        let answer = vehicle.raw(bytes.as_bytes(), SECONDS(10));
        assert!([0, 400, 413, 429].contains(&status(&answer)), "{}: {answer}", &body[..40]);
    }
    let grown = vehicle.memory() - before;
    println!("{grown} kB more memory at most");
    assert!(grown < 8000, "{grown} kB more");
    assert!(vehicle.events("mark").is_empty());
    vehicle.end();
}

/// Who sends a byte now and then, or nothing, does not stay.
#[test]
fn slow_requests_are_cut_off() {
    let vehicle = start();
    let base = &vehicle.base;
    let host = format!("Host: {}\r\n", vehicle.address);
    let requests = [
        String::new(),
        format!("GET {base}/ HTTP/1.1\r\n{host}X: {}", "y".repeat(1000)),
        format!(
            "POST {base}/mark HTTP/1.1\r\n{host}Content-Length: 300\r\n\r\n{}",
            "y".repeat(300)
        ),
    ];
    thread::scope(|scope| {
        for request in &requests {
            let vehicle = &vehicle;
            scope.spawn(move || {
                let mut stream = vehicle.connect();
                stream.set_read_timeout(Some(Duration::from_millis(150))).unwrap();
                let (begun, mut bytes) = (Instant::now(), request.bytes());
                let mut gone = false;
                while !gone && begun.elapsed() < SECONDS(20) {
                    gone = bytes.next().is_some_and(|byte| stream.write_all(&[byte]).is_err());
                    match stream.read(&mut [0; 64]) {
                        Ok(0) => gone = true,
                        Err(error) if error.kind() != std::io::ErrorKind::WouldBlock => gone = true,
                        _ => {}
                    }
                }
                let lasted = begun.elapsed().as_secs_f64();
                println!("cut off after {lasted:.1} s");
                // On a busy machine later than on another; but cut off, and not at once.
                assert!(gone && lasted >= 4.0, "{lasted} s");
            });
        }
    });
    assert!(vehicle.events("mark").is_empty());
    vehicle.end();
}

/// How many connections this process may hold open.
fn most_open() -> usize {
    let limits = std::fs::read_to_string("/proc/self/limits").unwrap_or_default();
    let line = limits.lines().find(|line| line.starts_with("Max open files"));
    let soft = line.and_then(|line| line.split_whitespace().nth(3)?.parse().ok());
    soft.unwrap_or(1024_usize).saturating_sub(200).min(10_000)
}

/// Ten thousand connections, held open as far as the system lets this process: the watch keeps few
/// of them, an open page notices nothing, and one with the secret still gets in.
#[test]
fn ten_thousand_connections_do_not_keep_a_page_out() {
    let vehicle = start();
    let mut open = vehicle.connect();
    let request =
        format!("GET {}/events HTTP/1.1\r\nHost: {}\r\n\r\n", vehicle.base, vehicle.address);
    open.write_all(request.as_bytes()).unwrap();
    until(60, "the state", || read(&mut open, Duration::from_millis(300)).contains("event: state"));
    let (before, files) = (vehicle.memory(), vehicle.open_files());
    let (made, refused, entered) = (AtomicUsize::new(0), AtomicUsize::new(0), AtomicUsize::new(0));
    let (workers, most) = (200, most_open());
    let begun = Instant::now();
    let most_files = thread::scope(|scope| {
        let workers: Vec<_> = (0..workers)
            .map(|_| {
                scope.spawn(|| {
                    let mut held = Vec::new();
                    for _ in 0..10_000 / workers {
                        match TcpStream::connect_timeout(
                            &vehicle.address,
                            Duration::from_millis(500),
                        ) {
                            Ok(stream) => {
                                made.fetch_add(1, Ordering::Relaxed);
                                held.push(stream);
                            }
                            Err(_) => {
                                refused.fetch_add(1, Ordering::Relaxed);
                            }
                        }
                        if held.len() > most / workers {
                            held.remove(0);
                        }
                    }
                })
            })
            .collect();
        let (mut most_files, mut slowest) = (0, Duration::ZERO);
        while workers.iter().any(|worker| !worker.is_finished()) {
            let asked = Instant::now();
            if vehicle.ask("GET", &format!("{}/", vehicle.base), "").0 == 200 {
                entered.fetch_add(1, Ordering::Relaxed);
                slowest = slowest.max(asked.elapsed());
            }
            most_files = most_files.max(vehicle.open_files());
            thread::sleep(Duration::from_millis(100));
        }
        println!("a page came in {slowest:?} at the slowest");
        most_files
    });
    let [made, refused, entered] = [made, refused, entered].map(|own| own.load(Ordering::Relaxed));
    let grown = vehicle.memory() - before;
    println!(
        "{made} connections, {refused} refused in {:?}, at most {} open, {grown} kB more; the page \
         came {entered} times",
        begun.elapsed(),
        most_files - files
    );
    assert_eq!(made + refused, 10_000);
    assert!(made > 5000, "{made} were made");
    assert!(most_files - files < 400 && grown < 16_000);
    assert!(entered > 0, "nobody gets in");
    assert_eq!(vehicle.ask("GET", &format!("{}/", vehicle.base), "").0, 200);
    until(60, "the open page", || read(&mut open, SECONDS(2)).contains("event: state"));
    vehicle.end();
}

/// A mark is one line of plain text, and no more often than a hand makes them.
#[test]
fn marks_are_checked_and_bounded() {
    let vehicle = start();
    until(60, "the first frames", || vehicle.mark("harness at the step") == 200);
    until(60, "the mark", || vehicle.events("mark").len() == 1);
    assert_eq!(vehicle.events("mark")[0]["text"], "harness at the step");
    thread::sleep(SECONDS(3));
    for unfit in ["\x1b[2J\x1b]0;x\x07", "two\nlines", "a\0b", "\u{9b}31m", "a\u{202e}b", "   "] {
        let answer = vehicle.mark(unfit);
        assert!([400, 429].contains(&answer), "{unfit:?}: {answer}");
        thread::sleep(SECONDS(1));
    }
    let answers: Vec<u16> = (0..50).map(|at| vehicle.mark(&at.to_string())).collect();
    let taken = answers.iter().filter(|answer| **answer == 200).count();
    println!("{taken} of 50 marks at once were taken");
    assert!((1..20).contains(&taken) && answers.contains(&429), "{answers:?}");
    until(60, "the marks", || vehicle.events("mark").len() == 1 + taken);
    vehicle.end();
}

/// Pages that take nothing: the recording goes on, and another page hears of a loss as quickly as
/// without them.
#[test]
fn pages_that_hang_slow_nobody() {
    let vehicle = start();
    let request =
        format!("GET {}/events HTTP/1.1\r\nHost: {}\r\n\r\n", vehicle.base, vehicle.address);
    let hangs = || {
        let mut stream = vehicle.connect();
        stream.write_all(request.as_bytes()).unwrap();
        stream
    };
    let mut reads = hangs();
    reads.set_read_timeout(Some(SECONDS(30))).unwrap();
    let _held: Vec<TcpStream> = (0..15).map(|_| hangs()).collect();
    until(60, "sixteen pages", || {
        let answer = vehicle.raw(request.as_bytes(), Duration::from_millis(500));
        status(&answer) == 503
    });
    thread::sleep(SECONDS(3));
    vehicle.door(false);
    let (begun, mut heard, mut some) = (Instant::now(), String::new(), [0; 4096]);
    while !heard.contains("\"event\":\"silent\"") {
        let count = reads.read(&mut some).unwrap();
        heard.push_str(&String::from_utf8_lossy(&some[..count]));
    }
    println!("heard of it {:?} after its last frame, time-out 0.5 s", begun.elapsed());
    assert!(begun.elapsed() < SECONDS(5), "{:?}", begun.elapsed());
    vehicle.end();
}

/// Only where it was asked to be: another address of this machine is not served.
#[test]
fn it_is_served_at_one_address() {
    let vehicle = Vehicle::start(&["--serve", "127.0.0.2"]);
    assert_eq!(vehicle.address.ip().to_string(), "127.0.0.2");
    assert_eq!(vehicle.ask("GET", &format!("{}/", vehicle.base), "").0, 200);
    assert!(TcpStream::connect(("127.0.0.1", vehicle.address.port())).is_err());
    vehicle.end();
    for (address, why) in [
        ("0.0.0.0", "give one address of this machine"),
        ("can0", "this is no address"),
        ("192.0.2.77", "does not have the address"),
    ] {
        let output = common::piped(&["watch", "-", "--serve", address], b"");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(!output.status.success() && said.contains(why), "{address}: {said}");
    }
}
