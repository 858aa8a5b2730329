//! Which checks exist at an installation: those whose channels and terminals its service has, and which nobody needs to touch the
//! primary for where that is not for a technician. Must never offer what is not declared to be possible.

use super::{FieldCheck, Finding};
use crate::audit::context::{LoadBehaviour, ServiceKind};
use crate::audit::installation::{CtSecondary, Installation};

impl FieldCheck {
    /// Every check that may be offered here, live ones too.
    pub fn offered(installation: &Installation) -> Vec<FieldCheck> {
        let service = installation.service;
        let at_conductors = installation.direct_low_voltage();
        let mut checks = vec![FieldCheck::Settings, FieldCheck::Display];
        if service.three_phase() {
            checks.push(FieldCheck::Sequence);
        }
        // A drive's display shows the motor's amps, not the supply's.
        if installation.load != LoadBehaviour::Drive {
            checks.extend(service.channels().iter().map(|k| FieldCheck::PanelAmmeter(*k)));
        }
        // With one voltage lead there is no order to look at.
        if service.voltage_channels() > 1 {
            for k in 0..service.voltage_channels() {
                if at_conductors {
                    checks.extend([FieldCheck::VoltageLeadTrace(k), FieldCheck::VoltageIdentity(k)]);
                } else {
                    checks.push(FieldCheck::VoltageBlockTrace(k));
                }
            }
        }
        for &k in service.channels() {
            if at_conductors {
                checks.extend([FieldCheck::CtLeadTrace(k), FieldCheck::Polarity(k), FieldCheck::ClampCurrent(k)]);
                // The integrator of a coil without iron is not measured through.
                if installation.ct_secondary != CtSecondary::Rogowski {
                    checks.push(FieldCheck::LoopResistance(k));
                }
            } else {
                checks.extend([FieldCheck::CtBlockTrace(k), FieldCheck::CtLeadPolarity(k)]);
            }
        }
        if at_conductors && service.three_phase() {
            checks.push(FieldCheck::Rotation);
        }
        checks
    }

    /// True when the service has the channel or terminal that the check is about.
    pub fn exists_in(self, service: ServiceKind) -> bool {
        match self.channel() {
            None => true,
            Some(k) if self.is_of_voltage_leads() => k < service.voltage_channels(),
            Some(k) => service.channels().contains(&k),
        }
    }

    /// What the check may show here: no phase that the service does not have.
    pub fn possible_at(self, installation: &Installation) -> Vec<Finding> {
        let phases = installation.service.phases();
        let there = |finding: &Finding| match finding {
            Finding::LeadOnPhase(phase) | Finding::FromPhase(phase) | Finding::BlockPosition(phase) => {
                phases.contains(phase)
            }
            _ => true,
        };
        self.possible().iter().copied().filter(there).collect()
    }
}
