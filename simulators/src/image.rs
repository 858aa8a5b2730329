//! The register image a server answers from: four tables of addressed values.
//!
//! Must never change while it is served; a new moment is a new image.

/// One table: a dense run of cells from a base address, each present or not.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Bank {
    base: usize,
    cells: Vec<Option<u16>>,
}

impl Bank {
    /// A table from any addresses and values (bits are 0 or 1); a later value of the same address wins.
    pub fn from_cells(cells: impl IntoIterator<Item = (u16, u16)>) -> Bank {
        let mut bank = Bank::default();
        for (address, value) in cells {
            bank.set(address, value);
        }
        bank
    }

    /// Sets one cell, making it present.
    pub fn set(&mut self, address: u16, value: u16) {
        let address = usize::from(address);
        if self.cells.is_empty() {
            self.base = address;
        }
        if address < self.base {
            let more = self.base - address;
            self.cells.splice(0..0, std::iter::repeat_n(None, more));
            self.base = address;
        }
        let index = address - self.base;
        if self.cells.len() <= index {
            self.cells.resize(index + 1, None);
        }
        self.cells[index] = Some(value);
    }

    /// One cell, when present.
    pub fn get(&self, address: u16) -> Option<u16> {
        self.cells.get(usize::from(address).checked_sub(self.base)?).copied().flatten()
    }

    /// `count` cells from `address`, or `None` when any is absent or beyond address 65 535.
    pub fn read(&self, address: u16, count: u16) -> Option<Vec<u16>> {
        let from = usize::from(address).checked_sub(self.base)?;
        self.cells.get(from..from + usize::from(count))?.iter().copied().collect()
    }

    /// Every cell moved by so many addresses; what would leave the address range is lost.
    pub(crate) fn shifted(&self, by: i32) -> Bank {
        let cells = self.cells.iter().enumerate().filter_map(|(index, cell)| {
            let address = i64::try_from(self.base + index).ok()? + i64::from(by);
            Some((u16::try_from(address).ok()?, (*cell)?))
        });
        Bank::from_cells(cells)
    }

    /// Adds bits to a cell that several bit fields share.
    pub(crate) fn or(&mut self, address: u16, bits: u16) {
        let before = self.get(address).unwrap_or(0);
        self.set(address, before | bits);
    }

    /// Removes a cell.
    pub(crate) fn clear(&mut self, address: u16) {
        if let Some(cell) = usize::from(address).checked_sub(self.base).and_then(|index| self.cells.get_mut(index)) {
            *cell = None;
        }
    }
}

/// All four tables of a Modbus device.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RegisterImage {
    /// FC 01.
    pub coils: Bank,
    /// FC 02.
    pub discrete_inputs: Bank,
    /// FC 03.
    pub holding_registers: Bank,
    /// FC 04.
    pub input_registers: Bank,
    /// Most registers the device gives in one read; the standard's 125 when absent.
    pub max_registers: Option<u16>,
}

impl RegisterImage {
    /// All tables moved by so many addresses.
    pub(crate) fn shifted(&self, by: i32) -> RegisterImage {
        RegisterImage {
            coils: self.coils.shifted(by),
            discrete_inputs: self.discrete_inputs.shifted(by),
            holding_registers: self.holding_registers.shifted(by),
            input_registers: self.input_registers.shifted(by),
            max_registers: self.max_registers,
        }
    }

    /// The table of a read function, 1 to 4.
    pub(crate) fn bank(&self, function: u8) -> Option<&Bank> {
        match function {
            1 => Some(&self.coils),
            2 => Some(&self.discrete_inputs),
            3 => Some(&self.holding_registers),
            4 => Some(&self.input_registers),
            _ => None,
        }
    }

    /// The table of a read function, 1 to 4.
    pub(crate) fn bank_mut(&mut self, function: u8) -> Option<&mut Bank> {
        match function {
            1 => Some(&mut self.coils),
            2 => Some(&mut self.discrete_inputs),
            3 => Some(&mut self.holding_registers),
            4 => Some(&mut self.input_registers),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn absent_cells_make_a_read_fail_whole() {
        let mut bank = Bank::from_cells([(100, 1), (101, 2), (103, 4)]);
        assert_eq!(bank.read(100, 2), Some(vec![1, 2]));
        assert_eq!(bank.read(100, 3), None);
        assert_eq!(bank.read(99, 1), None);
        assert_eq!(bank.read(103, 2), None);
        bank.set(98, 9);
        assert_eq!(bank.get(98), Some(9));
        assert_eq!(bank.get(103), Some(4));
        bank.clear(98);
        assert_eq!(bank.get(98), None);
        assert_eq!(Bank::from_cells([(65_535, 1)]).read(65_535, 2), None);
    }

    #[test]
    fn shifted_cells_keep_their_values_and_their_gaps() {
        let bank = Bank::from_cells([(0, 1), (1, 2), (3, 4), (65_535, 9)]);
        let up = bank.shifted(1);
        assert_eq!((up.get(0), up.get(1), up.get(3), up.get(4)), (None, Some(1), None, Some(4)));
        let down = bank.shifted(-1);
        assert_eq!((down.get(0), down.get(2), down.get(65_534), down.get(65_535)), (Some(2), Some(4), Some(9), None));
    }
}
