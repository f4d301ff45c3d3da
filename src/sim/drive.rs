//! An AC drive: run commands in, speed out, by the assemblies of the AC drive profile.

use crate::fieldbus::{
    Assembly, DriveCommand, DriveState, DriveStatus, InputAssembly, OutputAssembly,
};

use super::scenario::{ControlSource, DrivePlan, Takes};
use super::time::{Clockwork, Time};

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
        if bytes.is_empty() {
            // A master that is idle asks for nothing.
            self.run = false;
            return;
        }
        let length = self.output_assembly.row().bytes;
        let asked = bytes.get(..length);
        let asked = asked.and_then(|asked| DriveCommand::from_bytes(self.output_assembly, asked));
        let Some(asked) = asked else { return };
        let reference = i64::from(asked.speed) * 1000;
        // An assembly that has no bits to ask for control leaves it to the setting.
        self.network_control = asked.control_from_network.unwrap_or(true);
        self.network_reference = asked.reference_from_network.unwrap_or(true);
        let local = match self.source {
            ControlSource::Local => Some(Takes::Both),
            ControlSource::Network => self.local,
        };
        // Its own terminals ask for nothing: no run command, or a speed of zero.
        self.network_control &= !matches!(local, Some(Takes::Both | Takes::Control));
        self.network_reference &= !matches!(local, Some(Takes::Both | Takes::Reference));
        if asked.fault_reset && local.is_none() {
            self.tripped = false;
        }
        self.run = asked.run() && self.network_control && self.network_reference && !self.tripped;
        self.run &= self.enabled;
        self.target = if asked.run_reverse { -reference } else { reference };
    }

    /// What the drive reports, as the assembly that it is set to.
    pub(super) fn report(&mut self, now: Time, clock: Clockwork) -> Vec<u8> {
        self.advance(now, clock);
        let running = self.speed != 0 || self.run;
        let state = match (self.tripped, self.run, self.speed) {
            (true, ..) => DriveState::FAULTED,
            _ if !self.enabled => DriveState::NOT_READY,
            (_, true, _) => DriveState::ENABLED,
            (_, false, 0) => DriveState::READY,
            _ => DriveState::STOPPING,
        };
        let status = DriveStatus {
            faulted: self.tripped,
            warning: None,
            running_forward: running && (self.speed > 0 || self.target >= 0),
            running_reverse: Some(running && self.speed < 0),
            ready: Some(!self.tripped && self.enabled),
            control_from_network: Some(self.network_control),
            reference_from_network: Some(self.network_reference),
            at_reference: Some(self.run && self.speed == self.target),
            state: Some(state),
            speed: i16::try_from(self.speed / 1000).unwrap_or(i16::MAX),
        };
        status.to_bytes(self.input_assembly)
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

/// The command that a master sends to have the drive run or stand, as this assembly. `asks`:
/// whether it asks for control of run and stop and of the speed.
pub(super) fn command_bytes(
    assembly: OutputAssembly,
    run: bool,
    speed_rpm: i16,
    asks: bool,
) -> Vec<u8> {
    let command = DriveCommand {
        run_forward: run,
        run_reverse: false,
        fault_reset: false,
        control_from_network: Some(asks),
        reference_from_network: Some(asks),
        speed: speed_rpm,
    };
    command.to_bytes(assembly)
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

    const READY: u8 = DriveState::READY.0;
    const ENABLED: u8 = DriveState::ENABLED.0;
    const STOPPING: u8 = DriveState::STOPPING.0;
    const FAULTED: u8 = DriveState::FAULTED.0;

    fn drive(plan: &str) -> Drive {
        Drive::new(&toml::from_str(plan).unwrap())
    }

    fn output(number: u16) -> OutputAssembly {
        OutputAssembly::from_number(number).unwrap()
    }

    fn clock() -> Clockwork {
        Clockwork(Bitrate::new(125_000).unwrap())
    }

    /// Bits by the assemblies of the CIP AC/DC drive profile.
    #[test]
    fn runs_up_and_reports_at_reference() {
        let (mut drive, clock) = (drive("ramp_rpm_per_s = 600"), clock());
        assert_eq!(drive.report(Time(0), clock)[..2], [0x10, READY]);
        drive.command(&command_bytes(output(21), true, 1200, true), Time(0), clock);
        let [head, state, low, high] = drive.report(clock.secs(1.0), clock)[..] else { panic!() };
        assert_eq!((head, state), (0x10 | 0x60 | 0x04, ENABLED));
        assert_eq!(i16::from_le_bytes([low, high]), 600);
        let report = drive.report(clock.secs(5.0), clock);
        assert_eq!((report[0], report[3], report[2]), (0xF4, 0x04, 0xB0));
        drive.command(&command_bytes(output(21), false, 0, true), clock.secs(5.0), clock);
        assert_eq!(drive.report(clock.secs(6.0), clock)[1], STOPPING);
        assert_eq!(drive.report(clock.secs(7.5), clock)[1], READY);
    }

    #[test]
    fn does_not_run_where_the_assemblies_or_the_source_differ() {
        let clock = clock();
        let mut wrong = drive("output_assembly = 21");
        wrong.command(&command_bytes(output(20), true, 1200, true), Time(0), clock);
        assert_eq!(wrong.report(clock.secs(1.0), clock)[2..], [0, 0]);
        let mut local = drive("source = \"local\"");
        local.command(&command_bytes(output(21), true, 1200, true), Time(0), clock);
        let report = local.report(clock.secs(1.0), clock);
        assert_eq!((report[0] & 0x60, report[2], report[3]), (0, 0, 0));
    }

    #[test]
    fn a_tripped_drive_coasts_down_and_says_so() {
        let (mut drive, clock) = (drive(""), clock());
        drive.command(&command_bytes(output(21), true, 600, true), Time(0), clock);
        drive.report(clock.secs(1.0), clock);
        drive.tripped = true;
        let report = drive.report(clock.secs(3.0), clock);
        assert_eq!((report[0] & 0x11, report[1], report[2]), (1, FAULTED, 0));
    }
}
