//! The audit's conclusions in plain words for operators and technicians. Must never decide anything.

use super::assessment::{Assessment, Check};
use super::wiring::Wiring;

/// Stable identifier of a check, for metrics and JSON ("active_power_sign").
pub fn check_id(check: Check) -> &'static str {
    match check {
        Check::ActivePowerSign => "active_power_sign",
        Check::TotalPowerSign => "total_power_sign",
        Check::VoltageRotation => "voltage_rotation",
        Check::VoltageCurrentAssociation => "voltage_current_association",
        Check::PowerFactorConsistency => "power_factor_consistency",
        Check::PowerBlankWhileRunning => "power_blank_while_running",
        Check::PowerFactorPlausible => "power_factor_plausible",
        Check::VoltageMissing => "voltage_missing",
        Check::CurrentMissing => "current_missing",
        Check::CurrentWhileStopped => "current_while_stopped",
        Check::ApparentPowerConsistency => "apparent_power_consistency",
        Check::PowerTriangle => "power_triangle",
        Check::SumOfChannels => "sum_of_channels",
        Check::PlausibleValues => "plausible_values",
        Check::ClockSound => "clock_sound",
    }
}

/// What a wiring means, lead by lead: "CT 2 sees phase C and CT 3 sees phase B (the two pairs are exchanged)".
pub fn describe_wiring(wiring: &Wiring) -> String {
    let _ = wiring;
    String::new()
}

/// One line for a log or a list: what is wrong and how sure, without station and pump (the caller adds them).
pub fn headline(assessment: &Assessment) -> String {
    let _ = assessment;
    String::new()
}
