//! The commands that need SocketCAN, which Linux alone has: to listen to a live trunk, to look at an
//! adapter, to play onto a virtual interface.

mod adapter;
mod watch;

pub(super) use self::adapter::{AdapterArgs, run as run_adapter};
pub(super) use self::watch::{WatchArgs, run as run_watch};
use crate::sim::player::Player;
use crate::source::Reader;

/// Plays all records in real time onto a virtual interface.
pub(super) fn play(source: &mut impl Reader, interface: &str) -> anyhow::Result<()> {
    let mut player = Player::open(interface)?;
    let mut batch = Vec::new();
    loop {
        let more = source.read(&mut batch)?;
        for record in batch.drain(..) {
            player.play(&record)?;
        }
        if !more {
            return Ok(());
        }
    }
}
