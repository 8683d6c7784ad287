//! The operations of the contract as the frame needs them: found by method and address in a few steps, each with its
//! name, its pattern and its class. Read out of the published document, so that there is no second list of addresses.

use crate::limits;
use crate::openapi;
use crate::shedding::Class;
use actix_web::http::Method;
use std::collections::HashMap;
use utoipa::openapi::path::{Operation, ParameterIn};
use utoipa::openapi::{OpenApi, RefOr};

/// Name of an operation's class in the contract, where it does not follow from the operation's shape.
pub const CLASS: &str = "x-class";

/// Name of an operation's limit of bytes in the contract, where it is another than that of all bodies.
pub const BODY_LIMIT: &str = "x-body-limit";

/// One operation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Known {
    /// Its number, from zero.
    pub number: usize,
    /// Its method.
    pub method: Method,
    /// Its address with names for the variable steps.
    pub pattern: String,
    /// What is refused with it under load; none for what touches no database.
    pub class: Option<Class>,
    /// Whether it reads a body.
    pub reads_body: bool,
    /// Whether it may wait before it answers.
    pub waits: bool,
    /// Most bytes of its body.
    pub most_bytes: usize,
    /// Whether it answers pages of a list, which can be had as a whole too.
    pub pages: bool,
}

/// All operations.
#[derive(Debug)]
pub struct Catalogue {
    known: Vec<Known>,
    root: Step,
}

#[derive(Debug, Default)]
struct Step {
    named: HashMap<String, Step>,
    variable: Option<Box<Step>>,
    /// Numbers of the operations of this address.
    here: Vec<usize>,
}

impl Catalogue {
    /// Those of a document.
    pub fn of(document: &OpenApi) -> Self {
        let mut catalogue = Self {
            known: Vec::new(),
            root: Step::default(),
        };
        for (pattern, item) in &document.paths.paths {
            for (method, operation) in openapi::operations(item) {
                let Ok(method) = Method::from_bytes(method.as_bytes()) else {
                    continue;
                };
                let number = catalogue.known.len();
                catalogue.root.at(pattern).here.push(number);
                catalogue.known.push(Known {
                    number,
                    class: class(&method, operation),
                    method,
                    pattern: pattern.clone(),
                    reads_body: operation.request_body.is_some(),
                    most_bytes: most_bytes(operation),
                    waits: takes(operation, "wait"),
                    pages: takes(operation, "limit") && offers_streams(operation),
                });
            }
        }
        catalogue
    }
    /// Every operation.
    pub fn known(&self) -> &[Known] {
        &self.known
    }
    /// The operation of a method at an address.
    pub fn find(&self, method: &Method, path: &str) -> Option<&Known> {
        let mut steps = path.split('/');
        let step = self.root.find(&mut steps)?;
        let mut here = step.here.iter().filter_map(|number| self.known.get(*number));
        here.find(|known| known.method == *method)
    }
}

impl Step {
    fn at(&mut self, pattern: &str) -> &mut Self {
        let mut step = self;
        for part in pattern.split('/') {
            step = if part.starts_with('{') {
                step.variable.get_or_insert_default()
            } else {
                step.named.entry(part.to_owned()).or_default()
            };
        }
        step
    }
    fn find<'step, 'path>(
        &'step self,
        rest: &mut (impl Iterator<Item = &'path str> + Clone),
    ) -> Option<&'step Self> {
        let Some(part) = rest.next() else {
            return (!self.here.is_empty()).then_some(self);
        };
        let named = self.named.get(part).and_then(|step| step.find(&mut rest.clone()));
        named.or_else(|| {
            let variable = self.variable.as_ref().filter(|_| !part.is_empty())?;
            variable.find(rest)
        })
    }
}

/// How large an operation's body may be.
fn most_bytes(operation: &Operation) -> usize {
    let named = operation.extensions.as_ref().and_then(|all| all.get(BODY_LIMIT));
    match named.and_then(|name| name.as_str()) {
        Some("push") => limits::PUSH_BYTES.count(),
        Some(_) | None => limits::BODY.count(),
    }
}

