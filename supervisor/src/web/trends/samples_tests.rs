//! Samples on the axis of the trend: a worked way from the fryer to the bag, a stop on it, and what is not known.

use super::*;
use crate::history::sqlite::InlineStore;
use crate::history::{Batch, NewRun, NewSample, StoredEntry};
use setward_protocol::{NoData, Reading, Uptime};

const START: UtcMillis = UtcMillis(1_795_588_800_000);

fn at(second: i64) -> UtcMillis {
    UtcMillis(START.0 + second * 1000)
}

fn demo() -> Line {
    setward_config::load_demo().unwrap().line
}

fn station(line: &Line, key: &str) -> StationId {
    let index = line.stations.iter().position(|station| station.key == key).unwrap();
    StationId(u16::try_from(index).unwrap())
}

/// The fryer's belt runs at 3.6 m/min, but for what `speed` says; the delays beyond run by themselves.
fn readings(line: &Line, way: &Way, speed: impl Fn(i64) -> Reading) -> Readings {
    let mut readings = Readings::new();
    for (_, place) in &way.places {
        let (signal, own) = match place {
            Place::Belt { speed: signal, .. } => (*signal, true),
            Place::Delay { running: Some(running), .. } => (*running, false),
            Place::Delay { running: None, .. } => continue,
        };
        let value = |second: i64| if own { speed(second) } else { Reading::Good(1.0) };
        let sample = |second: i64| ExactSample {
            run: 1,
            at: Uptime::from_millis(u64::try_from(second * 1000).unwrap()),
            sequence: 0,
            utc: at(second),
            reading: value(second),
        };
        readings.insert(signal, (0..7200).map(sample).collect());
    }
    assert!(readings.keys().all(|signal| line.gap_limit(*signal) > Duration::from_secs(1)));
    readings
}

fn seconds(there: (UtcMillis, UtcMillis)) -> (f64, f64) {
    ((there.0.0 - START.0) as f64 / 1000.0, (there.1.0 - START.0) as f64 / 1000.0)
}

/// By hand, from the demo's file: 85 to 95 s of cooling, 50 to 70 s of drum, 60 to 180 s of buckets are 195 to 345 s from the
/// fryer to the bag; a sample from the end of packing came in by 55 s of fryer (3.30 m at 3.6 m/min, 1 % either way) before.
#[test]
fn a_sample_at_packing_is_drawn_when_its_product_was_in_the_fryer() {
    let line = demo();
    let way = Way::new(&line, station(&line, "fryer"), station(&line, "packing"));
    let readings = readings(&line, &way, |_| Reading::Good(0.06));
    let (first, last) = seconds(way.there(&line, &readings, at(7000)).unwrap());
    assert!((first - (7000.0 - 345.0 - 55.0 * 1.01)).abs() < 1.5, "{first}");
    assert!((last - (7000.0 - 195.0)).abs() < 1.5, "{last}");
}

/// The belt stood from 6,590 to 6,710 s. What went out at 6,655 s at the soonest had stood for 65 s by then; what went out at
/// 6,805 s at the latest goes out all the same.
#[test]
fn a_stop_on_the_way_makes_the_way_longer() {
    let line = demo();
    let way = Way::new(&line, station(&line, "fryer"), station(&line, "packing"));
    let stood = |second: i64| Reading::Good(if (6590..6710).contains(&second) { 0.0 } else { 0.06 });
    let readings = readings(&line, &way, stood);
    let (first, last) = seconds(way.there(&line, &readings, at(7000)).unwrap());
    assert!((first - (7000.0 - 345.0 - 65.0 - 55.0 * 1.01)).abs() < 1.5, "{first}");
    assert!((last - (7000.0 - 195.0)).abs() < 1.5, "{last}");
}

#[test]
fn a_speed_that_is_not_known_leaves_the_sample_untraced() {
    let line = demo();
    let way = Way::new(&line, station(&line, "fryer"), station(&line, "packing"));
    let silent = readings(&line, &way, |_| Reading::Bad(NoData::NoReply));
    assert!(way.there(&line, &silent, at(7000)).is_err());
    assert!(way.there(&line, &Readings::new(), at(7000)).is_err());
}

fn entered(n: u64, tag: &str, second: i64, value: f64, corrects: Option<u64>) -> StoredEntry {
    StoredEntry {
        n,
        tag: tag.to_owned(),
        value,
        taken: at(second),
        entered: at(second + 5),
        by: "Ines, \"A\"".to_owned(),
        corrects,
        was_asked: false,
        late_s: 0.0,
        calibration: None,
        about: None,
        note: None,
    }
}

