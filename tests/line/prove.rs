//! The proof of alarms over the real simulator: what is proven and how, on the demo and on lines that give it little to go by;
//! that it is the same each time, only reads, and tells what fails.

use crate::bytes_sent::functions;
use crate::support::{MemoryDial, demo_line};
use async_trait::async_trait;
use setward::poll::dial::{Dial, Stream};
use setward::prove::report::{Counts, Proof, Report, Verdict};
use setward::prove::{Bench, Plant, prove};
use setward_config::line::Line;
use setward_config::{SourceFile, check_files, demo_files};
use sim_plc::{Fault, Simulator};
use std::collections::BTreeSet;
use std::io;
use std::sync::Arc;
use std::time::Duration;

/// The simulator as a plant. One with `ever` never ends a fault.
struct Simulated {
    simulator: Simulator,
    ever: bool,
}

#[async_trait]
impl Dial for Simulated {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        MemoryDial(self.simulator.clone()).dial(endpoint).await
    }
}

impl Plant for Simulated {
    fn begin(&self, fault: &str) -> Result<(), String> {
        self.simulator.inject(fault.parse::<Fault>().unwrap()).map_err(|error| error.to_string())
    }

    fn end(&self, fault: &str) {
        let fault: Fault = fault.parse().unwrap();
        let words = [Some(fault.kind().name()), fault.subject()];
        if !self.ever {
            let name: Vec<&str> = words.into_iter().flatten().collect();
            self.simulator.clear(&name.join(" ")).unwrap();
        }
    }

    fn operate(&self, operation: &str) -> Result<(), String> {
        self.simulator.operate(operation.parse().unwrap());
        Ok(())
    }

    fn step(&self, span: Duration) {
        self.simulator.step(span);
    }
}

fn proven_with(line: Line, ids: &[&str], ever: bool) -> Vec<Proof> {
    let line = Arc::new(line);
    let alarms: Vec<_> = if ids.is_empty() {
        line.alarms_with_ids().map(|(id, _)| id).collect()
    } else {
        ids.iter().map(|id| line.alarm_by_id(id).unwrap()).collect()
    };
    let bench = Bench {
        line: Arc::clone(&line),
        plant: &|| Simulated { simulator: Simulator::new(&line, 1), ever },
        progress: &|done, total| assert!(0 < done && done <= total),
    };
    let proofs = prove(&bench, &alarms);
    assert_eq!(proofs.len(), alarms.len());
    proofs
}

fn proven(line: Line, ids: &[&str]) -> Vec<Proof> {
    proven_with(line, ids, false)
}

/// The way of each, and what was done; or the verdict and why.
fn ways(proofs: &[Proof]) -> Vec<(&str, String)> {
    let way = |proof: &Proof| match &proof.verdict {
        Verdict::Proven(proven) => (proven.by, proven.how.clone()),
        Verdict::PartlyProven(partly) => ("partly proven", partly.proven.how.clone()),
        Verdict::NotProvoked { why } => ("not provoked", why.join("; ")),
        Verdict::Failed { why, .. } => ("failed", why.clone()),
    };
    proofs.iter().map(way).collect()
}

/// Every alarm of the demo's files is proven but the two on the age of the oldest corn, at least seven in ten of them by
/// physics, and none fails; and so is each automatic one whose signal can be bad by itself.
#[test]
fn the_demos_alarms_are_proven_seven_in_ten_of_them_by_physics() {
    let line = demo_line();
    let report = Report::new(&line, String::new(), 1, proven(demo_line(), &[]));
    let Counts { alarms, by_physics, by_injection, partly, not_provoked, failed } = report.configured;
    println!("{}", report.text());
    assert_eq!((alarms, partly, failed), (line.alarms.len() - report.automatic.alarms, 0, 0));
    let left = report.alarms.iter().filter(|proof| !proof.automatic);
    let left = left.filter(|proof| matches!(proof.verdict, Verdict::NotProvoked { .. }));
    let left: Vec<&str> = left.map(|proof| proof.alarm.as_str()).collect();
    assert_eq!((left.as_slice(), not_provoked), (&["soak-too-old", "soak-over-age"][..], 2));
    assert!(by_physics * 10 >= alarms * 7, "{by_physics} by physics, {by_injection} by injection");
    assert!(!report.has_failed());
    // A controller each, and every signal but those all of whose words are values.
    let lost = report.alarms.iter().filter(|proof| proof.kind == "communication");
    assert!(lost.clone().count() == line.controllers.len());
    assert!(lost.clone().all(|proof| matches!(&proof.verdict, Verdict::Proven(by) if by.by == "physics")));
    for proof in report.alarms.iter().filter(|proof| proof.automatic) {
        if let Verdict::NotProvoked { why } = &proof.verdict {
            assert!(why[0].contains("every word that"), "{}: {why:?}", proof.alarm);
        }
    }
    let bits = |proof: &&Proof| matches!(proof.verdict, Verdict::NotProvoked { .. });
    assert!(report.alarms.iter().filter(bits).count() < report.automatic.alarms / 4);
}

