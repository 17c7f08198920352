//! Controllers that misbehave: no value is invented, the words say what to do, and good answers come back by themselves.

use crate::support::{
    AUTOMATIC, Registers, Script, ScriptedDial, demo_line, fryer_only, heartbeat, right_answer,
};
use setward::clock::Clock;
use setward::history::HistoryStore as _;
use setward::history::sqlite::InlineStore;
use setward::protocol::{NoData, Reading, Table, UtcMillis};
use setward::snapshot::LineSnapshot;
use setward::{Edges, start};
use setward_config::line::Line;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;
use tokio::time::Instant;

/// Registers of a fryer in order: inlet 182.0 degC, a beating heart.
fn healthy(begun: Instant) -> Registers<impl Fn(Table, u16) -> u16> {
    Registers(move |table, address| match (table, address) {
        (Table::Holding, 100) => 1820,
        (Table::Holding, 113) => AUTOMATIC,
        (Table::Holding, 181) => heartbeat(begun.elapsed().as_secs()),
        _ => 0,
    })
}

struct Outcome {
    line: Arc<Line>,
    during: Arc<LineSnapshot>,
    after: Arc<LineSnapshot>,
    history: Arc<InlineStore>,
}

impl Outcome {
    fn inlet(&self, snapshot: &LineSnapshot) -> Reading {
        snapshot.signal(self.line.signal_by_tag("TT-310").unwrap()).unwrap().reading
    }

    fn problem(&self, snapshot: &LineSnapshot) -> Option<String> {
        let fryer = self.line.controllers.iter().position(|controller| controller.name == "fryer").unwrap();
        snapshot.controllers[fryer].problem.clone()
    }

    /// Every good value of the inlet that was ever stored.
    async fn good_values(&self) -> Vec<f64> {
        let samples = self
            .history
            .samples("TT-310".to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 10_000)
            .await
            .unwrap();
        samples.iter().filter_map(|sample| sample.reading.good()).collect()
    }
}

/// A minute of health, a minute of `fault`, two minutes of health again.
async fn suffer(fault: impl Fn(&[u8], Vec<u8>) -> Option<Vec<u8>> + Send + Sync + 'static) -> Outcome {
    let begun = Instant::now();
    let script: Script = Arc::new(move |request: &[u8]| {
        let right = right_answer(request, &healthy(begun));
        let reply =
            if (60..120).contains(&begun.elapsed().as_secs()) { fault(request, right) } else { Some(right) };
        Some((Duration::ZERO, reply?))
    });
    watch_two_minutes_and_two(script).await
}

async fn watch_two_minutes_and_two(script: Script) -> Outcome {
    let line = Arc::new(fryer_only(demo_line()));
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let clock = Clock::starting_at(UtcMillis(1_767_571_200_000));
    let edges = Edges { dial: Arc::new(ScriptedDial(script)), history: history.clone(), clock };
    let running = start(Arc::clone(&line), edges).await.unwrap();
    tokio::time::sleep(Duration::from_millis(118_500)).await;
    let during = running.handle().snapshot();
    tokio::time::sleep(Duration::from_secs(120)).await;
    let after = running.handle().snapshot();
    running.stop().await.unwrap();
    Outcome { line, during, after, history }
}

/// The fault was told in words that hold `says`, brought no value, and went away by itself.
async fn survives(
    says: &str,
    reason: NoData,
    fault: impl Fn(&[u8], Vec<u8>) -> Option<Vec<u8>> + Send + Sync + 'static,
) {
    let outcome = suffer(fault).await;
    assert_eq!(outcome.inlet(&outcome.during), Reading::Bad(reason));
    let problem = outcome.problem(&outcome.during).unwrap_or_default();
    assert!(problem.contains(says), "{problem:?} does not say {says:?}");
    assert_eq!(outcome.inlet(&outcome.after), Reading::Good(182.0));
    assert_eq!(outcome.problem(&outcome.after), None);
    let events = outcome.history.events(None, 1000).await.unwrap();
    let of_the_fryer = |note: &String| note.starts_with("fryer");
    let told = events.iter().map(|stored| &stored.event);
    let told = told.filter(|event| event.note.as_ref().is_some_and(of_the_fryer));
    let told: Vec<&str> =
        told.map(|event| event.what.as_str()).filter(|what| what.starts_with("controller")).collect();
    assert_eq!(told, ["controller back", "controller lost"], "newest first, once each");
    let values = outcome.good_values().await;
    assert!(values.len() > 150, "{} good values", values.len());
    assert!(values.iter().all(|value| (value - 182.0).abs() < 1e-9), "an invented value: {values:?}");
}

