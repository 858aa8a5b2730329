//! What a column is, by its name.
//!
//! Must never choose between two things that could both be meant without a word on it: a guess carries what it rests on.

use std::collections::HashSet;

use super::vocabulary::{Atom, Family, atoms, unit};
use crate::modbus::map::{Channel, Quantity};

/// What a name says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Guess {
    pub(super) quantity: Quantity,
    pub(super) channel: Channel,
    /// As written in the name.
    pub(super) unit: Option<&'static str>,
    /// What it seems to belong to ("Pump 1"), by the words left over.
    pub(super) circuit: Option<String>,
    /// What else it could be.
    pub(super) notes: Vec<&'static str>,
}

/// Why a name could not be placed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(super) enum Unplaced {
    #[error("its name says no quantity that is known here")]
    NoQuantity,
    #[error("its name speaks of more than one quantity")]
    Conflict,
    #[error("its name says no phase or channel")]
    NoChannel,
    #[error("its name speaks of more than one phase or channel")]
    Channels,
    #[error("an angle, but its name does not say of what")]
    AngleOf,
    #[error("a pressure, but its name says neither suction nor discharge")]
    PressureOf,
    #[error("not used: {0}")]
    NotUsed(&'static str),
}

/// What all names of a heading say together.
#[derive(Debug, Default)]
pub(super) struct Context {
    words: HashSet<String>,
    /// "P1" and so on that stand with volts, amperes or a run status: pumps, not phases.
    pumps: [bool; 3],
}

impl Context {
    pub(super) fn of<'n>(names: impl Iterator<Item = &'n str> + Clone) -> Context {
        let mut context = Context::default();
        for name in names {
            context
                .words
                .extend(name.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).map(str::to_lowercase));
            let (text, bracketed) = unbracketed(name);
            let atoms = atoms(&text);
            let no_power =
                |family: Family| matches!(family, Family::Voltage | Family::Current | Family::Run | Family::Flow);
            let other = bracketed.is_some_and(|(family, _)| no_power(family))
                || atoms.iter().any(|atom| match atom {
                    Atom::Family(family) | Atom::Unit(family, _) => no_power(*family),
                    Atom::AmperesOrPhaseA => atoms.iter().filter(|a| **a == Atom::AmperesOrPhaseA).count() > 1,
                    _ => false,
                });
            for atom in &atoms {
                if let Atom::PowerOrPump(n) = atom {
                    context.pumps[usize::from(*n).min(2)] |= other;
                }
            }
        }
        context
    }
}

