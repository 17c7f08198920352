//! Which signal tells the follower what, and the line's shape as it knows it.

use setward_config::line::{Kettle, KettlePhases, Line, StationId};
use setward_process::batches::{HeatRule, StepRule};
use setward_process::follow::{KettleRule, Place, Recognition, Shape, Through, Weighing};
use setward_protocol::{SignalId, Unit};
use std::time::Duration;

/// No cook lasts longer; common practice is under two hours.
const LONGEST_COOK: Duration = Duration::from_secs(6 * 3600);
/// No kettle is emptied, rinsed, filled and hot again sooner; judgement.
const TURNAROUND: Duration = Duration::from_secs(20 * 60);
/// How much is remembered: the longest soak, a day on the line, and some.
const REMEMBERS: Duration = Duration::from_secs(48 * 3600);

/// What the values of a signal tell.
#[derive(Debug, Clone, Copy)]
pub(super) enum Told {
    /// Which kettle's step.
    Step(usize),
    /// Which kettle's temperature, where that tells its phases.
    CookTemperature(usize),
    /// Which of the line's recipe numbers, of those that kettles obey.
    CookRecipe(usize),
    /// Which of them, of those that the last station obeys: by it product is packed.
    LineRecipe(usize),
    BatchNumber(usize),
    /// Index into the line's tanks.
    Tank(usize),
    FedFrom,
    /// Which record, and the unit it is kept in.
    Record(usize, Unit),
}

/// The line as the follower knows it; notes in `told` which signal tells what.
pub(super) fn shape(line: &Line, told: &mut [Vec<Told>]) -> Shape {
    let mut wiring = Wiring { line, told, records: Vec::new() };
    let (path, weighed_before) = wiring.path();
    let weighing = wiring.weighing(weighed_before);
    let kettles = wiring.kettles();
    wiring.tanks();
    let fed_from = line.feed.as_ref().and_then(|feed| feed.tank);
    Shape {
        kettles,
        tanks: line.tanks.iter().map(|tank| tank.number).collect(),
        path,
        records: wiring.records,
        weighing,
        checks: Vec::new(),
        // Without such a word nothing is told, and nothing can be too old.
        fed_from_gap_limit: fed_from.map_or(Duration::MAX, |word| line.gap_limit(word)),
        remembers: REMEMBERS,
    }
}

/// Gives each signal its place among the follower's inputs.
struct Wiring<'a> {
    line: &'a Line,
    told: &'a mut [Vec<Told>],
    /// How long a reading of each record is known: each signal by its own polls, for a slower one says nothing about it.
    records: Vec<Duration>,
}

impl Wiring<'_> {
    fn tells(&mut self, signal: SignalId, what: Told) {
        if let Some(told) = self.told.get_mut(signal.index()) {
            told.push(what);
        }
    }

    fn record(&mut self, signal: SignalId, unit: Unit) -> usize {
        let record = self.records.len();
        self.records.push(self.line.gap_limit(signal));
        self.tells(signal, Told::Record(record, unit));
        record
    }

    /// The highest value that a signal can show, in another unit.
    fn most(&self, signal: SignalId, unit: Unit) -> Option<f64> {
        let signal = self.line.signal(signal);
        signal.unit.convert(signal.range.1, unit)
    }

    /// The places in the order product passes, and before which of them it is weighed.
    fn path(&mut self) -> (Vec<Place>, usize) {
        let line = self.line;
        let (mut path, mut weighed_before) = (Vec::new(), 0);
        for station in (0..=u16::MAX).map(StationId).take(line.stations.len()) {
            if line.feed.as_ref().is_some_and(|feed| feed.station == station) {
                weighed_before = path.len();
            }
            for belt in line.belts.iter().filter(|belt| belt.station == station) {
                let through = Through::Belt {
                    length_m: belt.effective_length_m,
                    speed: self.record(belt.speed, Unit::MetrePerSecond),
                    ratio: 1.0,
                    spread: belt.spread(),
                    fastest_m_per_s: self.most(belt.speed, Unit::MetrePerSecond),
                };
                path.push(Place { station: station.0, through });
            }
            for delay in line.delays.iter().filter(|delay| delay.station == station) {
                let running = delay.running.map(|signal| self.record(signal, line.signal(signal).unit));
                let through = Through::Delay { least: delay.least, most: delay.most, running };
                path.push(Place { station: station.0, through });
            }
        }
        (path, weighed_before)
    }

    fn weighing(&mut self, before: usize) -> Option<Weighing> {
        let feed = self.line.feed.as_ref()?;
        Some(Weighing {
            rate: self.record(feed.signal, Unit::KilogramPerHour),
            before,
            spread: feed.uncertainty,
            most_kg_per_h: self.most(feed.signal, Unit::KilogramPerHour),
            corn_per_weighed: feed.corn_per_kg,
            diverted: feed.diverted.map(|signal| self.record(signal, self.line.signal(signal).unit)),
        })
    }

    fn kettles(&mut self) -> Vec<KettleRule> {
        let line = self.line;
        let mut rules = Vec::new();
        let obeys =
            |stations: &[StationId]| line.kettles.iter().any(|kettle| stations.contains(&kettle.station));
        for (word, asked) in
            line.recipe_numbers.iter().enumerate().filter(|(_, asked)| obeys(&asked.stations))
        {
            self.tells(asked.signal, Told::CookRecipe(word));
        }
        let last = StationId(u16::try_from(line.stations.len().saturating_sub(1)).unwrap_or(u16::MAX));
        for (word, asked) in line.recipe_numbers.iter().enumerate() {
            if asked.stations.contains(&last) {
                self.tells(asked.signal, Told::LineRecipe(word));
            }
        }
        for (index, kettle) in line.kettles.iter().enumerate() {
            let told = match kettle.phases {
                KettlePhases::Step { .. } => Told::Step(index),
                KettlePhases::Temperature { .. } => Told::CookTemperature(index),
            };
            self.tells(kettle.told_by(), told);
            if let Some(number) = kettle.batch_number {
                self.tells(number, Told::BatchNumber(index));
            }
            rules.push(KettleRule { told_by: recognition(line, kettle), corn_kg: kettle.corn_kg });
        }
        rules
    }

    fn tanks(&mut self) {
        let line = self.line;
        for (index, tank) in line.tanks.iter().enumerate() {
            self.tells(tank.told_by(), Told::Tank(index));
        }
        if let Some(tank) = line.feed.as_ref().and_then(|feed| feed.tank) {
            self.tells(tank, Told::FedFrom);
        }
    }
}

