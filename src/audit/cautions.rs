//! What a person reads before anything else, whenever a text tells of work at a panel: the cautions of that installation, in
//! the order they are to be read. The one list of the program.
//!
//! After 29 CFR 1910.333 and 1910.269(w), IEC 61010 and NFPA 70E practice. A pure function of [`Installation`]. Must never take
//! what is not declared for the harmless case, nor name a measurement category where none applies.

use std::borrow::Cow;

use super::context::{LoadBehaviour, ServiceKind};
use super::installation::{Installation, VoltageConnection};

/// One caution.
pub type Caution = Cow<'static, str>;

/// Up to this nominal voltage between phases a CAT III 600 V tester has room to spare, whatever the grounding: 500 V + 10 % is
/// below 600 V to ground on an ungrounded or corner-grounded system. V.
const CAT_III_600_UP_TO_V: f64 = 500.0;
/// The same for CAT III 1000 V: 900 V + 10 % is below 1,000 V. V.
const CAT_III_1000_UP_TO_V: f64 = 900.0;

const ADVICE: &str = "This is advice from readings. It authorizes nobody to open a panel or a CT circuit. Qualified persons \
                      only, under the site's own procedures.";
const HIGH_VOLTAGE: &str = "Above 1,000 V: work for the high-voltage crew under the utility's procedure. Stay out of the \
                            primary: no touch, no tester, no clamp, no fuse, no drawer.";
const PERHAPS_TRANSFORMERS: &str = "It is not declared how the monitor gets its voltage. If through voltage transformers \
                                    (VTs): their primary is for the high-voltage crew, and a VT secondary is never shorted.";
const TRANSFORMERS: &str = "Never short the secondary of a voltage transformer (VT). A secondary without voltage does not \
                            prove a primary without voltage. Pulling VT fuses can trip relays: tell operations first.";
const DE_ENERGIZE: &str = "De-energize first: open, lock and tag every source (main, generator or transfer switch, control \
                           power), release stored energy. Stop buttons, selector switches and a stopped pump are not \
                           isolation.";
const TAPS: &str = "The monitor's voltage taps may be ahead of the pump's breaker: with the pump locked out its voltage \
                    terminals can still be live. CTs of other pumps on the same monitor stay in service.";
const CAPACITOR: &str = "wait 5 minutes after disconnecting, test for DC, discharge and short it.";
const DC_LINK: &str =
    "wait the time on its label, at least 5 minutes, and test its DC bus below 50 V. Never short the DC bus.";
const CT_CURRENT: &str = "Never open a CT secondary while its primary can carry current: the voltage can kill. De-energize and \
                          lock out the primary, then short the secondary at its shorting block, on the CT side of the lead \
                          to be lifted. A CT that reads zero or jumps may be open and live now: stop the pump from SCADA, \
                          keep covers closed, never close or short it under load.";
const CT_OTHER: &str = "The CT leads lie beside live parts: lift and land them only de-energized and locked out.";
const SPLIT_CORE: &str = "Open a split-core CT only de-energized and locked out.";
const LIVE: &str = "A check marked LIVE is done only where the site's procedures allow it and the panel has an arc-flash label, \
                    with the protection that the label asks for, and never on a wet floor.";
const NOTE_LEADS: &str = "Before moving a lead, note the place of every lead and photograph the terminals.";

/// The cautions of one installation.
pub fn cautions(installation: &Installation) -> Vec<Caution> {
    together([installation])
}

/// The cautions of several installations at once: every one that holds for any of them.
pub fn together<'i>(installations: impl IntoIterator<Item = &'i Installation>) -> Vec<Caution> {
    installations.into_iter().map(Panel::of).reduce(Panel::or).map_or_else(general, Panel::cautions)
}

/// The cautions where nothing is known of the installation.
pub fn general() -> Vec<Caution> {
    let known_of_none = Installation::unknown(ServiceKind::Wye4, f64::NAN);
    let low_voltage = Installation::unknown(ServiceKind::Wye4, 480.0);
    Panel::of(&known_of_none).or(Panel::of(&low_voltage)).cautions()
}

/// Rating of the voltage tester at an installation; `None` where no measurement category is known to hold.
pub fn tester_rating(installation: &Installation) -> Option<&'static str> {
    match Panel::of(installation).tester {
        Tester::CatIii600 => Some("CAT III 600 V"),
        Tester::CatIii1000 => Some("CAT III 1000 V"),
        Tester::AsMarked => None,
    }
}

/// Whether something is there: at none, at all, or at some of the installations.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum There {
    No,
    Perhaps,
    Yes,
}

impl There {
    fn when(yes: bool) -> There {
        if yes { There::Yes } else { There::No }
    }

