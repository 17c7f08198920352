//! The kinds of fault: one row for each with its name, what it is about, its value and its one-line explanation.

use setward_config::line::Meaning;
use std::str::FromStr;

use super::FaultError;

/// What a kind of fault is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum About {
    /// Any signal.
    Signal,
    /// A setpoint.
    Setpoint,
    /// A signal with one of these meanings; the words say what that is.
    Means(&'static [Meaning], &'static str),
    /// The same, or all of them when no tag is given.
    MeansOrAll(&'static [Meaning], &'static str),
    /// The line, which needs a signal with each of these meanings; the word is the meaning in the files.
    Line(&'static [(Meaning, &'static str)]),
    /// A controller.
    Controller,
    /// A recipe of the line, by the number that the value is.
    Recipe,
}

/// How a value is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Form {
    /// There is none.
    None,
    /// A number.
    Number,
    /// A whole number.
    Whole,
    /// A time; kept in s.
    Time,
}

/// The value of a kind of fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ValueRule {
    pub(crate) form: Form,
    /// Lowest and highest accepted.
    pub(crate) between: (f64, f64),
    /// What is taken when it is left out; `None` with `required` false: the fault goes without.
    pub(crate) default: Option<f64>,
    pub(crate) required: bool,
}

/// A row of the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rule {
    pub(crate) name: &'static str,
    pub(crate) arguments: &'static str,
    pub(crate) explanation: &'static str,
    pub(crate) about: About,
    pub(crate) value: ValueRule,
}

macro_rules! fault_kinds {
    ($($kind:ident $name:literal $arguments:literal $about:expr, $value:expr, $explanation:literal;)*) => {
        /// The kinds of fault.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum FaultKind { $(#[doc = $explanation] $kind,)* }

        impl FaultKind {
            /// Every kind, in the order in which they are listed.
            pub const ALL: &'static [Self] = &[$(Self::$kind,)*];

            pub(crate) const fn rule(self) -> Rule {
                match self {
                    $(Self::$kind => Rule {
                        name: $name, arguments: $arguments, explanation: $explanation, about: $about, value: $value,
                    },)*
                }
            }
        }
    };
}

const NONE: ValueRule = ValueRule { form: Form::None, between: (0.0, 0.0), default: None, required: false };

const fn number(low: f64, high: f64) -> ValueRule {
    ValueRule { form: Form::Number, between: (low, high), default: None, required: true }
}

const fn number_or(low: f64, high: f64, default: f64) -> ValueRule {
    ValueRule { form: Form::Number, between: (low, high), default: Some(default), required: false }
}

const EXCEPTION: ValueRule =
    ValueRule { form: Form::Whole, between: (1.0, 255.0), default: None, required: true };
const DELAY: ValueRule =
    ValueRule { form: Form::Time, between: (0.0, 3600.0), default: None, required: true };
const RESTART: ValueRule =
    ValueRule { form: Form::Time, between: (0.0, 3600.0), default: Some(40.0), required: false };
const BAGGER: ValueRule =
    ValueRule { form: Form::Whole, between: (1.0, 2.0), default: Some(1.0), required: false };
const RECIPE: ValueRule =
    ValueRule { form: Form::Whole, between: (0.0, 65_535.0), default: None, required: true };
const HELD: ValueRule =
    ValueRule { form: Form::Number, between: (0.0, 100.0), default: None, required: false };

const FRYER: About = About::Line(&[(Meaning::FryerOilInlet, "fryer-oil-inlet")]);
const FRYER_FLOW: About =
    About::Line(&[(Meaning::FryerOilInlet, "fryer-oil-inlet"), (Meaning::FryerOilFlow, "fryer-oil-flow")]);
const FRYER_LEVEL: About =
    About::Line(&[(Meaning::FryerOilInlet, "fryer-oil-inlet"), (Meaning::FryerOilLevel, "fryer-oil-level")]);
const ANY_LINE: About = About::Line(&[]);
const KETTLE: About = About::Means(&[Meaning::KettleTemperature], "the cook temperature of a kettle");
const KETTLES: About = About::Line(&[(Meaning::KettleTemperature, "kettle-temperature")]);
const OVEN: About = About::Line(&[(Meaning::OvenTemperature, "oven-temperature")]);
const SEASONING: About =
    About::Line(&[(Meaning::SeasoningFlow, "seasoning-flow"), (Meaning::ProductFlow, "product-flow")]);