fn recognition(line: &Line, kettle: &Kettle) -> Recognition {
    let gap_limit = line.gap_limit(kettle.told_by());
    match &kettle.phases {
        KettlePhases::Step { codes, .. } => Recognition::Step(StepRule {
            codes: codes.iter().map(|(code, phase)| (*code, *phase)).collect(),
            longest: LONGEST_COOK,
            gap_limit,
            turnaround: TURNAROUND,
        }),
        KettlePhases::Temperature { limits, pumped_within } => Recognition::Temperature {
            rule: HeatRule { limits: *limits, longest: LONGEST_COOK, gap_limit },
            pumped_within: *pumped_within,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a person enters is believed for a day; a belt's speed is not known for that.
    #[test]
    fn a_recipe_number_that_people_enter_makes_no_belt_known_for_longer() {
        let mut line = setward_config::load_demo().unwrap().line;
        let entered = line.signals_with_ids().find(|(id, _)| {
            line.entry_of(*id).is_some_and(|entry| entry.known_for() >= Duration::from_secs(3600))
        });
        let entered = entered.unwrap().0;
        line.recipe_numbers.iter_mut().for_each(|number| number.signal = entered);
        let mut told = vec![Vec::new(); line.signals.len()];
        let shape = shape(&line, &mut told);
        assert_eq!(shape.problems(), []);
        assert!(told[entered.index()].iter().any(|told| matches!(told, Told::LineRecipe(_))));
        assert!(shape.records.len() > 5, "{:?}", shape.records);
        for (signal, _) in line.signals_with_ids() {
            for one in &told[signal.index()] {
                if let Told::Record(record, _) = one {
                    assert_eq!(shape.records[*record], line.gap_limit(signal));
                    assert!(shape.records[*record] < Duration::from_secs(60));
                }
            }
        }
        let fed_from = line.feed.as_ref().unwrap().tank.unwrap();
        assert_eq!(shape.fed_from_gap_limit, line.gap_limit(fed_from));
    }

    #[test]
    fn the_word_of_a_gate_to_scrap_is_followed() {
        let mut line = setward_config::load_demo().unwrap().line;
        let gate = line.signal_by_tag("YS-452").unwrap();
        let told_of = |line: &Line| {
            let mut told = vec![Vec::new(); line.signals.len()];
            let diverted = shape(line, &mut told).weighing.unwrap().diverted;
            let records = told[gate.index()].iter().filter_map(|told| match told {
                Told::Record(record, _) => Some(*record),
                Told::Step(_)
                | Told::CookTemperature(_)
                | Told::CookRecipe(_)
                | Told::LineRecipe(_)
                | Told::BatchNumber(_)
                | Told::Tank(_)
                | Told::FedFrom => None,
            });
            (diverted, records.collect::<Vec<_>>())
        };
        let (diverted, before) = told_of(&line);
        assert_eq!(diverted, None);
        line.feed.as_mut().unwrap().diverted = Some(gate);
        let (diverted, records) = told_of(&line);
        assert!(records.contains(&diverted.unwrap()) && records.len() == before.len() + 1, "{records:?}");
    }

    /// Slip and encoders of belts that nobody has timed are as they are anywhere: what an alarm touched is that much wider.
    #[test]
    fn a_belt_that_no_test_piece_was_timed_on_is_known_to_five_percent_and_a_proven_one_to_one() {
        let mut line = setward_config::load_demo().unwrap().line;
        line.belts[1].proof = None;
        let mut told = vec![Vec::new(); line.signals.len()];
        let spreads: Vec<f64> = shape(&line, &mut told)
            .path
            .iter()
            .filter_map(|place| match place.through {
                Through::Belt { spread, .. } => Some(spread),
                Through::Delay { .. } => None,
            })
            .collect();
        assert_eq!(spreads, [0.01, 0.05, 0.01]);
    }
}
