//! A meter map file: TOML text to a checked `MeterMap`, all problems of the file at once.
//!
//! Must never read a file itself, and never guess an address, a unit or a convention.

use std::collections::BTreeSet;

use toml::de::DeValue;

use crate::modbus::map::{Blanking, Conventions, MeterMap, ReadLimits};

use super::conventions::Overrides;
use super::document::parse_document;
use super::map_address::Addressing;
use super::map_check::{Forbidden, Slots, check_limits, check_overlaps, check_targets, expand};
use super::map_encoding::BYTE_ORDERS;
use super::map_point::{PointDefaults, read_function, read_point};
use super::problem::{Problem, Problems, quoted};
use super::reader::{Fault, Field, TableReader, integer_of, wrong_type};
use super::report::Report;

/// A map that could not be used, with its name when that much was right.
pub(super) struct BrokenMap {
    pub(super) name: Option<String>,
    pub(super) problems: Vec<Problem>,
}

/// Checks one map file and gives the map, or everything that is wrong with it.
pub fn parse_map(file_name: &str, text: &str) -> Result<MeterMap, Problems> {
    parse_named(file_name, text, |_| None).map_err(|broken| Problems::new(broken.problems))
}

/// As [`parse_map`]; `refuse` says why a name may not be used.
pub(super) fn parse_named(
    file_name: &str,
    text: &str,
    refuse: impl Fn(&str) -> Option<Fault>,
) -> Result<MeterMap, BrokenMap> {
    let report = Report::new(file_name, text);
    let document = parse_document(&report, text);
    let mut name = None;
    let mut map = None;
    if let Some(document) = &document {
        let root = TableReader::new(&report, "", 0..0, document.get_ref());
        let name_field = root.text("name", "my-monitor");
        let name_field = root.check("name", name_field, |text| check_name(text, &refuse));
        name = root.need("name", name_field, "name the map, for example name = \"my-monitor\"").value();
        map = read_map(&report, root, name.clone());
    }
    match map {
        Some(map) if report.is_clean() => Ok(map),
        _ => Err(BrokenMap { name, problems: report.into_problems() }),
    }
}

fn check_name(text: &str, refuse: &impl Fn(&str) -> Option<Fault>) -> Result<String, Fault> {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    if text.is_empty() || text.len() > 64 || !text.chars().all(plain) {
        return Err(Fault::new(
            format!("{} cannot be the name of a map", quoted(text)),
            "use letters, digits and - _ . without blanks, at most 64, for example \"my-monitor\"",
        ));
    }
    refuse(text).map_or_else(|| Ok(text.to_owned()), Err)
}

fn read_map(report: &Report<'_>, root: TableReader<'_>, name: Option<String>) -> Option<MeterMap> {
    let version = root.integer("version", 1..=1);
    root.need("version", version, "write version = 1");
    let title = root.name("title", 120, "Monitor, one circuit, watts per channel");
    let title = root.need(
        "title",
        title,
        "say in one line what the monitor is, for example title = \"Monitor, watts per channel\"",
    );
    let addressing = root.choice("addressing", Addressing::CHOICES);
    let addressing = root
        .need(
            "addressing",
            addressing,
            "say how the manual writes addresses: \"protocol\" (from 0), \"reference\" (from 1), \"reference-5\" (40001) or \"reference-6\" (400001)",
        )
        .value();
    let function = read_function(&root);
    let order = root.choice("byte_order", BYTE_ORDERS).value().unwrap_or_default();
    let slots = read_slots(&root);
    let (limits, forbidden) = read_limits(&root, addressing);
    let overrides = Overrides::read(&root);
    let defaults = PointDefaults { addressing, function_is_bad: function.is_bad(), function: function.value(), order };
    let tables = root.tables("points");
    let tables = root
        .need("points", tables, "list the registers, each under its own [[points]] header")
        .value()
        .unwrap_or_default();
    let drafts: Vec<_> = tables.into_iter().filter_map(|table| read_point(table, &defaults)).collect();
    root.finish();

    check_targets(report, &drafts);
    let points = expand(report, &drafts, slots.unwrap_or(Slots { count: 1, stride: 0 }));
    check_overlaps(report, &drafts, &points);
    check_limits(report, &drafts, &points, &limits, &forbidden);
    Some(MeterMap {
        name: name?,
        title: title.value()?,
        slots: slots?.count,
        limits,
        conventions: overrides.conventions(Conventions::default()),
        blanking: overrides.blanking(Blanking::default()),
        points: points.into_iter().map(|(_, point)| point).collect(),
    })
}

/// Slot count and stride. The stride has no default when it matters.
fn read_slots(root: &TableReader<'_>) -> Option<Slots> {
    let count = root.integer("slots", 1..=32).or(1);
    let stride = root.integer("slot_stride", 0..=65_535);
    let stride = match count {
        Some(count) if count > 1 => {
            let stride = root.need(
                "slot_stride",
                stride,
                "with more than one slot, say how many addresses further the next circuit's registers are, for example slot_stride = 100",
            );
            root.check("slot_stride", stride, |stride| {
                if stride == 0 {
                    Err(Fault::new(
                        "a stride of 0 puts all circuits on the same registers",
                        "write how far apart they are, for example slot_stride = 100",
                    ))
                } else {
                    Ok(stride)
                }
            })
            .value()?
        }
        _ => stride.or(0)?,
    };
    Some(Slots { count: u8::try_from(count?).ok()?, stride: u16::try_from(stride).ok()? })
}

fn read_limits(root: &TableReader<'_>, addressing: Option<Addressing>) -> (ReadLimits, Vec<Forbidden>) {
    let mut limits = ReadLimits::default();
    let mut forbidden = Vec::new();
    let Some(table) = root.table("limits") else { return (limits, forbidden) };
    let small =
        |field: Field<i64>, default: u16| field.value().and_then(|value| u16::try_from(value).ok()).unwrap_or(default);
    limits.max_registers = small(table.integer("max_registers", 1..=125), limits.max_registers);
    limits.max_bits = small(table.integer("max_bits", 1..=2000), limits.max_bits);
    limits.max_gap = small(table.integer("max_gap", 0..=124), limits.max_gap);
    if let Some(items) = table.array("forbidden", "[[100, 109]]").value() {
        for item in items {
            match read_range(item.get_ref(), addressing) {
                Ok(Some(range)) => forbidden.push(Forbidden { range, place: item.span() }),
                Ok(None) => {}
                Err(fault) => table.fault("forbidden", &item.span(), fault),
            }
        }
    }
    table.finish();
    limits.forbidden = forbidden.iter().map(|forbidden| forbidden.range).collect::<BTreeSet<_>>().into_iter().collect();
    (limits, forbidden)
}

/// One inclusive range; none when the addressing is not known, which is reported elsewhere.
fn read_range(value: &DeValue<'_>, addressing: Option<Addressing>) -> Result<Option<(u16, u16)>, Fault> {
    const HINT: &str = "write each range as first and last address, for example forbidden = [[100, 109]]";
    let DeValue::Array(ends) = value else { return Err(wrong_type(value, "a range of two addresses", HINT)) };
    let [from, to] = &**ends else { return Err(Fault::new("a range has two ends", HINT)) };
    let address = |value: &DeValue<'_>| integer_of("each end", value, &(0..=999_999));
    let (from, to) = (address(from.get_ref())?, address(to.get_ref())?);
    addressing.map(|addressing| addressing.range_to_protocol(from, to)).transpose()
}
