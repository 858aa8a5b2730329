//! The words that column names are made of in the trade, and names taken apart into them.
//!
//! Must never decide what a column is: only what its words can mean.

/// What a quantity is called, before its channel is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Family {
    Voltage,
    Current,
    Active,
    Reactive,
    Apparent,
    PowerFactor,
    Frequency,
    Energy,
    Run,
    Flow,
    Head,
    Pressure,
}

/// What one word can mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Atom<'n> {
    Family(Family),
    /// "Power" alone: active, unless another word says which.
    Power,
    Angle,
    /// A unit as a columns file writes it.
    Unit(Family, &'static str),
    /// Phase or channel, from 0.
    Channel(u8),
    /// The same, to neutral.
    ToNeutral(u8),
    /// Two phases: AB, BC, CA, from 0.
    Pair(u8),
    /// "LL", "line to line".
    LineToLine,
    /// "N", "neutral".
    Neutral,
    Total,
    Export,
    Suction,
    Discharge,
    /// A value that nothing is made of, and why.
    NotUsed(&'static str),
    /// A digit by itself.
    Number(&'n str),
    /// "Phase", "line" and the like, which say nothing by themselves.
    Filler,
    /// "P1": power of channel 1, or pump 1.
    PowerOrPump(u8),
    /// "VA": volt-amperes, or voltage of phase A.
    VoltAmperesOrPhaseA,
    /// "A": amperes, or phase A.
    AmperesOrPhaseA,
    Other(&'n str),
}

const AVERAGE: &str = "an average, of the phases or over time: it cannot be compared with values of one moment";
const EXTREME: &str = "a demand, limit or extreme, not a value of one moment";
const QUALITY: &str = "nothing is computed from it";

/// A whole word, in small letters, to what it means.
fn known<'n>(word: &str) -> Option<Atom<'n>> {
    use Atom as A;
    use Family as F;
    Some(match word {
        "v" | "volts" | "volt" | "vac" | "vrms" => A::Unit(F::Voltage, "V"),
        "kv" => A::Unit(F::Voltage, "kV"),
        "mv" => A::Unit(F::Voltage, "mV"),
        "u" | "voltage" | "volt." => A::Family(F::Voltage),
        "i" | "current" | "cur" => A::Family(F::Current),
        "amps" | "amp" | "ampere" | "amperes" | "arms" => A::Unit(F::Current, "A"),
        "ma" | "milliamps" => A::Unit(F::Current, "mA"),
        "w" | "watt" | "watts" => A::Unit(F::Active, "W"),
        "kw" | "kilowatt" | "kilowatts" => A::Unit(F::Active, "kW"),
        "mw" | "megawatts" => A::Unit(F::Active, "MW"),
        "p" | "active" | "real" => A::Family(F::Active),
        "var" | "vars" => A::Unit(F::Reactive, "var"),
        "kvar" | "kvars" => A::Unit(F::Reactive, "kvar"),
        "q" | "reactive" => A::Family(F::Reactive),
        "va" => A::VoltAmperesOrPhaseA,
        "kva" => A::Unit(F::Apparent, "kVA"),
        "mva" => A::Unit(F::Apparent, "MVA"),
        "s" | "apparent" => A::Family(F::Apparent),
        "power" | "pwr" => A::Power,
        "pf" | "factor" | "cosphi" | "powerfactor" => A::Family(F::PowerFactor),
        "hz" | "hertz" => A::Unit(F::Frequency, "Hz"),
        "freq" | "frequency" => A::Family(F::Frequency),
        "wh" => A::Unit(F::Energy, "Wh"),
        "kwh" | "kwhr" => A::Unit(F::Energy, "kWh"),
        "mwh" => A::Unit(F::Energy, "MWh"),
        "energy" => A::Family(F::Energy),
        "exp" | "export" | "exported" => A::Export,
        "imp" | "import" | "imported" | "delivered" | "inst" | "instantaneous" | "rms" | "phase" | "ph" | "line"
        | "l" | "channel" | "ch" | "to" | "of" | "true" | "value" | "meter" | "monitor" | "displacement" => A::Filler,
        "received" => A::NotUsed("\"received\" may be import or export, by whose view it is"),
        "angle" | "ang" | "deg" | "degrees" => A::Angle,
        "run" | "running" | "runstatus" | "runfb" => A::Family(F::Run),
        "status" | "state" | "feedback" | "fb" | "on" => A::Filler,
        "flow" | "flowrate" => A::Family(F::Flow),
        "gpm" => A::Unit(F::Flow, "gpm"),
        "mgd" => A::Unit(F::Flow, "MGD"),
        "lps" => A::Unit(F::Flow, "l/s"),
        "head" | "tdh" => A::Family(F::Head),
        "ft" | "feet" => A::Unit(F::Head, "ft"),
        "pressure" | "press" => A::Family(F::Pressure),
        "psi" | "psig" => A::Unit(F::Pressure, "psi"),
        "kpa" => A::Unit(F::Pressure, "kPa"),
        "bar" => A::Unit(F::Pressure, "bar"),
        "suction" => A::Suction,
        "discharge" => A::Discharge,
        "total" | "tot" | "sum" | "sys" | "system" | "3ph" | "3phase" | "overall" => A::Total,
        "avg" | "average" | "mean" => A::NotUsed(AVERAGE),
        "max" | "maximum" | "min" | "minimum" | "peak" | "demand" | "dmd" | "limit" | "setpoint" | "sp" | "rated"
        | "nominal" => A::NotUsed(EXTREME),
        "thd" | "harmonic" | "harmonics" | "unbalance" | "imbalance" | "alarm" | "fault" | "trip" | "quality"
        | "level" | "temp" | "temperature" | "speed" | "rpm" | "torque" | "vibration" | "runtime" | "hours"
        | "starts" | "kvarh" | "kvah" | "varh" | "vah" => A::NotUsed(QUALITY),
        "ll" | "ltl" | "linetoline" => A::LineToLine,
        "n" | "ln" | "neutral" | "neut" | "lton" => A::Neutral,
        "in" | "ineutral" | "ground" | "gnd" | "ig" => A::NotUsed("current of the neutral or to ground is not used"),
        "a" => A::AmperesOrPhaseA,
        other => return channel(other),
    })
}

/// Channels, to neutral or between phases.
fn channel<'n>(word: &str) -> Option<Atom<'n>> {
    Some(match word {
        "a" | "l1" | "pha" | "ph1" | "phasea" => Atom::Channel(0),
        "b" | "l2" | "phb" | "ph2" | "phaseb" => Atom::Channel(1),
        "c" | "l3" | "phc" | "ph3" | "phasec" => Atom::Channel(2),
        "an" | "1n" | "l1n" => Atom::ToNeutral(0),
        "bn" | "2n" | "l2n" => Atom::ToNeutral(1),
        "cn" | "3n" | "l3n" => Atom::ToNeutral(2),
        "ab" | "12" | "l12" | "l1l2" => Atom::Pair(0),
        "bc" | "23" | "l23" | "l2l3" => Atom::Pair(1),
        "ca" | "31" | "l31" | "l3l1" => Atom::Pair(2),
        _ => return None,
    })
}

/// A channel glued to the name of a quantity: also a bare digit.
fn glued_channel<'n>(word: &str) -> Option<Atom<'n>> {
    match word {
        "1" => Some(Atom::Channel(0)),
        "2" => Some(Atom::Channel(1)),
        "3" => Some(Atom::Channel(2)),
        "t" => Some(Atom::Total),
        other => channel(other).or_else(|| known(other).filter(|atom| matches!(atom, Atom::Total | Atom::NotUsed(_)))),
    }
}

/// Letters that are a quantity only when a channel follows at once ("I1", "Vab", "Pa").
const LETTERS: [&str; 7] = ["v", "u", "i", "p", "q", "s", "w"];
/// Longest glued word that is taken apart.
const LONGEST_GLUED: usize = 40;

/// A name in its words, in order.
pub(super) fn atoms(name: &str) -> Vec<Atom<'_>> {
    let words: Vec<&str> = name.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).collect();
    let mut atoms = Vec::new();
    let mut n = 0;
    while n < words.len() {
        // "A-B", "L1-L2", "L-L" are one thing in two words.
        let pair = words.get(n + 1).map(|next| format!("{}{next}", words[n]).to_lowercase());
        let joined = pair.filter(|_| words[n].len() <= 2).and_then(|pair| match pair.as_str() {
            "ll" => Some(Atom::LineToLine),
            "ab" | "bc" | "ca" | "l1l2" | "l2l3" | "l3l1" => channel(&pair),
            _ => None,
        });
        if let Some(atom) = joined {
            atoms.push(atom);
            n += 2;
        } else {
            word_atoms(words[n], &mut atoms);
            n += 1;
        }
    }
    atoms
}

fn word_atoms<'n>(word: &'n str, atoms: &mut Vec<Atom<'n>>) {
    let lower = word.to_lowercase();
    if word.bytes().all(|b| b.is_ascii_digit()) {
        // "Pump 12" is no pair of phases.
        let pair = if matches!(atoms.last(), Some(Atom::Other(_))) { None } else { channel(&lower) };
        atoms.push(pair.unwrap_or(Atom::Number(word)));
        return;
    }
    if let Some(atom) = known(&lower) {
        atoms.push(atom);
        return;
    }
    if let Some((letter, rest)) = LETTERS.iter().find_map(|l| Some((*l, lower.strip_prefix(l)?)))
        && let Some(channel) = glued_channel(rest).filter(|_| rest != "t")
    {
        match (letter, channel) {
            ("p", Atom::Channel(n)) if rest.bytes().all(|b| b.is_ascii_digit()) => atoms.push(Atom::PowerOrPump(n)),
            _ => atoms.extend([letter_family(letter), channel]),
        }
        return;
    }
    if let Some(parts) = taken_apart(&lower) {
        atoms.extend(parts);
        return;
    }
    // "Pump1": a name and its number.
    let digits = word.len() - word.bytes().rev().take_while(u8::is_ascii_digit).count();
    if digits > 0 && digits < word.len() {
        atoms.extend([Atom::Other(&word[..digits]), Atom::Number(&word[digits..])]);
    } else {
        atoms.push(Atom::Other(word));
    }
}