const PACKING: About = About::Line(&[(Meaning::PackingStopped, "packing-stopped")]);
const BAGS: About = About::Line(&[(Meaning::BagsMade, "bags-made")]);
const ZONE: About = About::MeansOrAll(&[Meaning::OvenTemperature], "the temperature of an oven zone");
const BELT: About = About::Means(
    &[Meaning::OvenBeltSpeed, Meaning::EquilibratorBeltSpeed, Meaning::FryerBeltSpeed],
    "the speed of an oven, equilibrator or fryer belt",
);
const OUTPUT: About = About::Means(
    &[Meaning::KettleSteamValve, Meaning::OvenBurner, Meaning::FryerHeatDemand],
    "the output of a kettle, oven or fryer loop",
);

fault_kinds! {
    SensorBreak "sensor-break" "TAG" About::Signal, NONE, "the register says that there is no value, as with a broken wire; its loop holds its output";
    Stuck "stuck" "TAG" About::Signal, NONE, "the register keeps what it shows now, and so does what a loop sees of it";
    Drift "drift" "TAG PER_MINUTE" About::Signal, number(-1e6, 1e6), "the instrument has an error that grows by this much of its unit each minute; its loop follows it";
    Shows "shows" "TAG VALUE" About::Signal, number(-1e12, 1e12), "the register shows this value, in the signal's unit, whatever is true";
    ProbeSlow "probe-slow" "TAG [SECONDS]" About::Signal, number_or(1.0, 3600.0, 90.0), "scale or polymer on the probe: it follows with this time constant (90 s)";
    SetpointTurned "setpoint-turned" "TAG VALUE" About::Setpoint, number(-1e12, 1e12), "somebody entered another setpoint, in the signal's unit";
    LoopManual "loop-manual" "TAG [PERCENT]" OUTPUT, HELD, "somebody put the loop with this output into manual, and holds the output here (where it is)";
    ValveStuck "valve-stuck" "TAG" OUTPUT, NONE, "the valve or burner behind this output stays where it is, whatever the output says";
    SteamLow "steam-low" "[BAR]" KETTLES, number_or(0.0, 10.0, 2.5), "the steam header of the cook house falls to this pressure (2.5 bar above the atmosphere)";
    TrapFailed "trap-failed" "TAG" KETTLE, NONE, "the steam trap of the kettle with this cook temperature: condensate stands in the jacket, heating is slow";
    AgitatorStopped "agitator-stopped" "TAG" KETTLE, NONE, "the agitator of the kettle with this cook temperature doesn't turn although its starter is in";
    DischargeOpen "discharge-open" "TAG" KETTLE, NONE, "somebody opened the discharge of the kettle with this cook temperature";
    QuenchLow "quench-low" "[L_PER_MIN]" KETTLES, number_or(0.0, 90.0, 41.0), "the water main gives no more than this for the quench (41 L/min instead of 90)";
    HoldSet "hold-set" "[MINUTES]" KETTLES, number_or(1.0, 120.0, 12.0), "somebody set the kettles' hold to so many counted minutes (12 instead of 20)";
    QuenchSet "quench-set" "[DEGC]" KETTLES, number_or(20.0, 95.0, 76.0), "somebody set the kettles' quench to end at this temperature (76 instead of 71 degC)";
    EarlyTransfer "early-transfer" "TAG" KETTLE, NONE, "somebody ends the hold of the kettle with this cook temperature by hand: it is quenched and pumped out at once";
    WaterSet "water-set" "[LITRES]" KETTLES, number_or(500.0, 2000.0, 1100.0), "somebody set the water of a batch to so many litres (1100 instead of 1200)";
    FeedGap "feed-gap" "" ANY_LINE, NONE, "nothing comes to the cutter, as with a blocked chute, while everything else runs: the gap rolls down the line";
    WrongRecipe "wrong-recipe" "NUMBER" About::Recipe, RECIPE, "somebody chose the recipe with this number at the panels: its setpoints are loaded";
    BurnerOut "burner-out" "[TAG]" ZONE, NONE, "the burner of the oven zone with this temperature tag (of every zone) has lost its flame";
    ExhaustLost "exhaust-lost" "" OVEN, NONE, "the oven's exhaust fan has failed: its burners lock out";
    WetFeed "wet-feed" "[PERCENT]" FRYER, number_or(10.0, 60.0, 41.0), "what enters the fryer has this moisture (41 %): the outlet gets cold while the inlet holds";
    HeatLow "heat-low" "[KELVIN]" FRYER, number_or(0.1, 100.0, 6.0), "the fryer's heat is limited: oil settles this far (6 K) below its setpoint, demand rises to 100 %";
    FlowLow "flow-low" "[M3_PER_HOUR]" FRYER_FLOW, number_or(1.0, 1000.0, 32.0), "the fryer's oil flow falls to this value (32 m3/h): the outlet gets cold while the inlet holds";
    ScreenBlocking "screen-blocking" "[PER_MINUTE]" FRYER_FLOW, number_or(0.01, 100.0, 0.2), "fines block the oil filter: its resistance grows by this share each minute (0.2), flow falls in half an hour";
    OilLeak "oil-leak" "[KG_PER_H]" FRYER_LEVEL, number_or(1.0, 1500.0, 120.0), "so much oil is lost from the fryer (120 kg/h): a drain passes, or chips take more; the make-up holds the level";
    MakeUpClosed "make-up-closed" "" FRYER_LEVEL, NONE, "no fresh oil comes in: the level sinks by what the product takes along";
    FloatStuck "float-stuck" "[MM]" FRYER_LEVEL, number_or(-100.0, 100.0, 5.0), "the float of the make-up hangs so far above the working level (5 mm): no oil comes while the level sinks; below 0 too much comes";
    DryOutSkipped "dry-out-skipped" "" FRYER, NONE, "after a boil-out the fryer heats up without its dry-out";
    BeltSlip "belt-slip" "TAG [PERCENT]" BELT, number_or(0.0, 100.0, 5.0), "the belt with this speed tag runs slower by this share (5 %): product stays longer";
    SeasoningSet "seasoning-set" "[PERCENT]" SEASONING, number_or(0.0, 50.0, 0.8), "somebody set the seasoning to this share of the product (0.8 %)";
    BaggersStopped "baggers-stopped" "" PACKING, NONE, "both baggers stand; whether the feed is stopped is the operators' affair";
    BaggerStopped "bagger-stopped" "[BAGGER]" BAGS, BAGGER, "one of two baggers stands, 1 or 2 (1); the other packs what comes, and the line goes on";
    ControllerSilent "controller-silent" "NAME" About::Controller, NONE, "the controller takes requests and never answers";
    ControllerSlow "controller-slow" "NAME DELAY" About::Controller, DELAY, "the controller answers this much later, such as \"400 ms\"";
    ControllerException "controller-exception" "NAME CODE" About::Controller, EXCEPTION, "the controller refuses every request with this exception code, 1 to 255; 6 is busy";
    ControllerDrop "controller-drop" "NAME" About::Controller, NONE, "the controller closes the connection at every request";
    ControllerShort "controller-short" "NAME" About::Controller, NONE, "the controller answers with one register too few";
    ControllerRefuses "controller-refuses" "NAME" About::Controller, NONE, "nothing listens where the controller answers: connections are refused, and those that stand are closed";
    ControllerBytewise "controller-bytewise" "NAME" About::Controller, NONE, "the controller's replies come byte by byte";
    RepliesBad "replies-bad" "NAME [PERCENT]" About::Controller, number_or(0.1, 100.0, 5.0), "so many of a hundred of the controller's replies (5) are bad in one of the ways that a reader can tell: refused, none, late, cut, garbage, another's";
    ControllerRestart "controller-restart" "NAME [TIME]" About::Controller, RESTART, "the controller starts again: every word is 0 for this time (40 s), its heartbeat counts from 0";
    HeartbeatStopped "heartbeat-stopped" "NAME" About::Controller, NONE, "the heartbeat of the controller stands still while its values go on";
    ProgramStopped "program-stopped" "NAME" About::Controller, NONE, "the controller answers, but its program stands still: heartbeat and values freeze";
}

impl FaultKind {
    /// Its name: "heat-low".
    #[must_use]
    pub const fn name(self) -> &'static str {
        self.rule().name
    }

    /// What is written after the name; brackets mark what may be left out.
    #[must_use]
    pub const fn arguments(self) -> &'static str {
        self.rule().arguments
    }

    /// What it does, in one line.
    #[must_use]
    pub const fn explanation(self) -> &'static str {
        self.rule().explanation
    }
}

impl FromStr for FaultKind {
    type Err = FaultError;

    fn from_str(name: &str) -> Result<Self, FaultError> {
        let kind = Self::ALL.iter().copied().find(|kind| kind.name() == name);
        kind.ok_or_else(|| FaultError::UnknownKind { found: name.to_owned() })
    }
}
