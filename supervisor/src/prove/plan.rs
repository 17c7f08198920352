//! What could raise an alarm, best first: faults of process, instruments and controllers, then registers that are made to lie.

use super::branch::Branch;
use super::{inject, physics};
use setward_alarm::{AlarmId, Kind};
use setward_config::line::{Line, LineAlarm, Meaning, Origin};
use setward_process::condition::Test;
use setward_protocol::{Mode, SignalId};

/// The line is watched for so long before anything happens, s.
pub const WARM_UP_S: u64 = 120;
/// A plan that has not raised its alarm after this comes to nothing, s.
const BOUND_S: u64 = 7_200;
/// The same where a whole round of the cook house, or an oil level, has to be waited for, s.
const LONG_BOUND_S: u64 = 14_400;

/// The same where every soak tank has to be filled anew, and to soak, s.
const SOAK_BOUND_S: u64 = 72_000;

/// How an alarm is made to raise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Way {
    /// By something that goes wrong in the simulated process, an instrument or a controller.
    Physics,
    /// By a register that shows what is not so.
    Injection,
}

/// One thing that is done to the plant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// A fault begins.
    Begin(String),
    /// Operators do something.
    Operate(&'static str),
    /// Somebody enters something: the tag, and a number, `passed` or `failed`.
    Enter(String, String),
}

/// Something that may raise an alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// The branch that it is meant to show; `None` if it may show any.
    pub branch: Option<Branch>,
    /// How.
    pub way: Way,
    /// What is so from the start, such as another recipe number; it stays so.
    pub setting: Vec<String>,
    /// What is done, each so many seconds after the warm-up; in order.
    pub steps: Vec<(u64, Step)>,
    /// How long it may take to raise the alarm after the last step, s.
    pub bound_s: u64,
}

/// The candidates of an alarm, best first.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Plan {
    /// What may raise it.
    pub candidates: Vec<Candidate>,
    /// Why something that would be usual can't be tried, for one branch or for all.
    pub notes: Vec<(Option<Branch>, String)>,
}

impl Candidate {
    /// What is done, in words.
    #[must_use]
    pub fn words(&self) -> String {
        let step = |(_, step): &(u64, Step)| match step {
            Step::Begin(fault) => fault.clone(),
            Step::Operate(operation) => format!("operators: {operation}"),
            Step::Enter(tag, typed) => format!("entered {tag} {typed}"),
        };
        let settings = self.setting.iter().map(|setting| format!("with {setting}"));
        let mut words: Vec<String> = self.steps.iter().map(step).collect();
        words.dedup();
        if words.is_empty() {
            words.push("nothing else".to_owned());
        }
        words.into_iter().chain(settings).collect::<Vec<_>>().join(", ")
    }

    /// The moment that times are counted from, s of the run: its last step, or its first entry, as what is entered again and
    /// again is counted from the first time.
    #[must_use]
    pub fn begun_s(&self) -> u64 {
        let entered = self.steps.iter().find(|(_, step)| matches!(step, Step::Enter(..)));
        let at = entered.or(self.steps.last()).map_or(0, |(at, _)| *at);
        WARM_UP_S + at
    }

    /// What of it was done after so many steps. What operators do by themselves makes no register lie.
    #[must_use]
    pub fn until(&self, done: usize) -> Self {
        let steps: Vec<(u64, Step)> = self.steps.iter().take(done).cloned().collect();
        let is_operated = !steps.is_empty() && steps.iter().all(|(_, step)| matches!(step, Step::Operate(_)));
        let way = if is_operated { Way::Physics } else { self.way };
        Self { steps, way, ..self.clone() }
    }

    /// Whether it may show this branch.
    #[must_use]
    pub fn may_show(&self, branch: Branch) -> bool {
        self.branch.is_none_or(|own| own == branch)
    }

    /// Whether the same is done, whatever it is meant to show.
    #[must_use]
    pub fn is_same_run(&self, other: &Self) -> bool {
        let run = |of: &Self| (of.way, of.bound_s);
        run(self) == run(other) && self.setting == other.setting && self.steps == other.steps
    }
}

