//! Reads a meter map file into points the encoder can write: own structs, own checks.
//!
//! Must never share code with the auditor's reader, so that a misreading of the format shows as a disagreement.

use serde::Deserialize;

use crate::error::SimError;
use crate::monitor_file::{BlankingFile, ConventionsFile};
use crate::number::{Order, Packing};

const BUILTIN: [(&str, &str); 4] = [
    ("generic-full", include_str!("../../config/maps/generic-full.toml")),
    ("generic-watts", include_str!("../../config/maps/generic-watts.toml")),
    ("generic-totals", include_str!("../../config/maps/generic-totals.toml")),
    ("generic-blanking", include_str!("../../config/maps/generic-blanking.toml")),
];

/// Names of the maps compiled in.
pub fn builtin_map_names() -> impl Iterator<Item = &'static str> {
    BUILTIN.iter().map(|entry| entry.0)
}

/// Text of a built-in map.
pub(crate) fn builtin(name: &str) -> Option<&'static str> {
    BUILTIN.iter().find(|entry| entry.0 == name).map(|entry| entry.1)
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    version: u32,
    name: String,
    #[serde(rename = "title", default)]
    _title: String,
    addressing: String,
    #[serde(default)]
    function: Option<u8>,
    #[serde(default = "abcd")]
    byte_order: String,
    #[serde(default = "one")]
    slots: u8,
    #[serde(default)]
    slot_stride: Option<u32>,
    #[serde(default)]
    limits: Limits,
    #[serde(default)]
    conventions: ConventionsFile,
    #[serde(default)]
    blanking: BlankingFile,
    points: Vec<PointFile>,
}

fn abcd() -> String {
    "ABCD".to_owned()
}

fn one() -> u8 {
    1
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Limits {
    max_registers: Option<u16>,
    #[serde(rename = "max_bits")]
    _max_bits: Option<u16>,
    max_gap: Option<u16>,
    #[serde(default)]
    forbidden: Vec<[u32; 2]>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PointFile {
    quantity: String,
    #[serde(default)]
    channel: Option<String>,
    address: u32,
    #[serde(rename = "type")]
    packing: String,
    #[serde(default)]
    bits: Option<[u8; 2]>,
    #[serde(default)]
    unit: Option<String>,
    #[serde(default)]
    scale: Option<f64>,
    #[serde(default)]
    offset: f64,
    #[serde(default)]
    scale_register: Option<u32>,
    /// The scale register moves with the slot; by default one serves all slots.
    #[serde(default)]
    scale_register_repeats: bool,
    #[serde(default)]
    not_available: Vec<RawValue>,
    #[serde(default)]
    byte_order: Option<String>,
    #[serde(default)]
    function: Option<u8>,
}

#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum RawValue {
    Number(u64),
    Text(String),
}

/// What a point shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Quantity {
    VoltageLn,
    VoltageLl,
    VoltageAngle,
    Frequency,
    Current,
    CurrentAngle,
    ActivePower,
    ReactivePower,
    ApparentPower,
    PowerFactor,
    EnergyImport,
    EnergyExport,
    RunStatus,
    Flow,
    Head,
}

impl Quantity {
    /// Word in the file, family of units, and whether it belongs to the monitor as a whole.
    pub(crate) fn table(text: &str) -> Option<(Quantity, &'static str, bool)> {
        Some(match text {
            "voltage-ln" => (Quantity::VoltageLn, "V", true),
            "voltage-ll" => (Quantity::VoltageLl, "V", true),
            "voltage-angle" => (Quantity::VoltageAngle, "deg", true),
            "frequency" => (Quantity::Frequency, "Hz", true),
            "current" => (Quantity::Current, "A", false),
            "current-angle" => (Quantity::CurrentAngle, "deg", false),
            "active-power" => (Quantity::ActivePower, "W", false),
            "reactive-power" => (Quantity::ReactivePower, "var", false),
            "apparent-power" => (Quantity::ApparentPower, "VA", false),
            "power-factor" => (Quantity::PowerFactor, "1", false),
            "energy-import" => (Quantity::EnergyImport, "Wh", false),
            "energy-export" => (Quantity::EnergyExport, "Wh", false),
            "run-status" => (Quantity::RunStatus, "1", false),
            "flow" => (Quantity::Flow, "m3/s", false),
            "head" => (Quantity::Head, "m", false),
            _ => return None,
        })
    }
}

