//! Mistakes that columns files and exports have, and readings as they would be without them.
//!
//! To add one: a variant of [`Mistake`], its odds in [`all`], what it does in [`Alteration::applied`], its words in
//! `faces::replay::doubt_text`.

use crate::audit::context::LoadBehaviour;
use crate::audit::register_fault::group::Group;
use crate::modbus::alternatives::group_of;
use crate::modbus::decode::field;
use crate::modbus::map::{Channel, Quantity, Target};
use crate::reading::{Measured, MonitorReading};
use crate::replay::columns::ValueColumn;

/// One mistake.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Mistake {
    /// The values times ten to this power are right.
    Scale(i8),
    /// They are another quantity.
    Quantity {
        /// What they are.
        is: Group,
        /// The columns of that quantity hold this one in turn.
        swapped: bool,
        /// And times ten to this power.
        power: i8,
    },
    /// Voltages to neutral are voltages between phases, or the other way round.
    OtherVoltage {
        /// The columns of the other voltage hold this one in turn.
        swapped: bool,
    },
    /// Negative numbers were recorded without their sign: values above half of this span (SI unit) are too high by it.
    Unsigned(f64),
    /// Sign reversed.
    Negated,
    /// They fit under nothing that is tried here.
    Meaningless,
}

/// A mistake in some of the columns.
#[derive(Debug, Clone, PartialEq)]
pub struct Alteration {
    /// Columns, by index among those of the file.
    pub columns: Vec<usize>,
    /// What is wrong with them.
    pub mistake: Mistake,
}

/// Relative odds of units that are a thousand apart, ten apart and a hundred apart being taken for each other.
const POWERS: [(i8, f64); 6] = [(3, 1.0), (-3, 1.0), (1, 0.15), (-1, 0.15), (2, 0.05), (-2, 0.05)];
/// The same of power factor: percent, thousandths, tenths.
const FACTOR_POWERS: [(i8, f64); 5] = [(-2, 1.0), (2, 1.0), (-3, 0.7), (-1, 0.3), (1, 0.3)];

/// Sets of columns that one mistake makes wrong together, with their odds: a whole quantity, its channels, its total, and
/// each alone.
fn sets(values: &[&ValueColumn], group: Group) -> Vec<(Vec<usize>, f64)> {
    let of = |wanted: &dyn Fn(&Target) -> bool| -> Vec<usize> {
        let own = |(n, value): (usize, &&ValueColumn)| {
            let target = &value.target;
            (group_of(target.quantity) == Some(group) && wanted(target)).then_some(n)
        };
        values.iter().enumerate().filter_map(own).collect()
    };
    let mut sets: Vec<(Vec<usize>, f64)> = Vec::new();
    let mut add = |set: Vec<usize>, odds: f64| {
        if !set.is_empty() && sets.iter().all(|(known, _)| *known != set) {
            sets.push((set, odds));
        }
    };
    add(of(&|_| true), 10.0);
    add(of(&|target| target.channel != Channel::Total && target.quantity != Quantity::VoltageLl), 3.0);
    add(of(&|target| target.channel == Channel::Total || target.quantity == Quantity::VoltageLl), 3.0);
    for n in of(&|_| true) {
        add(vec![n], 0.5);
    }
    sets
}

/// All mistakes that are tried on these columns, with their relative odds (common practice, no source).
pub fn all(values: &[&ValueColumn], load: LoadBehaviour) -> Vec<(Alteration, f64)> {
    let mut all: Vec<(Alteration, f64)> = Vec::new();
    let mut add = |columns: &[usize], mistake, odds| {
        all.push((Alteration { columns: columns.to_vec(), mistake }, odds));
    };
    let own = Group::ALL.into_iter().filter(|group| *group != Group::Powers);
    for group in own {
        let powers = if group == Group::PowerFactor { &FACTOR_POWERS[..] } else { &POWERS[..] };
        for (set, odds) in sets(values, group) {
            for (power, of) in powers {
                add(&set, Mistake::Scale(*power), odds * of);
            }
            add(&set, Mistake::Meaningless, 0.1 * odds);
            if matches!(group, Group::ActivePower | Group::ReactivePower) {
                add(&set, Mistake::Negated, 0.2 * odds);
            }
        }
    }
    let powers: Vec<usize> = [Group::ActivePower, Group::ReactivePower, Group::ApparentPower]
        .into_iter()
        .flat_map(|group| whole(values, group))
        .collect();
    if !powers.is_empty() {
        // Kilo left out is one slip. That all of them are wrong by tens is no likelier than that the current is.
        for (power, of) in POWERS {
            add(&powers, Mistake::Scale(power), if power.abs() == 3 { 10.0 * of } else { 0.2 * of });
        }
    }
    // Active and reactive power taken for each other are among the hypotheses of the audit itself.
    for (declared, is) in [
        (Group::ActivePower, Group::ApparentPower),
        (Group::ApparentPower, Group::ActivePower),
        (Group::ReactivePower, Group::ApparentPower),
        (Group::ApparentPower, Group::ReactivePower),
    ] {
        let columns = whole(values, declared);
        // A resistive load's watts are its volt-amperes, and so may be those of a load that is not known.
        let alike = (declared, is) == (Group::ActivePower, Group::ApparentPower)
            && matches!(load, LoadBehaviour::Resistive | LoadBehaviour::Unknown | LoadBehaviour::Drive);
        if columns.is_empty() || alike {
            continue;
        }
        let swapped = !whole(values, is).is_empty();
        for (power, odds) in [(0, 2.0), (3, 0.5), (-3, 0.5)] {
            // Swapped both ways it is one mistake.
            if !(swapped && declared as u8 > is as u8) {
                add(&columns, Mistake::Quantity { is, swapped, power }, odds);
            }
        }
    }
    let voltages = |quantity: Quantity| -> Vec<usize> {
        (0..values.len()).filter(|n| values[*n].target.quantity == quantity).collect()
    };
    let (neutral, line) = (voltages(Quantity::VoltageLn), voltages(Quantity::VoltageLl));
    let swapped = !neutral.is_empty() && !line.is_empty();
    for columns in [neutral, line].iter().filter(|columns| !columns.is_empty()).take(1) {
        add(columns, Mistake::OtherVoltage { swapped }, 4.0);
    }
    for group in [Group::ActivePower, Group::ReactivePower, Group::PowerFactor] {
        let columns = whole(values, group);
        for bits in [16, 32] {
            for power in -4..=3 {
                if !columns.is_empty() {
                    add(&columns, Mistake::Unsigned(2f64.powi(bits) * 10f64.powi(power)), 0.1);
                }
            }
        }
    }
    all
}

