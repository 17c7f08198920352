//! `GET /api/v1/openapi.json`: every address of the API, for programs that make programs. A copy stands in `openapi.json`, and a
//! test holds both against the routes.

use super::acknowledge::AcknowledgeBody;
use super::api_types::back_test::{BackTestFullBody, BackTestHead, BackTestsBody, BegunBody, NumbersBody};
use super::api_types::board::{ChangeoverBody, StartUpBody};
use super::api_types::tank::TanksBody;
use super::api_types::trend::TrendBody;
use super::api_types::{AlarmBody, GrantedBody, LineBody, SignalBody, entries as entry_types};
use super::backtest::api::Body as BackTestBody;
use super::channels::{ChannelBody, TestBody, TriedBody};
use super::entries::EntryBody;
use super::events::EventsBody;
use super::pages::past::TimesBody;
use super::pages::records::{batches::BatchesBody, holds::HoldsBody};
use super::problem::Problem;
use super::records::{CloseWish, DecisionWish, HoldWish, Kept, ReasonWish, SignWish};
use super::reload::{OutcomeBody, ReloadBody, UsersBody};
use super::wishes::WishBody;
use crate::report::AlarmReport;
use crate::report::batch::BatchReport;
use crate::report::hold_window::HoldReport;
use crate::report::review::ReviewReport;
use crate::report::shift::ShiftReport;
use crate::report::statistics::StatisticsReport;
use axum::Json;
use axum::response::{IntoResponse, Response};
use std::collections::BTreeMap;
use std::sync::Arc;
use utoipa::ToSchema;
use utoipa::openapi::path::{
    HttpMethod, OperationBuilder, Parameter, ParameterBuilder, ParameterIn, PathItem,
};
use utoipa::openapi::request_body::RequestBodyBuilder;
use utoipa::openapi::schema::{ArrayBuilder, ObjectBuilder, Schema, SchemaType, Type};
use utoipa::openapi::{
    ComponentsBuilder, ContentBuilder, InfoBuilder, OpenApi, OpenApiBuilder, Paths, Ref, RefOr, Required,
    ResponseBuilder,
};

/// Serves it.
pub(super) async fn show() -> Response {
    Json(document()).into_response()
}

/// The whole document.
pub(super) fn document() -> OpenApi {
    let mut book = Book::default();
    present(&mut book);
    past(&mut book);
    alarm_wishes(&mut book);
    records(&mut book);
    boards(&mut book);
    back_tests(&mut book);
    book.read("/openapi.json", "This document", &[], object("An OpenAPI document"));
    let about = "Reads of a line under watch, and what people ask and decide. Nothing here writes to a controller. Times are RFC 3339 in \
                 UTC; a number's unit is the last word of its key, or stands in a `unit` beside it. Refusals are RFC 9457 problems. Where \
                 people sign in, `by` is theirs, whatever a body says.";
    let info = InfoBuilder::new().title("Setward").version("1").description(Some(about)).build();
    let components = book.components.into_iter();
    let components =
        components.fold(ComponentsBuilder::new(), |all, (name, schema)| all.schema(name, schema));
    OpenApiBuilder::new().info(info).paths(book.paths).components(Some(components.build())).build()
}

/// By path: the keys that a read takes behind the `?`.
pub(super) fn keys() -> BTreeMap<String, Arc<[String]>> {
    let of_read = |item: PathItem| {
        let parameters = item.get?.parameters.unwrap_or_default();
        let keys = parameters.into_iter().filter(|one| one.parameter_in == ParameterIn::Query);
        Some(keys.map(|one| one.name).collect())
    };
    let paths = document().paths.paths.into_iter();
    paths.filter_map(|(path, item)| Some((path, of_read(item)?))).collect()
}

fn present(book: &mut Book) {
    let line = book.one::<LineBody>();
    book.read("/line", "The line, its stations and controllers", &[], line);
    let signals = book.list::<SignalBody>();
    book.read("/signals", "Every signal with its value", &[], signals);
    let signal = book.one::<SignalBody>();
    book.read("/signals/{tag}", "One signal", &[], signal);
    let alarms = book.list::<AlarmBody>();
    book.read("/alarms", "Every alarm with its state", &[], alarms);
    let alarm = book.one::<AlarmBody>();
    book.read("/alarms/{id}", "One alarm", &[], alarm);
    let entries = book.list::<entry_types::EntryBody>();
    book.read("/entries", "What people enter, and when it is due", &[], entries);
    let tanks = book.one::<TanksBody>();
    book.read("/tanks", "What is in each tank, how old it is, and how long the corn lasts", &[], tanks);
    let channels = book.list::<ChannelBody>();
    book.read("/channels", "How each way is doing in which alarms leave", &[], channels);
}

