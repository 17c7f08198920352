//! One poller by itself: whose turn it is, when a connection is kept, given up and dialled anew, what becomes of a read
//! that is refused. In virtual time; the numbers follow from the plan.

use crate::support::{Act, Door, PeerDial, Registers, asked_for, frame_of, right_answer};
use async_trait::async_trait;
use setward::clock::Clock;
use setward::poll::dial::{Dial, Stream};
use setward::poll::plan::{Block, EndpointPlan, ScanPlan, UnitPlan};
use setward::poll::session::ReadFailure;
use setward::poll::{Poller, ScanReport};
use setward::protocol::{Place, ReadLimits, ReadRequest, RegisterSpan, SignalId, Table, UtcMillis};
use setward_config::line::ControllerId;
use std::io;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::sync::mpsc;
use tokio::time::Instant;

const ANSWER_WITHIN: Duration = Duration::from_millis(500);
/// No unit's id.
const NOT_A_READ: u8 = 0xEE;

fn ms(count: u64) -> Duration {
    Duration::from_millis(count)
}

/// One read of `count` holding registers, each a signal of its own.
fn block(start: u16, count: u16) -> Arc<Block> {
    let place = |address| Place { table: Table::Holding, address, words: 1 };
    Arc::new(Block {
        request: ReadRequest { table: Table::Holding, start, count },
        signals: (start..start + count).map(|address| (SignalId(address), place(address))).collect(),
    })
}

/// One scan of `blocks`.
fn scan(poll_every: Duration, blocks: Vec<Arc<Block>>) -> ScanPlan {
    ScanPlan { poll_every, phase: Duration::ZERO, blocks }
}

/// The controller with index and unit id `id`.
fn unit(id: u8, scans: Vec<ScanPlan>) -> UnitPlan {
    UnitPlan {
        controller: ControllerId(u16::from(id)),
        unit_id: id,
        identity: None,
        answer_within: ANSWER_WITHIN,
        pause: Duration::ZERO,
        limits: ReadLimits::STANDARD,
        readable: Vec::new(),
        scans,
    }
}

/// Every register holds its own address.
fn right(request: &[u8]) -> Vec<u8> {
    right_answer(request, &Registers(|_, address| address))
}

struct Watched {
    begun: Instant,
    reports: Vec<(Duration, ScanReport)>,
    requests: Vec<(Duration, u8, u16, u16)>,
    dialled: Vec<Duration>,
}

impl Watched {
    /// Reports of one unit.
    fn of(&self, id: u8) -> impl Iterator<Item = &(Duration, ScanReport)> {
        self.reports.iter().filter(move |(_, report)| report.controller == ControllerId(u16::from(id)))
    }

    /// When unit `id` was asked.
    fn asked(&self, id: u8) -> Vec<Duration> {
        self.requests.iter().filter(|request| request.1 == id).map(|request| request.0).collect()
    }

    /// Seconds at which requests came that cover `address`.
    fn asked_seconds(&self, address: u16) -> Vec<u64> {
        let covers =
            |request: &&(Duration, u8, u16, u16)| (request.2..request.2 + request.3).contains(&address);
        self.requests.iter().filter(covers).map(|request| request.0.as_secs()).collect()
    }
}

/// Polls `units` behind one endpoint for `seconds`. Every good answer must hold the right words.
async fn watch(seconds: u64, units: Vec<UnitPlan>, dial: PeerDial) -> Watched {
    let begun = Instant::now();
    let requests = Arc::new(Mutex::new(Vec::new()));
    let (seen, acting) = (Arc::clone(&requests), Arc::clone(&dial.acting));
    let dial = PeerDial {
        acting: Arc::new(move |nth, request| {
            let (start, count) = asked_for(request);
            let is_read = (request.len(), request[7]) == (12, 3);
            seen.lock().unwrap().push((
                begun.elapsed(),
                if is_read { request[6] } else { NOT_A_READ },
                start,
                count,
            ));
            acting(nth, request)
        }),
        ..dial
    };
    let (send, mut receive) = mpsc::channel(1);
    let plan = EndpointPlan { endpoint: "plc:502".to_owned(), units };
    let poller = Poller::new(plan, Arc::new(dial.clone()), Clock::starting_at(UtcMillis(0)), send);
    let polling = tokio::spawn(poller.run());
    let end = begun + Duration::from_secs(seconds);
    let mut reports: Vec<(Duration, ScanReport)> = Vec::new();
    while let Ok(Some(report)) = tokio::time::timeout_at(end, receive.recv()).await {
        for block in &report.blocks {
            let ReadRequest { start, count, .. } = block.block.request;
            let expected: Vec<u16> = (start..start + count).collect();
            assert!(
                block.words.as_ref().is_ok_and(|words| *words == expected) || block.words.is_err(),
                "{report:?}"
            );
        }
        reports.push((begun.elapsed(), report));
    }
    drop(receive);
    polling.await.unwrap();
    let requests: Vec<(Duration, u8, u16, u16)> = requests.lock().unwrap().clone();
    assert!(requests.iter().all(|request| request.1 != NOT_A_READ), "something else than a read was sent");
    let dialled = dial.dialled().iter().map(|at| at.duration_since(begun)).collect();
    Watched { begun, reports, requests, dialled }
}

