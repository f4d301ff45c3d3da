//! What the standard allows of cable: lengths by bit rate, currents by length.
//!
//! Source: IEC 62026-3, figures as in published installation guides; where it is something
//! else, it is said there.

use super::model::{Cable, CableFigures, Cabling, Section, Tap};
use crate::wire::Bitrate;

/// The longest drop line, in metres.
pub const LONGEST_DROP_M: f64 = 6.0;

/// The most that the voltage may fall on one conductor of the trunk, in volts.
pub const MOST_TRUNK_DROP_V: f64 = 4.65;

/// The resistance that each tap adds to a conductor, in ohms.
pub const CONTACT_OHM: f64 = 0.005;

/// A terminator, in ohms; one at each end of the trunk.
pub const TERMINATOR_OHM: f64 = 121.0;

/// What every device needs between its supply conductors, in volts: controller user's guide (motion
/// controller, Rev. E), p. 123.
pub const LEAST_DEVICE_V: f64 = 11.0;

/// The most that it may have, in volts: the same guide, p. 123.
pub const MOST_DEVICE_V: f64 = 25.0;

/// The most that the negative conductor may differ between any two places of the trunk, in volts: the
/// same guide, p. 123.
pub const MOST_COMMON_MODE_V: f64 = 5.0;

/// What a section of a North American Class 2 circuit may carry, in amperes, whatever its cable: common
/// practice; the same guide, p. 123, names the limit without its value.
pub const CLASS_2_A: f64 = 4.0;

/// The most that the voltage may differ between any two places of the trunk (common practice,
/// no source).
pub const MOST_DIFFERENCE_V: f64 = 10.0;

impl Cable {
    /// What it is good for by the standard; `None` where its maker has to say.
    pub fn figures(self) -> Option<CableFigures> {
        match self {
            Cable::Thick => {
                Some(CableFigures { ohm_per_m: 0.015, most_current_a: 8.0, longest_m: None })
            }
            Cable::Thin => {
                Some(CableFigures { ohm_per_m: 0.069, most_current_a: 3.0, longest_m: None })
            }
            Cable::Flat => None,
        }
    }

    /// The resistance of one conductor of a drop line of it, in ohms a metre. Drop lines are round.
    pub fn drop_ohm_per_m(self) -> f64 {
        self.figures().map_or(0.069, |figures| figures.ohm_per_m)
    }

    /// The greatest current of a trunk of it by length, with the supply at one end.
    fn current_table(self) -> &'static [(f64, f64)] {
        match self {
            Cable::Thick => &[
                (25.0, 8.00),
                (50.0, 5.42),
                (100.0, 2.93),
                (150.0, 2.01),
                (200.0, 1.53),
                (250.0, 1.23),
                (300.0, 1.03),
                (350.0, 0.89),
                (400.0, 0.78),
                (450.0, 0.69),
                (500.0, 0.63),
            ],
            Cable::Thin => &[
                (20.0, 3.00),
                (30.0, 2.06),
                (40.0, 1.57),
                (50.0, 1.26),
                (60.0, 1.06),
                (70.0, 0.91),
                (80.0, 0.80),
                (90.0, 0.71),
                (100.0, 0.64),
            ],
            Cable::Flat => &[],
        }
    }

    /// The greatest current of a trunk of this cable with the supply at one end, by the
    /// standard's table: that of the next longer length in it. `None` for a trunk longer than
    /// the table. It supposes all load at the far end; where it says no, the sum rule decides.
    pub fn table_current_a(self, length_m: f64) -> Option<f64> {
        let row = self.current_table().iter().find(|(length, _)| length_m <= *length);
        row.map(|(_, current)| *current)
    }
}

/// The longest trunk in metres of thick cable, and how many of those a metre of thin counts.
pub fn longest_trunk(bitrate: Bitrate) -> (f64, f64) {
    match bitrate.get() {
        ..=125_000 => (500.0, 5.0),
        125_001..=250_000 => (250.0, 2.5),
        _ => (100.0, 1.0),
    }
}

/// The most that all drop lines may have together, in metres.
pub fn most_drops_m(bitrate: Bitrate) -> f64 {
    match bitrate.get() {
        ..=125_000 => 156.0,
        125_001..=250_000 => 78.0,
        _ => 39.0,
    }
}

/// The most current of a drop line, in amperes: 4.57 A m by its length, 3 A at most.
pub fn most_drop_current_a(drop_m: f64) -> f64 {
    if drop_m > 4.57 / 3.0 { 4.57 / drop_m } else { 3.0 }
}

/// The standard's sum rule for devices on one side of a supply, nearest first, as (metres from
/// the supply, amperes): Σ ((Lₙ × Rc) + (Nₜ × 0.005)) × Iₙ, in volts on one conductor.
#[cfg(test)]
pub(super) fn sum_rule_v(ohm_per_m: f64, devices: &[(f64, f64)]) -> f64 {
    let part = |(index, &(length_m, current_a)): (usize, &(f64, f64))| {
        (length_m * ohm_per_m + (index + 1) as f64 * CONTACT_OHM) * current_a
    };
    devices.iter().enumerate().map(part).sum()
}

