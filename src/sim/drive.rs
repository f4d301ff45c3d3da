//! An AC drive: run commands in, speed out, by the assemblies of the AC drive profile.
//!
//! Source: CIP AC/DC drive profile, assemblies 20, 21, 70, 71.

use crate::fieldbus::{InputAssembly, OutputAssembly};

use super::scenario::{ControlSource, DrivePlan, Takes};
use super::time::{Clockwork, Time};

/// Byte 0 of assemblies 20 and 21.
mod command {
    pub(super) const RUN_FORWARD: u8 = 0x01;
    pub(super) const RUN_REVERSE: u8 = 0x02;
    pub(super) const FAULT_RESET: u8 = 0x04;
    pub(super) const NETWORK_CONTROL: u8 = 0x20;
    pub(super) const NETWORK_REFERENCE: u8 = 0x40;
}

/// Byte 1 of assembly 71.
mod state {
    pub(super) const NOT_READY: u8 = 2;
    pub(super) const READY: u8 = 3;
    pub(super) const ENABLED: u8 = 4;
    pub(super) const STOPPING: u8 = 5;
    pub(super) const FAULTED: u8 = 7;
}

/// What a drive is doing.
#[derive(Debug)]
pub(super) struct Drive {
    pub(super) output_assembly: OutputAssembly,
    pub(super) input_assembly: InputAssembly,
    pub(super) source: ControlSource,
    pub(super) tripped: bool,
    /// What it takes from its own terminals, whatever its source.
    pub(super) local: Option<Takes>,
    /// Its enable input is closed.
    pub(super) enabled: bool,
    ramp_rpm_per_s: i64,
    /// In thousandths of a revolution a minute.
    speed: i64,
    target: i64,
    run: bool,
    network_control: bool,
    network_reference: bool,
    updated: Time,
}

impl Drive {
    pub(super) fn new(plan: &DrivePlan) -> Drive {
        Drive {
            output_assembly: plan.output_assembly.0,
            input_assembly: plan.input_assembly.0,
            source: plan.source,
            tripped: false,
            local: None,
            enabled: true,
            ramp_rpm_per_s: i64::from(plan.ramp_rpm_per_s),
            speed: 0,
            target: 0,
            run: false,
            network_control: false,
            network_reference: false,
            updated: Time(0),
        }
    }

    /// Power came back: standing, nothing asked.
    pub(super) fn restart(&mut self, now: Time) {
        self.speed = 0;
        self.target = 0;
        self.run = false;
        self.updated = now;
    }

    /// Takes a command as the assembly that the drive is set to.
    pub(super) fn command(&mut self, bytes: &[u8], now: Time, clock: Clockwork) {
        self.advance(now, clock);
        let &[head, _, low, high, ..] = bytes else { return };
        let reference = i64::from(i16::from_le_bytes([low, high])) * 1000;
        let (run, reverse) = match self.output_assembly {
            OutputAssembly::Basic => {
                // This assembly has no bits to ask for control: the setting decides.
                self.network_control = true;
                self.network_reference = true;
                (head & command::RUN_FORWARD != 0, false)
            }
            OutputAssembly::Extended => {
                self.network_control = head & command::NETWORK_CONTROL != 0;
                self.network_reference = head & command::NETWORK_REFERENCE != 0;
                let reverse = head & command::RUN_REVERSE != 0;
                (head & command::RUN_FORWARD != 0 || reverse, reverse)
            }
        };
        let local = match self.source {
            ControlSource::Local => Some(Takes::Both),
            ControlSource::Network => self.local,
        };
        // Its own terminals ask for nothing: no run command, or a speed of zero.
        self.network_control &= !matches!(local, Some(Takes::Both | Takes::Control));
        self.network_reference &= !matches!(local, Some(Takes::Both | Takes::Reference));
        if head & command::FAULT_RESET != 0 && local.is_none() {
            self.tripped = false;
        }
        self.run = run && self.network_control && self.network_reference && !self.tripped;
        self.run &= self.enabled;
        self.target = if reverse { -reference } else { reference };
    }

    /// What the drive reports, as the assembly that it is set to.
    pub(super) fn report(&mut self, now: Time, clock: Clockwork) -> [u8; 4] {
        self.advance(now, clock);
        let forward = self.speed > 0;
        let running = self.speed != 0 || self.run;
        let rpm = i16::try_from(self.speed / 1000).unwrap_or(i16::MAX);
        let [low, high] = rpm.to_le_bytes();
        let flag = |on: bool, bit: u8| u8::from(on) << bit;
        let mut head = flag(self.tripped, 0) | flag(running && (forward || self.target >= 0), 2);
        if self.input_assembly == InputAssembly::Basic {
            return [head, 0, low, high];
        }
        head |= flag(running && self.speed < 0, 3) | flag(!self.tripped && self.enabled, 4);
        head |= flag(self.network_control, 5) | flag(self.network_reference, 6);
        head |= flag(self.run && self.speed == self.target, 7);
        let state = match (self.tripped, self.run, self.speed) {
            (true, ..) => state::FAULTED,
            _ if !self.enabled => state::NOT_READY,
            (_, true, _) => state::ENABLED,
            (_, false, 0) => state::READY,
            _ => state::STOPPING,
        };
        [head, state, low, high]
    }