fn seconds(spans: &[Duration]) -> Vec<f64> {
    spans.iter().map(|span| (span.as_secs_f64() * 10.0).round() / 10.0).collect()
}

fn after(late: Duration) -> impl Fn(usize, &[u8]) -> Vec<Act> + Send + Sync + 'static {
    move |_, request| vec![Act::Wait(late), Act::Send(right(request))]
}

/// A unit with twenty reads of 100 ms each, and its neighbour with one. In turns of whole scans, the neighbour would come
/// to its own every two seconds.
#[tokio::test(start_paused = true)]
async fn a_unit_with_much_to_say_does_not_make_its_neighbour_late() {
    let many = (0..20).map(|index| block(index * 10, 1)).collect();
    let units = vec![unit(1, vec![scan(ms(1000), many)]), unit(2, vec![scan(ms(1000), vec![block(500, 3)])])];
    let watched = watch(60, units, PeerDial::new(after(ms(100)))).await;
    let neighbour: Vec<f64> = watched.of(2).map(|(at, _)| at.as_secs_f64()).collect();
    assert!(neighbour.len() >= 59, "{neighbour:?}");
    for (index, at) in neighbour.iter().enumerate() {
        assert!((at - index as f64) <= 0.21, "one request of the other and its own: {neighbour:?}");
    }
    assert!(watched.of(2).all(|(_, report)| report.skipped == 0));
    // Twenty reads and two or three of the neighbour's take more than two seconds: every third second.
    let busy: Vec<_> = watched.of(1).skip(2).map(|(_, report)| (report.skipped, report.achieved)).collect();
    assert!(busy.len() >= 18, "{busy:?}");
    assert!(busy.iter().all(|one| *one == (2, Some(ms(3000)))), "{busy:?}");
}

#[tokio::test(start_paused = true)]
async fn all_of_one_scan_has_one_time_stamp_even_if_another_group_falls_due() {
    let slow = (0..8).map(|index| block(index * 10, 1)).collect();
    let units = vec![unit(1, vec![scan(ms(10_000), slow), scan(ms(1000), vec![block(500, 1)])])];
    let watched = watch(30, units, PeerDial::new(after(ms(100)))).await;
    let order: Vec<u16> = watched.requests.iter().map(|request| request.2).take(9).collect();
    assert_eq!(order, [0, 10, 20, 30, 40, 50, 60, 70, 500], "not torn apart");
    let of_ten_seconds = watched.of(1).filter(|(_, report)| report.poll_every == ms(10_000));
    for (at, report) in of_ten_seconds {
        assert_eq!(report.took, ms(800));
        assert_eq!(report.at.as_secs_f64(), at.as_secs_f64());
    }
}

/// Five reads of 100 ms do not fit into a period of 100 ms: every scan comes six periods after the one before.
#[tokio::test(start_paused = true)]
async fn scans_that_come_more_than_three_periods_apart_are_late_and_say_how_many_were_left_out() {
    let blocks = (0..5).map(|index| block(index * 10, 1)).collect();
    let watched = watch(10, vec![unit(1, vec![scan(ms(100), blocks)])], PeerDial::new(after(ms(100)))).await;
    let (_, first) = &watched.reports[0];
    assert_eq!((first.achieved, first.is_late()), (None, false));
    for (_, report) in watched.reports.iter().skip(1) {
        assert_eq!((report.achieved, report.skipped), (Some(ms(600)), 5));
        assert!(report.is_late());
    }
    assert_eq!(watched.reports.len(), 16);
}

