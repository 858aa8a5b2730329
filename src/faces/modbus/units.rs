//! What each unit id is, and the answer to a request: at once from a snapshot, or later from a monitor.
//!
//! Pure but for reading the newest snapshot and the clock it was given.

use std::collections::HashMap;
use std::sync::Arc;

use super::audit_table::{BLOCK_LENGTH, BLOCK_STRIDE, block};
use super::circuit_view::CircuitView;
use super::identity::Identity;
use super::request::{self, Asked};
use super::server_table::{SERVER_LENGTH, ServerView, server_registers};
use super::sunspec_meter;
use super::tls::Rights;
use crate::clock::Clock;
use crate::config::model::{Config, ModbusServerConfig, ServedCircuit, Service};
use crate::modbus::decode::Block;
use crate::modbus::error::ExceptionCode;
use crate::modbus::guest::Guest;
use crate::modbus::links::Links;
use crate::modbus::plan::ReadRequest;
use crate::station::snapshot::SnapshotReader;

/// Bits of a block: alarms, then failed checks.
pub const BLOCK_BITS: u16 = 48;
/// Unit ids by which masters mean "the device I am connected to" (V1.0b, clause 4.4.1.2).
const THE_DEVICE_ITSELF: [u8; 2] = [0, 255];

/// Everything behind the server.
#[derive(Debug)]
pub struct Units {
    readers: Vec<SnapshotReader>,
    clock: Clock,
    audit_unit: u8,
    highest_block: u16,
    /// By number of block.
    blocks: HashMap<u16, ServedCircuit>,
    by_id: HashMap<u8, Unit>,
}

#[derive(Debug)]
struct Unit {
    kind: Kind,
    identity: Identity,
}

#[derive(Debug)]
enum Kind {
    Audit,
    Meter { circuit: ServedCircuit, service: Service },
    PassThrough(Arc<Guest>),
}

/// An answer.
#[derive(Debug)]
pub enum Answer {
    /// The PDU.
    Now(Vec<u8>),
    /// The monitor has to be asked; see [`Answer::from_monitor`].
    Later(Arc<Guest>, ReadRequest),
}

impl Units {
    /// The units of a configuration. `readers` holds one reader a station, in file order.
    pub fn new(
        config: &Config,
        server: &ModbusServerConfig,
        readers: Vec<SnapshotReader>,
        links: &mut Links,
        clock: Clock,
    ) -> Units {
        let mut by_id = HashMap::new();
        let identity = |model: &str, application: String| Identity { model: model.to_owned(), application };
        let audit = identity("audit blocks", format!("{} circuits", server.circuits.len()));
        by_id.insert(server.audit_unit, Unit { kind: Kind::Audit, identity: audit });
        for circuit in &server.circuits {
            let (Some(unit), Some(station)) = (circuit.sunspec_unit, config.stations.get(circuit.station)) else {
                continue;
            };
            let name = station.circuits.get(circuit.circuit).map_or("", |c| c.name.as_str());
            let identity = identity("corrected meter, SunSpec", format!("{} / {name}", station.name));
            let kind = Kind::Meter { circuit: *circuit, service: station.service };
            by_id.insert(unit, Unit { kind, identity });
        }
        for passed in &server.pass_through {
            let Some(station) = config.stations.get(passed.station) else { continue };
            let Some(monitor) = station.monitors.get(passed.monitor) else { continue };
            let identity = identity("monitor read through", format!("{} / {}", station.name, monitor.name));
            let kind = Kind::PassThrough(links.guest(monitor, passed.max_age));
            by_id.insert(passed.unit, Unit { kind, identity });
        }
        Units {
            readers,
            clock,
            audit_unit: server.audit_unit,
            highest_block: server.circuits.iter().map(|circuit| circuit.block).max().unwrap_or(0),
            blocks: server.circuits.iter().map(|circuit| (circuit.block, *circuit)).collect(),
            by_id,
        }
    }

    /// Answers a request to a unit of a client with these rights. `pdu` is not empty.
    pub fn answer(&self, rights: &Rights, unit: u8, pdu: &[u8]) -> Answer {
        let function = pdu.first().copied().unwrap_or_default();
        let refused = |code| Answer::Now(request::exception(function, code));
        let asked = match request::parse(pdu) {
            Ok(asked) => asked,
            Err(code) => return refused(code),
        };
        let unit_id =
            if self.by_id.contains_key(&unit) || !THE_DEVICE_ITSELF.contains(&unit) { unit } else { self.audit_unit };
        // As the security specification has it, and before it shows whether there is such a unit.
        if !rights.allow(unit_id) {
            return refused(ExceptionCode::ILLEGAL_FUNCTION);
        }
        let Some(unit) = self.by_id.get(&unit_id) else { return refused(ExceptionCode::GATEWAY_PATH_UNAVAILABLE) };
        let answer = match (asked, &unit.kind) {
            (Asked::Identify { code, object }, _) => unit.identity.answer(code, object),
            (Asked::Read(read), Kind::PassThrough(guest)) => return Answer::Later(Arc::clone(guest), read),
            (Asked::Read(read), Kind::Audit) if read.function.is_bit() => self.block_bits(read),
            (Asked::Read(read), Kind::Audit) => self.audit_registers(read),
            (Asked::Read(read), Kind::Meter { circuit, service }) => self.meter(unit_id, circuit, *service, read),
        };
        answer.map_or_else(refused, Answer::Now)
    }