/// `from` and `to`, as most reports have them.
const OVER: [(&str, &str); 2] = [("from", "RFC 3339"), ("to", "RFC 3339")];
const PAGE: [(&str, &str); 2] =
    [("limit", "Items of a page, 1 to 1000; 100 without it"), ("after", "The `next` of the page before")];

fn past(book: &mut Book) {
    let events = book.known::<EventsBody>();
    book.read(
        "/events",
        "What happened, newest first",
        &[("alarm", "Id of an alarm"), PAGE[0], PAGE[1]],
        events,
    );
    let times = book.known::<TimesBody>();
    book.read("/alarms/{id}/times", "The occurrences of an alarm that called somebody", &PAGE, times);
    let batches = book.known::<BatchesBody>();
    book.read("/batches", "Kettle batches, newest first", &PAGE, batches);
    let batch = book.known::<BatchReport>();
    book.read("/batches/{id}", "The record of one batch", &[], batch);
    let holds = book.known::<HoldsBody>();
    book.read("/holds", "Product on hold, and what became of it", &PAGE, holds);
    reports(book);
    let trend = book.known::<TrendBody>();
    book.read(
        "/trend",
        "Signals over time, drawn small enough for a screen",
        &[
            ("signals", "Tags with commas between"),
            ("last", "A length, 8h"),
            OVER[0],
            OVER[1],
            ("against", "RFC 3339; the beginning of a stretch as long to hold it against"),
            ("columns", "Columns of a drawing, 10 to 2000"),
            ("axis", "band, or all: what a drawing's axis has to hold"),
            ("parts", "panes: columns and stops alone"),
        ],
        trend,
    );
}

fn reports(book: &mut Book) {
    let alarms = book.known::<AlarmReport>();
    book.read("/reports/alarms", "Calls, nuisances, blindness of each alarm", &OVER, alarms);
    let (shift, hold) = (book.known::<ShiftReport>(), book.known::<HoldReport>());
    let (review, statistics) = (book.known::<ReviewReport>(), book.known::<StatisticsReport>());
    book.read(
        "/reports/shift",
        "The handover of a shift",
        &[("shift", "Its name"), ("date", "Of its beginning")],
        shift,
    );
    book.read(
        "/reports/hold",
        "What to hold for an occurrence of an alarm",
        &[("alarm!", "Id of the alarm"), ("occurrence", "Its number; the newest without it")],
        hold,
    );
    book.read(
        "/reports/records",
        "The review of a stretch of time",
        &[OVER[0], OVER[1], ("lot", "The review of this lot instead")],
        review,
    );
    book.read(
        "/reports/statistics",
        "Time in band, capability and charts of a signal",
        &[("signal!", "Its tag"), ("by", "window, shift, day, recipe, batch or lot"), OVER[0], OVER[1]],
        statistics,
    );
}

fn alarm_wishes(book: &mut Book) {
    let (body, granted) = (book.known::<AcknowledgeBody>(), book.known::<GrantedBody>());
    book.ask("/alarms/{id}/acknowledge", "Acknowledges one occurrence", body, granted.clone());
    for (path, summary) in [
        (
            "/alarms/{id}/{wish}",
            "Shelves an alarm, takes it off the shelf, or resets it: shelve, unshelve, reset",
        ),
        ("/alarms/{id}/out-of-service", "Takes an alarm out of service"),
        ("/alarms/{id}/return-to-service", "Returns it"),
    ] {
        let body = book.known::<WishBody>();
        book.ask(path, summary, body, granted.clone());
    }
    let (body, kept) = (book.known::<CloseWish>(), book.known::<Kept>());
    book.ask("/alarms/{id}/close", "Says what an occurrence was", body, kept);
}

