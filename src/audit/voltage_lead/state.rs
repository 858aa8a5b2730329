//! The states of the voltage leads that are told apart, and their plain words. Channels are 0-based.
//! Must never look at a reading.

use super::VoltageService;
use crate::audit::context::ServiceKind;
use crate::reading::Phase;

/// What is the matter with the voltage leads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum VoltageState {
    /// Leads as intended on a supply within its usual limits.
    Sound,
    /// A lead is off its terminal, or open.
    LeadOff(usize),
    /// The fuse in a lead is blown and nothing feeds the channel.
    FuseBlown(usize),
    /// The phase is interrupted (a main fuse, a pole of a switch) on the supply side of the monitor's tap; running motors
    /// hold the conductor up.
    BackFed(usize),
    /// The supply has lost a phase upstream of the station, and nothing holds it up.
    PhaseLost(usize),
    /// A conductor on the primary of a delta-wye transformer is lost: the named phase stays whole, the others halve.
    PrimaryLost(usize),
    /// The voltage transformer of a channel is connected the wrong way round.
    TransformerReversed(usize),
    /// The ratio of one channel is wrong.
    RatioWrong(usize, WrongRatio),
    /// The ratio of all channels is wrong: mostly one setting.
    RatioWrongOnAll(WrongRatio),
    /// A lead is on the neutral.
    LeadOnNeutral(usize),
    /// The first lead is on the phase of the second.
    SamePhase(usize, usize),
    /// A lead and the neutral lead are exchanged.
    NeutralExchanged(usize),
    /// The neutral lead is open: the monitor's zero floats.
    NeutralOpen,
    /// A three-wire supply has a fault to earth.
    EarthFault,
    /// The high leg of a four-wire delta is on this channel, which is not its own.
    HighLegOn(usize),
    /// No channel has voltage.
    AllDead,
}

/// Registered voltage over true voltage where a ratio is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum WrongRatio {
    /// 2.
    Double,
    /// 1/2.
    Half,
    /// 4.
    FourTimes,
    /// 1/4.
    Quarter,
    /// The square root of 3: line voltage taken for voltage to neutral.
    RootThree,
    /// Its inverse.
    OverRootThree,
    /// 120/115: a 115 V secondary taken for 120 V.
    HighSecondary,
    /// 115/120.
    LowSecondary,
    /// 10.
    TenTimes,
    /// 1/10.
    Tenth,
}

impl WrongRatio {
    /// Every one considered.
    pub const ALL: [WrongRatio; 10] = [
        WrongRatio::Double,
        WrongRatio::Half,
        WrongRatio::FourTimes,
        WrongRatio::Quarter,
        WrongRatio::RootThree,
        WrongRatio::OverRootThree,
        WrongRatio::HighSecondary,
        WrongRatio::LowSecondary,
        WrongRatio::TenTimes,
        WrongRatio::Tenth,
    ];

    /// Registered over true voltage.
    pub fn factor(self) -> f64 {
        match self {
            WrongRatio::Double => 2.0,
            WrongRatio::Half => 0.5,
            WrongRatio::FourTimes => 4.0,
            WrongRatio::Quarter => 0.25,
            WrongRatio::RootThree => 3f64.sqrt(),
            WrongRatio::OverRootThree => 1.0 / 3f64.sqrt(),
            WrongRatio::HighSecondary => 120.0 / 115.0,
            WrongRatio::LowSecondary => 115.0 / 120.0,
            WrongRatio::TenTimes => 10.0,
            WrongRatio::Tenth => 0.1,
        }
    }

    fn words(self) -> &'static str {
        match self {
            WrongRatio::Double => "twice the true voltage",
            WrongRatio::Half => "half the true voltage",
            WrongRatio::FourTimes => "four times the true voltage",
            WrongRatio::Quarter => "a quarter of the true voltage",
            WrongRatio::RootThree => "1.73 times the true voltage",
            WrongRatio::OverRootThree => "the true voltage over 1.73",
            WrongRatio::HighSecondary => "4 % too much (120 V for 115 V)",
            WrongRatio::LowSecondary => "4 % too little (115 V for 120 V)",
            WrongRatio::TenTimes => "ten times the true voltage",
            WrongRatio::Tenth => "a tenth of the true voltage",
        }
    }
}

