//! How well the alarms of a period served the operator, from the journal.

use axum::Json;
use axum::extract::State;
use serde::Deserialize;
use utoipa::IntoParams;

use super::Api;
use super::problem::{Problem, Query};
use super::readers::time;
use crate::alarm_report::{Collected, Period, Report};
use crate::faces::alarm_report_text::period;
use crate::journal::file::JournalError;
use crate::journal::reader::{Cursor, Filter, JournalReader, PAGE_MAX};

/// The period that is wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// From when, RFC 3339; 30 days before the end without it.
    since: Option<String>,
    /// Before when, RFC 3339; now without it.
    until: Option<String>,
}

/// Rates, floods, standing, chattering, fleeting and most frequent alarms, and priorities of a period.
#[utoipa::path(get, path = "/api/v1/alarm-report", operation_id = "get_alarm_report", params(Asked), tag = "alarms",
    responses(
        (status = 200, body = Report),
        (status = 400, body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn report(State(api): State<Api>, Query(asked): Query<Asked>) -> Result<Json<Report>, Problem> {
    let reader = api.readers.journal()?;
    let (since, until) = (time("since", asked.since.as_deref())?, time("until", asked.until.as_deref())?);
    let period = period(since, until, api.clock.now().wall.0)
        .map_err(|error| Problem::bad_request(format!("since: {error}")).about("since"))?;
    let read = move || of_journal(&reader, period).map_err(|error| Problem::internal("reading the journal", &error));
    Ok(Json(api.readers.ask("reading the journal", read).await?))
}

/// The figures from the whole journal, page by page.
fn of_journal(reader: &JournalReader, period: Period) -> Result<Report, JournalError> {
    let mut collected = Collected::new(period);
    let mut cursor = Cursor::Oldest;
    loop {
        let page = reader.page(&Filter::default(), cursor, PAGE_MAX)?;
        page.records.iter().for_each(|record| collected.take_record(record));
        match page.records.last().filter(|_| page.more) {
            Some(last) => cursor = Cursor::After(last.sequence),
            None => return Ok(collected.report()),
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::alarm::id::{AlarmId, AlarmKind};
    use crate::journal::{Entry, JournalFile, Kind};

    #[test]
    fn every_page_of_the_journal_counts() {
        let folder = tempfile::tempdir().unwrap();
        let (mut file, _) = JournalFile::open(folder.path(), 0).unwrap();
        let alarm = AlarmId::circuit("Alder Creek Lift", "Pump 1", AlarmKind::SupplyPhaseLost);
        let raised = |at_ms: i64| {
            Entry::new(at_ms, Kind::Transition, "").with(&json!({
                "alarm": alarm, "from": "normal", "to": "unacknowledged", "announcement": "now", "priority": "high",
            }))
        };
        let entries = PAGE_MAX as i64 + 500;
        file.append(&(0..entries).map(raised).collect::<Vec<_>>()).unwrap();
        let reader = JournalReader::new(folder.path());
        let report = of_journal(&reader, Period::new(0, entries).unwrap()).unwrap();
        assert_eq!(report.raised.total, entries as u64);
    }
}
