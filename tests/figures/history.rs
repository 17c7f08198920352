//! Figures of the history: bytes, speed, latencies, device writes, beside plain SQLite rows and bare pco in the same run.
//!
//! `cargo run --release --example history-figures -- [DAYS]` fills a temporary folder with DAYS (30) days of 300 signals at
//! 1 s and prints one table. `-- real-time SECONDS FOLDER` writes as the daemon does, once a second, and prints what the
//! folder's block device wrote meanwhile. `-- old DAYS FOLDER` makes a history of so many days that ends now, a reading a
//! minute, in chunks of an hour as always: what a program finds that starts on years. Synthetic data: a plant's may compress differently. Compare ratios, not machines.

#![expect(clippy::indexing_slicing, reason = "lists of fixed length, indexed by loops over them")]

use jiff::tz::TimeZone;
use rand_core::{Rng as _, SeedableRng as _};
use rand_pcg::Pcg64Mcg;
use rusqlite::{Connection, params};
use setward::history::export::Csv;
use setward::history::sqlite::{InlineStore, ThreadedStore};
use setward::history::{
    Batch, HistoryReader, HistoryStore, NewRun, NewSample, RunSignal, Settings, Span, Window,
};
use setward::protocol::{Encoding, Reading, Uptime, UtcMillis};
use setward::snapshot::RunId;
use std::path::Path;
use std::time::Duration;
use tokio::time::Instant;

const SIGNALS: usize = 300;
const GROUPS: usize = 10;
/// 2026-11-01T00:00:00Z.
const START_MS: i64 = 1_793_491_200_000;
const DAY_S: i64 = 86_400;
/// Seconds of readings in one batch of the bulk part.
const BATCH_S: i64 = 600;

type Failure = Box<dyn std::error::Error>;

fn tag(signal: usize) -> String {
    format!("TT-{:03}", 100 + signal)
}

fn new_run() -> NewRun {
    let signal = |index: usize| {
        let (encoding, scale) = match index {
            0..180 => (Encoding::I16, 0.1),
            180..220 => (Encoding::U16, 0.001),
            220..280 => (Encoding::Bit(index as u8 % 16), 1.0),
            _ => (Encoding::U32, 1.0),
        };
        RunSignal {
            unit: "degC".to_owned(),
            encoding: Some(encoding),
            scale,
            poll_group: (index % GROUPS) as u16,
            gap_limit: Duration::from_millis(3500),
            ..RunSignal::of_tag(&tag(index))
        }
    };
    NewRun {
        started: UtcMillis(START_MS),
        fingerprint: "0".repeat(64),
        version: "0".to_owned(),
        signals: (0..SIGNALS).map(signal).collect(),
        files: Vec::new(),
    }
}

/// A plant without physics: setpoints that step a few times a day, first-order lags, a ripple, noise of three sizes.
struct Plant {
    random: Pcg64Mcg,
    targets: Vec<f64>,
    values: Vec<f64>,
    totals: Vec<f64>,
}

impl Plant {
    fn new() -> Self {
        let targets: Vec<f64> = (0..SIGNALS).map(|index| 60.0 + index as f64 * 0.7).collect();
        Self {
            random: Pcg64Mcg::seed_from_u64(7),
            values: targets.clone(),
            targets,
            totals: vec![0.0; SIGNALS],
        }
    }

    fn uniform(&mut self) -> f64 {
        f64::from(self.random.next_u32()) / f64::from(u32::MAX)
    }

    /// Nearly normal, of standard deviation 1.
    fn noise(&mut self) -> f64 {
        let sum: f64 = (0..4).map(|_| self.uniform()).sum();
        (sum - 2.0) * 1.732
    }

    /// The count of a signal's register at a second.
    fn count(&mut self, signal: usize, second: i64) -> i64 {
        match signal {
            0..180 => {
                if self.random.next_u32().is_multiple_of(14_400) {
                    self.targets[signal] += (self.uniform() - 0.5) * 10.0;
                }
                self.values[signal] += (self.targets[signal] - self.values[signal]) / 60.0;
                let ripple = (second as f64 / 180.0 * std::f64::consts::TAU).sin() * 0.3;
                let noise = [0.05, 0.15, 0.5][signal % 3] * self.noise();
                ((self.values[signal] + ripple + noise) * 10.0).round() as i64
            }
            180..220 => (250.0 + self.noise() * 0.7).round() as i64,
            220..280 => (second / (600 + signal as i64 * 7)) % 2,
            _ => {
                self.totals[signal] += 0.4 + self.uniform() * 0.1;
                self.totals[signal] as i64
            }
        }
    }

