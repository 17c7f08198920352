//! A network that misbehaves between the supervisor and one controller: cut, slow, losing segments; and a controller that
//! is switched off and on. Hosts, links and time are simulated. The other controllers are read as if nothing were.

use crate::support::demo_line;
use async_trait::async_trait;
use setward::clock::Clock;
use setward::history::HistoryStore as _;
use setward::history::sqlite::InlineStore;
use setward::poll::dial::{Dial, Stream};
use setward::protocol::{Reading, UtcMillis};
use setward::snapshot::{ControllerView, LineSnapshot};
use setward::{Edges, start};
use setward_config::line::Line;
use sim_plc::Simulator;
use std::io;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use turmoil::net::{TcpListener, TcpStream};
use turmoil::{Builder, Sim};

const SUPERVISOR: &str = "supervisor";
const FRYER: &str = "fryer";
/// The disturbance lasts from here ..
const FROM: Duration = Duration::from_secs(20);
/// .. to here.
const TO: Duration = Duration::from_secs(60);
/// And the test to here.
const END: Duration = Duration::from_secs(110);

/// Connections over the simulated network. The host is the controller's name.
struct NetworkDial;

#[async_trait]
impl Dial for NetworkDial {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        Ok(Box::new(TcpStream::connect(endpoint.to_owned()).await?))
    }
}

/// The demo line with each controller on a host of its own.
fn line() -> Line {
    let mut line = demo_line();
    for controller in &mut line.controllers {
        controller.endpoint = format!("{}:502", controller.name);
    }
    line
}

async fn serve(simulator: Simulator, endpoint: String) -> turmoil::Result {
    let listener = TcpListener::bind("0.0.0.0:502").await?;
    loop {
        let (stream, _) = listener.accept().await?;
        let (simulator, endpoint) = (simulator.clone(), endpoint.clone());
        tokio::spawn(async move { simulator.serve_stream(stream, &endpoint).await });
    }
}

#[derive(Default)]
struct Outcome {
    during: Option<Arc<LineSnapshot>>,
    after: Option<Arc<LineSnapshot>>,
    /// Good values of the fryer inlet, with the second they were stored for.
    inlet: Vec<(i64, f64)>,
}

async fn supervise(line: Arc<Line>, simulator: Simulator, outcome: Arc<Mutex<Outcome>>) -> turmoil::Result {
    tokio::spawn(async move {
        loop {
            tokio::time::sleep(Duration::from_secs(1)).await;
            simulator.step(Duration::from_secs(1));
        }
    });
    let history = Arc::new(InlineStore::in_memory().unwrap());
    let edges = Edges {
        dial: Arc::new(NetworkDial),
        history: history.clone(),
        clock: Clock::starting_at(UtcMillis(0)),
    };
    let running = start(line, edges).await.map_err(|error| error.text)?;
    tokio::time::sleep(TO - Duration::from_millis(500)).await;
    let during = running.handle().snapshot();
    tokio::time::sleep(END - TO).await;
    let after = running.handle().snapshot();
    running.stop().await?;
    let samples = history.samples("TT-310".to_owned(), UtcMillis(-1), UtcMillis(i64::MAX), 10_000).await;
    let samples = samples.map_err(|error| error.text)?;
    let good = samples.iter().filter_map(|sample| Some((sample.utc.0 / 1000, sample.reading.good()?)));
    *outcome.lock().unwrap() = Outcome { during: Some(during), after: Some(after), inlet: good.collect() };
    Ok(())
}

