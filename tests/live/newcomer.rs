//! A newcomer that is accepted while the trunk is watched.

use std::time::{Duration, Instant};

use super::Absent;
use super::bus::{Virtual, sent};
use super::running::Watch;
use super::speaker::Speaker;

/// Polls and their answers, one scan every four milliseconds. Node 5 is at the baseline, 12 is new.
fn scans(speaker: &Speaker, nodes: &[u16], count: usize) {
    for _ in 0..count {
        let begun = Instant::now();
        for node in nodes {
            // The master's poll (group 2, message 5) and the answer (group 1, message 15).
            speaker.say(0x400 | node << 3 | 5, &[0; 4]);
            speaker.say(0x3C0 | node, &[0; 4]);
        }
        std::thread::sleep(Duration::from_millis(4).saturating_sub(begun.elapsed()));
    }
}

pub fn each_point_is_told_as_it_is_seen() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let speaker = Speaker::on(&bus.name);
    let watch = Watch::start(&bus.name, &["--bitrate", "125000"]);
    scans(&speaker, &[5], 700);
    let signed_off = watch.stop();
    let baseline = signed_off.capture.to_str().expect("a path");
    let expecting =
        ["--bitrate", "125000", "--baseline", baseline, "--expect-new", "12", "--plain"];

    let mut watch = Watch::start(&bus.name, &expecting);
    // Without a pause: one would be worse than the baseline.
    scans(&speaker, &[5, 12], 900);
    watch.complains("12: on line: pass: ");
    watch.complains("12: answers: pass: 0 of ");
    watch.complains("12: ACCEPTED: every point passes");
    let left = watch.stop();
    assert!(left.complaints.iter().any(|line| line.contains("12: the others: pass")), "{left:?}");

    // One that does not come is not accepted.
    let watch = Watch::start(&bus.name, &expecting);
    let before = sent(&bus.name);
    scans(&speaker, &[5], 700);
    let complaints = watch.stop_with(1);
    assert!(complaints.iter().any(|line| line.contains("12: on line: FAIL")), "{complaints:?}");
    assert!(complaints.iter().any(|line| line.ends_with("NOT ACCEPTED")), "{complaints:?}");
    // What was sent meanwhile is the speaker's alone.
    assert_eq!(sent(&bus.name) - before, 1400);
    Ok(())
}