/// One answer takes 3.3 s: what was missed is skipped, not made up for, and the scans after it are back on the second.
#[tokio::test(start_paused = true)]
async fn after_a_stall_scans_keep_their_phase() {
    let stalls_once = |_: usize, request: &[u8]| vec![Act::Send(right(request))];
    let begun = Instant::now();
    let dial = PeerDial::new(move |nth, request| {
        let stalls = begun.elapsed() == ms(5000);
        let mut acts = stalls_once(nth, request);
        acts.insert(0, Act::Wait(if stalls { ms(3300) } else { Duration::ZERO }));
        acts
    });
    let mut patient = unit(1, vec![scan(ms(1000), vec![block(0, 1)])]);
    patient.answer_within = ms(4000);
    let watched = watch(12, vec![patient], dial).await;
    assert_eq!(seconds(&watched.asked(1)), [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 9.0, 10.0, 11.0]);
    let skipped: Vec<u32> = watched.of(1).map(|(_, report)| report.skipped).collect();
    assert_eq!(skipped, [0, 0, 0, 0, 0, 0, 3, 0, 0]);
}

/// Unit 9 is silent. Each time that costs the connection and half a second; its neighbour's scans are not lost by it.
#[tokio::test(start_paused = true)]
async fn a_silent_unit_costs_its_neighbour_half_a_second_now_and_then() {
    let dial = PeerDial::new(|_, request| match request[6] {
        9 => Vec::new(),
        _ => vec![Act::Send(right(request))],
    });
    let one = |id| unit(id, vec![scan(ms(1000), vec![block(0, 4), block(50, 2)])]);
    let watched = watch(300, vec![one(9), one(1)], dial).await;
    let silent = watched.asked(9);
    let waits: Vec<Duration> = silent.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(silent.len() < 40 && waits.iter().skip(6).all(|wait| *wait >= ms(8000)), "{waits:?}");
    assert!(watched.dialled.len().abs_diff(silent.len()) <= 1, "{} connections", watched.dialled.len());
    assert!(watched.of(1).all(|(_, report)| report.failure().is_none() && report.skipped == 0));
    assert_eq!(watched.of(1).count(), 300);
    assert!(watched.of(9).count() > 290, "it is reported all the same");
    assert!(watched.of(9).all(|(_, report)| report.requests <= 1 && !report.answered()));
}

/// The late answer comes when its neighbour is asked; it must not come on the same connection.
#[tokio::test(start_paused = true)]
async fn a_late_answer_is_not_taken_for_the_neighbours() {
    let dial = PeerDial::new(|_, request| match request[6] {
        9 => vec![Act::Wait(ms(700)), Act::Send(right(request))],
        _ => vec![Act::Send(right(request))],
    });
    let one = |id, start| unit(id, vec![scan(ms(2000), vec![block(start, 4)])]);
    let watched = watch(120, vec![one(1, 0), one(9, 100)], dial).await;
    assert_eq!(watched.dialled.len(), watched.asked(9).len() + 1);
    assert!(watched.of(1).all(|(_, report)| report.failure().is_none()));
    assert!(watched.of(9).all(|(_, report)| report.failure().is_some()), "it is too late each time");
}

/// A gateway that writes the number and the unit of the latest request on whatever answer is ready: seen in the wild. What
/// unit 9 says too late looks in every byte like unit 1's answer to the next question.
#[derive(Debug, Clone)]
struct MixesUp {
    dialled: Arc<Mutex<u32>>,
}

#[async_trait]
impl Dial for MixesUp {
    async fn dial(&self, _: &str) -> io::Result<Box<dyn Stream>> {
        *self.dialled.lock().unwrap() += 1;
        let (near, far) = tokio::io::duplex(1024);
        tokio::spawn(async move {
            let (mut reading, writing) = tokio::io::split(far);
            let writing = Arc::new(tokio::sync::Mutex::new(writing));
            let latest: Arc<Mutex<Vec<u8>>> = Arc::default();
            let mut request = [0; 12];
            while reading.read_exact(&mut request).await.is_ok() {
                *latest.lock().unwrap() = request.to_vec();
                let (writing, latest) = (Arc::clone(&writing), Arc::clone(&latest));
                tokio::spawn(async move {
                    let mut answer = right(&request);
                    if request[6] == 9 {
                        answer[9..].fill(0x0B);
                        // Just before the neighbour, who takes 50 ms, answers.
                        tokio::time::sleep(ms(520)).await;
                    } else {
                        tokio::time::sleep(ms(50)).await;
                    }
                    let header = latest.lock().unwrap()[..2].to_vec();
                    answer[..2].copy_from_slice(&header);
                    answer[6] = latest.lock().unwrap()[6];
                    // The other end may have gone.
                    let _gone = writing.lock().await.write_all(&answer).await;
                });
            }
        });
        Ok(Box::new(near))
    }
}

