//! Stations and circuits: what is reported, what is concluded, what to do.
//!
//! Cautions stand first in every document that could send a person to a panel.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::http::HeaderMap;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::Api;
use super::page::{self, Page};
use super::problem::{Path, Problem, Query};
use crate::audit::advice::open_wirings;
use crate::audit::assessment::Verdict;
use crate::audit::plan;
use crate::faces::cautions::{self, Caution};
use crate::faces::json::{self, Circuit, EnergyJson, Station};
use crate::faces::picture::{Expected, Phasor, Picture, pictures};
use crate::station::news::verdict_key;
use crate::station::snapshot::{CircuitSnapshot, StationSnapshot};

/// Asks for a page of a list.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Paging {
    /// Items on the page.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<usize>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// A station in a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct StationSummary {
    name: String,
    /// Circuits by verdict: sound, fault, undecided, no_evidence.
    verdicts: BTreeMap<&'static str, usize>,
    /// Monitors by state: waiting, never_answered, live, stale.
    monitors: BTreeMap<&'static str, usize>,
    circuits: Vec<CircuitSummary>,
}

/// A circuit in a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct CircuitSummary {
    name: String,
    verdict: &'static str,
    /// What is wrong and how sure; null before the first assessment.
    headline: Option<String>,
}

/// One station.
#[derive(Debug, Serialize, ToSchema)]
pub struct StationDocument {
    /// To be read before anything else; empty when nothing below could send a person to a panel.
    #[schema(value_type = Vec<String>)]
    cautions: Vec<Caution>,
    station: Station,
}

/// One circuit.
#[derive(Debug, Serialize, ToSchema)]
pub struct CircuitDocument {
    /// To be read before anything else; empty when nothing below could send a person to a panel.
    #[schema(value_type = Vec<String>)]
    cautions: Vec<Caution>,
    station: String,
    circuit: Circuit,
    phasors: Phasors,
}

/// The phasors of a circuit.
#[derive(Debug, Serialize, ToSchema)]
pub struct Phasors {
    /// As the monitor reports them.
    reported: PhasorPicture,
    /// As they would be with every lead on its own phase.
    intended: PhasorPicture,
}

/// Phasors of three channels.
#[derive(Debug, Serialize, ToSchema)]
pub struct PhasorPicture {
    /// Voltage channels 1 to 3.
    voltage: Vec<VoltagePhasor>,
    /// Current channels 1 to 3.
    current: Vec<CurrentPhasor>,
    /// What must be known about where the angles come from.
    note: String,
}

/// A voltage phasor; null where nothing is known.
#[derive(Debug, Serialize, ToSchema)]
pub struct VoltagePhasor {
    magnitude_v: Option<f64>,
    /// Counter-clockwise against voltage 1.
    angle_deg: Option<f64>,
}

/// A current phasor; null where nothing is known.
#[derive(Debug, Serialize, ToSchema)]
pub struct CurrentPhasor {
    magnitude_a: Option<f64>,
    /// Counter-clockwise against voltage 1.
    angle_deg: Option<f64>,
    /// The other angle that is as possible, where lag or lead is not measured; else null.
    other_angle_deg: Option<f64>,
}

/// The plan of field checks for a circuit.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanDocument {
    /// To be read before anything else.
    #[schema(value_type = Vec<String>)]
    cautions: Vec<Caution>,
    /// Checks to do.
    checks: CountJson,
    /// Times that the panel is de-energized.
    outages: CountJson,
    /// Checks beside energized parts.
    live_checks: CountJson,
    /// Steps in the order a person meets them: first nothing opened, then one outage, live last. Empty when there is no check to do.
    steps: Vec<PlanStep>,
    /// Without a step: what is settled, or what it would take.
    end: Option<String>,
}

/// How often something comes on the paths of a plan.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = PlanCount)]
pub struct CountJson {
    /// Expectation over all paths.
    expected: f64,
    /// On the path with most of them.
    most: u32,
}

/// One step of a plan.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanStep {
    /// Number, from 1.
    step: usize,
    /// nothing-opened, de-energized or live.
    opens: &'static str,
    /// What to do.
    instruction: String,
    /// What may be found, and what to do then.
    ways: Vec<PlanWay>,
}

