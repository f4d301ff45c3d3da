//! The marks of what happened: a shape for each kind, so that colour is not the only sign.

use plotters::style::RGBColor;

use super::canvas::{AMBER, At, Canvas, Drawn, INK, PAPER, RUST, SMALL, SOFT, TEAL, width_of};
use crate::fieldbus::MacId;
use crate::output::event_log::{DigestLine, Happening};
use crate::trunk::Event;
use crate::wire::ControllerState;

/// The kinds of marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mark {
    /// A cross: two devices wanted one address, the controller gave up.
    Grave,
    /// A triangle that points down: something left or was lost.
    Loss,
    /// A triangle that points up: something came, came back, began anew.
    Gain,
    /// A diamond: a note by the person who watched.
    Note,
}

impl Mark {
    pub(super) const ALL: [(Mark, &'static str); 4] = [
        (Mark::Grave, "clash or bus-off"),
        (Mark::Loss, "left, lost or worse"),
        (Mark::Gain, "came, back or anew"),
        (Mark::Note, "note"),
    ];

    pub(super) fn of(line: &DigestLine) -> Mark {
        match &line.what {
            Happening::Mark(_) => Mark::Note,
            Happening::Appeared(_) => Mark::Gain,
            Happening::Event(event) => match event {
                Event::AddressClash(_) | Event::Controller(ControllerState::BusOff) => Mark::Grave,
                Event::NodeLeft(_)
                | Event::FramesLost(_)
                | Event::LinkDown
                | Event::ClockStepped(_)
                | Event::Controller(ControllerState::Warning | ControllerState::Passive) => {
                    Mark::Loss
                }
                Event::NodeAppeared(_)
                | Event::NodeReturned { .. }
                | Event::NodeRestarted(_)
                | Event::DeviceReplaced { .. }
                | Event::Controller(ControllerState::Active)
                | Event::ControllerRestarted
                | Event::LinkUp => Mark::Gain,
            },
        }
    }

    fn colour(self) -> RGBColor {
        match self {
            Mark::Grave => RUST,
            Mark::Loss => AMBER,
            Mark::Gain => TEAL,
            Mark::Note => INK,
        }
    }

    /// The mark on a bar: with paper around it, so that it is seen.
    pub(super) fn draw_on_bar(self, canvas: &Canvas<'_>, (x, y): (i32, i32)) -> Drawn {
        canvas.bar((x - 9, y - 9), (x + 9, y + 9), PAPER)?;
        self.draw(canvas, (x, y))
    }

    /// The mark, some twelve units high, around this place.
    pub(super) fn draw(self, canvas: &Canvas<'_>, (x, y): (i32, i32)) -> Drawn {
        let colour = self.colour();
        match self {
            Mark::Grave => {
                canvas.line((x - 5, y - 5), (x + 5, y + 5), colour, 3)?;
                canvas.line((x - 5, y + 5), (x + 5, y - 5), colour, 3)
            }
            Mark::Loss => canvas.shape(&[(x - 6, y - 5), (x + 6, y - 5), (x, y + 6)], colour),
            Mark::Gain => canvas.shape(&[(x - 6, y + 5), (x + 6, y + 5), (x, y - 6)], colour),
            Mark::Note => canvas.shape(&[(x, y - 7), (x + 6, y), (x, y + 7), (x - 6, y)], colour),
        }
    }
}

/// What the marks mean, from this place to the right.
pub(super) fn legend(canvas: &Canvas<'_>, (mut x, y): (i32, i32)) -> Drawn {
    for (mark, words) in Mark::ALL {
        mark.draw(canvas, (x, y))?;
        canvas.text(words, (x + 12, y), At::Left, (SMALL, SOFT))?;
        x += 12 + width_of(words, SMALL) + 26;
    }
    Ok(())
}

/// The node that a line is about, where it is about one alone.
pub(super) fn node_of(line: &DigestLine) -> Option<MacId> {
    match &line.what {
        Happening::Event(event) => match event {
            Event::NodeAppeared(mac_id)
            | Event::NodeLeft(mac_id)
            | Event::NodeReturned { mac_id, .. }
            | Event::NodeRestarted(mac_id)
            | Event::DeviceReplaced { mac_id, .. } => Some(*mac_id),
            Event::AddressClash(clash) => Some(clash.mac_id),
            _ => None,
        },
        _ => None,
    }
}