/// Runs the line over a network that `disturb` is called for before each of its steps.
fn run(mut disturb: impl FnMut(&mut Sim<'_>, Duration)) -> Outcome {
    let line = Arc::new(line());
    let simulator = Simulator::new(&line, 1);
    let mut network = Builder::new()
        .rng_seed(7)
        .tick_duration(Duration::from_millis(5))
        .max_message_latency(Duration::from_millis(10))
        .simulation_duration(END + Duration::from_secs(10))
        .build();
    for controller in &line.controllers {
        let (simulator, endpoint) = (simulator.clone(), controller.endpoint.clone());
        network.host(controller.name.as_str(), move || serve(simulator.clone(), endpoint.clone()));
    }
    let outcome: Arc<Mutex<Outcome>> = Arc::default();
    network.client(SUPERVISOR, supervise(line, simulator, Arc::clone(&outcome)));
    loop {
        let now = network.elapsed();
        disturb(&mut network, now);
        if network.step().unwrap() {
            return std::mem::take(&mut outcome.lock().unwrap());
        }
    }
}

/// Calls `begin` and `end` once each, at their times.
fn between<'a>(
    mut begin: impl FnMut(&mut Sim<'_>) + 'a,
    mut end: impl FnMut(&mut Sim<'_>) + 'a,
) -> impl FnMut(&mut Sim<'_>, Duration) + 'a {
    let mut stage = 0;
    move |network, now| match stage {
        0 if now >= FROM => {
            begin(network);
            stage = 1;
        }
        1 if now >= TO => {
            end(network);
            stage = 2;
        }
        _ => {}
    }
}

impl Outcome {
    fn view(&self, snapshot: Option<&Arc<LineSnapshot>>, name: &str) -> ControllerView {
        let index = line().controllers.iter().position(|controller| controller.name == name).unwrap();
        snapshot.unwrap().controllers[index].clone()
    }

    fn problem_during(&self) -> String {
        self.view(self.during.as_ref(), FRYER).problem.unwrap_or_default()
    }

    /// The others had no failed scan, and the fryer is read again, with values that its simulator has.
    fn check(&self) {
        for controller in line().controllers.iter().filter(|controller| controller.name != FRYER) {
            let view = self.view(self.after.as_ref(), &controller.name);
            assert_eq!((view.scans_failed, &view.problem), (0, &None), "{}", controller.name);
            let due = END.as_secs() / controller.poll_every.as_secs();
            assert!(view.scans_good + 2 >= due, "{}: {} scans of {due}", controller.name, view.scans_good);
        }
        let fryer = self.view(self.after.as_ref(), FRYER);
        assert_eq!(fryer.problem, None);
        let id = line().signal_by_tag("TT-310").unwrap();
        let reading = self.after.as_ref().unwrap().signal(id).unwrap().reading;
        assert!(matches!(reading, Reading::Good(_)), "{reading:?}");
        assert!(self.inlet.iter().all(|(_, value)| (175.0..190.0).contains(value)), "{:?}", self.inlet);
    }

    fn good_in(&self, from: u64, to: u64) -> usize {
        let seconds = i64::try_from(from).unwrap()..i64::try_from(to).unwrap();
        self.inlet.iter().filter(|(second, _)| seconds.contains(second)).count()
    }
}

#[test]
fn a_cable_pulled_for_forty_seconds_costs_its_controller_those_and_nobody_else_anything() {
    let outcome = run(between(
        |network| network.partition(SUPERVISOR, FRYER),
        |network| network.repair(SUPERVISOR, FRYER),
    ));
    outcome.check();
    // The simulated network tells a lost attempt to connect as a refusal.
    let problem = outcome.problem_during();
    assert!(problem.contains("connection refused") && problem.contains("site.toml"), "{problem}");
    assert!(outcome.good_in(0, 20) >= 18, "{:?}", outcome.inlet);
    assert_eq!(outcome.good_in(21, 60), 0);
    // The longest wait of a technician who has put the cable back: ten seconds and a fifth, and the connecting.
    assert!(outcome.good_in(60, 74) >= 1 && outcome.good_in(74, 110) >= 34, "{:?}", outcome.inlet);
}

/// Held up for forty seconds, then all of it arrives at once: late answers to questions nobody asks any more.
#[test]
fn a_network_that_holds_everything_back_and_then_delivers_it_brings_no_old_values() {
    let outcome =
        run(between(|network| network.hold(SUPERVISOR, FRYER), |network| network.release(SUPERVISOR, FRYER)));
    outcome.check();
    assert_eq!(outcome.good_in(21, 60), 0);
    assert!(outcome.good_in(74, 110) >= 34, "{:?}", outcome.inlet);
}

#[test]
fn a_slow_network_within_the_time_limit_costs_no_scan() {
    let slow = Duration::from_millis(100);
    let outcome = run(between(
        move |network| network.set_link_latency(SUPERVISOR, FRYER, slow),
        |network| network.set_link_latency(SUPERVISOR, FRYER, Duration::from_millis(5)),
    ));
    outcome.check();
    assert_eq!(outcome.view(outcome.after.as_ref(), FRYER).scans_failed, 0);
    assert!(outcome.view(outcome.during.as_ref(), FRYER).scan_ms.unwrap() >= 200.0);
}

#[test]
fn a_network_slower_than_the_time_limit_says_so() {
    let slow = Duration::from_millis(400);
    let outcome = run(between(
        move |network| network.set_link_latency(SUPERVISOR, FRYER, slow),
        |network| network.set_link_latency(SUPERVISOR, FRYER, Duration::from_millis(5)),
    ));
    outcome.check();
    let problem = outcome.problem_during();
    assert!(problem.contains("within 500 ms"), "{problem}");
    assert_eq!(outcome.good_in(22, 60), 0);
}

/// One segment in twenty is lost and, as the simulated network does not send it again, its connection with it.
#[test]
fn lost_segments_cost_their_own_scans_and_no_wrong_value() {
    let outcome = run(between(
        |network| network.set_link_fail_rate(SUPERVISOR, FRYER, 0.05),
        |network| network.set_link_fail_rate(SUPERVISOR, FRYER, 0.0),
    ));
    outcome.check();
    let during = outcome.good_in(20, 60);
    assert!((5..40).contains(&during), "{during} good scans of 40");
}

#[test]
fn a_controller_switched_off_and_on_again_is_taken_up_by_itself() {
    let outcome = run(between(|network| network.crash(FRYER), |network| network.bounce(FRYER)));
    outcome.check();
    assert_eq!(outcome.good_in(21, 60), 0);
    assert!(outcome.good_in(74, 110) >= 34, "{:?}", outcome.inlet);
}

#[test]
fn the_same_seed_gives_the_same_values() {
    let losing = || {
        run(between(
            |network| network.set_link_fail_rate(SUPERVISOR, FRYER, 0.02),
            |network| network.set_link_fail_rate(SUPERVISOR, FRYER, 0.0),
        ))
    };
    let (first, second) = (losing(), losing());
    assert!(first.inlet.len() > 60);
    assert_eq!(first.inlet, second.inlet);
}
