//! The kinds of alarms: the rationalization as it stands in the program, the same for every installation.

use axum::Json;
use serde::Serialize;
use utoipa::ToSchema;

use crate::alarm::rationale::{self, Rationale};

/// A kind of alarm, work order or event.
#[derive(Debug, Serialize, ToSchema)]
pub struct AlarmKindJson {
    kind: &'static str,
    /// alarm: an operator acts; work_order: a planned visit, never announced at night; event: nobody acts.
    class: &'static str,
    /// At most 60 characters.
    title: &'static str,
    /// Default; the configuration can change it.
    priority: &'static str,
    /// not_needed, days, shift, hour, before_next_start, minutes.
    respond: &'static str,
    cause: &'static str,
    consequence: &'static str,
    operator_action: &'static str,
    why_this_priority: &'static str,
}

/// All kinds of alarms.
#[derive(Debug, Serialize, ToSchema)]
pub struct AlarmKindsJson {
    items: Vec<AlarmKindJson>,
}

/// All kinds with cause, consequence, action, time to respond, priority and why.
#[utoipa::path(get, path = "/api/v1/alarm-kinds", operation_id = "list_alarm_kinds", tag = "alarms",
    responses((status = 200, body = AlarmKindsJson)),
    extensions(("x-permission" = json!("view"))))]
pub async fn list() -> Json<AlarmKindsJson> {
    Json(kinds_json())
}

/// The same as a document.
pub fn kinds_json() -> AlarmKindsJson {
    let json = |row: &Rationale| AlarmKindJson {
        kind: row.kind.key(),
        class: row.class.key(),
        title: row.title,
        priority: row.priority.key(),
        respond: row.respond.key(),
        cause: row.cause,
        consequence: row.consequence,
        operator_action: row.action,
        why_this_priority: row.why,
    };
    AlarmKindsJson { items: rationale::all().iter().map(json).collect() }
}
