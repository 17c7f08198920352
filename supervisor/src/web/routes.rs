//! How a route comes about: with what it needs of who asks, and in no other way. So none is open by oversight, and a test can walk
//! them all.

use super::doors::{Needs, check};
use super::{Web, keys};
use axum::Router;
use axum::handler::Handler;
use axum::http::Method;
use axum::middleware::from_fn_with_state;
use axum::routing::{MethodRouter, get, post};

/// One method of one address.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Declared {
    pub(super) method: Method,
    /// With `{names}` of its parts.
    pub(super) path: String,
    pub(super) needs: Needs,
}

/// Routes while they are put together.
pub(super) struct Routes {
    web: Web,
    router: Router<Web>,
    declared: Vec<Declared>,
    /// What its paths begin with.
    prefix: String,
}

impl Routes {
    pub(super) fn new(web: Web) -> Self {
        Self { web, router: Router::new(), declared: Vec::new(), prefix: String::new() }
    }

    /// What is read at `path`.
    pub(super) fn get<H: Handler<T, Web>, T: 'static>(self, path: &str, needs: Needs, handler: H) -> Self {
        self.add(Method::GET, path, needs, get(handler))
    }

    /// What is asked or decided at `path`.
    pub(super) fn post<H: Handler<T, Web>, T: 'static>(self, path: &str, needs: Needs, handler: H) -> Self {
        self.add(Method::POST, path, needs, post(handler))
    }

    fn add(mut self, method: Method, path: &str, needs: Needs, route: MethodRouter<Web>) -> Self {
        let known = keys::of(&format!("{}{path}", self.prefix)).filter(|_| method == Method::GET);
        let route = match known {
            Some(known) => route.route_layer(from_fn_with_state(known, keys::check)),
            None => route,
        };
        let guarded = route.route_layer(from_fn_with_state((self.web.clone(), needs), check));
        self.router = self.router.route(path, guarded);
        self.declared.push(Declared { method, path: path.to_owned(), needs });
        self
    }

    /// Puts the routes of `make` below `prefix`; what it does to the router of those goes for them alone.
    pub(super) fn nest(
        mut self,
        prefix: &str,
        make: impl FnOnce(Self) -> Self,
        finish: impl FnOnce(Router<Web>) -> Router<Web>,
    ) -> Self {
        let inner = make(Self { prefix: prefix.to_owned(), ..Self::new(self.web.clone()) });
        self.router = self.router.nest(prefix, finish(inner.router));
        let below = inner.declared.into_iter();
        self.declared.extend(below.map(|one| Declared { path: format!("{prefix}{}", one.path), ..one }));
        self
    }

    /// The router, and what was declared.
    pub(super) fn done(self) -> (Router<Web>, Vec<Declared>) {
        (self.router, self.declared)
    }
}
