//! Registers that lie: each fault changes the registers it should, and what the meter believes stays the truth.

use wattassay_simulators::{FactorSign, RegisterFaultFile, RegisterImage, Station, StationFile};

use crate::common::{close, leads, table_case};

const MAP: &str = r#"
version = 1
name = "probe"
addressing = "protocol"
function = 3
points = [
  { quantity = "active-power", channel = "1", address = 0, type = "i32", unit = "W" },
  { quantity = "active-power", channel = "total", address = 2, type = "i32", unit = "W" },
  { quantity = "reactive-power", channel = "1", address = 4, type = "i32", unit = "var" },
  { quantity = "reactive-power", channel = "total", address = 6, type = "u16", unit = "var" },
  { quantity = "power-factor", channel = "1", address = 7, type = "i16", scale = 0.001 },
  { quantity = "current", channel = "1", address = 8, type = "u16", unit = "A", scale = 0.01 },
  { quantity = "voltage-ln", channel = "1", address = 9, type = "u16", unit = "V", scale = 0.1 },
  { quantity = "energy-import", address = 10, type = "u32", unit = "Wh" },
]
"#;

fn kind(kind: &str) -> RegisterFaultFile {
    RegisterFaultFile { kind: kind.to_owned(), ..RegisterFaultFile::default() }
}

fn of(quantity: &str, fault: RegisterFaultFile) -> RegisterFaultFile {
    RegisterFaultFile { quantity: Some(quantity.to_owned()), ..fault }
}

/// A station with the probe map (in a folder that lives as long as the test) and CT A reversed, so that there are
/// negative values.
fn probe(folder: &tempfile::TempDir, faults: Vec<RegisterFaultFile>) -> StationFile {
    std::fs::write(folder.path().join("probe.toml"), MAP).expect("written");
    let mut file = table_case();
    file.folder = Some(folder.path().to_owned());
    "probe.toml".clone_into(&mut file.monitors[0].map);
    file.monitors[0].currents = vec![leads("-A B C")];
    file.monitors[0].register_faults = faults;
    file
}

fn image(file: &StationFile, t_s: f64) -> RegisterImage {
    let station = Station::new(file).expect("a possible station");
    station.registers(0, t_s).expect("a monitor").as_ref().clone()
}

fn cells(image: &RegisterImage) -> Vec<Option<u16>> {
    (0..12).map(|address| image.holding_registers.get(address)).collect()
}

/// Addresses whose contents a fault changes at 10 s.
fn changed(faults: Vec<RegisterFaultFile>) -> Vec<usize> {
    let folder = tempfile::tempdir().expect("a folder");
    let (sound, spoiled) = (probe(&folder, Vec::new()), probe(&folder, faults));
    let believed = |file: &StationFile| {
        let station = Station::new(file).expect("a possible station");
        format!("{:?}", station.meter(0, 10.0))
    };
    assert_eq!(believed(&sound), believed(&spoiled), "what the meter believes");
    let (sound, spoiled) = (cells(&image(&sound, 10.0)), cells(&image(&spoiled, 10.0)));
    (0..sound.len()).filter(|address| sound[*address] != spoiled[*address]).collect()
}

fn wide(image: &RegisterImage, address: u16) -> i32 {
    let words = image.holding_registers.read(address, 2).expect("there");
    ((u32::from(words[0]) << 16) | u32::from(words[1])).cast_signed()
}

#[test]
fn each_register_fault_changes_its_own_registers_only() {
    let scale = |quantity| of(quantity, RegisterFaultFile { power_of_ten: Some(-1), ..kind("scale") });
    let sign = RegisterFaultFile { sign: Some(FactorSign::LagNegative), ..kind("factor-sign") };
    assert_eq!(changed(Vec::new()), [0usize; 0]);
    assert_eq!(changed(vec![kind("word-order")]), [0, 1, 2, 3, 4, 5, 10, 11]);
    assert_eq!(changed(vec![of("energy-import", kind("word-order"))]), [10, 11]);
    assert_eq!(changed(vec![scale("current")]), [8]);
    assert_eq!(changed(vec![scale("voltage-ln")]), [9]);
    assert_eq!(changed(vec![kind("signed-as-unsigned")]), [0, 4], "the sign is not extended");
    assert_eq!(changed(vec![of("active-power", kind("saturated-at-zero"))]), [0, 1]);
    assert_eq!(changed(vec![kind("power-exchanged")]), [1, 3, 5, 6], "P and Q, whose high words are alike");
    assert_eq!(changed(vec![sign]), [0usize; 0], "a reversed CT lags still and shows negative either way");
}

#[test]
fn the_values_are_those_the_fault_stands_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let with = |fault: RegisterFaultFile| image(&probe(&folder, vec![fault]), 10.0);
    let sound = image(&probe(&folder, Vec::new()), 10.0);
    let (p, total_p, q) = (wide(&sound, 0), wide(&sound, 2), wide(&sound, 4));
    close(f64::from(p), -23_545.0, 10.0, "sound P");
    close(f64::from(q), -14_592.0, 10.0, "sound Q");

    let swapped = with(kind("word-order"));
    assert_eq!(wide(&swapped, 2), total_p.rotate_left(16));
    let tens = with(of("active-power", RegisterFaultFile { power_of_ten: Some(1), ..kind("scale") }));
    close(f64::from(wide(&tens, 2)), f64::from(total_p) * 10.0, 10.0, "ten times");
    assert_eq!(wide(&with(kind("signed-as-unsigned")), 0), p + 65_536, "sixteen bits read as part of thirty-two");
    assert_eq!(wide(&with(of("active-power", kind("saturated-at-zero"))), 0), 0);
    let exchanged = with(kind("power-exchanged"));
    assert_eq!((wide(&exchanged, 0), wide(&exchanged, 4)), (q, p));
    for by in [1, -1] {
        let moved = with(RegisterFaultFile { by: Some(by), ..kind("address-shift") });
        for address in 1..11u16 {
            let from = address.checked_add_signed(-i16::try_from(by).expect("small")).expect("in range");
            assert_eq!(moved.holding_registers.get(address), sound.holding_registers.get(from), "{by} at {address}");
        }
    }
    assert_eq!(with(kind("address-shift")).holding_registers.get(0), None, "the first address is gone");
}