async fn kept(line: &Line, entries: Vec<StoredEntry>) -> InlineStore {
    let store = InlineStore::in_memory().unwrap();
    let run = store.start_run(NewRun::of(line, START, "test")).await.unwrap();
    let speed = line.belts.iter().find(|belt| belt.name == "Fry time").unwrap().speed;
    let sample = |second: i64| NewSample {
        signal: speed.0,
        utc: at(second),
        at: Uptime::from_millis(u64::try_from(second * 1000).unwrap()),
        reading: Reading::Good(3.6),
    };
    let batch = Batch { samples: (0..7200).map(sample).collect(), entries, ..Batch::default() };
    store.append(run, batch).await.unwrap();
    store
}

fn asked(line: &Line, tag: &str, from: i64, to: i64) -> Asked {
    Asked {
        signals: vec![line.signal_by_tag(tag).unwrap()],
        span: crate::history::Span::new(at(from), at(to)).unwrap(),
        last: None,
        against: None,
        shows_all_values: false,
        columns: 100,
        panes_only: false,
        said: None,
    }
}

#[tokio::test]
async fn a_trend_has_the_samples_that_belong_to_its_station_corrected_and_within_it() {
    let line = demo();
    let entries = vec![
        entered(1, "AI-451", 4000, 13.0, None),
        entered(2, "AI-451", 4000, 1.3, Some(1)),
        entered(3, "AI-451", 7190, 1.4, None),
        entered(4, "AI-401", 4000, 52.0, None),
        entered(5, "XI-453", 4100, 0.0, None),
    ];
    let store = kept(&line, entries).await;
    let lanes = samples(&line, &store, &asked(&line, "TT-313", 3000, 6600)).await.unwrap();
    let shown: Vec<(&str, Vec<&str>)> = lanes
        .iter()
        .map(|lane| (lane.name.as_str(), lane.samples.iter().map(|sample| sample.text.as_str()).collect()))
        .collect();
    let expected = [
        ("Finished moisture, at the fryer", vec!["1.3 %"]),
        ("Colour, bite and breakage, at the fryer", vec!["failed"]),
    ];
    assert_eq!(shown, expected);
    let sample = &lanes[0].samples[0];
    assert!(
        (sample.delay_s.unwrap() - 298.0).abs() < 3.0 && (sample.spread_s.unwrap() - 103.0).abs() < 3.0,
        "{sample:?}"
    );
    let own = samples(&line, &store, &asked(&line, "IT-401", 3000, 6600)).await.unwrap();
    assert_eq!((own.len(), own[0].samples[0].delay_s, own[0].samples[0].spread_s), (1, Some(0.0), Some(0.0)));
    // Of the oven's belts nothing is known: the sample is listed with the reason, and no mark is drawn.
    let oven = asked(&line, "TT-201", 3000, 3500);
    let untraced = samples(&line, &store, &oven).await.unwrap();
    let why = untraced[0].samples[0].not_traced_because.as_deref().unwrap();
    assert!(untraced.len() == 1 && why.starts_with("the speed of a belt"), "{untraced:?}");
    assert_eq!(
        (untraced[0].lane(&oven).bars.len(), lanes[0].lane(&asked(&line, "TT-313", 3000, 6600)).bars.len()),
        (0, 1)
    );
}

#[tokio::test]
async fn the_file_has_a_row_a_sample_and_quotes_what_needs_it() {
    let line = demo();
    let store = kept(&line, vec![entered(1, "AI-451", 4000, 1.3, None)]).await;
    let lanes = samples(&line, &store, &asked(&line, "TT-313", 3000, 6600)).await.unwrap();
    let text = csv(&lanes);
    let rows: Vec<&str> = text.trim_end().split("\r\n").collect();
    assert_eq!(rows.len(), 2);
    assert!(rows[1].starts_with("1,AI-451,Finished moisture,fryer,2026-11-25T"), "{text}");
    assert!(rows[1].ends_with(",1.3,%,\"Ines, \"\"A\"\"\","), "{text}");
    assert_eq!(rows[0].split(',').count(), 13);
}

#[tokio::test]
async fn what_people_type_is_no_formula_in_the_file() {
    let line = demo();
    let store = kept(&line, vec![entered(1, "AI-451", 4000, 1.3, None)]).await;
    let mut lanes = samples(&line, &store, &asked(&line, "TT-313", 3000, 6600)).await.unwrap();
    let sample = &mut lanes[0].samples[0];
    (sample.by, sample.name, sample.value) = ("=1+1".to_owned(), "@home".to_owned(), -2.5);
    let text = csv(&lanes);
    assert!(text.contains(",'@home,fryer,") && text.ends_with(",-2.5,%,'=1+1,\r\n"), "{text}");
}