/// A name without the unit in brackets at its end; brackets that hold something else are left as words.
fn unbracketed(name: &str) -> (String, Option<(Family, &'static str)>) {
    for (open, close) in [('(', ')'), ('[', ']'), ('{', '}')] {
        if let Some((before, rest)) = name.rsplit_once(open)
            && let Some((inside, after)) = rest.split_once(close)
            && let Some(unit) = unit(inside)
        {
            return (format!("{before} {after}"), Some(unit));
        }
    }
    (name.to_owned(), None)
}

const CHANNELS: [Channel; 3] = [Channel::One, Channel::Two, Channel::Three];
const TOTAL_GUESSED: &str = "no phase in the name, so taken as the total";
const TO_NEUTRAL_GUESSED: &str = "to neutral, or between phases (voltage-ll)?";
const PUMP_OR_PHASE: &str = "P and a digit: power of that phase, or that pump's total?";

/// What a name says, beside the other names.
pub(super) fn guess(name: &str, context: &Context) -> Result<Guess, Unplaced> {
    let (text, bracketed) = unbracketed(name);
    let atoms = atoms(&text);
    let mut of = Gathered::default();
    if let Some((family, unit)) = bracketed {
        of.unit_found(family, unit);
    }
    let mut labelled = false;
    for (n, atom) in atoms.iter().enumerate() {
        let pump_before = n > 0 && matches!(atoms[n - 1], Atom::Other(_));
        match *atom {
            Atom::PowerOrPump(channel) if context.pumps[usize::from(channel).min(2)] => {
                of.label.push(format!("P{}", channel + 1));
                labelled = true;
            }
            Atom::PowerOrPump(channel) => {
                of.families.push(Family::Active);
                of.channels.push(channel);
                of.notes.push(PUMP_OR_PHASE);
            }
            Atom::Number(digits) if pump_before => {
                of.label.push(digits.to_owned());
                labelled = true;
            }
            Atom::Number(digits) => of.numbers.push(digits),
            Atom::Other(word) => {
                labelled |= ["pump", "motor", "blower", "mixer", "fan"].contains(&word.to_lowercase().as_str());
                of.label.push(word.to_owned());
            }
            Atom::VoltAmperesOrPhaseA if context.words.contains("vb") => {
                of.families.push(Family::Voltage);
                of.channels.push(0);
            }
            Atom::VoltAmperesOrPhaseA => of.unit_found(Family::Apparent, "VA"),
            Atom::Unit(family, unit) => of.unit_found(family, unit),
            Atom::Family(family) => of.families.push(family),
            Atom::AmperesOrPhaseA => of.letters += 1,
            Atom::Channel(channel) => of.channels.push(channel),
            Atom::ToNeutral(channel) => {
                of.channels.push(channel);
                of.marks.push(Mark::ToNeutral);
            }
            Atom::Pair(pair) => of.pairs.push(pair),
            Atom::NotUsed(why) => return Err(Unplaced::NotUsed(why)),
            Atom::Power => of.marks.push(Mark::Power),
            Atom::Angle => of.marks.push(Mark::Angle),
            Atom::LineToLine => of.marks.push(Mark::LineToLine),
            Atom::Neutral => of.marks.push(Mark::ToNeutral),
            Atom::Total => of.marks.push(Mark::Total),
            Atom::Export => of.marks.push(Mark::Export),
            Atom::Suction => of.marks.push(Mark::Suction),
            Atom::Discharge => of.marks.push(Mark::Discharge),
            Atom::Filler => {}
        }
    }
    let circuit = labelled.then(|| of.label.join(" "));
    let (quantity, channel) = of.decide()?;
    let unit = of.unit.filter(|(family, _)| family_of(quantity) == Some(*family)).map(|(_, unit)| unit);
    Ok(Guess { quantity, channel, unit, circuit, notes: of.notes })
}

/// The family whose units a quantity is written in; angles have but one.
fn family_of(quantity: Quantity) -> Option<Family> {
    Some(match quantity {
        Quantity::VoltageLn | Quantity::VoltageLl => Family::Voltage,
        Quantity::Current => Family::Current,
        Quantity::ActivePower => Family::Active,
        Quantity::ReactivePower => Family::Reactive,
        Quantity::ApparentPower => Family::Apparent,
        Quantity::PowerFactor => Family::PowerFactor,
        Quantity::Frequency => Family::Frequency,
        Quantity::EnergyImport | Quantity::EnergyExport => Family::Energy,
        Quantity::Flow => Family::Flow,
        Quantity::Head => Family::Head,
        Quantity::SuctionPressure | Quantity::DischargePressure => Family::Pressure,
        Quantity::VoltageAngle | Quantity::CurrentAngle | Quantity::RunStatus => return None,
    })
}

/// What the words of one name come to.
#[derive(Debug, Default)]
struct Gathered<'n> {
    families: Vec<Family>,
    unit: Option<(Family, &'static str)>,
    channels: Vec<u8>,
    pairs: Vec<u8>,
    numbers: Vec<&'n str>,
    label: Vec<String>,
    notes: Vec<&'static str>,
    letters: usize,
    marks: Vec<Mark>,
}

/// Words that qualify a quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mark {
    Power,
    Angle,
    LineToLine,
    ToNeutral,
    Total,
    Export,
    Suction,
    Discharge,
}

