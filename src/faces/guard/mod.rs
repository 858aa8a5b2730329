//! Who is asking, and whether they may: the one place every request of the HTTP face goes through.
//!
//! `rules` are read from the API's own document; a route without a rule is refused. `door` knows users, tokens and sessions,
//! `check` judges a request, `headers` and `limits` go around everything, `acts` puts what people do in the journal.
//! Must never let a handler run for somebody who may not, nor put a secret into a log.

pub mod acts;
pub mod check;
pub mod credentials;
pub mod door;
pub mod headers;
pub mod limits;
pub mod rules;

#[cfg(test)]
mod tests;
#[cfg(test)]
pub(crate) mod walk;

use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::{from_fn_with_state, map_response_with_state};

use crate::config::web_model::HttpLimits;
use acts::Acts;
use door::Door;
use rules::Rules;

/// What the HTTP face asks before it answers. Clones share everything.
#[derive(Debug, Clone)]
pub struct Guard(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    rules: Rules,
    door: Option<Arc<Door>>,
    acts: Acts,
    is_secure: bool,
}

impl Guard {
    /// Without a `door` reading is open to whoever gets here, and nobody may act. `is_secure` when answers go through TLS.
    pub fn new(rules: Rules, door: Option<Arc<Door>>, acts: Acts, is_secure: bool) -> Guard {
        Guard(Arc::new(Inner { rules, door, acts, is_secure }))
    }

    /// Users, tokens and sessions; none when the configuration has no `[access]`.
    pub fn door(&self) -> Option<&Arc<Door>> {
        self.0.door.as_ref()
    }

    /// Puts what people do in the journal.
    pub fn acts(&self) -> &Acts {
        &self.0.acts
    }

    /// True when answers go through TLS.
    pub fn is_secure(&self) -> bool {
        self.0.is_secure
    }

    /// Puts the guard, the limits and the headers around routes. Nothing may be added to the router after this.
    pub fn around(&self, routes: Router, limits: &HttpLimits) -> Router {
        routes
            .layer(DefaultBodyLimit::max(limits.body_bytes))
            .layer(from_fn_with_state(self.clone(), check::check))
            .layer(from_fn_with_state(limits.clone(), limits::within))
            .layer(map_response_with_state(self.clone(), headers::strict))
    }
}
