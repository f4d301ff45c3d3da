//! What the person who watches is told: by the view, or in plain lines on standard error.

use std::io::{self, IsTerminal, Write};

use super::view::{self, View};
use crate::analysis::Analysis;
use crate::health::Context;
use crate::output::view::{Narrator, Seen, Subject, Wish};
use crate::wire::Nanos;

/// The most plain lines of what happened in one second of the trunk: a node that comes and goes
/// all night does not fill a disk.
const LINES_A_SECOND: u32 = 20;

/// The view, if there is one; else lines for a person, and while that person looks on, one that
/// is written over every second. Its terminal may go away; the watch must not.
pub(super) struct Teller {
    view: Option<View>,
    /// What happened, where there is no view.
    narrator: Narrator,
    is_terminal: bool,
    context: Context,
    now: Nanos,
    second: i64,
    lines: u32,
}

impl Teller {
    /// Takes the terminal for the view, unless plain lines are asked for or there is none.
    pub(super) fn start(subject: Subject, plain: bool) -> Teller {
        let context = Context::new(&subject.header, 0);
        let mut teller = Teller {
            view: None,
            narrator: Narrator::default(),
            is_terminal: io::stderr().is_terminal(),
            context,
            now: Nanos::ZERO,
            second: i64::MIN,
            lines: 0,
        };
        if !plain && view::is_possible() {
            match View::start(subject) {
                Ok(view) => teller.view = Some(view),
                Err(error) => teller.line(&format!("no view on this terminal: {error}")),
            }
        }
        teller
    }

    /// Whether the view has the terminal.
    pub(super) fn has_view(&self) -> bool {
        self.view.is_some()
    }

    /// What is to be told of the records that are analysed.
    pub(super) fn narrator(&mut self) -> &mut Narrator {
        match &mut self.view {
            Some(view) => view.narrator(),
            None => &mut self.narrator,
        }
    }

    /// A message of the program.
    pub(super) fn line(&mut self, message: &str) {
        if let Some(view) = &mut self.view {
            return view.say(self.now, message);
        }
        let clear = if self.is_terminal { "\r\x1b[K" } else { "" };
        let _ = writeln!(io::stderr(), "{clear}dropline: {message}");
    }

    /// A batch of records was analysed.
    pub(super) fn analysed(&mut self, analysis: &Analysis) {
        self.now = analysis.trunk().now();
        for line in self.narrator.take() {
            let second = line.t.0.div_euclid(Nanos::SECOND.0);
            if second != self.second {
                (self.second, self.lines) = (second, 0);
            }
            self.lines = self.lines.saturating_add(1);
            match self.lines {
                ..=LINES_A_SECOND => self.line(line.to_string().trim_start()),
                lines if lines == LINES_A_SECOND + 1 => self.line("more happened in this second"),
                _ => {}
            }
        }
    }

    /// The state now: to the view, or as the line that is written over.
    pub(super) fn status(&mut self, analysis: &Analysis) {
        if let Some(view) = &mut self.view {
            view.show(Seen::from(analysis), &self.context, false, None);
        } else if self.is_terminal {
            let tally = analysis.trunk().tally();
            let _ = write!(
                io::stderr(),
                "\r\x1b[K{:.0} s: {} frames, {} error frames, {} lost; Ctrl-C ends",
                analysis.trunk().now().as_secs(),
                tally.frames,
                tally.error_frames,
                tally.lost_frames
            );
        }
    }

    /// Waits for what the person wants. If the view breaks down, plain lines go on in its place.
    pub(super) async fn wish(&mut self) -> Wish {
        if let Some(view) = &mut self.view {
            if let Some(wish) = view.wish().await {
                return wish;
            }
            self.end_view();
        }
        std::future::pending().await
    }

    /// Gives the terminal back: what is said from here on are plain lines.
    pub(super) fn end_view(&mut self) {
        if let Some(view) = self.view.take()
            && let Err(error) = view.close()
        {
            self.line(&format!("the view ended: {error}"));
        }
    }
}
