//! The `[conventions]` and `[blanking]` tables, the same in a map file and as an override for one monitor.
//!
//! Must never change a convention the file does not name.

use crate::modbus::map::{Blanking, Conventions, MapSource, PowerFactorSign, PowerSign, ReactiveSign};

use super::reader::TableReader;

const POWER_SIGNS: &[(&str, PowerSign)] =
    &[("load-positive", PowerSign::LoadPositive), ("load-negative", PowerSign::LoadNegative)];

const REACTIVE_SIGNS: &[(&str, ReactiveSign)] = &[
    ("inductive-positive", ReactiveSign::InductivePositive),
    ("inductive-negative", ReactiveSign::InductiveNegative),
    ("unsigned", ReactiveSign::Unsigned),
];

const POWER_FACTOR_SIGNS: &[(&str, PowerFactorSign)] = &[
    ("sign-of-power", PowerFactorSign::SignOfPower),
    ("lag-negative", PowerFactorSign::LagNegative),
    ("lead-negative", PowerFactorSign::LeadNegative),
    ("unsigned", PowerFactorSign::Unsigned),
];

/// What a file says about conventions and blanking; none where it is silent.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Overrides {
    active_power: Option<PowerSign>,
    reactive_power: Option<ReactiveSign>,
    power_factor: Option<PowerFactorSign>,
    when_not_positive: Option<bool>,
    when_stopped: Option<bool>,
}

impl Overrides {
    /// Reads both tables below `parent`.
    pub(super) fn read(parent: &TableReader<'_>) -> Overrides {
        let mut overrides = Overrides::default();
        if let Some(table) = parent.table("conventions") {
            overrides.active_power = table.choice("active_power", POWER_SIGNS).value();
            overrides.reactive_power = table.choice("reactive_power", REACTIVE_SIGNS).value();
            overrides.power_factor = table.choice("power_factor", POWER_FACTOR_SIGNS).value();
            table.finish();
        }
        if let Some(table) = parent.table("blanking") {
            overrides.when_not_positive = table.boolean("when_not_positive").value();
            overrides.when_stopped = table.boolean("when_stopped").value();
            table.finish();
        }
        overrides
    }

    pub(super) fn conventions(self, base: Conventions) -> Conventions {
        Conventions {
            active_power: self.active_power.unwrap_or(base.active_power),
            reactive_power: self.reactive_power.unwrap_or(base.reactive_power),
            power_factor: self.power_factor.unwrap_or(base.power_factor),
        }
    }

    pub(super) fn blanking(self, base: Blanking) -> Blanking {
        Blanking {
            when_not_positive: self.when_not_positive.unwrap_or(base.when_not_positive),
            when_stopped: self.when_stopped.unwrap_or(base.when_stopped),
        }
    }

    /// The map with what the file says in place of its own rules.
    pub(super) fn apply(self, source: &MapSource) -> MapSource {
        match source {
            MapSource::Fixed(map) => {
                let mut map = map.clone();
                map.conventions = self.conventions(map.conventions);
                map.blanking = self.blanking(map.blanking);
                MapSource::Fixed(map)
            }
            MapSource::SunSpec { conventions, blanking } => {
                MapSource::SunSpec { conventions: self.conventions(*conventions), blanking: self.blanking(*blanking) }
            }
        }
    }
}