impl Gathered<'_> {
    fn unit_found(&mut self, family: Family, unit: &'static str) {
        // Per cent and feet are units of many things.
        if unit != "%" && family != Family::Head {
            self.families.push(family);
        }
        // The first is the one in brackets, which is said on purpose.
        self.unit.get_or_insert((family, unit));
    }

    fn has(&self, mark: Mark) -> bool {
        self.marks.contains(&mark)
    }

    fn decide(&mut self) -> Result<(Quantity, Channel), Unplaced> {
        // "Power factor" speaks of power only as a word; "true power factor" of no other.
        if self.families.contains(&Family::PowerFactor) {
            self.families.retain(|family| !matches!(family, Family::Active | Family::Apparent));
        } else if self.has(Mark::Power)
            && !self.families.iter().any(|f| matches!(f, Family::Reactive | Family::Apparent))
        {
            self.families.push(Family::Active);
        }
        if self.families.contains(&Family::Energy) {
            self.families.retain(|family| *family != Family::Active);
        }
        if self.letters > 0 && self.families.is_empty() && !self.has(Mark::Angle) {
            self.unit_found(Family::Current, "A");
            self.letters -= 1;
        }
        self.channels.extend(std::iter::repeat_n(0, self.letters));
        self.families.sort_unstable_by_key(|family| *family as u8);
        self.families.dedup();
        let family = match self.families.as_slice() {
            [] if self.has(Mark::Angle) => return Err(Unplaced::AngleOf),
            [] => return Err(Unplaced::NoQuantity),
            [one] => *one,
            _ => return Err(Unplaced::Conflict),
        };
        match (family, self.has(Mark::Angle)) {
            (Family::Voltage, true) => return Ok((Quantity::VoltageAngle, self.phase()?)),
            (Family::Current, true) => return Ok((Quantity::CurrentAngle, self.phase()?)),
            (_, true) => return Err(Unplaced::AngleOf),
            _ => {}
        }
        let quantity = match family {
            Family::Voltage => return self.voltage(),
            Family::Current if self.has(Mark::ToNeutral) && self.channels.is_empty() => {
                return Err(Unplaced::NotUsed("current of the neutral or to ground is not used"));
            }
            Family::Current => return Ok((Quantity::Current, self.phase()?)),
            Family::Active => Quantity::ActivePower,
            Family::Reactive => Quantity::ReactivePower,
            Family::Apparent => Quantity::ApparentPower,
            Family::PowerFactor => Quantity::PowerFactor,
            Family::Frequency => return Ok((Quantity::Frequency, Channel::Total)),
            Family::Energy if self.has(Mark::Export) => return Ok((Quantity::EnergyExport, Channel::Total)),
            Family::Energy => return Ok((Quantity::EnergyImport, Channel::Total)),
            Family::Run => return Ok((Quantity::RunStatus, Channel::Total)),
            Family::Flow => return Ok((Quantity::Flow, Channel::Total)),
            Family::Head => return Ok((Quantity::Head, Channel::Total)),
            Family::Pressure => {
                return match (self.has(Mark::Suction), self.has(Mark::Discharge)) {
                    (true, false) => Ok((Quantity::SuctionPressure, Channel::Total)),
                    (false, true) => Ok((Quantity::DischargePressure, Channel::Total)),
                    _ => Err(Unplaced::PressureOf),
                };
            }
        };
        if self.has(Mark::Total) && self.channels.is_empty() {
            return Ok((quantity, Channel::Total));
        }
        match self.phase() {
            Err(Unplaced::NoChannel) => {
                self.notes.push(TOTAL_GUESSED);
                Ok((quantity, Channel::Total))
            }
            phase => Ok((quantity, phase?)),
        }
    }

    fn voltage(&mut self) -> Result<(Quantity, Channel), Unplaced> {
        if let [pair] = self.pairs.as_slice() {
            let channel = CHANNELS.get(usize::from(*pair)).copied().ok_or(Unplaced::NoChannel)?;
            return if self.channels.is_empty() { Ok((Quantity::VoltageLl, channel)) } else { Err(Unplaced::Channels) };
        }
        if self.has(Mark::LineToLine) {
            return Err(Unplaced::NoChannel);
        }
        let channel = self.phase()?;
        if !self.has(Mark::ToNeutral) {
            self.notes.push(TO_NEUTRAL_GUESSED);
        }
        Ok((Quantity::VoltageLn, channel))
    }

    /// The one phase that is named, by letter or, where there is none, by a digit alone.
    fn phase(&self) -> Result<Channel, Unplaced> {
        let digits = || self.numbers.iter().filter_map(|n| n.parse::<u8>().ok()).map(|n| n.wrapping_sub(1));
        let mut all: Vec<u8> = if self.channels.is_empty() { digits().collect() } else { self.channels.clone() };
        all.dedup();
        match (all.as_slice(), self.pairs.is_empty()) {
            ([], true) => Err(Unplaced::NoChannel),
            ([one], true) => CHANNELS.get(usize::from(*one)).copied().ok_or(Unplaced::Channels),
            _ => Err(Unplaced::Channels),
        }
    }
}

/// Whether a name is one that a long table gives to its column of tags (else to that of values).
pub(super) fn is_long_column(name: &str, of_tags: bool) -> bool {
    let words: String = name.to_lowercase().chars().filter(|c| c.is_alphanumeric()).collect();
    let known: &[&str] = if of_tags {
        &["tag", "tagname", "tagid", "point", "pointname", "pointid", "name", "signal", "variable", "parameter", "item"]
    } else {
        &["value", "val", "tagvalue", "reading", "data", "pointvalue"]
    };
    known.contains(&words.as_str())
}

#[cfg(test)]
#[path = "names_tests.rs"]
mod tests;
