//! Tells what happens, to whoever listens: lines, the screen, the bell, the board.

use std::io::{self, IsTerminal, Write};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use super::bell::Bell;
use super::board::Board;
use super::lines::Lines;
use super::marks::{SideFile, beside};
use super::screen::{self, Screen, Shown};
use super::session::Session;
use super::show::Wanted;
use super::{Arguments, Format};
use crate::analysis::marks::Mark;
use crate::capture::Batch;
use crate::live::{Event, Ledger};
use crate::render::json::live as json;
use crate::words::live as words;

/// How all stands is published this often at most.
const STATE: Duration = Duration::from_millis(200);

/// All who are told.
pub(super) struct Teller {
    format: Format,
    lines: Lines,
    board: Arc<Board>,
    screen: Option<Screen>,
    /// `None` where nothing is to be heard.
    bell: Option<Bell>,
    ledger: Ledger,
    wanted: Vec<Wanted>,
    /// One of them has another value than was told.
    changed: bool,
    side: Option<SideFile>,
    marks: Vec<Mark>,
    published: Option<Instant>,
}

impl Teller {
    /// As the arguments ask for it.
    pub fn new(arguments: &Arguments, board: &Arc<Board>, stop: &Arc<AtomicBool>) -> Self {
        let text = arguments.format == Format::Text;
        let wanted = text && !arguments.lines && screen::possible();
        let screen = wanted.then(|| {
            let invited = arguments.serve.is_some();
            Screen::new(Arc::clone(board), Arc::clone(stop), arguments.ascii, invited)
                .inspect_err(|error| say(&format!("no screen ({error}); lines instead")))
                .ok()
        });
        let screen = screen.flatten();
        let heard = !arguments.quiet && (screen.is_some() || io::stderr().is_terminal());
        Teller {
            format: arguments.format,
            lines: Lines::new(Arc::clone(stop)),
            board: Arc::clone(board),
            screen,
            bell: heard.then(Bell::default),
            ledger: Ledger::default(),
            wanted: arguments.show.clone(),
            changed: false,
            side: arguments.save.as_ref().map(|path| SideFile::new(beside(path))),
            marks: Vec::new(),
            published: None,
        }
    }

    /// What has happened, and how all stands where that is due.
    pub fn tell_due(&mut self, session: &mut Session<'_>) {
        let events = session.look();
        let news = !events.is_empty();
        self.tell_events(events, session);
        self.ring();
        if news || self.published.is_none_or(|at| at.elapsed() >= STATE) {
            self.tell_state(session);
        }
    }

    /// Takes the values that are to be shown out of frames.
    pub fn take(&mut self, batch: &Batch) {
        for own in &mut self.wanted {
            self.changed |= own.push(batch);
        }
    }

    /// Something that the user should know.
    pub fn note(&mut self, text: &str) {
        match &self.screen {
            Some(screen) => screen.note(text),
            None => say(text),
        }
    }

    /// Marks that were handed in.
    pub fn take_marks(&mut self, session: &mut Session<'_>) {
        // Before the first frame there is no time to give them: they wait.
        let Some(time) = session.watch.clock() else { return };
        for text in self.board.take_marks() {
            session.watch.mark(time, text.clone());
            let mark = Mark { time, text };
            if let Some(Err(error)) = self.side.as_mut().map(|side| side.put(&mark)) {
                self.note(&error);
                self.side = None;
            }
            self.marks.push(mark);
        }
    }

    /// The last events; then the terminal is given back. The marks of the watch, and the lines that
    /// are still under way.
    pub fn finish(mut self, session: &mut Session<'_>) -> (Vec<Mark>, Lines) {
        let events = session.watch.events();
        self.tell_events(events, session);
        self.tell_state(session);
        self.board.close();
        drop(self.screen);
        (self.marks, self.lines)
    }

    fn ring(&mut self) {
        let Some(ring) = self.bell.as_mut().and_then(|bell| bell.due(Instant::now())) else {
            return;
        };
        match &self.screen {
            Some(screen) => screen.ring(ring),
            // On a thread: two bells have a pause between them.
            None => {
                std::thread::spawn(move || screen::sound(&mut io::stderr(), ring));
            }
        }
    }

    fn tell_state(&mut self, session: &Session<'_>) {
        self.published = Some(Instant::now());
        self.board.publish_state(&json::state(&session.watch));
        if let Some(screen) = &self.screen {
            let values = self.wanted.iter().map(|own| format!(" {}", own.text())).collect();
            screen.show(Shown { values, ..Shown::of(&session.watch, &self.ledger) });
        } else if std::mem::take(&mut self.changed) && self.format == Format::Text {
            let values: Vec<String> = self.wanted.iter().map(Wanted::text).collect();
            self.lines.put(words::value(&session.watch, &values.join(", ")));
        }
    }

    fn tell_events(&mut self, events: Vec<Event>, session: &Session<'_>) {
        for event in events {
            self.ledger.push(&event);
            if let Some(bell) = &mut self.bell {
                bell.hear(&event, Instant::now());
            }
            let line = json::event(&session.watch, &event);
            self.board.publish_event(&line);
            match self.format {
                Format::Jsonl => self.lines.put(line),
                Format::Text if self.screen.is_none() => {
                    self.lines.put(words::line(&session.watch, &event));
                }
                Format::Text => {}
            }
        }
    }
}

/// Waits for the reader of lines; whether standard output may still be written to.
pub(super) fn finish(lines: Lines, patient: bool) -> bool {
    let finished = lines.finish(patient);
    match finished.left_out {
        0 => {}
        left => say(&format!("{left} lines were left out: nobody took them in time")),
    }
    !finished.hangs
}

/// On standard error, which may have gone with its terminal.
fn say(text: &str) {
    let _ = writeln!(io::stderr(), "lostnode: {text}");
}
