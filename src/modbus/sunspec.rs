//! SunSpec meter models: finding one on a device, and the register map it stands for.
//!
//! Pure: discovery asks for reads and is told their answers. Offsets are those of the SunSpec Alliance's public model
//! repository for meter models 201-204 (integers with scale factors) and 211-214 (floats). Must never assume that a
//! model starts at a fixed address: the chain is followed by the lengths the device announces.

use super::error::Cause;
use super::map::{
    Blanking, ByteOrder, Channel, Conventions, Encoding, MeterMap, Point, Quantity, ReadFunction, ReadLimits,
    ScaleRegister, Target,
};
use super::plan::ReadRequest;

/// "SunS".
const MARKER: [u16; 2] = [0x5375, 0x6E53];
/// Where the marker may be, in the order it is looked for (zero-based addresses).
const BASES: [u16; 3] = [40000, 50000, 0];
/// Model id that ends the chain.
const END_OF_CHAIN: u16 = 0xFFFF;
/// Models passed before a chain is called endless; real devices have a few dozen at most.
const MOST_MODELS: usize = 100;

/// What discovery wants next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Make this read and give its answer to [`Discovery::answer`], or tell [`Discovery::refused`].
    Read(ReadRequest),
    /// A meter model was found.
    Found(Model),
}

/// A meter model on a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Model {
    /// 201-204 or 211-214.
    pub id: u16,
    /// Zero-based address of its id register.
    pub address: u16,
    /// Registers after the header, as announced.
    pub length: u16,
}

/// A walk along the model chain of one device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Discovery {
    base: usize,
    /// Id register of the model to look at; `None` while the marker is sought.
    model: Option<u16>,
    passed: Vec<u16>,
}

impl Default for Discovery {
    fn default() -> Self {
        Discovery::new()
    }
}

impl Discovery {
    /// Starts at the first base address.
    pub fn new() -> Discovery {
        Discovery { base: 0, model: None, passed: Vec::new() }
    }

    /// The first or next read.
    pub fn next(&self) -> ReadRequest {
        let first = self.model.unwrap_or(BASES[self.base.min(BASES.len() - 1)]);
        ReadRequest { function: ReadFunction::HoldingRegisters, first, count: 2 }
    }

    /// Takes the answer to the last read.
    pub fn answer(&mut self, registers: &[u16]) -> Result<Step, Cause> {
        let &[first, second] = registers else {
            return Err(Cause::WrongShape { asked: 2, got: registers.len() as u16 });
        };
        let Some(address) = self.model else {
            if [first, second] != MARKER {
                return self.next_base();
            }
            self.model = Some(BASES[self.base] + 2);
            return Ok(Step::Read(self.next()));
        };
        let (id, length) = (first, second);
        if id == END_OF_CHAIN {
            return Err(Cause::NoSunSpec(format!(
                "its model chain holds {}, none of them a meter",
                self.passed_text()
            )));
        }
        if let Some(needed) = model_length(id) {
            if length < needed {
                return Err(Cause::NoSunSpec(format!(
                    "model {id} at {address} announces {length} registers, {needed} are needed"
                )));
            }
            if u32::from(address) + 1 + u32::from(needed) > u32::from(u16::MAX) {
                return Err(Cause::NoSunSpec(format!("model {id} at {address} reaches past address 65535")));
            }
            return Ok(Step::Found(Model { id, address, length }));
        }
        self.passed.push(id);
        let next = address.checked_add(2).and_then(|body| body.checked_add(length)).filter(|&next| next < u16::MAX);
        match next {
            Some(next) if self.passed.len() < MOST_MODELS => {
                self.model = Some(next);
                Ok(Step::Read(self.next()))
            }
            Some(_) => Err(Cause::NoSunSpec(format!("its model chain does not end after {MOST_MODELS} models"))),
            None => Err(Cause::NoSunSpec(format!("model {id} at {address} reaches past address 65535"))),
        }
    }