/// One result of a step.
#[derive(Debug, Serialize, ToSchema)]
pub struct PlanWay {
    found: String,
    then: String,
}

/// Energies registered wrong.
#[derive(Debug, Serialize, ToSchema)]
pub struct MisregistrationReport {
    items: Vec<Misregistration>,
    total: usize,
    next: Option<String>,
}

/// Energies of one circuit.
#[derive(Debug, Serialize, ToSchema)]
pub struct Misregistration {
    station: String,
    circuit: String,
    verdict: &'static str,
    energy: EnergyJson,
}

/// Every station with its verdicts.
#[utoipa::path(get, path = "/api/v1/stations", operation_id = "list_stations", params(Paging), tag = "stations",
    responses((status = 200, body = Page<StationSummary>), (status = 400, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn list(
    State(api): State<Api>,
    OriginalUri(uri): OriginalUri,
    Query(paging): Query<Paging>,
) -> Result<(HeaderMap, Json<Page<StationSummary>>), Problem> {
    let limit = page::limit(paging.limit)?;
    let all: Vec<StationSummary> = api.stations().iter().map(|station| summary(&api, station)).collect();
    let page = page::page(all, |station| station.name.clone(), paging.cursor.as_deref(), limit)?;
    Ok((page::links(uri.path(), uri.query(), page.next.as_deref()), Json(page)))
}

fn summary(api: &Api, station: &StationSnapshot) -> StationSummary {
    let now = api.clock.now().mono;
    let (mut verdicts, mut monitors) = (BTreeMap::new(), BTreeMap::new());
    for circuit in &station.circuits {
        *verdicts.entry(verdict_key(circuit.verdict())).or_default() += 1;
    }
    for monitor in &station.monitors {
        *monitors.entry(monitor.freshness(now).key()).or_default() += 1;
    }
    let circuits = station.circuits.iter().map(|circuit| CircuitSummary {
        name: circuit.name.clone(),
        verdict: verdict_key(circuit.verdict()),
        headline: circuit
            .assessment
            .as_deref()
            .map(|a| crate::audit::words::headline_with_check(a, &circuit.installation, &circuit.done())),
    });
    StationSummary { name: station.station.clone(), verdicts, monitors, circuits: circuits.collect() }
}

/// One station: monitors and circuits with all that is reported and concluded.
#[utoipa::path(get, path = "/api/v1/stations/{station}", operation_id = "get_station", tag = "stations",
    params(("station" = String, Path, description = "Name, percent-encoded")),
    responses((status = 200, body = StationDocument), (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn one(State(api): State<Api>, Path(name): Path<String>) -> Result<Json<StationDocument>, Problem> {
    let station = api.station(&name)?;
    Ok(Json(StationDocument {
        cautions: cautions::of_stations(std::slice::from_ref(&station)),
        station: json::station(&station, api.clock.now()),
    }))
}

/// One circuit: live values reported and corrected, phasors, findings, diagnosis with its reasons, what to check next.
#[utoipa::path(get, path = "/api/v1/stations/{station}/circuits/{circuit}", operation_id = "get_circuit", tag = "stations",
    params(("station" = String, Path, description = "Name, percent-encoded"), ("circuit" = String, Path, description = "Name, percent-encoded")),
    responses((status = 200, body = CircuitDocument), (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn circuit(
    State(api): State<Api>,
    Path((station, circuit)): Path<(String, String)>,
) -> Result<Json<CircuitDocument>, Problem> {
    let station = api.station(&station)?;
    let found = of_station(&station, &circuit)?;
    let config = api.config.borrow().clone();
    let configured = config.stations.iter().find(|configured| configured.name == station.station);
    let (reported, intended) = configured.map_or_else(
        || (Picture::default(), Picture::default()),
        |configured| pictures(&station, found, Expected::of(configured)),
    );
    let needed = found.assessment.as_deref().is_some_and(cautions::needed);
    Ok(Json(CircuitDocument {
        cautions: if needed { cautions::cautions(&found.installation) } else { Vec::new() },
        station: station.station.clone(),
        circuit: json::circuit(&station, found, api.clock.now()),
        phasors: Phasors { reported: picture(reported), intended: picture(intended) },
    }))
}

/// The circuit of this name.
pub(super) fn of_station<'s>(station: &'s StationSnapshot, name: &str) -> Result<&'s CircuitSnapshot, Problem> {
    station.circuits.iter().find(|circuit| circuit.name == name).ok_or_else(|| {
        Problem::not_found(format!("station {:?} has no circuit {name:?}", station.station)).about("circuit")
    })
}

fn picture(picture: Picture) -> PhasorPicture {
    let voltage = |Phasor { size, angle_deg, .. }| VoltagePhasor { magnitude_v: size, angle_deg };
    let current = |Phasor { size, angle_deg, mirror_deg }| CurrentPhasor {
        magnitude_a: size,
        angle_deg,
        other_angle_deg: mirror_deg,
    };
    PhasorPicture {
        voltage: picture.voltage.map(voltage).into(),
        current: picture.current.map(current).into(),
        note: picture.note,
    }
}

/// The plan of field checks for a circuit, as steps to follow.
#[utoipa::path(get, path = "/api/v1/stations/{station}/circuits/{circuit}/plan", operation_id = "get_plan", tag = "field checks",
    params(("station" = String, Path, description = "Name, percent-encoded"), ("circuit" = String, Path, description = "Name, percent-encoded")),
    responses((status = 200, body = PlanDocument), (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn plan(
    State(api): State<Api>,
    Path((station, circuit)): Path<(String, String)>,
) -> Result<Json<PlanDocument>, Problem> {
    let station = api.station(&station)?;
    let found = of_station(&station, &circuit)?;
    let cautions = cautions::cautions(&found.installation);
    let assessment = found.assessment.clone().filter(|a| a.diagnosis.verdict != Verdict::Sound);
    let (installation, done) = (found.installation, found.done());
    // Working a plan out takes milliseconds: not on a thread that polls.
    let plan = tokio::task::spawn_blocking(move || {
        let plan = plan::plan(&open_wirings(&assessment?.diagnosis), &installation, &done, plan::DEPTH)?;
        Some((plan::lines(&plan.root, &installation), plan::end_words(&plan.root), plan.effort))
    });
    let plan = plan.await.map_err(|error| Problem::internal("the plan", &error))?;
    let (steps, end, effort) = plan.unwrap_or_default();
    let count = |count: plan::Count| CountJson { expected: count.expected, most: count.worst };
    let step = |line: plan::Line| PlanStep {
        step: line.step,
        opens: line.access.key(),
        instruction: line.instruction,
        ways: line.ways.into_iter().map(|(found, then)| PlanWay { found, then }).collect(),
    };
    Ok(Json(PlanDocument {
        cautions,
        checks: count(effort.checks),
        outages: count(effort.outages),
        live_checks: count(effort.live),
        steps: steps.into_iter().map(step).collect(),
        end: Some(end).filter(|end| !end.is_empty()),
    }))
}

/// Energies registered and true of every circuit, with bounds and cost, or why they are withheld.
#[utoipa::path(get, path = "/api/v1/misregistration", operation_id = "list_misregistration", params(Paging), tag = "energy",
    responses((status = 200, body = MisregistrationReport), (status = 400, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn misregistration(
    State(api): State<Api>,
    OriginalUri(uri): OriginalUri,
    Query(paging): Query<Paging>,
) -> Result<(HeaderMap, Json<MisregistrationReport>), Problem> {
    let limit = page::limit(paging.limit)?;
    let now = api.clock.now();
    let stations: Vec<Arc<StationSnapshot>> = api.stations();
    let all: Vec<(&StationSnapshot, &CircuitSnapshot)> = stations
        .iter()
        .flat_map(|station| station.circuits.iter().map(|circuit| (station.as_ref(), circuit)))
        .collect();
    let key =
        |(station, circuit): &(&StationSnapshot, &CircuitSnapshot)| format!("{}\n{}", station.station, circuit.name);
    let Page { items, total, next } = page::page(all, key, paging.cursor.as_deref(), limit)?;
    let items = items.into_iter().map(|(station, circuit)| Misregistration {
        station: station.station.clone(),
        circuit: circuit.name.clone(),
        verdict: verdict_key(circuit.verdict()),
        energy: json::energy(circuit, station.tariff.as_ref(), now),
    });
    let headers = page::links(uri.path(), uri.query(), next.as_deref());
    Ok((headers, Json(MisregistrationReport { items: items.collect(), total, next })))
}