/// Whether an operation has a parameter of this name in its query.
fn takes(operation: &Operation, name: &str) -> bool {
    operation
        .parameters
        .iter()
        .flatten()
        .any(|parameter| match parameter {
            RefOr::T(parameter) => {
                parameter.name == name && matches!(parameter.parameter_in, ParameterIn::Query)
            }
            RefOr::Ref(_) => false,
        })
}

/// Whether an operation answers whole lists too.
fn offers_streams(operation: &Operation) -> bool {
    let all = operation.extensions.as_ref();
    all.is_some_and(|all| all.contains_key(openapi::CSV_COLUMNS))
}

/// The class of an operation: the one it names, else that of its shape.
fn class(method: &Method, operation: &Operation) -> Option<Class> {
    let extension = |name: &str| {
        let all = operation.extensions.as_ref()?;
        all.get(name)?.as_str().map(str::to_owned)
    };
    if let Some(named) = extension(CLASS) {
        return Class::named(&named);
    }
    let public = extension(openapi::PERMISSION).is_some_and(|name| name == openapi::PUBLIC);
    if *method != Method::GET {
        // Whoever need not say who they are gets no place of those who have to.
        return Some(if public { Class::SignIn } else { Class::Writes });
    }
    let reports = operation.tags.iter().flatten().any(|tag| tag == "Reports");
    if takes(operation, "limit") || reports {
        Some(Class::Lists)
    } else {
        // A single resource is read in order to write; what is public and only read asks no table.
        (!public).then_some(Class::Writes)
    }
}

#[cfg(test)]
mod tests {
    //! Addresses are found as they are written in the contract, and every operation has its class.

    use super::*;

    fn catalogue() -> Catalogue {
        Catalogue::of(&openapi::document())
    }

    #[test]
    fn every_operation_is_found_by_its_method_and_address() {
        let catalogue = catalogue();
        assert!(catalogue.known().len() > 40);
        for known in catalogue.known() {
            let path = known.pattern.replace(['{', '}'], "0");
            assert_eq!(catalogue.find(&known.method, &path), Some(known), "{path}");
        }
        for (method, path) in [
            (Method::GET, "/v1/nowhere"),
            (Method::GET, "/v1"),
            (Method::GET, "/v1/clamps/"),
            (Method::GET, "/v1/clamps/1/fitness/2"),
            (Method::TRACE, "/v1/clamps"),
        ] {
            assert_eq!(catalogue.find(&method, path), None, "{path}");
        }
    }

    #[test]
    fn an_operation_belongs_to_the_class_in_which_it_is_refused_under_load() {
        let catalogue = catalogue();
        let get = Method::GET;
        let post = Method::POST;
        for (method, path, class) in [
            (&get, "/v1/clamps/1/fitness", Some(Class::Fitness)),
            (&get, "/v1/fitness", Some(Class::Fitness)),
            (&post, "/v1/lift-checks", Some(Class::Fitness)),
            (&post, "/v1/clamps/1/tag-outs", Some(Class::Fitness)),
            (&post, "/v1/clamps/1/inspections", Some(Class::Writes)),
            (&post, "/v1/auth/token", Some(Class::SignIn)),
            (&post, "/v1/auth/refresh", Some(Class::SignIn)),
            (&post, "/v1/oauth/token", Some(Class::SignIn)),
            (&get, "/v1/clamps/1", Some(Class::Writes)),
            (&get, "/v1/clamps", Some(Class::Lists)),
            (&get, "/v1/clamps/1/entries", Some(Class::Lists)),
            (&get, "/v1/yards", Some(Class::Lists)),
            (&get, "/healthz", None),
            (&get, "/readyz", None),
            (&get, "/v1/limits", None),
            (&get, "/problems/not-found", None),
        ] {
            let known = catalogue.find(method, path).unwrap();
            assert_eq!(known.class, class, "{method} {path}");
        }
        let reports = catalogue
            .known()
            .iter()
            .filter(|known| known.pattern.starts_with("/v1/reports/"));
        for known in reports {
            assert_eq!(known.class, Some(Class::Lists), "{}", known.pattern);
        }
    }
}
