//! What is written, what is refused, and what is left behind when something goes wrong at any moment. Apart from the library's own tests, so
//! that a build with the feature need not make all of those a second time; without the feature there is nothing to test.
#![cfg(feature = "write-setpoints")]
#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "tests: a panic is a failed test")]

use async_trait::async_trait;
use setward::clock::Clock;
use setward::commission::probe::asker::Whom;
use setward::poll::dial::{Dial, Stream};
use setward::poll::session::ReadFailure;
use setward::write_setpoints::carry_out::{Fate, Outcome, Writer};
use setward::write_setpoints::journal::{FILE, Intent, Journal, Occasion, Writes};
use setward::write_setpoints::plan::{Difference, Seen, Verdict, enabled};
use setward::write_setpoints::wire::{Answer, Wire, read_once, write_once};
use setward_config::line::{Line, Origin, Recipe, SetpointWrite};
use setward_protocol::{Mode, ModeSet, SignalId, StationId, UtcMillis};
use std::collections::BTreeMap;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicU16, AtomicUsize, Ordering};
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

const OIL: &str = "TIC-310-SP";
const NOW: UtcMillis = UtcMillis(1_795_600_000_000);

/// The demo line, where the fryer's setpoint may be written between 170 and 188 degC, 2 K at a time.
fn line() -> Line {
    let mut line = setward_config::load_demo().unwrap().line;
    let signal = line.signal_by_tag(OIL).unwrap();
    line.setpoint_writes = vec![SetpointWrite {
        signal,
        between: (170.0, 188.0),
        most_step: 2.0,
        step_every: Some(Duration::from_secs(60)),
        modes: ModeSet::of(&[Mode::Run, Mode::Hold]),
        writes_per_day: 6,
    }];
    line
}

fn asking(line: &Line, degc: f64) -> Recipe {
    let mut recipe = line.recipes[0].clone();
    let oil = line.signal_by_tag(OIL).unwrap();
    recipe
        .setpoints
        .iter_mut()
        .filter(|held| held.signal == oil)
        .for_each(|held| held.target.setpoint = degc);
    recipe
}

fn words(line: &Line, degc: f64) -> Vec<u16> {
    let register = line.signal(line.signal_by_tag(OIL).unwrap()).register().unwrap();
    setward::write_setpoints::plan::words_of(register, degc).unwrap()
}

fn difference_of(line: &Line, degc: f64, seen: Seen, writes: Writes) -> Difference {
    let oil = line.signal_by_tag(OIL).unwrap();
    let seen = BTreeMap::from([(oil, seen)]);
    Difference::new(line, &asking(line, degc), &[], &seen, &BTreeMap::from([(OIL.to_owned(), writes)]))
}

fn seen(line: &Line, degc: f64) -> Seen {
    Seen { value: Ok(degc), words: words(line, degc), mode: Mode::Run }
}

fn verdict(difference: &Difference) -> Verdict {
    difference.rows.iter().find(|row| row.tag == OIL).unwrap().verdict.clone()
}

#[test]
fn what_differs_is_written_in_steps_and_what_does_not_is_left() {
    let line = line();
    let to = |degc: f64| verdict(&difference_of(&line, degc, seen(&line, 182.0), Writes::default()));
    assert_eq!(to(182.0), Verdict::Equal);
    assert_eq!(to(184.0), Verdict::Write(vec![184.0]));
    assert_eq!(to(187.0), Verdict::Write(vec![183.7, 185.3, 187.0]), "as the register says them");
    assert_eq!(to(179.0), Verdict::Write(vec![180.5, 179.0]));
    let others = difference_of(&line, 184.0, seen(&line, 182.0), Writes::default());
    let refused = |row: &&setward::write_setpoints::plan::Row| matches!(&row.verdict, Verdict::Refused(why) if why.contains("not enabled"));
    assert_eq!(others.rows.iter().filter(refused).count(), others.rows.len() - 1);
    assert_eq!(enabled(&line, &line.recipes[0]), [line.signal_by_tag(OIL).unwrap()]);
}