fn records(book: &mut Book) {
    let kept = book.known::<Kept>();
    let (body, entered) = (book.known::<EntryBody>(), book.known::<entry_types::EnteredBody>());
    book.ask("/entries", "Enters what a person read, weighed or checked", body, entered);
    let body = book.known::<HoldWish>();
    book.ask("/holds", "Puts product on hold", body, kept.clone());
    let body = book.known::<DecisionWish>();
    book.ask("/holds/{n}/decision", "Decides what becomes of it", body, kept.clone());
    let body = book.known::<ReasonWish>();
    book.ask("/stops/{id}/reason", "Gives the reason of a stop", body, kept.clone());
    let body = book.known::<SignWish>();
    book.ask("/sign-offs", "Signs a review", body, kept);
    let (body, tried) = (book.known::<TestBody>(), book.known::<TriedBody>());
    book.ask("/channels/test", "Sends a message that only tries the way", body, tried);
    let (body, outcome) = (book.known::<ReloadBody>(), book.known::<OutcomeBody>());
    book.ask("/reload", "Has the line folder read anew", body, outcome.clone());
    let body = book.known::<UsersBody>();
    book.ask("/users/reload", "Has who may come in read anew, and nothing else", body, outcome);
}

fn boards(book: &mut Book) {
    let (start_up, changeover) = (book.known::<StartUpBody>(), book.known::<ChangeoverBody>());
    book.read(
        "/start-up",
        "What is not ready yet, station by station",
        &[("recipe", "Against which; the one that runs without it")],
        start_up,
    );
    book.read(
        "/changeover",
        "What has to change from one recipe to another",
        &[("from", "A recipe's key"), ("to", "Another's")],
        changeover,
    );
}

fn back_tests(book: &mut Book) {
    let (numbers, all) = (book.known::<NumbersBody>(), book.known::<BackTestsBody>());
    let (one, head) = (book.known::<BackTestFullBody>(), book.known::<BackTestHead>());
    book.read("/alarms/{id}/numbers", "The numbers of an alarm, as its file has them", &[], numbers);
    book.read("/back-tests", "Every back-test that is kept", &[], all);
    book.read("/back-tests/{n}", "One, with what it found once it is done", &[], one);
    let (body, begun) = (book.known::<BackTestBody>(), book.known::<BegunBody>());
    book.ask("/back-tests", "Tries other numbers of an alarm on the last days", body, begun);
    book.begins("/back-tests");
    book.ask("/back-tests/{n}/stop", "Stops one that runs", object("Nothing"), head);
}

/// The document while it is written.
#[derive(Default)]
struct Book {
    paths: Paths,
    components: BTreeMap<String, RefOr<Schema>>,
}

fn typed(kind: Type) -> RefOr<Schema> {
    ObjectBuilder::new().schema_type(SchemaType::new(kind)).into()
}

/// An object without described keys: what is sent with nothing in it, and the document itself.
fn object(title: &str) -> RefOr<Schema> {
    ObjectBuilder::new().title(Some(title)).schema_type(SchemaType::new(Type::Object)).into()
}

fn path_parameters(path: &str) -> Vec<Parameter> {
    let names = path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}'));
    let one = |name: &str| {
        let kind = if name == "n" { Type::Integer } else { Type::String };
        let built = ParameterBuilder::new().name(name).parameter_in(ParameterIn::Path);
        built.required(Required::True).schema(Some(typed(kind))).build()
    };
    names.map(one).collect()
}

impl Book {
    /// A body that is described, and what it is made of.
    fn known<T: ToSchema>(&mut self) -> RefOr<Schema> {
        let mut parts = vec![(T::name().into_owned(), T::schema())];
        T::schemas(&mut parts);
        self.components.extend(parts);
        Ref::from_schema_name(T::name()).into()
    }

    fn framed(&mut self, key: &str, inner: RefOr<Schema>) -> RefOr<Schema> {
        let frame = ObjectBuilder::new()
            .schema_type(SchemaType::new(Type::Object))
            .property("schema_version", typed(Type::Integer))
            .property("run", typed(Type::Integer))
            .property("at", typed(Type::String))
            .property(key, inner);
        ["schema_version", "run", "at", key].into_iter().fold(frame, ObjectBuilder::required).into()
    }

    fn one<T: ToSchema>(&mut self) -> RefOr<Schema> {
        let inner = self.known::<T>();
        self.framed("item", inner)
    }

    fn list<T: ToSchema>(&mut self) -> RefOr<Schema> {
        let inner = self.known::<T>();
        self.framed("items", ArrayBuilder::new().items(inner).into())
    }

