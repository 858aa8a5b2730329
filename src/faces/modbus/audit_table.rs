//! The audit block of a circuit as one table: code, documents and the CSV for tag import are made from it.
//!
//! Within a layout version a register never changes its place, type or meaning; new ones take free places, and
//! [`LAYOUT_VERSION`] grows when that rule has to be broken.

use super::circuit_view::CircuitView;
use super::codes::{CURRENT_CODES, VOLTAGE_CODES, current_code, phase_code, registers_code, voltage_code};
use super::words::{Kind, Value, lay_out};
use crate::audit::assessment::{Assessment, EvidenceLevel, RunState, Verdict};
use crate::audit::misregistration::Misregistration;
use crate::audit::wiring::Wiring;
use crate::reading::{CircuitReading, Measured};
use crate::station::snapshot::Freshness;

/// Version of the layout, of the server's own registers too.
pub const LAYOUT_VERSION: u16 = 1;
/// Registers of a block; the places in it that no row takes read 0.
pub const BLOCK_LENGTH: u16 = 190;
/// Block n starts at n times this.
pub const BLOCK_STRIDE: u16 = 200;

/// One register, or a few that hold one value.
pub struct Row {
    /// Registers from the start of the block.
    pub offset: u16,
    /// Tag name.
    pub name: &'static str,
    /// Layout.
    pub kind: Kind,
    /// Unit of measure; empty for none.
    pub unit: &'static str,
    /// What it says.
    pub meaning: &'static str,
    /// Where it comes from.
    pub get: fn(&CircuitView<'_>) -> Value,
}

const fn row(
    offset: u16,
    name: &'static str,
    kind: Kind,
    unit: &'static str,
    meaning: &'static str,
    get: fn(&CircuitView<'_>) -> Value,
) -> Row {
    Row { offset, name, kind, unit, meaning, get }
}

use Kind::{F32, Text, U16, U32, U64};

/// The table.
pub const ROWS: &[Row] = &[
    row(0, "layout_version", U16, "", "version of this layout", |_| LAYOUT_VERSION.into()),
    row(1, "block_length", U16, "", "registers in this block", |_| BLOCK_LENGTH.into()),
    row(2, "heartbeat", U16, "", "polls of the monitor finished, modulo 65536; frozen when polling hangs", |v| {
        Value::Whole(v.monitor.map_or(0, |m| m.health.polls) & 0xFFFF)
    }),
    row(3, "data_state", U16, "", "0 no poll yet; 1 live; 2 stale; 3 the monitor never answered", |v| {
        match v.freshness {
            Freshness::Waiting => 0u16,
            Freshness::Live { .. } => 1,
            Freshness::Stale { .. } => 2,
            Freshness::NeverAnswered => 3,
        }
        .into()
    }),
    row(4, "data_age", U32, "ms", "age of the newest reading", |v| v.freshness.age_ms().into()),
    row(6, "alarms", U16, "", "alarm bits, see the table of bits", |v| v.alarms().into()),
    row(7, "run_state", U16, "", "0 not known; 1 stopped; 2 starting; 3 running", |v| {
        match v.run_state() {
            RunState::Unknown => 0u16,
            RunState::Stopped => 1,
            RunState::Starting => 2,
            RunState::Running => 3,
        }
        .into()
    }),
    row(8, "verdict", U16, "", "0 no evidence; 1 sound; 2 fault; 3 undecided", |v| {
        match v.verdict() {
            Verdict::NoEvidence => 0u16,
            Verdict::Sound => 1,
            Verdict::Fault => 2,
            Verdict::Undecided => 3,
        }
        .into()
    }),
    row(9, "diagnosis", U16, "", "diagnosis bits of the wiring once one is settled, see the table of bits", |v| {
        v.diagnosis_bits().into()
    }),
    row(10, "checks_failed", U32, "", "checks that failed, see the table of bits", |v| v.checks_failed().into()),
    row(12, "checks_passed", U32, "", "checks that passed; neither bit set: idle or not checkable", |v| {
        v.checks_passed().into()
    }),
    row(14, "sound_probability", F32, "", "probability that metering is correct, 0 to 1", |v| {
        audited(v, |a| a.diagnosis.sound_probability)
    }),
    row(
        16,
        "leading_probability",
        F32,
        "",
        "probability of the group of wirings that fit best equally well, 0 to 1",
        |v| v.assessment().and_then(|a| a.diagnosis.groups.first()).map(|g| g.probability).into(),
    ),
    row(18, "unexplained_probability", F32, "", "probability that no wiring considered fits, 0 to 1", |v| {
        audited(v, |a| a.diagnosis.unexplained_probability)
    }),
    row(20, "wirings_alike", U16, "", "wirings that fit equally well; above 1 the lead is not settled", |v| {
        v.wirings_alike().into()
    }),
    row(21, "epoch", U16, "", "changes of the wiring seen since the daemon started", |v| {
        Value::Whole(v.assessment().map_or(0, |a| a.diagnosis.epoch.into()))
    }),
    row(22, "wiring_since", U32, "s", "when the present wiring was first seen, Unix time UTC", |v| {
        v.assessment().and_then(|a| a.diagnosis.since).and_then(|at| unix_s(at.wall.0)).into()
    }),
    row(24, "readings_used", U32, "", "steady readings behind the diagnosis", |v| {
        Value::Whole(v.assessment().map_or(0, |a| a.diagnosis.readings_used))
    }),
    row(26, "load_levels", U16, "", "load levels behind the diagnosis", |v| {
        Value::Whole(v.assessment().map_or(0, |a| a.diagnosis.load_levels as u64))
    }),
    row(
        27,
        "evidence_level",
        U16,
        "",
        "0 too little; 1 P and Q per channel; 2 P per channel; 3 totals; 4 blanked totals",
        |v| {
            v.assessment()
                .map_or(0u16, |a| match a.diagnosis.level {
                    EvidenceLevel::Insufficient => 0,
                    EvidenceLevel::PerChannelPq => 1,
                    EvidenceLevel::PerChannelP => 2,
                    EvidenceLevel::Totals => 3,
                    EvidenceLevel::BlankedTotals => 4,
                })
                .into()
        },
    ),
    row(28, "voltage_lead_1", U16, "", LEAD, |v| wired(v, |w| phase_code(w.voltage[0]))),
    row(29, "voltage_lead_2", U16, "", LEAD, |v| wired(v, |w| phase_code(w.voltage[1]))),
    row(30, "voltage_lead_3", U16, "", LEAD, |v| wired(v, |w| phase_code(w.voltage[2]))),
    row(31, "ct_1", U16, "", CURRENT_CODES, |v| wired(v, |w| current_code(w.current[0]))),
    row(32, "ct_2", U16, "", CURRENT_CODES, |v| wired(v, |w| current_code(w.current[1]))),
    row(33, "ct_3", U16, "", CURRENT_CODES, |v| wired(v, |w| current_code(w.current[2]))),
    row(34, "ct_1_share", U16, "%", SHARE, |v| wired(v, |w| percent(w, 0))),
    row(35, "ct_2_share", U16, "%", SHARE, |v| wired(v, |w| percent(w, 1))),
    row(36, "ct_3_share", U16, "%", SHARE, |v| wired(v, |w| percent(w, 2))),
    row(37, "registers_meaning", U16, "", REGISTERS, |v| wired(v, |w| registers_code(w.registers))),
    row(38, "lost_phase", U16, "", "supply phase of the pump without current: 0 none; 1 2 3 A B C", |v| {
        wired(v, |w| w.lost_phase.map_or(0, phase_code))
    }),
    row(39, "failures", U16, "", "things that went wrong in the latest poll of the monitor", |v| {
        Value::Whole(v.monitor.map_or(0, |m| m.health.failures.len() as u64))
    }),
    row(40, "corrected_w", F32, "W", "corrected total active power", |v| v.corrected().map(|c| c.total_w).into()),
    row(42, "corrected_uncertainty_w", F32, "W", "one standard uncertainty of corrected_w", |v| {
        v.corrected().map(|c| c.uncertainty_w).into()
    }),
    row(44, "corrected_var", F32, "var", "corrected total reactive power", |v| {
        v.corrected().map(|c| c.total_var).into()
    }),
    row(46, "corrected_va", F32, "VA", "corrected apparent power, sum of the phases", |v| {
        v.corrected().map(|c| c.per_phase_va.iter().map(|s| s.norm()).sum::<f64>()).into()
    }),
    row(48, "corrected_pf", F32, "", "corrected power factor, sign of active power", |v| {
        v.corrected().map(|c| c.power_factor).into()
    }),
    row(50, "corrected_w_a", F32, "W", "corrected active power, phase A", |v| phase_w(v, 0)),
    row(52, "corrected_w_b", F32, "W", "corrected active power, phase B", |v| phase_w(v, 1)),
    row(54, "corrected_w_c", F32, "W", "corrected active power, phase C", |v| phase_w(v, 2)),
    row(56, "corrected_var_a", F32, "var", "corrected reactive power, phase A", |v| phase_var(v, 0)),
    row(58, "corrected_var_b", F32, "var", "corrected reactive power, phase B", |v| phase_var(v, 1)),
    row(60, "corrected_var_c", F32, "var", "corrected reactive power, phase C", |v| phase_var(v, 2)),
    row(62, "registered_w", F32, "W", "total active power as the monitor registers it", |v| {
        of_circuit(v, |c| c.total_active_power_w)
    }),
    row(64, "registered_var", F32, "var", "total reactive power as the monitor registers it", |v| {
        of_circuit(v, |c| c.total_reactive_power_var)
    }),
    row(66, "registered_va", F32, "VA", "total apparent power as the monitor registers it", |v| {
        of_circuit(v, |c| c.total_apparent_power_va)
    }),
    row(68, "registered_pf", F32, "", "total power factor as the monitor registers it", |v| {
        of_circuit(v, |c| c.total_power_factor)
    }),
    row(70, "v1n", F32, "V", "voltage channel 1 to neutral", |v| of_monitor(v, |m| m.voltage_ln_v[0])),
    row(72, "v2n", F32, "V", "voltage channel 2 to neutral", |v| of_monitor(v, |m| m.voltage_ln_v[1])),
    row(74, "v3n", F32, "V", "voltage channel 3 to neutral", |v| of_monitor(v, |m| m.voltage_ln_v[2])),
    row(76, "v12", F32, "V", "voltage between channels 1 and 2", |v| of_monitor(v, |m| m.voltage_ll_v[0])),
    row(78, "v23", F32, "V", "voltage between channels 2 and 3", |v| of_monitor(v, |m| m.voltage_ll_v[1])),
    row(80, "v31", F32, "V", "voltage between channels 3 and 1", |v| of_monitor(v, |m| m.voltage_ll_v[2])),
    row(82, "i1", F32, "A", "current channel 1", |v| of_circuit(v, |c| c.current_a[0])),
    row(84, "i2", F32, "A", "current channel 2", |v| of_circuit(v, |c| c.current_a[1])),
    row(86, "i3", F32, "A", "current channel 3", |v| of_circuit(v, |c| c.current_a[2])),
    row(88, "registered_w_1", F32, "W", "active power, channel 1", |v| of_circuit(v, |c| c.active_power_w[0])),
    row(90, "registered_w_2", F32, "W", "active power, channel 2", |v| of_circuit(v, |c| c.active_power_w[1])),
    row(92, "registered_w_3", F32, "W", "active power, channel 3", |v| of_circuit(v, |c| c.active_power_w[2])),
    row(94, "registered_var_1", F32, "var", "reactive power, channel 1", |v| {
        of_circuit(v, |c| c.reactive_power_var[0])
    }),
    row(96, "registered_var_2", F32, "var", "reactive power, channel 2", |v| {
        of_circuit(v, |c| c.reactive_power_var[1])
    }),
    row(98, "registered_var_3", F32, "var", "reactive power, channel 3", |v| {
        of_circuit(v, |c| c.reactive_power_var[2])
    }),
    row(100, "frequency", F32, "Hz", "frequency", |v| of_monitor(v, |m| m.frequency_hz)),
    row(102, "registered_import", U64, "Wh", "energy register of the monitor, import", |v| {
        energy(v, |c| c.energy_import_wh)
    }),
    row(106, "registered_export", U64, "Wh", "energy register of the monitor, export", |v| {
        energy(v, |c| c.energy_export_wh)
    }),
    row(110, "reading_time", U32, "s", "when the newest reading was made, Unix time UTC", |v| {
        v.monitor.and_then(|m| m.health.last_good).and_then(|at| unix_s(at.wall.0)).into()
    }),
    row(
        112,
        "corrected_energy",
        F32,
        "Wh",
        "energy by corrected power since the audit began; no value while withheld",
        |v| energy_since_start(v, |sums| sums.true_wh),
    ),
    row(114, "corrected_energy_uncertainty", F32, "Wh", "one standard uncertainty of corrected_energy", |v| {
        energy_since_start(v, |sums| sums.uncertainty_wh)
    }),
    row(
        116,
        "misregistered_energy",
        F32,
        "Wh",
        "registered less corrected energy; negative: too little is registered",
        |v| energy_since_start(v, Misregistration::difference_wh),
    ),
    row(118, "voltage_state", U16, "", VOLTAGE_CODES, |v| v.voltage_state().map_or(0, voltage_code).into()),
    row(119, "voltage_channel", U16, "", "channel at fault: 0 none, all, or not settled; 1 2 3", |v| {
        v.voltage_channel().map_or(0, |k| k as u16 + 1).into()
    }),
    row(
        120,
        "voltage_states_alike",
        U16,
        "",
        "states of the voltage leads that fit equally well; above 1 it is not settled",
        |v| Value::Whole(v.voltage_fault().len() as u64),
    ),
    row(122, "wrong_probability", F32, "", "probability that power is metered wrong, 0 to 1", |v| {
        audited(v, |a| a.diagnosis.wrong_probability())
    }),
    row(124, "station", Text(32), "", "name of the station", |v| Value::Text(v.station.station.clone())),
    row(156, "circuit", Text(32), "", "name of the circuit", |v| Value::Text(v.circuit.name.clone())),
    row(188, "leading_wiring_probability", F32, "", "probability of the most probable wiring alone, 0 to 1", |v| {
        v.assessment().and_then(|a| a.diagnosis.leader()).map(|m| m.probability).into()
    }),
];

const LEAD: &str = "phase this voltage lead is on: 0 not settled; 1 2 3 A B C";
const SHARE: &str = "share of its current that this CT shows; 100 as rated; 0 not settled or changing";
const REGISTERS: &str = "0 not settled; 1 as the map says; 2 sign of Q turned; 3 sign of P turned; 4 both turned; 5 P and Q \
     swapped; 6 sign of PF is lag (+); 7 sign of PF is lead (+)";

fn audited(view: &CircuitView<'_>, get: impl Fn(&Assessment) -> f64) -> Value {
    view.assessment().map(get).into()
}

fn wired(view: &CircuitView<'_>, get: impl Fn(&Wiring) -> u16) -> Value {
    view.wiring().map_or(0, get).into()
}

fn percent(wiring: &Wiring, channel: usize) -> u16 {
    wiring.gain[channel].factor().map_or(0, |factor| (100.0 * factor).round() as u16)
}

fn phase_w(view: &CircuitView<'_>, phase: usize) -> Value {
    view.corrected().map(|c| c.per_phase_va[phase].re).into()
}

fn phase_var(view: &CircuitView<'_>, phase: usize) -> Value {
    view.corrected().map(|c| c.per_phase_va[phase].im).into()
}

fn of_monitor(view: &CircuitView<'_>, get: impl Fn(&crate::reading::MonitorReading) -> Measured) -> Value {
    view.of_monitor(get).into()
}

fn of_circuit(view: &CircuitView<'_>, get: impl Fn(&CircuitReading) -> Measured) -> Value {
    view.of_circuit(get).into()
}

fn energy(view: &CircuitView<'_>, get: impl Fn(&CircuitReading) -> Measured) -> Value {
    // A counter below zero is no counter; one past 2^53 has lost its last digits before it came here.
    view.of_circuit(get).filter(|wh| (0.0..9e15).contains(wh)).map(|wh| wh.round() as u64).into()
}

/// A sum of the energy account; it does not age, but it is withheld by the same rules as everywhere.
fn energy_since_start(view: &CircuitView<'_>, get: impl Fn(&Misregistration) -> f64) -> Value {
    let period = &view.circuit.energy.since_start;
    period.withheld(view.verdict()).is_none().then(|| get(&period.sums)).into()
}

/// Seconds of a wall clock in milliseconds; none where 32 bits end.
pub fn unix_s(wall_ms: i64) -> Option<u64> {
    u64::try_from(wall_ms / 1000).ok().filter(|s| *s < u64::from(u32::MAX))
}

/// All registers of a circuit's block.
pub fn block(view: &CircuitView<'_>) -> [u16; BLOCK_LENGTH as usize] {
    let mut words = [0; BLOCK_LENGTH as usize];
    for row in ROWS {
        let at = usize::from(row.offset);
        lay_out(row.kind, &(row.get)(view), &mut words[at..at + usize::from(row.kind.width())]);
    }
    words
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;
    use crate::config::model::MOST_AUDIT_BLOCKS;
    use crate::reading::MonoMs;
    use crate::station::fixtures::{exchanged, snapshot_after};

    #[test]
    fn rows_are_in_order_without_overlap_and_fit() {
        let mut next = 0;
        for row in ROWS {
            assert!(row.offset >= next, "{} overlaps what stands before it", row.name);
            next = row.offset + row.kind.width();
        }
        assert!(next <= BLOCK_LENGTH);
        let names: HashSet<_> = ROWS.iter().map(|row| row.name).collect();
        assert_eq!(names.len(), ROWS.len());
        let last = u32::from(MOST_AUDIT_BLOCKS) * u32::from(BLOCK_STRIDE) + u32::from(BLOCK_LENGTH);
        assert!(last <= 65_536, "every block number has addresses");
    }

    /// All values but the names come in one read of at most 125 registers (V1.1b3, clause 6.3).
    #[test]
    fn the_values_fit_in_one_read() {
        let names = ROWS.iter().find(|row| row.name == "station").unwrap().offset;
        assert!(names <= 125);
    }

    fn f32_at(words: &[u16], offset: usize) -> f32 {
        f32::from_bits(u32::from(words[offset]) << 16 | u32::from(words[offset + 1]))
    }

    #[test]
    fn a_block_tells_what_the_snapshot_says() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let view = CircuitView::new(&snapshot, 0, MonoMs(7200)).unwrap();
        let words = block(&view);
        let corrected = snapshot.circuits[0].assessment.as_ref().unwrap().corrected.unwrap();
        assert_eq!((words[0], words[1], words[2], words[3]), (1, BLOCK_LENGTH, 8, 1));
        assert_eq!((words[4], words[5]), (0, 200), "the age in ms");
        assert_eq!((words[7], words[8]), (3, 2), "running, fault");
        assert_eq!(words[31..34], [1, 3, 2]);
        assert_eq!(f32_at(&words, 40), corrected.total_w as f32);
        assert_eq!(f32_at(&words, 52), corrected.per_phase_va[1].re as f32);
        let text: Vec<u8> = words[124..132].iter().flat_map(|w| w.to_be_bytes()).collect();
        assert_eq!(&text, b"Alder Creek Lift");
        let wall_s = u32::from(words[110]) << 16 | u32::from(words[111]);
        assert_eq!(wall_s, 1_700_000_007);
    }

    #[test]
    fn an_old_block_holds_no_old_number() {
        let snapshot = snapshot_after("Alder Creek Lift", &exchanged());
        let words = block(&CircuitView::new(&snapshot, 0, MonoMs(60_000)).unwrap());
        assert_eq!((words[3], words[7], words[8]), (2, 0, 2), "stale, run state not known, the verdict stands");
        for row in ROWS.iter().filter(|row| row.kind == F32 && (40..112).contains(&row.offset)) {
            assert!(f32_at(&words, usize::from(row.offset)).is_nan(), "{}", row.name);
        }
        for row in ROWS.iter().filter(|row| row.kind == U64) {
            assert_eq!(words[usize::from(row.offset)..][..4], [u16::MAX; 4], "{}", row.name);
        }
    }
}