#[test]
fn a_proof_says_when_it_raised_when_that_was_expected_who_was_first_and_when_it_was_over() {
    let proofs = proven(demo_line(), &["fryer-inlet-cold", "fryer-oil-high.TT-311", "stack-fan-off"]);
    let [cold, hot, fan] = &proofs[..] else { panic!("{proofs:?}") };
    let Verdict::Proven(cold) = &cold.verdict else { panic!("{cold:?}") };
    assert_eq!((cold.by, cold.first_out.as_ref()), ("physics", None));
    assert!(cold.how.starts_with("heat-low "), "{}", cold.how);
    let by_s = cold.expected_by_s.unwrap();
    assert!(
        cold.expected_from_s - 3.0 <= cold.raised_after_s && cold.raised_after_s <= by_s + 3.0,
        "{cold:?}"
    );
    assert!(by_s - cold.expected_from_s < 15.0 && cold.cleared_after_s > 60.0, "{cold:?}");
    let Verdict::Proven(hot) = &hot.verdict else { panic!("{hot:?}") };
    assert_eq!(hot.first_out.as_deref(), Some("after fryer-oil-high.TT-310"));
    let Verdict::Proven(fan) = &fan.verdict else { panic!("{fan:?}") };
    assert_eq!((fan.by, fan.how.as_str()), ("injection", "shows YS-360 0"));
    assert!((10.0..12.0).contains(&fan.raised_after_s), "its delay is 10 s: {fan:?}");
}

/// A drain that passes: the mean of an hour says so, the level in the pan hardly does.
#[test]
fn lost_oil_is_told_by_what_is_made_up_for_the_product() {
    let proofs = proven(demo_line(), &["make-up-imbalance"]);
    let Verdict::Proven(proven) = &proofs[0].verdict else { panic!("{proofs:?}") };
    assert_eq!((proven.by, proven.how.split(' ').next()), ("physics", Some("oil-leak")));
    assert!((900.0..3_600.0).contains(&proven.raised_after_s), "{proven:?}");
}

/// What people enter is entered: out of the recipe, again and again, and then right; a check, and then none for 70 min.
#[test]
fn alarms_on_entries_are_proven_by_entering() {
    let proofs =
        proven(demo_line(), &["finished-moisture-out", "lime-dose-out.WI-101", "detector-check-overdue"]);
    let ways = ways(&proofs);
    assert!(ways.iter().all(|(way, _)| *way == "injection"), "{ways:?}");
    assert!(ways[0].1.starts_with("entered AI-451 ") && ways[1].1.starts_with("entered WI-101 "), "{ways:?}");
    let Verdict::Proven(overdue) = &proofs[2].verdict else { panic!("{ways:?}") };
    assert!(ways[2].1.ends_with(" passed") && overdue.raised_after_s > 4_000.0, "{overdue:?}");
}

#[test]
fn the_same_seed_gives_the_same_proof() {
    let ids =
        ["kettle-heat-slow.TT-111", "fryer-probes-apart", "oven-flame-lost.BS-202", "measurement.TT-310"];
    assert_eq!(proven(demo_line(), &ids), proven(demo_line(), &ids));
}

/// Whose fault never ends, that alarm never clears: told as failed, whatever raised it.
#[test]
fn an_alarm_that_does_not_clear_has_failed() {
    let proofs = proven_with(demo_line(), &["oil-flow-low"], true);
    assert!(matches!(&ways(&proofs)[..], [("failed", why)] if why.contains("did not clear")), "{proofs:?}");
    assert!(Report::new(&demo_line(), String::new(), 1, proofs).has_failed());
}

/// Nothing says what a signal is: there is no physics, and registers are made to lie.
#[test]
fn without_meanings_alarms_are_proven_by_injection_as_far_as_that_goes() {
    let mut line = demo_line();
    line.signals.iter_mut().for_each(|signal| signal.means = None);
    // A word without a meaning does not count: every program would seem to have stopped.
    line.controllers.iter_mut().for_each(|controller| controller.heartbeat = None);
    let ids =
        ["oil-flow-low", "fryer-inlet-cold", "bake-time-out", "oven-flame-lost.BS-201", "wet-oil-heat-up"];
    let proofs = proven(line, &ids);
    let ways = ways(&proofs);
    assert_eq!(ways[0].0, "injection");
    assert!(ways[1].1.starts_with("shows TT-310 17") && ways[2].1.starts_with("shows ST-220 "), "{ways:?}");
    assert_eq!(ways[3], ("injection", "shows BS-201 0".to_owned()));
    assert!(ways.iter().all(|(way, _)| *way != "failed" && *way != "physics"), "{ways:?}");
}