    fn or(self, other: There) -> There {
        if self == other { self } else { There::Perhaps }
    }
}

/// Voltage tester that the panel asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Tester {
    CatIii600,
    CatIii1000,
    /// No category can be told from what is declared.
    AsMarked,
}

/// What is behind the cautions.
#[derive(Debug, Clone, Copy)]
struct Panel {
    high_voltage: There,
    transformers: bool,
    perhaps_transformers: bool,
    tester: Tester,
    capacitor: There,
    dc_link: There,
    current_output: There,
    live_checks: bool,
}

impl Panel {
    fn of(installation: &Installation) -> Panel {
        let stores = |kind| match installation.load {
            // What is on the primary is the high-voltage crew's to discharge.
            _ if installation.is_high_voltage() => There::No,
            LoadBehaviour::Unknown => There::Perhaps,
            load => There::when(load == kind),
        };
        Panel {
            high_voltage: There::when(installation.is_high_voltage()),
            transformers: installation.has_voltage_transformers(),
            perhaps_transformers: !installation.has_voltage_transformers()
                && installation.voltage_connection == VoltageConnection::Unknown,
            tester: match installation.nominal_voltage_v {
                _ if installation.is_high_voltage() => Tester::AsMarked,
                v if v <= CAT_III_600_UP_TO_V => Tester::CatIii600,
                v if v <= CAT_III_1000_UP_TO_V => Tester::CatIii1000,
                _ => Tester::AsMarked,
            },
            capacitor: stores(LoadBehaviour::MotorWithCapacitor),
            dc_link: stores(LoadBehaviour::Drive),
            current_output: There::when(installation.ct_secondary.may_be_current()),
            live_checks: installation.direct_low_voltage(),
        }
    }

    fn or(self, other: Panel) -> Panel {
        Panel {
            high_voltage: self.high_voltage.or(other.high_voltage),
            transformers: self.transformers || other.transformers,
            perhaps_transformers: self.perhaps_transformers || other.perhaps_transformers,
            tester: match (self.tester, other.tester) {
                (Tester::AsMarked, _) | (_, Tester::AsMarked) => Tester::AsMarked,
                (Tester::CatIii600, Tester::CatIii600) => Tester::CatIii600,
                (Tester::CatIii1000, _) | (_, Tester::CatIii1000) => Tester::CatIii1000,
            },
            capacitor: self.capacitor.or(other.capacitor),
            dc_link: self.dc_link.or(other.dc_link),
            current_output: self.current_output.or(other.current_output),
            live_checks: self.live_checks || other.live_checks,
        }
    }

    fn cautions(self) -> Vec<Caution> {
        let mut all: Vec<Caution> = vec![ADVICE.into()];
        if self.high_voltage != There::No {
            all.push(HIGH_VOLTAGE.into());
        }
        if self.perhaps_transformers {
            all.push(PERHAPS_TRANSFORMERS.into());
        }
        all.extend([DE_ENERGIZE.into(), TAPS.into(), self.verify_absence()]);
        if self.transformers {
            all.push(TRANSFORMERS.into());
        }
        for (there, what, how) in [(self.capacitor, "Capacitor", CAPACITOR), (self.dc_link, "Drive", DC_LINK)] {
            match there {
                There::No => {}
                There::Perhaps => all.push(format!("{what}, if fitted: {how}").into()),
                There::Yes => all.push(format!("{what}: {how}").into()),
            }
        }
        match self.current_output {
            There::No => all.push(CT_OTHER.into()),
            There::Perhaps => {
                all.push(format!("CTs with a current output (5 A, 1 A, or not known): {CT_CURRENT}").into());
            }
            There::Yes => all.push(CT_CURRENT.into()),
        }
        all.push(SPLIT_CORE.into());
        if self.live_checks {
            all.push(LIVE.into());
        }
        all.push(NOTE_LEADS.into());
        all
    }

