//! Servers that refuse all they are sent, and servers that fail so often that no minute is without it.

use super::*;

fn bad() -> Result<(), WriteError> {
    Err(WriteError::BadPoint("it answers 400: a request of another kind".to_owned()))
}

/// Another kind of server stands at the address for two minutes, as after an encrypted port took the place of an open one.
#[tokio::test(start_paused = true)]
async fn a_server_that_refuses_everything_is_told_and_gets_everything_once_it_takes_readings() {
    let model = Shared::default();
    let is_other = Arc::new(Mutex::new(false));
    let other = Arc::clone(&is_other);
    let writer = answering(&model, move |_, _| if *other.lock().unwrap() { bad() } else { Ok(()) });
    let mut bench = Bench::new(writer, server()).await;
    bench.watch(30).await;
    assert_eq!(bench.told(), []);
    *is_other.lock().unwrap() = true;
    bench.watch(120).await;
    let status = bench.status.now();
    let problem = status.problem.unwrap();
    assert!(problem.contains("refuses everything") && problem.contains("it answers 400"), "{problem}");
    assert_eq!((status.rejected, status.durable <= 30), (0, true), "nothing is passed");
    let (told, deliveries) = bench.told_all();
    assert!(told.len() == 1 && told[0].0 == "server lost", "{told:?}");
    assert_eq!(deliveries.last(), Some(&Delivery::Behind), "its alarm follows");
    *is_other.lock().unwrap() = false;
    bench.watch(100).await;
    bench.rest().await;
    check_whole(&model, 250);
    let status = bench.status.now();
    assert_eq!((status.rejected, status.waiting_rows, status.problem), (0, 0, None));
}

/// A server that keeps a month takes nothing of the year before, but takes what is new.
#[tokio::test(start_paused = true)]
async fn a_long_stretch_that_a_server_will_never_take_is_passed_once_it_takes_what_is_newer() {
    let model = Shared::default();
    let (store, run) = history().await;
    for from in (0..9000).step_by(1000) {
        keep(&store, run, from..from + 1000).await;
    }
    let is_old = |line: &str| {
        let (_, utc) = line.rsplit_once(' ').unwrap();
        utc.parse::<i64>().unwrap() < START_MS + 6_000_000
    };
    let writer = answering(&model, move |_, lines| if lines.lines().any(is_old) { bad() } else { Ok(()) });
    let mut bench = Bench::over(store, run, 9000, writer, server());
    bench.watch(20).await;
    bench.rest().await;
    let status = bench.status.now();
    assert_eq!((status.rejected, status.waiting_rows, status.problem), (2 * 6000, 0, None));
    assert_eq!(model.lock().unwrap().points.len(), 2 * 3020, "all that it will take");
}

/// The newest readings alone are bad for some minutes: it waits only until one is taken.
#[tokio::test(start_paused = true)]
async fn bad_readings_hold_up_the_rest_only_until_a_good_one_comes() {
    let model = Shared::default();
    let is_bad = |line: &str| {
        let (_, utc) = line.rsplit_once(' ').unwrap();
        (START_MS + 20_000..START_MS + 150_000).contains(&utc.parse::<i64>().unwrap())
    };
    let writer = answering(&model, move |_, lines| if lines.lines().any(is_bad) { bad() } else { Ok(()) });
    let mut bench = Bench::new(writer, server()).await;
    bench.watch(300).await;
    bench.rest().await;
    let status = bench.status.now();
    assert_eq!((status.rejected, status.waiting_rows, status.problem), (2 * 130, 0, None));
    assert_eq!(model.lock().unwrap().points.len(), 2 * 170);
}

#[tokio::test(start_paused = true)]
async fn a_server_that_is_busy_again_and_again_is_not_sent_the_same_for_ever() {
    let model = Shared::default();
    let busy = |write, _: &str| match write % 7 {
        0 => Err(WriteError::Busy("it answers 429".to_owned())),
        _ => Ok(()),
    };
    let mut bench = Bench::new(answering(&model, busy), server()).await;
    bench.watch(600).await;
    let (durable, lines) = (bench.status.now().durable, model.lock().unwrap().lines);
    assert!((500..=540).contains(&durable), "believed a minute later: {durable}");
    assert!(lines <= 2 * 600, "nothing is sent twice: {lines}");
    bench.rest().await;
    check_whole(&model, 600);
}

/// A server, or several, behind one address; what it confirmed and when it was started can be changed.
fn started_as(
    model: &Shared,
    started: impl FnMut() -> Option<String> + Send + 'static,
    answer: impl Fn() -> Result<(), WriteError> + Send + Sync + 'static,
) -> MockPointWriter {
    let taking = Arc::clone(model);
    let mut writer = MockPointWriter::new();
    writer.expect_write().returning(move |lines| {
        let answered = answer();
        if answered.is_ok() {
            take(&taking, &lines);
        }
        answered
    });
    writer.expect_started().returning(started);
    writer
}

#[tokio::test(start_paused = true)]
async fn servers_that_answer_in_turn_at_one_address_are_not_taken_for_one_that_is_started_anew() {
    let model = Shared::default();
    let mut asked = 0;
    let in_turn = move || {
        asked += 1;
        Some(["a", "b"][asked % 2].to_owned())
    };
    let mut bench = Bench::new(started_as(&model, in_turn, || Ok(())), server()).await;
    bench.watch(600).await;
    let durable = bench.status.now().durable;
    assert!(durable >= 500, "{durable}");
    bench.rest().await;
    check_whole(&model, 600);
    let lines = model.lock().unwrap().lines;
    assert!(lines < 3 * 2 * 600, "{lines}");
}

/// It is killed, and what stands before it says that it is busy until it is up again: what it had confirmed is not believed.
#[tokio::test(start_paused = true)]
async fn a_server_that_is_started_anew_behind_one_that_says_busy_gets_again_what_it_lost() {
    let model = Shared::default();
    let state = Arc::new(Mutex::new((0, true)));
    let (starts, answers) = (Arc::clone(&state), Arc::clone(&state));
    let started = move || {
        let (start, is_up) = *starts.lock().unwrap();
        is_up.then(|| format!("start {start}"))
    };
    let answer = move || match answers.lock().unwrap().1 {
        true => Ok(()),
        false => Err(WriteError::Busy("it answers 503".to_owned())),
    };
    let mut bench = Bench::new(started_as(&model, started, answer), server()).await;
    bench.watch(150).await;
    *state.lock().unwrap() = (1, false);
    let lost_from = format!(" {}", START_MS + 130_000);
    model.lock().unwrap().points.retain(|key, _| key.rsplit_once(' ').unwrap().1 < lost_from.trim());
    bench.watch(200).await;
    assert!(bench.status.now().durable < 130, "not believed while it fails");
    state.lock().unwrap().1 = true;
    bench.watch(150).await;
    bench.rest().await;
    check_whole(&model, 500);
}
