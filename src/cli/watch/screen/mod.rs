//! The screen of a terminal, on a thread of its own: a slow line does not hold up the bus.

mod big;
mod draw;
mod shown;

use std::io::{self, IsTerminal, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use ratatui::crossterm::cursor::{Hide, Show};
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use ratatui::crossterm::execute;
use ratatui::crossterm::terminal::{
    EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode,
};

use self::draw::{Look, draw};
use self::shown::History;
pub(super) use self::shown::Shown;
use super::bell::Ring;
use super::board::Board;
use crate::capture::lock;
use crate::cli::files::MARK_LETTERS;

/// A terminal is asked for keys and drawn this often.
const EVERY: Duration = Duration::from_millis(100);
/// How long the end waits for the thread of the screen.
const PATIENCE: Duration = Duration::from_secs(1);
/// Between the two bells of a return.
const PAUSE: Duration = Duration::from_millis(150);

/// The screen under way.
pub(super) struct Screen {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

struct Shared {
    shown: Mutex<(Shown, u64)>,
    rings: Mutex<Vec<Ring>>,
    over: AtomicBool,
    stop: Arc<AtomicBool>,
    board: Arc<Board>,
    /// The link of the page stands there to be photographed: a key goes on to the screen.
    invited: bool,
}

/// Whether a screen can be shown: a terminal to draw on and one to take keys from, though standard
/// input may carry the capture.
pub(super) fn possible() -> bool {
    io::stdout().is_terminal()
}

impl Screen {
    /// Takes the terminal; `stop` is set by the key to quit.
    ///
    /// # Errors
    /// Where it is no terminal after all.
    pub fn new(
        board: Arc<Board>,
        stop: Arc<AtomicBool>,
        ascii: bool,
        invited: bool,
    ) -> io::Result<Self> {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            restore();
            before(panic);
        }));
        if invited {
            eprintln!("lostnode: any key goes on to the screen; the watch has begun");
        }
        enable_raw_mode()?;
        let mut terminal =
            Terminal::new(CrosstermBackend::new(io::stdout())).inspect_err(|_| restore())?;
        let set = |name: &str| std::env::var_os(name).is_some_and(|value| !value.is_empty());
        let look =
            Look { colour: !set("NO_COLOR"), blocks: !ascii && unicode(), ..Look::default() };
        let over = AtomicBool::new(false);
        let shown = Mutex::new((Shown::default(), 0));
        let shared =
            Arc::new(Shared { shown, rings: Mutex::default(), over, stop, board, invited });
        let own = Arc::clone(&shared);
        let thread = std::thread::spawn(move || {
            // What goes wrong with a terminal (it was closed) ends the screen, not the watch.
            let _ = own.run(&mut terminal, look);
            restore();
        });
        Ok(Screen { shared, thread: Some(thread) })
    }

    /// What is to be shown from now on.
    pub fn show(&self, shown: Shown) {
        let mut own = lock(&self.shared.shown);
        let note = shown.note.clone().or_else(|| own.0.note.take());
        own.0 = Shown { note, ..shown };
        own.1 += 1;
    }

    /// Something that the user should know.
    pub fn note(&self, text: &str) {
        lock(&self.shared.shown).0.note = Some(format!(" {text}"));
    }

    /// Is to be heard.
    pub fn ring(&self, ring: Ring) {
        lock(&self.shared.rings).push(ring);
    }
}

impl Drop for Screen {
    /// Gives the terminal back.
    fn drop(&mut self) {
        self.shared.over.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // Of a terminal that is gone the library waits for keys without end.
            let patience = Instant::now() + PATIENCE;
            while !thread.is_finished() && Instant::now() < patience {
                std::thread::sleep(EVERY / 10);
            }
            if thread.is_finished() {
                let _ = thread.join();
            }
        }
        restore();
    }
}

/// The terminal as it was.
fn restore() {
    let _ = disable_raw_mode();
    let _ = execute!(io::stdout(), LeaveAlternateScreen, Show);
}