/// One register value of the device, slot already applied.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Point {
    pub(crate) quantity: Quantity,
    /// 0, 1, 2; `None` is the total.
    pub(crate) channel: Option<usize>,
    pub(crate) slot: usize,
    pub(crate) function: u8,
    /// Zero-based.
    pub(crate) address: u16,
    pub(crate) packing: Packing,
    pub(crate) order: Order,
    /// SI value of one `unit`.
    pub(crate) unit_si: f64,
    pub(crate) scale: f64,
    pub(crate) offset: f64,
    pub(crate) scale_register: Option<u16>,
    pub(crate) not_available: Vec<u64>,
}

/// A map ready for the encoder.
#[derive(Debug, Clone)]
pub(crate) struct Map {
    pub(crate) slots: usize,
    pub(crate) points: Vec<Point>,
    pub(crate) max_registers: Option<u16>,
    /// Unmapped addresses a device answers (as zero) between mapped ones.
    pub(crate) max_gap: u16,
    pub(crate) forbidden: Vec<(u16, u16)>,
    pub(crate) conventions: ConventionsFile,
    pub(crate) blanking: BlankingFile,
}

/// Reads a map; `what` names it in errors.
pub(crate) fn read(what: &str, text: &str) -> Result<Map, SimError> {
    let file: File = toml::from_str(text)
        .map_err(|source| SimError::Toml { what: format!("meter map {what}"), source: Box::new(source) })?;
    let fault = |problem: String| SimError::map(&file.name, problem);
    if file.version != 1 {
        return Err(fault(format!("version {} is not known, only 1", file.version)));
    }
    if file.slots == 0 {
        return Err(fault("slots must be at least 1".to_owned()));
    }
    let stride = match (file.slots, file.slot_stride) {
        (1, stride) => stride.unwrap_or(0),
        (_, Some(stride)) if 0 < stride => stride,
        _ => return Err(fault("slot_stride is required when slots is more than 1".to_owned())),
    };
    let mut points = Vec::new();
    for (number, point) in file.points.iter().enumerate() {
        let found = read_point(&file, point, stride)
            .map_err(|problem| fault(format!("point {} ({}): {problem}", number + 1, point.quantity)))?;
        points.extend(found);
    }
    let mut forbidden = Vec::new();
    for &[first, last] in &file.limits.forbidden {
        let range = (any_address(&file.addressing, first), any_address(&file.addressing, last));
        match range {
            (Some(first), Some(last)) if first <= last => forbidden.push((first, last)),
            _ => return Err(fault(format!("forbidden range [{first}, {last}] is not a range of addresses"))),
        }
    }
    Ok(Map {
        slots: usize::from(file.slots),
        points,
        max_registers: file.limits.max_registers,
        max_gap: file.limits.max_gap.unwrap_or(8),
        forbidden,
        conventions: file.conventions,
        blanking: file.blanking,
    })
}

