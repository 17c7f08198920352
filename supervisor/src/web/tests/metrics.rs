//! What a monitoring system reads. A parser of another make reads it in `tests/peers/metrics.py`.

use super::get;
use super::support::{line, snapshot, stage};
use crate::notify::{ChannelStatus, Outlook, SharedChannelStatus};
use crate::sink::{ServerStatus, SharedServerStatus};
use axum::http::{StatusCode, header};
use setward_protocol::UtcMillis;
use std::collections::BTreeMap;

/// The value of a sample, by its name with its labels.
fn value(text: &str, sample: &str) -> Option<f64> {
    let found = text.lines().find_map(|line| line.strip_prefix(sample)?.strip_prefix(' '))?;
    Some(found.parse().unwrap())
}

#[tokio::test]
async fn metrics_tell_of_controllers_alarms_and_the_daemon_in_base_units() {
    let mut then = snapshot();
    let controller = &mut then.controllers[0];
    (controller.scans_good, controller.scans_failed) = (990, 10);
    (controller.scan_ms, controller.scans_took_s) = (Some(24.0), 19.8);
    controller.failures = BTreeMap::from([("no_reply", 7), ("exception", 3)]);
    then.counts.samples_stored = 12_345;
    let line = line();
    let name = line.controllers[0].name.clone();
    let loud = |view: &&crate::snapshot::AlarmView| view.state.is_active() && !view.flags.are_silencing();
    let active = then.alarms.iter().filter(loud).count();
    let night = stage(line, then);
    let answer = get(&night.state, "/metrics").await;
    assert_eq!(answer.status, StatusCode::OK);
    let kind = answer.headers[header::CONTENT_TYPE].to_str().unwrap();
    assert_eq!(kind, "application/openmetrics-text; version=1.0.0; charset=utf-8");
    let text = answer.text;
    assert!(text.ends_with("# EOF\n"), "{text}");
    let of = |sample: &str| value(&text, sample).unwrap_or_else(|| panic!("no {sample} in {text}"));
    assert_eq!(of(&format!("setward_polls_total{{controller=\"{name}\"}}")), 1000.0);
    assert_eq!(of(&format!("setward_poll_failures_total{{controller=\"{name}\",reason=\"no_reply\"}}")), 7.0);
    assert_eq!(of(&format!("setward_reply_time_seconds{{controller=\"{name}\"}}")), 0.024);
    assert_eq!(of(&format!("setward_poll_duration_seconds_total{{controller=\"{name}\"}}")), 19.8);
    assert_eq!(of("setward_samples_stored_total"), 12_345.0);
    let priorities = ["low", "medium", "high"];
    let standing = priorities.map(|word| of(&format!("setward_alarms_standing{{priority=\"{word}\"}}")));
    assert_eq!(standing.iter().sum::<f64>(), active as f64);
    assert!(active > 0 && of("setward_start_time_seconds") > 0.0);
    assert!(
        text.contains(&format!("setward_build_info{{version=\"{}\"", env!("CARGO_PKG_VERSION"))),
        "{text}"
    );
    assert!(!text.contains("setward_server"), "this line has no server: {text}");
}

#[tokio::test]
async fn metrics_tell_how_far_each_server_is_behind() {
    let night = stage(line(), snapshot());
    let mut state = night.state.clone();
    let at = state.handle.glance().utc;
    state.servers = vec![SharedServerStatus::of(ServerStatus {
        name: "central \"2\"".to_owned(),
        sent: 100,
        lost_rows: 4,
        waiting_rows: 7200,
        sent_until: Some(UtcMillis(at.0 - 90_000)),
        ..ServerStatus::default()
    })];
    let text = get(&state, "/metrics").await.text;
    let server = "{server=\"central \\\"2\\\"\"}";
    for (sample, expected) in [
        ("setward_server_lag_seconds", 90.0),
        ("setward_server_waiting_rows", 7200.0),
        ("setward_server_sent_total", 100.0),
        ("setward_server_lost_rows_total", 4.0),
        ("setward_server_takes", 1.0),
    ] {
        assert_eq!(value(&text, &format!("{sample}{server}")), Some(expected), "{sample}: {text}");
    }
}

#[tokio::test]
async fn metrics_tell_what_each_channel_took_failed_at_and_makes_wait() {
    let night = stage(line(), snapshot());
    assert!(!get(&night.state, "/metrics").await.text.contains("setward_channel"), "this line tells nobody");
    let mut state = night.state.clone();
    let at = state.handle.glance().utc;
    let pager = ChannelStatus {
        name: "pager".to_owned(),
        sent: 12,
        failed: 3,
        waiting: 2,
        waiting_since: Some(UtcMillis(at.0 - 90_500)),
        is_broken: true,
        ..ChannelStatus::default()
    };
    let desk = ChannelStatus { name: "desk".to_owned(), ..ChannelStatus::default() };
    state.notify =
        Outlook { statuses: [pager, desk].map(SharedChannelStatus::of).to_vec(), ..Outlook::default() };
    let text = get(&state, "/metrics").await.text;
    for (sample, pager, desk) in [
        ("setward_channel_sent_total", 12.0, 0.0),
        ("setward_channel_failed_total", 3.0, 0.0),
        ("setward_channel_waiting", 2.0, 0.0),
        ("setward_channel_oldest_waiting_seconds", 90.5, 0.0),
        ("setward_channel_works", 0.0, 1.0),
    ] {
        assert_eq!(value(&text, &format!("{sample}{{channel=\"pager\"}}")), Some(pager), "{sample}: {text}");
        assert_eq!(value(&text, &format!("{sample}{{channel=\"desk\"}}")), Some(desk), "{sample}: {text}");
    }
}