    /// A second of the line. Every group's reply comes a little later than its tick.
    fn second(&mut self, second: i64, batch: &mut Batch) {
        let late_us: Vec<i64> =
            (0..GROUPS).map(|group| group as i64 * 90_000 + (self.uniform() * 1500.0) as i64).collect();
        for (group, late_us) in late_us.into_iter().enumerate() {
            let at_us = second * 1_000_000 + late_us;
            for signal in (group..SIGNALS).step_by(GROUPS) {
                let count = self.count(signal, second) as f64;
                let value = match signal {
                    0..180 => count * 0.1,
                    180..220 => count * 0.001,
                    _ => count,
                };
                batch.samples.push(NewSample {
                    signal: signal as u16,
                    utc: UtcMillis(START_MS + at_us / 1000),
                    at: Uptime::from_nanos(at_us as u64 * 1000),
                    reading: Reading::Good(value),
                });
            }
        }
    }
}

/// CPU that this process has used, s.
fn cpu_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<f64> = stat
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .filter_map(|field| field.parse().ok())
        .collect();
    // The letter of the state is no number: user and system time are the 11th and 12th of those that are.
    (fields.get(10).unwrap_or(&0.0) + fields.get(11).unwrap_or(&0.0)) / 100.0
}

fn memory_mb(key: &str) -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with(key)).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|kb| kb.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0
}

async fn fill(store: &ThreadedStore, run: RunId, days: i64) -> Result<(), Failure> {
    let mut plant = Plant::new();
    let (mut kept_s, mut made_cpu_s) = (0.0, 0.0);
    let begun = cpu_s();
    let mut second = 0;
    while second < days * DAY_S + 1800 {
        let made = cpu_s();
        let mut batch = Batch::default();
        for _ in 0..BATCH_S {
            plant.second(second, &mut batch);
            second += 1;
        }
        made_cpu_s += cpu_s() - made;
        let before = Instant::now();
        store.append(run, batch).await?;
        kept_s += before.elapsed().as_secs_f64();
    }
    let samples = (second * SIGNALS as i64) as f64;
    let cpu = cpu_s() - begun - made_cpu_s;
    println!("bulk, samples a second                     {:>12.0}", samples / kept_s);
    println!("CPU s per million samples                  {:>12.3}", cpu / samples * 1e6);
    println!(
        "memory after it, MB (peak)                 {:>8.0} ({:.0})",
        memory_mb("VmRSS"),
        memory_mb("VmHWM")
    );
    Ok(())
}

/// Days of readings a minute apart, up to now; then how long a trend of the last 30 days takes.
async fn old(days: i64, folder: &Path) -> Result<(), Failure> {
    let settings = Settings { free_min_bytes: 0, ..Settings::default() };
    let store = InlineStore::open_without_syncs(folder, settings)?;
    let start = setward::clock::Clock::system().started().0 / 1000 * 1000 - days * DAY_S * 1000;
    let run = store.start_run(NewRun { started: UtcMillis(start), ..new_run() }).await?;
    let mut plant = Plant::new();
    for minute in 0..days * DAY_S / 60 {
        let mut batch = Batch::default();
        plant.second(minute * 60, &mut batch);
        batch.samples.iter_mut().for_each(|sample| sample.utc.0 += start - START_MS);
        store.append(run, batch).await?;
    }
    store.sync_from_now_on()?;
    let mut times = Vec::new();
    for signal in 0..40 {
        let end = start + days * DAY_S * 1000;
        let span = Span::new(UtcMillis(end - 30.min(days) * DAY_S * 1000), UtcMillis(end))?;
        let window = Window::new(vec![tag(signal * 7)], span, 1500)?;
        let before = Instant::now();
        let found = store.envelopes(window).await?;
        times.push(before.elapsed().as_secs_f64() * 1e3);
        assert!(found[0].columns.iter().filter(|column| column.samples > 0).count() > 1300);
    }
    println!("{days} days of a reading a minute; a trend of the last 30, ms {}", spread(times));
    Ok(())
}

