//! What the person at the keyboard sees and does: the page, the chosen node, a text being typed.

use jiff::tz::TimeZone;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use super::snapshot::Snapshot;
use super::theme::Theme;
use crate::fieldbus::MacId;
use crate::health::compare::Acceptance;
use crate::output::event_log::{LatestLines, LogLine};
use crate::wire::{Header, Nanos};
use crate::words::numbers::parse_clock;
use crate::words::wall_clock::WallClock;

/// What is listened to or replayed.
#[derive(Debug, Clone)]
pub struct Subject {
    /// The interface, or the capture's file name.
    pub name: String,
    /// What the source says about itself.
    pub header: Header,
    /// Live, or a replay.
    pub live: bool,
    /// Where times of day are told.
    pub zone: TimeZone,
}

impl Subject {
    /// The clock beside it.
    pub fn clock(&self) -> WallClock {
        WallClock::new(self.header.started, self.zone.clone())
    }
}

/// How a replay stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Playback {
    /// It stands still.
    pub paused: bool,
    /// So many seconds of the trunk in one.
    pub speed: f64,
    /// It is on its way to a time or to the next event.
    pub seeking: bool,
    /// The capture's last record was taken.
    pub ended: bool,
    /// Where the replay is, between records too.
    pub at: Nanos,
    /// The time of the capture's last record, once it was reached.
    pub end: Option<Nanos>,
}

/// The longest note, in characters.
const NOTE: usize = 120;

/// Which page is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Page {
    /// Everything at a glance.
    Overview,
    /// The chosen node.
    Node,
    /// The findings in full.
    Findings,
    /// The log alone.
    Log,
    /// The newcomers, point by point.
    Newcomers,
    /// What the keys do.
    Help,
}

/// A text being typed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Prompt {
    /// The note of a mark.
    Mark(String),
    /// A time to go to.
    GoTo(String),
}

/// What the person wants of the program.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wish {
    /// The end.
    Quit,
    /// A mark with this note.
    Mark(String),
    /// Pause, or go on.
    Pause,
    /// On to the next line of the log, and pause there.
    NextEvent,
    /// The next faster speed.
    Faster,
    /// The next slower speed.
    Slower,
    /// To this time.
    GoTo(Nanos),
    /// So much on, or back.
    Skip(Nanos),
}

/// New numbers for the screen.
#[derive(Debug, Default)]
pub struct Update {
    /// The trunk now.
    pub snapshot: Snapshot,
    /// Lines of the log since the last update.
    pub lines: Vec<LogLine>,
    /// The log begins anew before these lines.
    pub anew: bool,
    /// How the replay stands; `None` when live.
    pub playback: Option<Playback>,
    /// How the newcomers that are expected stand.
    pub newcomers: Vec<Acceptance>,
}

/// Everything that is drawn.
#[derive(Debug)]
pub struct Screen {
    pub(super) theme: Theme,
    pub(super) subject: Subject,
    pub(super) snapshot: Snapshot,
    pub(super) log: LatestLines,
    pub(super) playback: Option<Playback>,
    pub(super) newcomers: Vec<Acceptance>,
    pub(super) page: Page,
    pub(super) chosen: Option<MacId>,
    pub(super) scroll: usize,
    pub(super) whole_time: bool,
    pub(super) prompt: Option<Prompt>,
    pub(super) notice: Option<String>,
}

impl Screen {
    /// An empty one.
    pub fn new(subject: Subject, theme: Theme) -> Screen {
        Screen {
            theme,
            whole_time: !subject.live,
            subject,
            snapshot: Snapshot::default(),
            log: LatestLines::default(),
            playback: None,
            newcomers: Vec::new(),
            page: Page::Overview,
            chosen: None,
            scroll: 0,
            prompt: None,
            notice: None,
        }
    }

    /// Takes new numbers.
    pub fn update(&mut self, update: Update) {
        if update.anew {
            self.log.clear();
        }
        self.log.extend(update.lines);
        self.snapshot = update.snapshot;
        self.playback = update.playback;
        self.newcomers = update.newcomers;
    }

    /// The node of which more is wanted.
    pub fn wants_detail(&self) -> Option<MacId> {
        self.chosen
    }

