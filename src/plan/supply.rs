//! Current and voltage along the trunk, with supplies anywhere.
//!
//! The trunk is a chain of resistors with loads of constant current and supplies of constant
//! voltage; each chain between two supplies is solved by superposition. Both supply conductors
//! carry the same current, so between them the voltage falls by twice what one conductor loses;
//! the standard's limit of 4.65 V is for one. A supply does not take current in: one that would
//! have to gives none. With one supply this is the standard's sum rule, device by device.

use super::cable::CONTACT_OHM;
use super::model::{Cable, Cabling, Section, Tap};

/// Current and voltage along a trunk.
#[derive(Debug, Clone, PartialEq)]
pub struct Network {
    /// The trunk piece by piece, from its first end.
    pub pieces: Vec<Piece>,
    /// The trunk at each tap, in the order of [`Cabling::taps`].
    pub taps: Vec<AtTap>,
    /// What each supply gives, in the order of [`Cabling::supplies`], in amperes.
    pub supply_a: Vec<f64>,
}

/// A piece of trunk between two places where something joins it or the cable changes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Piece {
    /// Where it begins.
    pub from_m: f64,
    /// Where it ends.
    pub to_m: f64,
    /// The kind of cable.
    pub cable: Cable,
    /// The most current that it may carry.
    pub most_current_a: f64,
    /// The current, positive away from the first end.
    pub current_a: f64,
    /// What one conductor loses on it, contacts of taps included.
    pub drop_v: f64,
}

/// The trunk at a tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtTap {
    /// What one conductor has lost since the supply that feeds it; the greater where two do.
    pub drop_v: f64,
    /// The voltage between the conductors of the trunk.
    pub trunk_v: f64,
    /// The voltage between the conductors at the end of its drop line.
    pub device_v: f64,
}

impl Network {
    /// Solves the network; `None` without a supply.
    pub fn of(cabling: &Cabling) -> Option<Network> {
        let mut chain = Chain::of(cabling);
        let mut gives = vec![true; cabling.supplies.len()];
        loop {
            // Contacts lie on the side that a tap is fed from, which is known only afterwards.
            chain.contacts(None);
            let flow = chain.currents(cabling, &gives)?;
            chain.contacts(Some(&flow));
            let flow = chain.currents(cabling, &gives)?;
            let taken = flow.supply_a.iter().enumerate().filter(|(_, current)| **current < -1e-9);
            match taken.min_by(|a, b| a.1.total_cmp(b.1)) {
                Some((supply, _)) => gives[supply] = false,
                None => return Some(chain.result(cabling, &gives, &flow)),
            }
        }
    }
}

impl Network {
    /// The most that the negative conductor differs between any two places of the trunk.
    pub fn common_mode_v(&self) -> f64 {
        let (mut here, mut low, mut high) = (0.0f64, 0.0f64, 0.0f64);
        for piece in &self.pieces {
            here += piece.drop_v.copysign(piece.current_a);
            (low, high) = (low.min(here), high.max(here));
        }
        high - low
    }
}

/// The places of the trunk in order, and the conductor between each and the next.
struct Chain {
    places: Vec<NetworkPoint>,
    /// Of one conductor, in ohms; one fewer than places.
    ohm: Vec<f64>,
    cable_ohm: Vec<f64>,
    /// What each piece is of.
    sections: Vec<Section>,
}

#[derive(Clone, Copy)]
struct NetworkPoint {
    position_m: f64,
    load_a: f64,
    tap: Option<usize>,
    supply: Option<usize>,
}

/// Currents in a chain.
struct Flow {
    /// Between each place and the next, positive away from the first end.
    current_a: Vec<f64>,
    supply_a: Vec<f64>,
}

