//! Names to lines of a columns file: quantity, channel, unit, circuit, each with what it rests on.
//!
//! Must never give one value twice, nor to a circuit that is not known.

use std::collections::HashSet;

use super::For;
use super::names::{Context, Guess, Unplaced, guess};
use super::written::is_name;
use crate::modbus::map::{Channel, Quantity};

/// A column, and what is to be written of it.
#[derive(Debug, Clone)]
pub(super) struct Placed {
    pub(super) name: String,
    pub(super) line: Line,
}

/// What is to be written.
#[derive(Debug, Clone)]
pub(super) enum Line {
    /// A table that counts.
    Live(Written),
    /// The same as a comment, and why.
    Off(Written, String),
    /// A comment that only names the column, and why.
    Unplaced(String),
}

/// What a table says.
#[derive(Debug, Clone)]
pub(super) struct Written {
    pub(super) quantity: Quantity,
    pub(super) channel: Channel,
    pub(super) unit: Option<&'static str>,
    pub(super) circuit: Option<String>,
    pub(super) notes: Vec<String>,
}

impl Placed {
    pub(super) fn is_live(&self) -> bool {
        matches!(self.line, Line::Live(_))
    }

    /// Why it does not count; empty when it does.
    pub(super) fn why(&self) -> &str {
        match &self.line {
            Line::Live(_) => "",
            Line::Off(_, why) | Line::Unplaced(why) => why,
        }
    }
}

/// True for what the monitor has once for all its circuits.
fn of_monitor(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::VoltageLn | Quantity::VoltageLl | Quantity::VoltageAngle | Quantity::Frequency)
}

fn never_negative(quantity: Quantity) -> bool {
    matches!(
        quantity,
        Quantity::VoltageLn | Quantity::VoltageLl | Quantity::Current | Quantity::ApparentPower | Quantity::Frequency
    )
}

/// Places every column; `named` gives each with its first numbers.
pub(super) fn place(named: &[(String, Vec<f64>)], of: &For<'_>) -> Vec<Placed> {
    let names = || named.iter().map(|(name, _)| name.as_str());
    let context = Context::of(names());
    let guesses: Vec<Result<Guess, Unplaced>> = names().map(|name| guess(name, &context)).collect();
    let units = Units::of(named, &guesses);
    // Where the draft can be of one circuit only, the first that is named is taken (or that of the configuration), and the
    // others are left for a person.
    let of_circuits = || guesses.iter().flatten().filter(|guess| !of_monitor(guess.quantity));
    let labels = || of_circuits().filter_map(|guess| guess.circuit.as_deref());
    let of_the_only = |label: &&str| matches!(of.circuits, [only] if plain(label).ends_with(&plain(only)));
    let first = labels().find(of_the_only).or_else(|| labels().next());
    let several = labels().any(|label| Some(label) != first);
    let mut taken: HashSet<(Quantity, Channel, Option<String>)> = HashSet::new();
    let mut placed = Vec::with_capacity(named.len());
    for ((name, numbers), guess) in named.iter().zip(&guesses) {
        let line = match guess {
            _ if !is_name(name) => Line::Unplaced("a columns file cannot hold this name".to_owned()),
            _ if names().filter(|other| other == name).count() > 1 => {
                Line::Unplaced("this name stands over more than one column: give each its own".to_owned())
            }
            Err(why) => Line::Unplaced(why.to_string()),
            Ok(guess) if never_negative(guess.quantity) && numbers.iter().any(|number| *number < 0.0) => {
                Line::Unplaced("by its name a value that is never negative, but it holds negative numbers".to_owned())
            }
            Ok(guess) => {
                let mut written = units.written(guess, numbers);
                let why = assign(&mut written, guess, of, first.filter(|_| several));
                let key = (written.quantity, written.channel, written.circuit.clone());
                match why {
                    Some(why) => Line::Off(written, why),
                    None if !taken.insert(key) => {
                        Line::Off(written, "a column above is taken for the same value: keep one of them".to_owned())
                    }
                    None => Line::Live(written),
                }
            }
        };
        placed.push(Placed { name: name.clone(), line });
    }
    placed
}

