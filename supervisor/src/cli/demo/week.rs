//! The week behind the demo: the script in `week.txt`, and the plant that lives through it.
//!
//! Owns the reading of the script and a plant in the state in which the week begins. Who watches it, at which speed, and what
//! people answer is for others.

use super::baggers;
use super::crew::Saying;
use crate::clock::Clock;
use setward_config::line::{Line, RecipeNumber, Role};
use setward_protocol::UtcMillis;
use sim_plc::{Fault, Operation, Simulator};
use std::collections::VecDeque;
use std::time::Duration;

const SCRIPT: &str = include_str!("week.txt");
const MINUTE_S: u64 = 60;
const HOUR_S: u64 = 3_600;
const DAY_S: u64 = 24 * HOUR_S;
const WEEK_S: u64 = 7 * DAY_S;
/// Numbers of the recipes in the controllers, and the words that hold them: the line's and the cook house's.
const LINE_WORD: &str = "XI-393";
const COOK_WORD: &str = "XI-123";
/// Nobody reads a setpoint of the seasoning, nor of the hold: they are set at the machine.
const SEASONING_SHARE: &str = "WFY-442";
/// The kettles' quench is set to end so far below the hottest that a recipe accepts, K.
const QUENCHED_BELOW_MOST_K: f64 = 1.0;
/// What came before: the tanks are fed empty, the line stops, the fryer is boiled out and all cools down.
const BEFORE: [(Operation, u64); 6] = [
    // Two batches make a tank: so long, and none is left with one.
    (Operation::Run, 41 * MINUTE_S),
    (Operation::CookStop, 24 * HOUR_S),
    (Operation::Stop, HOUR_S),
    (Operation::BoilOut, 4 * HOUR_S),
    (Operation::Stop, 24 * HOUR_S),
    (Operation::Stop, HOUR_S),
];

#[derive(Debug, Clone, PartialEq)]
enum Happens {
    Begins(Fault),
    Ends(String),
    Operators(Operation),
    Said(Saying),
}

/// What still happens in the week.
#[derive(Debug, Clone)]
pub struct DemoWeek {
    cues: VecDeque<(Duration, Happens)>,
    length: Duration,
    /// When the watching machine's clock is set, and by how many ms.
    clock_set: Option<(Duration, i64)>,
}

impl DemoWeek {
    /// The week of the demo's `line`.
    ///
    /// # Errors
    /// The first line of the script that `line` can't do, in words.
    pub fn of(line: &Line) -> Result<Self, String> {
        Self::read(line, SCRIPT)
    }

    /// The week that a script tells.
    ///
    /// # Errors
    /// As [`Self::of`].
    pub fn read(line: &Line, script: &str) -> Result<Self, String> {
        let mut week = Self { cues: VecDeque::new(), length: Duration::ZERO, clock_set: None };
        let (mut start, mut bagger_stops) = (None, 0);
        for (number, text) in (1..).zip(script.lines()) {
            let words: Vec<_> = text.split('#').next().unwrap_or_default().split_whitespace().collect();
            let [day, time, what @ ..] = words.as_slice() else { continue };
            let wrong = |why: String| format!("the demo's week, line {number}: {why}");
            let of_week_s = of_week_s(day, time).ok_or_else(|| wrong(format!("{day} {time} is no time")))?;
            let start_s = *start.get_or_insert(of_week_s);
            let last_s = week.length.as_secs();
            let ahead_s = (of_week_s + WEEK_S - (start_s + last_s) % WEEK_S) % WEEK_S;
            week.length = Duration::from_secs(last_s + ahead_s);
            if let ["clock", seconds] = what {
                let by_s = seconds.parse::<f64>().ok().filter(|by_s| by_s.abs() < 3600.0);
                let by_s =
                    by_s.ok_or_else(|| wrong(format!("a clock is not set by \"{seconds}\" seconds")))?;
                week.clock_set = Some((week.length, (by_s * 1000.0) as i64));
                continue;
            }
            if let ["bagger-stops", count] = what {
                let count = count.parse::<usize>().ok().filter(|count| *count <= 200);
                bagger_stops = count.ok_or_else(|| wrong("0 to 200 stops of a bagger".to_owned()))?;
                continue;
            }
            for happens in read(what, line).map_err(wrong)? {
                week.cues.push_back((week.length, happens));
            }
        }
        week.stop_baggers(bagger_stops)?;
        Ok(week)
    }

    /// Puts `count` stops of a single bagger between what the script tells.
    fn stop_baggers(&mut self, count: usize) -> Result<(), String> {
        let operations = self.cues.iter().filter_map(|(at, happens)| match happens {
            Happens::Operators(operation) => Some((*at, *operation)),
            Happens::Begins(_) | Happens::Ends(_) | Happens::Said(_) => None,
        });
        let operations: Vec<_> = operations.collect();
        for stop in baggers::stops(count, &operations) {
            let text = format!("bagger-stopped {}", stop.bagger);
            let begins = text.parse().map_err(|error: sim_plc::FaultError| error.to_string())?;
            self.cues.push_back((stop.begins, Happens::Begins(begins)));
            self.cues.push_back((stop.ends, Happens::Ends("bagger-stopped".to_owned())));
        }
        self.cues.make_contiguous().sort_by_key(|(at, _)| *at);
        Ok(())
    }

    /// How long it is, from its first cue to the demo's present.
    #[must_use]
    pub const fn length(&self) -> Duration {
        self.length
    }

