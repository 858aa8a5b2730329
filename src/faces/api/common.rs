//! What any operation may answer because of what stands before it: added to the document in one place, for all of them.
//!
//! Must never replace what an operation says itself.

use utoipa::openapi::path::{Operation, PathItem};
use utoipa::openapi::{ContentBuilder, OpenApi, Ref, ResponseBuilder};

use super::problem::CONTENT_TYPE;
use crate::faces::guard::rules::X_PERMISSION;

/// Adds them, by the permission that each operation asks for.
pub fn add_answers(document: &mut OpenApi) {
    for item in document.paths.paths.values_mut() {
        for operation in operations(item) {
            let extensions = operation.extensions.as_ref();
            let permission = extensions.and_then(|all| all.get(X_PERMISSION)).and_then(|word| word.as_str());
            let answers: &[(&str, &str)] = match permission {
                Some("none") => &[UNKNOWN_PARAMETER],
                Some("view") => &[UNKNOWN_PARAMETER, NOBODY],
                _ => &[UNKNOWN_PARAMETER, NOBODY, OTHER_ROLE],
            };
            let is_act = !matches!(permission, Some("none" | "view"));
            let of_body: &[(&str, &str)] = if is_act && operation.request_body.is_some() { &OF_A_BODY } else { &[] };
            let of_act: &[(&str, &str)] = if is_act { &[NOT_NOW] } else { &[] };
            for (status, description) in answers.iter().chain(of_body).chain(of_act) {
                let content = ContentBuilder::new().schema(Some(Ref::from_schema_name("Problem"))).build();
                let answer = ResponseBuilder::new().description(*description).content(CONTENT_TYPE, content).build();
                operation.responses.responses.entry((*status).to_owned()).or_insert(answer.into());
            }
        }
    }
}

const UNKNOWN_PARAMETER: (&str, &str) = ("400", "A parameter that is not right, or that this path does not know");
const NOBODY: (&str, &str) = ("401", "It is not known who asks");
const OTHER_ROLE: (&str, &str) = ("403", "Who asks may not do this");

/// What is wrong with a body, before an act looks at it or when it does.
const OF_A_BODY: [(&str, &str); 3] =
    [("413", "The body is too long"), ("415", "The body is not JSON"), ("422", "What was sent cannot be taken")];
const NOT_NOW: (&str, &str) = ("503", "It cannot be recorded, or the daemon is stopping: it was not done");

fn operations(item: &mut PathItem) -> impl Iterator<Item = &mut Operation> {
    [&mut item.get, &mut item.post, &mut item.put, &mut item.patch, &mut item.delete].into_iter().flatten()
}

#[cfg(test)]
mod tests {
    #[test]
    fn who_is_not_known_is_told_so_wherever_a_permission_is_needed() {
        let document = serde_json::to_value(super::super::document()).unwrap();
        for (path, methods) in document["paths"].as_object().unwrap() {
            for (method, operation) in methods.as_object().unwrap() {
                let says = |status: &str| {
                    operation["responses"][status]["content"]["application/problem+json"]["schema"]["$ref"]
                        == "#/components/schemas/Problem"
                };
                let permission = operation["x-permission"].as_str().unwrap();
                assert!(says("400"), "{method} {path}");
                assert!(says("401") || permission == "none", "{method} {path}");
                assert!(says("403") || permission == "none" || permission == "view", "{method} {path}");
            }
        }
    }
}
