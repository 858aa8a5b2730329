//! Tests of SunSpec discovery and maps, against a device image built here register by register.

use std::collections::HashMap;

use super::*;
use crate::modbus::decode::{Block, check, decode};
use crate::modbus::plan::plan;
use crate::reading::{Instant2, Measured, MonitorReading};

/// Registers of a device; a read that is not wholly inside them is refused.
#[derive(Default)]
struct Image(HashMap<u16, u16>);

impl Image {
    fn put(&mut self, address: u16, words: &[u16]) {
        for (n, &word) in words.iter().enumerate() {
            self.0.insert(address + u16::try_from(n).unwrap(), word);
        }
    }

    fn put_f32(&mut self, address: u16, value: f32) {
        let bytes = value.to_be_bytes();
        self.put(address, &[u16::from_be_bytes([bytes[0], bytes[1]]), u16::from_be_bytes([bytes[2], bytes[3]])]);
    }

    fn read(&self, request: ReadRequest) -> Option<Vec<u16>> {
        (request.first..request.first + request.count).map(|address| self.0.get(&address).copied()).collect()
    }

    /// A common model of `common` registers, a model to pass over, then meter model `id`; all its registers hold the
    /// integer sentinel. Returns the image and the address of the meter model.
    fn device(base: u16, common: u16, id: u16) -> (Image, u16) {
        let mut image = Image::default();
        image.put(base, &[0x5375, 0x6E53, 1, common]);
        image.put(base + 4, &vec![0x2020; usize::from(common)]);
        let other = base + 4 + common;
        image.put(other, &[12, 98]);
        image.put(other + 2, &[0; 98]);
        let meter = other + 100;
        let length = if id < 210 { 105 } else { 124 };
        image.put(meter, &[id, length]);
        image.put(meter + 2, &vec![0x8000; usize::from(length)]);
        image.put(meter + 2 + length, &[0xFFFF, 0]);
        (image, meter)
    }
}

fn discover(image: &Image) -> Result<Model, Cause> {
    let mut discovery = Discovery::new();
    let mut request = discovery.next();
    loop {
        let step = match image.read(request) {
            Some(words) => discovery.answer(&words)?,
            None => discovery.refused()?,
        };
        match step {
            Step::Read(next) => request = next,
            Step::Found(model) => return Ok(model),
        }
    }
}

fn read_all(image: &Image, map: &MeterMap) -> MonitorReading {
    check(map).unwrap();
    let plan = plan(&map.points, &map.limits).unwrap();
    let blocks: Vec<Block> = plan
        .requests()
        .iter()
        .map(|&request| Block::Registers(image.read(request).expect("inside the model")))
        .collect();
    decode(map, &plan, &blocks, Instant2::default(), Vec::new())
}

#[test]
fn every_model_is_found_at_every_base_with_either_common_length() {
    for base in [40000, 50000, 0] {
        for common in [66, 65] {
            for id in [201, 202, 203, 204, 211, 212, 213, 214] {
                let (image, meter) = Image::device(base, common, id);
                let found = discover(&image).unwrap();
                assert_eq!((found.id, found.address), (id, meter), "base {base}, common {common}");
                let map = meter_map(found, Conventions::default(), Blanking::default());
                let reads = plan(&map.points, &map.limits).unwrap();
                assert_eq!(reads.requests().len(), 1, "what is mapped of model {id} fits one read");
                read_all(&image, &map);
            }
        }
    }
}

#[test]
fn the_published_example_addresses() {
    // Base 40000, common model of 66: next id at 40070; model 203 has W at 40088 and TotWhImp at 40116, model 213 has
    // W at 40098 and TotWhImp at 40138.
    let address = |id, quantity| {
        let model = Model { id, address: 40070, length: 124 };
        let map = meter_map(model, Conventions::default(), Blanking::default());
        map.points.iter().find(|p| p.target.quantity == quantity && p.target.channel == Channel::Total).unwrap().address
    };
    assert_eq!(address(203, Quantity::ActivePower), 40088);
    assert_eq!(address(203, Quantity::EnergyImport), 40116);
    assert_eq!(address(213, Quantity::ActivePower), 40098);
    assert_eq!(address(213, Quantity::EnergyImport), 40138);
}

#[test]
fn integers_with_scale_factors_read_in_engineering_units() {
    let (mut image, meter) = Image::device(40000, 66, 203);
    let signed = i16::cast_unsigned;
    image.put(meter + 3, &[771, 768, 775, signed(-1)]); // A, A_SF
    image.put(meter + 8, &[2771, 2765, 2780]); // L-N
    image.put(meter + 12, &[4801, 4795, 4810, signed(-1)]); // L-L, V_SF
    image.put(meter + 16, &[6001, signed(-2)]);
    image.put(meter + 18, &[signed(-5532), 1000, 0x8000, 2000, 1]); // W, A, B, C, SF
    image.put(meter + 23, &[6400, 0x8000, 0x8000, 0x8000, 1]);
    image.put(meter + 28, &[3200, 0x8000, 0x8000, 0x8000, 1]);
    image.put(meter + 33, &[signed(-864), 0x8000, 0x8000, 0x8000, signed(-1)]); // percent
    image.put(meter + 38, &[0, 0]);
    image.put(meter + 46, &[0x0001, 0x0000]);
    image.put(meter + 54, &[3]);
    let model = discover(&image).unwrap();
    let reading = read_all(&image, &meter_map(model, Conventions::default(), Blanking::default()));
    let circuit = &reading.circuits[0];
    let near = |measured: Measured, expected: f64| {
        let value = measured.good().unwrap_or_else(|| panic!("{measured:?} is not good"));
        assert!((value - expected).abs() < 1e-9 * expected.abs().max(1.0), "{value} is not {expected}");
    };
    near(circuit.current_a[0], 77.1);
    near(circuit.current_a[2], 77.5);
    near(reading.voltage_ln_v[1], 276.5);
    near(reading.voltage_ll_v[2], 481.0);
    near(reading.frequency_hz, 60.01);
    near(circuit.total_active_power_w, -55_320.0);
    near(circuit.active_power_w[0], 10_000.0);
    assert_eq!(circuit.active_power_w[1], Measured::NotAvailable);
    near(circuit.total_apparent_power_va, 64_000.0);
    near(circuit.total_reactive_power_var, 32_000.0);
    near(circuit.total_power_factor, -0.864);
    near(circuit.energy_export_wh, 0.0);
    near(circuit.energy_import_wh, 65_536_000.0);
    assert_eq!(reading.failures, Vec::<String>::new());
}

