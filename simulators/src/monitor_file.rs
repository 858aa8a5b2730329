//! The part of a station file that describes one monitor: its leads, its manner of reporting, its misbehaviour.
//!
//! Plain data with defaults. Must never hold derived values, so that a test can change any field and build again.

use serde::Deserialize;

/// One monitor and how its leads are really connected.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MonitorFile {
    /// Name, unique in the station.
    pub name: String,
    /// Where it listens; port 0 takes a free one, which the running handle reports.
    pub listen: String,
    /// Unit id; monitors with the same address and different units share a listener.
    #[serde(default = "one")]
    pub unit: u8,
    /// How frames travel.
    #[serde(default)]
    pub transport: Transport,
    /// Built-in map name, path of a map file, or `sunspec-201` .. `-204`, `sunspec-211` .. `-214`.
    pub map: String,
    /// Where the SunSpec marker is.
    #[serde(default = "sunspec_base")]
    pub sunspec_base: u16,
    /// False: the SunSpec points a meter may leave out (per-phase power and PF, VA, var) are "not implemented".
    #[serde(default = "yes")]
    pub sunspec_optional: bool,
    /// Pumps metered, in slot order; `*` is the sum of all pumps (the incomer).
    pub circuits: Vec<String>,
    /// What each voltage channel is connected to; the README lists the leads.
    #[serde(default = "straight")]
    pub voltage: [String; 3],
    /// What each current channel of each slot is around; the README lists the leads.
    pub currents: Vec<[String; 3]>,
    /// Later changes of the wiring.
    #[serde(default)]
    pub rewire: Vec<RewireFile>,
    /// Gain error class, percent: each channel's gain error is drawn from the seed within it.
    #[serde(default)]
    pub accuracy: f64,
    /// How the total apparent power is formed; always as a vector where two elements meter three wires, for the sum of
    /// their volt-amperes is no apparent power of the load.
    #[serde(default)]
    pub apparent: Apparent,
    /// Where the import register of each circuit starts, Wh.
    #[serde(default)]
    pub energy_start_wh: f64,
    /// Sign conventions of this device when they differ from its map file.
    #[serde(default)]
    pub conventions: ConventionsFile,
    /// Blanking of this device when it differs from its map file.
    #[serde(default)]
    pub blanking: BlankingFile,
    /// Registers that do not say what the map says they do.
    #[serde(default)]
    pub register_faults: Vec<RegisterFaultFile>,
    /// Misbehaviour of its Modbus side.
    #[serde(default)]
    pub protocol: ProtocolFile,
}

/// A change of a monitor's wiring during the run.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RewireFile {
    /// From when, s.
    pub at_s: f64,
    /// New voltage leads; unchanged when absent.
    #[serde(default)]
    pub voltage: Option<[String; 3]>,
    /// New current leads; unchanged when absent.
    #[serde(default)]
    pub currents: Option<Vec<[String; 3]>>,
}

/// How frames travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Transport {
    /// Modbus/TCP.
    #[default]
    Tcp,
    /// RTU frames with CRC over a TCP connection.
    RtuOverTcp,
}

/// How a monitor forms total apparent power; meters differ, and on wrong wiring the two differ greatly.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Apparent {
    /// Sum of the channels' apparent powers.
    #[default]
    Arithmetic,
    /// Root of the squares of total active and reactive power.
    Vector,
}

/// Sign conventions a device reports in; each is the map file's own word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ConventionsFile {
    /// Sign of import.
    #[serde(default)]
    pub active_power: Option<ActiveSign>,
    /// Sign of an inductive load's reactive power.
    #[serde(default)]
    pub reactive_power: Option<ReactiveSign>,
    /// Meaning of a power factor's sign.
    #[serde(default)]
    pub power_factor: Option<FactorSign>,
}

/// Sign of active power into the load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ActiveSign {
    /// Positive.
    #[default]
    LoadPositive,
    /// Negative.
    LoadNegative,
}

/// Sign of reactive power of an inductive load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReactiveSign {
    /// Positive.
    #[default]
    InductivePositive,
    /// Negative.
    InductiveNegative,
    /// A magnitude.
    Unsigned,
}

/// Meaning of a power factor's sign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FactorSign {
    /// The sign the device gives active power.
    #[default]
    SignOfPower,
    /// Negative when lagging.
    LagNegative,
    /// Negative when leading.
    LeadNegative,
    /// None.
    Unsigned,
}

/// When a device shows "not available" for active power and power factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlankingFile {
    /// When active power is not positive.
    #[serde(default)]
    pub when_not_positive: Option<bool>,
    /// When no current flows.
    #[serde(default)]
    pub when_stopped: Option<bool>,
}

/// One fault of a device's registers. Without `from_s` and `to_s` it is always there.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RegisterFaultFile {
    /// word-order, address-shift, scale, signed-as-unsigned, saturated-at-zero, factor-sign, power-exchanged, frozen.
    pub kind: String,
    /// Quantity it befalls, by the map format's word; required for scale and saturated-at-zero, all when absent for
    /// word-order, signed-as-unsigned and frozen.
    #[serde(default)]
    pub quantity: Option<String>,
    /// For `scale`: the quantity shows 10 to this power times its value.
    #[serde(default)]
    pub power_of_ten: Option<i32>,
    /// For `address-shift`: every value stands this many addresses higher than the map says; 1 when absent.
    #[serde(default)]
    pub by: Option<i32>,
    /// For `factor-sign`: what the sign of the power factor really means.
    #[serde(default)]
    pub sign: Option<FactorSign>,
    /// From this station time, s.
    #[serde(default)]
    pub from_s: Option<f64>,
    /// Before this station time, s.
    #[serde(default)]
    pub to_s: Option<f64>,
}

/// Timing and faults of the Modbus side.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProtocolFile {
    /// Every answer takes this long, ms.
    #[serde(default)]
    pub delay_ms: u64,
    /// Plus up to this much more, drawn from the seed, ms.
    #[serde(default)]
    pub jitter_ms: u64,
    /// Faults; the first that applies to a request wins.
    #[serde(default)]
    pub faults: Vec<FaultFile>,
}

/// One protocol fault. Without `every`, `from_s` and `to_s` it applies to every request.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultFile {
    /// slow, silent, exception, drop, wrong-transaction, wrong-unit, truncated, garbage, short-count, frozen, late.
    pub kind: String,
    /// Applies to every n-th request of the monitor.
    #[serde(default)]
    pub every: Option<u64>,
    /// Applies from this station time, s.
    #[serde(default)]
    pub from_s: Option<f64>,
    /// Applies before this station time, s.
    #[serde(default)]
    pub to_s: Option<f64>,
    /// Exception code, for `exception` (default 4).
    #[serde(default)]
    pub code: Option<u8>,
    /// Delay in ms, for `slow` (default 300) and `late` (default 3000).
    #[serde(default)]
    pub ms: Option<u64>,
}

fn yes() -> bool {
    true
}

fn one() -> u8 {
    1
}

fn sunspec_base() -> u16 {
    40_000
}

fn straight() -> [String; 3] {
    ["A", "B", "C"].map(str::to_owned)
}
