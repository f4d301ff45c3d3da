//! The buses to test on, made for a test and taken away after it.

use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};

use super::Absent;

/// A virtual bus of the test's own.
pub struct Virtual {
    pub name: String,
}

impl Virtual {
    pub fn new() -> Result<Virtual, Absent> {
        Virtual::with_name(&Virtual::new_name())
    }

    /// A name that no other has.
    pub fn new_name() -> String {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        format!("dl{}v{number}", std::process::id() % 100_000)
    }

    pub fn with_name(name: &str) -> Result<Virtual, Absent> {
        try_ip(&["link", "add", name, "type", "vcan"])
            .map_err(|said| Absent(format!("no virtual CAN bus can be made here: {said}")))?;
        let bus = Virtual { name: name.to_owned() };
        ip(&["link", "set", &bus.name, "up"]);
        Ok(bus)
    }
}

impl Drop for Virtual {
    fn drop(&mut self) {
        undo(&["link", "delete", &self.name]);
    }
}

/// The two controllers of the emulated kernel, on one bus. `can1` is up and able to send; `can0`
/// is down and the test's to set. Never a real machine's: a test that brings one up could
/// disturb a live trunk.
pub struct Pair;

impl Pair {
    pub const LISTENER: &str = "can0";
    pub const SENDER: &str = "can1";

    pub fn new() -> Result<Pair, Absent> {
        if !is_emulated() {
            return Err(Absent("only the emulated kernel has controllers to play with".into()));
        }
        let pair = Pair;
        ip(&["link", "set", Pair::SENDER, "type", "can", "bitrate", "125000"]);
        ip(&["link", "set", Pair::SENDER, "up"]);
        Ok(pair)
    }

    pub fn listen_only() -> Result<Pair, Absent> {
        let pair = Pair::new()?;
        Pair::set_listener();
        Ok(pair)
    }

    pub fn set_listener() {
        let mode =
            ["type", "can", "bitrate", "125000", "listen-only", "on", "berr-reporting", "off"];
        ip(&[&["link", "set", Pair::LISTENER][..], &mode].concat());
        ip(&["link", "set", Pair::LISTENER, "up"]);
    }
}

impl Drop for Pair {
    fn drop(&mut self) {
        for name in [Pair::LISTENER, Pair::SENDER] {
            undo(&["link", "set", name, "down"]);
        }
        undo(&["link", "set", Pair::LISTENER, "type", "can", "listen-only", "off"]);
    }
}

/// Whether this is the kernel that `can-kernel` boots.
pub fn is_emulated() -> bool {
    std::env::var("DROPLINE_CAN_KERNEL").is_ok_and(|value| value == "emulated")
}

/// How many frames an interface has sent.
pub fn sent(interface: &str) -> u64 {
    let path = format!("/sys/class/net/{interface}/statistics/tx_packets");
    std::fs::read_to_string(path).unwrap().trim().parse().unwrap()
}

pub fn ip(words: &[&str]) {
    if let Err(said) = try_ip(words) {
        panic!("ip {}: {said}", words.join(" "));
    }
}

/// Like [`ip`], but does not panic in the middle of a panic.
fn undo(words: &[&str]) {
    let result = try_ip(words);
    if !std::thread::panicking() {
        result.unwrap_or_else(|said| panic!("ip {}: {said}", words.join(" ")));
    }
}

fn try_ip(words: &[&str]) -> Result<(), String> {
    let output = Command::new("ip").args(words).output().map_err(|error| format!("ip: {error}"))?;
    if output.status.success() {
        return Ok(());
    }
    Err(String::from_utf8_lossy(&output.stderr).trim().to_owned())
}
