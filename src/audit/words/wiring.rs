//! A wiring as a person says it, lead by lead. Must never say that one is so: that is the diagnosis.

use crate::audit::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Phase;

/// What a wiring means, lead by lead: "CT 2 and CT 3 leads are swapped (2 sees C, 3 sees B)".
pub fn describe_wiring(wiring: &Wiring) -> String {
    let mut parts = Vec::new();
    if let Some(lost) = wiring.lost_phase {
        parts.push(format!(
            "phase {} of the supply to the pump is lost: it runs on two phases (metering is correct)",
            lost.label()
        ));
    }
    parts.extend(moved_voltage_leads(wiring.voltage));
    parts.extend(cts_on_no_phase(&wiring.current));
    parts.extend(moved_cts(&wiring.current));
    parts.extend(reversed_cts(&wiring.current));
    parts.extend(ratios(wiring));
    if wiring.supply_rotates_back {
        parts.push(
            "the phase rotation of the supply is reversed from the configuration (metering is correct; check that the pump turns \
             the right way)"
                .to_owned(),
        );
    }
    if wiring.registers != Registers::AsDeclared {
        parts.push(format!("the meter map does not fit: {}", registers_words(wiring.registers)));
    }
    if parts.is_empty() {
        "every lead is on its own phase, every CT has the correct polarity".to_owned()
    } else {
        parts.join("; ")
    }
}

fn moved_voltage_leads(voltage: [Phase; 3]) -> Option<String> {
    let moved: Vec<usize> = (0..3).filter(|k| voltage[*k] != Phase::ALL[*k]).collect();
    let seen: Vec<String> = moved.iter().map(|k| format!("{} sees {}", k + 1, voltage[*k].label())).collect();
    let seen = seen.join(", ");
    match moved.as_slice() {
        [] => None,
        [i, j] => Some(format!("voltage leads {} and {} are swapped ({seen})", i + 1, j + 1)),
        _ => Some(format!("voltage leads are rotated one position ({seen})")),
    }
}

/// CTs that see no single conductor of their own circuit.
fn cts_on_no_phase(current: &[CurrentSeen; 3]) -> Vec<String> {
    let words = |(k, seen): (usize, &CurrentSeen)| match *seen {
        CurrentSeen::Nothing => {
            Some(format!("CT {} reads zero (open, shorted, a lead off, or on another pump)", k + 1))
        }
        CurrentSeen::AllBut { phase, .. } => {
            Some(format!("CT {} is around two conductors ({})", k + 1, all_but(phase).join(" and ")))
        }
        CurrentSeen::OtherCircuit { slot, .. } => {
            Some(format!("CT {} is on another pump (the one in slot {} of this monitor)", k + 1, slot + 1))
        }
        CurrentSeen::Conductor { .. } | CurrentSeen::Unused => None,
    };
    current.iter().enumerate().filter_map(words).collect()
}

fn moved_cts(current: &[CurrentSeen; 3]) -> Option<String> {
    let phase_of = |k: usize| match current[k] {
        CurrentSeen::Conductor { phase, .. } => Some(phase),
        _ => None,
    };
    let all_see_a_phase = (0..3).all(|k| phase_of(k).is_some() || current[k] == CurrentSeen::Unused);
    let seen_twice = |phase: Phase| (0..3).filter(|k| phase_of(*k) == Some(phase)).count() > 1;
    let moved: Vec<(usize, Phase)> =
        (0..3).filter_map(|k| Some((k, phase_of(k)?))).filter(|(k, phase)| *phase != Phase::ALL[*k]).collect();
    let seen: Vec<String> = moved.iter().map(|(k, phase)| format!("{} sees {}", k + 1, phase.label())).collect();
    let seen = seen.join(", ");
    match moved.as_slice() {
        [] => None,
        [(k, phase)] if seen_twice(*phase) => {
            Some(format!("CT {} is on phase {}, together with another CT", k + 1, phase.label()))
        }
        [(i, _), (j, _)] if all_see_a_phase => {
            Some(format!("CT {} and CT {} leads are swapped ({seen})", i + 1, j + 1))
        }
        _ if all_see_a_phase => Some(format!("CT leads are rotated one position ({seen})")),
        _ => Some(format!("CT leads are on the wrong channels ({seen})")),
    }
}

fn reversed_cts(current: &[CurrentSeen; 3]) -> Option<String> {
    let is_reversed = |seen: &CurrentSeen| match *seen {
        CurrentSeen::Conductor { reversed, .. }
        | CurrentSeen::AllBut { reversed, .. }
        | CurrentSeen::OtherCircuit { reversed, .. } => reversed,
        CurrentSeen::Nothing | CurrentSeen::Unused => false,
    };
    let reversed: Vec<usize> = (0..3).filter(|k| is_reversed(&current[*k])).map(|k| k + 1).collect();
    match reversed.as_slice() {
        [] => None,
        [one] => Some(format!("CT {one} has reversed polarity")),
        [i, j] => Some(format!("CT {i} and CT {j} have reversed polarity")),
        _ => Some("all three CTs have reversed polarity".to_owned()),
    }
}