    /// Takes a key; what the program is to do for it.
    pub fn key(&mut self, key: KeyEvent) -> Option<Wish> {
        self.notice = None;
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            return matches!(key.code, KeyCode::Char('c' | 'd')).then_some(Wish::Quit);
        }
        if let Some(prompt) = self.prompt.take() {
            return self.typed(prompt, key.code);
        }
        match key.code {
            KeyCode::Char('q') => return Some(Wish::Quit),
            KeyCode::Char('?' | 'h') if self.page != Page::Help => self.turn_to(Page::Help),
            KeyCode::Char('f') if self.page != Page::Findings => self.turn_to(Page::Findings),
            KeyCode::Char('l') if self.page != Page::Log => self.turn_to(Page::Log),
            KeyCode::Char('a') if self.page != Page::Newcomers => self.turn_to(Page::Newcomers),
            KeyCode::Esc | KeyCode::Backspace | KeyCode::Char('?' | 'h' | 'f' | 'l' | 'a') => {
                self.turn_to(Page::Overview);
            }
            KeyCode::Enter if self.page == Page::Overview => {
                if self.chosen.is_none() {
                    self.choose(true, 1);
                }
                if self.chosen.is_some() {
                    self.turn_to(Page::Node);
                }
            }
            KeyCode::Enter => self.turn_to(Page::Overview),
            KeyCode::Tab => self.choose(true, 1),
            KeyCode::BackTab => self.choose(false, 1),
            KeyCode::Down | KeyCode::Char('j') => self.down(1),
            KeyCode::Up | KeyCode::Char('k') => self.up(1),
            KeyCode::PageDown => self.down(10),
            KeyCode::PageUp => self.up(10),
            KeyCode::Char('t') => self.whole_time = !self.whole_time,
            KeyCode::Char('m') if self.subject.live => {
                self.prompt = Some(Prompt::Mark(String::new()));
            }
            KeyCode::Char('m') => {
                self.notice = Some("A mark can be made only while watching a live trunk.".into());
            }
            code if !self.subject.live => return self.replay_key(code),
            _ => {}
        }
        None
    }

    fn replay_key(&mut self, code: KeyCode) -> Option<Wish> {
        const STEP: Nanos = Nanos::from_millis(10_000);
        match code {
            KeyCode::Char(' ' | 'p') => Some(Wish::Pause),
            KeyCode::Char('n') => Some(Wish::NextEvent),
            KeyCode::Char('+' | '=') => Some(Wish::Faster),
            KeyCode::Char('-') => Some(Wish::Slower),
            KeyCode::Right => Some(Wish::Skip(STEP)),
            KeyCode::Left => Some(Wish::Skip(Nanos(-STEP.0))),
            KeyCode::Home => Some(Wish::GoTo(Nanos::ZERO)),
            KeyCode::End => Some(Wish::GoTo(Nanos(i64::MAX))),
            KeyCode::Char('g') => {
                self.prompt = Some(Prompt::GoTo(String::new()));
                None
            }
            _ => None,
        }
    }

    fn typed(&mut self, mut prompt: Prompt, code: KeyCode) -> Option<Wish> {
        let (Prompt::Mark(text) | Prompt::GoTo(text)) = &mut prompt;
        match code {
            KeyCode::Esc => return None,
            KeyCode::Backspace => {
                text.pop();
            }
            KeyCode::Char(c) if !c.is_control() && text.chars().count() < NOTE => text.push(c),
            KeyCode::Enter => return self.entered(prompt),
            _ => {}
        }
        self.prompt = Some(prompt);
        None
    }

    fn entered(&mut self, prompt: Prompt) -> Option<Wish> {
        match prompt {
            Prompt::Mark(note) => {
                let note = note.trim();
                Some(Wish::Mark(if note.is_empty() { "mark".into() } else { note.into() }))
            }
            Prompt::GoTo(text) => {
                let t = parse_clock(&text);
                if t.is_none() {
                    self.notice = Some("Not a time. Give seconds, m:ss or h:mm:ss.".into());
                }
                t.map(Wish::GoTo)
            }
        }
    }

    fn turn_to(&mut self, page: Page) {
        self.page = page;
        self.scroll = 0;
    }

    fn down(&mut self, by: usize) {
        match self.page {
            Page::Overview => self.choose(true, by),
            _ => self.scroll = self.scroll.saturating_add(by),
        }
    }

    fn up(&mut self, by: usize) {
        match self.page {
            Page::Overview => self.choose(false, by),
            _ => self.scroll = self.scroll.saturating_sub(by),
        }
    }

    fn choose(&mut self, onward: bool, by: usize) {
        let nodes = &self.snapshot.nodes;
        let Some(last) = nodes.len().checked_sub(1) else { return };
        let at = nodes.iter().position(|row| Some(row.mac_id) == self.chosen);
        let next = match (at, onward) {
            (Some(at), true) => at.saturating_add(by).min(last),
            (Some(at), false) => at.saturating_sub(by),
            // The first choice is the node in the gravest trouble, if any is: its finding comes
            // first in the list.
            (None, _) => {
                let troubles =
                    nodes.iter().enumerate().filter_map(|(at, row)| Some((row.trouble?, at)));
                troubles.min().map_or(0, |(_, at)| at)
            }
        };
        self.chosen = Some(nodes[next].mac_id);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::view::tests::{row, subject};

    fn screen(live: bool) -> Screen {
        let theme = Theme { colour: false, unicode: true };
        let mut screen = Screen::new(Subject { live, ..subject() }, theme);
        screen.snapshot.nodes = [5, 9, 12].map(row).into();
        screen
    }

    fn press(screen: &mut Screen, keys: &str) -> Option<Wish> {
        let mut wish = None;
        for c in keys.chars() {
            let code = match c {
                '\n' => KeyCode::Enter,
                '\x1b' => KeyCode::Esc,
                '\x08' => KeyCode::Backspace,
                c => KeyCode::Char(c),
            };
            wish = screen.key(KeyEvent::new(code, KeyModifiers::NONE));
        }
        wish
    }

    #[test]
    fn a_node_is_chosen_and_its_page_opened() {
        let mut screen = screen(false);
        press(&mut screen, "jj\n");
        assert_eq!((screen.page, screen.wants_detail()), (Page::Node, MacId::new(9)));
        press(&mut screen, "\x1bjjjjk\n");
        assert_eq!(screen.wants_detail(), MacId::new(9));
        press(&mut screen, "?");
        assert_eq!(screen.page, Page::Help);
        press(&mut screen, "?");
        assert_eq!(screen.page, Page::Overview);
    }

    #[test]
    fn the_first_choice_is_the_node_in_the_gravest_trouble() {
        let mut screen = screen(false);
        for (row, trouble) in [(0, 2), (1, 0), (2, 1)] {
            screen.snapshot.nodes[row].trouble = Some(trouble);
        }
        press(&mut screen, "\n");
        assert_eq!((screen.page, screen.wants_detail()), (Page::Node, MacId::new(9)));
    }

    #[test]
    fn a_mark_is_typed_while_live() {
        let mut screen = screen(true);
        assert_eq!(press(&mut screen, "mdrivx\x08e q\n"), Some(Wish::Mark("drive q".into())));
        assert_eq!(press(&mut screen, "m\n"), Some(Wish::Mark("mark".into())));
        assert_eq!(press(&mut screen, "mabc\x1b"), None);
        assert_eq!(screen.prompt, None);
        assert_eq!(press(&mut screen, " "), None);
    }

    #[test]
    fn a_replay_is_steered() {
        let mut screen = screen(false);
        assert_eq!(press(&mut screen, " "), Some(Wish::Pause));
        assert_eq!(press(&mut screen, "n"), Some(Wish::NextEvent));
        assert_eq!(press(&mut screen, "g1:30\n"), Some(Wish::GoTo(Nanos::from_millis(90_000))));
        assert_eq!(press(&mut screen, "gsoon\n"), None);
        assert!(screen.notice.is_some());
        assert_eq!(press(&mut screen, "m"), None);
        assert!(screen.prompt.is_none() && screen.notice.is_some());
        let ctrl_c = KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL);
        press(&mut screen, "g");
        assert_eq!(screen.key(ctrl_c), Some(Wish::Quit));
    }
}
