//! What must hold for as long as the program runs: its memory over a day and over a thousand reloads, a machine that was suspended, and
//! any line that the check accepts.
//!
//! Memory is measured in processes of their own: tests beside each other share one.

use crate::support::{
    AUTOMATIC, MemoryDial, Registers, ScriptedDial, demo_line, fryer_only, heartbeat, right_answer,
};
use async_trait::async_trait;
use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;
use setward::alarm::Kind;
use setward::clock::Clock;
use setward::history::sqlite::InlineStore;
use setward::history::{HistoryStore, Settings};
use setward::poll::dial::{Dial, Stream};
use setward::protocol::{Table, UtcMillis};
use setward::snapshot::LineSnapshot;
use setward::{Edges, Running, start};
use setward_config::line::Line;
use setward_config::{SourceFile, check_files, demo_files};
use sim_plc::Simulator;
use std::collections::BTreeMap;
use std::io;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicU16, AtomicUsize, Ordering};
use std::time::Duration;
use tokio::time::Instant;

/// 2026-01-05 00:00 UTC: any Monday will do.
const START: UtcMillis = UtcMillis(1_767_571_200_000);
const HOUR_S: u64 = 3_600;
/// The most that memory may grow over reloads, kB: what a process gives back to the system and takes again is of this order.
const GROWTH_MAX_KB: u64 = 2_048;
/// The most that memory may grow over hours, kB.
const GROWTH_OF_HOURS_MAX_KB: u64 = 1_024;
/// Size of a page of memory, kB.
const PAGE_KB: u64 = 4;
/// Reloads in the usual run; a thousand where there is more time.
const RELOADS: u64 = 160;

/// Memory that this process has of the machine, and of that the part which is no file's (its own code's above all), kB.
fn memory_kb() -> (u64, u64) {
    let text = std::fs::read_to_string("/proc/self/statm").unwrap();
    let mut pages = text.split_whitespace().map(|word| word.parse::<u64>().unwrap());
    let (resident, of_files) = (pages.nth(1).unwrap(), pages.next().unwrap());
    (resident * PAGE_KB, (resident - of_files) * PAGE_KB)
}

fn resident_kb() -> u64 {
    memory_kb().0
}

/// Runs one of the ignored tests below in a process of its own; gives the sizes that it told, by what it told them of.
fn alone(test: &str) -> BTreeMap<u64, u64> {
    let mut command = Command::new(std::env::current_exe().unwrap());
    let output = command.args(["--exact", test, "--ignored", "--nocapture"]).output().unwrap();
    let told = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{told}\n{}", String::from_utf8_lossy(&output.stderr));
    let row = |line: &str| {
        let (of, size) = line.strip_prefix("resident ")?.split_once(' ')?;
        Some((of.parse().ok()?, size.parse().ok()?))
    };
    println!("{told}");
    told.lines().filter_map(row).collect()
}

fn from_environment(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

fn paused() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap()
}

async fn begin<D: Dial + 'static>(
    line: &Arc<Line>,
    dial: D,
    history: &Arc<InlineStore>,
    clock: Clock,
) -> Running {
    let history: Arc<dyn HistoryStore> = Arc::clone(history) as _;
    start(Arc::clone(line), Edges { dial: Arc::new(dial), history, clock }).await.unwrap()
}

/// Moves the plant on with virtual time, a second at a time.
fn keep_stepping(simulator: Simulator) {
    tokio::spawn(async move {
        let mut tick = tokio::time::interval(Duration::from_secs(1));
        loop {
            tick.tick().await;
            simulator.step(Duration::from_secs(1));
        }
    });
}

#[test]
fn from_the_first_to_the_twelfth_virtual_hour_memory_grows_by_no_more_than_a_megabyte() {
    let sizes = alone("lasting::hours_in_a_process_of_their_own");
    let (early, late) = (sizes[&1], sizes[&12]);
    assert!(
        late <= early + GROWTH_OF_HOURS_MAX_KB,
        "{early} kB after an hour, {late} kB after twelve: {sizes:?}"
    );
}