    /// The device refused the last read with an exception.
    pub fn refused(&mut self) -> Result<Step, Cause> {
        match self.model {
            None => self.next_base(),
            Some(address) => Err(Cause::NoSunSpec(format!(
                "its model chain breaks off at address {address}, after {}",
                self.passed_text()
            ))),
        }
    }

    fn next_base(&mut self) -> Result<Step, Cause> {
        self.base += 1;
        if self.base < BASES.len() {
            Ok(Step::Read(self.next()))
        } else {
            Err(Cause::NoSunSpec("the marker \"SunS\" is at none of the addresses 40000, 50000 and 0".into()))
        }
    }

    fn passed_text(&self) -> String {
        if self.passed.is_empty() {
            return "no model".into();
        }
        let ids: Vec<String> = self.passed.iter().map(u16::to_string).collect();
        format!("model {}", ids.join(", "))
    }
}

/// Registers a meter model has after its header; `None` for all other models.
fn model_length(id: u16) -> Option<u16> {
    match id {
        201..=204 => Some(105),
        211..=214 => Some(124),
        _ => None,
    }
}

/// Offsets of one family, counted from the id register. Per-phase offsets are for A, B, C in turn.
struct Layout {
    encoding: Encoding,
    energy: Encoding,
    not_available: &'static [u64],
    current: [u16; 3],
    voltage_ln: [u16; 3],
    voltage_ll: [u16; 3],
    frequency: u16,
    active: (u16, [u16; 3]),
    apparent: (u16, [u16; 3]),
    reactive: (u16, [u16; 3]),
    factor: (u16, [u16; 3]),
    factor_scale: f64,
    export: u16,
    import: u16,
    scales: Option<Scales>,
}

/// Offsets of the scale-factor registers of models 201-204.
struct Scales {
    current: u16,
    voltage: u16,
    frequency: u16,
    active: u16,
    apparent: u16,
    reactive: u16,
    factor: u16,
    energy: u16,
}

/// Models 201-204. Power factor is in percent.
const INTEGERS: Layout = Layout {
    encoding: Encoding::I16,
    energy: Encoding::U32,
    not_available: &[0x8000],
    current: [3, 4, 5],
    voltage_ln: [8, 9, 10],
    voltage_ll: [12, 13, 14],
    frequency: 16,
    active: (18, [19, 20, 21]),
    apparent: (23, [24, 25, 26]),
    reactive: (28, [29, 30, 31]),
    factor: (33, [34, 35, 36]),
    factor_scale: 0.01,
    export: 38,
    import: 46,
    scales: Some(Scales {
        current: 6,
        voltage: 15,
        frequency: 17,
        active: 22,
        apparent: 27,
        reactive: 32,
        factor: 37,
        energy: 54,
    }),
};

/// Models 211-214. "Not implemented" is NaN, which decoding always takes as not available.
const FLOATS: Layout = Layout {
    encoding: Encoding::F32,
    energy: Encoding::F32,
    not_available: &[],
    current: [4, 6, 8],
    voltage_ln: [12, 14, 16],
    voltage_ll: [20, 22, 24],
    frequency: 26,
    active: (28, [30, 32, 34]),
    apparent: (36, [38, 40, 42]),
    reactive: (44, [46, 48, 50]),
    factor: (52, [54, 56, 58]),
    factor_scale: 1.0,
    export: 60,
    import: 68,
    scales: None,
};

