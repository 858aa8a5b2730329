//! Stations that come, go and change while others run on.

use super::*;
use crate::station::fixtures::station_config;

fn configs(names: &[&str]) -> Vec<StationConfig> {
    names.iter().map(|name| station_config(name)).collect()
}

fn names(roster: &Roster) -> Vec<String> {
    roster.snapshots().iter().map(|snapshot| snapshot.station.clone()).collect()
}

#[tokio::test]
async fn a_change_reaches_only_the_stations_that_differ() {
    let (stop, tracker) = (CancellationToken::new(), TaskTracker::new());
    let mut fleet =
        Fleet::new(&configs(&["Alder Creek Lift", "Mill Race Pumping", "Heron Point Lift"]), Clock::system()).unwrap();
    fleet.start(&stop, &tracker);
    let roster = fleet.roster();
    let mut kept = fleet.readers().remove(0);
    let mut wanted = configs(&["Quarry Road Booster", "Mill Race Pumping", "Alder Creek Lift"]);
    wanted[1].tariff = Some(crate::config::model::Tariff { currency: "USD".into(), price_per_kwh: 0.2 });
    let plan = fleet.plan(&wanted).unwrap();
    let changed = fleet.carry_out(plan, |_| async { Record::default() }, &stop, &tracker).await;
    let list = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
    assert_eq!(changed.kept, list(&["Alder Creek Lift"]));
    assert_eq!(changed.altered, list(&["Mill Race Pumping"]));
    assert_eq!(changed.added, list(&["Quarry Road Booster"]));
    assert_eq!(changed.removed, list(&["Heron Point Lift"]));
    assert_eq!(names(&roster), ["Quarry Road Booster", "Mill Race Pumping", "Alder Creek Lift"]);
    assert!(roster.station("Mill Race Pumping").unwrap().tariff.is_some());
    assert!(kept.changed().await, "the station that was left alone runs on under its old reader");
    stop.cancel();
    tracker.close();
    tracker.wait().await;
}

#[tokio::test]
async fn a_plan_that_cannot_be_made_touches_nothing() {
    let fleet = Fleet::new(&configs(&["Alder Creek Lift"]), Clock::system()).unwrap();
    let mut wanted = configs(&["Alder Creek Lift", "Mill Race Pumping"]);
    wanted[1].circuits[0].monitor = 7;
    assert!(fleet.plan(&wanted).is_err());
    assert_eq!(names(&fleet.roster()), ["Alder Creek Lift"]);
}
