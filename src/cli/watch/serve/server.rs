//! The thread that serves: it takes connections in, passes news on, and owns nothing that the
//! recording waits for.
//!
//! What strangers can use up is bounded: connections taken in a second, connections open, bytes
//! and time of each. When too many are open the oldest that is no open page goes, so that a phone
//! still gets in while others only hold on.

use std::cell::{Cell, RefCell};
use std::collections::BTreeMap;
use std::future::{Future, poll_fn};
use std::pin::pin;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::Poll;
use std::time::{Duration, Instant};

use hyper::body::Bytes;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use tokio::net::{TcpListener, TcpStream};
use tokio::task::{LocalSet, spawn_local};
use tokio::time::{sleep, timeout};

use super::clients::{Clients, Visitor};
use super::pace::Pace;
use super::secret::Secret;
use super::socket::Socket;
use super::visit;
use crate::cli::watch::board::{Board, News};

/// Connections open at a time that are no open page.
const MOST_STRANGERS: usize = 256;
/// How long a visit may take, from the connection to the end of the answer. An open page stays.
const PATIENCE: Duration = Duration::from_secs(5);
/// Connections taken in at once, and a second after that: what a flood costs is bounded by it.
const AT_ONCE: u32 = 100;
const PER_SECOND: f64 = 1000.0;
/// Marks at once, and a second after that: faster than a hand.
const MARKS_AT_ONCE: u32 = 5;
const MARKS_PER_SECOND: f64 = 1.0;
/// Bytes of a request before its body, the least that the library takes.
const LONGEST_REQUEST: usize = 8192;
/// How often the board is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(25);
/// How often pages get the state when nothing happens. A page that hears nothing for some of
/// these knows that it has lost the connection.
const STATE_EVERY: Duration = Duration::from_secs(1);
/// Events that a new page is shown.
const RECENT: u64 = 20;
/// What is left to say at the end may take this long.
const FAREWELL: Duration = Duration::from_millis(300);

/// What all visits have in common.
pub(super) struct Shared {
    pub secret: Secret,
    /// The hosts that a request may name.
    pub hosts: Vec<String>,
    pub board: Arc<Board>,
    pub clients: Clients,
    pub marks: RefCell<Pace>,
    strangers: RefCell<BTreeMap<u64, Rc<Visitor>>>,
    visits: Cell<u64>,
}

impl Shared {
    pub fn new(secret: Secret, hosts: Vec<String>, board: Arc<Board>) -> Self {
        Shared {
            secret,
            hosts,
            board,
            clients: Clients::default(),
            marks: RefCell::new(Pace::new(MARKS_AT_ONCE, MARKS_PER_SECOND, Instant::now())),
            strangers: RefCell::default(),
            visits: Cell::new(0),
        }
    }

    /// What a page is told when it comes or comes back: what has happened lately, and the state.
    pub fn first(&self) -> Bytes {
        let from = self.board.next_event().saturating_sub(RECENT);
        let News { events, state, .. } = self.board.wait(from, 0, Duration::ZERO);
        let lines: Vec<&str> = events.iter().map(|(_, line)| &**line).collect();
        let mut text = format!("event: recent\ndata: [{}]\n\n", lines.join(","));
        if let Some((_, state)) = state {
            text.push_str(&told("state", &state));
        }
        text.into()
    }
}

/// One event of the stream; `json` is a single line.
fn told(kind: &str, json: &str) -> String {
    format!("event: {kind}\ndata: {json}\n\n")
}

/// Serves until `over`, or until the watch has ended.
pub(super) fn run(listener: std::net::TcpListener, shared: Shared, over: &AtomicBool) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let Ok(runtime) = runtime else { return };
    let shared = Rc::new(shared);
    LocalSet::new().block_on(&runtime, async {
        let Ok(listener) = TcpListener::from_std(listener) else { return };
        spawn_local(take_in(listener, Rc::clone(&shared)));
        pass_on(&shared, over).await;
        shared.clients.farewell();
        sleep(FAREWELL).await;
    });
}

/// Tells the pages what happens.
async fn pass_on(shared: &Shared, over: &AtomicBool) {
    let mut next = shared.board.next_event();
    let mut due = Instant::now();
    // The state that is up when an event comes may be from before it: then the next is told too.
    let mut newer_than = u64::MAX;
    while !over.load(Ordering::Relaxed) {
        sleep(LOOK_EVERY).await;
        let news = shared.board.wait(next, 0, Duration::ZERO);
        if news.missed > 0 {
            shared.clients.tell(&shared.first());
        }
        next = news.events.last().map_or(next, |(number, _)| number + 1);
        for (_, line) in &news.events {
            shared.clients.tell(&told("news", line).into());
        }
        let now = Instant::now();
        if let Some((number, state)) = &news.state
            && (!news.events.is_empty() || *number > newer_than || now >= due)
        {
            shared.clients.tell(&told("state", state).into());
            newer_than = if news.events.is_empty() { u64::MAX } else { *number };
            due = now + STATE_EVERY;
        }
        if news.closed {
            break;
        }
    }
    shared.clients.tell(&Bytes::from_static(b"event: over\ndata: {}\n\n"));
}

/// Takes connections in, no faster than it should.
async fn take_in(listener: TcpListener, shared: Rc<Shared>) {
    let mut pace = Pace::new(AT_ONCE, PER_SECOND, Instant::now());
    loop {
        match listener.accept().await {
            Ok((stream, _)) => {
                spawn_local(visit(stream, Rc::clone(&shared)));
            }
            // The system has no room for more just now.
            Err(_) => sleep(Duration::from_millis(100)).await,
        }
        while let Err(wait) = pace.take(Instant::now()) {
            sleep(wait).await;
        }
    }
}

/// One connection, from its first byte to its end. It brings one request.
async fn visit(stream: TcpStream, shared: Rc<Shared>) {
    let visitor = Rc::new(Visitor::default());
    let number = shared.visits.replace(shared.visits.get() + 1);
    {
        let mut strangers = shared.strangers.borrow_mut();
        strangers.insert(number, Rc::clone(&visitor));
        if strangers.len() > MOST_STRANGERS
            && let Some((_, oldest)) = strangers.pop_first()
        {
            oldest.cut.notify_one();
        }
    }
    let answer = |request| {
        let (shared, visitor) = (Rc::clone(&shared), Rc::clone(&visitor));
        async move {
            let answer = visit::answer(request, Rc::clone(&shared), Rc::clone(&visitor)).await;
            if visitor.stays.get() {
                shared.strangers.borrow_mut().remove(&number);
            }
            answer
        }
    };
    // The library's own time limit begins with the first byte: one that sends nothing would stay.
    let end = async {
        if timeout(PATIENCE, visitor.cut.notified()).await.is_err() && visitor.stays.get() {
            visitor.cut.notified().await;
        }
    };
    let connection = http1::Builder::new()
        .keep_alive(false)
        .auto_date_header(false)
        .header_read_timeout(None)
        .max_buf_size(LONGEST_REQUEST)
        .serve_connection(Socket(stream), service_fn(answer));
    let (mut connection, mut end) = (pin!(connection), pin!(end));
    poll_fn(|context| match connection.as_mut().poll(context) {
        Poll::Ready(_) => Poll::Ready(()),
        Poll::Pending => end.as_mut().poll(context),
    })
    .await;
    shared.strangers.borrow_mut().remove(&number);
}