    /// The clock of the machine that watches the week, from its first moment on: it may be set on the way.
    #[must_use]
    pub fn clock(&self, begin: UtcMillis) -> Clock {
        match self.clock_set {
            None => Clock::starting_at(begin),
            Some((after, by_ms)) => Clock::set_once(begin, after, by_ms),
        }
    }

    /// When the plant's clock shows `day`, "Mon", and `time`, "10:43:10", for the first time in it.
    #[must_use]
    pub fn moment(day: &str, time: &str) -> Option<Duration> {
        let first = SCRIPT.lines().find(|line| !line.starts_with('#') && !line.is_empty())?;
        let mut words = first.split_whitespace();
        let start_s = of_week_s(words.next()?, words.next()?)?;
        Some(Duration::from_secs((of_week_s(day, time)? + WEEK_S - start_s) % WEEK_S))
    }

    /// The plant as the week finds it: cold, its tanks empty, after a boil-out. The same seed gives the same plant.
    #[must_use]
    pub fn plant(line: &Line, seed: u64) -> Simulator {
        let simulator = Simulator::new(line, seed);
        for (operation, seconds) in BEFORE {
            simulator.operate(operation);
            simulator.step(Duration::from_secs(seconds));
        }
        simulator
    }

    /// Does what is due by `into` the week; what people say for the record is for who calls.
    ///
    /// # Errors
    /// When the plant can't do it, in words.
    pub fn happen(&mut self, into: Duration, simulator: &Simulator) -> Result<Vec<Saying>, String> {
        let mut said = Vec::new();
        while let Some((_, happens)) = self.cues.pop_front_if(|(at, _)| *at <= into) {
            match happens {
                Happens::Begins(fault) => simulator.inject(fault).map_err(|error| error.to_string())?,
                Happens::Ends(name) => simulator.clear(&name).map_err(|error| error.to_string())?,
                Happens::Operators(operation) => simulator.operate(operation),
                Happens::Said(saying) => said.push(saying),
            }
        }
        Ok(said)
    }
}

/// Seconds from Monday 00:00 to a weekday's time.
fn of_week_s(day: &str, time: &str) -> Option<u64> {
    let days = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
    let day = days.iter().position(|name| *name == day)? as u64;
    let mut parts = time.split(':').map(|part| part.parse::<u64>().ok());
    let (hour, minute, second) = (parts.next()??, parts.next()??, parts.next().unwrap_or(Some(0))?);
    let fits = hour < 24 && minute < 60 && second < 60 && parts.next().is_none();
    fits.then_some(day * DAY_S + hour * HOUR_S + minute * MINUTE_S + second)
}

fn read(what: &[&str], line: &Line) -> Result<Vec<Happens>, String> {
    match what {
        ["begins", fault @ ..] => {
            let fault: Fault =
                fault.join(" ").parse().map_err(|error: sim_plc::FaultError| error.to_string())?;
            Ok(vec![Happens::Begins(fault)])
        }
        ["ends", name @ ..] => Ok(vec![Happens::Ends(name.join(" "))]),
        ["operators", name] => {
            let operation = name.parse().map_err(|error: sim_plc::UnknownOperation| error.to_string())?;
            Ok(vec![Happens::Operators(operation)])
        }
        ["turns", "to", recipe] => turns_to(recipe, LINE_WORD, line),
        ["cooks", recipe] => turns_to(recipe, COOK_WORD, line),
        ["now"] => Ok(Vec::new()),
        ["closes" | "stood" | "holds" | "decides", ..] => Ok(vec![Happens::Said(Saying::read(what)?)]),
        other => Err(format!("\"{}\" is nothing that happens", other.join(" "))),
    }
}

/// Somebody chooses a recipe by its number, and enters the setpoints of the stations that run it.
fn turns_to(key: &str, word: &str, line: &Line) -> Result<Vec<Happens>, String> {
    let unknown = || format!("there is no recipe {key} with a number in {word}");
    let place = line.recipes.iter().position(|recipe| recipe.key == key);
    let (place, recipe) =
        place.and_then(|place| Some((place, line.recipes.get(place)?))).ok_or_else(unknown)?;
    let own_word = |own: &&RecipeNumber| line.signal(own.signal).tag == word;
    let numbers = line.recipe_numbers.iter().find(own_word).ok_or_else(unknown)?;
    let number = numbers.numbers.iter().find(|(_, own)| **own == place).ok_or_else(unknown)?.0;
    let mut texts = vec![format!("shows {word} {number}")];
    for asked in &recipe.setpoints {
        let signal = line.signal(asked.signal);
        if signal.role == Role::Setpoint && numbers.stations.contains(&signal.station) {
            texts.push(format!("setpoint-turned {} {:.1}", signal.tag, asked.target.setpoint));
        }
        if signal.tag == SEASONING_SHARE && numbers.stations.contains(&signal.station) {
            texts.push(format!("seasoning-set {}", asked.target.setpoint));
        }
    }
    if let Some(cook) = recipe.cook.as_ref().filter(|_| word == COOK_WORD) {
        texts.push(format!("hold-set {}", cook.hold_s.0 / 60.0));
        texts.push(format!("water-set {}", cook.water_l.target));
        texts.push(format!("quench-set {}", cook.quench_to_degc.1 - QUENCHED_BELOW_MOST_K));
    }
    let faults = texts.into_iter().map(|text| text.parse().map(Happens::Begins));
    faults.collect::<Result<_, sim_plc::FaultError>>().map_err(|error| error.to_string())
}
