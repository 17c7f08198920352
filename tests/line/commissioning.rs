//! What an integrator does before there is a line: a controller with planted mistakes is probed, and each is found; and
//! whatever is asked of it is a read.

use crate::bytes_sent::{Captured, TapDial};
use crate::support::{Act, PeerDial, asked_for, frame_of};
use setward::clock::Clock;
use setward::commission::probe::asker::{LEAST_REST, Whom};
use setward::commission::probe::blocks::BlockVerdict;
use setward::commission::probe::register::{Question, probe_register};
use setward::commission::probe::suspect::Mistake;
use setward::commission::probe::walk::{LineProbe, SignalProbe, Standing, Walk, probe_line};
use setward::commission::written::shown;
use setward::protocol::{Table, Unit, UtcMillis};
use setward_config::line::Line;
use setward_config::{SourceFile, check_files};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;
use tokio::time::Instant;

const ALL_AT: &str = "127.0.0.1:502";

/// The line as the integrator wrote it: one signal right, one with the wrong word order, one with the wrong scale, one at the
/// neighbour's address, and two behind a gap that is said to be readable and is not.
const LINE: &str = r#"
[line]
name = "Bench"
plant = "Workshop"
time_zone = "UTC"
recipe = "none"
[[station]]
key = "bench"
name = "Bench"
[[controller]]
name = "plc"
poll_every = "1 s"
readable = [{ holding = [6, 6] }, { holding = [12, 19] }]
"#;
const SIGNALS: [(&str, &str); 6] = [
    (
        "TT-1",
        "holding = 0\nencoding = \"i16\"\nscale = 0.1\nunit = \"degC\"\nrange = [\"0 degC\", \"250 degC\"]",
    ),
    (
        "FT-2",
        "holding = 1\nencoding = \"f32\"\norder = \"ABCD\"\nunit = \"m3/h\"\nrange = [\"0 m3/h\", \"100 m3/h\"]",
    ),
    (
        "PT-3",
        "holding = 3\nencoding = \"i16\"\nscale = 0.1\nunit = \"bar(g)\"\nrange = [\"0 bar(g)\", \"10 bar(g)\"]",
    ),
    ("LT-4", "holding = 4\nencoding = \"i16\"\nscale = 0.1\nunit = \"%\"\nrange = [\"0 %\", \"100 %\"]"),
    (
        "TT-5",
        "holding = 11\nencoding = \"i16\"\nscale = 0.1\nunit = \"degC\"\nrange = [\"0 degC\", \"250 degC\"]",
    ),
    (
        "TT-6",
        "holding = 20\nencoding = \"i16\"\nscale = 0.1\nunit = \"degC\"\nrange = [\"0 degC\", \"250 degC\"]",
    ),
];

fn line() -> Line {
    let mut text = LINE.to_owned();
    for (tag, keys) in SIGNALS {
        text += &format!(
            "[[signal]]\ntag = \"{tag}\"\nname = \"{tag}\"\nstation = \"bench\"\ncontroller = \"plc\"\nrole = \"measured\"\n{keys}\n"
        );
    }
    let file = |path: &str, text: &str| SourceFile { path: path.to_owned(), text: text.to_owned() };
    let site = format!("simulated = false\n[[endpoint]]\ncontroller = \"plc\"\naddress = \"{ALL_AT}\"\n");
    let files = [
        file("line.toml", &text),
        file("alarms.toml", "# none\n"),
        file("recipes/none.toml", "[recipe]\nname = \"Nothing\"\n"),
        file("site.toml", &site),
    ];
    check_files(&files).unwrap_or_else(|problems| panic!("{}", problems.render(false))).line
}

/// What the controller holds. 42.6 as a float is 422A6666, and this one sends its low word first.
fn word(address: u16, turn: u32) -> u16 {
    match address {
        0 => 1820 + (turn % 3) as u16,
        1 => 0x6666,
        2 => 0x422A,
        3 => 620,
        // The level stands one further than the list says; here is a status word.
        4 => 30_000,
        5 => 415,
        // Two probes that read alike, the nearer one at the address of the list.
        10 => 1762,
        11 => 1750,
        20 => 930,
        21 => 77,
        _ => 0,
    }
}

