//! Notes pinned to the stretch: those that reach into it, and a form for another.

use crate::web::Web;
use crate::web::doors::{self, Needs};
use crate::web::pages::name_field;
use crate::web::times::rfc3339;
use crate::web::trends::Asked;
use crate::web::trends::notes::{LONGEST, Pinned};
use maud::{Markup, html};

pub(super) fn show(web: &Web, asked: &Asked, notes: &[Pinned], name: Option<&str>) -> Markup {
    let line = &*web.app.line;
    html! {
        section #notes {
            h2 { "Notes on this stretch" }
            @if notes.is_empty() { p { "None yet." } }
            ul.events {
                @for note in notes {
                    li {
                        b { (note.n) } " "
                        @match asked.over(note.from, note.to) {
                            Some(there) => a href=(there.address(line, "/trend")) { (web.zone.stamp(note.from)) " to " (web.zone.stamp(note.to)) },
                            None => { (web.zone.stamp(note.from)) " to " (web.zone.stamp(note.to)) }
                        }
                        @if !note.signals.is_empty() { " " small { (note.signals.join(", ")) } }
                        p.written { (note.text) }
                        small { (note.by) ", " (web.zone.stamp(note.at)) }
                    }
                }
            }
            @if let Some(instead) = doors::instead(Needs::Operate, "keep a note here") { (instead) } @else { form.acknowledge method="post" action="/trend/notes" {
                input type="hidden" name="signals" value=(asked.tags(line).join(","));
                input type="hidden" name="from" value=(rfc3339(asked.span.from()));
                input type="hidden" name="to" value=(rfc3339(asked.span.to()));
                @if asked.shows_all_values { input type="hidden" name="axis" value="all"; }
                label for="note-text" { "A note about " (web.zone.stamp(asked.span.from())) " to " (web.zone.stamp(asked.span.to())) }
                input id="note-text" type="text" name="text" required maxlength=(LONGEST) autocomplete="off";
                (name_field("note-by", "Your name, as it shall stand beside the note; nobody checks it", name))
                button type="submit" { "Keep the note" }
            } }
        }
    }
}
