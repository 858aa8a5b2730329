//! What a meter map is once it has been read and checked: points, limits, conventions, blanking rules.
//!
//! Plain data; loading from TOML is `config::map_file`, reading registers is `modbus::plan` and `modbus::decode`.
//! Must never hold a connection or decode a value.

/// Modbus read functions a map may use. There is no write function here, nor anywhere in the daemon.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ReadFunction {
    /// FC 01, read coils.
    Coils,
    /// FC 02, read discrete inputs.
    DiscreteInputs,
    /// FC 03, read holding registers.
    HoldingRegisters,
    /// FC 04, read input registers.
    InputRegisters,
}

impl ReadFunction {
    /// The function code, 1..=4.
    pub fn code(self) -> u8 {
        match self {
            ReadFunction::Coils => 1,
            ReadFunction::DiscreteInputs => 2,
            ReadFunction::HoldingRegisters => 3,
            ReadFunction::InputRegisters => 4,
        }
    }

    /// True when one address is one bit.
    pub fn is_bit(self) -> bool {
        matches!(self, ReadFunction::Coils | ReadFunction::DiscreteInputs)
    }
}

/// How a value is packed in registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Encoding {
    /// Unsigned 16 bit.
    U16,
    /// Signed 16 bit, two's complement.
    I16,
    /// Unsigned 32 bit.
    U32,
    /// Signed 32 bit.
    I32,
    /// Unsigned 64 bit.
    U64,
    /// Signed 64 bit.
    I64,
    /// IEEE 754 single.
    F32,
    /// IEEE 754 double.
    F64,
    /// A field of bits `lowest..lowest + width` in one register (bit 0 is least significant), unsigned.
    Bits {
        /// Number of the lowest bit, 0..=15.
        lowest: u8,
        /// Width, 1..=16.
        width: u8,
    },
    /// Packed decimal digits (BCD), four to a register, over one or two registers, unsigned.
    Bcd {
        /// 1 or 2.
        registers: u8,
    },
    /// Four decimal digits in each register, as a plain binary number 0..=9999, over two to four registers, unsigned.
    Base10000 {
        /// 2..=4.
        registers: u8,
    },
    /// One coil or discrete input.
    Bit,
}

impl Encoding {
    /// Registers (or bits, for [`Encoding::Bit`]) the value takes.
    pub fn width(self) -> u16 {
        match self {
            Encoding::U16 | Encoding::I16 | Encoding::Bits { .. } | Encoding::Bit => 1,
            Encoding::U32 | Encoding::I32 | Encoding::F32 => 2,
            Encoding::U64 | Encoding::I64 | Encoding::F64 => 4,
            Encoding::Bcd { registers } | Encoding::Base10000 { registers } => u16::from(registers),
        }
    }
}

/// Order of the bytes of a 32-bit value as they arrive; A is the most significant. For 64 bits the same rule is
/// applied to four registers: word order high-first or low-first, bytes swapped within each register or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum ByteOrder {
    /// High word first, high byte first (the common case).
    #[default]
    Abcd,
    /// Low word first, high byte first.
    Cdab,
    /// High word first, bytes swapped in each word.
    Badc,
    /// Low word first, bytes swapped in each word.
    Dcba,
}

/// What a point measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Voltage to neutral or reference (V), channels 1..3.
    VoltageLn,
    /// Voltage between leads (V), channels 12, 23, 31.
    VoltageLl,
    /// Voltage angle against channel 1 (degrees).
    VoltageAngle,
    /// Frequency (Hz).
    Frequency,
    /// Current (A).
    Current,
    /// Current angle against voltage channel 1 (degrees).
    CurrentAngle,
    /// Active power (W).
    ActivePower,
    /// Reactive power (var).
    ReactivePower,
    /// Apparent power (VA).
    ApparentPower,
    /// Power factor.
    PowerFactor,
    /// Energy import register (Wh), total only.
    EnergyImport,
    /// Energy export register (Wh), total only.
    EnergyExport,
    /// Pump run status, non-zero is running.
    RunStatus,
    /// Flow through the pump (m3/s).
    Flow,
    /// Total head (m).
    Head,
    /// Gauge pressure at the suction (Pa).
    SuctionPressure,
    /// Gauge pressure at the discharge (Pa).
    DischargePressure,
}