#[tokio::test(start_paused = true)]
async fn a_gateway_that_numbers_a_late_answer_as_the_next_one_invents_no_value() {
    let one = |id| unit(id, vec![scan(ms(1000), vec![block(0, 4)])]);
    let plan = EndpointPlan { endpoint: "gateway:502".to_owned(), units: vec![one(9), one(1)] };
    let dial = MixesUp { dialled: Arc::default() };
    let (send, mut receive) = mpsc::channel(1);
    let poller = Poller::new(plan, Arc::new(dial.clone()), Clock::starting_at(UtcMillis(0)), send);
    let polling = tokio::spawn(poller.run());
    let end = Instant::now() + Duration::from_secs(120);
    let mut good = 0;
    while let Ok(Some(report)) = tokio::time::timeout_at(end, receive.recv()).await {
        for block in report.blocks.iter().filter_map(|block| block.words.as_ref().ok()) {
            assert_eq!(
                (report.controller, block),
                (ControllerId(1), &vec![0, 1, 2, 3]),
                "another unit's words"
            );
            good += 1;
        }
    }
    assert_eq!(good, 120);
    assert!(*dial.dialled.lock().unwrap() > 10);
    drop(receive);
    polling.await.unwrap();
}

/// With one unit behind the endpoint a silence costs the connection, which is closed in order; the next is dialled a
/// second later. The other end sees the close.
#[tokio::test(start_paused = true)]
async fn after_a_silence_the_connection_is_closed_and_dialled_a_second_later() {
    let begun = Instant::now();
    let dial = PeerDial::new(move |_, request| {
        let silent = (3..4).contains(&begun.elapsed().as_secs());
        if silent { Vec::new() } else { vec![Act::Send(right(request))] }
    });
    let watched = watch(8, vec![unit(1, vec![scan(ms(1000), vec![block(0, 1)])])], dial).await;
    assert_eq!(seconds(&watched.asked(1)), [0.0, 1.0, 2.0, 3.0, 4.5, 5.0, 6.0, 7.0]);
    assert_eq!(seconds(&watched.dialled), [0.0, 4.5], "half a second of silence, one of rest");
}

/// A controller that closes what has been idle for five seconds, asked every ten: no scan is lost by it.
#[tokio::test(start_paused = true)]
async fn a_connection_closed_between_slow_scans_costs_nothing() {
    let dial = PeerDial::new(|_, request| vec![Act::Send(right(request)), Act::Wait(ms(5000)), Act::Close]);
    let watched = watch(100, vec![unit(1, vec![scan(ms(10_000), vec![block(0, 2)])])], dial).await;
    assert_eq!(watched.reports.len(), 10);
    assert!(watched.reports.iter().all(|(_, report)| report.failure().is_none()));
    assert_eq!(watched.dialled.len(), 10);
}

/// It accepts and closes at once, as if it had no connection left, ten times. Connecting has not made the waits shorter.
#[tokio::test(start_paused = true)]
async fn waits_grow_until_an_answer_comes_not_a_connection() {
    let dial = PeerDial::new(|_, request| vec![Act::Send(right(request))])
        .greeting(|nth| Door::Open(if nth < 8 { vec![Act::Close] } else { Vec::new() }));
    let watched = watch(120, vec![unit(1, vec![scan(ms(100), vec![block(0, 1)])])], dial).await;
    let waits: Vec<f64> = watched.dialled.windows(2).map(|pair| (pair[1] - pair[0]).as_secs_f64()).collect();
    assert_eq!(waits.len(), 8);
    for (wait, nominal) in waits.iter().zip([1.0, 2.0, 4.0, 8.0, 10.0, 10.0, 10.0, 10.0]) {
        assert!((nominal * 0.8..nominal * 1.2 + 0.2).contains(wait), "{waits:?}");
    }
    assert!(watched.reports.last().unwrap().1.failure().is_none());
}

