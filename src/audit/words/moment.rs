//! What is said of a device that shows one moment again and again. Must never sound like a verdict of a live device.

use super::{confidence, describe_wiring, percent};
use crate::audit::assessment::Diagnosis;
use crate::audit::bars;
use crate::audit::moment::OneMoment;
use crate::reading::UnixMs;

/// One line: since when all readings are identical, and what their one moment tells.
pub fn moment_line(moment: &OneMoment) -> String {
    let told = match &moment.diagnosis {
        None => "That one moment does not tell whether power is right".to_owned(),
        Some(diagnosis) => format!("From one moment only: {}", told(diagnosis)),
    };
    format!("all readings are identical since {}: the device repeats one moment. {told}", utc(moment.since.wall))
}

fn told(diagnosis: &Diagnosis) -> String {
    let right = diagnosis.sound_probability;
    let wrong = 1.0 - right - diagnosis.unexplained_probability;
    let leader = diagnosis.groups.first().and_then(|group| group.members.first());
    if right >= bars::ONE_WIRING {
        return format!("metering is correct ({})", confidence(right));
    }
    match leader.filter(|leader| leader.probability >= bars::ONE_WIRING && !leader.power_right) {
        Some(leader) => {
            format!("{} ({})", describe_wiring(&leader.wiring), confidence(leader.probability))
        }
        None if wrong >= bars::ONE_WIRING => {
            format!("power is wrong ({}), and the moment does not tell by which wiring", confidence(wrong))
        }
        None => format!("cannot tell yet (probability that metering is correct: {})", percent(right)),
    }
}

/// A wall time to the second, in UTC.
fn utc(at: UnixMs) -> String {
    match jiff::Timestamp::from_second(at.0.div_euclid(1000)) {
        Ok(time) => time.to_string(),
        Err(_) => "a time that the clock does not give".to_owned(),
    }
}
