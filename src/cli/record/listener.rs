//! One interface, listened to on a thread of its own.

use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use lostnode_parsers::{FrameKind, Timestamp};

use crate::capture::ChannelIndex;
use crate::interface::Interface;

/// What a listener hands on.
pub(in crate::cli) enum Event {
    Heard(ChannelIndex, Timestamp, FrameKind),
    Trouble(ChannelIndex, String),
}

pub(in crate::cli) struct Listener {
    interface: Interface,
    dropped: AtomicU64,
}

/// How long one wait for a frame lasts.
const PATIENCE: Duration = Duration::from_millis(100);
/// … and once the recording is to end.
const HURRY: Duration = Duration::from_millis(1);
/// Frames after which the count of drops is read again.
const ASK_EVERY: u32 = 1000;

impl Listener {
    pub fn new(interface: Interface) -> Self {
        Listener { interface, dropped: AtomicU64::new(0) }
    }

    /// Frames the kernel threw away.
    pub fn dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }

    /// Listens until `stop` is set, the interface has gone, or nobody takes what is heard. What
    /// came before the stop and still waits in the kernel is handed on.
    pub fn listen(&self, channel: ChannelIndex, stop: &AtomicBool, to: &SyncSender<Event>) {
        let (mut since, mut down) = (0, false);
        let mut last_moment = None;
        loop {
            if last_moment.is_none() && stop.load(Ordering::Relaxed) {
                last_moment = Some(jiff::Timestamp::now().as_nanosecond());
            }
            let patience = if last_moment.is_some() { HURRY } else { PATIENCE };
            let event = match self.interface.receive(patience) {
                Ok(Some((time, _)))
                    if last_moment.is_some_and(|last| i128::from(time.nanoseconds()) > last) =>
                {
                    break;
                }
                Ok(None) if last_moment.is_some() => break,
                Err(_) if last_moment.is_some() => break,
                Ok(Some((time, kind))) => {
                    down = false;
                    since += 1;
                    Some(Event::Heard(channel, time, kind))
                }
                Ok(None) => {
                    since = ASK_EVERY;
                    None
                }
                // Taken down: it may come up again, and then the socket goes on.
                Err(error) if error.kind() == io::ErrorKind::NetworkDown => {
                    std::thread::sleep(PATIENCE);
                    (!std::mem::replace(&mut down, true))
                        .then(|| Event::Trouble(channel, "is down; waiting".to_owned()))
                }
                Err(error) => {
                    let _ = to.send(Event::Trouble(
                        channel,
                        format!("{error}; nothing more is recorded from it"),
                    ));
                    break;
                }
            };
            if since >= ASK_EVERY {
                since = 0;
                self.ask();
            }
            if event.is_some_and(|event| to.send(event).is_err()) {
                break;
            }
        }
        self.ask();
    }

    fn ask(&self) {
        if let Ok(dropped) = self.interface.dropped() {
            self.dropped.store(dropped, Ordering::Relaxed);
        }
    }
}