/// The same with four units behind the endpoint: they share the waits, instead of dialling each for itself.
#[tokio::test(start_paused = true)]
async fn units_behind_a_gateway_that_only_accepts_share_one_row_of_waits() {
    let dial = PeerDial::new(|_, _| Vec::new()).greeting(|_| Door::Open(vec![Act::Close]));
    let units = (1..=4).map(|id| unit(id, vec![scan(ms(1000), vec![block(0, 1)])])).collect();
    let watched = watch(120, units, dial).await;
    // 1, 2, 4, 8 and then 10 seconds.
    assert!((10..=18).contains(&watched.dialled.len()), "{:?}", seconds(&watched.dialled));
    assert!(watched.reports.iter().all(|(_, report)| report.failure().unwrap().1 == &ReadFailure::Broken));
}

#[tokio::test(start_paused = true)]
async fn a_refused_connection_is_tried_ever_more_slowly_and_at_most_every_twelve_seconds() {
    let dial = PeerDial::new(|_, _| Vec::new()).greeting(|_| Door::Refuses);
    let watched = watch(300, vec![unit(1, vec![scan(ms(1000), vec![block(0, 1)])])], dial).await;
    let waits: Vec<f64> = watched.dialled.windows(2).map(|pair| (pair[1] - pair[0]).as_secs_f64()).collect();
    assert!(waits.iter().all(|wait| *wait <= 13.0) && (28..45).contains(&waits.len()), "{waits:?}");
    assert_eq!(watched.reports.len(), 300, "each scan is reported");
    assert!(watched.reports.iter().all(|(_, report)| report.failure().unwrap().1 == &ReadFailure::Refused));
    assert!(watched.requests.is_empty());
}

fn refuses(code: u8, when: impl Fn(u16, u16) -> bool + Send + Sync + 'static) -> PeerDial {
    PeerDial::new(move |_, request| {
        let (start, count) = asked_for(request);
        let refused = frame_of(request, &[request[7] | 0x80, code]);
        vec![Act::Send(if when(start, count) { refused } else { right(request) })]
    })
}

fn holds(start: u16, count: u16, address: u16) -> bool {
    (start..start + count).contains(&address)
}

#[tokio::test(start_paused = true)]
async fn two_addresses_that_do_not_exist_are_both_found_in_one_scan() {
    let dial = refuses(2, |start, count| holds(start, count, 17) || holds(start, count, 90));
    let watched =
        watch(4, vec![unit(1, vec![scan(ms(1000), vec![block(0, 100), block(200, 5)])])], dial).await;
    for (_, report) in &watched.reports {
        let failed: Vec<_> = report.blocks.iter().filter(|block| block.words.is_err()).collect();
        let failed: Vec<_> =
            failed.iter().map(|one| (one.block.request.start, one.block.request.count)).collect();
        assert_eq!(failed, [(17, 1), (90, 1)]);
        let good: usize = report.blocks.iter().filter_map(|one| Some(one.words.as_ref().ok()?.len())).sum();
        assert_eq!(good, 103);
    }
    let (_, first) = &watched.reports[0];
    assert_eq!(first.split.first(), Some(&ReadRequest { table: Table::Holding, start: 0, count: 100 }));
    assert!(first.requests <= 2 + 4 * 7, "halving is enough: {}", first.requests);
    assert!(watched.reports[1..].iter().all(|(_, report)| report.split.is_empty()));
}

/// Nothing at all is answered: the controller's program is not loaded yet. When it is, everything is there again within
/// the shortest rest, in one read.
#[tokio::test(start_paused = true)]
async fn a_controller_that_is_not_ready_is_not_taken_apart() {
    let begun = Instant::now();
    let dial = refuses(2, move |_, _| begun.elapsed() < ms(3500));
    let watched = watch(20, vec![unit(1, vec![scan(ms(1000), vec![block(0, 100)])])], dial).await;
    let good: Vec<_> = watched.reports.iter().filter(|(_, report)| report.failure().is_none()).collect();
    assert_eq!(seconds(&[good[0].0]), [5.0]);
    assert!(good.iter().all(|(_, report)| report.requests == 1), "whole again");
    assert_eq!(good.len(), 15);
}

/// It never becomes ready: a hundred signals are not asked for one by one with every try.
#[tokio::test(start_paused = true)]
async fn a_block_of_which_nothing_exists_costs_little() {
    let dial = refuses(2, |start, _| start < 100);
    let units = vec![unit(1, vec![scan(ms(1000), vec![block(0, 100), block(200, 1)])])];
    let watched = watch(600, units, dial).await;
    let in_vain = watched.requests.iter().filter(|request| request.2 < 100).count();
    // Once apart at first, then once a minute at most, 199 requests each.
    assert!((199..199 * 11).contains(&in_vain), "{in_vain}");
    let good = watched.reports.iter().filter(|(_, report)| report.blocks.iter().any(|one| one.words.is_ok()));
    assert_eq!(good.count(), 600, "what exists is read each second");
}

