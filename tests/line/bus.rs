//! How the poller goes about a controller that refuses, is busy, needs time, or has slow and fast signals.

use crate::support::{AUTOMATIC, Registers, ScriptedDial, demo_line, fryer_only, heartbeat, right_answer};
use setward::clock::Clock;
use setward::history::HistoryStore as _;
use setward::history::sqlite::InlineStore;
use setward::protocol::{NoData, Reading, Table, UtcMillis};
use setward::snapshot::LineSnapshot;
use setward::{Edges, RunSummary, start};
use setward_config::line::Line;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::time::Instant;

/// A request as the controller saw it: when, first address, how many.
type Asked = (Duration, u16, u16);

struct Watched {
    line: Line,
    at_end: Arc<LineSnapshot>,
    asked: Vec<Asked>,
    summary: RunSummary,
    history: Arc<InlineStore>,
}

impl Watched {
    fn reading(&self, tag: &str) -> Reading {
        self.at_end.signal(self.line.signal_by_tag(tag).unwrap()).unwrap().reading
    }

    /// Requests that cover `address`, by the second in which they came.
    fn asked_for(&self, address: u16) -> Vec<u64> {
        let covers = |asked: &&Asked| (asked.1..asked.1 + asked.2).contains(&address);
        self.asked.iter().filter(covers).map(|asked| asked.0.as_secs()).collect()
    }
}

fn healthy(begun: Instant) -> Registers<impl Fn(Table, u16) -> u16> {
    Registers(move |_: Table, address: u16| match address {
        100..=103 => 1820,
        113 => AUTOMATIC,
        181 => heartbeat(begun.elapsed().as_secs()),
        _ => 0,
    })
}

/// Runs the fryer for `seconds`. `exception` says by which exception a request is refused, if it is.
async fn watch(
    line: Line,
    seconds: u64,
    exception: impl Fn(Duration, u16, u16) -> Option<u8> + Send + Sync + 'static,
) -> Watched {
    let begun = Instant::now();
    let asked: Arc<Mutex<Vec<Asked>>> = Arc::default();
    let seen = Arc::clone(&asked);
    let script = move |request: &[u8]| {
        let two = |at: usize| u16::from_be_bytes([request[at], request[at + 1]]);
        let (first, count, now) = (two(8), two(10), begun.elapsed());
        seen.lock().unwrap().push((now, first, count));
        let answer = match exception(now, first, count) {
            Some(code) => vec![request[0], request[1], 0, 0, 0, 3, request[6], request[7] | 0x80, code],
            None => right_answer(request, &healthy(begun)),
        };
        Some((Duration::from_millis(20), answer))
    };
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let edges = Edges {
        dial: Arc::new(ScriptedDial(Arc::new(script))),
        history: history.clone(),
        clock: Clock::starting_at(UtcMillis(1_767_571_200_000)),
    };
    let running = start(Arc::new(line.clone()), edges).await.unwrap();
    tokio::time::sleep(Duration::from_secs(seconds)).await;
    let at_end = running.handle().snapshot();
    let summary = running.stop().await.unwrap();
    let asked = asked.lock().unwrap().clone();
    Watched { line, at_end, asked, summary, history }
}

/// The controller lacks address 103 and refuses every block that holds it.
#[tokio::test(start_paused = true)]
async fn one_address_that_does_not_exist_costs_its_own_signal_and_no_other() {
    let lacks = |_, first: u16, count: u16| (first..first + count).contains(&103).then_some(2);
    let watched = watch(fryer_only(demo_line()), 50, lacks).await;
    assert_eq!(watched.reading("TT-313"), Reading::Bad(NoData::Exception(2)));
    for tag in ["TT-310", "TT-311", "TT-312"] {
        assert_eq!(watched.reading(tag), Reading::Good(182.0), "{tag}");
        let samples = watched.history.samples(tag.to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 1000).await;
        let samples = samples.unwrap();
        assert!(
            samples.iter().all(|sample| sample.reading == Reading::Good(182.0)),
            "{tag}: from the first scan"
        );
    }
    let asked = watched.asked_for(103);
    let (first, later): (Vec<u64>, Vec<u64>) = asked.iter().partition(|second| **second == 0);
    assert!(first.len() <= 8, "halving is enough: {asked:?}");
    assert_eq!(later, [5, 16, 37], "ever more slowly");
    let fryer = watched.line.controllers.iter().position(|one| one.name == "fryer").unwrap();
    let view = &watched.at_end.controllers[fryer];
    let problem = view.problem.clone().unwrap();
    assert!(problem.contains("exception 02") && problem.contains("holding 103 to 103 (TT-313)"), "{problem}");
    assert!(view.answers && view.last_good.is_some(), "the rest of it is there");
}

