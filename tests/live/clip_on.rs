//! `dropline adapter`: what it says of real drivers' interfaces, and the bit rate that it finds.

use std::process::Output;

use serde_json::Value;

use super::Absent;
use super::adapter::{Adapter, NAME};
use super::bus::{Pair, Virtual, ip, sent};
use super::process::Process;
use super::running::{dropline, text};

fn adapter(arguments: &[&str]) -> Output {
    dropline().arg("adapter").args(arguments).output().unwrap()
}

fn as_json(arguments: &[&str]) -> Value {
    let output = adapter(&[arguments, &["--json"]].concat());
    serde_json::from_slice(&output.stdout).unwrap_or_else(|_| panic!("{output:?}"))
}

pub fn what_an_adapter_is_set_to() -> Result<(), Absent> {
    let _pair = Pair::listen_only()?;
    let said = adapter(&[Pair::LISTENER]);
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    let page = text(&said.stdout);
    assert!(page.starts_with("can0: safe to clip on: it only listens\n"), "{page}");
    assert!(page.contains("up, 125 kbit/s, sample point 87.5 %"), "{page}");
    // This driver makes error frames of bus errors only if told to.
    assert!(page.contains("bus errors are NOT reported"), "{page}");
    assert!(page.contains("bitrate 125000 listen-only on berr-reporting on; ip link set can0 up"));
    assert!(page.contains("not a safety device"), "{page}");

    // The command that it gives sets it right.
    let told = as_json(&[Pair::LISTENER]);
    let command = told["adapters"][0]["set_up"].as_str().expect("a command").to_owned();
    for part in command.split("; ") {
        ip(&part.split(' ').skip(1).collect::<Vec<_>>());
    }
    let told = as_json(&[Pair::LISTENER]);
    let can0 = &told["adapters"][0];
    assert_eq!(can0["set_up"], Value::Null, "{can0}");
    assert_eq!(can0["safety"], "listens-only");
    assert_eq!(can0["reports_errors"], true);
    assert_eq!(can0["state"], "active");
    assert_eq!(can0["traffic"]["sent"], 0);
    assert!(can0["driver"].is_string() && can0["bus"] == "pci", "{can0}");

    let said = adapter(&[Pair::SENDER]);
    assert_eq!(said.status.code(), Some(1), "{said:?}");
    assert!(text(&said.stdout).contains("NOT SAFE to clip on"), "{said:?}");
    let all = adapter(&[]);
    assert_eq!(all.status.code(), Some(1), "can1 is able to send");
    assert!(text(&all.stdout).contains("can0: safe") && text(&all.stdout).contains("can1: NOT"));

    // Nobody's interface is taken away from under him.
    let refused = adapter(&[Pair::SENDER, "--find-bitrate"]);
    assert_eq!(refused.status.code(), Some(2), "{refused:?}");
    assert!(text(&refused.stderr).contains("is up and able to send"), "{refused:?}");
    ip(&["link", "set", Pair::LISTENER, "down"]);
    ip(&["link", "set", Pair::LISTENER, "type", "can", "berr-reporting", "off"]);

    let bus = Virtual::new()?;
    let virtual_one = adapter(&[&bus.name]);
    assert_eq!(virtual_one.status.code(), Some(0), "{virtual_one:?}");
    let refused = adapter(&[&bus.name, "--find-bitrate"]);
    assert!(text(&refused.stderr).contains("virtual"), "{refused:?}");
    Ok(())
}

/// A controller with a driver that works out its bit timing is set back to the very same.
pub fn a_silent_trunk_leaves_all_as_it_was() -> Result<(), Absent> {
    let _pair = Pair::new()?;
    let before = ["bitrate", "100000", "sample-point", "0.8", "listen-only", "off"];
    ip(&[&["link", "set", Pair::LISTENER, "type", "can"][..], &before].concat());
    let state = || {
        let told = as_json(&[Pair::LISTENER]);
        let can0 = &told["adapters"][0];
        ["is_up", "safety", "reports_errors", "bitrate", "sample_point"].map(|k| can0[k].clone())
    };
    let was = state();
    let said = adapter(&[Pair::LISTENER, "--find-bitrate", "--each", "300ms"]);
    assert_eq!(said.status.code(), Some(1), "{said:?}");
    let page = text(&said.stdout);
    assert_eq!(page.matches("silent\n").count(), 3, "{page}");
    assert!(page.contains("Nothing was heard") && page.contains("not a safety device"), "{page}");
    assert_eq!(state(), was);
    assert_eq!(sent(Pair::LISTENER), 0);
    Ok(())
}

pub fn the_bit_rate_is_found_by_listening_only() -> Result<(), Absent> {
    let mut serial = Adapter::plug_in(&["listen-only"])?;
    serial.does("trunk 500000");
    let said = adapter(&[NAME, "--find-bitrate", "--each", "2s"]);
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    let page = text(&said.stdout);
    assert_eq!(page.matches("errors only\n").count(), 2, "{page}");
    assert!(page.contains("The trunk runs at 500 kbit/s"), "{page}");
    let told = as_json(&[NAME]);
    let left = &told["adapters"][0];
    assert_eq!((&left["bitrate"], &left["is_up"]), (&500_000.into(), &true.into()), "{left}");
    assert_eq!(left["safety"], "listens-only");
    let opened = serial.opened();
    let tried = [125_000, 125_000, 250_000, 500_000].map(|rate| format!("listen-only {rate}"));
    assert_eq!(opened, tried, "first as it was plugged in");
    serial.unplug();
    Ok(())
}

pub fn the_bit_rate_search_is_ended_or_fails() -> Result<(), Absent> {
    let mut serial = Adapter::plug_in(&["listen-only"])?;
    serial.does("trunk 100000");
    let told = as_json(&[NAME, "--find-bitrate", "--each", "1s"]);
    assert_eq!(told["bitrate"], Value::Null, "{told}");
    let trials = told["trials"].as_array().unwrap();
    assert!(trials.len() == 3 && trials.iter().all(|trial| trial["errors"].as_u64() > Some(0)));

    let mut command = dropline();
    command.args(["adapter", NAME, "--find-bitrate", "--each", "20s"]);
    let mut process = Process::speaking(&mut command);
    std::thread::sleep(std::time::Duration::from_secs(5));
    process.signal("INT");
    assert!(process.line_with("Stopped").contains("as it was before"));
    assert_eq!(process.ended().0.code(), Some(1));

    let told = as_json(&[NAME]);
    let left = &told["adapters"][0];
    assert_eq!((&left["bitrate"], &left["is_up"]), (&125_000.into(), &true.into()), "{left}");
    let opened = serial.opened();
    assert!(opened.len() >= 6 && opened.iter().all(|how| how.starts_with("listen-only")));
    assert_eq!(opened.last().unwrap(), "listen-only 125000", "{opened:?}");
    serial.unplug();
    Ok(())
}
