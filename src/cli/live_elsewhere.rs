//! In the place of the commands that need SocketCAN, where the system has none: each says so.

use std::ffi::OsString;

use anyhow::bail;
use clap::Args;

use super::terminal::CommandOutcome;
use crate::source::Reader;

/// Listen to a live trunk: on Linux alone, whose kernel has SocketCAN
#[derive(Debug, Args)]
#[command(disable_help_flag = true, after_help = "Example, on Linux: dropline watch can0")]
pub(super) struct WatchArgs {
    /// As on Linux
    #[arg(value_name = "IFACE", trailing_var_arg = true, allow_hyphen_values = true)]
    _any: Vec<OsString>,
}

/// What a CAN adapter is set to: on Linux alone, whose kernel has SocketCAN
#[derive(Debug, Args)]
#[command(disable_help_flag = true, after_help = "Example, on Linux: dropline adapter can0")]
pub(super) struct AdapterArgs {
    /// As on Linux
    #[arg(value_name = "IFACE", trailing_var_arg = true, allow_hyphen_values = true)]
    _any: Vec<OsString>,
}

pub(super) fn run_watch(_: &WatchArgs) -> anyhow::Result<CommandOutcome> {
    bail!(
        "watch listens to a live trunk: that needs Linux, whose kernel has SocketCAN; what it \
         captures there is read here with replay, report, compare, frames"
    )
}

pub(super) fn run_adapter(_: &AdapterArgs) -> anyhow::Result<CommandOutcome> {
    bail!("adapter looks at a CAN adapter: that needs Linux, whose kernel has SocketCAN")
}

/// Plays nothing.
pub(super) fn play(_: &mut impl Reader, interface: &str) -> anyhow::Result<()> {
    bail!(
        "{interface}: --onto plays onto a virtual CAN interface, which Linux alone has; give -o \
         CAPTURE"
    )
}