#[test]
fn what_is_beyond_bounds_step_mode_count_or_sight_is_refused_with_the_reason() {
    let mut line = line();
    let why = |line: &Line, degc: f64, seen: Seen, within_a_day: u32| {
        let writes = Writes { ever: within_a_day, within_a_day };
        match verdict(&difference_of(line, degc, seen, writes)) {
            Verdict::Refused(why) => why,
            other @ (Verdict::Equal | Verdict::Write(_)) => panic!("{other:?}"),
        }
    };
    let here = seen(&line, 182.0);
    assert!(why(&line, 190.0, here.clone(), 0).contains("170 to 188"));
    assert!(why(&line, 184.0, here.clone(), 6).contains("7 writes within 24 h; site.toml allows 6"));
    let cleaning = Seen { mode: Mode::Cleaning, ..here.clone() };
    assert!(why(&line, 184.0, cleaning, 0).contains("is in cleaning; it is written in: hold, run"));
    let blind = Seen { value: Err("no reply".to_owned()), words: Vec::new(), mode: Mode::Run };
    assert!(why(&line, 184.0, blind, 0).contains("no reply"));
    line.setpoint_writes[0].step_every = None;
    assert!(why(&line, 187.0, here, 0).contains("more than 2 in one write"));
}

/// The demo line with a register of whole degrees.
fn coarse(most_step: f64) -> Line {
    let mut line = line();
    let oil = line.signal_by_tag(OIL).unwrap();
    let Origin::Register(register) = &mut line.signals[oil.index()].origin else { panic!("a register") };
    register.wire.scale = 1.0;
    line.setpoint_writes[0].most_step = most_step;
    line
}

#[test]
fn no_step_is_larger_than_allowed_once_its_register_has_rounded_it_and_none_changes_nothing() {
    let to =
        |line: &Line, degc: f64| verdict(&difference_of(line, degc, seen(line, 180.0), Writes::default()));
    assert_eq!(to(&coarse(1.5), 183.0), Verdict::Write(vec![181.0, 182.0, 183.0]), "181.5 would be 182");
    assert_eq!(to(&coarse(2.5), 183.0), Verdict::Write(vec![182.0, 183.0]));
    let Verdict::Refused(why) = to(&coarse(0.4), 181.0) else { panic!("a register of whole degrees") };
    assert!(why.contains("can't say a step as small as 0.4"), "{why}");
}

/// Whoever turned it beyond what may be written turns it back: Setward's own values stay within, should it stop on the way.
#[test]
fn no_value_on_the_way_lies_beyond_what_may_be_written() {
    let line = line();
    let Verdict::Refused(why) = verdict(&difference_of(&line, 182.0, seen(&line, 196.0), Writes::default()))
    else {
        panic!("194 is beyond 188")
    };
    assert!(why.contains("194 would be written") && why.contains("170 to 188"), "{why}");
    let one = difference_of(&line, 187.0, seen(&line, 189.0), Writes::default());
    assert_eq!(verdict(&one), Verdict::Write(vec![187.0]), "in one step it comes back within");
}

#[test]
fn whatever_the_numbers_are_steps_stay_within_bounds_and_their_size_and_end_where_they_should() {
    let mut line = line();
    line.setpoint_writes[0].writes_per_day = 1000;
    let mut drawn = fastrand::Rng::with_seed(7);
    let mut written = 0;
    for _ in 0..4000 {
        let degc = |tenths: i32| f64::from(tenths) / 10.0;
        let (now, wanted) = (degc(drawn.i32(1600..2000)), degc(drawn.i32(1600..2000)));
        line.setpoint_writes[0].most_step = degc(drawn.i32(1..60));
        let most = line.setpoint_writes[0].most_step;
        match verdict(&difference_of(&line, wanted, seen(&line, now), Writes::default())) {
            Verdict::Write(steps) => {
                written += 1;
                let mut before = now;
                for step in &steps {
                    let there = words(&line, *step);
                    assert_ne!(there, words(&line, before), "{now} to {wanted} by {most}: {steps:?}");
                    assert!((step - before).abs() <= most + 1e-6, "{now} to {wanted} by {most}: {steps:?}");
                    assert!((170.0..=188.0).contains(step), "{now} to {wanted} by {most}: {steps:?}");
                    before = *step;
                }
                assert_eq!(words(&line, before), words(&line, wanted));
            }
            Verdict::Equal => assert_eq!(words(&line, now), words(&line, wanted)),
            Verdict::Refused(why) => {
                assert!(why.contains("170 to 188"), "{now} to {wanted} by {most}: {why}")
            }
        }
    }
    assert!(written > 400, "{written}");
}