impl Chain {
    fn of(cabling: &Cabling) -> Chain {
        let bare = |position_m| NetworkPoint { position_m, load_a: 0.0, tap: None, supply: None };
        let mut ends = vec![0.0];
        for section in &cabling.sections {
            ends.push(ends[ends.len() - 1] + section.length_m);
        }
        let mut places: Vec<_> = ends.iter().map(|&end| bare(end)).collect();
        places.extend(cabling.taps.iter().enumerate().map(|(index, tap)| NetworkPoint {
            load_a: tap.current_a(),
            tap: Some(index),
            ..bare(tap.position_m)
        }));
        places.extend(cabling.supplies.iter().enumerate().map(|(index, supply)| NetworkPoint {
            supply: Some(index),
            ..bare(supply.position_m)
        }));
        places.sort_by(|a, b| a.position_m.total_cmp(&b.position_m));
        let mut chain =
            Chain { places, ohm: Vec::new(), cable_ohm: Vec::new(), sections: Vec::new() };
        for pair in chain.places.windows(2) {
            let middle = (pair[0].position_m + pair[1].position_m) / 2.0;
            // Section ends are places, so a piece lies in one section.
            let section = ends[1..].iter().position(|&end| middle <= end);
            let Some(section) = section.or(cabling.sections.len().checked_sub(1)) else { break };
            let section = cabling.sections[section];
            chain.sections.push(section);
            let length = pair[1].position_m - pair[0].position_m;
            chain.cable_ohm.push(length * section.figures.ohm_per_m);
        }
        chain
    }

    /// Sets the resistances, with the contacts of taps where the flow is known.
    fn contacts(&mut self, flow: Option<&Flow>) {
        self.ohm = self.cable_ohm.clone();
        let Some(flow) = flow else { return };
        for (index, _) in self.places.iter().enumerate().filter(|(_, place)| place.tap.is_some()) {
            if index > 0 && flow.current_a[index - 1] > 0.0 {
                self.ohm[index - 1] += CONTACT_OHM;
            }
            if flow.current_a.get(index).is_some_and(|&current| current < 0.0) {
                self.ohm[index] += CONTACT_OHM;
            }
        }
    }

    /// `None` where no supply gives anything.
    fn currents(&self, cabling: &Cabling, gives: &[bool]) -> Option<Flow> {
        let fed: Vec<_> = (0..self.places.len())
            .filter_map(|index| self.places[index].supply.filter(|&s| gives[s]).map(|s| (index, s)))
            .collect();
        let (first, last) = (fed.first()?.0, fed.last()?.0);
        let mut current_a = vec![0.0; self.ohm.len()];
        let load = |index: usize| self.places[index].load_a;
        for (index, current) in current_a.iter_mut().enumerate() {
            if index < first {
                *current = -(0..=index).map(load).sum::<f64>();
            } else if index >= last {
                *current = (index + 1..self.places.len()).map(load).sum();
            }
        }
        for pair in fed.windows(2) {
            let ((a, supply_a), (b, supply_b)) = (pair[0], pair[1]);
            let whole: f64 = self.ohm[a..b].iter().sum();
            let difference =
                cabling.supplies[supply_a].voltage_v - cabling.supplies[supply_b].voltage_v;
            // Each load draws from both ends in the ratio of the resistances to the other end.
            let share = |index: usize| load(index) * self.ohm[index..b].iter().sum::<f64>();
            let drawn: f64 = (a + 1..b).map(share).sum();
            let mut current = (difference / 2.0 + drawn) / whole;
            for (piece, after) in current_a[a..b].iter_mut().zip(&self.places[a + 1..]) {
                *piece = current;
                current -= after.load_a;
            }
        }
        let mut supply_a = vec![0.0; gives.len()];
        for (index, supply) in fed {
            let before = if index > 0 { current_a[index - 1] } else { 0.0 };
            let after = current_a.get(index).copied().unwrap_or(0.0);
            supply_a[supply] = after - before;
        }
        Some(Flow { current_a, supply_a })
    }

