//! 4 to 20 mA, with the bands of NAMUR NE 43 as common practice: measuring from 3.8 to 20.5 mA, a fault at 3.6 mA and
//! below or 21 mA and above. Between them nothing is said: neither a value nor a fault (the state before is kept:
//! engineering judgement).

use super::{OutOfRange, within};

const MEASURING_MA: (f64, f64) = (3.8, 20.5);
const FAULT_MA: (f64, f64) = (3.6, 21.0);

/// A transmitter's range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurrentLoop {
    low: f64,
    high: f64,
}

/// What a current says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Current {
    /// A value, in the range's unit: up to 1.25 % of the span below it and 3.1 % above.
    Value(f64),
    /// Neither a value nor a fault: what was said before holds.
    Undefined,
    /// The transmitter says that the sensor failed, or the wire is broken.
    FaultLow,
    /// The transmitter says that the sensor failed, or the wire is shorted.
    FaultHigh,
}

impl CurrentLoop {
    /// What 4 mA and 20 mA stand for. `None` if they are the same or no numbers; `high` below `low` is a reversed range.
    #[must_use]
    pub fn new(low: f64, high: f64) -> Option<Self> {
        let usable = low.is_finite() && high.is_finite() && low != high;
        usable.then_some(Self { low, high })
    }

    /// What a current, mA, says. Not a number is a fault.
    #[must_use]
    pub fn read(self, milliamperes: f64) -> Current {
        if milliamperes >= FAULT_MA.1 {
            Current::FaultHigh
        } else if (MEASURING_MA.0..=MEASURING_MA.1).contains(&milliamperes) {
            Current::Value(self.low + (milliamperes - 4.0) / 16.0 * (self.high - self.low))
        } else if milliamperes > FAULT_MA.0 {
            Current::Undefined
        } else {
            Current::FaultLow
        }
    }

    /// The current, mA, that a value needs: what to set on a calibrator.
    ///
    /// # Errors
    /// Outside what may be measured, 3.8 to 20.5 mA.
    pub fn milliamperes(self, value: f64) -> Result<f64, OutOfRange> {
        within(4.0 + (value - self.low) / (self.high - self.low) * 16.0, MEASURING_MA, "mA")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 0 to 300 degC: 12 mA is 150, 13.6 is 180, 20.5 is 309.4, 3.8 is -3.75 (by hand).
    #[test]
    fn a_current_is_a_share_of_the_range() {
        let range = CurrentLoop::new(0.0, 300.0).unwrap();
        for (milliamperes, degc) in
            [(4.0, 0.0), (12.0, 150.0), (13.6, 180.0), (20.0, 300.0), (20.5, 309.375), (3.8, -3.75)]
        {
            let Current::Value(found) = range.read(milliamperes) else {
                panic!("{milliamperes} mA measures")
            };
            assert!((found - degc).abs() < 1e-9, "{found} {degc}");
            assert!((range.milliamperes(degc).unwrap() - milliamperes).abs() < 1e-9);
        }
        let reversed = CurrentLoop::new(300.0, 0.0).unwrap();
        assert_eq!(reversed.read(4.0), Current::Value(300.0));
    }

    /// A fault current is never a temperature: 3.6 mA would read -7.5 degC.
    #[test]
    fn fault_currents_are_no_values() {
        let range = CurrentLoop::new(0.0, 300.0).unwrap();
        for fault in [3.6, 3.5, 0.0, -1.0, f64::NAN, f64::NEG_INFINITY] {
            assert_eq!(range.read(fault), Current::FaultLow, "{fault}");
        }
        for fault in [21.0, 22.5, f64::INFINITY] {
            assert_eq!(range.read(fault), Current::FaultHigh, "{fault}");
        }
        for between in [3.61, 3.79, 20.51, 20.99] {
            assert_eq!(range.read(between), Current::Undefined, "{between}");
        }
    }

    #[test]
    fn what_a_calibrator_cannot_mean_is_refused() {
        let range = CurrentLoop::new(0.0, 300.0).unwrap();
        assert!(range.milliamperes(400.0).is_err() && range.milliamperes(f64::NAN).is_err());
        assert_eq!((CurrentLoop::new(1.0, 1.0), CurrentLoop::new(f64::NAN, 1.0)), (None, None));
    }
}
