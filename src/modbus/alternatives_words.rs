//! What to say of a map that is wrong in one way: what it says, what fits instead, what to change in the file.

use super::alternatives::{Change, RawImage};
use super::map::{ByteOrder, Encoding, MeterMap, Point};
use crate::audit::register_fault::RegisterFault;
use crate::audit::register_fault::group::{Group, factor};
use crate::reading::MonitorReading;

impl RawImage {
    /// What to say of `change`, with the values that the words at hand come to.
    pub fn told(&self, change: Change, probability: Option<f64>, at: crate::reading::Instant2) -> RegisterFault {
        let fitting = self.decoded(change, at);
        let touched: Vec<&Point> = self.map.points.iter().filter(|point| change.touches(point)).collect();
        let values = values(change, &fitting, &touched);
        match change {
            Change::Order { group, to } => RegisterFault {
                kind: if words_exchanged(&touched, to) { "word_order" } else { "byte_order" },
                probability,
                map_says: format!(
                    "The map reads {} as {} with {}",
                    whose(group),
                    types(&touched),
                    order_words(touched.first().map_or(ByteOrder::Abcd, |point| point.order))
                ),
                fits: format!("read with {}, {values}", order_words(to)),
                change: match group {
                    None => format!("In the map file set byte_order = \"{}\"", key(to)),
                    Some(group) => {
                        format!("In the map file set byte_order = \"{}\" on the points of {}", key(to), group.words())
                    }
                },
            },
            Change::Shift(by) => shift(&self.map, by, probability, &values),
            Change::Scale(group, power) => {
                let written = touched.first().map_or(1.0, |point| point.scale);
                let percent = group == Group::PowerFactor && power == -2;
                RegisterFault {
                    kind: "scale",
                    probability,
                    map_says: format!(
                        "The map gives {} {} times too {}{}",
                        group.words(),
                        factor(power.abs()),
                        if power < 0 { "large" } else { "small" },
                        if percent { " (the device counts in percent)" } else { "" },
                    ),
                    fits: format!("scaled by {} instead, {values}", plain(written * 10f64.powi(i32::from(power)))),
                    change: format!(
                        "In the map file multiply scale by {} on the points of {} (or correct unit)",
                        factor(power),
                        group.words()
                    ),
                }
            }
            Change::Sign { signed, .. } => {
                let (is, instead) = if signed { ("unsigned", "signed") } else { ("signed", "unsigned") };
                let first = touched.first().map_or("u16", |point| type_key(point.encoding));
                let other = touched.first().map_or("i16", |point| type_key(other(point.encoding)));
                let whose = whose_groups(&touched);
                RegisterFault {
                    kind: "signedness",
                    probability,
                    map_says: format!("The map reads {whose} as {is} integers"),
                    fits: format!("read as {instead}, {values}"),
                    change: format!("In the map file set type = \"{other}\" for \"{first}\" on the points of {whose}"),
                }
            }
        }
    }
}

fn shift(map: &MeterMap, by: i8, probability: Option<f64>, values: &str) -> RegisterFault {
    let (low, from, to) = if by > 0 { ("low", "reference", "protocol") } else { ("high", "protocol", "reference") };
    let first = map.points.iter().find(|point| !point.function.is_bit()).map_or(0, |point| point.address);
    RegisterFault {
        kind: "address_offset",
        probability,
        map_says: format!("Every address of the map is one too {low}: it reads its first value at register {first}"),
        fits: format!(
            "read one register {} ({} as numbered on the wire), {values}",
            if by > 0 { "further on" } else { "earlier" },
            first.wrapping_add_signed(i16::from(by))
        ),
        change: format!(
            "In the map file, if addressing is \"{from}\" set addressing = \"{to}\"; else {} 1 {} every address",
            if by > 0 { "add" } else { "subtract" },
            if by > 0 { "to" } else { "from" },
        ),
    }
}

/// What the values of the groups touched come to: voltage and current at least, where there are any.
fn values(change: Change, fitting: &MonitorReading, touched: &[&Point]) -> String {
    let groups: Vec<Group> = match change {
        Change::Scale(Group::Powers, _) => vec![Group::ActivePower],
        Change::Scale(group, _)
        | Change::Sign { group: Some(group), .. }
        | Change::Order { group: Some(group), .. } => vec![group],
        Change::Order { group: None, .. } | Change::Shift(_) | Change::Sign { group: None, .. } => Group::ALL
            .into_iter()
            .filter(|group| touched.iter().any(|point| super::alternatives::belongs(point, *group)))
            .take(2)
            .collect(),
    };
    let told: Vec<String> =
        groups.into_iter().map(|group| group.read_out(fitting)).filter(|text| !text.is_empty()).collect();
    if told.is_empty() { "the values fit".to_owned() } else { told.join(", ") }
}

fn whose(group: Option<Group>) -> String {
    group.map_or_else(|| "its values".to_owned(), |group| group.words().to_owned())
}

/// The groups that the points belong to, as people say it: a change is told of those that it touches, and of no other.
fn whose_groups(points: &[&Point]) -> String {
    let belong = |group: &Group| points.iter().any(|point| super::alternatives::belongs(point, *group));
    let groups: Vec<&str> =
        Group::ALL.into_iter().filter(|g| *g != Group::Powers && belong(g)).map(Group::words).collect();
    match groups.split_last() {
        Some((last, first)) if !first.is_empty() => format!("{} and {last}", first.join(", ")),
        Some((last, _)) => (*last).to_owned(),
        None => "its values".to_owned(),
    }
}

fn types(points: &[&Point]) -> String {
    let mut names: Vec<String> = Vec::new();
    for point in points {
        let bits = 16 * point.encoding.width();
        let kind = match point.encoding {
            Encoding::F32 | Encoding::F64 => "floats",
            Encoding::Bcd { .. } | Encoding::Base10000 { .. } => "decimals",
            _ => "integers",
        };
        let name = format!("{bits}-bit {kind}");
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names.join(" and ")
}

fn words_exchanged(points: &[&Point], to: ByteOrder) -> bool {
    let swapped = |order| matches!(order, ByteOrder::Badc | ByteOrder::Dcba);
    points.iter().all(|point| swapped(point.order) == swapped(to))
}

fn order_words(order: ByteOrder) -> &'static str {
    match order {
        ByteOrder::Abcd => "the high word first (ABCD)",
        ByteOrder::Cdab => "the low word first (CDAB)",
        ByteOrder::Badc => "the high word first and the bytes of each word exchanged (BADC)",
        ByteOrder::Dcba => "the low word first and the bytes of each word exchanged (DCBA)",
    }
}

fn key(order: ByteOrder) -> &'static str {
    match order {
        ByteOrder::Abcd => "ABCD",
        ByteOrder::Cdab => "CDAB",
        ByteOrder::Badc => "BADC",
        ByteOrder::Dcba => "DCBA",
    }
}

fn other(encoding: Encoding) -> Encoding {
    super::alternatives::other_sign(encoding)
}

fn type_key(encoding: Encoding) -> &'static str {
    match encoding {
        Encoding::U16 => "u16",
        Encoding::I16 => "i16",
        Encoding::U32 => "u32",
        Encoding::I32 => "i32",
        Encoding::U64 => "u64",
        Encoding::I64 => "i64",
        _ => "the type it has",
    }
}

/// A scale without the dust of floating point.
fn plain(scale: f64) -> String {
    format!("{}", format!("{scale:.6e}").parse::<f64>().unwrap_or(scale))
}
