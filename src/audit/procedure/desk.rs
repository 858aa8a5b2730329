//! Steps at the desk: meter map, rotation, ratio. No panel, no lock. Must never send anybody to a panel.

use super::job::Job;
use crate::audit::remedy::Move;
use crate::audit::wiring::{Gain, Registers};
use crate::audit::words::{gain_words, registers_words};

/// A step at the desk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Desk {
    KeepOldFile,
    CorrectMap(Registers),
    ReadRotation,
    CorrectRotation,
    Reload,
    /// Nameplate of the channel's CT, or of all of them.
    ReadNameplate(Option<usize>, Gain),
    ChangeRatio,
    RatioRight(Option<usize>),
    /// The proof, where nothing is done at a panel afterwards.
    Prove,
}

impl Desk {
    pub(super) fn key(self) -> &'static str {
        match self {
            Desk::KeepOldFile => "keep-old-file",
            Desk::CorrectMap(_) => "correct-map",
            Desk::ReadRotation => "read-rotation",
            Desk::CorrectRotation => "correct-rotation",
            Desk::Reload => "reload",
            Desk::ReadNameplate(..) => "read-nameplate",
            Desk::ChangeRatio => "change-ratio",
            Desk::RatioRight(_) => "ratio-right",
            Desk::Prove => "prove",
        }
    }

    pub(super) fn channels(self) -> Vec<usize> {
        match self {
            Desk::ReadNameplate(k, _) | Desk::RatioRight(k) => k.into_iter().collect(),
            _ => Vec::new(),
        }
    }

    pub(super) fn words(self, _: &Job) -> String {
        match self {
            Desk::KeepOldFile => "Keep a copy of the configuration and the meter map as they are.".to_owned(),
            Desk::CorrectMap(registers) => {
                format!("Correct the meter map ([conventions] or registers): {}.", registers_words(registers))
            }
            Desk::ReadRotation => {
                "Read the phase sequence where it is shown without opening anything: the monitor's display on a \
                                   closed door, its registers, or a phase relay."
                    .to_owned()
            }
            Desk::CorrectRotation => {
                "It agrees with the readings, and the pump turns the right way: correct `rotation` in the \
                                      configuration. Otherwise change nothing and enter what was read."
                    .to_owned()
            }
            Desk::Reload => "Run `wattassay check`, then reload the configuration.".to_owned(),
            Desk::ReadNameplate(k, gain) => {
                let (shows, plate) = match k {
                    Some(k) => (format!("CT {} shows", k + 1), format!("CT {}", k + 1)),
                    None => ("All CTs show".to_owned(), "each CT".to_owned()),
                };
                format!(
                    "{shows} {} of the current. Read nameplate and tap of {plate} from a photo or the drawing; if there is none, \
                     have them read in the next outage.",
                    gain_words(gain)
                )
            }
            Desk::ChangeRatio => {
                "Compare with the ratio in the monitor and in the configuration. If it differs, its owner changes \
                                  it in one place only. Note the old value and the time; past energy is not corrected."
                    .to_owned()
            }
            Desk::RatioRight(k) => {
                let cts = k.map_or_else(|| "each CT holds".to_owned(), |k| format!("CT {} holds", k + 1));
                format!(
                    "If it is the same, change nothing. Ask for a look in the next outage whether {cts} all parallel conductors \
                     of its phase, and enter what was found."
                )
            }
            Desk::Prove => "Run the pump at its usual load for 5 minutes. The verdict OK is the proof.".to_owned(),
        }
    }
}

pub(super) fn steps(job: &Job) -> Vec<Desk> {
    let mut steps = Vec::new();
    let mut file = Vec::new();
    for step in &job.moves {
        match *step {
            Move::CorrectMap(registers) => file.push(Desk::CorrectMap(registers)),
            Move::ConfirmRotation => file.extend([Desk::ReadRotation, Desk::CorrectRotation]),
            Move::CorrectRatio(k, gain) => {
                steps.extend([Desk::ReadNameplate(Some(k), gain), Desk::ChangeRatio, Desk::RatioRight(Some(k))]);
            }
            Move::CorrectRatios(gain) => {
                steps.extend([Desk::ReadNameplate(None, gain), Desk::ChangeRatio, Desk::RatioRight(None)]);
            }
            _ => {}
        }
    }
    if !file.is_empty() {
        file.insert(0, Desk::KeepOldFile);
        file.push(Desk::Reload);
    }
    file.extend(steps);
    if !file.is_empty() && !job.is_at_panel() {
        file.push(Desk::Prove);
    }
    file
}