#[tokio::test(start_paused = true)]
async fn what_was_refused_is_tried_again_and_taken_up_when_it_is_there() {
    let appears = |now: Duration, first: u16, count: u16| {
        ((first..first + count).contains(&103) && now < Duration::from_secs(90)).then_some(2)
    };
    let watched = watch(fryer_only(demo_line()), 150, appears).await;
    let asked = watched.asked_for(103);
    let later: Vec<u64> = asked.iter().copied().filter(|second| *second > 0).take(6).collect();
    assert_eq!(later, [5, 16, 37, 78, 139, 140], "refused at most once a minute, then read with every scan");
    assert_eq!(watched.reading("TT-313"), Reading::Good(182.0));
}

#[tokio::test(start_paused = true)]
async fn a_controller_that_is_busy_is_left_alone_for_longer_and_longer() {
    let busy = |now: Duration, _, _| (now > Duration::from_secs(10)).then_some(6);
    let watched = watch(fryer_only(demo_line()), 70, busy).await;
    let seconds: Vec<u64> = watched.asked_for(100).into_iter().filter(|second| *second > 10).collect();
    let waits: Vec<u64> = seconds.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(waits.is_sorted() && *waits.last().unwrap() >= 15, "{seconds:?}");
    assert!(seconds.len() < 10, "{seconds:?}");
    assert_eq!(watched.reading("TT-310"), Reading::Bad(NoData::Exception(6)));
}

#[tokio::test(start_paused = true)]
async fn a_controller_that_needs_a_pause_between_requests_gets_it() {
    let mut line = fryer_only(demo_line());
    for controller in &mut line.controllers {
        controller.pause = Duration::from_millis(200);
        // Many small requests.
        controller.readable.clear();
        controller.poll_every = Duration::from_secs(10);
    }
    let watched = watch(line, 30, |_, _, _| None).await;
    let gaps = watched.asked.windows(2).map(|pair| pair[1].0 - pair[0].0);
    let least = gaps.min().unwrap();
    assert!(watched.asked.len() > 20 && least >= Duration::from_millis(220), "{least:?} with 20 ms of reply");
}

#[tokio::test(start_paused = true)]
async fn slow_signals_are_read_at_their_own_period_and_known_in_between() {
    let mut line = fryer_only(demo_line());
    for tag in ["TT-312", "TT-313"] {
        let id = line.signal_by_tag(tag).unwrap();
        if let setward_config::line::Origin::Register(register) = &mut line.signals[id.index()].origin {
            register.poll_every = Duration::from_secs(10);
        }
    }
    let watched = watch(line, 95, |_, _, _| None).await;
    let count = async |tag: &str| {
        let all = watched.history.samples(tag.to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 1000).await;
        all.unwrap().len()
    };
    // At 0 s, then at its own phase, half a period on: 15, 25, .. 85 s.
    assert_eq!((count("TT-310").await, count("TT-313").await), (95, 9));
    assert_eq!(watched.reading("TT-313"), Reading::Good(182.0));
    assert_eq!(watched.summary.samples_lost, 0);
}

/// The fast signals are well, one of the slow ones is refused: that is one trouble, not one each ten seconds.
#[tokio::test(start_paused = true)]
async fn a_slow_group_with_a_trouble_is_told_once_and_stays_told() {
    let mut line = fryer_only(demo_line());
    for tag in ["TT-312", "TT-313"] {
        let id = line.signal_by_tag(tag).unwrap();
        if let setward_config::line::Origin::Register(register) = &mut line.signals[id.index()].origin {
            register.poll_every = Duration::from_secs(10);
        }
    }
    let lacks = |_, first: u16, count: u16| (first..first + count).contains(&103).then_some(2);
    let watched = watch(line, 95, lacks).await;
    let events = watched.history.events(None, 1000).await.unwrap();
    let told = |what: &str| {
        let of_fryer = |note: &String| note.starts_with("fryer");
        let all = events.iter().map(|stored| &stored.event);
        all.filter(|event| event.what == what && event.note.as_ref().is_some_and(of_fryer)).count()
    };
    assert_eq!((told("controller lost"), told("controller back")), (1, 0));
    let fryer = watched.line.controllers.iter().position(|one| one.name == "fryer").unwrap();
    assert!(watched.at_end.controllers[fryer].problem.as_ref().unwrap().contains("TT-313"));
}