#[test]
#[ignore = "run by the test above; SETWARD_HOURS for more of them"]
fn hours_in_a_process_of_their_own() {
    let folder = tempfile::tempdir().unwrap();
    paused().block_on(async {
        let line = Arc::new(demo_line());
        let simulator = Simulator::new(&line, 3);
        let history = InlineStore::open_without_syncs(folder.path(), Settings::default()).unwrap();
        keep_stepping(simulator.clone());
        let clock = Clock::starting_at(START);
        let running = begin(&line, MemoryDial(simulator), &Arc::new(history), clock).await;
        // Asked a minute after each full hour: by then the hour has been closed, and all that an hour needs has run once.
        tokio::time::sleep(Duration::from_secs(60)).await;
        for hour in 1..=from_environment("SETWARD_HOURS", 12) {
            tokio::time::sleep(Duration::from_secs(HOUR_S)).await;
            let (resident, own) = memory_kb();
            println!("resident {hour} {resident}\nof that in no file, after {hour} hours: {own}");
        }
        let summary = running.stop().await.unwrap();
        assert!(summary.samples_stored > 1_000_000 && summary.samples_lost == 0, "{summary}");
    });
}

#[test]
fn reload_upon_reload_during_an_alarm_keeps_it_and_what_was_added_up_and_takes_no_memory() {
    let sizes = alone("lasting::reloads_in_a_process_of_their_own");
    let (early, late) = (sizes[&80], *sizes.values().next_back().unwrap());
    assert!(late <= early + GROWTH_MAX_KB, "{early} kB after 80 reloads, at the end {late} kB: {sizes:?}");
}

/// What a reload must leave as it is: of each alarm of a silent controller the state, its number and since when it stands.
fn standing(line: &Line, snapshot: &LineSnapshot) -> Vec<(String, char, u32, Option<UtcMillis>)> {
    let own = line.alarms_with_ids().filter(|(_, alarm)| alarm.id.starts_with("communication."));
    let views = own.map(|(id, alarm)| (alarm.id.clone(), snapshot.alarm(id).unwrap()));
    views.map(|(id, view)| (id, view.state.letter(), view.occurrence, view.raised)).collect()
}

/// A reload is a run after another. The inlet is 6 K too cold until half the allowance is used up, then its probe breaks: nothing is
/// added and nothing taken away, however often the files are read anew.
#[test]
#[ignore = "run by the test above; SETWARD_RELOADS for more of them"]
fn reloads_in_a_process_of_their_own() {
    let folder = tempfile::tempdir().unwrap();
    paused().block_on(async {
        let line = Arc::new(fryer_only(demo_line()));
        let alarm = line.alarm_by_id("fryer-inlet-cold").unwrap();
        let history = Arc::new(InlineStore::open_without_syncs(folder.path(), Settings::default()).unwrap());
        let inlet = Arc::new(AtomicU16::new(1_760));
        let clock = Clock::starting_at(START);
        let first = begin(&line, scripted(&inlet), &history, clock).await;
        tokio::time::sleep(Duration::from_secs(40)).await;
        inlet.store(i16::MAX as u16, Ordering::Relaxed);
        tokio::time::sleep(Duration::from_secs(5)).await;
        let before = first.handle().snapshot();
        let (stood, share) = (standing(&line, &before), before.alarm(alarm).unwrap().exposure.unwrap());
        assert!(stood.iter().filter(|(_, letter, ..)| *letter == 'B').count() == 3, "{stood:?}");
        assert!((0.4..0.6).contains(&share), "{share}");
        first.stop().await.unwrap();
        for reload in 1..=from_environment("SETWARD_RELOADS", RELOADS) {
            let running = begin(&line, scripted(&inlet), &history, Clock::starting_at(clock.utc())).await;
            tokio::time::sleep(Duration::from_secs(1)).await;
            let snapshot = running.handle().snapshot();
            assert_eq!(standing(&line, &snapshot), stood, "after {reload} reloads");
            let now = snapshot.alarm(alarm).unwrap().exposure.unwrap();
            assert!(now == share, "after {reload} reloads {now}, before them {share}");
            running.stop().await.unwrap();
            if reload % 40 == 0 {
                println!("resident {reload} {}", resident_kb());
            }
        }
        inlet.store(1_760, Ordering::Relaxed);
        let last = begin(&line, scripted(&inlet), &history, Clock::starting_at(clock.utc())).await;
        tokio::time::sleep(Duration::from_secs(36)).await;
        assert_eq!(last.handle().snapshot().alarm(alarm).unwrap().state.letter(), 'A', "not before its time");
        tokio::time::sleep(Duration::from_secs(12)).await;
        assert_eq!(last.handle().snapshot().alarm(alarm).unwrap().state.letter(), 'B', "the half was kept");
        last.stop().await.unwrap();
    });
}