/// A recipe that asks nothing, and no belts.
#[test]
fn without_recipe_and_belts_what_is_held_against_them_can_not_be_provoked_and_the_rest_is_proven() {
    let mut line = demo_line();
    line.recipes.iter_mut().for_each(|recipe| recipe.setpoints.clear());
    line.belts.clear();
    let proofs = proven(line, &["fryer-inlet-cold", "fry-time-out", "oil-flow-low"]);
    let ways = ways(&proofs);
    assert_eq!((ways[0].0, ways[1].0, ways[2].0), ("not provoked", "not provoked", "physics"));
    assert!(ways[0].1.contains("no recipe asks anything of TT-310"), "{ways:?}");
}

/// The alarms of the smallest line.
const SMALL_ALARMS: &str = "[[limit]]\nid = \"hot\"\nname = \"Hot\"\nsignal = \"TT-1\"\nside = \"above\"\nlimit = \"80 degC\"\n\
     on_delay = \"30 s\"\npriority = \"low\"\ncauses = [\"any\"]\nconsequence = \"none\"\nresponse = { now = [\"look\"] }\n\
     time_to_respond = \"20 min\"\n\
     [[status]]\nid = \"door\"\nname = \"Door\"\nsignal = \"ZS-2\"\nis = [1]\npriority = \"low\"\ncauses = [\"any\"]\n\
     consequence = \"none\"\nresponse = { now = [\"look\"] }\ntime_to_respond = \"20 min\"\n";

/// The smallest line: one controller, two signals, no meanings, no belts, a recipe that asks nothing.
fn smallest() -> Line {
    small(SMALL_ALARMS)
}

/// The smallest line with other alarms.
fn small(alarms: &str) -> Line {
    let line = "[line]\nname = \"Small\"\nplant = \"Plant\"\ntime_zone = \"UTC\"\nrecipe = \"plain\"\n\
                [[station]]\nkey = \"tank\"\nname = \"Tank\"\n\
                [[controller]]\nname = \"one\"\npoll_every = \"2 s\"\n\
                [[signal]]\ntag = \"TT-1\"\nname = \"Tank\"\nstation = \"tank\"\ncontroller = \"one\"\nrole = \"measured\"\n\
                holding = 0\nencoding = \"i16\"\nscale = 0.1\nunit = \"degC\"\nrange = [\"0 degC\", \"100 degC\"]\nno_value = [32767]\n\
                [[signal]]\ntag = \"ZS-2\"\nname = \"Door\"\nstation = \"tank\"\ncontroller = \"one\"\nrole = \"status\"\ncoil = 3\n";
    let site = "simulated = true\n[[endpoint]]\ncontroller = \"one\"\naddress = \"127.0.0.1:15999\"\n";
    let files = [
        ("line.toml", line),
        ("alarms.toml", alarms),
        ("site.toml", site),
        ("recipes/plain.toml", "[recipe]\nname = \"Plain\"\n"),
    ];
    let files = files.map(|(path, text)| SourceFile { path: path.to_owned(), text: text.to_owned() });
    check_files(&files).unwrap_or_else(|problems| panic!("{}", problems.render(false))).line
}

#[test]
fn the_smallest_line_is_proven_as_far_as_it_goes() {
    let proofs = proven(smallest(), &[]);
    let by = |id: &str| {
        let index = proofs.iter().position(|proof| proof.alarm == id).unwrap();
        ways(&proofs).swap_remove(index)
    };
    let (way, how) = by("hot");
    assert_eq!((way, how.starts_with("shows TT-1 8")), ("injection", true), "{how}");
    assert_eq!(by("door"), ("injection", "shows ZS-2 1".to_owned()));
    assert_eq!(by("measurement.TT-1"), ("physics", "sensor-break TT-1".to_owned()));
    assert_eq!(by("measurement.ZS-2").0, "not provoked");
    assert_eq!(by("communication.one"), ("physics", "controller-silent one".to_owned()));
}

#[test]
fn a_limit_beyond_which_no_register_can_show_a_value_is_told() {
    let mut line = smallest();
    line.signals[0].range.1 = 80.0;
    let proofs = proven(line, &["hot"]);
    let (way, why) = ways(&proofs).swap_remove(0);
    assert_eq!(way, "not provoked");
    assert!(why.contains("TT-1 can't show a value beyond 80: its range ends there (0 to 80)"), "{why}");
}

