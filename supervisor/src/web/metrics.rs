//! `/metrics`: the daemon as a monitoring system reads it, OpenMetrics text.
//!
//! Names and labels stay as they are; units are seconds, bytes and plain counts. Values of the process are not here: they go to
//! servers, with their quality (`sink/`).

use super::Web;
use crate::history::Usage;
use crate::notify::{ChannelStatus, SharedChannelStatus};
use crate::sink::ServerStatus;
use crate::snapshot::{AlarmView, ControllerView, LineSnapshot};
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use prometheus_client::collector::Collector;
use prometheus_client::encoding::text::encode;
use prometheus_client::encoding::{DescriptorEncoder, EncodeMetric};
use prometheus_client::metrics::MetricType;
use prometheus_client::metrics::counter::ConstCounter;
use prometheus_client::metrics::gauge::ConstGauge;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};
use setward_config::line::{Line, Priority};
use setward_protocol::UtcMillis;
use std::fmt;
use std::sync::Arc;
use std::time::Duration;

const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
/// A disk that does not answer keeps nobody from the rest.
const USAGE_WITHIN: Duration = Duration::from_secs(2);

/// What is told of.
#[derive(Debug)]
struct Told {
    line: Arc<Line>,
    snapshot: Arc<LineSnapshot>,
    servers: Vec<ServerStatus>,
    channels: Vec<ChannelStatus>,
    usage: Option<Usage>,
    age_s: f64,
    started: UtcMillis,
}

/// All of it; without the history's size while its disk does not answer.
pub(super) async fn show(State(web): State<Web>) -> Response {
    let snapshot = web.app.handle.glance();
    let usage = tokio::time::timeout(USAGE_WITHIN, web.app.history.usage()).await;
    let up_ms = i64::try_from(snapshot.at.as_nanos() / 1_000_000).unwrap_or_default();
    let told = Told {
        line: Arc::clone(&web.app.line),
        servers: web.servers(),
        channels: web.app.notify.statuses.iter().map(SharedChannelStatus::now).collect(),
        usage: usage.ok().and_then(Result::ok),
        age_s: web.app.clock.seconds_since(snapshot.at, snapshot.utc),
        started: web.app.clock.started().unwrap_or(UtcMillis(snapshot.utc.0.saturating_sub(up_ms))),
        snapshot,
    };
    let mut registry = Registry::with_prefix("setward");
    registry.register_collector(Box::new(told));
    let mut text = String::new();
    match encode(&mut text, &registry) {
        Ok(()) => ([(header::CONTENT_TYPE, OPEN_METRICS)], text).into_response(),
        Err(fmt::Error) => (StatusCode::INTERNAL_SERVER_ERROR, "metrics can't be written\n").into_response(),
    }
}

type Label<'a> = [(&'static str, &'a str); 1];

/// One family after the other.
struct Page<'a>(DescriptorEncoder<'a>);

impl Page<'_> {
    fn gauge(&mut self, name: &str, help: &str, unit: Option<Unit>, value: f64) -> fmt::Result {
        let family = self.0.encode_descriptor(name, help, unit.as_ref(), MetricType::Gauge)?;
        ConstGauge::new(value).encode(family)
    }

    fn counter(&mut self, name: &str, help: &str, value: u64) -> fmt::Result {
        let family = self.0.encode_descriptor(name, help, None, MetricType::Counter)?;
        ConstCounter::new(value).encode(family)
    }

    fn gauges<'l>(
        &mut self,
        (name, help, unit): (&str, &str, Option<Unit>),
        values: impl Iterator<Item = (Label<'l>, f64)>,
    ) -> fmt::Result {
        let mut family = self.0.encode_descriptor(name, help, unit.as_ref(), MetricType::Gauge)?;
        for (labels, value) in values {
            ConstGauge::new(value).encode(family.encode_family(&labels)?)?;
        }
        Ok(())
    }

    fn counters<'l, const N: usize>(
        &mut self,
        (name, help, unit): (&str, &str, Option<Unit>),
        values: impl Iterator<Item = ([(&'static str, &'l str); N], f64)>,
    ) -> fmt::Result {
        let mut family = self.0.encode_descriptor(name, help, unit.as_ref(), MetricType::Counter)?;
        for (labels, value) in values {
            ConstCounter::new(value).encode(family.encode_family(&labels)?)?;
        }
        Ok(())
    }
}