/// Changes the registers' bytes of an answer to a read, leaving the header as it is.
fn with_pdu(right: &[u8], pdu: &[u8]) -> Vec<u8> {
    let mut bytes = right[..4].to_vec();
    bytes.extend(u16::try_from(pdu.len() + 1).unwrap().to_be_bytes());
    bytes.push(right[6]);
    bytes.extend(pdu);
    bytes
}

#[tokio::test(start_paused = true)]
async fn a_silent_controller_is_no_reply_and_comes_back() {
    survives("no reply within 500 ms", NoData::NoReply, |_, _| None).await;
}

#[tokio::test(start_paused = true)]
async fn an_answer_one_register_short_is_thrown_away() {
    survives("got", NoData::NoReply, |_, right| {
        let count = right[8] - 2;
        let mut pdu = vec![right[7], count];
        pdu.extend(&right[9..9 + usize::from(count)]);
        Some(with_pdu(&right, &pdu))
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn an_answer_one_register_long_is_thrown_away() {
    survives("got", NoData::NoReply, |_, right| {
        let mut pdu = vec![right[7], right[8] + 2];
        pdu.extend(&right[9..]);
        pdu.extend([0x12, 0x34]);
        Some(with_pdu(&right, &pdu))
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn an_exception_is_told_by_number_and_meaning() {
    survives("exception 02 (illegal data address)", NoData::Exception(2), |_, right| {
        Some(with_pdu(&right, &[right[7] | 0x80, 2]))
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn an_answer_to_another_transaction_is_not_ours() {
    survives("another request", NoData::NoReply, |_, mut right| {
        right[1] ^= 0x55;
        Some(right)
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn an_answer_of_another_unit_is_not_ours() {
    survives("check unit_id in site.toml", NoData::NoReply, |_, mut right| {
        right[6] ^= 0x55;
        Some(right)
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn an_answer_to_another_function_is_not_ours() {
    survives("another request", NoData::NoReply, |_, mut right| {
        right[7] = if right[7] == 3 { 4 } else { 3 };
        Some(right)
    })
    .await;
}

#[tokio::test(start_paused = true)]
async fn text_instead_of_modbus_says_that_the_port_is_wrong() {
    survives("not Modbus TCP", NoData::NoReply, |_, _| Some(b"HTTP/1.1 400 Bad Request\r\n\r\n".to_vec()))
        .await;
}

#[tokio::test(start_paused = true)]
async fn half_an_answer_is_no_reply() {
    survives("no reply", NoData::NoReply, |_, right| Some(right[..right.len() / 2].to_vec())).await;
}

/// One answer comes after its time limit, every later one at once. With the session kept, the late one would be taken for
/// the next one's and so on for ever.
#[tokio::test(start_paused = true)]
async fn one_late_answer_costs_one_poll_and_not_every_later_one() {
    let begun = Instant::now();
    let late_once = AtomicBool::new(true);
    let outcome = watch_two_minutes_and_two(Arc::new(move |request: &[u8]| {
        let right = right_answer(request, &healthy(begun));
        let is_late = begun.elapsed().as_secs() >= 60 && late_once.swap(false, Ordering::Relaxed);
        Some((if is_late { Duration::from_millis(700) } else { Duration::ZERO }, right))
    }))
    .await;
    let fryer = outcome.line.controllers.iter().position(|controller| controller.name == "fryer").unwrap();
    assert_eq!(outcome.after.controllers[fryer].scans_failed, 1);
    assert!(outcome.after.controllers[fryer].scans_good > 230);
    assert!(outcome.good_values().await.iter().all(|value| (value - 182.0).abs() < 1e-9));
}

#[tokio::test(start_paused = true)]
async fn a_refused_connection_says_what_to_check_and_the_others_go_on() {
    let outcome = suffer(|_, right| Some(right)).await;
    let cook = outcome.line.controllers.iter().position(|controller| controller.name == "cook").unwrap();
    let problem = outcome.after.controllers[cook].problem.clone().unwrap();
    assert!(problem.contains("connection refused") && problem.contains("site.toml"), "{problem}");
    let kettle = outcome.line.signal_by_tag("TT-101").unwrap();
    assert_eq!(outcome.after.signal(kettle).unwrap().reading, Reading::Bad(NoData::Refused));
    assert_eq!(outcome.good_values().await.len() as u64, outcome.after.controllers[2].scans_good);
}

#[tokio::test(start_paused = true)]
async fn a_stopped_program_makes_its_values_bad_although_it_answers() {
    let frozen: Arc<std::sync::Mutex<Option<u16>>> = Arc::default();
    let outcome = suffer(move |request, _| {
        let beat = *frozen.lock().unwrap().get_or_insert(heartbeat(60));
        let registers = |table: Table, address: u16| match (table, address) {
            (Table::Holding, 100) => 1820,
            (Table::Holding, 113) => AUTOMATIC,
            (Table::Holding, 181) => beat,
            _ => 0,
        };
        Some(right_answer(request, &Registers(registers)))
    })
    .await;
    assert_eq!(outcome.inlet(&outcome.during), Reading::Bad(NoData::HeartbeatStopped));
    assert!(outcome.problem(&outcome.during).unwrap().contains("program has stopped"));
    assert_eq!(outcome.problem(&outcome.after), None);
    assert_eq!(outcome.inlet(&outcome.after), Reading::Good(182.0));
}

/// A gateway with two units: the first in the file never answers. The other must not have to wait for it.
#[tokio::test(start_paused = true)]
async fn a_silent_unit_does_not_blind_its_neighbour_behind_one_gateway() {
    const SILENT_UNIT: u8 = 9;
    let begun = Instant::now();
    let asked_in_vain = Arc::new(AtomicU32::new(0));
    let counter = Arc::clone(&asked_in_vain);
    let script: Script = Arc::new(move |request: &[u8]| {
        if request[6] == SILENT_UNIT {
            counter.fetch_add(1, Ordering::Relaxed);
            return None;
        }
        Some((Duration::ZERO, right_answer(request, &healthy(begun))))
    });
    let mut line = fryer_only(demo_line());
    let fryer = line.controllers.iter().position(|controller| controller.name == "fryer").unwrap();
    line.controllers[0].endpoint = line.controllers[fryer].endpoint.clone();
    line.controllers[0].unit_id = SILENT_UNIT;
    let line = Arc::new(line);
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let clock = Clock::starting_at(UtcMillis(1_767_571_200_000));
    let edges = Edges { dial: Arc::new(ScriptedDial(script)), history: history.clone(), clock };
    let running = start(Arc::clone(&line), edges).await.unwrap();
    tokio::time::sleep(Duration::from_secs(300)).await;
    let snapshot = running.handle().snapshot();
    running.stop().await.unwrap();
    assert_eq!(snapshot.controllers[fryer].scans_failed, 0, "{:?}", snapshot.controllers);
    assert!(snapshot.controllers[fryer].scans_good > 280, "{:?}", snapshot.controllers);
    assert_eq!(snapshot.controllers[0].scans_good, 0);
    // Every ten seconds at last, not with each of its 150 scans.
    let asked = asked_in_vain.load(Ordering::Relaxed);
    assert!((20..60).contains(&asked), "asked in vain {asked} times");
    assert!(snapshot.controllers[0].problem.as_ref().unwrap().contains("no reply"));
}

/// While nothing is heard of a controller, its alarms say that they can't see.
#[tokio::test(start_paused = true)]
async fn with_its_controller_silent_an_alarm_says_that_it_is_blind() {
    let outcome = suffer(|_, _| None).await;
    let alarm = outcome.line.alarm_by_id("fryer-inlet-cold").unwrap();
    assert_eq!(outcome.during.alarm(alarm).unwrap().forecast, setward::alarm::Forecast::Unknown);
    assert_eq!(outcome.after.alarm(alarm).unwrap().forecast, setward::alarm::Forecast::Quiet);
}