#[test]
fn another_difference_has_another_code_and_the_same_the_same() {
    let line = line();
    let code = |degc: f64, now: f64| difference_of(&line, degc, seen(&line, now), Writes::default()).code;
    assert_eq!(code(184.0, 182.0), code(184.0, 182.0));
    assert_ne!(code(184.0, 182.0), code(184.0, 182.1));
    assert_ne!(code(184.0, 182.0), code(183.0, 182.0));
    assert_eq!(code(184.0, 182.0).len(), 8);
}

/// A controller that answers as a list says, and does what the answer means, or the opposite.
struct Scripted {
    register: Vec<u16>,
    mode: Mode,
    /// What it answers, and whether it does it.
    answers: Vec<(Answer, bool)>,
    writes: Vec<Vec<u16>>,
    paused: Duration,
    /// What the register says once this has passed, unasked.
    later: Option<(Duration, Vec<u16>)>,
    reads: bool,
}

impl Scripted {
    fn new(line: &Line, answers: &[(Answer, bool)]) -> Self {
        Self {
            register: words(line, 182.0),
            mode: Mode::Run,
            answers: answers.iter().rev().cloned().collect(),
            writes: Vec::new(),
            paused: Duration::ZERO,
            later: None,
            reads: true,
        }
    }
}

#[async_trait]
impl Wire for Scripted {
    async fn write(&mut self, _whom: &Whom, _start: u16, words: &[u16]) -> Answer {
        self.writes.push(words.to_vec());
        let (answer, is_done) = self.answers.pop().unwrap_or((Answer::Done, true));
        if is_done {
            self.register = words.to_vec();
        }
        answer
    }

    async fn read(&mut self, _whom: &Whom, _start: u16, count: u16) -> Result<Vec<u16>, ReadFailure> {
        assert_eq!(usize::from(count), self.register.len());
        if self.reads { Ok(self.register.clone()) } else { Err(ReadFailure::Broken) }
    }

    async fn mode(&mut self, _station: StationId) -> Option<Mode> {
        Some(self.mode)
    }

    async fn pause(&mut self, span: Duration) {
        self.paused += span;
        if let Some((_, words)) = self.later.take_if(|(after, _)| *after <= self.paused) {
            self.register = words;
        }
    }
}

fn occasion() -> Occasion {
    let text = |text: &str| text.to_owned();
    let (recipe, code) = (text("blue-corn-rounds"), text("5f3a91c2"));
    Occasion { recipe, code, by: text("Ana"), os_user: text("uid 0"), why: text("paler than yesterday") }
}

async fn written(degc: f64, wire: &mut Scripted) -> (Outcome, Vec<String>) {
    let line = line();
    let folder = tempfile::tempdir().unwrap();
    let difference = difference_of(&line, degc, seen(&line, 182.0), Writes::default());
    let mut journal = Journal::open(folder.path()).unwrap();
    let clock = Clock::starting_at(NOW);
    let mut writer = Writer { line: &line, occasion: occasion(), journal: &mut journal, clock };
    let outcomes = writer.write(&difference, wire).await;
    let kept = std::fs::read_to_string(folder.path().join(FILE)).unwrap();
    let own = outcomes.into_iter().find(|one| one.tag == OIL).unwrap();
    (own, kept.lines().map(ToOwned::to_owned).collect())
}

#[tokio::test(start_paused = true)]
async fn a_long_way_goes_in_steps_a_minute_apart_each_noted_before_and_after() {
    let line = line();
    let mut wire = Scripted::new(&line, &[]);
    let (outcome, kept) = written(187.0, &mut wire).await;
    assert_eq!((outcome.fate, outcome.now, outcome.why), (Fate::Written, Some(187.0), None));
    assert_eq!(wire.writes.len(), 3);
    assert_eq!(wire.paused, Duration::from_secs(120));
    assert_eq!(kept.len(), 6);
    assert!(kept[0].contains("\"outcome\":null") && kept[0].contains("\"by\":\"Ana\""), "{}", kept[0]);
    assert!(kept[5].contains("\"outcome\":\"written\""), "{}", kept[5]);
}

