//! A drive of the AC drive profile as its published manuals have it.
//!
//! Sources: bits of assemblies 20, 21, 70 and 71 as in IEC 62026-3 by way of the CIP AC/DC drive
//! profile; no network control without NetCtrl and NetRef, run acts on its rising edge, both
//! directions at once are no action: drive adapter manual FDNA-01, p. 80.

/// What the drive is set to, and does.
#[derive(Clone, Debug)]
pub struct Drive {
    /// 20 or 21, as which it reads its commands.
    pub output: u8,
    /// 70 or 71, as the drive answers.
    pub input: u8,
    /// Its run and stop, or its speed, are set to come from elsewhere.
    pub control_elsewhere: bool,
    pub reference_elsewhere: bool,
    /// Its enable input is closed.
    pub enabled: bool,
    pub faulted: bool,
    /// Speed a second.
    pub ramp: f64,
    /// The speed at which it runs when that comes from elsewhere.
    pub own_speed: i16,
    /// Run must fall and rise again before it counts.
    pub must_rise: bool,
    running: bool,
    reverse: bool,
    speed: f64,
    run_before: u8,
    control: bool,
    reference: bool,
    asked_speed: i16,
    last: i64,
}

impl Drive {
    pub fn new(output: u8, input: u8) -> Drive {
        Drive {
            output,
            input,
            control_elsewhere: false,
            reference_elsewhere: false,
            enabled: true,
            faulted: false,
            ramp: 800.0,
            own_speed: 450,
            must_rise: false,
            running: false,
            reverse: false,
            speed: 0.0,
            run_before: 0,
            control: false,
            reference: false,
            asked_speed: 0,
            last: 0,
        }
    }

    /// Trips: the motor coasts, and run has to be given anew once the fault is reset.
    pub fn trip(&mut self) {
        self.faulted = true;
        self.running = false;
        self.must_rise = true;
    }

    pub fn command(&mut self, t: i64, data: &[u8]) {
        self.advance(t);
        let &[bits, _, low, high] = data else {
            // An idle master asks for nothing.
            if data.is_empty() {
                (self.running, self.run_before) = (false, 0);
            }
            return;
        };
        let asks_control = self.output == 20 || bits & 0x20 != 0;
        let asks_reference = self.output == 20 || bits & 0x40 != 0;
        // One that is told by assembly 21 takes what is asked for; by 20, what it is set to.
        self.control = asks_control && !self.control_elsewhere;
        self.reference = asks_reference && !self.reference_elsewhere;
        self.asked_speed = i16::from_le_bytes([low, high]);
        let run = if self.output == 20 { bits & 1 } else { bits & 3 };
        if bits & 4 != 0 && self.faulted {
            self.faulted = false;
        }
        let rises = run != 0 && self.run_before == 0;
        self.run_before = run;
        if run == 0 || run == 3 || !self.control || !self.enabled || self.faulted {
            self.running = false;
            self.must_rise &= run != 0;
            return;
        }
        if rises || self.running || !self.must_rise {
            self.running = true;
            self.must_rise = false;
            self.reverse = run == 2;
        }
    }

    fn advance(&mut self, t: i64) {
        let step = self.ramp * (t - self.last) as f64 / 1e9;
        self.last = t;
        let target = match (self.running, self.reference) {
            (false, _) => 0.0,
            (true, true) => f64::from(self.asked_speed),
            (true, false) => f64::from(self.own_speed),
        };
        self.speed += (target - self.speed).clamp(-step, step);
    }

    pub fn status(&mut self, t: i64) -> Vec<u8> {
        self.advance(t);
        let flag = |value: bool, bit: u8| u8::from(value) << bit;
        let mut bits = flag(self.faulted, 0) | flag(self.running && !self.reverse, 2);
        let mut state = 0;
        if self.input == 71 {
            let ready = self.enabled && !self.faulted;
            let at = self.running && (self.speed - f64::from(self.asked_speed)).abs() < 2.0;
            bits |= flag(self.running && self.reverse, 3) | flag(ready, 4);
            bits |= flag(self.control, 5) | flag(self.reference, 6) | flag(at, 7);
            state = match (self.faulted, self.running, ready) {
                (true, ..) => 7,
                (_, true, _) => 4,
                (_, _, true) => 3,
                _ => 2,
            };
        }
        let [low, high] = (self.speed as i16).to_le_bytes();
        vec![bits, state, low, high]
    }
}
