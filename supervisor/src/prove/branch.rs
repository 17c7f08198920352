//! The ways in which an alarm's settings let it raise: above and below, too little and too much, one code and another. Each has
//! to be shown. One that was never seen to raise may be set so that it can't, and the others do not tell.

use setward_alarm::{Kind, Side};
use setward_config::line::LineAlarm;

/// One of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Branch {
    /// There is this one only.
    Whole,
    /// The value lies on this side of what it is held against.
    Side(Side),
    /// The batch got less than the least.
    TooLittle,
    /// The batch got more than the most.
    TooMuch,
    /// The status is this code.
    Code(i64),
    /// The mean is beyond.
    Mean,
    /// A single value is beyond the ceiling.
    Ceiling,
}

/// Both sides.
pub const SIDES: [Branch; 2] = [Branch::Side(Side::Above), Branch::Side(Side::Below)];

impl Branch {
    /// Those that the settings of an alarm declare; at least one.
    #[must_use]
    pub fn of(alarm: &LineAlarm) -> Vec<Self> {
        let declared = match &alarm.settings.kind {
            Kind::Deviation(own) if own.side.is_none() => SIDES.to_vec(),
            Kind::Discrepancy(_) | Kind::Drift(_) => SIDES.to_vec(),
            Kind::EquivalentTime(own) if own.least.is_some() && own.most.is_some() => {
                vec![Self::TooLittle, Self::TooMuch]
            }
            Kind::MovingAverage(own) if own.ceiling.is_some() => vec![Self::Mean, Self::Ceiling],
            Kind::Status(own) => {
                let mut codes = own.is.as_slice().to_vec();
                codes.sort_unstable();
                codes.dedup();
                codes.into_iter().map(Self::Code).collect()
            }
            Kind::Deviation(_)
            | Kind::EquivalentTime(_)
            | Kind::MovingAverage(_)
            | Kind::Limit(_)
            | Kind::TimeWeighted(_)
            | Kind::Rate(_)
            | Kind::Measurement(_)
            | Kind::Communication(_)
            | Kind::Forwarding(_) => Vec::new(),
        };
        if declared.len() > 1 { declared } else { vec![Self::Whole] }
    }

    /// This one, if it is among those that were declared.
    #[must_use]
    pub fn among(self, declared: &[Self]) -> Option<Self> {
        Some(self).filter(|own| declared.contains(own))
    }

    /// In words.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Whole => "all of it".to_owned(),
            Self::Side(Side::Above) => "above".to_owned(),
            Self::Side(Side::Below) => "below".to_owned(),
            Self::TooLittle => "too little".to_owned(),
            Self::TooMuch => "too much".to_owned(),
            Self::Code(code) => format!("code {code}"),
            Self::Mean => "the mean".to_owned(),
            Self::Ceiling => "the ceiling".to_owned(),
        }
    }
}