#[tokio::test(start_paused = true)]
async fn a_busy_controller_is_asked_again_for_fifteen_seconds_and_no_longer() {
    let line = line();
    let busy = (Answer::Exception(6), false);
    let mut wire = Scripted::new(&line, &[busy.clone(), busy.clone(), (Answer::Done, true)]);
    let (outcome, _) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, wire.writes.len()), (Fate::Written, 3));
    let mut wire = Scripted::new(&line, &vec![busy; 20]);
    let (outcome, kept) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, outcome.now), (Fate::NotWritten, Some(182.0)));
    assert!(outcome.why.unwrap().contains("busy for 15 s"));
    assert!(wire.writes.len() < 7 && wire.paused <= Duration::from_secs(15), "{:?}", wire.writes);
    assert_eq!(kept.len(), 2);
}

/// Busy is what a controller says while somebody edits at its panel.
#[tokio::test(start_paused = true)]
async fn what_somebody_enters_while_the_controller_is_busy_is_not_written_over() {
    let line = line();
    let mut wire = Scripted::new(&line, &[(Answer::Exception(6), false)]);
    wire.later = Some((Duration::from_millis(500), words(&line, 186.0)));
    let (outcome, kept) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, outcome.now, wire.writes.len()), (Fate::NotWritten, Some(186.0), 1));
    assert!(outcome.why.unwrap().contains("somebody has turned it"));
    assert!(kept[1].contains("NotWritten"), "{}", kept[1]);

    let mut wire = Scripted::new(&line, &[(Answer::Exception(6), false)]);
    wire.later = Some((Duration::from_millis(500), words(&line, 184.0)));
    let (outcome, _) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, wire.writes.len()), (Fate::Written, 1), "they turned it to just this");
}

/// A gateway that heard nothing has passed the request on all the same.
#[tokio::test(start_paused = true)]
async fn what_a_gateway_says_about_silence_is_no_refusal_and_what_came_of_it_is_read_back() {
    let line = line();
    for code in [0x0A, 0x0B] {
        let mut wire = Scripted::new(&line, &[(Answer::Exception(code), false)]);
        wire.later = Some((Duration::from_secs(1), words(&line, 184.0)));
        let (outcome, _) = written(184.0, &mut wire).await;
        assert_eq!((outcome.fate, wire.writes.len()), (Fate::Written, 1));
        let mut wire = Scripted::new(&line, &[(Answer::Exception(code), false)]);
        let (outcome, _) = written(184.0, &mut wire).await;
        assert_eq!((outcome.fate, wire.writes.len()), (Fate::NotWritten, 1));
        assert!(outcome.why.unwrap().contains(&format!("exception {code:02X}), which may still take it")));
    }
}

/// "Acknowledge": accepted, and done later. It is never sent again.
#[tokio::test(start_paused = true)]
async fn what_was_accepted_is_read_back_later_and_never_sent_again() {
    let line = line();
    let mut wire = Scripted::new(&line, &[(Answer::Exception(5), false)]);
    wire.later = Some((Duration::from_secs(6), words(&line, 184.0)));
    let (outcome, _) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, wire.writes.len()), (Fate::Written, 1));
    let mut wire = Scripted::new(&line, &[(Answer::Exception(5), false)]);
    let (outcome, _) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, wire.writes.len()), (Fate::NotWritten, 1));
    assert!(outcome.why.unwrap().contains("did not do it within 15 s"));
}

#[tokio::test(start_paused = true)]
async fn a_lost_answer_is_settled_by_reading_back() {
    let line = line();
    for (is_done, fate, now) in [(true, Fate::Written, 184.0), (false, Fate::NotWritten, 182.0)] {
        let mut wire = Scripted::new(&line, &[(Answer::Unsure("no reply".to_owned()), is_done)]);
        let (outcome, _) = written(184.0, &mut wire).await;
        assert_eq!((outcome.fate, outcome.now, wire.writes.len()), (fate, Some(now), 1));
    }
}