    /// The speed now, and that it runs, without changing it.
    pub(super) fn speed_at(&self, now: Time, clock: Clockwork) -> i64 {
        let goal = if self.run && !self.tripped { self.target } else { 0 };
        let bits = i128::from(now.since(self.updated).0);
        let step = bits * i128::from(self.ramp_rpm_per_s) * 1000 / i128::from(clock.0.get());
        let step = i64::try_from(step).unwrap_or(i64::MAX);
        if self.speed < goal {
            self.speed.saturating_add(step).min(goal)
        } else {
            self.speed.saturating_sub(step).max(goal)
        }
    }

    fn advance(&mut self, now: Time, clock: Clockwork) {
        self.speed = self.speed_at(now, clock);
        self.updated = now;
        if self.tripped {
            self.run = false;
        }
    }
}

/// The command that a master sends to have the drive run or stand, as this assembly.
pub(super) fn command_bytes(assembly: OutputAssembly, run: bool, speed_rpm: i16) -> [u8; 4] {
    let [low, high] = speed_rpm.to_le_bytes();
    let run = if run { command::RUN_FORWARD } else { 0 };
    let ask = match assembly {
        OutputAssembly::Basic => 0,
        OutputAssembly::Extended => command::NETWORK_CONTROL | command::NETWORK_REFERENCE,
    };
    [run | ask, 0, low, high]
}

/// Whether the master asks for running at this time.
pub(super) fn wants_run(plan: &DrivePlan, now: Time, clock: Clockwork) -> bool {
    let from = clock.secs(plan.run_from_s.0);
    let until = plan.run_until_s.map_or(Time::NEVER, |s| clock.secs(s.0));
    if now < from || now >= until {
        return false;
    }
    match plan.cycle_run_s {
        None => true,
        Some(run) => {
            let (run, stand) = (clock.secs(run.0), clock.secs(plan.cycle_stand_s.0));
            now.since(from).0 % (run + stand).0.max(1) < run.0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Bitrate;

    fn drive(plan: &str) -> Drive {
        Drive::new(&toml::from_str(plan).unwrap())
    }

    fn clock() -> Clockwork {
        Clockwork(Bitrate::new(125_000).unwrap())
    }

    /// Bits by the assemblies of the CIP AC/DC drive profile.
    #[test]
    fn runs_up_and_reports_at_reference() {
        let (mut drive, clock) = (drive("ramp_rpm_per_s = 600"), clock());
        assert_eq!(drive.report(Time(0), clock)[..2], [0x10, state::READY]);
        drive.command(&command_bytes(OutputAssembly::Extended, true, 1200), Time(0), clock);
        let [head, state, low, high] = drive.report(clock.secs(1.0), clock);
        assert_eq!((head, state), (0x10 | 0x60 | 0x04, state::ENABLED));
        assert_eq!(i16::from_le_bytes([low, high]), 600);
        let report = drive.report(clock.secs(5.0), clock);
        assert_eq!((report[0], report[3], report[2]), (0xF4, 0x04, 0xB0));
        drive.command(&command_bytes(OutputAssembly::Extended, false, 0), clock.secs(5.0), clock);
        assert_eq!(drive.report(clock.secs(6.0), clock)[1], state::STOPPING);
        assert_eq!(drive.report(clock.secs(7.5), clock)[1], state::READY);
    }

    #[test]
    fn does_not_run_where_the_assemblies_or_the_source_differ() {
        let clock = clock();
        let mut wrong = drive("output_assembly = 21");
        wrong.command(&command_bytes(OutputAssembly::Basic, true, 1200), Time(0), clock);
        assert_eq!(wrong.report(clock.secs(1.0), clock)[2..], [0, 0]);
        let mut local = drive("source = \"local\"");
        local.command(&command_bytes(OutputAssembly::Extended, true, 1200), Time(0), clock);
        let report = local.report(clock.secs(1.0), clock);
        assert_eq!((report[0] & 0x60, report[2], report[3]), (0, 0, 0));
    }

    #[test]
    fn a_tripped_drive_coasts_down_and_says_so() {
        let (mut drive, clock) = (drive(""), clock());
        drive.command(&command_bytes(OutputAssembly::Extended, true, 600), Time(0), clock);
        drive.report(clock.secs(1.0), clock);
        drive.tripped = true;
        let report = drive.report(clock.secs(3.0), clock);
        assert_eq!((report[0] & 0x11, report[1], report[2]), (1, state::FAULTED, 0));
    }
}