fn ratios(wiring: &Wiring) -> Vec<String> {
    let [first, second, third] = wiring.gain;
    if !wiring.ratios_right() && first == second && second == third {
        return vec![format!("all CTs read {} of their current (ratio set wrong)", gain_words(first))];
    }
    let words = |(k, gain): (usize, &Gain)| match gain {
        Gain::AsRated => None,
        Gain::Unsteady => Some(format!("CT {} reads an unsteady current (loose connection)", k + 1)),
        Gain::Times(..) => Some(format!(
            "CT {} reads {} of its current (ratio set wrong, or not all of its parallel conductors)",
            k + 1,
            gain_words(*gain)
        )),
    };
    wiring.gain.iter().enumerate().filter_map(words).collect()
}

/// The labels of the two phases other than this one.
fn all_but(phase: Phase) -> Vec<&'static str> {
    Phase::ALL.into_iter().filter(|p| *p != phase).map(Phase::label).collect()
}

/// What a current channel sees, short: "A", "-B", "(A+B)" (around two), "slot 2: C" (of another circuit), "nothing", "unused".
pub fn current_label(seen: CurrentSeen) -> String {
    let sign = |reversed: bool| if reversed { "-" } else { "" };
    match seen {
        CurrentSeen::Nothing => "nothing".to_owned(),
        CurrentSeen::Unused => "unused".to_owned(),
        CurrentSeen::Conductor { phase, reversed } => format!("{}{}", sign(reversed), phase.label()),
        CurrentSeen::AllBut { phase, reversed } => {
            format!("{}({})", sign(reversed), all_but(phase).join("+"))
        }
        CurrentSeen::OtherCircuit { slot, phase, reversed } => {
            format!("slot {}: {}{}", slot + 1, sign(reversed), phase.label())
        }
    }
}

/// A wrong ratio in words: "half", "twice".
pub fn gain_words(gain: Gain) -> String {
    match gain {
        Gain::AsRated => "all".to_owned(),
        Gain::Unsteady => "a changing share".to_owned(),
        Gain::Times(1, 2) => "half".to_owned(),
        Gain::Times(1, den) => format!("1/{den}"),
        Gain::Times(2, 1) => "twice as much as all".to_owned(),
        Gain::Times(num, 1) => format!("{num} times"),
        Gain::Times(num, den) => format!("{num}/{den}"),
    }
}

/// What the registers mean, against what the map says.
pub fn registers_words(registers: Registers) -> &'static str {
    match registers {
        Registers::AsDeclared => "the registers mean what the map says",
        Registers::ReactiveSign => "kvar has the opposite sign to the map (kW is correct)",
        Registers::ActiveSign => "kW has the opposite sign to the map",
        Registers::BothSigns => "kW and kvar have the opposite sign to the map (generator instead of load convention)",
        Registers::Exchanged => "kW and kvar are swapped",
        Registers::FactorLagPositive => "the sign of PF means lag (+) or lead (-), not the direction of power",
        Registers::FactorLagNegative => "the sign of PF means lead (+) or lag (-), not the direction of power",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sees(phase: Phase, reversed: bool) -> CurrentSeen {
        CurrentSeen::Conductor { phase, reversed }
    }

    #[test]
    fn wirings_read_like_a_person_says_them() {
        use Phase::{A, B, C};
        let cases = [
            (Wiring::INTENDED, "every lead is on its own phase, every CT has the correct polarity"),
            (
                Wiring { current: [sees(A, false), sees(C, false), sees(B, false)], ..Wiring::INTENDED },
                "CT 2 and CT 3 leads are swapped (2 sees C, 3 sees B)",
            ),
            (
                Wiring { current: [sees(B, true), sees(C, true), sees(A, true)], ..Wiring::INTENDED },
                "CT leads are rotated one position (1 sees B, 2 sees C, 3 sees A); all three CTs have reversed polarity",
            ),
            (
                Wiring {
                    voltage: [A, C, B],
                    current: [sees(A, true), CurrentSeen::Nothing, sees(C, false)],
                    ..Wiring::INTENDED
                },
                "voltage leads 2 and 3 are swapped (2 sees C, 3 sees B); CT 2 reads zero (open, shorted, a lead off, or on \
                 another pump); CT 1 has reversed polarity",
            ),
        ];
        for (wiring, words) in cases {
            assert_eq!(describe_wiring(&wiring), words);
        }
    }
}