    fn audit_registers(&self, read: ReadRequest) -> Result<Vec<u8>, ExceptionCode> {
        let number = read.first / BLOCK_STRIDE;
        if number == 0 {
            let view = ServerView { now: self.clock.now(), highest_block: self.highest_block };
            within(read, 0, SERVER_LENGTH)?;
            return cut(read, 0, &server_registers(&view));
        }
        let start = number * BLOCK_STRIDE;
        within(read, start, BLOCK_LENGTH)?;
        let words = self.look(self.blocks.get(&number), block)?;
        cut(read, start, &words)
    }

    fn block_bits(&self, read: ReadRequest) -> Result<Vec<u8>, ExceptionCode> {
        let number = read.first / BLOCK_STRIDE;
        let start = number * BLOCK_STRIDE;
        let circuit = self.blocks.get(&number);
        if circuit.is_none() {
            return Err(ExceptionCode::ILLEGAL_DATA_ADDRESS);
        }
        let range = within(read, start, BLOCK_BITS)?;
        let all = self.look(circuit, |view| u64::from(view.alarms()) | u64::from(view.checks_failed()) << 16)?;
        let bits: Vec<bool> = range.map(|bit| all >> bit & 1 == 1).collect();
        Ok(request::bits(read.function.code(), &bits))
    }

    fn meter(
        &self,
        unit: u8,
        circuit: &ServedCircuit,
        service: Service,
        read: ReadRequest,
    ) -> Result<Vec<u8>, ExceptionCode> {
        if read.function.is_bit() {
            return Err(ExceptionCode::ILLEGAL_DATA_ADDRESS);
        }
        within(read, sunspec_meter::BASE, sunspec_meter::LENGTH)?;
        let words = self.look(Some(circuit), |view| sunspec_meter::registers(view, service, unit))?;
        cut(read, sunspec_meter::BASE, &words)
    }

    /// Looks at a circuit as it is now. A block without a circuit does not exist.
    fn look<T>(
        &self,
        circuit: Option<&ServedCircuit>,
        see: impl FnOnce(&CircuitView<'_>) -> T,
    ) -> Result<T, ExceptionCode> {
        let circuit = circuit.ok_or(ExceptionCode::ILLEGAL_DATA_ADDRESS)?;
        let reader = self.readers.get(circuit.station).ok_or(ExceptionCode::SERVER_DEVICE_FAILURE)?;
        let snapshot = reader.get();
        let view = CircuitView::new(&snapshot, circuit.circuit, self.clock.now().mono);
        view.as_ref().map(see).ok_or(ExceptionCode::SERVER_DEVICE_FAILURE)
    }
}

impl Answer {
    /// The PDU that hands on what a monitor said.
    pub fn from_monitor(read: ReadRequest, said: Result<Block, ExceptionCode>) -> Vec<u8> {
        let function = read.function.code();
        match said {
            Ok(Block::Registers(words)) => request::registers(function, &words),
            Ok(Block::Bits(bits)) => request::bits(function, &bits),
            Ok(Block::Missing) => request::exception(function, ExceptionCode::GATEWAY_TARGET_FAILED),
            Err(code) => request::exception(function, code),
        }
    }
}

/// Where a read lies in `length` places from `start`; exception 02 when it reaches beyond.
fn within(read: ReadRequest, start: u16, length: u16) -> Result<std::ops::Range<usize>, ExceptionCode> {
    let from = read.first.checked_sub(start).map(usize::from).ok_or(ExceptionCode::ILLEGAL_DATA_ADDRESS)?;
    let to = from + usize::from(read.count);
    if to <= usize::from(length) { Ok(from..to) } else { Err(ExceptionCode::ILLEGAL_DATA_ADDRESS) }
}

fn cut(read: ReadRequest, start: u16, words: &[u16]) -> Result<Vec<u8>, ExceptionCode> {
    let range = within(read, start, words.len() as u16)?;
    Ok(request::registers(read.function.code(), &words[range]))
}

#[cfg(test)]
#[path = "units_tests.rs"]
mod tests;