/// Which channel of a quantity a point is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Channel {
    /// Channel 1 (or leads 1-2 for line voltages).
    One,
    /// Channel 2 (or leads 2-3).
    Two,
    /// Channel 3 (or leads 3-1).
    Three,
    /// Total of the circuit, or a quantity that has no channel.
    Total,
}

/// Where a decoded value goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Target {
    /// What is measured.
    pub quantity: Quantity,
    /// On which channel.
    pub channel: Channel,
    /// Circuit slot, from 0; always 0 for monitor-wide quantities (voltages, frequency).
    pub slot: u8,
}

/// A register whose value is the power of ten to multiply by (SunSpec scale factor).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ScaleRegister {
    /// Zero-based protocol address; same function as the point.
    pub address: u16,
}

/// One value of the map.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Where the value goes.
    pub target: Target,
    /// Function to read it with.
    pub function: ReadFunction,
    /// Zero-based protocol address of its first register or bit.
    pub address: u16,
    /// How it is packed.
    pub encoding: Encoding,
    /// Byte and word order.
    pub order: ByteOrder,
    /// Multiplier to the SI unit (V, A, W, var, VA, Wh, Hz, degrees, m3/s, m, Pa, 1).
    pub scale: f64,
    /// Added after scaling, in the SI unit.
    pub offset: f64,
    /// Optional power-of-ten register.
    pub scale_register: Option<ScaleRegister>,
    /// Raw values (as unsigned of the encoding's width, after byte order) that mean "not available". NaN always does.
    pub not_available: Vec<u64>,
}

/// How the device may be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadLimits {
    /// Registers in one read, 1..=125.
    pub max_registers: u16,
    /// Bits in one read, 1..=2000.
    pub max_bits: u16,
    /// Unwanted registers a read may span to join two points.
    pub max_gap: u16,
    /// Inclusive zero-based address ranges that must never be part of a read.
    pub forbidden: Vec<(u16, u16)>,
}

impl Default for ReadLimits {
    fn default() -> Self {
        ReadLimits { max_registers: 125, max_bits: 2000, max_gap: 8, forbidden: Vec::new() }
    }
}

/// Sign a device gives active power that flows into the load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum PowerSign {
    /// Import is positive (IEEE 1459 load convention).
    #[default]
    LoadPositive,
    /// Import is negative.
    LoadNegative,
}

/// Sign a device gives reactive power of an inductive load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum ReactiveSign {
    /// Inductive (lagging) is positive.
    #[default]
    InductivePositive,
    /// Inductive (lagging) is negative.
    InductiveNegative,
    /// The device reports a magnitude only.
    Unsigned,
}

/// What the sign of a power factor means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum PowerFactorSign {
    /// Sign of active power (IEC practice).
    #[default]
    SignOfPower,
    /// Negative when lagging, positive when leading (instrument practice); carries nothing about the sign of P.
    LagNegative,
    /// Negative when leading, positive when lagging.
    LeadNegative,
    /// No sign at all.
    Unsigned,
}

/// Sign conventions of the device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Conventions {
    /// Active power.
    pub active_power: PowerSign,
    /// Reactive power.
    pub reactive_power: ReactiveSign,
    /// Power factor.
    pub power_factor: PowerFactorSign,
}

/// When the device replaces a value by "not available" of its own accord.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Blanking {
    /// Active power and power factor are not available when active power is not positive.
    pub when_not_positive: bool,
    /// Active power and power factor are not available while no current flows.
    pub when_stopped: bool,
}

/// One kind of monitor, as its registers tell.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterMap {
    /// Short name used in configuration.
    pub name: String,
    /// One line for people.
    pub title: String,
    /// Circuit slots the monitor has, 1..=32.
    pub slots: u8,
    /// Read limits.
    pub limits: ReadLimits,
    /// Sign conventions.
    pub conventions: Conventions,
    /// Blanking rules.
    pub blanking: Blanking,
    /// All points, slots already expanded, addresses absolute.
    pub points: Vec<Point>,
}

/// Where a monitor's map comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum MapSource {
    /// A fixed register map.
    Fixed(MeterMap),
    /// SunSpec meter model, found on the device by its marker; conventions as configured for the monitor.
    SunSpec {
        /// Sign conventions to apply to the map that discovery builds.
        conventions: Conventions,
        /// Blanking rules to apply to it.
        blanking: Blanking,
    },
}