/// How often each state is met, relative to sound. Common practice, no source.
mod odds {
    pub const LEAD_OFF: f64 = 0.004;
    pub const FUSE_BLOWN: f64 = 0.006;
    pub const BACK_FED: f64 = 0.003;
    pub const PHASE_LOST: f64 = 0.002;
    pub const PRIMARY_LOST: f64 = 0.0005;
    pub const REVERSED: f64 = 0.003;
    pub const RATIO_OF_ONE: f64 = 0.0002;
    /// A slip of the decimal point is a slip in a setting, and settings are mostly for all channels.
    pub const TEN_ON_ONE: f64 = 0.1;
    pub const RATIO_OF_ALL: f64 = 0.001;
    pub const ON_NEUTRAL: f64 = 0.001;
    pub const SAME_PHASE: f64 = 0.002;
    pub const NEUTRAL_EXCHANGED: f64 = 0.001;
    pub const NEUTRAL_OPEN: f64 = 0.003;
    pub const EARTH_FAULT: f64 = 0.003;
    pub const HIGH_LEG: f64 = 0.03;
    pub const ALL_DEAD: f64 = 0.003;
    /// Channels fed direct: a turned winding does not exist, a reversed channel is only a slip in the register map.
    pub const WITHOUT_TRANSFORMERS: f64 = 0.1;
}

impl VoltageState {
    /// Every state this service can be in, with its odds against sound.
    pub fn all(service: VoltageService) -> Vec<(VoltageState, f64)> {
        let system = service.system;
        let by_transformer = if service.transformers { 1.0 } else { odds::WITHOUT_TRANSFORMERS };
        let mut all = vec![(VoltageState::Sound, 1.0), (VoltageState::AllDead, odds::ALL_DEAD)];
        for ratio in WrongRatio::ALL {
            all.push((VoltageState::RatioWrongOnAll(ratio), odds::RATIO_OF_ALL));
        }
        for k in 0..system.voltage_channels() {
            all.push((VoltageState::LeadOff(k), odds::LEAD_OFF));
            all.push((VoltageState::FuseBlown(k), odds::FUSE_BLOWN));
            all.push((VoltageState::PhaseLost(k), odds::PHASE_LOST));
            if system.voltage_channels() == 3 {
                all.push((VoltageState::BackFed(k), odds::BACK_FED));
            }
            if system == ServiceKind::Wye4 {
                all.push((VoltageState::PrimaryLost(k), odds::PRIMARY_LOST));
            }
            if system.has_neutral() {
                all.push((VoltageState::LeadOnNeutral(k), odds::ON_NEUTRAL));
            }
            if system.has_neutral() && system.voltage_channels() > 1 {
                all.push((VoltageState::NeutralExchanged(k), odds::NEUTRAL_EXCHANGED));
            }
            // Lead 2 of two elements has no transformer of its own; a single voltage has no other to be turned against.
            let own_transformer = !(system.between_lines() && k == 1) && system != ServiceKind::Delta3;
            if own_transformer && system.voltage_channels() > 1 {
                all.push((VoltageState::TransformerReversed(k), odds::REVERSED * by_transformer));
                for ratio in WrongRatio::ALL {
                    let ten = matches!(ratio, WrongRatio::TenTimes | WrongRatio::Tenth);
                    let odds = odds::RATIO_OF_ONE * if ten { odds::TEN_ON_ONE } else { 1.0 };
                    all.push((VoltageState::RatioWrong(k, ratio), odds * by_transformer));
                }
            }
            for j in (0..system.voltage_channels()).filter(|j| *j != k) {
                all.push((VoltageState::SamePhase(k, j), odds::SAME_PHASE));
            }
        }
        match system {
            ServiceKind::Wye4 | ServiceKind::HighLegDelta | ServiceKind::SplitPhase => {
                all.push((VoltageState::NeutralOpen, odds::NEUTRAL_OPEN));
            }
            ServiceKind::Delta3 => all.push((VoltageState::EarthFault, odds::EARTH_FAULT)),
            ServiceKind::TwoElement | ServiceKind::OpenDelta | ServiceKind::SinglePhase => {}
        }
        if system == ServiceKind::HighLegDelta {
            all.extend([0, 2].map(|k| (VoltageState::HighLegOn(k), odds::HIGH_LEG)));
        }
        all
    }

