//! The history: what is kept, and values over time as JSON columns or CSV.
//!
//! Must never fill a gap: what was not measured is null, or an empty field.

use std::collections::BTreeMap;

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Response};
use axum::{Json, body};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::problem::{Problem, Query};
use super::readers::{Readers, problem_of, time, word};
use crate::history::export;
use crate::history::quantity::{QUANTITIES, find};
use crate::history::reader::{Detail, HistoryReader, Series, Wanted};
use crate::history::store::{Source, Statistic, Tier};

/// Points unless the request says otherwise.
const DEFAULT_POINTS: usize = 1000;
/// Points at most.
const POINTS_MAX: usize = 20_000;
/// Values in one answer at most: a year of quarters of an hour of fourteen quantities, some 10 MB of JSON.
const VALUES_MAX: usize = 500_000;
const CSV: &str = "text/csv";

/// Nothing can be said to it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoParameters {}

/// What the history holds.
#[derive(Debug, Serialize, ToSchema)]
pub struct SourcesJson {
    /// Circuits and monitors.
    sources: Vec<SourceJson>,
    /// Names of the quantities, with their units; not every source has each.
    quantities: Vec<&'static str>,
}

/// Something that values are kept of.
#[derive(Debug, Serialize, ToSchema)]
pub struct SourceJson {
    station: String,
    /// circuit or monitor.
    kind: &'static str,
    part: String,
}

/// Which values are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// Station.
    station: String,
    /// Circuit or monitor of the station.
    part: String,
    /// circuit or monitor; needed only where both are called the same.
    kind: Option<String>,
    /// Names of quantities with commas between, as the list of sources names them.
    quantities: String,
    /// Not before, RFC 3339.
    from: String,
    /// Before, RFC 3339. Without it: to the newest.
    to: Option<String>,
    /// At most so many points; 1000 without it and without a tier. The finest tier that has no more is taken; or else rows
    /// are merged.
    #[param(minimum = 1, maximum = 20_000)]
    points: Option<usize>,
    /// detail, minute or quarter_hour: the rows of this tier as they are.
    tier: Option<String>,
    /// mean, lowest or highest of each interval. Without it: mean; of energies the last.
    statistic: Option<String>,
}

/// Values over time, a column each.
#[derive(Debug, Serialize, ToSchema)]
pub struct HistoryJson {
    station: String,
    kind: &'static str,
    part: String,
    /// Where the values are from: detail, minute, quarter_hour.
    tier: &'static str,
    /// What one row stands for, ms; null for readings as they came.
    interval_ms: Option<i64>,
    statistic: &'static str,
    /// Beginning of each row's interval, ms since the Unix epoch.
    at_unix_ms: Vec<i64>,
    /// Readings that each row stands for.
    samples: Vec<i64>,
    /// Values by quantity, as many as there are times; null where there is none.
    columns: BTreeMap<&'static str, Vec<Option<f64>>>,
}