impl Collector for Told {
    fn encode(&self, encoder: DescriptorEncoder<'_>) -> fmt::Result {
        let mut page = Page(encoder);
        self.daemon(&mut page)?;
        self.history(&mut page)?;
        self.controllers(&mut page)?;
        self.alarms(&mut page)?;
        if !self.servers.is_empty() {
            self.servers(&mut page)?;
        }
        if self.channels.is_empty() { Ok(()) } else { self.channels(&mut page) }
    }
}

impl Told {
    fn daemon(&self, page: &mut Page<'_>) -> fmt::Result {
        let labels = vec![("version", env!("CARGO_PKG_VERSION")), ("line", self.line.name.as_str())];
        let labels: Vec<(String, String)> =
            labels.into_iter().map(|(key, value)| (key.to_owned(), value.to_owned())).collect();
        let info = Info::new(labels);
        info.encode(page.0.encode_descriptor(
            "build",
            "The program and its line",
            None,
            MetricType::Info,
        )?)?;
        let started_s = self.started.0 as f64 / 1000.0;
        let seconds = || Some(Unit::Seconds);
        page.gauge(
            "start_time",
            "When the run was begun, by a start or a reload, since 1970 in UTC",
            seconds(),
            started_s,
        )?;
        page.gauge(
            "snapshot_age",
            "Age of the last snapshot of the line; above 10 the line task stands still",
            seconds(),
            self.age_s,
        )?;
        page.gauge(
            "run",
            "Number of the run, counted by the history; it goes up with each start and reload",
            None,
            self.snapshot.run.0 as f64,
        )
    }

    fn history(&self, page: &mut Page<'_>) -> fmt::Result {
        let counts = &self.snapshot.counts;
        page.counter(
            "samples_stored",
            "Readings that the history confirmed in this run",
            counts.samples_stored,
        )?;
        page.counter("samples_lost", "Readings that could not be kept in this run", counts.samples_lost)?;
        page.counter(
            "events_lost",
            "Events of alarms that found no room; never above 0",
            counts.events_lost,
        )?;
        let waits = f64::from(u8::from(self.snapshot.history_problem.is_some()));
        page.gauge("history_waits", "1 while the history takes nothing, else 0", None, waits)?;
        let Some(usage) = self.usage else { return Ok(()) };
        let bytes = || Some(Unit::Bytes);
        page.gauge("history_file", "Size of the history file and its log", bytes(), usage.file_bytes as f64)?;
        page.gauge("history_journal", "Size of the journal", bytes(), usage.journal_bytes as f64)?;
        page.gauge("history_open_chunks", "Open hour in memory", bytes(), usage.open_bytes as f64)?;
        match usage.free_bytes {
            Some(free) => page.gauge("history_disk_free", "Free on the history's disk", bytes(), free as f64),
            None => Ok(()),
        }
    }

    fn controllers(&self, page: &mut Page<'_>) -> fmt::Result {
        let each = || {
            let named = self.line.controllers.iter().map(|controller| controller.name.as_str());
            named.zip(&self.snapshot.controllers)
        };
        let count = |of: fn(&ControllerView) -> f64| {
            each().map(move |(name, view)| ([("controller", name)], of(view)))
        };
        page.counters(
            ("polls", "Scans of a controller in this run, complete or not", None),
            count(|view| (view.scans_good + view.scans_failed) as f64),
        )?;
        let failures = each().flat_map(|(name, view)| {
            view.failures
                .iter()
                .map(move |(reason, count)| ([("controller", name), ("reason", *reason)], *count as f64))
        });
        page.counters(
            ("poll_failures", "Scans that failed in this run, by the first reason", None),
            failures,
        )?;
        let seconds = || Some(Unit::Seconds);
        page.counters(
            ("poll_duration", "Time that complete scans took together in this run", seconds()),
            count(|view| view.scans_took_s),
        )?;
        let last = each().filter_map(|(name, view)| Some(([("controller", name)], view.scan_ms? / 1e3)));
        page.gauges(("reply_time", "Time that the last complete scan took", seconds()), last)?;
        page.gauges(
            ("controller_answers", "1 while a controller answers and its program runs, else 0", None),
            count(|view| f64::from(u8::from(view.answers))),
        )
    }

