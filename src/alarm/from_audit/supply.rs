//! One supply, one alarm: what several pumps or monitors of a station show at once is told once, of the station. Must never
//! look at a reading.

use super::{Lost, StationNow, Told};
use crate::alarm::id::{AlarmId, AlarmKind, Place};
use crate::alarm::state::Condition;
use crate::alarm::words::{self as say, Story};
use crate::audit::installation::Installation;

/// The alarms that a station can have beside those of its monitors: only where there is more than one to have it.
pub fn alarms_of_station(station: &str, monitors: usize, circuits: usize) -> Vec<AlarmId> {
    let supply = (circuits > 1).then(|| AlarmId::station(station, AlarmKind::SupplyPhaseLost));
    let missing = (monitors > 1).then(|| AlarmId::station(station, AlarmKind::PhaseMissingStopped));
    let silent = (monitors > 1).then(|| AlarmId::station(station, AlarmKind::MetersSilentTogether));
    supply.into_iter().chain(missing).chain(silent).collect()
}

/// Takes what several places of the station tell alike and tells it once. `told` is of all monitors and circuits of it.
pub fn station(now: &StationNow, told: &mut Vec<Told>) {
    let lost = pumps_on_two_phases(now, told);
    let missing = phase_missing(now, told);
    told.extend([lost, missing]);
}

/// The pump whose alarm of a lost phase this is.
fn pump_of(one: &Told) -> Option<&str> {
    match &one.id.place {
        Place::Circuit { circuit, .. } if one.id.kind == AlarmKind::SupplyPhaseLost => Some(circuit),
        _ => None,
    }
}

fn pumps_on_two_phases(now: &StationNow, told: &mut [Told]) -> Told {
    let teller = AlarmId::station(now.station, AlarmKind::SupplyPhaseLost);
    let is_up = now.up.is(&teller);
    // One that was stopped before its alarm was up says nothing of the supply as it is now.
    let counts = |one: &Told| one.condition == Condition::True || one.lost.is_some() && (is_up || now.up.is(&one.id));
    let of_pumps: Vec<&Told> = told.iter().filter(|one| pump_of(one).is_some()).collect();
    let cleared = of_pumps.iter().all(|one| one.condition == Condition::False);
    let running = of_pumps.iter().any(|one| one.condition == Condition::True);
    let lost: Vec<(String, Lost)> = of_pumps
        .into_iter()
        .filter(|one| counts(one))
        .filter_map(|one| Some((pump_of(one)?.to_owned(), one.lost?)))
        .collect();
    if lost.is_empty() || lost.len() == 1 && !is_up {
        return Told::new(teller, if cleared { Condition::False } else { Condition::Unknown });
    }
    let mut attached = Vec::new();
    for one in told.iter_mut() {
        let Some(pump) = pump_of(one).filter(|pump| lost.iter().any(|(name, _)| name == pump)) else { continue };
        attached.extend(one.story.iter().flat_map(|story| &story.attached).map(|line| format!("{pump}: {line}")));
        hand_over(one, &teller, now);
    }
    attached.truncate(6);
    let pumps: Vec<(&str, _)> = lost.iter().map(|(name, lost)| (name.as_str(), lost.phase)).collect();
    let least = lost.iter().map(|(_, lost)| lost.probability).fold(1.0, f64::min);
    let installations: Vec<&Installation> = pumps.iter().filter_map(|(name, _)| now.installation(name)).collect();
    let story = say::supply_phase_lost_at_station(&pumps, least, &installations, attached);
    if running {
        Told::raised(teller, story)
    } else {
        Told { pump_stopped: Some(true), ..Told::new(teller, Condition::Unknown) }
    }
}

fn phase_missing(now: &StationNow, told: &mut [Told]) -> Told {
    let kind = AlarmKind::PhaseMissingStopped;
    let teller = AlarmId::station(now.station, kind);
    let of_monitor = |one: &Told| one.id.kind == kind && matches!(one.id.place, Place::Monitor { .. });
    let of = told.iter().filter(|one| of_monitor(one)).count();
    let raised: Vec<String> = told
        .iter()
        .filter(|one| of_monitor(one) && one.condition == Condition::True)
        .filter_map(|one| one.id.place.part().map(str::to_owned))
        .collect();
    if raised.len() < 2 {
        let cleared = told.iter().filter(|one| of_monitor(one)).all(|one| one.condition == Condition::False);
        return Told::new(teller, if cleared { Condition::False } else { Condition::Unknown });
    }
    let mut stories: Vec<Story> = Vec::new();
    for one in told.iter_mut().filter(|one| of_monitor(one) && one.condition == Condition::True) {
        stories.extend(one.story.clone());
        hand_over(one, &teller, now);
    }
    let monitors: Vec<&str> = raised.iter().map(String::as_str).collect();
    let cautions = say::cautions_of(now.installations.iter().map(|(_, installation)| *installation));
    let mut attached: Vec<String> = stories.into_iter().map(|story| story.what).collect();
    for what in &mut attached {
        what.truncate(what.trim_end_matches('.').len());
    }
    Told::raised(teller, say::phase_missing_at_station(&monitors, of, cautions, attached))
}

/// The station's alarm tells it once it is up. Until then a single one that is up stays, and one that is not waits.
fn hand_over(one: &mut Told, teller: &AlarmId, now: &StationNow) {
    if now.up.is(teller) {
        *one = Told { told_by: Some(teller.clone()), ..Told::new(one.id.clone(), Condition::False) };
    } else if !now.up.is(&one.id) {
        *one = Told::new(one.id.clone(), Condition::Unknown);
    }
}