/// A controller that leaves 12 to 19 out of a block instead of answering them, and knows who it is.
fn plc() -> PeerDial {
    let turn = Arc::new(AtomicU32::new(0));
    PeerDial::new(move |_, request| {
        if request[7] == 0x2B {
            let pdu = [0x2B, 0x0E, 1, 1, 0, 0, 2, 0, 5, b'B', b'e', b'n', b'c', b'h', 1, 2, b'P', b'1'];
            return vec![Act::Wait(Duration::from_millis(12)), Act::Send(frame_of(request, &pdu))];
        }
        let turn = turn.fetch_add(1, Ordering::Relaxed);
        let (start, count) = asked_for(request);
        let is_there = |address: &u16| start >= 12 || !(12..20).contains(address);
        let words = (start..).filter(is_there).take(usize::from(count)).map(|address| word(address, turn));
        let mut pdu = vec![request[7], (2 * count) as u8];
        words.for_each(|word| pdu.extend(word.to_be_bytes()));
        vec![Act::Wait(Duration::from_millis(12)), Act::Send(frame_of(request, &pdu))]
    })
}

fn clock() -> Clock {
    Clock::starting_at(UtcMillis(1_767_571_200_000))
}

async fn walked(panel: &[(&str, &str)]) -> (LineProbe, Captured) {
    let captured = Captured::default();
    let dial = TapDial { inner: plc(), captured: Arc::clone(&captured) };
    let panel: BTreeMap<_, _> =
        panel.iter().map(|(tag, value)| ((*tag).to_owned(), shown(value).unwrap())).collect();
    let walk = Walk { rounds: 3, rest: Duration::from_millis(1), identify: true, panel };
    (probe_line(&dial, clock(), &line(), &walk).await, captured)
}

fn signal<'a>(probe: &'a LineProbe, tag: &str) -> &'a SignalProbe {
    probe.controllers[0].signals.iter().find(|signal| signal.tag == tag).unwrap()
}

fn first_mistake(probe: &LineProbe, tag: &str) -> (Mistake, String) {
    let signal = signal(probe, tag);
    assert_eq!(signal.standing, Standing::Suspect, "{signal:?}");
    (signal.explanations[0].mistake, signal.explanations[0].write.clone())
}

#[tokio::test(start_paused = true)]
async fn all_four_planted_mistakes_are_found_with_what_the_panels_show() {
    let panel = [("TT-1", "182.1"), ("FT-2", "42.6"), ("PT-3", "6.20"), ("LT-4", "41,5"), ("TT-6", "93.0")];
    let (probe, _) = walked(&panel).await;
    let text = probe.text();
    assert_eq!(first_mistake(&probe, "FT-2"), (Mistake::WordOrder, "order = \"CDAB\"".to_owned()), "{text}");
    assert_eq!(first_mistake(&probe, "PT-3"), (Mistake::Scale, "scale = 0.01".to_owned()), "{text}");
    assert_eq!(first_mistake(&probe, "LT-4"), (Mistake::OffByOne, "holding = 5".to_owned()), "{text}");
    assert_eq!(signal(&probe, "TT-1").standing, Standing::MatchesPanel, "{text}");
    assert!(signal(&probe, "TT-1").moved, "{text}");
    // Read by itself it is right: only the block is not.
    assert_eq!(signal(&probe, "TT-6").standing, Standing::MatchesPanel, "{text}");
    let shifted = probe.controllers[0]
        .blocks
        .iter()
        .find_map(|block| block.compared.clone().filter(|_| block.is_suspect()));
    assert_eq!(shifted, Some(BlockVerdict::Shifted { from: 20, by: -8, hole: Some((12, 19)) }), "{text}");
    assert_eq!(probe.suspects(), 4, "{text}");
    for phrase in [
        "looks like wrong word order",
        "looks like wrong scale",
        "looks like off by one",
        "SHIFTED by -8 from 20 on",
        "{ holding = [12, 19] } out of `readable`",
    ] {
        assert!(text.contains(phrase), "{phrase}: {text}");
    }
    let identity = probe.controllers[0].identity.clone().unwrap().unwrap();
    assert_eq!(identity[0].text, "Bench");
}

#[tokio::test(start_paused = true)]
async fn a_neighbour_that_reads_alike_is_told_from_a_value_that_has_moved() {
    let (probe, _) = walked(&[("TT-5", "176.2"), ("TT-6", "94.0")]).await;
    assert_eq!(first_mistake(&probe, "TT-5"), (Mistake::OffByOne, "holding = 10".to_owned()));
    assert_eq!(signal(&probe, "TT-6").standing, Standing::NearPanel, "{}", probe.text());
}

#[tokio::test(start_paused = true)]
async fn without_a_panel_the_range_alone_finds_what_lies_outside_it() {
    let (probe, _) = walked(&[]).await;
    for (tag, mistake) in
        [("FT-2", Mistake::WordOrder), ("PT-3", Mistake::Scale), ("LT-4", Mistake::OffByOne)]
    {
        let found = signal(&probe, tag);
        assert!(found.explanations.iter().any(|one| one.mistake == mistake), "{tag}: {}", probe.text());
    }
    assert!(probe.text().contains("In range is no proof"), "{}", probe.text());
}

