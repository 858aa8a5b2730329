//! Every probability at which something is said or done, in one table with the reason of each.
//!
//! The audit, the alarms and every face ask here. Must never hold a number that is no probability, nor one used only inside
//! one likelihood.

/// One bar.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bar {
    /// What is said or done from here on.
    pub what: &'static str,
    /// Probability, 0..=1.
    pub probability: f64,
    /// Why there and not elsewhere.
    pub reason: &'static str,
}

/// Defines the constants and the table of all of them at once, so that none can be left out.
macro_rules! bars {
    ($($(#[$doc:meta])* $name:ident = $probability:literal: $what:literal, $reason:literal;)*) => {
        $(
            #[doc = $what]
            #[doc = ""]
            #[doc = $reason]
            pub const $name: f64 = $probability;
        )*
        /// All bars.
        pub const TABLE: &[Bar] = &[
            $(Bar { what: $what, probability: $probability, reason: $reason }),*
        ];
    };
}

bars! {
    VERDICT = 0.95: "a verdict, where kW and kvar of every channel are measured",
        "One verdict in twenty at this bar may be wrong; it sends nobody to a panel by itself.";
    VERDICT_WITHOUT_ANGLES = 0.99: "a verdict, where kvar per channel is not known",
        "Several wrong wirings imitate correct watts or a correct total, and a motor that idles has the low total of a wrong \
         one: more is asked before either is said.";
    UNEXPLAINED_ALLOWED = 0.2: "most that may stay unexplained when a fault is said",
        "Beyond it the load or the map may be at fault as well as a lead.";
    ONE_WIRING = 0.90: "one wiring is named as the fault, and its remedy printed",
        "Below it one move in ten is of a lead that is right. A wrong move costs an outage and hides the fault, a further check \
         costs less.";
    PLAN_SETTLED = 0.98: "a path of the plan of checks ends",
        "The person is at the open panel already: one more check there costs little, and the move follows at once.";
    PLAN_PRUNED = 0.01: "an outcome of a check is followed up in a plan",
        "A rarer outcome is judged again when it is entered.";
    CORRECTED_POWER = 0.80: "power is corrected by the leading group of wirings",
        "Wirings of one group give nearly the same power, and the figure moves nothing at a panel.";
    VOLTAGE_FAULT = 0.95: "a fault of the voltage leads or the supply is said",
        "As a verdict: it sends nobody to a panel by itself.";
    REGISTER_FAULT = 0.95: "a register map is said not to fit the device",
        "As a verdict. A map is corrected at a desk.";
    REGISTER_FAULT_TAKEN_BACK = 0.80: "a register map is no longer said not to fit, below this",
        "Below the bar that raises it, so that it does not come and go.";
    LIKELIER_THAN_NOT = 0.50: "blame moves from one kind of cause to another",
        "No other bar treats both sides alike.";
    LEADS_CLEARED = 0.50: "swapped voltage leads that were told are no longer told, below this",
        "Below the bar that raises it, so that it does not come and go. In between, no lead is named.";
    LISTED = 0.01: "a wiring is listed for people",
        "Rarer ones cost more time to read than they are worth; the JSON has them down to a thousandth.";
    KEPT = 0.001: "a group of wirings is kept in a diagnosis",
        "All of them together stay below the bar of a list.";
    WEIGHED = 0.00001: "an explanation of a ratio is kept while it is weighed",
        "What is below it changes no figure that is printed.";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_are_probabilities_with_reasons_and_in_order() {
        for bar in TABLE {
            assert!((0.0..1.0).contains(&bar.probability) && !bar.reason.is_empty(), "{bar:?}");
        }
        let ascending =
            [WEIGHED, KEPT, LISTED, LEADS_CLEARED, ONE_WIRING, VERDICT, PLAN_SETTLED, VERDICT_WITHOUT_ANGLES];
        assert!(ascending.is_sorted_by(|a, b| a < b), "{ascending:?}");
        assert!([REGISTER_FAULT_TAKEN_BACK, REGISTER_FAULT].is_sorted_by(|a, b| a < b));
    }
}
