//! A person's acknowledgement, from a form: checked, passed on, answered in plain words. The name is remembered on the device.

use super::pages::said::Said;
use super::pages::{self, messages};
use super::{Web, doors, names};
use crate::handle::{Granted, Refusal, Wish, WishRequest};
use crate::snapshot::RunId;
use axum::extract::rejection::FormRejection;
use axum::extract::{Form, Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use percent_encoding::{NON_ALPHANUMERIC, percent_decode_str, utf8_percent_encode};
use serde::Deserialize;
use setward_alarm::AlarmId;
use utoipa::ToSchema;

/// Longest name, characters.
const LONGEST_NAME: usize = 60;

/// The cookie that holds the name. Not a login: it only saves typing.
const NAME_COOKIE: &str = "setward_name";

/// A quarter of a year.
const NAME_COOKIE_AGE_S: u32 = 90 * 86_400;

/// The form of an alarm's acknowledge button.
#[derive(Deserialize)]
pub(super) struct AcknowledgeForm {
    run: i64,
    occurrence: u32,
    #[serde(default)]
    by: String,
    #[serde(default)]
    back: Back,
}

/// Body of an acknowledgement over the API.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct AcknowledgeBody {
    pub(super) run: i64,
    pub(super) occurrence: u32,
    #[serde(default)]
    pub(super) by: String,
}

/// Where the person was.
#[derive(Deserialize, Default, Clone, Copy, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
enum Back {
    #[default]
    Alarm,
    List,
}

/// Who a record is by: whoever is signed in; where nobody signs in, the name as typed.
pub(super) fn checked_name(by: &str) -> Option<String> {
    doors::signed_name().or_else(|| well_formed_name(by))
}

/// A name as people may give it: trimmed, 1 to 60 characters, none of them a control character.
pub(super) fn well_formed_name(by: &str) -> Option<String> {
    let name = by.trim();
    let length = name.chars().count();
    let fits = (1..=LONGEST_NAME).contains(&length) && !name.chars().any(char::is_control);
    fits.then(|| name.to_owned())
}

/// The name of whoever is signed in, or that this device gave last.
pub(super) fn remembered_name(headers: &HeaderMap) -> Option<String> {
    if let Some(name) = doors::signed_name() {
        return Some(name);
    }
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut pairs = cookies.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    let (_, value) = pairs.find(|(name, _)| *name == NAME_COOKIE)?;
    well_formed_name(&percent_decode_str(value).decode_utf8().ok()?)
}

pub(super) fn name_cookie(name: &str) -> String {
    let value = utf8_percent_encode(name, NON_ALPHANUMERIC);
    format!("{NAME_COOKIE}={value}; Path=/; Max-Age={NAME_COOKIE_AGE_S}; SameSite=Strict; HttpOnly")
}

/// Asks the line task to acknowledge.
pub(super) async fn ask(
    web: &Web,
    alarm: AlarmId,
    (run, occurrence): (i64, u32),
    by: String,
) -> Result<Granted, Refusal> {
    let wish = Wish::Acknowledge;
    web.app.handle.ask(WishRequest { alarm, run: RunId(run), occurrence, by, why: None, wish }).await
}

/// Takes the form and sends the browser back with the outcome in words.
pub(super) async fn from_form(
    State(web): State<Web>,
    Path(id): Path<String>,
    headers: HeaderMap,
    form: Result<Form<AcknowledgeForm>, FormRejection>,
) -> Response {
    let Ok(alarm) = names::alarm(&web.app.line, &id) else { return messages::no_such_alarm(&web, &id) };
    let Form(form) = match form {
        Ok(form) => form,
        Err(rejection) => return messages::bad_form(&web, rejection.status()),
    };
    let Some(by) = checked_name(&form.by) else {
        let page = pages::alarm::render(&web, alarm, &headers, Said::NoName.show()).await;
        return (StatusCode::UNPROCESSABLE_ENTITY, page).into_response();
    };
    let cookie = name_cookie(&by);
    let said = outcome(ask(&web, alarm, (form.run, form.occurrence), by).await);
    let page = match form.back {
        Back::Alarm => format!("/alarms/{id}?said={}", said.key()),
        Back::List => format!("/alarms?said={}", said.key()),
    };
    (StatusCode::SEE_OTHER, [(header::LOCATION, page), (header::SET_COOKIE, cookie)]).into_response()
}

fn outcome(answer: Result<Granted, Refusal>) -> Said {
    match answer {
        Ok(Granted { durable: false, .. }) => Said::NotDurable,
        Ok(Granted { already: true, .. }) => Said::Already,
        Ok(Granted { .. }) => Said::Acknowledged,
        Err(Refusal::Stale { .. }) => Said::Stale,
        // The others are no answers to an acknowledgement.
        Err(Refusal::NeverRaised | Refusal::NotResettable | Refusal::TooLong { .. }) => Said::NeverRaised,
        Err(Refusal::Unavailable) => Said::Unavailable,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderValue;

    #[test]
    fn a_name_is_trimmed_and_neither_empty_nor_endless() {
        assert_eq!(well_formed_name("  Inés  ").as_deref(), Some("Inés"));
        assert_eq!(well_formed_name(" \t "), None);
        assert_eq!(well_formed_name("a\nb"), None);
        assert_eq!(well_formed_name(&"é".repeat(60)), Some("é".repeat(60)));
        assert_eq!(well_formed_name(&"é".repeat(61)), None);
    }

    #[test]
    fn any_name_survives_the_cookie() {
        for name in ["Inés; Path=/x", "a=b,c\"d", "夜勤", "<script>"] {
            let sent = name_cookie(name);
            let pair = sent.split(';').next().unwrap();
            let mut headers = HeaderMap::new();
            headers.insert(header::COOKIE, HeaderValue::from_str(&format!("other=1; {pair}")).unwrap());
            assert_eq!(remembered_name(&headers).as_deref(), Some(name));
            assert!(sent.ends_with("SameSite=Strict; HttpOnly"));
        }
    }
}