/// What may raise an alarm.
#[must_use]
pub fn candidates(line: &Line, alarm: AlarmId) -> Plan {
    let own = line.alarm(alarm);
    let mut plan = Plan::default();
    let declared = Branch::of(own);
    let setting = setting_of(line, own);
    let approach = approach_to(own);
    let mut add = |way, branch: Branch, steps: Vec<Step>, bound_s| {
        let last = approach.last().map_or(0, |(at, _)| *at);
        // What goes wrong after a stop is there already when the line comes back.
        let at = if way == Way::Physics { 0 } else { last };
        let mut timed = approach.clone();
        // Each entry stands alone, some seconds apart from the one before.
        let apart =
            |index: usize, step: &Step| if matches!(step, Step::Enter(..)) { 5 * index as u64 } else { 0 };
        timed.extend(steps.into_iter().enumerate().map(|(index, step)| (at + apart(index, &step), step)));
        timed.sort_by_key(|(at, _)| *at);
        let branch = branch.among(&declared);
        let candidate = Candidate { branch, way, setting: setting.clone(), steps: timed, bound_s };
        if !plan.candidates.contains(&candidate) {
            plan.candidates.push(candidate);
        }
    };
    let is_slow = follows_corn(line, own);
    for (branch, steps) in physics::of(line, alarm) {
        add(Way::Physics, branch, steps, if is_slow { SOAK_BOUND_S } else { bound_of(own) });
    }
    let injected = inject::of(line, alarm);
    for (branch, steps) in &injected.faults {
        add(Way::Injection, *branch, steps.clone(), if is_slow { SOAK_BOUND_S } else { BOUND_S });
    }
    let conditions = inject::conditions(line, own);
    for (branch, steps) in injected.faults.iter().filter(|_| !conditions.is_empty()) {
        let begun = conditions.iter().cloned().map(Step::Begin).chain(steps.iter().cloned());
        add(Way::Injection, *branch, begun.collect(), BOUND_S);
    }
    plan.notes = injected.notes.into_iter().map(|(branch, note)| (branch.among(&declared), note)).collect();
    plan
}

/// Whether it waits for what is known of corn: a tank has to be filled in the run, and to soak.
fn follows_corn(line: &Line, alarm: &LineAlarm) -> bool {
    let followed = |signal: SignalId| matches!(line.signal(signal).origin, Origin::Followed(_));
    alarm.band.is_some() || alarm.when.iter().any(|condition| followed(condition.signal))
}

const fn bound_of(alarm: &LineAlarm) -> u64 {
    match &alarm.settings.kind {
        Kind::Limit(_)
        | Kind::Status(_)
        | Kind::EquivalentTime(_)
        | Kind::Rate(_)
        | Kind::TimeWeighted(_) => LONG_BOUND_S,
        Kind::Deviation(_)
        | Kind::MovingAverage(_)
        | Kind::Discrepancy(_)
        | Kind::Drift(_)
        | Kind::Measurement(_)
        | Kind::Communication(_)
        | Kind::Forwarding(_) => BOUND_S,
    }
}

/// Numbers of recipes that the alarm asks for and that are not chosen at first: somebody has chosen them.
fn setting_of(line: &Line, alarm: &LineAlarm) -> Vec<String> {
    let is_number = |signal: SignalId| {
        let means = line.signal(signal).means;
        line.recipe_numbers.iter().any(|word| word.signal == signal)
            || matches!(means, Some(Meaning::CookRecipeNumber | Meaning::FryerRecipeNumber))
    };
    let numbers = alarm.when.iter().chain(&alarm.batch).filter(|condition| is_number(condition.signal));
    let asked = numbers.filter_map(|condition| {
        let signal = line.signal(condition.signal);
        if condition.test.holds(signal.simulate.typical) {
            return None;
        }
        match &condition.test {
            Test::Is(codes) => codes.first().map(|code| format!("shows {} {code}", signal.tag)),
            Test::Between { low, .. } => Some(format!("shows {} {low}", signal.tag)),
        }
    });
    asked.collect()
}

/// What operators do to bring the line into a mode in which the alarm speaks, if it does not do so in run.
fn approach_to(alarm: &LineAlarm) -> Vec<(u64, Step)> {
    const STOPPED_S: u64 = 1_800;
    const BOILED_S: u64 = 9_000;
    let modes = alarm.settings.modes;
    if alarm.only_after == Some(Mode::Cleaning) {
        return vec![
            (0, Step::Operate("stop")),
            (STOPPED_S, Step::Operate("boil-out")),
            (BOILED_S, Step::Operate("run")),
        ];
    }
    if modes.contains(Mode::Run) {
        return Vec::new();
    }
    let operation = [
        (Mode::Gap, vec![(0, "stop-feed")]),
        (Mode::Hold, vec![(0, "hold")]),
        (Mode::HeatUp, vec![(0, "stop"), (STOPPED_S, "heat-up")]),
        (Mode::Stopped, vec![(0, "stop")]),
        (Mode::Cleaning, vec![(0, "stop"), (STOPPED_S, "boil-out")]),
    ];
    let found = operation.into_iter().find(|(mode, _)| modes.contains(*mode));
    found.map_or_else(Vec::new, |(_, steps)| {
        steps.into_iter().map(|(at, what)| (at, Step::Operate(what))).collect()
    })
}

/// The code that a value stands for.
#[must_use]
#[expect(clippy::cast_possible_truncation, reason = "a cast of a float saturates, and codes are small")]
pub const fn code(value: f64) -> i64 {
    value as i64
}
