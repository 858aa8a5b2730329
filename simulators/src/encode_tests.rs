//! Encoder tests: written registers are read back by the rule of the map format and compared with what was metered.

use proptest::prelude::*;

use crate::encode::{Encoder, Manner, fitting_exponent};
use crate::image::RegisterImage;
use crate::map_file::{Map, read};
use crate::meter::{CircuitSample, MeterSample};
use crate::monitor_file::{ActiveSign, BlankingFile, ConventionsFile, FactorSign, ReactiveSign};
use crate::number::{Order, Packing, words};
use crate::register_faults::Twist;

fn sample(total_w: f64, total_var: f64, current_a: f64) -> MeterSample {
    let apparent = total_w.hypot(total_var);
    MeterSample {
        t_s: 0.0,
        voltage_ln_v: [277.1, 276.2, 277.9],
        voltage_ll_v: [480.0, 479.0, 481.0],
        voltage_angle_deg: [0.0, -120.0, 120.0],
        frequency_hz: 59.97,
        circuits: vec![CircuitSample {
            current_a: [current_a; 3],
            current_angle_deg: [-30.0, -150.0, 90.0],
            active_power_w: [total_w / 3.0; 3],
            reactive_power_var: [total_var / 3.0; 3],
            apparent_power_va: [apparent / 3.0; 3],
            power_factor: [total_w / apparent; 3],
            total_active_power_w: total_w,
            total_reactive_power_var: total_var,
            total_apparent_power_va: apparent,
            total_power_factor: total_w / apparent,
            energy_import_wh: 1_234_567.0,
            energy_export_wh: 0.0,
            running: 0.0 < current_a,
            flow_m3_per_s: f64::NAN,
            head_m: f64::NAN,
        }],
    }
}

fn map(head: &str, points: &str) -> Map {
    read("test", &format!("version = 1\nname = \"t\"\naddressing = \"protocol\"\nfunction = 3\n{head}\n{points}"))
        .unwrap()
}

fn encode(map: Map, sample: &MeterSample) -> RegisterImage {
    let manner = Manner::new((map.conventions, map.blanking), Default::default());
    Encoder::new(map, manner, 400.0, 300_000.0).image(sample, &Twist::default())
}

fn point(quantity: &str, rest: &str) -> String {
    format!("[[points]]\nquantity = \"{quantity}\"\naddress = 10\n{rest}\n")
}

fn word(image: &RegisterImage, address: u16) -> u16 {
    image.holding_registers.get(address).unwrap()
}

fn one(quantity: &str, rest: &str, sample: &MeterSample) -> u16 {
    word(&encode(map("", &point(quantity, rest)), sample), 10)
}

#[test]
fn scale_offset_and_unit_invert_the_map_rule() {
    let metered = sample(48_300.0, 27_000.0, 70.0);
    assert_eq!(one("active-power", "type = \"u16\"\nunit = \"kW\"\nscale = 0.01", &metered), 4830);
    assert_eq!(one("frequency", "type = \"u16\"\nunit = \"Hz\"\nscale = 0.01\noffset = 50.0", &metered), 997);
    assert_eq!(one("current", "channel = \"1\"\ntype = \"u16\"\nunit = \"mA\"\nscale = 10", &metered), 7000);
    assert_eq!(one("current-angle", "channel = \"2\"\ntype = \"i16\"\nunit = \"deg\"\nscale = 0.1", &metered), 0xFA24);
    assert_eq!(one("power-factor", "type = \"u16\"\nunit = \"%\"", &metered), 87);
    assert_eq!(one("run-status", "type = \"bits\"\nbits = [4, 2]", &metered), 0x10);
}

#[test]
fn a_scale_register_holds_the_power_of_ten_that_was_used() {
    let text = point("active-power", "type = \"i16\"\nunit = \"W\"\nscale_register = 20");
    let image = encode(map("", &text), &sample(-48_300.0, 27_000.0, 70.0));
    assert_eq!(word(&image, 20).cast_signed(), 1, "300 kVA needs tens of watts in 16 bits");
    assert_eq!(word(&image, 10).cast_signed(), -4830);
    assert_eq!(fitting_exponent(300_000.0, 32_767.0), 1);
    assert_eq!(fitting_exponent(0.5, 32_767.0), -3);
}

#[test]
fn scale_registers_move_with_the_slot_only_when_the_map_says_so() {
    let head = "slots = 2\nslot_stride = 50";
    for (repeats, expected) in [(false, None), (true, Some(1))] {
        let rest = format!("type = \"i16\"\nunit = \"W\"\nscale_register = 20\nscale_register_repeats = {repeats}");
        let image = encode(map(head, &point("active-power", &rest)), &sample(1000.0, 0.0, 2.0));
        assert_eq!(image.holding_registers.get(70), expected);
        assert_eq!(word(&image, 60), 0, "a slot without CTs shows nothing");
    }
}

#[test]
fn what_is_not_available_is_the_sentinel_nan_or_zero() {
    let mut metered = sample(48_300.0, 27_000.0, 70.0);
    metered.frequency_hz = f64::NAN;
    let sentinel = "type = \"u16\"\nunit = \"Hz\"\nscale = 0.01\nnot_available = [\"0xFFFF\", 0]";
    assert_eq!(one("frequency", sentinel, &metered), 0xFFFF);
    assert_eq!(one("frequency", "type = \"u16\"\nunit = \"Hz\"", &metered), 0);
    let image = encode(map("", &point("frequency", "type = \"f32\"\nunit = \"Hz\"")), &metered);
    assert_eq!(image.holding_registers.read(10, 2), Some(vec![0x7FC0, 0]));
}

