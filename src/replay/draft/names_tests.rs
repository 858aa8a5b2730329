//! Names as the trade writes them, and what they must be taken for.

use super::*;

fn told(name: &str, beside: &[&str]) -> String {
    let context = Context::of(std::iter::once(name).chain(beside.iter().copied()));
    match guess(name, &context) {
        Ok(guess) => {
            let unit = guess.unit.unwrap_or("-");
            let circuit = guess.circuit.map_or(String::new(), |circuit| format!(" of {circuit}"));
            format!("{:?} {:?} {unit}{circuit}", guess.quantity, guess.channel)
        }
        Err(why) => format!("{why:?}").chars().take_while(|c| *c != '(').collect(),
    }
}

#[test]
fn names_of_the_trade() {
    for (name, expected) in [
        ("V1", "VoltageLn One -"),
        ("Van", "VoltageLn One -"),
        ("VAN (V)", "VoltageLn One V"),
        ("Vbc", "VoltageLl Two -"),
        ("V L1-L2", "VoltageLl One V"),
        ("V12", "VoltageLl One -"),
        ("Voltage L3-N", "VoltageLn Three -"),
        ("Voltage A-B [kV]", "VoltageLl One kV"),
        ("Voltage AB [kV]", "VoltageLl One kV"),
        ("VoltageCN", "VoltageLn Three -"),
        ("Phase B Volts", "VoltageLn Two V"),
        ("Volts", "NoChannel"),
        ("V avg", "NotUsed"),
        ("Ia", "Current One -"),
        ("I3", "Current Three -"),
        ("I_L2", "Current Two -"),
        ("Amps C", "Current Three A"),
        ("CurrentB (A)", "Current Two A"),
        ("In", "NotUsed"),
        ("kW", "ActivePower Total kW"),
        ("kW_A", "ActivePower One kW"),
        ("kWc", "ActivePower Three kW"),
        ("kW Total", "ActivePower Total kW"),
        ("kWtot", "ActivePower Total kW"),
        ("P2 (W)", "ActivePower Two W"),
        ("ActivePowerTotal", "ActivePower Total -"),
        ("Real Power Phase A (kW)", "ActivePower One kW"),
        ("kVAR total", "ReactivePower Total kvar"),
        ("kVARb", "ReactivePower Two kvar"),
        ("Reactive Power (kvar)", "ReactivePower Total kvar"),
        ("kVA", "ApparentPower Total kVA"),
        ("kVAa", "ApparentPower One kVA"),
        ("PF", "PowerFactor Total -"),
        ("PF A", "PowerFactor One -"),
        ("Power Factor L2", "PowerFactor Two -"),
        ("True Power Factor", "PowerFactor Total -"),
        ("Hz", "Frequency Total Hz"),
        ("Frequency", "Frequency Total -"),
        ("Energy Import (kWh)", "EnergyImport Total kWh"),
        ("kWh exp", "EnergyExport Total kWh"),
        ("kWh received", "NotUsed"),
        ("Pump 1 kW (kW)", "ActivePower Total kW of Pump 1"),
        ("Pump1_kW_B", "ActivePower Two kW of Pump 1"),
        ("Pump 2 Run", "RunStatus Total - of Pump 2"),
        ("Blower Running", "RunStatus Total - of Blower"),
        ("Voltage Angle B (deg)", "VoltageAngle Two -"),
        ("Ia angle", "CurrentAngle One -"),
        ("angle A", "AngleOf"),
        ("Flow (gpm)", "Flow Total gpm"),
        ("Suction Pressure (psi)", "SuctionPressure Total psi"),
        ("Pressure", "PressureOf"),
        ("THD V1", "NotUsed"),
        ("kW Demand", "NotUsed"),
        ("Level", "NotUsed"),
        ("kW Amps", "Conflict"),
        ("Comment", "NoQuantity"),
        ("kW 4", "Channels"),
        ("V angle 1", "VoltageAngle One -"),
        ("Power factor kW", "PowerFactor Total -"),
        ("PF A (%)", "PowerFactor One %"),
        ("Valve (%)", "NoQuantity"),
        ("Wet Well (ft)", "NoQuantity"),
        ("TDH (ft)", "Head Total ft"),
        ("", "NoQuantity"),
    ] {
        assert_eq!(told(name, &[]), expected, "{name}");
    }
}

#[test]
fn the_other_names_tell_pumps_from_phases_and_volt_amperes_from_phase_a() {
    assert_eq!(told("P1 kW", &["P2 kW", "P3 kW"]), "ActivePower One kW");
    assert_eq!(told("P1 kW", &["P1 Amps A", "P1 Run"]), "ActivePower Total kW of P1");
    assert_eq!(told("VA", &["W", "VAR"]), "ApparentPower Total VA");
    assert_eq!(told("VA", &["VB", "VC"]), "VoltageLn One -");
}