    /// True when power is registered wrong under this state. What befalls the supply is registered as it is.
    pub fn registers_wrong(self) -> bool {
        !matches!(
            self,
            VoltageState::Sound
                | VoltageState::PhaseLost(_)
                | VoltageState::PrimaryLost(_)
                | VoltageState::EarthFault
                | VoltageState::AllDead
        )
    }

    /// Channel this state is about, when it is one.
    pub fn channel(self) -> Option<usize> {
        match self {
            VoltageState::LeadOff(k)
            | VoltageState::FuseBlown(k)
            | VoltageState::BackFed(k)
            | VoltageState::PhaseLost(k)
            | VoltageState::PrimaryLost(k)
            | VoltageState::TransformerReversed(k)
            | VoltageState::RatioWrong(k, _)
            | VoltageState::LeadOnNeutral(k)
            | VoltageState::SamePhase(k, _)
            | VoltageState::NeutralExchanged(k)
            | VoltageState::HighLegOn(k) => Some(k),
            _ => None,
        }
    }

    /// What a technician is told.
    pub fn words(self) -> String {
        let phase = |k: usize| Phase::from_index(k).label();
        match self {
            VoltageState::Sound => "voltage leads and supply are OK".to_owned(),
            VoltageState::LeadOff(k) => format!("voltage lead {} is off its terminal or open", k + 1),
            VoltageState::FuseBlown(k) => format!("the fuse in voltage lead {} is blown", k + 1),
            VoltageState::BackFed(k) => format!(
                "phase {} is interrupted ahead of the tap of voltage lead {}; running motors hold the conductor up (it is \
                 NOT dead)",
                phase(k),
                k + 1
            ),
            VoltageState::PhaseLost(k) => {
                format!("the supply has lost phase {} upstream; voltage lead {} reads zero", phase(k), k + 1)
            }
            VoltageState::PrimaryLost(k) => format!(
                "a conductor is lost on the primary of the supply transformer: only phase {} keeps its voltage",
                phase(k)
            ),
            VoltageState::TransformerReversed(k) => {
                format!("the voltage transformer of channel {} has reversed polarity", k + 1)
            }
            VoltageState::RatioWrong(k, ratio) => {
                format!("the voltage ratio of channel {} is wrong: it reads {}", k + 1, ratio.words())
            }
            VoltageState::RatioWrongOnAll(ratio) => {
                format!("the voltage ratio of the monitor is wrong: all channels read {}", ratio.words())
            }
            VoltageState::LeadOnNeutral(k) => format!("voltage lead {} is on the neutral", k + 1),
            VoltageState::SamePhase(k, j) => {
                format!("voltage lead {} is on phase {}, as lead {} is", k + 1, phase(j), j + 1)
            }
            VoltageState::NeutralExchanged(k) => {
                format!("voltage lead {} and the neutral lead are swapped", k + 1)
            }
            VoltageState::NeutralOpen => "the neutral lead of the monitor is open".to_owned(),
            VoltageState::EarthFault => {
                "the voltages to ground are displaced: a ground fault on the three-wire supply".to_owned()
            }
            VoltageState::HighLegOn(k) => {
                format!("the high leg (phase B) is on voltage terminal {} in place of terminal 2", k + 1)
            }
            VoltageState::AllDead => "no voltage on any lead: the supply is out, or all fuses are open".to_owned(),
        }
    }
}