    fn verify_absence(self) -> Caution {
        let place = if self.high_voltage == There::Yes { "secondary terminal" } else { "conductor" };
        let rating = match self.tester {
            Tester::CatIii600 => ", rated CAT III 600 V or better",
            Tester::CatIii1000 => ", rated CAT III 1000 V or better",
            Tester::AsMarked if self.high_voltage == There::Yes => "",
            Tester::AsMarked => ", rated for the voltage and category marked at the panel",
        };
        format!(
            "Verify absence of voltage on every {place} that will be touched, phase to phase and phase to ground, with a \
             two-pole voltage tester of fixed range{rating}, proved on a known source before and after. Look for back-feed. \
             No multimeter for this: with its selector or a lead in the wrong place it flashes over across two phases."
        )
        .into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::installation::CtSecondary;

    const LOADS: [LoadBehaviour; 6] = [
        LoadBehaviour::InductionMotor,
        LoadBehaviour::SoftStarter,
        LoadBehaviour::Drive,
        LoadBehaviour::MotorWithCapacitor,
        LoadBehaviour::Resistive,
        LoadBehaviour::Unknown,
    ];
    const SECONDARIES: [CtSecondary; 5] = [
        CtSecondary::Current { rated_ma: 5000 },
        CtSecondary::Current { rated_ma: 1000 },
        CtSecondary::Voltage { rated_mv: 333 },
        CtSecondary::Rogowski,
        CtSecondary::Unknown,
    ];

    fn direct(nominal_voltage_v: f64) -> Installation {
        Installation {
            voltage_connection: VoltageConnection::Direct,
            ..Installation::unknown(ServiceKind::Wye4, nominal_voltage_v)
        }
    }

    fn text(installation: &Installation) -> String {
        cautions(installation).join("\n")
    }

    #[test]
    fn the_tester_follows_from_the_nominal_voltage() {
        for (nominal_v, rating) in [
            (208.0, "CAT III 600 V"),
            (240.0, "CAT III 600 V"),
            (480.0, "CAT III 600 V"),
            (600.0, "CAT III 1000 V"),
            (690.0, "CAT III 1000 V"),
        ] {
            for service in [ServiceKind::Wye4, ServiceKind::Delta3] {
                let text = text(&Installation { service, ..direct(nominal_v) });
                assert_eq!(text.matches("CAT").count(), 1, "{text}");
                assert!(text.contains(&format!("rated {rating} or better")), "{nominal_v} V: {text}");
            }
        }
        assert!(!text(&direct(1000.0)).contains("CAT"));
    }

    #[test]
    fn every_installation_gets_its_own_cautions() {
        let connections = [VoltageConnection::Direct, VoltageConnection::Transformers, VoltageConnection::Unknown];
        for service in ServiceKind::ALL {
            for nominal_voltage_v in [120.0, 480.0, 600.0, 2400.0, 4160.0, f64::NAN] {
                for voltage_connection in connections {
                    for ct_secondary in SECONDARIES {
                        for load in LOADS {
                            let installation =
                                Installation { service, nominal_voltage_v, voltage_connection, ct_secondary, load };
                            holds(&installation);
                        }
                    }
                }
            }
        }
    }

    fn holds(installation: &Installation) {
        let text = text(installation);
        let told = |word: &str, when: bool| assert_eq!(text.contains(word), when, "{word}: {installation:?}\n{text}");
        told("LIVE", installation.direct_low_voltage());
        told("CAT I", installation.nominal_voltage_v <= CAT_III_1000_UP_TO_V);
        told("Above 1,000 V: work for the high-voltage crew", installation.is_high_voltage());
        told("shorting block", installation.ct_secondary.may_be_current());
        told("Never open a CT secondary", installation.ct_secondary.may_be_current());
        told("short the secondary of a voltage transformer", installation.has_voltage_transformers());
        let low_voltage = !installation.is_high_voltage();
        let unknown = low_voltage && installation.load == LoadBehaviour::Unknown;
        let is = |load| low_voltage && installation.load == load;
        told("discharge and short it", unknown || is(LoadBehaviour::MotorWithCapacitor));
        told("Never short the DC bus", unknown || is(LoadBehaviour::Drive));
        assert_eq!(text.matches("if fitted").count(), if unknown { 2 } else { 0 }, "{text}");
        told("phase to phase and phase to ground", true);
        told("proved on a known source before and after", true);
    }

    #[test]
    fn several_installations_together_get_what_holds_for_any_and_the_higher_tester() {
        let (low, high) = (direct(480.0), direct(600.0));
        let both = together([&low, &high]).join("\n");
        assert!(both.contains("CAT III 1000 V") && !both.contains("CAT III 600 V"), "{both}");
        let medium_voltage = Installation { ct_secondary: CtSecondary::Rogowski, ..direct(4160.0) };
        let all = together([&low, &medium_voltage]).join("\n");
        for word in ["Above 1,000 V", "LIVE", "CTs with a current output"] {
            assert!(all.contains(word), "{word}: {all}");
        }
        assert!(!all.contains("CAT I"), "one of them has no category: {all}");
        assert_eq!(together([]), general());
        assert!(!general().join("\n").contains("CAT I"));
    }

    #[test]
    fn cautions_of_a_pump_at_480_v() {
        let pump = Installation { load: LoadBehaviour::InductionMotor, ..direct(480.0) };
        insta::assert_snapshot!(text(&pump));
    }

    #[test]
    fn cautions_of_a_pump_at_4160_v() {
        let pump = Installation { service: ServiceKind::OpenDelta, ..direct(4160.0) };
        insta::assert_snapshot!(text(&pump));
    }
}