/// A name without what people write differently in it.
fn plain(text: &str) -> String {
    text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// Finds the circuit of a value; says why it has none.
fn assign(written: &mut Written, guess: &Guess, of: &For<'_>, first: Option<&str>) -> Option<String> {
    if of_monitor(guess.quantity) {
        return (of.monitors.len() > 1).then(|| {
            format!("the station has the monitors {}: say which with monitor = \"...\"", of.monitors.join(", "))
        });
    }
    match (&guess.circuit, of.circuits) {
        (None, [] | [_]) => None,
        (Some(label), [] | [_]) => match first {
            Some(first) if first != label => {
                written.circuit = Some(label.clone());
                Some(format!(
                    "of \"{label}\" by its name, and this draft is of \"{first}\"; the circuit is as the configuration names it"
                ))
            }
            _ => None,
        },
        (Some(label), circuits) => {
            // "PM 1 Pump 1" holds "Pump 1"; only one circuit may be held.
            let mut held = circuits.iter().filter(|circuit| plain(label).ends_with(&plain(circuit)));
            match (held.next(), held.next()) {
                (Some(circuit), None) => {
                    written.circuit = Some(circuit.clone());
                    written.notes.push(format!("circuit by \"{label}\" in the name"));
                    None
                }
                _ => Some(format!("of \"{label}\" by its name; circuits of the station: {}", circuits.join(", "))),
            }
        }
        (None, circuits) => Some(format!("its name says no circuit; circuits of the station: {}", circuits.join(", "))),
    }
}

/// Units that the names do not say, by what fits the first rows.
struct Units {
    /// Volts times amperes, VA; `None` when either is not known.
    volt_amperes: Option<f64>,
}

fn middle(mut numbers: Vec<f64>) -> Option<f64> {
    numbers.retain(|n| *n != 0.0);
    for n in &mut numbers {
        *n = n.abs();
    }
    numbers.sort_by(f64::total_cmp);
    numbers.get(numbers.len() / 2).copied()
}

impl Units {
    fn of(named: &[(String, Vec<f64>)], guesses: &[Result<Guess, Unplaced>]) -> Units {
        let level = |quantity: Quantity, units: [(&str, f64); 2]| -> Option<f64> {
            let own = named.iter().zip(guesses).filter_map(|((_, numbers), guess)| {
                let guess = guess.as_ref().ok().filter(|guess| guess.quantity == quantity)?;
                let factor = units.iter().find(|(unit, _)| guess.unit == Some(*unit)).map_or(1.0, |(_, f)| *f);
                Some(factor * middle(numbers.clone())?)
            });
            middle(own.collect())
        };
        let volts = level(Quantity::VoltageLn, [("kV", 1000.0), ("mV", 0.001)])
            .or_else(|| level(Quantity::VoltageLl, [("kV", 1000.0), ("mV", 0.001)]).map(|v| v / 3f64.sqrt()));
        let amperes = level(Quantity::Current, [("mA", 0.001), ("kA", 1000.0)]);
        Units { volt_amperes: volts.zip(amperes).map(|(v, a)| v * a) }
    }

    fn written(&self, guess: &Guess, numbers: &[f64]) -> Written {
        let mut notes: Vec<String> = guess.notes.iter().map(|note| (*note).to_owned()).collect();
        let mut guessed = |unit: &'static str, why: &str| {
            notes.push(format!("unit {unit}: {why}"));
            Some(unit)
        };
        let not_named = "not in the name";
        let unit = guess.unit.or_else(|| match guess.quantity {
            Quantity::VoltageLn | Quantity::VoltageLl => guessed("V", not_named),
            Quantity::Current => guessed("A", not_named),
            Quantity::VoltageAngle | Quantity::CurrentAngle => Some("deg"),
            Quantity::Frequency => Some("Hz"),
            Quantity::ActivePower => self.power(guess, numbers, ["W", "kW"], &mut guessed),
            Quantity::ReactivePower => self.power(guess, numbers, ["var", "kvar"], &mut guessed),
            Quantity::ApparentPower => self.power(guess, numbers, ["VA", "kVA"], &mut guessed),
            Quantity::PowerFactor => {
                let percent = middle(numbers.to_vec()).is_some_and(|factor| factor > 1.5);
                if percent { guessed("%", "by the size of the first values") } else { Some("1") }
            }
            Quantity::EnergyImport | Quantity::EnergyExport => guessed("kWh", not_named),
            Quantity::RunStatus => None,
            Quantity::Flow => guessed("gpm", not_named),
            Quantity::Head => guessed("ft", not_named),
            Quantity::SuctionPressure | Quantity::DischargePressure => guessed("psi", not_named),
        });
        Written { quantity: guess.quantity, channel: guess.channel, unit, circuit: None, notes }
    }

    /// The plain unit or a thousand of it, whichever fits volts times amperes of the first rows.
    fn power(
        &self,
        guess: &Guess,
        numbers: &[f64],
        [plain, kilo]: [&'static str; 2],
        guessed: &mut dyn FnMut(&'static str, &str) -> Option<&'static str>,
    ) -> Option<&'static str> {
        let channels = if guess.channel == Channel::Total { 3.0 } else { 1.0 };
        let share = self.volt_amperes.zip(middle(numbers.to_vec())).map(|(va, power)| power / (channels * va));
        match share {
            Some(share) if (0.03..=1.5).contains(&share) => guessed(plain, "by volts times amperes of the first rows"),
            Some(share) if (0.03..=1.5).contains(&(1000.0 * share)) => {
                guessed(kilo, "by volts times amperes of the first rows")
            }
            _ => guessed(kilo, "not in the name, and the first rows do not tell"),
        }
    }
}