#[test]
fn a_sign_by_lead_and_lag_turns_a_lagging_factor_negative() {
    let folder = tempfile::tempdir().expect("a folder");
    let factor = |sign: Option<FactorSign>| {
        let faults = sign.map(|sign| RegisterFaultFile { sign: Some(sign), ..kind("factor-sign") });
        let mut file = probe(&folder, faults.into_iter().collect());
        file.monitors[0].currents = vec![leads("A B C")];
        image(&file, 10.0).holding_registers.get(7).expect("there").cast_signed()
    };
    assert_eq!(factor(None), 850);
    assert_eq!(factor(Some(FactorSign::LagNegative)), -850);
    assert_eq!(factor(Some(FactorSign::LeadNegative)), 850);
}

#[test]
fn frozen_registers_stay_as_they_were_for_their_time() {
    let folder = tempfile::tempdir().expect("a folder");
    let window = |fault| RegisterFaultFile { from_s: Some(20.0), to_s: Some(40.0), ..fault };
    let moving = |fault: Option<RegisterFaultFile>| {
        let mut file = probe(&folder, fault.map(window).into_iter().collect());
        file.source.wander = 0.05;
        Station::new(&file).expect("a possible station")
    };
    let at = |station: &Station, t_s: f64| cells(&station.registers(0, t_s).expect("a monitor"));
    let (sound, frozen, volts) =
        (moving(None), moving(Some(kind("frozen"))), moving(Some(of("voltage-ln", kind("frozen")))));
    for t_s in [30.0, 39.8, 25.0] {
        assert_eq!(at(&frozen, t_s), at(&sound, 20.0), "all of it");
        assert_eq!(at(&volts, t_s)[9], at(&sound, 20.0)[9], "the voltage");
        assert_eq!(at(&volts, t_s)[..9], at(&sound, t_s)[..9], "nothing else");
        assert_ne!(at(&sound, t_s)[9], at(&sound, 20.0)[9], "the voltage does move");
    }
    for t_s in [19.8, 40.0] {
        assert_eq!(at(&frozen, t_s), at(&sound, t_s), "outside its time");
    }
}

#[test]
fn sunspec_registers_lie_too_where_the_standard_leaves_room() {
    let watts = |faults: Vec<RegisterFaultFile>, address: u16| {
        let mut file = table_case();
        file.monitors[0].register_faults = faults;
        let words = image(&file, 10.0).holding_registers.read(address, 2).expect("there");
        f64::from(f32::from_bits((u32::from(words[0]) << 16) | u32::from(words[1])))
    };
    close(watts(Vec::new(), 40_098), 70_635.0, 20.0, "sound");
    let kilo = of("active-power", RegisterFaultFile { power_of_ten: Some(-3), ..kind("scale") });
    close(watts(vec![kilo.clone()], 40_098), 70.635, 0.02, "kW in a register for W");
    close(watts(vec![kilo], 40_114), 43_776.0, 20.0, "var as it was");
    close(watts(vec![kind("power-exchanged")], 40_098), 43_776.0, 20.0, "var in a register for W");
    close(watts(vec![kind("address-shift")], 40_099), 70_635.0, 20.0, "one higher");
}

#[test]
fn senseless_register_faults_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    for (fault, words) in [
        (kind("sulky"), "not known"),
        (kind("scale"), "power_of_ten"),
        (RegisterFaultFile { power_of_ten: Some(1), ..kind("scale") }, "needs a quantity"),
        (of("volts", kind("frozen")), "\"volts\" is not known"),
        (of("current", kind("address-shift")), "does not go with"),
        (RegisterFaultFile { by: Some(0), ..kind("address-shift") }, "not 0"),
        (kind("factor-sign"), "needs a sign"),
        (of("current", kind("word-order")), "changes nothing"),
        (of("frequency", kind("frozen")), "changes nothing"),
        (RegisterFaultFile { from_s: Some(5.0), to_s: Some(5.0), ..kind("word-order") }, "must come after"),
    ] {
        let error =
            Station::new(&probe(&folder, vec![fault])).map_or_else(|error| error.to_string(), |_| String::new());
        assert!(error.contains(words), "{error} does not say {words}");
    }
    let mut sunspec = table_case();
    sunspec.monitors[0].register_faults = vec![kind("word-order")];
    assert!(Station::new(&sunspec).is_err_and(|error| error.to_string().contains("SunSpec")));
}

#[test]
fn a_file_writes_register_faults_as_a_list_under_its_monitor() {
    let text = format!(
        "{}\n[[monitors.register_faults]]\nkind = \"scale\"\nquantity = \"current\"\npower_of_ten = 2\nfrom_s = 5.0\n",
        crate::common::TABLE_CASE
    );
    let file = StationFile::from_toml(&text).expect("a good station");
    let amperes = |t_s: f64| {
        let words = image(&file, t_s).holding_registers.read(40_074, 2).expect("there");
        f64::from(f32::from_bits((u32::from(words[0]) << 16) | u32::from(words[1])))
    };
    close(amperes(4.8), 100.0, 0.1, "before");
    close(amperes(5.0), 10_000.0, 10.0, "after");
}
