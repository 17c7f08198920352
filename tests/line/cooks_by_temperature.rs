//! The demo's cook house without step words: batches that the temperature tells, against those that the step words tell of the
//! same plant, and over a restart.

use crate::support::{MemoryDial, demo_line};
use setward::clock::Clock;
use setward::history::HistoryStore;
use setward::history::sqlite::InlineStore;
use setward::line::batches::BatchView;
use setward::protocol::UtcMillis;
use setward::report::batch::BatchReport;
use setward::{Edges, start};
use setward_config::line::{KettlePhases, Line};
use setward_process::batches::{Ending, Phase, TemperatureRule, ToldBy};
use sim_plc::Simulator;
use std::sync::Arc;
use std::time::Duration;

const STARTED: UtcMillis = UtcMillis(1_767_571_200_000);
const SEED: u64 = 5;
const HOURS: u64 = 15;
/// The demo pumps a batch out within nine minutes of the end of its quench, whose last degrees take three more.
const PUMPED_WITHIN: Duration = Duration::from_secs(15 * 60);

fn by_temperature() -> Line {
    let mut line = demo_line();
    for kettle in &mut line.kettles {
        let limits = TemperatureRule::new(45.0, 76.0, 94.0).unwrap();
        kettle.phases = KettlePhases::Temperature { limits, pumped_within: PUMPED_WITHIN };
    }
    line
}

/// Runs a line for a while from a moment; gives its batches as they are remembered then.
async fn watched(
    line: &Line,
    simulator: &Simulator,
    history: &Arc<InlineStore>,
    (from, hours): (UtcMillis, u64),
) -> Vec<BatchView> {
    let edges = Edges {
        dial: Arc::new(MemoryDial(simulator.clone())),
        history: Arc::clone(history) as Arc<_>,
        clock: Clock::starting_at(from),
    };
    let running = start(Arc::new(line.clone()), edges).await.unwrap();
    tokio::time::sleep(Duration::from_secs(hours * 3_600)).await;
    let _looked = running.handle().snapshot();
    tokio::time::sleep(Duration::from_secs(20)).await;
    let batches = Arc::clone(&running.handle().snapshot().following.batches);
    running.stop().await.unwrap();
    batches.to_vec()
}

fn stepped(line: &Line) -> Simulator {
    let simulator = Simulator::new(line, SEED);
    let stepping = simulator.clone();
    tokio::spawn(async move {
        let mut tick = tokio::time::interval(Duration::from_millis(1_000));
        loop {
            tick.tick().await;
            stepping.step(Duration::from_millis(1_000));
        }
    });
    simulator
}

/// Both kinds of one plant, seen through: the first of each kettle was under way when the watching began.
fn whole(batches: &[BatchView]) -> Vec<&BatchView> {
    batches
        .iter()
        .filter(|batch| batch.oddities.is_empty() && batch.ending == Some(Ending::Complete))
        .collect()
}

/// Both held in the same kettle at the same time.
fn is_same(step: &BatchView, heat: &BatchView) -> bool {
    let both = step.phase(Phase::Hold).zip(heat.phase(Phase::Hold));
    heat.kettle == step.kettle && both.is_some_and(|(step, heat)| heat.0 < step.1 && step.0 < heat.1)
}

fn minutes_apart(one: UtcMillis, other: UtcMillis) -> f64 {
    (one.0 - other.0).abs() as f64 / 60_000.0
}