#[tokio::test(start_paused = true)]
async fn a_probe_is_polite_and_says_how_fast_the_controller_was() {
    let began = Instant::now();
    let (probe, captured) = walked(&[]).await;
    let took = began.elapsed();
    let measured = &probe.controllers[0].measured;
    let requests = captured.lock().unwrap()[0].len() / 12;
    assert_eq!(usize::try_from(measured.requests).unwrap(), requests);
    assert!(took >= LEAST_REST * u32::try_from(requests - 1).unwrap(), "{requests} requests in {took:?}");
    assert!((measured.reply_median_ms.unwrap() - 12.0).abs() < 2.0, "{measured:?}");
    let rest_ms = measured.shortest_rest_ms.unwrap();
    assert!((50.0..60.0).contains(&rest_ms), "{measured:?}");
}

/// Function codes of every frame in what was sent, with the MEI type of 2B.
fn sent(captured: &Captured) -> Vec<(u8, Option<u8>)> {
    let mut found = Vec::new();
    for bytes in captured.lock().unwrap().iter() {
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            let length = usize::from(u16::from_be_bytes([rest[4], rest[5]]));
            found.push((rest[7], (rest[7] == 0x2B).then(|| rest[8])));
            rest = &rest[6 + length..];
        }
    }
    found
}

#[tokio::test(start_paused = true)]
async fn a_probe_sends_function_codes_01_to_04_and_2b_0e_only() {
    let (_, captured) = walked(&[("LT-4", "41.5")]).await;
    let mut all = sent(&captured);
    for table in [Table::Coil, Table::Discrete, Table::Holding, Table::Input] {
        let captured = Captured::default();
        // Bits have another length of answer: what is answered does not matter here.
        let dial = TapDial { inner: plc(), captured: Arc::clone(&captured) };
        let _any = probe_register(&dial, clock(), &Question { table, ..question() }).await;
        all.extend(sent(&captured));
    }
    let allowed = |(function, mei): &(u8, Option<u8>)| match function {
        1..=4 => true,
        0x2B => *mei == Some(0x0E),
        _ => false,
    };
    assert!(all.iter().all(allowed), "{all:?}");
    for function in [1, 2, 3, 4, 0x2B] {
        assert!(
            all.iter().any(|(sent, _)| *sent == function),
            "{function} was never sent: the test proves nothing"
        );
    }
}

fn question() -> Question {
    Question {
        whom: Whom {
            endpoint: ALL_AT.to_owned(),
            unit_id: 1,
            within: Duration::from_millis(500),
            rest: LEAST_REST,
        },
        table: Table::Holding,
        address: 4,
        display: shown("41.5").ok(),
        range: Some((0.0, 100.0, Unit::Percent)),
        repeat: 3,
        every: Duration::from_secs(1),
        identify: true,
    }
}

#[tokio::test(start_paused = true)]
async fn one_register_is_weighed_and_its_lines_are_ready_to_paste() {
    let off_by_one = probe_register(&plc(), clock(), &question()).await.unwrap();
    let text = off_by_one.text();
    assert!(text.contains("the panel's value stands at 5") && text.contains("off by one"), "{text}");
    assert!(
        off_by_one.line_toml.contains("holding = 5\nencoding = \"i16\"\nscale = 0.1\nunit = \"%\""),
        "{text}"
    );
    let swapped = Question { address: 1, display: shown("42.6").ok(), range: None, ..question() };
    let swapped = probe_register(&plc(), clock(), &swapped).await.unwrap();
    assert!(swapped.line_toml.contains("encoding = \"f32\"\norder = \"CDAB\""), "{}", swapped.text());
}

#[tokio::test(start_paused = true)]
async fn a_controller_that_is_not_there_is_told_and_left_alone() {
    let dial = PeerDial::new(|_, _| Vec::new());
    let walk = Walk { rounds: 3, rest: LEAST_REST, identify: true, panel: BTreeMap::new() };
    let probe = probe_line(&dial, clock(), &line(), &walk).await;
    assert!(probe.is_incomplete(), "{}", probe.text());
    let controller = &probe.controllers[0];
    assert_eq!(controller.measured.requests, 3, "it is left alone after three");
    assert!(controller.unreachable.clone().unwrap().contains("no reply within"), "{}", probe.text());
    assert!(controller.signals.iter().all(|signal| signal.standing == Standing::NotRead));
}
