//! What keeps people and machines safe, said before the first check that has an effect.

/// Wherever a mended cause can start a motor.
pub(super) const STAND_CLEAR: &str = "Take run away (master out of run) and keep people clear; isolate and lock off: the motor may start \
     at once when the cause is mended.";

/// Before anything that takes a node off the trunk or changes what it does.
pub(super) const MACHINES_STOPPED: &str = "What follows stops machines, perhaps not only yours, and a drive that is set to ignore a lost \
     network runs on: only with them stopped and their owners told.";

/// Words of an action that takes a node or the trunk out of service, or changes what it does.
#[cfg(test)]
pub(super) const EFFECTS: &[&str] = &[
    "unplug",
    "unpowered",
    "cycle its power",
    "exchange the",
    "exchange it",
    "give each",
    "give the newcomer",
    "set the drive",
    "set both ends",
    "set the expected packet rate",
    "lengthen the scan",
    "use change of state",
    "a higher bit rate",
    "fit suppressors",
    "move the",
];