/// A gap that was declared readable and is not: both sides of it are read apart, and it is told.
#[tokio::test(start_paused = true)]
async fn a_gap_that_is_not_readable_after_all_is_told_and_read_around() {
    let dial = refuses(2, |start, count| holds(start, count, 5));
    let mut plan = unit(1, vec![scan(ms(1000), vec![block(0, 10)])]);
    // Signals at 0 to 2 and 8 to 9; the file says that 3 to 7 may be crossed.
    let mut gap = (*plan.scans[0].blocks[0]).clone();
    gap.signals.retain(|(_, place)| !(3..=7).contains(&place.address));
    plan.scans[0].blocks = vec![Arc::new(gap)];
    plan.readable = vec![RegisterSpan { table: Table::Holding, first: 3, last: 7 }];
    let watched = watch(700, vec![plan], dial).await;
    assert!(watched.reports.iter().all(|(_, report)| report.failure().is_none()));
    let split: Vec<_> = watched.reports.iter().filter(|(_, report)| !report.split.is_empty()).collect();
    assert_eq!(
        seconds(&split.iter().map(|(at, _)| *at).collect::<Vec<_>>()),
        [0.0, 600.0],
        "tried again after ten minutes"
    );
    assert_eq!(watched.reports[1].1.requests, 2);
}

/// 01 and 03 say that the file is wrong: they are not asked about with every scan. 04 is.
#[tokio::test(start_paused = true)]
async fn what_no_waiting_will_cure_is_asked_ever_more_slowly_and_a_device_failure_each_time() {
    for (code, expected) in [
        (1, vec![0, 5, 15, 35, 75]),
        (3, vec![0, 5, 15, 35, 75]),
        (4, (0..100).collect()),
        (8, (0..100).collect::<Vec<u64>>()),
    ] {
        let dial = refuses(code, |start, count| holds(start, count, 3));
        let units = vec![unit(1, vec![scan(ms(1000), vec![block(0, 10), block(50, 1)])])];
        let watched = watch(100, units, dial).await;
        assert_eq!(watched.asked_seconds(3), expected, "exception {code:02}");
        assert_eq!(watched.asked_seconds(50).len(), 100, "the other block is not concerned");
        assert_eq!(watched.dialled.len(), 1, "an exception is an answer");
        let said = |report: &ScanReport| report.failure().map(|(_, failure)| failure.clone());
        let exception = Some(ReadFailure::Exception(code));
        assert!(watched.reports.iter().all(|(_, report)| said(report) == exception && report.answered()));
    }
}

/// Busy rests one second, then two, four, eight, fifteen; and starts over once it is free.
#[tokio::test(start_paused = true)]
async fn a_busy_controller_is_left_alone_for_longer_and_longer() {
    for code in [5, 6] {
        let begun = Instant::now();
        let dial = refuses(code, move |_, _| begun.elapsed() < ms(60_000));
        let watched = watch(120, vec![unit(1, vec![scan(ms(1000), vec![block(0, 10)])])], dial).await;
        let asked = watched.asked_seconds(0);
        assert_eq!(asked[..9], [0, 1, 3, 7, 15, 30, 45, 60, 61], "exception {code:02}: {asked:?}");
    }
}

/// 0A and 0B come from a gateway that is well: only the unit behind it is asked less often, on the same connection.
#[tokio::test(start_paused = true)]
async fn a_gateway_that_does_not_reach_a_unit_slows_that_unit_only() {
    for code in [0x0A, 0x0B] {
        let dial = PeerDial::new(move |_, request| {
            let refused = frame_of(request, &[request[7] | 0x80, code]);
            vec![Act::Send(if request[6] == 9 { refused } else { right(request) })]
        });
        let one = |id| unit(id, vec![scan(ms(1000), vec![block(0, 10), block(50, 5)])]);
        let watched = watch(120, vec![one(9), one(1)], dial).await;
        assert!((12..22).contains(&watched.asked(9).len()), "{:?}", watched.asked(9));
        assert_eq!(watched.asked(1).len(), 240);
        assert_eq!(watched.dialled.len(), 1);
        assert!(watched.of(9).all(|(_, report)| !report.answered()), "the gateway's word is not the unit's");
        assert_eq!(watched.begun.elapsed().as_secs(), 120);
    }
}