#[tokio::test(start_paused = true)]
async fn batches_told_by_temperature_are_those_that_the_step_words_tell_and_lie_in_the_same_tanks() {
    let (by_step, by_heat) = (demo_line(), by_temperature());
    let first = Arc::new(InlineStore::in_memory().unwrap());
    let told = watched(&by_step, &stepped(&by_step), &first, (STARTED, HOURS)).await;
    let second = Arc::new(InlineStore::in_memory().unwrap());
    let simulator = stepped(&by_heat);
    let seen = watched(&by_heat, &simulator, &second, (STARTED, HOURS)).await;

    let steps = whole(&told);
    assert!(steps.len() >= 12, "{} batches", steps.len());
    let mut in_a_tank = 0;
    for step in &steps {
        let held = step.phase(Phase::Hold).unwrap();
        let same: Vec<&BatchView> = seen.iter().filter(|heat| is_same(step, heat)).collect();
        let [heat] = same.as_slice() else { panic!("{step:?} is {same:?}") };
        assert_eq!((heat.told_by, step.told_by), (ToldBy::Temperature, ToldBy::Step));
        assert_eq!((heat.number, heat.recipe, heat.ending), (step.number, step.recipe, step.ending));
        assert_eq!(
            heat.phases.iter().map(|(phase, _)| *phase).collect::<Vec<_>>(),
            [Phase::Heat, Phase::Hold, Phase::Quench]
        );
        // The program holds from 96 degC on, the temperature from 94: 2 K at 3 K/min.
        let own = heat.phase(Phase::Hold).unwrap();
        assert!(minutes_apart(own.0, held.0) < 1.5 && minutes_apart(own.1, held.1) < 1.5, "{own:?} {held:?}");
        let (pumped, soaks_from) = (step.soaks_from.unwrap(), heat.soaks_from.unwrap());
        assert_eq!(pumped.0, pumped.1);
        assert!(soaks_from.0 <= pumped.0 && pumped.0 <= soaks_from.1, "{soaks_from:?} {pumped:?}");
        assert!(minutes_apart(soaks_from.0, soaks_from.1) <= 15.01);
        assert!(heat.tank.is_none() || heat.tank == step.tank, "{:?} {:?}", heat.tank, step.tank);
        in_a_tank += usize::from(heat.tank.is_some());
    }
    assert!(in_a_tank + 2 >= steps.len(), "{in_a_tank} of {} are known to lie in a tank", steps.len());
    // Its last batch may be pumped out still, and its step word said nothing of the beginning of the first.
    let hour = UtcMillis(STARTED.0 + i64::try_from(HOURS - 1).unwrap() * 3_600_000);
    for heat in whole(&seen).iter().filter(|heat| heat.phase(Phase::Quench).unwrap().1 < hour) {
        assert!(told.iter().any(|step| is_same(step, heat)), "made up: {heat:?}");
    }

    // A restart reads the temperatures again, and gives the same batches the same names.
    let restarted = UtcMillis(STARTED.0 + i64::try_from(HOURS).unwrap() * 3_600_000 + 120_000);
    let again = watched(&by_heat, &simulator, &second, (restarted, 1)).await;
    for batch in whole(&seen) {
        let same = again.iter().find(|other| other.id == batch.id).unwrap();
        assert_eq!((same.tank, same.number, same.recipe), (batch.tank, batch.number, batch.recipe));
    }
}

/// What the record says of one of them: the counted hold, and that the soak began between two moments.
#[tokio::test(start_paused = true)]
async fn the_record_of_a_batch_told_by_temperature_says_what_it_does_not_know() {
    let line = by_temperature();
    let history = Arc::new(InlineStore::in_memory().unwrap());
    watched(&line, &stepped(&line), &history, (STARTED, 4)).await;
    let rows = history.batches(UtcMillis(0), UtcMillis(i64::MAX), 100).await.unwrap();
    let reports = rows.iter().map(|row| serde_json::from_str::<BatchReport>(&row.record).unwrap());
    let report =
        reports.into_iter().find(|report| report.oddities.is_empty() && report.soak.tank.is_some()).unwrap();
    let verdict =
        |start: &str| report.cook.iter().find(|row| row.limit.starts_with(start)).unwrap().verdict.clone();
    assert_eq!(verdict("counted hold"), "met", "{report:?}");
    for unknown in ["end of quench", "equivalent time"] {
        assert_eq!(verdict(unknown), "not known", "{report:?}");
    }
    assert_eq!(report.water_l, None, "the fill is not seen");
    let (earliest, latest) =
        (report.soak.from_not_before.clone().unwrap(), report.soak.from.clone().unwrap());
    assert!(earliest < latest, "{earliest} {latest}");
    let text = report.text(&|utc: &str| utc.to_owned());
    assert!(text.contains(&format!("from {earliest} at the earliest, {latest} at the latest")), "{text}");
}