/// The demo, with the first such text of its alarms replaced.
fn demo_with(old: &str, new: &str) -> Line {
    let changed = |(path, text): &(&str, &str)| {
        let is_changed = *path == "alarms.toml";
        assert!(!is_changed || text.contains(old), "{old}");
        let text = if is_changed { text.replacen(old, new, 1) } else { (*text).to_owned() };
        SourceFile { path: (*path).to_owned(), text }
    };
    let files: Vec<SourceFile> = demo_files().iter().map(changed).collect();
    check_files(&files).unwrap_or_else(|problems| panic!("{}", problems.render(false))).line
}

/// No batch gets less than a second: whoever wrote that is not told that the alarm works, because a hot batch raises it.
#[test]
fn an_alarm_of_which_one_half_can_never_raise_is_not_proven_by_the_other() {
    let proofs = proven(demo_with("least = \"24 min\"", "least = \"1 s\""), &["cook-dose-out.TT-101"]);
    let Verdict::PartlyProven(partly) = &proofs[0].verdict else { panic!("{proofs:?}") };
    assert_eq!((partly.proven.branch.as_deref(), partly.left.len()), (Some("too much"), 1));
    assert_eq!(partly.left[0].branch, "too little");
    assert!(partly.left[0].why.len() > 2, "everything was tried: {partly:?}");
}

#[test]
fn an_alarm_with_two_sides_is_proven_by_a_raise_on_each() {
    let proofs = proven(demo_line(), &["bake-time-out", "cook-dose-out.TT-101"]);
    let text = Report::new(&demo_line(), String::new(), 1, proofs).text();
    for part in ["above: belt-slip ", "below: setpoint-turned KIC-220-SP ", "too little: ", "too much: "] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(text.contains("; proven by physics 2 (100 %)"), "{text}");
}

/// The usual pair: the same limit, once after a short time and once after a long one, which hides the short one.
#[test]
fn an_alarm_that_a_longer_one_soon_hides_is_proven_too() {
    let hot = "[[limit]]\nid = \"hot\"";
    let start = SMALL_ALARMS.find(hot).unwrap();
    let end = SMALL_ALARMS.find("[[status]]").unwrap();
    let long = SMALL_ALARMS[start..end]
        .replace("\"hot\"", "\"hot-long\"\nhides = [\"hot\"]")
        .replace("30 s", "60 s");
    let proofs = proven(small(&format!("{SMALL_ALARMS}{long}")), &["hot", "hot-long"]);
    assert!(proofs.iter().all(|proof| matches!(proof.verdict, Verdict::Proven(_))), "{proofs:?}");
}

/// A plant that notes every byte it is sent.
struct Tapped {
    plant: Simulated,
    tap: crate::bytes_sent::TapDial<MemoryDial>,
}

#[async_trait]
impl Dial for Tapped {
    async fn dial(&self, endpoint: &str) -> io::Result<Box<dyn Stream>> {
        self.tap.dial(endpoint).await
    }
}

impl Plant for Tapped {
    fn begin(&self, fault: &str) -> Result<(), String> {
        self.plant.begin(fault)
    }

    fn end(&self, fault: &str) {
        self.plant.end(fault);
    }

    fn operate(&self, operation: &str) -> Result<(), String> {
        self.plant.operate(operation)
    }

    fn step(&self, span: Duration) {
        self.plant.step(span);
    }
}

#[test]
fn a_proof_sends_function_codes_01_to_04_only() {
    let line = Arc::new(demo_line());
    let captured = crate::bytes_sent::Captured::default();
    let bench = Bench {
        line: Arc::clone(&line),
        plant: &|| {
            let simulator = Simulator::new(&line, 1);
            let tap = crate::bytes_sent::TapDial {
                inner: MemoryDial(simulator.clone()),
                captured: Arc::clone(&captured),
            };
            Tapped { plant: Simulated { simulator, ever: false }, tap }
        },
        progress: &|_, _| {},
    };
    let ids = ["setpoint-not-recipe.TIC-310-SP", "communication.oven", "oil-flow-low"];
    let alarms: Vec<_> = ids.iter().map(|id| line.alarm_by_id(id).unwrap()).collect();
    let proofs = prove(&bench, &alarms);
    assert!(proofs.iter().all(|proof| matches!(proof.verdict, Verdict::Proven(_))), "{proofs:?}");
    let sent: BTreeSet<u8> = captured.lock().unwrap().iter().flat_map(|bytes| functions(bytes)).collect();
    assert!(sent.iter().all(|function| (1..=4).contains(function)) && sent.contains(&3), "{sent:?}");
}