    fn operation(&mut self, path: &str, summary: &str, answer: RefOr<Schema>) -> OperationBuilder {
        let problem = self.known::<Problem>();
        let json = |schema: RefOr<Schema>| ContentBuilder::new().schema(Some(schema)).build();
        let good = ResponseBuilder::new().description("Done").content("application/json", json(answer));
        let refused = || {
            let built = ResponseBuilder::new().description("Refused, with the reason in words");
            built.content("application/problem+json", json(problem.clone())).build()
        };
        let mut built = OperationBuilder::new().summary(Some(summary)).response("200", good.build());
        for status in ["400", "403", "404", "405", "409", "413", "415", "422", "429", "503"] {
            built = built.response(status, refused());
        }
        path_parameters(path).into_iter().fold(built, OperationBuilder::parameter)
    }

    fn read(&mut self, path: &str, summary: &str, query: &[(&str, &str)], answer: RefOr<Schema>) {
        let mut built = self.operation(path, summary, answer);
        for (name, text) in query {
            let required = if name.ends_with('!') { Required::True } else { Required::False };
            let one =
                ParameterBuilder::new().name(name.trim_end_matches('!')).parameter_in(ParameterIn::Query);
            built = built.parameter(
                one.required(required).description(Some(*text)).schema(Some(typed(Type::String))).build(),
            );
        }
        let unchanged = ResponseBuilder::new().description("As the asker has it (If-None-Match)").build();
        let built = built.response("304", unchanged).build();
        self.paths.add_path_operation(format!("/api/v1{path}"), vec![HttpMethod::Get], built);
    }

    /// What was asked at a path goes on after the answer.
    fn begins(&mut self, path: &str) {
        let begun = ResponseBuilder::new().description("Begun; `location` says where it is").build();
        let own = self.paths.paths.get_mut(&format!("/api/v1{path}")).and_then(|item| item.post.as_mut());
        if let Some(asked) = own {
            asked.responses.responses.insert("202".to_owned(), RefOr::T(begun));
        }
    }

    fn ask(&mut self, path: &str, summary: &str, body: RefOr<Schema>, answer: RefOr<Schema>) {
        let content = ContentBuilder::new().schema(Some(body)).build();
        let body =
            RequestBodyBuilder::new().content("application/json", content).required(Some(Required::True));
        let built = self.operation(path, summary, answer).request_body(Some(body.build())).build();
        self.paths.add_path_operation(format!("/api/v1{path}"), vec![HttpMethod::Post], built);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::tests::stage_of_night;
    use crate::web::{Web, declare};
    use std::collections::BTreeSet;

    fn snapshot_file() -> std::path::PathBuf {
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("openapi.json")
    }

    /// `SETWARD_WRITE=1 cargo test --release -p setward --lib openapi` writes the copy anew.
    #[test]
    fn the_copy_of_the_document_is_current() {
        let text = serde_json::to_string_pretty(&document()).unwrap() + "\n";
        if std::env::var_os("SETWARD_WRITE").is_some() {
            std::fs::write(snapshot_file(), &text).unwrap();
        }
        assert_eq!(std::fs::read_to_string(snapshot_file()).unwrap_or_default(), text, "write it anew");
    }

    #[tokio::test]
    async fn every_address_of_the_api_is_in_the_document_and_nothing_else() {
        let routes = declare(&Web::new(stage_of_night())).done().1;
        let api = routes.into_iter().filter(|one| one.path.starts_with("/api/"));
        // A method has no order of its own; its name has.
        let served: BTreeSet<(String, String)> = api.map(|one| (one.path, one.method.to_string())).collect();
        let described: BTreeSet<(String, String)> = document()
            .paths
            .paths
            .iter()
            .flat_map(|(path, item)| {
                let get = item.get.as_ref().map(|_| (path.clone(), "GET".to_owned()));
                get.into_iter().chain(item.post.as_ref().map(|_| (path.clone(), "POST".to_owned())))
            })
            .collect();
        assert_eq!(described, served);
    }
    #[test]
    fn every_answer_says_what_it_is_made_of() {
        let document = serde_json::to_value(document()).unwrap();
        let mut bare = Vec::new();
        for (path, item) in document["paths"].as_object().unwrap() {
            for (method, operation) in item.as_object().unwrap() {
                let schema = &operation["responses"]["200"]["content"]["application/json"]["schema"];
                if schema.get("$ref").is_none() && schema.get("properties").is_none() {
                    bare.push(format!("{method} {path}"));
                }
            }
        }
        assert_eq!(bare, ["get /api/v1/openapi.json"]);
    }
}
