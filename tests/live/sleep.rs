//! A computer that sleeps while it should listen, as a laptop does whose lid is closed.

use std::fs;
use std::path::Path;
use std::time::Duration;

use serde_json::Value;

use super::Absent;
use super::bus::Virtual;
use super::running::Watch;
use super::speaker::Speaker;

/// Long enough for a watch that is idle to have read all.
const MOMENT: Duration = Duration::from_millis(400);

/// It sleeps for some seconds, to be woken by its own clock.
fn sleep() -> Result<(), Absent> {
    let alarm = Path::new("/sys/class/rtc/rtc0/wakealarm");
    fs::write(alarm, "+5").map_err(|error| Absent(format!("nothing would wake it: {error}")))?;
    fs::write("/sys/power/state", "mem").map_err(|error| Absent(format!("no sleep: {error}")))
}

/// What was not heard is told, and not taken for silence of the trunk.
pub fn the_computer_sleeps() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let mut watch = Watch::start(&bus.name, &[]);
    let speaker = Speaker::on(&bus.name);
    speaker.count(0..50);
    std::thread::sleep(MOMENT);
    sleep()?;
    speaker.count(50..100);
    let said = watch.complains("the computer slept for");
    assert!(said.contains("systemd-inhibit"), "{said}");
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    let records: Vec<Value> = left.records();
    let place = |what: &dyn Fn(&Value) -> bool| records.iter().position(what).expect("it is there");
    let down = place(&|record| record["why"] == "the computer slept");
    let up = place(&|record| record["link"] == "up");
    assert_eq!((records.len(), down, up), (102, 50, 51), "{records:?}");
    let time = |at: usize| records[at]["t_ns"].as_i64().unwrap();
    assert!(time(up) - time(down) > 2_000_000_000, "{records:?}");
    assert!((0..102).collect::<Vec<_>>().is_sorted_by_key(|at| time(*at)));
    assert_eq!(left.summary["source"]["link_downs"], 1);
    assert_eq!(left.summary["source"]["clock_steps"], 0);
    left.replay_agrees();
    Ok(())
}
