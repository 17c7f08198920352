//! What is known of that line on a bad night.

use super::line::ROWS;
use super::{NIGHT, RUN, before};
use crate::snapshot::{AlarmView, ControllerView, Counts, LineSnapshot, SignalView, StationView};
use setward_alarm::{AlarmState, Flags, Forecast};
use setward_protocol::{NoData, Reading, Uptime};

/// A good reading.
pub(in crate::web::tests) fn good(value: f64, slope_per_min: f64, words: [u16; 4]) -> SignalView {
    SignalView {
        reading: Reading::Good(value),
        at: Some(before(0)),
        last_good: Some((value, before(0))),
        last_failure: None,
        slope_per_min: Some(slope_per_min),
        slope_error_per_min: None,
        words,
        word_count: 1,
    }
}

fn bad(why: NoData, last: f64, seconds: i64, words: [u16; 4]) -> SignalView {
    SignalView {
        reading: Reading::Bad(why),
        last_good: Some((last, before(seconds))),
        last_failure: Some((why, before(0))),
        slope_per_min: None,
        slope_error_per_min: None,
        ..good(0.0, 0.0, words)
    }
}

fn signal_view(tag: &str) -> SignalView {
    match tag {
        "TT-101" => bad(NoData::SensorFault, 95.8, 131, [32_767, 0, 0, 0]),
        "TIC-101-SP" => good(96.0, 0.0, [960, 0, 0, 0]),
        "TIC-101-OUT" => good(22.4, 0.1, [224, 0, 0, 0]),
        "TT-201" | "TIC-201-SP" | "TIC-201-MODE" | "ST-220" => {
            bad(NoData::NoReply, 634.0, 47, [634, 0, 0, 0])
        }
        "TT-310" => good(176.4, -0.8, [1764, 0, 0, 0]),
        "TIC-310-SP" => good(185.0, 0.0, [1850, 0, 0, 0]),
        "TIC-310-OUT" => good(100.0, 0.0, [1000, 0, 0, 0]),
        "TIC-310-MODE" => good(0.0, 0.0, [0, 0, 0, 0]),
        "TT-313" => good(162.9, 0.3, [1629, 0, 0, 0]),
        "FT-320" => good(37.2, 0.4, [372, 0, 0, 0]),
        "ST-340" => good(3.6, 0.0, [360, 0, 0, 0]),
        "KIC-340-SP" => good(55.0, 0.0, [550, 0, 0, 0]),
        other => panic!("no view for {other}"),
    }
}

pub(in crate::web::tests) fn quiet(exposure: Option<f64>, forecast: Forecast) -> AlarmView {
    AlarmView {
        state: AlarmState::Normal,
        flags: Flags::NONE,
        silent_until: None,
        shelf: None,
        out_of_service: None,
        occurrence: 0,
        onset: None,
        raised: None,
        cleared: None,
        acknowledged: None,
        exposure,
        beyond_since: None,
        forecast,
    }
}

fn alarm_views() -> Vec<AlarmView> {
    let raised = |state, occurrence, onset, raised| AlarmView {
        state,
        occurrence,
        onset: Some(before(onset)),
        raised: Some(before(raised)),
        beyond_since: Some(before(onset)),
        ..quiet(None, Forecast::StaysActive)
    };
    vec![
        AlarmView {
            beyond_since: Some(before(58)),
            ..quiet(Some(0.6333), Forecast::Raises { seconds: 100.0 })
        },
        AlarmView { exposure: Some(1.21), ..raised(AlarmState::Unacknowledged, 3, 370, 112) },
        AlarmView {
            acknowledged: Some((before(300), "Inés".to_owned())),
            ..raised(AlarmState::Acknowledged, 12, 420, 415)
        },
        quiet(Some(0.0), Forecast::Unknown),
        AlarmView {
            state: AlarmState::Returned,
            occurrence: 2,
            onset: Some(before(7_000)),
            raised: Some(before(6_900)),
            cleared: Some(before(6_200)),
            ..quiet(Some(0.2), Forecast::Unknown)
        },
        quiet(None, Forecast::Quiet),
    ]
}

/// The line at 03:10:22: the inlet building up, one alarm new, one acknowledged, one back, a broken probe, a silent oven.
pub(in crate::web::tests) fn snapshot() -> LineSnapshot {
    let answering = ControllerView {
        scans_good: 9_000,
        last_good: Some(before(0)),
        scan_ms: Some(4.2),
        ..ControllerView::default()
    };
    let silent = ControllerView {
        scans_failed: 47,
        last_good: Some(before(47)),
        problem: Some("no reply within 500 ms; look at its port lamp, cable and power".to_owned()),
        ..answering.clone()
    };
    LineSnapshot {
        run: RUN,
        at: Uptime::START,
        utc: NIGHT,
        signals: ROWS.iter().map(|row| signal_view(row.0)).collect(),
        stations: vec![StationView::default(); 3],
        controllers: vec![answering.clone(), silent, answering],
        alarms: alarm_views(),
        following: std::sync::Arc::default(),
        entries: std::sync::Arc::default(),
        balance: std::sync::Arc::default(),
        dwell_s: vec![None, Some(55.0)],
        counts: Counts::default(),
        history_problem: None,
    }
}
