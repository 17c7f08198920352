//! A proof as one HTML file that prints well: no script, nothing from elsewhere.

use super::report::{Counts, Proof, Proven, Report, Verdict};
use super::text::{cleared, expected, span};
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = "\
:root{color-scheme:light}body{font:15px/1.4 system-ui,sans-serif;color:#1a1a1a;background:#fff;max-width:70rem;margin:1.5rem auto;padding:0 1rem}\
h1{font-size:1.5rem}h2{font-size:1.2rem;margin-top:2rem}table{border-collapse:collapse;width:100%}\
th,td{text-align:left;vertical-align:top;padding:.35rem .5rem;border-bottom:1px solid #bbb}\
thead{display:table-header-group}tr{break-inside:avoid}code{overflow-wrap:anywhere}\
.cautions{border:2px solid #1a1a1a;padding:.5rem 1rem}.bad{font-weight:700;border:2px solid #1a1a1a;padding:0 .3rem}\
.sign{display:flex;gap:2rem;margin-top:3rem}.sign p{flex:1;border-top:1px solid #1a1a1a}\
@media print{body{margin:0;font-size:10pt;max-width:none}@page{size:A4;margin:14mm}}";

impl Report {
    /// The whole as an HTML document.
    #[must_use]
    pub fn html(&self) -> String {
        let of = |is_automatic: bool| self.alarms.iter().filter(move |proof| proof.automatic == is_automatic);
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    title { "Proof of alarms: " (self.line) }
                    style { (PreEscaped(STYLE)) }
                }
                body {
                    main {
                        h1 { "Proof of alarms: " (self.line) ", " (self.plant) }
                        (self.facts())
                        section.cautions aria-label="Cautions" {
                            h2 { "Read this first" }
                            ul { @for caution in self.cautions { li { (caution) } } }
                        }
                        (section("Alarms of the files", self.configured, of(false)))
                        (section("Automatic alarms, one a signal and controller", self.automatic, of(true)))
                        @if let Some(left_out) = self.left_out_words() { p { (left_out) "." } }
                        p {
                            "Times count from the last thing that was done, or the first entry. Expected: from the settings and the values seen, by a "
                            "reckoning apart from the program's own. By physics: by a fault of the simulated process, of an "
                            "instrument or of a controller. By injection: a register was made to show what is not so."
                        }
                        div.sign { p { "Read and accepted by" } p { "Date" } }
                    }
                }
            }
        };
        page.into_string()
    }

    fn facts(&self) -> Markup {
        html! {
            p {
                "Made " (self.made_utc) " \u{b7} Setward " (self.setward_version) " \u{b7} simulator seed " (self.seed) br;
                "Configuration SHA-256 " code { (self.configuration_sha256) }
            }
        }
    }
}

fn section<'a>(title: &str, counts: Counts, proofs: impl Iterator<Item = &'a Proof>) -> Markup {
    html! {
        h2 { (title) }
        p { (counts) }
        table {
            thead { tr { th scope="col" { "Alarm" } th scope="col" { "Verdict" } th scope="col" { "What was done, what was seen" } } }
            tbody { @for proof in proofs { (row(proof)) } }
        }
    }
}

fn row(proof: &Proof) -> Markup {
    html! {
        tr {
            td { b { (proof.name) } br; code { (proof.alarm) } br; (proof.kind) " on " (proof.watches) }
            @match &proof.verdict {
                Verdict::Proven(proven) => {
                    td { "Proven by " (proven.ways()) }
                    td { @for one in proven.all() { (shown(one)) } }
                }
                Verdict::PartlyProven(partly) => {
                    td { "Proven " (partly.words()) }
                    td {
                        @for one in partly.proven.all() { (shown(one)) }
                        @for left in &partly.left {
                            div {
                                b { (left.branch) } ": could not be provoked" br;
                                @for why in &left.why { (why) br; }
                            }
                        }
                    }
                }
                Verdict::NotProvoked { why } => {
                    td { "Could not be provoked" }
                    td { @for why in why { (why) br; } }
                }
                Verdict::Failed { how, why } => {
                    td { span.bad { "FAILED" } }
                    td { code { (how) } br; (why) "." }
                }
            }
        }
    }
}

/// What was done and seen, for an alarm or a branch of it.
fn shown(proven: &Proven) -> Markup {
    html! {
        div {
            @if let Some(branch) = &proven.branch { b { (branch) } ": " }
            code { (proven.how) } br;
            "Raised after " (span(proven.raised_after_s)) " (" (expected(proven)) "), acknowledged, " (cleared(proven.cleared_after_s)) "."
            @if let Some(place) = &proven.first_out { br; "In its group: " (place) "." }
        }
    }
}