fn letter_family<'n>(letter: &str) -> Atom<'n> {
    Atom::Family(match letter {
        "v" | "u" => Family::Voltage,
        "i" => Family::Current,
        "q" => Family::Reactive,
        "s" => Family::Apparent,
        _ => Family::Active,
    })
}

/// A glued word ("ActivePowerTotal", "kWa", "VoltageAN") as words of two letters and more, with channels behind them. The
/// fewest words win; a word that is not wholly made of known ones is none of these.
fn taken_apart<'n>(word: &str) -> Option<Vec<Atom<'n>>> {
    if word.len() > LONGEST_GLUED || !word.is_ascii() {
        return None;
    }
    let mut best: Vec<Option<Vec<Atom<'n>>>> = vec![None; word.len() + 1];
    best[0] = Some(Vec::new());
    for end in 1..=word.len() {
        for start in 0..end {
            let Some(before) = best[start].clone() else { continue };
            let part = &word[start..end];
            let whole = if part.len() >= 2 { known(part) } else { None };
            let Some(atom) = whole.or_else(|| glued_channel(part).filter(|_| !before.is_empty())) else { continue };
            if best[end].as_ref().is_none_or(|known| known.len() > before.len() + 1) {
                best[end] = Some([before, vec![atom]].concat());
            }
        }
    }
    best.pop().flatten()
}

/// A unit in brackets, as written by people, to the unit of a columns file.
pub(super) fn unit(text: &str) -> Option<(Family, &'static str)> {
    let lower = text.trim().to_lowercase();
    Some(match lower.as_str() {
        "a" => (Family::Current, "A"),
        "va" => (Family::Apparent, "VA"),
        "m3/h" | "m\u{b3}/h" => (Family::Flow, "m3/h"),
        "m3/s" | "m\u{b3}/s" => (Family::Flow, "m3/s"),
        "l/s" => (Family::Flow, "l/s"),
        "l/min" => (Family::Flow, "l/min"),
        "m" => (Family::Head, "m"),
        "pa" => (Family::Pressure, "Pa"),
        "%" => (Family::PowerFactor, "%"),
        other => match known(other)? {
            Atom::Unit(family, unit) => (family, unit),
            _ => return None,
        },
    })
}
