//! Batches, holds, handover and review: pages, forms, API.

use super::requests::{check_says, json};
use super::support::{before, line, snapshot, stage};
use super::{get, post_form, post_json};
use crate::history::sqlite::InlineStore;
use crate::history::{BatchRow, HistoryStore};
use crate::line::follow::{Following, ProductView};
use crate::report::batch::{BatchReport, FedRow, SoakRow, VerdictRow};
use crate::web::AppState;
use axum::http::{StatusCode, header};
use setward_alarm::AlarmId;
use setward_config::line::{Kettle, KettlePhases, Shift};
use std::collections::BTreeMap;
use std::sync::Arc;

/// The night's line with two shifts, over a history that keeps.
pub(super) fn night() -> (AppState, Arc<InlineStore>) {
    let mut line = line();
    line.shifts = [("Day", 6 * 60), ("Night", 18 * 60)]
        .map(|(name, from_minute)| Shift { name: name.to_owned(), from_minute })
        .to_vec();
    let mut snapshot = snapshot();
    let alarm = AlarmId(
        u16::try_from(line.alarms.iter().position(|alarm| alarm.id == "fryer-outlet-cold").unwrap()).unwrap(),
    );
    let product = ProductView {
        packed: Some((before(600), before(300))),
        spread_s: Some(240.0),
        is_forecast: false,
        packed_at_most: Some((before(720), before(180))),
        about_kg: Some(208.4),
        is_at_present_rate: false,
        most_kg: Some(260.0),
        batches: vec!["kettle-1-20261124T1402Z".to_owned()],
        tanks: vec![(7, None, None)],
        unseen_in: Vec::new(),
        unknown_tank_s: 0.0,
        recipes: vec![0],
        was_reversed: false,
        occurrence: 3,
        at: before(0),
    };
    snapshot.following = Arc::new(Following { products: [(alarm, product)].into(), ..Following::default() });
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let mut state = stage(line, snapshot).state;
    state.history = Arc::clone(&history) as Arc<dyn HistoryStore>;
    (state, history)
}

pub(super) fn batch() -> BatchReport {
    let at = |text: &str| format!("2026-11-24T{text}Z");
    let hold = VerdictRow {
        limit: "counted hold at or above 94 degC, min".to_owned(),
        least: Some(20.0),
        most: Some(26.0),
        found_least: Some(18.26),
        found_most: Some(18.26),
        verdict: "not met: below".to_owned(),
    };
    BatchReport {
        schema_version: 1,
        id: "kettle-1-20261124T1402Z".to_owned(),
        line: "Line 1".to_owned(),
        kettle: "Kettle 1".to_owned(),
        number: Some(26_114_071),
        recipe: "blue-corn-rounds".to_owned(),
        recipe_name: "Blue-corn rounds, salted".to_owned(),
        recipe_sha256: None,
        configuration: "0123456789abcdef".repeat(4),
        from: at("14:02:00"),
        to: at("15:11:00"),
        ending: "pumped out".to_owned(),
        oddities: vec!["no dose".to_owned()],
        unseen_s: 0.0,
        phases: Vec::new(),
        come_up_s: Some(1_402.0),
        water_l: Some(1_205.0),
        corn_kg: 600.0,
        corn_uncertainty_kg: None,
        lime_kg: None,
        water_to_corn_l_per_kg: Some(2.008),
        lime_to_corn_percent: None,
        reference_degc: None,
        z_k: None,
        cook: vec![hold],
        soak: SoakRow {
            tank: Some(7),
            moisture_percent: Some(45.0),
            moisture_uncertainty_percent: Some(2.0),
            ..SoakRow::default()
        },
        fed: vec![FedRow {
            tank: 7,
            from: at("23:40:00"),
            to: at("23:59:00"),
            goes_on: true,
            packed_from: Some(at("23:50:00")),
            packed_to: Some("2026-11-25T00:09:00Z".to_owned()),
            packed_not_before: None,
            packed_not_after: None,
            is_forecast: true,
            touched: crate::report::lots::Touched::default(),
        }],
        is_complete: false,
    }
}