#[test]
fn a_true_value_never_looks_like_the_sentinel() {
    let rest = "type = \"i16\"\nunit = \"W\"\nnot_available = [\"0x8000\", 32767]";
    assert_eq!(one("active-power", rest, &sample(-40_000.0, 0.0, 70.0)), 0x8001);
    assert_eq!(one("active-power", rest, &sample(40_000.0, 0.0, 70.0)), 0x7FFE);
}

#[test]
fn signs_follow_the_devices_convention() {
    let shown = |active, reactive, factor, total_w: f64, total_var: f64| {
        let own = ConventionsFile { active_power: active, reactive_power: reactive, power_factor: factor };
        let manner = Manner::new(Default::default(), (own, BlankingFile::default()));
        let metered = sample(total_w, total_var, 70.0);
        let circuit = &metered.circuits[0];
        (manner.active(circuit, None), manner.reactive(circuit, None), manner.factor(circuit, None))
    };
    let negative = Some(ActiveSign::LoadNegative);
    assert_eq!(shown(negative, None, None, 400.0, 300.0), (-400.0, 300.0, -0.8), "PF follows the shown sign of P");
    assert_eq!(shown(None, Some(ReactiveSign::InductiveNegative), None, 400.0, 300.0).1, -300.0);
    assert_eq!(shown(None, Some(ReactiveSign::Unsigned), None, 400.0, -300.0).1, 300.0);
    assert_eq!(shown(None, None, Some(FactorSign::Unsigned), -400.0, 300.0).2, 0.8);
    // Quadrants 1 and 3 lag, 2 and 4 lead; a reversed CT (Q1 to Q3) leaves the lag sign as it was.
    for (total_w, total_var, lagging) in
        [(400.0, 300.0, true), (-400.0, -300.0, true), (-400.0, 300.0, false), (400.0, -300.0, false)]
    {
        let sign = if lagging { -0.8 } else { 0.8 };
        assert_eq!(shown(None, None, Some(FactorSign::LagNegative), total_w, total_var).2, sign);
        assert_eq!(shown(None, None, Some(FactorSign::LeadNegative), total_w, total_var).2, -sign);
    }
}

#[test]
fn power_and_power_factor_go_blank_by_the_rule() {
    let head = "[blanking]\nwhen_not_positive = true\nwhen_stopped = true";
    let rest = "type = \"i16\"\nunit = \"W\"\nnot_available = [\"0x8000\"]";
    let shown = |metered: &MeterSample| word(&encode(map(head, &point("active-power", rest)), metered), 10);
    assert_eq!(shown(&sample(1000.0, 300.0, 70.0)), 1000);
    assert_eq!(shown(&sample(-1000.0, 300.0, 70.0)), 0x8000);
    assert_eq!(shown(&sample(0.0, 300.0, 70.0)), 0x8000);
    assert_eq!(shown(&sample(1.0, 0.0, 0.0)), 0x8000, "stopped");
}

#[test]
fn small_gaps_answer_zero_and_forbidden_ranges_do_not() {
    let points = "[[points]]\nquantity = \"current\"\nchannel = \"1\"\naddress = 10\ntype = \"u16\"\nunit = \"A\"\n\
        [[points]]\nquantity = \"current\"\nchannel = \"2\"\naddress = 14\ntype = \"u16\"\nunit = \"A\"\n\
        [[points]]\nquantity = \"current\"\nchannel = \"3\"\naddress = 40\ntype = \"u16\"\nunit = \"A\"\n";
    let image = encode(map("[limits]\nmax_gap = 4\nforbidden = [[12, 12]]", points), &sample(1.0, 1.0, 70.0));
    let cells: Vec<Option<u16>> = (9..16).map(|address| image.holding_registers.get(address)).collect();
    assert_eq!(cells, [None, Some(70), Some(0), None, Some(0), Some(70), None]);
    assert_eq!(image.holding_registers.get(39), None, "beyond the largest gap");
}

/// Reads registers back by the rule of the map format, written out plainly for each order.
fn unpack(registers: &[u16], order: &str) -> u64 {
    let mut bytes: Vec<u8> = registers.iter().flat_map(|register| register.to_be_bytes()).collect();
    if 2 < bytes.len() {
        if matches!(order, "BADC" | "DCBA") {
            bytes = bytes.chunks(2).flat_map(|pair| [pair[1], pair[0]]).collect();
        }
        if matches!(order, "CDAB" | "DCBA") {
            bytes = bytes.chunks(2).rev().flatten().copied().collect();
        }
    }
    bytes.iter().fold(0, |raw, byte| (raw << 8) | u64::from(*byte))
}

fn number(text: &str, raw: u64) -> f64 {
    match text {
        "i16" => f64::from((raw as u16).cast_signed()),
        "i32" => f64::from((raw as u32).cast_signed()),
        "i64" => raw.cast_signed() as f64,
        "f32" => f64::from(f32::from_bits(raw as u32)),
        "f64" => f64::from_bits(raw),
        "bcd16" | "bcd32" => format!("{raw:x}").parse().unwrap(),
        "base10000x2" => (raw >> 16 & 0xFFFF) as f64 * 1e4 + (raw & 0xFFFF) as f64,
        _ => raw as f64,
    }
}

proptest! {
    #[test]
    fn every_type_in_every_order_comes_back(value in -30_000i32..30_000, order in 0usize..4, kind in 0usize..11) {
        let order = ["ABCD", "CDAB", "BADC", "DCBA"][order];
        let text = ["u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32", "base10000x2"][kind];
        let packing = Packing::from_text(text, None).unwrap();
        let signed = matches!(text, "i16" | "i32" | "i64" | "f32" | "f64");
        let value = f64::from(if signed { value } else { value.abs() % 10_000 });
        let written = words(packing.raw(value), packing.registers(), Order::from_text(order).unwrap());
        prop_assert_eq!(number(text, unpack(&written, order)), value);
    }
}