fn spread(mut times_ms: Vec<f64>) -> String {
    times_ms.sort_by(f64::total_cmp);
    let at = |share: f64| times_ms[((times_ms.len() - 1) as f64 * share) as usize];
    format!("{:>8.2} / {:.2} / {:.2}", at(0.5), at(0.95), at(1.0))
}

async fn ask(store: &ThreadedStore, days: i64) -> Result<(), Failure> {
    let mut random = Pcg64Mcg::seed_from_u64(9);
    let mut any = |limit: i64| (random.next_u64() % limit as u64) as i64;
    println!("latency, ms: median / 95 % / worst of 40");
    for (name, length_s, columns) in [
        ("whole time", days * DAY_S, 1500),
        ("a day", DAY_S.min(days * DAY_S), 1440),
        ("an hour", 3600, 1500),
    ] {
        let mut times = Vec::new();
        for _ in 0..40 {
            let from = START_MS + any((days * DAY_S - length_s).max(1)) * 1000;
            let span = Span::new(UtcMillis(from), UtcMillis(from + length_s * 1000))?;
            let window = Window::new(vec![tag(any(SIGNALS as i64) as usize)], span, columns)?;
            let before = Instant::now();
            let envelopes = store.envelopes(window).await?;
            times.push(before.elapsed().as_secs_f64() * 1e3);
            assert!(
                envelopes[0].columns.iter().filter(|column| column.samples > 0).count() * 10 > columns * 9
            );
        }
        println!("  {name}, {columns} columns {:>width$}", spread(times), width = 40 - name.len());
    }
    let mut times = Vec::new();
    for _ in 0..40 {
        let from = START_MS + any(days * DAY_S - 120) * 1000;
        let span = Span::new(UtcMillis(from), UtcMillis(from + 120_000))?;
        let before = Instant::now();
        let samples = store.exact(vec![tag(any(SIGNALS as i64) as usize)], span).await?;
        times.push(before.elapsed().as_secs_f64() * 1e3);
        assert!((119..=121).contains(&samples[0].samples.len()));
    }
    println!("  exact window of 120 s          {}", spread(times));
    Ok(())
}

/// How fast history gets out: as CSV, as pages for a server, as a verified copy.
async fn ways_out(folder: &Path, days: i64) -> Result<(), Failure> {
    let reader = HistoryReader::open(folder)?;
    let csv = Csv {
        zone: TimeZone::UTC,
        decimal_comma: false,
        recipe: &|_, _, _| String::new(),
        batch: &|_, _, _| String::new(),
    };
    let span = Span::new(UtcMillis(START_MS), UtcMillis(START_MS + days * DAY_S * 1000))?;
    let before = Instant::now();
    let counts = csv.write(&reader, &[tag(7)], span, &mut std::io::sink(), &mut |_| {}).await?;
    println!(
        "CSV, readings a second                     {:>12.0}",
        counts[0] as f64 / before.elapsed().as_secs_f64()
    );
    drop(reader);

    let store = ThreadedStore::open_with(folder, Settings { free_min_bytes: 0, ..Settings::default() })?;
    let (mut after, mut count, before) = (0, 0, Instant::now());
    for _ in 0..20 {
        let page = store.forward_page(after).await?;
        assert_eq!(page.lost_rows, 0);
        (after, count) = (page.last, count + page.readings.len());
    }
    let page = store.forward_page(0).await?;
    let (plain, packed) = setward::sink::bytes_on_the_way("Line 1", &page.readings);
    let readings = page.readings.len() as f64;
    println!("to a server, bytes a reading, plain        {:>12.2}", plain as f64 / readings);
    println!("to a server, bytes a reading, packed       {:>12.2}", packed as f64 / readings);
    println!(
        "pages for a server, readings a second      {:>12.0}",
        count as f64 / before.elapsed().as_secs_f64()
    );
    let live = store.forward_page(after).await?.newest;
    let mut times = Vec::new();
    for back in 1..=40 {
        let before = Instant::now();
        let page = store.forward_page(live - 50 - back).await?;
        times.push(before.elapsed().as_secs_f64() * 1e3);
        assert!(page.readings.len() >= 50 * SIGNALS / GROUPS);
    }
    println!("  the newest five seconds, ms   {}", spread(times));
    let copy = tempfile::tempdir()?;
    let before = Instant::now();
    let found = setward::history::backup::backup(folder, &copy.path().join("copy.sqlite"))?;
    println!(
        "verified copy, readings a second           {:>12.0}",
        found.readings as f64 / before.elapsed().as_secs_f64()
    );
    Ok(())
}