/// Whether the terminal takes more than ASCII, as the environment says.
fn unicode() -> bool {
    let value = |name: &str| std::env::var(name).ok().filter(|value| !value.is_empty());
    let locale = value("LC_ALL").or_else(|| value("LC_CTYPE")).or_else(|| value("LANG"));
    locale.is_some_and(|locale| {
        let locale = locale.to_ascii_lowercase();
        locale.contains("utf-8") || locale.contains("utf8")
    })
}

type Out = Terminal<CrosstermBackend<io::Stdout>>;

impl Shared {
    fn run(&self, terminal: &mut Out, mut look: Look) -> io::Result<()> {
        let (mut seen, mut history) = (0, History::default());
        let mut frozen = Shown::default();
        self.wait(&look)?;
        execute!(io::stdout(), EnterAlternateScreen, Hide)?;
        while !self.over.load(Ordering::Relaxed) {
            let (shown, number) = lock(&self.shown).clone();
            if number != seen && !look.paused && !look.frozen {
                history.push(&shown);
            }
            seen = number;
            if !look.frozen {
                frozen = shown;
            }
            terminal.draw(|frame| {
                draw(&frozen, &history, &look, frame.area(), frame.buffer_mut());
            })?;
            self.sound(&look)?;
            // Keys come at once; what is to be shown waits no longer than this.
            while event::poll(if look.typing.is_some() { EVERY / 2 } else { EVERY })? {
                match event::read()? {
                    Event::Key(key) if key.kind != KeyEventKind::Release => {
                        self.key(&key, &mut look);
                        break;
                    }
                    Event::Resize(..) => break,
                    _ => {}
                }
            }
        }
        Ok(())
    }

    /// Until a key is pressed, where something is to be looked at before.
    fn wait(&self, look: &Look) -> io::Result<()> {
        while self.invited && !self.over.load(Ordering::Relaxed) {
            self.sound(look)?;
            if event::poll(EVERY)?
                && let Event::Key(key) = event::read()?
            {
                if key.modifiers.contains(KeyModifiers::CONTROL) || key.code == KeyCode::Char('q') {
                    self.stop.store(true, Ordering::Relaxed);
                }
                break;
            }
        }
        Ok(())
    }

    fn sound(&self, look: &Look) -> io::Result<()> {
        let rings = std::mem::take(&mut *lock(&self.rings));
        if look.muted {
            return Ok(());
        }
        for ring in rings {
            sound(&mut io::stdout(), ring)?;
        }
        Ok(())
    }

    fn key(&self, key: &KeyEvent, look: &mut Look) {
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            if key.code == KeyCode::Char('c') && self.stop.swap(true, Ordering::Relaxed) {
                // Twice: at once.
                restore();
                std::process::exit(128 + signal_hook::consts::SIGINT);
            }
            return;
        }
        if let Some(text) = &mut look.typing {
            match key.code {
                KeyCode::Enter => {
                    let _ = self.board.mark(text);
                    look.typing = None;
                }
                KeyCode::Esc => look.typing = None,
                KeyCode::Backspace => drop(text.pop()),
                KeyCode::Char(letter) if text.chars().count() < MARK_LETTERS => text.push(letter),
                _ => {}
            }
            return;
        }
        match key.code {
            KeyCode::Char('q') => self.stop.store(true, Ordering::Relaxed),
            KeyCode::Char('m') => look.typing = Some(String::new()),
            KeyCode::Char(digit @ '1'..='9') => drop(self.board.mark(&digit.to_string())),
            KeyCode::Char('s') => look.muted = !look.muted,
            KeyCode::Char('p') => look.paused = !look.paused,
            KeyCode::Char('f') => look.frozen = !look.frozen,
            _ => {}
        }
    }
}

/// One bell for a loss, two for a return.
pub(super) fn sound(out: &mut impl Write, ring: Ring) -> io::Result<()> {
    out.write_all(b"\x07")?;
    out.flush()?;
    if ring == Ring::Back {
        std::thread::sleep(PAUSE);
        out.write_all(b"\x07")?;
        out.flush()?;
    }
    Ok(())
}