fn read_point(file: &File, point: &PointFile, stride: u32) -> Result<Vec<Point>, String> {
    let (quantity, family, monitor_wide) =
        Quantity::table(&point.quantity).ok_or_else(|| format!("quantity \"{}\" is not known", point.quantity))?;
    let channel = channel(quantity, point.channel.as_deref())?;
    let function = point.function.or(file.function).ok_or("no function is given")?;
    let packing = Packing::from_text(&point.packing, point.bits.map(|[lowest, width]| (lowest, width)))?;
    if !(1..=4).contains(&function) {
        return Err(format!("function {function} is not a read function, 1 to 4"));
    }
    if (function <= 2) != (packing == Packing::Bit) {
        return Err(format!("type \"{}\" does not go with function {function}", point.packing));
    }
    let order_text = point.byte_order.as_deref().unwrap_or(&file.byte_order);
    let order = Order::from_text(order_text).ok_or_else(|| format!("byte_order \"{order_text}\" is not known"))?;
    let unit_si = match (&point.unit, family) {
        (None, "1") => 1.0,
        (None, _) => return Err("unit is required".to_owned()),
        (Some(unit), _) => {
            unit_si(unit, family).ok_or_else(|| format!("{} is in {family}, not {unit}", point.quantity))?
        }
    };
    let scale = point.scale.unwrap_or(1.0);
    if !scale.is_finite() || scale == 0.0 || !point.offset.is_finite() {
        return Err("scale must be finite and not 0, offset finite".to_owned());
    }
    let not_available = point.not_available.iter().map(raw_value).collect::<Result<Vec<u64>, String>>()?;
    let scale_register =
        point.scale_register.map(|written| address(&file.addressing, function, written)).transpose()?;
    let first = address(&file.addressing, function, point.address)?;
    let slots = if monitor_wide { 1 } else { u32::from(file.slots) };
    (0..slots)
        .map(|slot| {
            let at = u32::from(first) + slot * stride;
            let last = at + u32::from(packing.registers()) - 1;
            if 0xFFFF < last {
                return Err(format!("slot {} reaches address {last}, beyond 65535", slot + 1));
            }
            let moved = if point.scale_register_repeats { slot * stride } else { 0 };
            let scale_register = scale_register
                .map(|register| u16::try_from(u32::from(register) + moved))
                .transpose()
                .map_err(|_| format!("the scale register of slot {} is beyond 65535", slot + 1))?;
            Ok(Point {
                quantity,
                channel,
                slot: slot as usize,
                function,
                address: at as u16,
                packing,
                order,
                unit_si,
                scale,
                offset: point.offset,
                scale_register,
                not_available: not_available.clone(),
            })
        })
        .collect()
}

fn channel(quantity: Quantity, text: Option<&str>) -> Result<Option<usize>, String> {
    use Quantity::{
        ActivePower, ApparentPower, Current, CurrentAngle, EnergyExport, EnergyImport, Flow, Frequency, Head,
        PowerFactor, ReactivePower, RunStatus, VoltageAngle, VoltageLl, VoltageLn,
    };
    let number = match (quantity, text) {
        (VoltageLl, Some(text)) => ["12", "23", "31"].iter().position(|name| *name == text),
        (_, Some(text)) => ["1", "2", "3"].iter().position(|name| *name == text),
        (_, None) => None,
    };
    let total = text.is_none_or(|text| text == "total");
    let (per_channel, as_total) = match quantity {
        VoltageLn | VoltageLl | VoltageAngle | Current | CurrentAngle => (true, false),
        ActivePower | ReactivePower | ApparentPower | PowerFactor => (true, true),
        Frequency | EnergyImport | EnergyExport | RunStatus | Flow | Head => (false, true),
    };
    match (number, total) {
        (Some(number), _) if per_channel => Ok(Some(number)),
        (None, true) if as_total => Ok(None),
        _ => Err(format!("channel {text:?} does not go with this quantity")),
    }
}

fn raw_value(value: &RawValue) -> Result<u64, String> {
    match value {
        RawValue::Number(number) => Ok(*number),
        RawValue::Text(text) => text
            .strip_prefix("0x")
            .and_then(|digits| u64::from_str_radix(digits, 16).ok())
            .ok_or_else(|| format!("not_available \"{text}\" is neither an integer nor 0x and hex digits")),
    }
}

/// SI value of a unit of a family.
fn unit_si(unit: &str, family: &str) -> Option<f64> {
    if family == "1" {
        return match unit {
            "1" => Some(1.0),
            "%" => Some(0.01),
            _ => None,
        };
    }
    if (unit, family) == ("m3/h", "m3/s") {
        return Some(1.0 / 3600.0);
    }
    let prefix = unit.strip_suffix(family)?;
    match (prefix, family) {
        ("", _) => Some(1.0),
        ("m", "V" | "A") => Some(1e-3),
        ("k", "V" | "W" | "var" | "VA" | "Wh") => Some(1e3),
        ("M", "W" | "VA" | "Wh") => Some(1e6),
        _ => None,
    }
}

/// Zero-based address of a written one, where the leading digit must agree with the function.
fn address(addressing: &str, function: u8, written: u32) -> Result<u16, String> {
    let leading = match function {
        1 => 0,
        2 => 1,
        3 => 4,
        _ => 3,
    };
    let (digits, most) = match addressing {
        "protocol" => return u16::try_from(written).map_err(|_| format!("address {written} is beyond 65535")),
        "reference" => (None, 65_536),
        "reference-5" => (Some(10_000), 9_999),
        "reference-6" => (Some(100_000), 65_536),
        other => return Err(format!("addressing \"{other}\" is not known")),
    };
    let number = match digits {
        None => written,
        Some(unit) if written / unit == leading => written % unit,
        Some(_) => return Err(format!("address {written} does not begin with {leading}, as function {function} asks")),
    };
    if (1..=most).contains(&number) {
        Ok((number - 1) as u16)
    } else {
        Err(format!("address {written} is not a register number"))
    }
}