/// A row a reading, keyed by time and signal, synced once a second: what the chunks replace.
fn plain_rows(folder: &Path, seconds: i64) -> Result<(), Failure> {
    let mut rows = Connection::open(folder.join("rows.sqlite"))?;
    rows.pragma_update(None, "journal_mode", "WAL")?;
    rows.pragma_update(None, "synchronous", "FULL")?;
    rows.execute_batch("CREATE TABLE samples (utc_ms INTEGER, signal INTEGER, value REAL, quality INTEGER, PRIMARY KEY (utc_ms, signal)) WITHOUT ROWID")?;
    let mut plant = Plant::new();
    let (cpu, before) = (cpu_s(), Instant::now());
    for second in 0..seconds {
        let mut batch = Batch::default();
        plant.second(second, &mut batch);
        let transaction = rows.transaction()?;
        {
            let mut insert = transaction.prepare_cached("INSERT INTO samples VALUES (?1, ?2, ?3, 0)")?;
            for sample in &batch.samples {
                insert.execute(params![sample.utc.0, sample.signal, sample.reading.value()])?;
            }
        }
        transaction.commit()?;
    }
    rows.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_row| Ok(()))?;
    let samples = (seconds * SIGNALS as i64) as f64;
    let bytes = std::fs::metadata(folder.join("rows.sqlite"))?.len() as f64;
    println!("plain SQLite rows, one commit a second, {seconds} s:");
    println!("  bytes a sample                           {:>12.2}", bytes / samples);
    println!("  samples a second                         {:>12.0}", samples / before.elapsed().as_secs_f64());
    println!("  CPU s per million samples                {:>12.3}", (cpu_s() - cpu) / samples * 1e6);
    Ok(())
}

/// Values alone, an hour a block: no times, no quality, no roll-ups, no file.
fn bare_pco() -> Result<(), Failure> {
    let mut plant = Plant::new();
    let mut columns = vec![Vec::new(); SIGNALS];
    for second in 0..3600 {
        for (signal, column) in columns.iter_mut().enumerate() {
            column.push(plant.count(signal, second));
        }
    }
    let (before, mut bytes) = (Instant::now(), 0);
    for column in &columns {
        bytes += pco::standalone::simple_compress(column, &pco::ChunkConfig::default())?.len();
    }
    let samples = 3600.0 * SIGNALS as f64;
    println!("bare pco, values of an hour:");
    println!("  bytes a sample                           {:>12.3}", bytes as f64 / samples);
    println!("  samples a second                         {:>12.0}", samples / before.elapsed().as_secs_f64());
    Ok(())
}

/// A start on what is there: the file and half an hour of journal.
async fn reopen(folder: &Path) -> Result<(), Failure> {
    let before = Instant::now();
    let mut opened = ThreadedStore::open(folder);
    while let Err(error) = opened {
        // The first store's thread lets go of its lock a moment after its last handle is gone.
        if before.elapsed() > Duration::from_secs(5) {
            return Err(error.into());
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
        opened = ThreadedStore::open(folder);
    }
    let run = opened?.start_run(new_run()).await?;
    println!(
        "start on this history, ms (run {})          {:>10.0}",
        run.0,
        before.elapsed().as_secs_f64() * 1e3
    );
    Ok(())
}

async fn figures(days: i64) -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    println!("{SIGNALS} signals at 1 s in {GROUPS} poll groups, {days} days");
    let store = ThreadedStore::open(folder.path())?;
    let run = store.start_run(new_run()).await?;
    fill(&store, run, days).await?;
    ask(&store, days).await?;
    drop(store);
    let file = folder.path().join("history.sqlite");
    reopen(folder.path()).await?;
    ways_out(folder.path(), days).await?;
    let connection = Connection::open(&file)?;
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_row| Ok(()))?;
    let samples = (days * DAY_S) as f64 * SIGNALS as f64;
    println!(
        "bytes a sample, the whole file             {:>12.3}",
        std::fs::metadata(&file)?.len() as f64 / samples
    );
    for table in ["chunks", "time_chunks", "minutes", "hours"] {
        let blocks: i64 =
            connection.query_row(&format!("SELECT sum(length(block)) FROM {table}"), [], |row| row.get(0))?;
        println!("  of it blocks of {table:<20} {:>16.3}", blocks as f64 / samples);
    }
    plain_rows(folder.path(), 600)?;
    bare_pco()
}

