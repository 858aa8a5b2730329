//! What a station keeps when its configuration changes: all that was learnt about a circuit for which nothing that the audit
//! rests on is different.
//!
//! Must never carry evidence over to another register map or another nameplate: it was weighed by the old one.

use super::StationState;

impl StationState {
    /// Goes on from a former self, monitor by monitor.
    pub fn adopt(&mut self, former: StationState) {
        let StationState { monitors, circuits, previous, clock_jumps, last_clock_jump, core_failures, .. } = former;
        self.previous = previous;
        self.clock_jumps = clock_jumps;
        self.last_clock_jump = last_clock_jump;
        self.core_failures = core_failures;
        let mut circuits: Vec<Option<super::Circuit>> = circuits.into_iter().map(Some).collect();
        for old in monitors {
            let Some(new) = self.monitors.iter_mut().find(|new| new.shown.name == old.shown.name) else { continue };
            if new.map != old.map || new.contexts != old.contexts {
                continue;
            }
            let names_differ = new.circuits.iter().zip(&old.circuits).any(|(new, old)| {
                circuits[*old].as_ref().is_none_or(|old| old.shown.name != self.circuits[*new].shown.name)
            });
            if names_differ {
                continue;
            }
            new.audit = old.audit;
            new.registers = old.registers;
            new.link = old.link;
            new.shown.health = old.shown.health;
            new.shown.reading = old.shown.reading;
            new.shown.register_fault = old.shown.register_fault;
            for (new, old) in new.circuits.iter().zip(old.circuits) {
                let Some(old) = circuits[old].take() else { continue };
                let new = &mut self.circuits[*new];
                new.energy = old.energy;
                new.diagnosis = old.diagnosis;
                new.shown.assessment = old.shown.assessment;
                new.shown.last_run = old.shown.last_run;
                new.shown.core_failure = old.shown.core_failure;
                new.shown.energy = old.shown.energy;
                new.shown.checks = old.shown.checks;
            }
        }
    }
}