    fn result(&self, cabling: &Cabling, gives: &[bool], flow: &Flow) -> Network {
        let drops: Vec<_> = self.ohm.iter().zip(&flow.current_a).map(|(r, i)| r * i).collect();
        // (supply's voltage, lost since) at each place, from the left and from the right.
        let source = |place: &NetworkPoint| {
            let supply = place.supply.filter(|&supply| gives[supply])?;
            Some((cabling.supplies[supply].voltage_v, 0.0))
        };
        let count = self.places.len();
        let mut from_left: Vec<Option<(f64, f64)>> = vec![None; count];
        let mut from_right = from_left.clone();
        for index in 0..count {
            from_left[index] = source(&self.places[index]).or_else(|| {
                let (volts, lost) = from_left[index.checked_sub(1)?]?;
                Some((volts, lost + drops[index - 1]))
            });
        }
        for index in (0..count).rev() {
            from_right[index] = source(&self.places[index]).or_else(|| {
                let (volts, lost) = (*from_right.get(index + 1)?)?;
                Some((volts, lost - drops[index]))
            });
        }
        let at_tap = |(index, tap): (usize, &Tap)| {
            let place = self.places.iter().position(|place| place.tap == Some(index))?;
            let (left, right) = (from_left[place], from_right[place]);
            let trunk_v = left.or(right).map(|(volts, lost)| volts - 2.0 * lost)?;
            let fed_left = place > 0 && flow.current_a[place - 1] > 0.0;
            let fed_right = flow.current_a.get(place).is_some_and(|&current| current < 0.0);
            let lost = |from: Option<(f64, f64)>, fed: bool| from.filter(|_| fed).map(|(_, v)| v);
            let drop_v = lost(left, fed_left).into_iter().chain(lost(right, fed_right));
            let line_v = tap.drop_m * tap.cable.drop_ohm_per_m() * tap.current_a();
            Some(AtTap {
                drop_v: drop_v.fold(0.0, f64::max),
                trunk_v,
                // Every device is taken to draw its current whatever the voltage: where that would
                // need less than none, there is none.
                device_v: (trunk_v - 2.0 * line_v).max(0.0),
            })
        };
        let pieces = (0..self.ohm.len()).map(|index| Piece {
            from_m: self.places[index].position_m,
            to_m: self.places[index + 1].position_m,
            cable: self.sections[index].cable,
            most_current_a: self.sections[index].figures.most_current_a,
            current_a: flow.current_a[index],
            drop_v: drops[index].abs(),
        });
        Network {
            pieces: pieces.collect(),
            taps: cabling.taps.iter().enumerate().filter_map(at_tap).collect(),
            supply_a: flow.supply_a.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::cable::sum_rule_v;
    use super::super::model::{CurrentDraw, Supply};
    use super::*;
    use proptest::prelude::*;

    fn cabling(length_m: f64, taps: &[(f64, f64)], supplies: &[(f64, f64)]) -> Cabling {
        let tap = |&(position_m, current_a): &(f64, f64)| Tap {
            name: "device".into(),
            position_m,
            drop_m: 0.0,
            cable: Cable::Thin,
            loads: vec![CurrentDraw { name: "device".into(), mac_id: None, current_a }],
        };
        let supply = |&(position_m, voltage_v): &(f64, f64)| Supply {
            name: "supply".into(),
            position_m,
            voltage_v,
            current_a: None,
        };
        let mut taps: Vec<_> = taps.iter().map(tap).collect();
        taps.sort_by(|a, b| a.position_m.total_cmp(&b.position_m));
        Cabling {
            sections: vec![Section {
                cable: Cable::Thick,
                length_m,
                figures: Cable::Thick.figures().unwrap(),
            }],
            class_2: false,
            terminators_at_m: None,
            taps,
            supplies: supplies.iter().map(supply).collect(),
        }
    }

    fn near(value: f64, expected: f64) {
        assert!((value - expected).abs() < 1e-9, "{value}, expected {expected}");
    }

    const FOOT: f64 = 0.3048;

    /// The trunk of the guide, whose figures are by the foot.
    fn of_the_guide(length_m: f64, taps: &[(f64, f64)], supplies: &[(f64, f64)]) -> Network {
        let mut cabling = cabling(length_m, taps, supplies);
        cabling.sections[0].figures.ohm_per_m = 0.0045 / FOOT;
        Network::of(&cabling).unwrap()
    }

    /// Worked example of a published installation guide (2004), thick cable, feet: one supply at
    /// the end, 2.2725 V; the device at 50 ft sees every current through its own stretch.
    #[test]
    fn worked_example_with_the_supply_at_the_end() {
        let taps = [(50.0, 1.0), (100.0, 0.5), (400.0, 0.5), (800.0, 0.25)];
        let taps = taps.map(|(feet, current)| (feet * FOOT, current));
        let network = of_the_guide(250.0, &taps, &[(0.0, 24.0)]);
        near(network.taps[3].drop_v, 2.2725);
        near(network.taps[3].trunk_v, 24.0 - 2.0 * 2.2725);
        near(network.taps[0].drop_v, (50.0 * 0.0045 + 0.005) * 2.25);
        near(network.supply_a[0], 2.25);
    }

    /// The same guide, supply in the middle: each side by itself, 1.47 V on the first.
    #[test]
    fn worked_example_with_the_supply_in_the_middle() {
        let side = [(100.0, 0.25), (400.0, 0.25), (800.0, 0.25)];
        let middle = 900.0;
        let left = side.map(|(feet, current)| ((middle - feet) * FOOT, current));
        let taps = [left.as_slice(), &[((middle + 50.0) * FOOT, 2.0)]].concat();
        let supply = [(middle * FOOT, 24.0)];
        let network = of_the_guide(300.0, &taps, &supply);
        near(network.taps[0].drop_v, (0.455 + 1.81 + 3.615) * 0.25);
        assert_eq!(format!("{:.2}", network.taps[0].drop_v), "1.47");
        near(network.taps[3].drop_v, (50.0 * 0.0045 + 0.005) * 2.0);
    }

    #[test]
    fn two_equal_supplies_share() {
        let network = Network::of(&cabling(100.0, &[(50.0, 2.0)], &[(0.0, 24.0), (100.0, 24.0)]));
        let network = network.unwrap();
        near(network.supply_a[0], 1.0);
        near(network.supply_a[1], 1.0);
        near(network.taps[0].drop_v, 50.0 * 0.015 + CONTACT_OHM);
    }

    #[test]
    fn a_supply_that_is_much_lower_gives_nothing_and_takes_nothing() {
        let supplies = [(0.0, 24.0), (100.0, 18.0)];
        let network = Network::of(&cabling(100.0, &[(50.0, 1.0)], &supplies)).unwrap();
        assert_eq!(network.supply_a[1], 0.0);
        near(network.supply_a[0], 1.0);
        near(network.taps[0].trunk_v, 24.0 - 2.0 * (50.0 * 0.015 + CONTACT_OHM));
    }

    #[test]
    fn a_drop_line_loses_voltage_of_its_own() {
        let mut plan = cabling(10.0, &[(0.0, 0.5)], &[(0.0, 24.0)]);
        plan.taps[0].drop_m = 6.0;
        let network = Network::of(&plan).unwrap();
        near(network.taps[0].device_v, network.taps[0].trunk_v - 2.0 * 6.0 * 0.069 * 0.5);
        assert!(Network::of(&cabling(10.0, &[(0.0, 0.5)], &[])).is_none());
    }

    proptest! {
        /// With one supply at the end the last device's loss is the standard's sum rule.
        #[test]
        fn one_supply_is_the_sum_rule(
            mut taps in prop::collection::vec((1.0f64..300.0, 0.01f64..2.0), 1..20)
        ) {
            let network = Network::of(&cabling(300.0, &taps, &[(0.0, 24.0)])).unwrap();
            taps.sort_by(|a, b| a.0.total_cmp(&b.0));
            let sum = sum_rule_v(Cable::Thick.drop_ohm_per_m(), &taps);
            prop_assert!((network.taps.last().unwrap().drop_v - sum).abs() < 1e-9);
        }

        /// What goes in comes out, and both ways to a tap say the same voltage.
        #[test]
        fn current_and_voltage_are_consistent(
            taps in prop::collection::vec((0.0f64..300.0, 0.0f64..2.0), 1..20),
            places in prop::collection::btree_set(0u16..300, 1..5),
            volts in prop::collection::vec(23.5f64..24.5, 5),
        ) {
            let supplies: Vec<_> =
                places.iter().zip(&volts).map(|(&at, &v)| (f64::from(at), v)).collect();
            let network = Network::of(&cabling(300.0, &taps, &supplies)).unwrap();
            let drawn: f64 = taps.iter().map(|(_, current)| current).sum();
            prop_assert!((network.supply_a.iter().sum::<f64>() - drawn).abs() < 1e-6);
            prop_assert!(network.supply_a.iter().all(|&current| current >= -1e-9));
            let highest = supplies.iter().map(|(_, volts)| *volts).fold(0.0, f64::max);
            for tap in &network.taps {
                prop_assert!(tap.trunk_v <= highest + 1e-9);
                prop_assert!(tap.drop_v >= 0.0);
            }
            // From the first giving supply along the pieces to every other one.
            let mut level = None;
            for piece in &network.pieces {
                let start = supplies.iter().zip(&network.supply_a)
                    .find(|((at, _), current)| *at == piece.from_m && **current > 1e-6);
                if let Some(((_, volts), _)) = start {
                    if let Some(level) = level {
                        let level: f64 = level;
                        prop_assert!((level - volts).abs() < 1e-6, "{level} {volts}");
                    }
                    level = Some(*volts);
                }
                level = level.map(|v| v - 2.0 * piece.drop_v * piece.current_a.signum());
            }
        }
    }
}
