//! What operators do with the line: start it, stop its feed, set it back, stop it, clean it.
//!
//! Operations are no faults: a line that is stopped as it should be is in order.

use crate::fault::{did_you_mean, nearest};
use std::fmt;
use std::str::FromStr;

macro_rules! operations {
    ($($operation:ident $name:literal $explanation:literal;)*) => {
        /// What operators do with the line.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Operation { $(#[doc = $explanation] $operation,)* }

        impl Operation {
            /// Every operation, in the order in which they are listed.
            pub const ALL: &'static [Self] = &[$(Self::$operation,)*];

            /// Its name: "stop-feed".
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self { $(Self::$operation => $name,)* }
            }

            /// What it does, in one line.
            #[must_use]
            pub const fn explanation(self) -> &'static str {
                match self { $(Self::$operation => $explanation,)* }
            }
        }
    };
}

operations! {
    Run "run" "everything on; the cutter starts as soon as oven and fryer are hot";
    StopFeed "stop-feed" "the cutter stops and the gap rolls down the line; everything else runs on";
    Hold "hold" "no feed; the fryer is set back to 160 degC, the oven stays hot";
    Stop "stop" "no feed, no heat; belts and oil pump stop ten minutes later, and all cools down";
    HeatUp "heat-up" "no feed; belts, oven and fryer on, setpoints ramped";
    BoilOut "boil-out" "water in the fryer, its setpoint at 95 degC; no feed, oven off";
    CookStop "cook-stop" "the cook house begins no further batch; what is in the kettles is finished";
    CookStart "cook-start" "the cook house goes on, whatever the line does";
}

/// There is no such operation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnknownOperation(pub String);

impl fmt::Display for UnknownOperation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let names = || Operation::ALL.iter().map(|operation| operation.name());
        let near = did_you_mean(nearest(&self.0, names()));
        let all: Vec<_> = names().collect();
        write!(f, "unknown operation \"{}\"{near}; operators can {}", self.0, all.join(", "))
    }
}

impl std::error::Error for UnknownOperation {}

impl fmt::Display for Operation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Operation {
    type Err = UnknownOperation;

    fn from_str(name: &str) -> Result<Self, UnknownOperation> {
        let found = Self::ALL.iter().copied().find(|operation| operation.name() == name);
        found.ok_or_else(|| UnknownOperation(name.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_operation_reads_back_its_name_and_others_are_told_the_nearest() {
        for operation in Operation::ALL {
            assert_eq!(operation.name().parse(), Ok(*operation));
        }
        let message = "stop-fed".parse::<Operation>().unwrap_err().to_string();
        assert_eq!(
            message,
            "unknown operation \"stop-fed\", nearest is \"stop-feed\"; operators can run, stop-feed, hold, stop, \
             heat-up, boil-out, cook-stop, cook-start"
        );
    }
}
