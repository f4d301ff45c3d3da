//! What is not listened to, and how that is said.

use std::process::Command;

use super::Absent;
use super::bus::{Pair, Virtual, ip};
use super::running::{Watch, dropline, text};

/// Runs `watch` on something that it must refuse; gives its one line.
fn refused(arguments: &[&str]) -> String {
    let output = dropline().arg("watch").args(arguments).args(["--for", "1s"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2), "{output:?}");
    assert!(output.stdout.is_empty());
    let said = text(&output.stderr);
    assert_eq!(said.lines().count(), 1, "{said}");
    said.trim_end().to_owned()
}

pub fn bad_interfaces_are_one_clear_line() -> Result<(), Absent> {
    let missing = refused(&["no-such-can"]);
    assert!(missing.contains("no interface is named \"no-such-can\""), "{missing}");
    assert_eq!(refused(&["lo"]), "dropline: lo is not a CAN interface");
    Ok(())
}

pub fn an_interface_that_is_down() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    ip(&["link", "set", &bus.name, "down"]);
    let said = refused(&[&bus.name]);
    assert!(said.contains(&format!("ip link set {} up", bus.name)), "{said}");
    Ok(())
}

pub fn an_active_controller() -> Result<(), Absent> {
    let _pair = Pair::new()?;
    let name = Pair::LISTENER;
    ip(&["link", "set", name, "type", "can", "bitrate", "125000"]);
    ip(&["link", "set", name, "up"]);
    let capture = std::env::temp_dir().join("refused.jsonl");
    let said = refused(&[name, "--capture", capture.to_str().unwrap()]);
    assert!(!capture.exists(), "a watch that was refused leaves no file");
    assert!(said.contains("not in listen-only mode"), "{said}");
    assert!(said.contains("destroy live traffic"), "{said}");
    let command = "ip link set can0 down; ip link set can0 type can bitrate 125000 \
                   listen-only on berr-reporting on; ip link set can0 up";
    assert!(said.contains(command), "{said}");

    let insisted = Watch::start(name, &["--allow-active", "--for", "1s"]).ended();
    assert_eq!(insisted.header["listen_only"], false);

    // The command that was given is one that works.
    assert!(Command::new("sh").args(["-c", command]).status().unwrap().success());
    let left = Watch::start(name, &["--for", "1s"]).ended();
    assert_eq!(left.header["listen_only"], true);
    assert_eq!(left.header["bitrate"], 125_000);
    Ok(())
}

pub fn another_bit_rate() -> Result<(), Absent> {
    let _pair = Pair::listen_only()?;
    let said = refused(&[Pair::LISTENER, "--bitrate", "250000"]);
    assert!(said.contains("is set to 125 kbit/s, not to the 250 kbit/s asked for"), "{said}");
    Ok(())
}