/// Sectors of 512 bytes that the folder's device has written; the device must be a block device of its own to mean anything.
fn device_bytes(folder: &Path) -> Result<u64, Failure> {
    let mounts = std::fs::read_to_string("/proc/mounts")?;
    let folder = folder.canonicalize()?;
    let device = mounts
        .lines()
        .filter_map(|line| Some((line.split(' ').next()?, line.split(' ').nth(1)?)))
        .filter(|(_, at)| folder.starts_with(at))
        .max_by_key(|(_, at)| at.len())
        .and_then(|(device, _)| device.strip_prefix("/dev/"))
        .ok_or("the folder is on no block device")?;
    let stat = std::fs::read_to_string(format!("/sys/class/block/{device}/stat"))?;
    Ok(stat.split_whitespace().nth(6).ok_or("no sectors counted")?.parse::<u64>()? * 512)
}

/// What a device wrote while a line was kept in real time.
struct RealTime<'a> {
    store: ThreadedStore,
    run: RunId,
    plant: Plant,
    folder: &'a Path,
}

impl RealTime<'_> {
    async fn keep(&mut self, second: i64) -> Result<(), Failure> {
        let mut batch = Batch::default();
        self.plant.second(second, &mut batch);
        Ok(self.store.append(self.run, batch).await?)
    }

    /// Bytes that the device wrote in these seconds, one a second; what the file system still holds back belongs to them.
    async fn written(&mut self, seconds: std::ops::Range<i64>) -> Result<f64, Failure> {
        std::process::Command::new("sync").status()?;
        let before = device_bytes(self.folder)?;
        let mut ticks = tokio::time::interval(Duration::from_secs(1));
        for second in seconds {
            ticks.tick().await;
            self.keep(second).await?;
        }
        std::process::Command::new("sync").status()?;
        Ok((device_bytes(self.folder)? - before) as f64)
    }
}

async fn real_time(seconds: i64, folder: &Path) -> Result<(), Failure> {
    let settings = Settings { free_min_bytes: 0, ..Settings::default() };
    let store = ThreadedStore::open_with(folder, settings)?;
    let run = store.start_run(new_run()).await?;
    let mut line = RealTime { store, run, plant: Plant::new(), folder };
    // Once round the journal, so that its blocks are all taken: a year has that only once.
    for second in 0..9000 {
        line.keep(second).await?;
    }
    let cpu = cpu_s();
    let steady = line.written(9000..9000 + seconds).await? / seconds as f64;
    let cpu = (cpu_s() - cpu) / seconds as f64;
    // Across the end of an hour: ten groups close, and a checkpoint follows.
    let hour = line.written(10_780..10_820).await? - 40.0 * steady;
    println!("{seconds} s at 1 Hz: {steady:.0} bytes a second; the end of an hour {hour:.0} bytes");
    let day = steady * DAY_S as f64 + hour * 24.0;
    println!("device writes                              {:>12.2} GB a day", day / 1e9);
    println!("CPU, with the making of the readings       {:>12.2} % of a core", cpu * 100.0);
    println!("memory                                     {:>12.0} MB", memory_mb("VmRSS"));
    Ok(())
}

#[tokio::main(flavor = "current_thread")]
async fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["real-time", seconds, folder] => real_time(seconds.parse()?, Path::new(folder)).await,
        ["old", days, folder] => old(days.parse()?, Path::new(folder)).await,
        [days] => figures(days.parse()?).await,
        [] => figures(30).await,
        _ => Err("usage: history-figures [DAYS] | old DAYS FOLDER | real-time SECONDS FOLDER".into()),
    }
}
