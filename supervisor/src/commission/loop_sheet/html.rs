//! Loop sheets as one HTML file that prints well: no script, nothing from elsewhere; a block for each signal that no page
//! break cuts, the configuration's fingerprint at the foot of every page.

use super::{AlarmCheck, LoopSheets, Point, SignalSheet, Uninjected};
use crate::commission::written::short;
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = "\
:root{color-scheme:light}body{font:14px/1.35 system-ui,sans-serif;color:#1a1a1a;background:#fff;max-width:64rem;margin:1.5rem auto;padding:0 1rem 4rem}\
h1{font-size:1.4rem}h2{font-size:1.15rem;margin-top:2rem}h3{font-size:1rem;margin:0 0 .3rem}\
table{border-collapse:collapse;width:100%}th,td{text-align:left;vertical-align:top;padding:.2rem .45rem;border:1px solid #999}\
th{font-weight:600;background:#f2f2f2}thead{display:table-header-group}tr{break-inside:avoid}code{overflow-wrap:anywhere}\
.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}.fill{min-width:5rem}\
.sheet{break-inside:avoid;border:1.5px solid #1a1a1a;padding:.6rem .8rem;margin:0 0 1rem}.sheet p{margin:.25rem 0}\
.scroll{overflow-x:auto}dl{display:grid;grid-template-columns:max-content 1fr;gap:.1rem .8rem;margin:.3rem 0}dt{color:#444}dd{margin:0;overflow-wrap:anywhere}\
.cautions{border:2px solid #1a1a1a;padding:.5rem 1rem;break-inside:avoid}\
.sign{display:flex;gap:1.5rem;margin-top:1.4rem}.sign span{flex:1;border-top:1px solid #1a1a1a}\
.foot{font-size:.8rem;color:#333}\
@media print{body{margin:0;font-size:9.5pt;max-width:none;padding:0}@page{size:A4;margin:12mm 12mm 18mm}\
.scroll{overflow:visible}}";

impl LoopSheets {
    /// The whole as an HTML document.
    #[must_use]
    pub fn html(&self) -> String {
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    title { "Loop sheets: " (self.line) }
                    style { (PreEscaped(STYLE)) (PreEscaped(self.margins())) }
                }
                body {
                    main {
                        h1 { "Loop sheets: " (self.line) ", " (self.plant) }
                        (self.facts())
                        section.cautions aria-label="Cautions" {
                            h2 { "Read this first" }
                            ul { @for caution in self.cautions { li { (caution) } } }
                        }
                        h2 { "Signals: " (self.signals.len()) }
                        @for sheet in &self.signals { (signal(sheet)) }
                        (uninjected(&self.without_injection))
                        h2 { "Alarms: " (self.alarms.len()) }
                        p {
                            "Bring values about by injection at the terminals, or with `setward prove` on a simulated plant: never by driving the "
                            "process there. How long it takes counts from a value within its limits."
                        }
                        @for check in &self.alarms { (alarm(check)) }
                        (automatic(&self.automatic_alarms))
                    }
                    footer.foot {
                        "Setward " (self.setward_version) " \u{b7} " (self.line) " \u{b7} made " (self.made_utc)
                        " \u{b7} configuration SHA-256 " code { (self.configuration_sha256) }
                    }
                }
            }
        };
        page.into_string()
    }

    /// What stands in the margin of every printed page. Version and fingerprint hold nothing that CSS would take amiss.
    fn margins(&self) -> String {
        let Self { setward_version, configuration_sha256, .. } = self;
        format!(
            "@page{{@bottom-left{{content:'Setward {setward_version}, configuration SHA-256 {configuration_sha256}';font:7pt \
             system-ui,sans-serif}}@bottom-right{{content:counter(page) ' of ' counter(pages);font:7pt system-ui,sans-serif}}}}"
        )
    }

    fn facts(&self) -> Markup {
        html! {
            p {
                "Made " (self.made_utc) " \u{b7} Setward " (self.setward_version) br;
                "Configuration SHA-256 " code { (self.configuration_sha256) } br;
                "Tolerance: " (short(self.tolerance_percent)) " % of the span and half a count of the register (--tolerance). "
                "Addresses count from 0; the number after them is the one on drawings. Readings are as `setward run` shows them."
            }
        }
    }
}