/// The map a meter model stands for, with absolute addresses and one circuit slot.
///
/// Channels a model cannot have are left out: single phase has one, split phase two voltages, delta none to neutral.
/// Split phase keeps three currents, because the published model makes B and C mandatory where A and B are meant. The
/// energy totals are mandatory in every meter model, so zero is taken as a counter at zero although it also is how
/// these models write a counter that is not implemented.
pub fn meter_map(model: Model, conventions: Conventions, blanking: Blanking) -> MeterMap {
    let layout = if model.id < 210 { &INTEGERS } else { &FLOATS };
    let scales = layout.scales.as_ref();
    let mut builder = Builder { model, layout, points: Vec::with_capacity(32) };
    let (currents, voltages_ln, voltages_ll, powers) = match model.id % 10 {
        1 => (1, 1, 0, 1),
        2 => (3, 2, 1, 2),
        3 => (3, 3, 3, 3),
        _ => (3, 0, 3, 3),
    };
    builder.phases(Quantity::Current, layout.current, currents, 1.0, scales.map(|s| s.current));
    builder.phases(Quantity::VoltageLn, layout.voltage_ln, voltages_ln, 1.0, scales.map(|s| s.voltage));
    builder.phases(Quantity::VoltageLl, layout.voltage_ll, voltages_ll, 1.0, scales.map(|s| s.voltage));
    builder.total(Quantity::Frequency, layout.frequency, 1.0, scales.map(|s| s.frequency));
    for (quantity, (total, phases), scale, register) in [
        (Quantity::ActivePower, layout.active, 1.0, scales.map(|s| s.active)),
        (Quantity::ApparentPower, layout.apparent, 1.0, scales.map(|s| s.apparent)),
        (Quantity::ReactivePower, layout.reactive, 1.0, scales.map(|s| s.reactive)),
        (Quantity::PowerFactor, layout.factor, layout.factor_scale, scales.map(|s| s.factor)),
    ] {
        builder.total(quantity, total, scale, register);
        builder.phases(quantity, phases, powers, scale, register);
    }
    builder.energy(Quantity::EnergyExport, layout.export, scales.map(|s| s.energy));
    builder.energy(Quantity::EnergyImport, layout.import, scales.map(|s| s.energy));
    MeterMap {
        name: format!("sunspec-{}", model.id),
        title: format!("SunSpec meter model {} at address {}", model.id, model.address),
        slots: 1,
        // A model is one run of registers that all exist, so no gap in it needs a second read.
        limits: ReadLimits { max_gap: ReadLimits::default().max_registers, ..ReadLimits::default() },
        conventions,
        blanking,
        points: builder.points,
    }
}

struct Builder {
    model: Model,
    layout: &'static Layout,
    points: Vec<Point>,
}

impl Builder {
    fn phases(&mut self, quantity: Quantity, offsets: [u16; 3], count: usize, scale: f64, register: Option<u16>) {
        for (offset, channel) in offsets.into_iter().zip([Channel::One, Channel::Two, Channel::Three]).take(count) {
            self.push(quantity, channel, offset, self.layout.encoding, scale, register);
        }
    }

    fn total(&mut self, quantity: Quantity, offset: u16, scale: f64, register: Option<u16>) {
        self.push(quantity, Channel::Total, offset, self.layout.encoding, scale, register);
    }

    fn energy(&mut self, quantity: Quantity, offset: u16, register: Option<u16>) {
        self.push(quantity, Channel::Total, offset, self.layout.energy, 1.0, register);
    }

    fn push(
        &mut self,
        quantity: Quantity,
        channel: Channel,
        offset: u16,
        encoding: Encoding,
        scale: f64,
        register: Option<u16>,
    ) {
        // An accumulator has no sentinel but zero, and 0x8000 is an ordinary count of one.
        let sentinels = if encoding == self.layout.encoding { self.layout.not_available } else { &[] };
        self.points.push(Point {
            target: Target { quantity, channel, slot: 0 },
            function: ReadFunction::HoldingRegisters,
            address: self.model.address + offset,
            encoding,
            order: ByteOrder::Abcd,
            scale,
            offset: 0.0,
            scale_register: register.map(|register| ScaleRegister { address: self.model.address + register }),
            not_available: sentinels.to_vec(),
        });
    }
}

#[cfg(test)]
#[path = "sunspec_tests.rs"]
mod tests;