#[tokio::test]
async fn an_alarm_leads_to_its_batch_and_the_batch_to_the_product_it_became() {
    let (state, history) = night();
    let page = get(&state, "/alarms/fryer-outlet-cold").await.text;
    for link in ["href=\"/batches/kettle-1-20261124T1402Z\"", "href=\"/holds?alarm=fryer-outlet-cold#new\""] {
        assert!(page.contains(link), "{link}");
    }
    let missing = get(&state, "/batches/kettle-1-20261124T1402Z").await;
    assert_eq!(missing.status, StatusCode::NOT_FOUND);
    check_says(&get(&state, "/batches").await.text, &["No batch has a record yet"], &[]);
    let record = serde_json::to_string(&batch()).unwrap();
    let row = BatchRow { id: batch().id, start: before(43_000), end: None, record };
    history.keep_batch(row).await.unwrap();
    let list = get(&state, "/batches").await.text;
    check_says(
        &list,
        &["Kettle 1 26114071", "\u{25b2} not met", "2026-11-24 15:02:00"],
        &["No batch has a record"],
    );
    let page = get(&state, "/batches/kettle-1-20261124T1402Z").await.text;
    check_says(&page, &["20.0 to 26.0", "18.3", "\u{25b2} not met: below", "2.01 L/kg", "no dose"], &[]);
    check_says(
        &page,
        &["45.0 % predicted, give or take 2.0", "packed about 00:50:00 to 01:09:00", "goes on"],
        &[],
    );
    let body = json(&get(&state, "/api/v1/batches/kettle-1-20261124T1402Z").await.text);
    assert_eq!(body["cook"][0]["verdict"], "not met: below");
    let all = json(&get(&state, "/api/v1/batches").await.text);
    assert_eq!((all["schema_version"].as_i64(), all["batches"].as_array().unwrap().len()), (Some(1), 1));
    assert_eq!(get(&state, "/api/v1/batches/none").await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn product_is_held_and_decided_about_by_forms() {
    let (state, _history) = night();
    let page = get(&state, "/holds?alarm=fryer-outlet-cold").await.text;
    check_says(&page, &["Nothing is on hold"], &[]);
    for field in ["name=\"occurrence\" value=\"3\"", "name=\"kg\"", "value=\"260\""] {
        assert!(page.contains(field), "{field}");
    }
    let form = format!(
        "alarm=fryer-outlet-cold&run=7&occurrence=3&from_utc_ms={}&to_utc_ms={}&kg=260&why=cold+oil&by=Ana",
        before(720).0,
        before(180).0
    );
    let answer = post_form(&state, "/holds", &form).await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
    assert_eq!(answer.headers[header::LOCATION], "/holds?said=held");
    assert!(answer.headers[header::SET_COOKIE].to_str().unwrap().contains("Ana"));
    let again = post_form(&state, "/holds", &form).await;
    assert_eq!(again.headers[header::LOCATION], "/holds?said=held-before");
    let page = get(&state, "/holds?said=held").await.text;
    check_says(
        &page,
        &[
            "On hold. It stays so",
            "On hold: 1",
            "about 260 kg",
            "cold oil",
            "Fryer oil outlet too cold , occurrence 3",
        ],
        &[],
    );
    let decide = async |form: &str| {
        post_form(&state, "/holds/1/decision", form).await.headers[header::LOCATION].clone()
    };
    assert_eq!(decide("seen=0&what=eaten&why=x&by=Ana").await, "/holds?said=wrong");
    assert_eq!(decide("seen=0&what=released&why=+&by=Ana").await, "/holds?said=no-reason");
    assert_eq!(decide("seen=0&what=released&why=x&by=").await, "/holds?said=no-name");
    assert_eq!(decide("seen=0&what=animal-feed&why=wet&by=Luis").await, "/holds?said=decided");
    assert_eq!(decide("seen=0&what=released&why=x&by=Ana").await, "/holds?said=look-again");
    let page = get(&state, "/holds").await.text;
    check_says(&page, &["On hold: 0", "to animal feed", "by Luis", "wet"], &[]);
    let broken = post_form(&state, "/holds", "run=7").await;
    assert_eq!(broken.status, StatusCode::UNPROCESSABLE_ENTITY);
}

#[tokio::test]
async fn a_hold_at_the_ends_of_time_is_refused_and_the_daemon_goes_on() {
    let (state, _history) = night();
    let calendar = [jiff::Timestamp::MIN.as_millisecond() + 1, jiff::Timestamp::MAX.as_millisecond() - 1];
    for (from, to) in [
        (i64::MAX - 807, i64::MAX),
        (i64::MIN, i64::MIN + 807),
        (calendar[0], calendar[0] + 3_600_000),
        (calendar[1] - 3_600_000, calendar[1]),
        (calendar[1], calendar[1] + 3_600_000),
    ] {
        let hold =
            format!("{{\"from_utc_ms\":{from},\"to_utc_ms\":{to},\"by\":\"Ana\",\"why\":\"x\",\"kg\":\"\"}}");
        let answer = post_json(&state, "/api/v1/holds", &hold).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{from} {to}: {}", answer.text);
        assert!(answer.text.contains("on the calendar"), "{}", answer.text);
    }
}

#[tokio::test]
async fn a_program_holds_decides_gives_reasons_and_signs_and_is_told_what_is_wrong() {
    let (state, _history) = night();
    let (from, to) = (before(720).0, before(180).0);
    let hold =
        format!("{{\"from_utc_ms\":{from},\"to_utc_ms\":{to},\"by\":\"Ana\",\"why\":\"foreign body\"}}");
    let answer = post_json(&state, "/api/v1/holds", &hold).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    let body = json(&answer.text);
    assert_eq!(
        (body["n"].as_i64(), body["durable"].as_bool(), body["already"].as_bool()),
        (Some(1), Some(true), Some(false))
    );
    let reversed = format!("{{\"from_utc_ms\":{to},\"to_utc_ms\":{from},\"by\":\"Ana\",\"why\":\"x\"}}");
    let cases = [
        ("/api/v1/holds", reversed.as_str(), 422, "must lie after"),
        ("/api/v1/holds", "{\"by\":\"Ana\"}", 422, "expected {"),
        (
            "/api/v1/holds/7/decision",
            "{\"seen\":0,\"what\":\"released\",\"by\":\"A\",\"why\":\"x\"}",
            404,
            "no hold",
        ),
        (
            "/api/v1/holds/1/decision",
            "{\"seen\":5,\"what\":\"released\",\"by\":\"A\",\"why\":\"x\"}",
            409,
            "meanwhile",
        ),
        (
            "/api/v1/stops/fryer@2026-11-25T01:00:00Z/reason",
            "{\"reason\":\"luck\",\"by\":\"A\"}",
            422,
            "listed",
        ),
        (
            "/api/v1/stops/bar@2026-11-25T01:00:00Z/reason",
            "{\"reason\":\"fryer\",\"by\":\"A\"}",
            404,
            "station",
        ),
        ("/api/v1/sign-offs", "{\"from_utc_ms\":5,\"to_utc_ms\":1,\"seen\":0,\"by\":\"A\"}", 422, "end"),
    ];
    for (path, body, status, phrase) in cases {
        let answer = post_json(&state, path, body).await;
        assert_eq!(answer.status.as_u16(), status, "{path} {body}: {}", answer.text);
        assert!(answer.text.contains(phrase), "{path}: {}", answer.text);
    }
    let reason = "{\"reason\":\"fryer\",\"note\":\"basket\",\"by\":\"Ana\"}";
    let path = "/api/v1/stops/fryer@2026-11-25T01:00:00Z/reason";
    assert_eq!(json(&post_json(&state, path, reason).await.text)["already"], false);
    assert_eq!(json(&post_json(&state, path, reason).await.text)["already"], true);
    let holds = json(&get(&state, "/api/v1/holds").await.text);
    assert_eq!(holds["holds"][0]["why"], "foreign body");
    let over = json(&get(&state, "/api/v1/reports/records").await.text);
    let seen = u64::try_from(
        ["batch_exceptions", "alarms", "corrections", "holds", "gaps", "clock_steps"]
            .map(|key| over[key].as_array().unwrap().len())
            .iter()
            .sum::<usize>(),
    )
    .unwrap();
    let utc = |text: &serde_json::Value| {
        text.as_str().unwrap().parse::<jiff::Timestamp>().unwrap().as_millisecond()
    };
    let (from, to) = (utc(&over["from"]), utc(&over["to"]));
    let sign = format!("{{\"from_utc_ms\":{from},\"to_utc_ms\":{to},\"seen\":{seen},\"by\":\"Ana\"}}");
    assert_eq!(post_json(&state, "/api/v1/sign-offs", &sign).await.status, StatusCode::OK);
    assert_eq!(json(&get(&state, "/api/v1/reports/records").await.text)["signed"][0]["by"], "Ana");
}

#[tokio::test]
async fn the_handover_is_of_the_shift_that_goes_on_or_of_the_one_that_is_named() {
    let (state, _history) = night();
    let page = get(&state, "/handover").await.text;
    check_says(
        &page,
        &["Handover, shift Night, 2026-11-24", "it goes on", "Shift before", "Standing now: 0"],
        &[],
    );
    let page = get(&state, "/handover?last=1").await.text;
    check_says(
        &page,
        &["Handover, shift Day, 2026-11-24", "Shift after", "Standing at the end: 0"],
        &["it goes on"],
    );
    for (query, phrase) in [
        ("shift=Day", "give both"),
        ("shift=Late&date=2026-11-24", "no such shift"),
        ("shift=Day&date=yesterday", "2026-11-23"),
        ("shift=Day&date=2026-11-25", "has not begun"),
    ] {
        let answer = get(&state, &format!("/handover?{query}")).await;
        assert_eq!(answer.status, StatusCode::NOT_FOUND, "{query}");
        assert!(answer.text.contains(phrase), "{query}: {}", answer.text);
        let api = get(&state, &format!("/api/v1/reports/shift?{query}")).await;
        assert_eq!(api.status, StatusCode::UNPROCESSABLE_ENTITY, "{query}");
    }
    assert_eq!(json(&get(&state, "/api/v1/reports/shift").await.text)["shift"], "Night");
    let bare = get(&stage(line(), snapshot()).state, "/handover").await;
    assert!(bare.text.contains("names no shifts"), "{}", bare.text);
}

#[tokio::test(start_paused = true)]
async fn the_alarm_report_counts_calls_beside_the_time_in_which_none_could_come() {
    let night = stage(line(), snapshot());
    let page = get(&night.state, "/alarm-report?days=1").await.text;
    let says = [
        "Alarm report, the last day",
        "1 call",
        "calls in 10 min, mean",
        "Fryer oil outlet too cold",
        "nothing is kept of this stretch",
    ];
    check_says(&page, &says, &["NaN"]);
    assert!(page.contains("<td data-h=\"Could not have fired\">"), "{page}");
    let week = get(&night.state, "/alarm-report").await.text;
    check_says(&week, &["Alarm report, the last 7 days"], &[]);
    for wrong in ["days=0", "days=31", "days=x", "day=1"] {
        let answer = get(&night.state, &format!("/alarm-report?{wrong}")).await;
        assert!(answer.status.is_client_error(), "{wrong}: {}", answer.status);
    }
}

#[tokio::test]
async fn a_cook_is_laid_over_that_of_the_batch_before_it_in_the_same_kettle() {
    let mut line = line();
    let temperature = line.signal_by_tag("TT-101").unwrap();
    line.kettles = vec![Kettle {
        name: "Kettle 1".to_owned(),
        station: line.signal(temperature).station,
        temperature,
        phases: KettlePhases::Step { word: temperature, codes: BTreeMap::new() },
        batch_number: None,
        water_total: None,
        weight: None,
        corn_kg: 600.0,
    }];
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let mut state = stage(line, snapshot()).state;
    state.history = Arc::clone(&history) as Arc<dyn HistoryStore>;
    let earlier = |id: &str, kettle: &str, from: &str| BatchReport {
        id: id.to_owned(),
        kettle: kettle.to_owned(),
        from: from.to_owned(),
        ..batch()
    };
    let first = earlier("first", "Kettle 1", "2026-11-24T12:17:02Z");
    let other = earlier("other", "Kettle 2", "2026-11-24T13:23:42Z");
    for (report, ago_s) in [(first, 50_000), (other, 46_000), (batch(), 43_702)] {
        let record = serde_json::to_string(&report).unwrap();
        history
            .keep_batch(BatchRow { id: report.id, start: before(ago_s), end: None, record })
            .await
            .unwrap();
    }
    let page = get(&state, "/batches/kettle-1-20261124T1402Z").await.text;
    let cook = "/trend?signals=TT-101&amp;from=2026-11-24T14:02:00Z&amp;to=2026-11-24T15:11:00Z";
    for link in [format!("href=\"{cook}\""), format!("href=\"{cook}&amp;against=2026-11-24T12:17:02Z\"")] {
        assert!(page.contains(&link), "{link}: {page}");
    }
    check_says(
        &get(&state, "/batches/first").await.text,
        &["Cook temperature of this batch"],
        &["Laid over"],
    );
    check_says(&get(&state, "/batches").await.text, &["Of the last 3, 3 missed a limit"], &[]);
}

#[tokio::test]
async fn a_reason_goes_back_to_the_handover_and_nowhere_else() {
    let (state, _history) = night();
    let give = async |back: &str| {
        let form = format!("reason=fryer&note=&by=Ana&back={back}");
        post_form(&state, "/stops/fryer@2026-11-25T01:00:00Z/reason", &form).await.headers[header::LOCATION]
            .clone()
    };
    assert_eq!(
        give("%2Fhandover%3Fshift%3DDay%26date%3D2026-11-24").await,
        "/handover?shift=Day&date=2026-11-24&said=reason"
    );
    assert_eq!(give("https%3A%2F%2Felsewhere.example").await, "/handover?said=reason-before");
}

#[tokio::test]
async fn the_review_says_that_nobody_watched_and_a_history_that_can_not_be_read_is_not_none() {
    let (state, _history) = night();
    let page = get(&state, "/records").await.text;
    check_says(
        &page,
        &["Review: 1 exception", "Nobody watched", "Nobody has signed", "Whole, 0 entries"],
        &[],
    );
    assert_eq!(get(&state, "/records?from=x").await.status, StatusCode::UNPROCESSABLE_ENTITY);
    let year = get(&state, "/records?from=2025-01-01T00:00:00Z&to=2026-01-01T00:00:00Z").await;
    assert!(year.text.contains("93 days"), "{}", year.text);
    let without = stage(line(), snapshot()).state;
    for path in ["/records", "/holds", "/batches"] {
        let answer = get(&without, path).await;
        assert_eq!(answer.status, StatusCode::SERVICE_UNAVAILABLE, "{path}");
        check_says(&answer.text, &["HISTORY", "could not be read"], &[]);
    }
}

#[tokio::test]
async fn statistics_are_asked_by_tag_and_a_wrong_word_is_told() {
    let (state, _history) = night();
    let page = get(&state, "/signals/TT-310").await.text;
    check_says(&page, &["Statistics of the last 24 hours", "2026-11-24 Night"], &[]);
    let found = json(&get(&state, "/api/v1/reports/statistics?signal=TT-310&by=window").await.text);
    assert_eq!(found["rows"].as_array().unwrap().len(), 1);
    assert_eq!(get(&state, "/api/v1/reports/statistics?signal=TT-311").await.status, StatusCode::NOT_FOUND);
    let wrong = get(&state, "/api/v1/reports/statistics?signal=TT-310&by=moon").await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert_eq!(get(&state, "/api/v1/reports/hold?alarm=nothing").await.status, StatusCode::NOT_FOUND);
    assert_eq!(
        get(&state, "/api/v1/reports/hold?alarm=fryer-outlet-cold").await.status,
        StatusCode::NOT_FOUND
    );
}

/// The alarm has raised three times; the last of them is closed by a form, a program says otherwise, both stand on the page.
#[tokio::test]
async fn an_occurrence_is_closed_with_a_cause_and_the_page_says_what_was_found() {
    let (state, _history) = night();
    let page = get(&state, "/alarms/fryer-outlet-cold").await.text;
    check_says(&page, &["The last times", "nobody was called for it before", "What it was"], &[]);
    assert!(page.contains("action=\"/alarms/fryer-outlet-cold/close\""));
    let form = "occurrence=3&cause=oil&note=screen+<b>changed</b>&by=Ana";
    let close = async |form: &str| {
        let answer = post_form(&state, "/alarms/fryer-outlet-cold/close", form).await;
        answer.headers[header::LOCATION].to_str().unwrap().to_owned()
    };
    assert_eq!(close(form).await, "/alarms/fryer-outlet-cold?of=close&said=closed");
    assert_eq!(close(form).await, "/alarms/fryer-outlet-cold?of=close&said=closed-before");
    assert_eq!(close("occurrence=4&cause=oil&by=Ana").await, "/alarms/fryer-outlet-cold?of=close&said=wrong");
    assert_eq!(
        close("occurrence=3&cause=ghosts&by=Ana").await,
        "/alarms/fryer-outlet-cold?of=close&said=wrong"
    );
    assert_eq!(close("occurrence=3&cause=oil&by=").await, "/alarms/fryer-outlet-cold?of=close&said=no-name");
    let page = get(&state, "/alarms/fryer-outlet-cold?of=close&said=closed").await.text;
    check_says(
        &page,
        &["Kept. The next time", "oil: level, flow, filter", "screen &lt;b&gt;changed", "(Ana)"],
        &[],
    );
    assert!(!page.contains("<b>changed</b>"), "a note is text");
    let path = "/api/v1/alarms/fryer-outlet-cold/close";
    let corrected = post_json(&state, path, "{\"occurrence\":3,\"cause\":\"sensor\",\"by\":\"Luis\"}").await;
    assert_eq!(json(&corrected.text)["already"], false);
    check_says(
        &get(&state, "/alarms/fryer-outlet-cold").await.text,
        &["sensor or its cable", "(Luis)"],
        &["(Ana)"],
    );
    let wrong = post_json(&state, path, "{\"occurrence\":9,\"cause\":\"sensor\",\"by\":\"Luis\"}").await;
    assert_eq!(wrong.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(wrong.text.contains("has raised 3 times"), "{}", wrong.text);
    let unknown = post_json(
        &state,
        "/api/v1/alarms/fryer-outlet-wet/close",
        "{\"occurrence\":1,\"cause\":\"oil\",\"by\":\"L\"}",
    )
    .await;
    assert_eq!(unknown.status, StatusCode::NOT_FOUND);
    let times = json(&get(&state, "/api/v1/alarms/fryer-outlet-cold/times").await.text);
    assert_eq!(times["times"].as_array().map(Vec::len), Some(0), "no event of a raise was kept: {times}");
}