    fn alarms(&self, page: &mut Page<'_>) -> fmt::Result {
        page.counter("alarms_raised", "Alarms raised aloud in this run", self.snapshot.counts.alarms_raised)?;
        let standing = self.by_priority(|view| view.state.is_active());
        page.gauges(
            ("alarms_standing", "Alarms that are active and not silenced", None),
            standing.into_iter(),
        )?;
        let waiting = self.by_priority(|view| view.state.awaits_acknowledgement());
        page.gauges(
            ("alarms_unacknowledged", "Alarms that wait for a person and are not silenced", None),
            waiting.into_iter(),
        )
    }

    fn by_priority(&self, counts: impl Fn(&AlarmView) -> bool) -> Vec<(Label<'static>, f64)> {
        let of = |priority: Priority| {
            let own = self.line.alarms.iter().zip(&self.snapshot.alarms);
            let own = own.filter(|(alarm, view)| {
                alarm.priority == priority && counts(view) && !view.flags.are_silencing()
            });
            ([("priority", priority.name())], own.count() as f64)
        };
        [Priority::High, Priority::Medium, Priority::Low].map(of).to_vec()
    }

    fn servers(&self, page: &mut Page<'_>) -> fmt::Result {
        let now = self.snapshot.utc;
        let each = |of: fn(&ServerStatus) -> f64| {
            self.servers.iter().map(move |server| ([("server", server.name.as_str())], of(server)))
        };
        let lag = self
            .servers
            .iter()
            .filter_map(|server| Some(([("server", server.name.as_str())], server.behind_s(now)?)));
        page.gauges(
            ("server_lag", "How far a server is behind; none before it took anything", Some(Unit::Seconds)),
            lag,
        )?;
        let waiting = each(|server| server.waiting_rows as f64);
        page.gauges(("server_waiting_rows", "Rows that wait to be sent", None), waiting)?;
        let sending = each(|server| f64::from(u8::from(server.problem.is_none())));
        page.gauges(("server_takes", "1 while a server takes what it is sent, else 0", None), sending)?;
        page.counters(
            ("server_sent", "Readings that a server took in this run, repeats included", None),
            each(|server| server.sent as f64),
        )?;
        page.counters(
            ("server_rejected", "Readings that a server refused in this run", None),
            each(|server| server.rejected as f64),
        )?;
        page.counters(
            (
                "server_lost_rows",
                "Rows that were dropped from history in this run before a server had them",
                None,
            ),
            each(|server| server.lost_rows as f64),
        )
    }

    /// By the names of the site file, which are those of ways and not of persons.
    fn channels(&self, page: &mut Page<'_>) -> fmt::Result {
        let now = self.snapshot.utc;
        let each = |of: fn(&ChannelStatus) -> f64| {
            self.channels.iter().map(move |channel| ([("channel", channel.name.as_str())], of(channel)))
        };
        page.counters(
            ("channel_sent", "Messages that a channel took in this run", None),
            each(|channel| channel.sent as f64),
        )?;
        page.counters(
            ("channel_failed", "Tries to send in this run that failed; each is tried again", None),
            each(|channel| channel.failed as f64),
        )?;
        page.gauges(
            ("channel_waiting", "Alarms and notices that a channel has not been told yet", None),
            each(|channel| channel.waiting as f64),
        )?;
        let oldest = self.channels.iter().map(|channel| {
            let waited_ms = channel.waiting_since.map_or(0, |since| now.0.saturating_sub(since.0).max(0));
            ([("channel", channel.name.as_str())], waited_ms as f64 / 1000.0)
        });
        page.gauges(
            (
                "channel_oldest_waiting",
                "Age of the oldest alarm that waits to be told; 0 when none waits",
                Some(Unit::Seconds),
            ),
            oldest,
        )?;
        page.gauges(
            (
                "channel_works",
                "0 while a channel has failed for so long that somebody must look, else 1",
                None,
            ),
            each(|channel| f64::from(u8::from(!channel.is_broken))),
        )
    }
}
