//! The sentences about drives.

use std::fmt::{self, Formatter};

use crate::trunk::DriveReasons;
use crate::wire::Nanos;
use crate::words::numbers::{secs, times};

/// That it says it is faulted.
pub(super) fn faults(
    f: &mut Formatter<'_>,
    count: u64,
    since: Option<Nanos>,
    run_asked: bool,
) -> fmt::Result {
    write!(f, "reported a fault {}", times(count))?;
    match since {
        Some(since) => write!(f, "; faulted since {}", secs(since))?,
        None => write!(f, "; not faulted now")?,
    }
    match run_asked {
        true => write!(f, "; run was asked meanwhile"),
        false => Ok(()),
    }
}

/// That it does not do what it is asked, and what it reported meanwhile.
pub(super) fn not_running(
    f: &mut Formatter<'_>,
    (episodes, longest): (u64, Nanos),
    reasons: DriveReasons,
    has_followed: bool,
    (output, input): (Option<u16>, Option<u16>),
    guessed: bool,
) -> fmt::Result {
    let (count, longest) = (times(episodes), secs(longest));
    write!(f, "did not do what it was told, {count}, for {longest} at most; it reported: ")?;
    self::reasons(f, reasons, has_followed)?;
    if let (Some(output), Some(input)) = (output, input) {
        let guessed = if guessed { ", guessed from the traffic" } else { "" };
        return write!(f, " (commands as assembly {output}, answers as {input}{guessed})");
    }
    match guessed {
        true => write!(f, " (its assemblies are guessed from the traffic)"),
        false => Ok(()),
    }
}

fn reasons(f: &mut Formatter<'_>, reasons: DriveReasons, has_followed: bool) -> fmt::Result {
    let DriveReasons { faulted, control_elsewhere, reference_elsewhere, not_ready, no_speed } =
        reasons;
    let words = [
        (faulted, "faulted"),
        (control_elsewhere, "run and stop do not come from the network"),
        (reference_elsewhere, "speed does not come from the network"),
        (not_ready && !faulted, "not ready"),
        (no_speed, "the speed asked for is zero"),
    ];
    let said: Vec<&str> = words.iter().filter(|(holds, _)| *holds).map(|(_, word)| *word).collect();
    if !said.is_empty() {
        return f.write_str(&said.join(", "));
    }
    write!(f, "nothing that explains it")?;
    match has_followed {
        true => Ok(()),
        false => write!(f, "; master and drive may be set to different assemblies"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::health::Evidence;

    fn not_running(reasons: DriveReasons, known: Option<u16>) -> String {
        let evidence = Evidence::DriveNotRunning {
            episodes: 1,
            longest_ns: Nanos::from_millis(4000),
            reasons,
            has_followed: known.is_some(),
            assemblies_guessed: known.is_none(),
            output_assembly: known,
            input_assembly: known.map(|output| output + 50),
            ongoing: false,
        };
        evidence.to_string()
    }

    #[test]
    fn what_a_drive_reported_is_said() {
        let none = DriveReasons::default();
        let told = "did not do what it was told, once, for 4.000 s at most; it reported:";
        for (reasons, known, reported) in [
            (
                DriveReasons { faulted: true, not_ready: true, ..none },
                Some(21),
                "faulted (commands as assembly 21, answers as 71)",
            ),
            (
                DriveReasons { control_elsewhere: true, reference_elsewhere: true, ..none },
                Some(20),
                "run and stop do not come from the network, speed does not come from the network \
                 (commands as assembly 20, answers as 70)",
            ),
            (
                DriveReasons { not_ready: true, no_speed: true, ..none },
                None,
                "not ready, the speed asked for is zero (its assemblies are guessed from the \
                 traffic)",
            ),
            (
                none,
                None,
                "nothing that explains it; master and drive may be set to different assemblies \
                 (its assemblies are guessed from the traffic)",
            ),
        ] {
            assert_eq!(not_running(reasons, known), format!("{told} {reported}"));
        }
    }

    #[test]
    fn faults_say_whether_they_are_over() {
        let faults = |faulted_since_ns, run_asked| {
            Evidence::DriveFaults { faults: 2, faulted_since_ns, run_asked }.to_string()
        };
        let since = Some(Nanos::from_millis(12_500));
        assert_eq!(
            faults(since, true),
            "reported a fault twice; faulted since 12.500 s; run was asked meanwhile"
        );
        assert_eq!(faults(None, false), "reported a fault twice; not faulted now");
    }
}
