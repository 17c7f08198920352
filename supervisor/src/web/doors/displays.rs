//! Screens on walls: a pass that an engineer makes at the machine, typed once at the screen, opens the wall page there and nothing
//! else, until it is taken back. The screen may hang where anybody can reach it, so no person's passphrase is left at it.

use super::forms::{bare, nobody_signs_in};
use super::visit::{cookie_of, visit};
use super::{Doors, Visitor, audit, locked};
use crate::web::Web;
use axum::extract::rejection::FormRejection;
use axum::extract::{Form, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};
use serde::Deserialize;
use setward_config::line::Access;
use sha2::{Digest as _, Sha256};
use std::time::Duration;

/// Letters of a pass: none that is taken for another.
const LETTERS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Random bytes of a pass: 24 letters of five bits.
const BYTES: usize = 15;
/// Letters between two hyphens.
const GROUP: usize = 4;
/// How long the screen's browser keeps it, s: 400 days, the longest that browsers allow.
pub(super) const KEPT_S: u32 = 400 * 86_400;

/// A pass that nobody can guess, as it is typed.
///
/// # Errors
/// When the system gives no random numbers.
pub(crate) fn new_pass() -> Result<String, String> {
    let bits = super::random::<BYTES>()?.iter().fold(0_u128, |bits, byte| bits << 8 | u128::from(*byte));
    let letter =
        |n: usize| LETTERS.get((bits >> (5 * n) & 31) as usize).map_or('0', |byte| char::from(*byte));
    let letters: Vec<char> = (0..BYTES * 8 / 5).map(letter).collect();
    Ok(letters.chunks(GROUP).map(|group| group.iter().collect::<String>()).collect::<Vec<_>>().join("-"))
}

/// A pass without hyphens and blanks, in capitals; letters that were taken for digits are those.
fn plain(typed: &str) -> String {
    let letters = typed.chars().filter(char::is_ascii_alphanumeric).take(64);
    let letters = letters.map(|letter| match letter.to_ascii_uppercase() {
        'O' => '0',
        'I' | 'L' => '1',
        other => other,
    });
    letters.collect()
}

/// What is kept of a pass.
pub(crate) fn hash(pass: &str) -> String {
    Sha256::digest(plain(pass)).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Which display this pass belongs to. Hashes are compared, so that the time it takes tells nothing of a pass.
pub(super) fn named(access: &Access, pass: Option<&str>) -> Option<String> {
    let displays = &access.users.as_ref()?.displays;
    let hash = hash(pass?);
    displays.iter().find(|display| display.pass == hash).map(|display| display.name.clone())
}

/// The form.
#[derive(Deserialize)]
pub(in crate::web) struct DisplayForm {
    pass: String,
}

fn form(said: &str) -> Markup {
    html! {
        p { "A screen that hangs in the hall shows the wall page, and nothing else, with a pass of its own: no person has to stay signed in at it." }
        @if !said.is_empty() { p.said role="status" { (said) } }
        form.login method="post" action="/display" {
            label for="pass" { "The display\u{2019}s pass" }
            input id="pass" type="text" name="pass" required maxlength="64" autocomplete="off" autocapitalize="characters" spellcheck="false";
            p { button type="submit" { "Show the wall here" } }
        }
        p.soft { "An engineer makes a pass at the machine: " code { "setward user FOLDER add-display \"NAME\"" } ", and takes it back with "
            code { "remove-display" } ". This browser keeps it for 400 days, or until then." }
    }
}

/// The page at which a screen is told its pass.
pub(in crate::web) async fn display_page(State(web): State<Web>) -> Response {
    if !web.app.doors.has_users() {
        return nobody_signs_in(&web);
    }
    let said = match visit().visitor {
        Visitor::Display { name } => format!("This screen shows the wall as \u{201c}{name}\u{201d}."),
        Visitor::Anybody | Visitor::Guest { .. } | Visitor::Person { .. } => String::new(),
    };
    bare(&web, StatusCode::OK, "A display", form(&said))
}

impl Doors {
    /// How long whoever is at `from` has to wait before another pass is looked at. A pass has no name to guess at, and is too long to
    /// be guessed from many places: so nobody elsewhere waits.
    fn display_wait(&self, from: std::net::IpAddr) -> Duration {
        locked(&self.guesses).wait_at(from, self.clock.uptime())
    }
}

/// Takes a pass, and leaves it with the screen's browser.
pub(in crate::web) async fn display(
    State(web): State<Web>,
    typed: Result<Form<DisplayForm>, FormRejection>,
) -> Response {
    let (doors, visit) = (&web.app.doors, visit());
    if !doors.has_users() {
        return nobody_signs_in(&web);
    }
    let Ok(Form(typed)) = typed else {
        return bare(
            &web,
            StatusCode::BAD_REQUEST,
            "A display",
            form("The form did not arrive whole. Try again."),
        );
    };
    let left = doors.display_wait(visit.address());
    if left > Duration::ZERO {
        let seconds = left.as_secs() + 1;
        let said = format!("Too many wrong tries: wait {seconds} s, then try again.");
        let mut page = bare(&web, StatusCode::TOO_MANY_REQUESTS, "A display", form(&said));
        page.headers_mut().insert(header::RETRY_AFTER, seconds.into());
        return page;
    }
    let pass = plain(&typed.pass);
    let Some(name) = named(&doors.access(), Some(&pass)) else {
        let tries = locked(&doors.guesses).wrong_at(visit.address(), doors.clock.uptime());
        doors.note_wrong(&web, &visit, tries).await;
        let said = "No display has this pass: it was mistyped, or taken back. 24 letters and digits, hyphens do not matter.";
        return bare(&web, StatusCode::FORBIDDEN, "A display", form(said));
    };
    let from = format!("from {}", visit.address());
    audit::note(&web, "display let in", &name, &from, None).await;
    ([(header::SET_COOKIE, cookie_of(doors, &pass))], Redirect::to("/wall")).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pass_is_long_never_the_same_and_can_be_typed_as_it_is_read() {
        let (one, other) = (new_pass().unwrap(), new_pass().unwrap());
        assert_ne!(one, other);
        assert_eq!((one.len(), plain(&one).len()), (29, 24));
        assert!(plain(&one).bytes().all(|byte| LETTERS.contains(&byte)), "{one}");
        assert_eq!(hash(&one), hash(&one.to_lowercase().replace('-', " ")));
        assert_eq!(hash("1O0L"), hash("l00i"));
        assert_ne!(hash(&one), hash(&other));
    }
}