/// The fryer's controller with this inlet; everything else is zero but mode and heartbeat.
fn scripted(inlet: &Arc<AtomicU16>) -> ScriptedDial {
    let (inlet, begun) = (Arc::clone(inlet), Instant::now());
    ScriptedDial(Arc::new(move |request: &[u8]| {
        let registers = |table: Table, address: u16| match (table, address) {
            (Table::Holding, 100) => inlet.load(Ordering::Relaxed),
            (Table::Holding, 113) => AUTOMATIC,
            (Table::Holding, 181) => heartbeat(begun.elapsed().as_secs()),
            _ => 0,
        };
        Some((Duration::ZERO, right_answer(request, &Registers(registers))))
    }))
}

/// When the machine is suspended, and for how long: the run's own time stands still meanwhile, the plant's and the wall clock's do not.
const SUSPENDED_AT: Duration = Duration::from_secs(600);
const SUSPENDED_FOR_S: u64 = 8 * HOUR_S;

/// Connections over memory; those that stand when the machine is suspended are dead when it wakes up.
struct Suspended {
    simulator: Simulator,
    at: Instant,
}

#[async_trait]
impl Dial for Suspended {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let (near, far) = tokio::io::duplex(2_048);
        let (simulator, endpoint, at) = (self.simulator.clone(), endpoint.to_owned(), self.at);
        tokio::spawn(async move {
            let serving = simulator.serve_stream(far, &endpoint);
            if Instant::now() < at { drop(tokio::time::timeout_at(at, serving).await) } else { serving.await }
        });
        Ok(Box::new(near))
    }
}

#[tokio::test(start_paused = true)]
async fn a_machine_suspended_for_eight_hours_has_a_gap_then_fresh_values_and_calls_for_what_fell_due_only() {
    let line = Arc::new(demo_line());
    let (simulator, at) = (Simulator::new(&line, 5), Instant::now() + SUSPENDED_AT);
    let history = Arc::new(InlineStore::in_memory().unwrap());
    keep_stepping(simulator.clone());
    let clock = Clock::set_once(START, SUSPENDED_AT, 1_000 * SUSPENDED_FOR_S as i64);
    let dial = Suspended { simulator: simulator.clone(), at };
    let running = begin(&line, dial, &history, clock).await;
    tokio::time::sleep_until(at).await;
    let before = running.handle().snapshot();
    for _ in 0..SUSPENDED_FOR_S {
        simulator.step(Duration::from_secs(1));
    }
    tokio::time::sleep(Duration::from_secs(600)).await;
    let after = running.handle().snapshot();
    running.stop().await.unwrap();

    let events = history.events(None, 10_000).await.unwrap();
    assert_eq!(events.iter().filter(|stored| stored.event.what == "clock set").count(), 1, "told once");
    let called: Vec<&str> = events
        .iter()
        .filter(|stored| {
            stored.event.what == "raised" && stored.event.note.is_none() && stored.event.at >= before.at
        })
        .filter_map(|stored| stored.event.alarm.as_deref())
        .collect();
    // What falls due by the clock on the wall may be due by now; and a cook that nobody saw can't be shown to have been done.
    let due = |id: &&&str| ["overdue", "too-old", "cook-dose"].iter().any(|word| id.contains(word));
    assert_eq!(called.iter().find(|id| !due(id)), None, "{called:?}");
    let failing = after.controllers.iter().filter(|view| view.problem.is_some()).count();
    assert_eq!(failing, 0, "all controllers were dialled anew");
    for (id, alarm) in
        line.alarms_with_ids().filter(|(_, alarm)| matches!(alarm.settings.kind, Kind::TimeWeighted(_)))
    {
        let of = |snapshot: &LineSnapshot| snapshot.alarm(id).unwrap().exposure.unwrap_or(0.0);
        assert!(of(&after) <= of(&before) + 0.05, "{}: {} to {}", alarm.id, of(&before), of(&after));
    }
    let kept = history.samples("TT-310".to_owned(), UtcMillis(0), UtcMillis(i64::MAX), 10_000).await.unwrap();
    let good: Vec<i64> =
        kept.iter().filter(|one| one.reading.good().is_some()).map(|one| one.utc.0).collect();
    let gaps: Vec<i64> =
        good.windows(2).map(|pair| pair[1] - pair[0]).filter(|apart| *apart > 10_000).collect();
    assert!(gaps.len() == 1 && gaps[0] >= 1_000 * SUSPENDED_FOR_S as i64, "{gaps:?}");
    assert!(
        good.last().unwrap() - kept[0].utc.0 > 1_000 * (SUSPENDED_FOR_S as i64 + 1_150),
        "fresh to the end"
    );
}

