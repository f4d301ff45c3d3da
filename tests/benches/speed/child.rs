//! Another program as a whole: its wall time, its processor time, its memory.

use std::error::Error;
use std::fs;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// The program itself.
pub const DROPLINE: &str = env!("CARGO_BIN_EXE_dropline");

/// Wall time of a command from its start to its end; what it prints is thrown away.
pub fn wall(command: &mut Command) -> Result<Duration, Box<dyn Error>> {
    let begin = Instant::now();
    let status = command.stdout(Stdio::null()).status()?;
    let wall = begin.elapsed();
    // 1: what was asked for does not hold, which no bench minds.
    match status.code() {
        Some(0 | 1) => Ok(wall),
        _ => Err(format!("{command:?}: {status}").into()),
    }
}

/// `dropline replay` of one capture.
pub fn replay(capture: &Path) -> Command {
    let mut command = Command::new(DROPLINE);
    command.arg("replay").arg(capture).stderr(Stdio::null());
    command
}

/// The most memory that a command held, in bytes (Linux, `VmHWM`).
pub fn peak_memory(command: &mut Command) -> Result<u64, Box<dyn Error>> {
    let mut child = command.stdout(Stdio::null()).spawn()?;
    let mut peak = 0;
    while child.try_wait()?.is_none() {
        peak = status(&child, "VmHWM:").map_or(peak, |kb| peak.max(kb * 1024));
        std::thread::sleep(Duration::from_millis(2));
    }
    Ok(peak)
}

/// The processor time that a command used, to a hundredth of a second (Linux, proc(5): `cutime`
/// and `cstime`, in ticks of which every Linux of today has 100 a second).
pub fn processor(command: &mut Command) -> Result<Duration, Box<dyn Error>> {
    let ticks = || -> Result<u64, Box<dyn Error>> {
        let text = fs::read_to_string("/proc/self/stat")?;
        // Behind the name, which may hold blanks.
        let fields = text.rsplit(')').next().unwrap_or_default();
        Ok(fields.split_whitespace().skip(13).take(2).filter_map(|n| n.parse::<u64>().ok()).sum())
    };
    let before = ticks()?;
    wall(command)?;
    Ok(Duration::from_millis(10 * (ticks()? - before)))
}

/// A number of `/proc/PID/status`.
fn status(child: &Child, field: &str) -> Option<u64> {
    let text = fs::read_to_string(format!("/proc/{}/status", child.id())).ok()?;
    let line = text.lines().find_map(|line| line.strip_prefix(field))?;
    line.split_whitespace().next()?.parse().ok()
}