fn whole(values: &[&ValueColumn], group: Group) -> Vec<usize> {
    let own = |(n, value): (usize, &&ValueColumn)| (group_of(value.target.quantity) == Some(group)).then_some(n);
    values.iter().enumerate().filter_map(own).collect()
}

fn number(value: Measured) -> Option<f64> {
    match value {
        Measured::Good(v) | Measured::Stale(v) | Measured::OutOfRange(v) => Some(v),
        Measured::NotMapped | Measured::NotAvailable | Measured::Failed => None,
    }
}

impl Alteration {
    /// The reading as it would be without the mistake.
    #[must_use]
    pub fn applied(&self, reading: &MonitorReading, values: &[&ValueColumn]) -> MonitorReading {
        let mut altered = reading.clone();
        for value in self.columns.iter().filter_map(|n| values.get(*n)) {
            let Some(group) = group_of(value.target.quantity) else { continue };
            match self.mistake {
                Mistake::Quantity { is, swapped, power } => {
                    let quantity = match is {
                        Group::ActivePower => Quantity::ActivePower,
                        Group::ReactivePower => Quantity::ReactivePower,
                        _ => Quantity::ApparentPower,
                    };
                    let to = Target { quantity, ..value.target };
                    move_over(&mut altered, reading, (value.target, group), (to, is), swapped, power);
                    continue;
                }
                Mistake::OtherVoltage { swapped } => {
                    let neutral = value.target.quantity == Quantity::VoltageLn;
                    let quantity = if neutral { Quantity::VoltageLl } else { Quantity::VoltageLn };
                    let to = Target { quantity, ..value.target };
                    move_over(&mut altered, reading, (value.target, group), (to, group), swapped, 0);
                    continue;
                }
                _ => {}
            }
            let Some(place) = field(&mut altered, value.target) else { continue };
            *place = match (self.mistake, number(*place)) {
                (Mistake::Scale(power), Some(v)) => group.qualified(v * 10f64.powi(i32::from(power))),
                (Mistake::Negated, Some(v)) => group.qualified(-v),
                (Mistake::Unsigned(span), Some(v)) if (0.5 * span..span).contains(&v) => group.qualified(v - span),
                // As many decades as a value of no meaning is spread over: it counts neither for nor against.
                (Mistake::Meaningless, Some(_)) => Measured::Failed,
                _ => *place,
            };
        }
        altered
    }
}

/// Moves a value to where it belongs; what stood there comes back in its place when the two are swapped.
fn move_over(
    altered: &mut MonitorReading,
    reading: &MonitorReading,
    (from, group): (Target, Group),
    (to, is): (Target, Group),
    swapped: bool,
    power: i8,
) {
    let mut source = reading.clone();
    let mut at = |target: Target| field(&mut source, target).map_or(Measured::NotMapped, |value| *value);
    let (own, other) = (at(from), at(to));
    // Nothing is nothing in every quantity.
    if number(own) == Some(0.0) {
        return;
    }
    let factor = 10f64.powi(i32::from(power));
    let scaled = |value: Measured, group: Group| number(value).map_or(value, |v| group.qualified(v * factor));
    if let Some(place) = field(altered, to) {
        *place = scaled(own, is);
    }
    if let Some(place) = field(altered, from) {
        *place = if swapped { scaled(other, group) } else { Measured::NotMapped };
    }
}