/// Zero-based address whatever the function.
fn any_address(addressing: &str, written: u32) -> Option<u16> {
    (1..=4).find_map(|function| address(addressing, function, written).ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with_point(head: &str, point: &str) -> Result<Map, SimError> {
        read("test", &format!("version = 1\nname = \"test\"\n{head}\n[[points]]\n{point}\n"))
    }

    const AMPS: &str = "quantity = \"current\"\nchannel = \"2\"\nunit = \"A\"\ntype = \"u16\"\n";

    #[test]
    fn the_built_in_maps_are_read_whole() {
        for (name, text) in BUILTIN {
            let map = read(name, text).unwrap_or_else(|error| panic!("{name}: {error}"));
            assert!(8 < map.points.len(), "{name} has {} points", map.points.len());
        }
        assert_eq!(builtin("generic-none"), None);
    }

    #[test]
    fn every_addressing_gives_the_protocol_address() {
        for (addressing, function, written, expected) in [
            ("protocol", 3, 10, 10),
            ("reference", 3, 11, 10),
            ("reference-5", 3, 40_011, 10),
            ("reference-5", 4, 30_011, 10),
            ("reference-6", 3, 465_536, 65_535),
        ] {
            let head = format!("addressing = \"{addressing}\"\nfunction = {function}");
            let map = with_point(&head, &format!("{AMPS}address = {written}")).unwrap();
            assert_eq!(map.points[0].address, expected, "{addressing} {written}");
        }
    }

    #[test]
    fn slots_repeat_circuit_points_only() {
        let head = "addressing = \"protocol\"\nfunction = 3\nslots = 2\nslot_stride = 50";
        let map = with_point(head, &format!("{AMPS}address = 5")).unwrap();
        assert_eq!(map.points.iter().map(|point| (point.slot, point.address)).collect::<Vec<_>>(), [(0, 5), (1, 55)]);
        let volts = "quantity = \"voltage-ln\"\nchannel = \"1\"\nunit = \"V\"\ntype = \"u16\"\naddress = 5";
        assert_eq!(with_point(head, volts).unwrap().points.len(), 1);
    }

    #[test]
    fn faulty_maps_are_refused_with_their_reason() {
        let head = "addressing = \"protocol\"\nfunction = 3";
        for (head, point, words) in [
            (head, "quantity = \"current\"\nchannel = \"1\"\nunit = \"V\"\ntype = \"u16\"\naddress = 1", "in A, not V"),
            (head, "quantity = \"current\"\nchannel = \"4\"\nunit = \"A\"\ntype = \"u16\"\naddress = 1", "channel"),
            (head, "quantity = \"current\"\nchannel = \"1\"\ntype = \"u16\"\naddress = 1", "unit is required"),
            (head, "quantity = \"amps\"\ntype = \"u16\"\naddress = 1", "not known"),
            (head, &format!("{AMPS}address = 1\nscale = 0.0"), "not 0"),
            (head, &format!("{AMPS}address = 70000"), "65535"),
            (head, &format!("{AMPS}address = 1\nfunction = 6"), "read function"),
            (head, &format!("{AMPS}address = 1\nnot_available = [\"8000\"]"), "hex"),
            ("addressing = \"reference-5\"\nfunction = 3", &format!("{AMPS}address = 30001"), "begin with 4"),
            ("addressing = \"protocol\"\nfunction = 3\nslots = 2", &format!("{AMPS}address = 1"), "slot_stride"),
            ("addressing = \"protocol\"", &format!("{AMPS}address = 1"), "no function"),
        ] {
            let error = with_point(head, point).unwrap_err().to_string();
            assert!(error.contains(words), "{error} does not say {words}");
        }
        assert!(matches!(with_point("bogus = 1", AMPS), Err(SimError::Toml { .. })));
    }
}