/// What the history holds: stations with their circuits and monitors, and the quantities.
#[utoipa::path(get, path = "/api/v1/history/sources", operation_id = "list_history_sources", tag = "history",
    responses(
        (status = 200, body = SourcesJson),
        (status = 400, body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn sources(
    State(readers): State<Readers>,
    Query(NoParameters {}): Query<NoParameters>,
) -> Result<Json<SourcesJson>, Problem> {
    let reader = readers.history()?;
    let found =
        readers.ask("reading the history", move || reader.sources().map_err(|error| problem_of(&error))).await?;
    let source = |s: Source| SourceJson { kind: kind_of(&s), station: s.station, part: s.name };
    Ok(Json(SourcesJson {
        sources: found.into_iter().map(source).collect(),
        quantities: QUANTITIES.map(|quantity| quantity.key).to_vec(),
    }))
}

/// Values of a circuit or monitor over time: as JSON, or as CSV where the request accepts text/csv.
#[utoipa::path(get, path = "/api/v1/history", operation_id = "get_history", params(Asked), tag = "history",
    responses(
        (status = 200, content((HistoryJson = "application/json"), (String = "text/csv"))),
        (status = 400, body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn values(
    State(readers): State<Readers>,
    headers: HeaderMap,
    Query(asked): Query<Asked>,
) -> Result<Response, Problem> {
    let reader = readers.history()?;
    let csv = headers.get(header::ACCEPT).and_then(|accept| accept.to_str().ok()).is_some_and(wants_csv);
    let mut response = readers.ask("reading the history", move || answer(&reader, &asked, csv)).await?;
    response.headers_mut().insert(header::VARY, HeaderValue::from_static("accept"));
    Ok(response)
}

/// The first of the two types that is named counts.
fn wants_csv(accept: &str) -> bool {
    let types = accept.split(',').map(|one| one.split(';').next().unwrap_or_default().trim());
    types.into_iter().find(|one| [CSV, "application/json"].contains(one)) == Some(CSV)
}

fn answer(reader: &HistoryReader, asked: &Asked, csv: bool) -> Result<Response, Problem> {
    let wanted = wanted(reader, asked)?;
    let series = reader.series(&wanted).map_err(|error| problem_of(&error))?;
    if series.rows.values.len() > VALUES_MAX {
        let most = VALUES_MAX / wanted.quantities.len().max(1);
        return Err(Problem::bad_request(format!(
            "these are {} rows, and {most} of so many quantities can be sent; ask for a shorter span, fewer quantities or \
             a number of points",
            series.rows.at_ms.len()
        )));
    }
    if !csv {
        return Ok(Json(document(wanted, series)).into_response());
    }
    let mut text = Vec::new();
    export::csv_head(&wanted.quantities, &mut text)
        .and_then(|()| export::csv_rows(&series.rows, &mut text))
        .map_err(|error| Problem::internal("writing the history", &error))?;
    Ok(([(header::CONTENT_TYPE, "text/csv; charset=utf-8")], body::Body::from(text)).into_response())
}

fn wanted(reader: &HistoryReader, asked: &Asked) -> Result<Wanted, Problem> {
    let from_ms = time("from", Some(&asked.from))?.unwrap_or(i64::MIN);
    let to_ms = time("to", asked.to.as_deref())?.unwrap_or(i64::MAX);
    if from_ms >= to_ms {
        return Err(Problem::bad_request("the span ends before it begins: to is not after from").about("to"));
    }
    let mut quantities = Vec::new();
    for name in asked.quantities.split(',') {
        let unknown = || {
            let detail = format!("{name:?} is no quantity; /api/v1/history/sources lists them");
            Problem::bad_request(detail).about("quantities")
        };
        let place = find(name).ok_or_else(unknown)?;
        if quantities.contains(&place) {
            return Err(Problem::bad_request(format!("{name} is named twice")).about("quantities"));
        }
        quantities.push(place);
    }
    let detail = match (asked.points, asked.tier.as_deref()) {
        (Some(_), Some(_)) => return Err(Problem::bad_request("say points or tier, not both").about("tier")),
        (None, Some(tier)) => Detail::Tier(word("tier", tier, &Tier::ALL.map(|tier| (tier.key(), tier)))?),
        (None, None) => Detail::Points(DEFAULT_POINTS),
        (Some(points), None) if (1..=POINTS_MAX).contains(&points) => Detail::Points(points),
        (Some(points), None) => {
            let detail = format!("points are from 1 to {POINTS_MAX}, not {points}");
            return Err(Problem::bad_request(detail).about("points"));
        }
    };
    let words = Statistic::ALL.map(|statistic| (statistic.key(), statistic));
    let statistic = asked.statistic.as_deref().map_or(Ok(Statistic::Mean), |said| word("statistic", said, &words))?;
    let source = source(reader, asked)?;
    Ok(Wanted { source, quantities, from_ms, to_ms, detail, statistic })
}

fn source(reader: &HistoryReader, asked: &Asked) -> Result<Source, Problem> {
    let of = |is_monitor| Source { station: asked.station.clone(), is_monitor, name: asked.part.clone() };
    if let Some(kind) = asked.kind.as_deref() {
        return word("kind", kind, &[("circuit", false), ("monitor", true)]).map(of);
    }
    let known = reader.sources().map_err(|error| problem_of(&error))?;
    let mut fitting = [of(false), of(true)].into_iter().filter(|source| known.contains(source));
    match (fitting.next(), fitting.next()) {
        (Some(one), None) => Ok(one),
        (Some(_), Some(_)) => {
            let detail = "a circuit and a monitor have this name: say kind=circuit or kind=monitor";
            Err(Problem::bad_request(detail).about("kind"))
        }
        (None, _) if known.iter().any(|source| source.station == asked.station) => {
            Err(Problem::not_found(format!("nothing is kept of {:?} in this station", asked.part)).about("part"))
        }
        (None, _) => {
            Err(Problem::not_found(format!("nothing is kept of station {:?}", asked.station)).about("station"))
        }
    }
}

fn kind_of(source: &Source) -> &'static str {
    if source.is_monitor { "monitor" } else { "circuit" }
}

fn document(wanted: Wanted, series: Series) -> HistoryJson {
    let rows = series.rows;
    let width = rows.quantities.len();
    let column = |at: usize| {
        let values = rows.values.iter().skip(at).step_by(width);
        values.map(|value| value.is_finite().then_some(*value)).collect()
    };
    HistoryJson {
        kind: kind_of(&wanted.source),
        station: wanted.source.station,
        part: wanted.source.name,
        tier: series.tier.key(),
        interval_ms: series.interval_ms,
        statistic: wanted.statistic.key(),
        columns: rows.quantities.iter().enumerate().map(|(at, place)| (QUANTITIES[*place].key, column(at))).collect(),
        at_unix_ms: rows.at_ms,
        samples: rows.samples,
    }
}