impl Cabling {
    /// The longest way between any two ends in metres of thick cable: the trunk, and a drop
    /// line near an end where it is longer than the rest of the trunk there (from memory).
    pub fn thick_length_m(&self, bitrate: Bitrate) -> f64 {
        let (longest, thin_counts) = longest_trunk(bitrate);
        let counts = |cable| if cable == Cable::Thick { 1.0 } else { thin_counts };
        // A trunk of one cable alone may be as long as its maker says.
        let section = |section: &Section| {
            let own = section.figures.longest_m.map(|own| longest / own);
            section.length_m * own.unwrap_or(counts(section.cable))
        };
        let trunk: f64 = self.sections.iter().map(section).sum();
        let beyond = |room: &dyn Fn(&Tap) -> f64| {
            let over = |tap: &Tap| (tap.drop_m - room(tap)).max(0.0) * counts(tap.cable);
            self.taps.iter().map(over).fold(0.0, f64::max)
        };
        let length = self.length_m();
        trunk + beyond(&|tap| tap.position_m) + beyond(&|tap| length - tap.position_m)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const OHM_PER_FOOT: f64 = 0.0045;

    fn near(value: f64, expected: f64, within: f64) {
        assert!((value - expected).abs() <= within, "{value}, expected {expected}");
    }

    /// Worked example of a published installation guide (2004), thick cable, one supply at the
    /// end, lengths in feet: 0.23 + 0.23 + 0.91 + 0.91 = 2.28 V; unrounded 2.2725 V, 48.87 % of
    /// 4.65 V.
    #[test]
    fn worked_example_with_the_supply_at_the_end() {
        let devices = [(50.0, 1.0), (100.0, 0.5), (400.0, 0.5), (800.0, 0.25)];
        let sum = sum_rule_v(OHM_PER_FOOT, &devices);
        near(sum, 2.2725, 1e-9);
        near(sum / MOST_TRUNK_DROP_V, 0.4887, 5e-5);
        // The guide rounds each part first.
        near(sum, 2.28, 0.01);
    }

    /// The same guide, supply in the middle, first side: 1.47 V.
    #[test]
    fn worked_example_with_the_supply_in_the_middle() {
        let devices = [(100.0, 0.25), (400.0, 0.25), (800.0, 0.25)];
        near(sum_rule_v(OHM_PER_FOOT, &devices), 1.47, 0.005);
    }

    /// IEC 62026-3, as in published installation guides: greatest current by trunk length.
    #[test]
    fn current_by_length() {
        assert_eq!(Cable::Thick.table_current_a(100.0), Some(2.93));
        assert_eq!(Cable::Thick.table_current_a(100.1), Some(2.01));
        assert_eq!(Cable::Thick.table_current_a(500.1), None);
        assert_eq!(Cable::Thin.table_current_a(20.0), Some(3.00));
        assert_eq!(Cable::Thin.table_current_a(95.0), Some(0.64));
        // The tables hold the sum rule with all load at the far end, and use most of it; the
        // longest thick rows go over it by up to 2 % since they were made in feet.
        for cable in [Cable::Thick, Cable::Thin] {
            for &(length, current) in cable.current_table() {
                let figures = cable.figures().unwrap();
                let volts = sum_rule_v(figures.ohm_per_m, &[(length, current)]);
                let limited = current == figures.most_current_a;
                let most = MOST_TRUNK_DROP_V * 1.02;
                assert!(volts < most && (limited || volts > 0.85 * most), "{length}: {volts}");
            }
        }
    }

    /// IEC 62026-3, as in manual EM07ZS1647F, p. 15: drop line I = 4.57 / L, 3 A at most.
    #[test]
    fn drop_line_current() {
        near(most_drop_current_a(0.0), 3.0, 0.0);
        near(most_drop_current_a(1.5), 3.0, 0.0);
        near(most_drop_current_a(3.0), 1.5233, 1e-4);
        near(most_drop_current_a(6.0), 0.7617, 1e-4);
    }

    /// IEC 62026-3: thick + 5 × thin ≤ 500, thick + 2.5 × thin ≤ 250, thick + thin ≤ 100, as in module
    /// manual 6F8C0845, p. 5 and 6; drops together 156, 78, 39 m, as in manual EM07ZS1647F, p. 15.
    #[test]
    fn lengths_by_bit_rate() {
        let section =
            |cable: Cable, length_m| Section { cable, length_m, figures: cable.figures().unwrap() };
        let mut cabling = Cabling {
            sections: vec![section(Cable::Thick, 200.0), section(Cable::Thin, 20.0)],
            ..Cabling::default()
        };
        let rates = [(125_000, 500.0, 300.0, 156.0), (250_000, 250.0, 250.0, 78.0)];
        for (rate, longest, length, drops) in
            rates.into_iter().chain([(500_000, 100.0, 220.0, 39.0)])
        {
            let rate = Bitrate::new(rate).unwrap();
            assert_eq!(longest_trunk(rate).0, longest);
            near(cabling.thick_length_m(rate), length, 1e-9);
            assert_eq!(most_drops_m(rate), drops);
        }
        // A 6 m drop 2 m from the thin end reaches 4 m further.
        cabling.taps.push(Tap {
            name: "capper".into(),
            position_m: 218.0,
            drop_m: 6.0,
            cable: Cable::Thin,
            loads: Vec::new(),
        });
        near(cabling.thick_length_m(Bitrate::new(125_000).unwrap()), 320.0, 1e-9);
    }
    /// Flat cable counts by the longest trunk of it that its maker allows.
    #[test]
    fn flat_cable_counts_as_its_maker_says() {
        let figures =
            CableFigures { ohm_per_m: 0.019, most_current_a: 8.0, longest_m: Some(400.0) };
        let cabling = Cabling {
            sections: vec![Section { cable: Cable::Flat, length_m: 100.0, figures }],
            ..Cabling::default()
        };
        near(cabling.thick_length_m(Bitrate::new(125_000).unwrap()), 125.0, 1e-9);
    }
}