fn signal(sheet: &SignalSheet) -> Markup {
    let (low, high) = sheet.range;
    html! {
        section.sheet {
            h3 { (sheet.tag) " \u{b7} " (sheet.name) }
            dl {
                dt { "Where" } dd { (sheet.station) ", " (sheet.role) }
                dt { "Register" } dd {
                    (sheet.controller) ", " (sheet.table) " " (sheet.address) " (" (sheet.number) "), " (sheet.encoding)
                }
                dt { "Range" } dd {
                    (short(low)) " to " (short(high)) " " (sheet.unit)
                    @if !sheet.no_value.is_empty() {
                        "; no value: " (sheet.no_value.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "))
                    }
                }
                (wiring("Sensor", sheet.wiring.sensor.as_deref()))
                (wiring("Channel", sheet.wiring.channel.as_deref()))
                (wiring("Terminals", sheet.wiring.terminals.as_deref()))
                (wiring("Drawing", sheet.wiring.drawing.as_deref()))
                (wiring("Stand", sheet.wiring.location.as_deref()))
            }
            @for note in &sheet.notes { p { (note) } }
            div.scroll { table {
                thead { tr {
                    th scope="col" { "Point" } th scope="col" { "Inject" } th scope="col" { "Expected" } th scope="col" { "\u{b1}" }
                    th scope="col" { "Register" } th scope="col" { "As found" } th scope="col" { "As left" }
                } }
                tbody { @for point in &sheet.points { (point_row(point, sheet.unit)) } }
            } }
            (sign())
        }
    }
}

fn wiring(name: &str, value: Option<&str>) -> Markup {
    html! { dt { (name) } dd { @match value { Some(text) => (text), None => "not said in line.toml" } } }
}

fn point_row(point: &Point, unit: &str) -> Markup {
    html! {
        tr {
            td.n { @if let Some(percent) = point.percent { (short(percent)) " %" } @else { "state" } }
            td.n {
                @match &point.inject {
                    Some(inject) => {
                        (format!("{:.3}", inject.value)) " " (inject.unit)
                        @if let Some(warm) = inject.at_warm_terminals { " / " (format!("{warm:.3}")) }
                    }
                    None => "\u{2013}",
                }
            }
            td.n {
                (short(point.expected)) " " (unit)
                @if let Some(word) = &point.expected_word { " (" (word) ")" }
            }
            td.n { @if point.tolerance > 0.0 { (short(point.tolerance)) } @else { "exact" } }
            td.n { (point.raw) " = " (point.raw_hex) }
            td.fill {} td.fill {}
        }
    }
}

fn sign() -> Markup {
    html! { div.sign { span { "Checked by" } span { "Signature" } span { "Date" } } }
}

fn uninjected(signals: &[Uninjected]) -> Markup {
    html! {
        @if !signals.is_empty() {
            h2 { "Without a register: " (signals.len()) }
            p { "Nothing is injected for these. An entry is proven by entering one; a computed value by what it is computed from." }
            table {
                thead { tr { th scope="col" { "Tag" } th scope="col" { "Name" } th scope="col" { "Station" } th scope="col" { "Comes from" } } }
                tbody { @for signal in signals {
                    tr { td { (signal.tag) } td { (signal.name) } td { (signal.station) } td { (signal.origin) } }
                } }
            }
        }
    }
}

fn alarm(check: &AlarmCheck) -> Markup {
    html! {
        section.sheet {
            h3 { (check.name) }
            p { code { (check.alarm) } ", " (check.kind) " on " (check.watches) ", priority " (check.priority) }
            dl {
                dt { "Provoke" } dd { (check.provoke) }
                dt { "Raises after" } dd { (check.expected_words) }
                dt { "Operator now" } dd { (check.operator_now.join(" \u{b7} ")) }
                @if !check.technician_next.is_empty() {
                    dt { "Technician next" } dd { (check.technician_next.join(" \u{b7} ")) }
                }
                dt { "Time to act" } dd { (short(check.time_to_respond_s)) " s" }
                @if let Some(device) = &check.independent_device { dt { "Acts before it" } dd { (device) } }
            }
            div.sign { span { "Raised after" } span { "Answered by" } span { "Signature" } span { "Date" } }
        }
    }
}

fn automatic(checks: &[AlarmCheck]) -> Markup {
    html! {
        h2 { "Automatic alarms: " (checks.len()) }
        p { "Each signal has one for its signal, each controller one for its connection." }
        table {
            thead { tr {
                th scope="col" { "Alarm" } th scope="col" { "Provoke" } th scope="col" { "Raises after" } th scope="col" { "Found, date, initials" }
            } }
            tbody { @for check in checks {
                tr { td { code { (check.alarm) } } td { (check.provoke) } td { (check.expected_words) } td.fill {} }
            } }
        }
    }
}