#[tokio::test(start_paused = true)]
async fn an_echo_that_lies_is_found_and_writing_stops_on_the_way() {
    let line = line();
    let mut wire = Scripted::new(&line, &[(Answer::Done, true), (Answer::Done, false)]);
    let (outcome, kept) = written(187.0, &mut wire).await;
    assert_eq!((outcome.fate, wire.writes.len()), (Fate::Partly, 2), "{kept:?}");
    assert!((outcome.now.unwrap() - 183.7).abs() < 0.05, "{:?}", outcome.now);
    assert!(outcome.why.unwrap().contains("says something else"));
    let mut wire = Scripted::new(&line, &[(Answer::Done, false)]);
    wire.later = Some((Duration::from_millis(500), words(&line, 200.0)));
    let (outcome, _) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, outcome.now), (Fate::SomethingElse, Some(200.0)));
}

#[tokio::test(start_paused = true)]
async fn what_somebody_turned_meanwhile_and_a_station_that_changed_are_left_alone() {
    let line = line();
    let mut wire = Scripted::new(&line, &[]);
    wire.register = words(&line, 183.0);
    let (outcome, kept) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, outcome.now, wire.writes.len()), (Fate::NotWritten, Some(183.0), 0));
    assert!(outcome.why.unwrap().contains("turned it since"));
    assert!(kept.is_empty());
    let mut wire = Scripted::new(&line, &[]);
    wire.mode = Mode::Cleaning;
    let (outcome, _) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, wire.writes.len()), (Fate::NotWritten, 0));
    let mut wire = Scripted::new(&line, &[]);
    wire.reads = false;
    let (outcome, _) = written(184.0, &mut wire).await;
    assert_eq!((outcome.fate, outcome.now, wire.writes.len()), (Fate::Unknown, None, 0));
}

fn intent(value: f64) -> Intent {
    let (tag, place) = (OIL.to_owned(), "fryer holding 12 (40013)".to_owned());
    Intent { tag, place, words_before: vec![1820], words: vec![1840], value }
}

#[test]
fn a_journal_counts_what_may_have_been_written_and_shows_where_it_was_cut() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(folder.path()).unwrap();
    journal.note(UtcMillis(NOW.0 - 90_000_000), &occasion(), &intent(183.0), None).unwrap();
    journal
        .note(UtcMillis(NOW.0 - 90_000_000), &occasion(), &intent(183.0), Some("written".to_owned()))
        .unwrap();
    assert_eq!(journal.cut_at(), None);
    journal.note(NOW, &occasion(), &intent(184.0), None).unwrap();
    assert!(Journal::open(folder.path()).unwrap_err().contains("held by another process"));
    drop(journal);
    let path = folder.path().join(FILE);
    let whole = std::fs::read(&path).unwrap();
    // Cut within the line that would have told what became of it.
    std::fs::write(&path, [&whole[..], b"{\"utc_ms\":17956"].concat()).unwrap();
    let mut journal = Journal::open(folder.path()).unwrap();
    assert_eq!(journal.writes(NOW)[OIL], Writes { ever: 2, within_a_day: 1 });
    assert_eq!(journal.cut_at().map(|intent| intent.value), Some(184.0));
    assert_eq!(journal.damaged(), 1);
    journal.note(NOW, &occasion(), &intent(185.0), None).unwrap();
    drop(journal);
    let text = String::from_utf8(std::fs::read(&path).unwrap()).unwrap();
    std::fs::write(&path, text.replacen("183", "187", 1)).unwrap();
    assert_eq!(Journal::open(folder.path()).unwrap().damaged(), 2, "a changed line breaks the chain");
}

/// A connection to a controller of one register that ends after so many bytes of the request, or of the reply.
struct Cuts {
    register: Arc<AtomicU16>,
    request_bytes: usize,
    reply_bytes: usize,
    dialled: AtomicUsize,
}