/// The demo's files with some values changed as a person might: another number, another line's value, a line left out.
fn altered(draw: &mut Pcg64Mcg) -> Vec<SourceFile> {
    let mut files: Vec<SourceFile> = demo_files()
        .iter()
        .map(|(path, text)| SourceFile { path: (*path).to_owned(), text: (*text).to_owned() })
        .collect();
    let mut pick = |count: usize| (draw.next_u64() % count as u64) as usize;
    for _ in 0..=pick(3) {
        let which = pick(files.len());
        let mut lines: Vec<String> = files[which].text.lines().map(str::to_owned).collect();
        let index = pick(lines.len());
        let other = lines[pick(lines.len())].clone();
        let Some((key, value)) =
            lines[index].clone().split_once(" = ").map(|(key, value)| (key.to_owned(), value.to_owned()))
        else {
            continue;
        };
        lines[index] = match (pick(8), other.split_once(" = ")) {
            (0, _) => String::new(),
            (1, Some((own, theirs))) if own == key => format!("{key} = {theirs}"),
            _ => format!("{key} = {}", with_another_number(&value, FACTORS[pick(FACTORS.len())])),
        };
        files[which].text = lines.join("\n");
    }
    files
}

const FACTORS: [f64; 10] = [-1.0, 0.0, 0.001, 0.1, 0.5, 0.9, 1.1, 2.0, 10.0, 1000.0];

/// The first number in `value`, times `factor`.
fn with_another_number(value: &str, factor: f64) -> String {
    let is_part = |letter: char| letter.is_ascii_digit() || letter == '.';
    let Some(from) = value.find(|letter: char| letter.is_ascii_digit()) else { return value.to_owned() };
    let until = value[from..].find(|letter| !is_part(letter)).map_or(value.len(), |length| from + length);
    let Ok(number) = value[from..until].parse::<f64>() else { return value.to_owned() };
    format!("{}{}{}", &value[..from], number * factor, &value[until..])
}

/// Panics in threads whose name begins so; others of this process may panic on purpose.
const HOURS: &str = "an hour of ";
static PANICS: AtomicUsize = AtomicUsize::new(0);

fn count_panics() {
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        let name = std::thread::current().name().unwrap_or_default().to_owned();
        PANICS.fetch_add(usize::from(name.starts_with(HOURS)), Ordering::Relaxed);
        before(info);
    }));
}

/// The whole line for a virtual hour; the events that say that a part of it failed.
fn an_hour_of(line: Line, seed: u64) -> usize {
    paused().block_on(async {
        let line = Arc::new(line);
        let simulator = Simulator::new(&line, seed);
        keep_stepping(simulator.clone());
        let history = Arc::new(InlineStore::in_memory().unwrap());
        let running = begin(&line, MemoryDial(simulator), &history, Clock::starting_at(START)).await;
        tokio::time::sleep(Duration::from_secs(HOUR_S)).await;
        let summary = running.stop().await.unwrap();
        assert!(summary.scans > 0 && summary.samples_lost == 0, "{summary}");
        let events = history.events(None, 10_000).await.unwrap();
        events.iter().filter(|stored| stored.event.what.ends_with("failed")).count()
    })
}

#[test]
fn any_line_that_the_check_accepts_runs_for_an_hour() {
    count_panics();
    let hours = [21, 22].map(|seed| {
        let work = move || {
            let mut draw = Pcg64Mcg::seed_from_u64(seed);
            let (mut lived, mut refused) = (0, 0);
            while lived < 8 {
                let files = altered(&mut draw);
                let changed: Vec<String> = changes(&files);
                match check_files(&files) {
                    Ok(loaded) if !changed.is_empty() => {
                        lived += 1;
                        println!("{changed:?}");
                        assert_eq!(an_hour_of(loaded.line, seed), 0, "{changed:?}");
                        assert_eq!(PANICS.load(Ordering::Relaxed), 0, "{changed:?}");
                    }
                    Ok(_) => {}
                    Err(_) => refused += 1,
                }
            }
            refused
        };
        std::thread::Builder::new().name(format!("{HOURS}{seed}")).spawn(work).unwrap()
    });
    let refused: usize = hours.map(|hours| hours.join().unwrap()).iter().sum();
    assert!(refused > 0, "the check refused nothing: nothing near its limits was tried");
}

/// Lines that are not the demo's.
fn changes(files: &[SourceFile]) -> Vec<String> {
    let lines =
        files.iter().zip(demo_files()).flat_map(|(file, (_, text))| file.text.lines().zip(text.lines()));
    lines.filter(|(now, before)| now != before).map(|(now, _)| now.to_owned()).collect()
}
