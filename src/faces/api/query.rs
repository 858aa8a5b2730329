//! Query parameters that no operation of a path knows are refused: a misspelt filter must not look like one that found nothing.
//!
//! What a path knows is read from the OpenAPI document, so that the two cannot differ.

use std::collections::HashMap;
use std::sync::Arc;

use axum::extract::{MatchedPath, Request, State};
use axum::http::Method;
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use utoipa::openapi::OpenApi;
use utoipa::openapi::path::{Operation, ParameterIn, PathItem};

use super::problem::Problem;

/// The query parameters of every operation.
#[derive(Debug, Clone)]
pub struct Known(Arc<HashMap<(String, Method), Vec<String>>>);

impl Known {
    /// Those of a document.
    pub fn of(document: &OpenApi) -> Known {
        let of_path = |(path, item): (&String, &PathItem)| {
            let operations = operations(item).map(|(method, operation)| ((path.clone(), method), names(operation)));
            operations.collect::<Vec<_>>()
        };
        Known(Arc::new(document.paths.paths.iter().flat_map(of_path).collect()))
    }
}

fn operations(item: &PathItem) -> impl Iterator<Item = (Method, &Operation)> {
    let all = [
        (Method::GET, &item.get),
        (Method::POST, &item.post),
        (Method::PUT, &item.put),
        (Method::PATCH, &item.patch),
        (Method::DELETE, &item.delete),
    ];
    all.into_iter().filter_map(|(method, operation)| Some((method, operation.as_ref()?)))
}

fn names(operation: &Operation) -> Vec<String> {
    let parameters = operation.parameters.iter().flatten();
    parameters.filter(|one| one.parameter_in == ParameterIn::Query).map(|one| one.name.clone()).collect()
}

/// Lets a request through whose parameters are known, each given once.
pub async fn refuse_unknown(
    State(known): State<Known>,
    path: Option<MatchedPath>,
    request: Request,
    next: Next,
) -> Response {
    let asked = path.map(|path| (path.as_str().to_owned(), request.method().clone()));
    // A path or method that is not there has a problem of its own.
    let names = asked.and_then(|asked| known.0.get(&asked));
    if let (Some(names), Some(query)) = (names, request.uri().query())
        && let Some(problem) = fault(query, names)
    {
        return problem.into_response();
    }
    next.run(request).await
}

fn fault(query: &str, names: &[String]) -> Option<Problem> {
    let mut given: Vec<String> = Vec::new();
    for (name, _) in form_urlencoded::parse(query.as_bytes()) {
        if !names.iter().any(|known| *known == name) {
            let known = match names {
                [] => "takes none".to_owned(),
                names => format!("takes {}", names.join(", ")),
            };
            return Some(
                Problem::bad_request(format!("there is no parameter {name:?} here; this path {known}")).about(name),
            );
        }
        if given.iter().any(|before| *before == name) {
            return Some(Problem::bad_request(format!("{name} is given twice")).about(name));
        }
        given.push(name.into_owned());
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_unknown_or_given_twice_is_refused() {
        let names = ["limit".to_owned(), "cursor".to_owned()];
        assert_eq!(fault("limit=1&cursor=a%26b", &names), None);
        assert_eq!(fault("", &[]), None);
        for (query, names, detail) in [
            ("limits=1", &names[..], "there is no parameter \"limits\" here; this path takes limit, cursor"),
            ("limit=1&x%20y=", &names[..], "there is no parameter \"x y\" here; this path takes limit, cursor"),
            ("limit=1", &[], "there is no parameter \"limit\" here; this path takes none"),
            ("limit=1&limit=2", &names[..], "limit is given twice"),
        ] {
            let told = serde_json::to_value(fault(query, names).unwrap()).unwrap();
            assert_eq!((told["detail"].as_str().unwrap(), told["status"].as_u64()), (detail, Some(400)), "{query}");
            assert!(told["parameter"].is_string(), "{query}");
        }
    }

    #[test]
    fn parameters_come_from_the_document() {
        let known = Known::of(&super::super::document());
        let of = |path: &str, method| known.0.get(&(path.to_owned(), method)).cloned();
        assert_eq!(of("/api/v1/stations", Method::GET).unwrap(), ["limit", "cursor"]);
        assert_eq!(of("/api/v1/stations/{station}", Method::GET).unwrap(), Vec::<String>::new());
        assert_eq!(of("/api/v1/stations", Method::POST), None);
    }
}