#[async_trait]
impl Dial for Cuts {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        let (ours, theirs) = tokio::io::duplex(1024);
        // The first connection writes, and is cut; the next reads.
        let is_cut = self.dialled.fetch_add(1, Ordering::Relaxed) == 0;
        let (to_plc, plc) = tokio::io::duplex(1024);
        assert!(!endpoint.is_empty());
        tokio::spawn(serve(plc, Arc::clone(&self.register)));
        let limits = if is_cut { (self.request_bytes, self.reply_bytes) } else { (usize::MAX, usize::MAX) };
        tokio::spawn(carry(theirs, to_plc, limits));
        Ok(Box::new(ours))
    }
}

/// A controller of one register: functions 03 and 06, frames as the Modbus Application Protocol V1.1b3 has them.
async fn serve(mut stream: tokio::io::DuplexStream, register: Arc<AtomicU16>) {
    let mut request = [0_u8; 12];
    while stream.read_exact(&mut request).await.is_ok() {
        let reply = if request[7] == 6 {
            register.store(u16::from_be_bytes([request[10], request[11]]), Ordering::Relaxed);
            request.to_vec()
        } else {
            assert_eq!((request[7], request[11]), (3, 1), "one register is read");
            let word = register.load(Ordering::Relaxed).to_be_bytes();
            [&request[..4], &[0, 5, request[6], 3, 2], &word].concat()
        };
        if stream.write_all(&reply).await.is_err() {
            return;
        }
    }
}

/// Carries bytes both ways until one way has carried its most.
async fn carry(client: tokio::io::DuplexStream, plc: tokio::io::DuplexStream, limits: (usize, usize)) {
    let ((mut from_client, mut to_client), (mut from_plc, mut to_plc)) =
        (tokio::io::split(client), tokio::io::split(plc));
    let there = async {
        for _ in 0..limits.0 {
            let Ok(byte) = from_client.read_u8().await else { return };
            if to_plc.write_u8(byte).await.is_err() {
                return;
            }
        }
        // What was sent is still worked on before the cut is noticed.
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    let back = async {
        // The byte after the last that is carried tells that the controller has answered.
        for carried in 0.. {
            let Ok(byte) = from_plc.read_u8().await else { return };
            if carried == limits.1 || to_client.write_u8(byte).await.is_err() {
                return;
            }
        }
    };
    tokio::select! { biased; () = back => {}, () = there => {} }
}

/// A request of 12 bytes and its echo of 12, cut after every one: reading back always finds what the controller really holds.
#[tokio::test]
async fn a_connection_cut_at_any_byte_leaves_what_is_there_known() {
    let line = Arc::new(line());
    let oil: SignalId = line.signal_by_tag(OIL).unwrap();
    let register = line.signal(oil).register().unwrap();
    let controller = line.controller(register.controller);
    let (mut changed, mut unchanged) = (0, 0);
    for cut in 0..=24_usize {
        let before = words(&line, 182.0);
        let held = Arc::new(AtomicU16::new(before[0]));
        let dial = Cuts {
            register: Arc::clone(&held),
            request_bytes: if cut < 12 { cut } else { usize::MAX },
            reply_bytes: if cut < 12 { usize::MAX } else { cut - 12 },
            dialled: AtomicUsize::new(0),
        };
        let whom = Whom {
            endpoint: controller.endpoint.clone(),
            unit_id: controller.unit_id,
            within: Duration::from_millis(300),
            rest: Duration::from_millis(50),
        };
        let wanted = words(&line, 184.0);
        let answer = write_once(&dial, &whom, register.wire.address, &wanted).await;
        assert_eq!(answer == Answer::Done, cut == 24, "{cut}: {answer:?}");
        let place = (register.wire.address, register.wire.place().words);
        let there = read_once(&dial, Clock::system(), &whom, place).await.unwrap();
        assert_eq!(there, [held.load(Ordering::Relaxed)], "{cut}");
        let is_changed = there != before;
        assert_eq!(is_changed, cut >= 12, "{cut}: {there:?}");
        changed += usize::from(is_changed);
        unchanged += usize::from(!is_changed);
    }
    assert_eq!((changed, unchanged), (13, 12));
}