#[test]
fn a_scale_factor_that_is_not_implemented_makes_its_values_not_available() {
    let (mut image, meter) = Image::device(40000, 66, 203);
    image.put(meter + 18, &[500]);
    let reading = read_all(&image, &meter_map(discover(&image).unwrap(), Conventions::default(), Blanking::default()));
    assert_eq!(reading.circuits[0].total_active_power_w, Measured::NotAvailable);
}

#[test]
fn floats_and_their_not_a_number() {
    let (mut image, meter) = Image::device(0, 65, 213);
    for offset in (2..124).step_by(2) {
        image.put_f32(meter + offset, f32::from_bits(0x7FC0_0000));
    }
    image.put_f32(meter + 4, 77.0);
    image.put_f32(meter + 16, 277.5);
    image.put_f32(meter + 24, 480.5);
    image.put_f32(meter + 28, 55_000.0);
    image.put_f32(meter + 52, 0.875);
    image.put_f32(meter + 60, 12.0);
    image.put_f32(meter + 68, 99.0);
    let reading = read_all(&image, &meter_map(discover(&image).unwrap(), Conventions::default(), Blanking::default()));
    let circuit = &reading.circuits[0];
    assert_eq!(circuit.current_a, [Measured::Good(77.0), Measured::NotAvailable, Measured::NotAvailable]);
    assert_eq!(reading.voltage_ln_v[2], Measured::Good(277.5));
    assert_eq!(reading.voltage_ll_v[2], Measured::Good(480.5));
    assert_eq!(circuit.total_active_power_w, Measured::Good(55_000.0));
    assert_eq!(circuit.total_power_factor, Measured::Good(0.875));
    assert_eq!(circuit.energy_export_wh, Measured::Good(12.0));
    assert_eq!(circuit.energy_import_wh, Measured::Good(99.0));
    assert_eq!(reading.frequency_hz, Measured::NotAvailable);
}

#[test]
fn channels_a_model_cannot_have_are_not_mapped() {
    let mapped = |id| {
        let (image, _) = Image::device(40000, 66, id);
        let reading =
            read_all(&image, &meter_map(discover(&image).unwrap(), Conventions::default(), Blanking::default()));
        let count = |values: [Measured; 3]| values.iter().filter(|v| v.is_mapped()).count();
        (count(reading.circuits[0].current_a), count(reading.voltage_ln_v), count(reading.voltage_ll_v))
    };
    assert_eq!(mapped(201), (1, 1, 0));
    assert_eq!(mapped(202), (3, 2, 1));
    assert_eq!(mapped(203), (3, 3, 3));
    assert_eq!(mapped(214), (3, 0, 3));
}

fn why(image: &Image) -> String {
    discover(image).unwrap_err().to_string()
}

#[test]
fn what_is_not_there_is_said() {
    assert_eq!(
        why(&Image::default()),
        "no SunSpec meter model: the marker \"SunS\" is at none of the addresses 40000, 50000 and 0"
    );
    let mut inverter = Image::default();
    inverter.put(40000, &[0x5375, 0x6E53, 103, 2, 0, 0, 0xFFFF, 0]);
    assert_eq!(why(&inverter), "no SunSpec meter model: its model chain holds model 103, none of them a meter");
    let mut broken = Image::default();
    broken.put(40000, &[0x5375, 0x6E53, 1, 66]);
    assert_eq!(why(&broken), "no SunSpec meter model: its model chain breaks off at address 40070, after model 1");
    let mut short = Image::default();
    short.put(40000, &[0x5375, 0x6E53, 203, 20]);
    assert_eq!(why(&short), "no SunSpec meter model: model 203 at 40002 announces 20 registers, 105 are needed");
    let mut far = Image::default();
    far.put(50000, &[0x5375, 0x6E53, 7, 20_000]);
    assert!(why(&far).contains("reaches past address 65535"));
    let mut endless = Image::default();
    endless.put(40000, &[0x5375, 0x6E53]);
    endless.put(40002, &[0; 400]);
    assert!(why(&endless).contains("does not end"));
}

#[test]
fn a_wrong_count_is_an_error_not_a_guess() {
    assert_eq!(Discovery::new().answer(&[0x5375]), Err(Cause::WrongShape { asked: 2, got: 1 }));
}
