//! Dwell: how long product is on a belt of known effective length.
//!
//! Plug flow only: what enters together leaves together. Trays, drums and hoppers are not belts.

use setward_protocol::Uptime;

/// Speeds below this, m/s, count as standing still: a belt that hardly moves has no dwell worth showing.
pub const STANDSTILL_M_PER_S: f64 = 1e-4;

/// The dwell, s, of product that finds this speed all the way; `None` for a belt that stands still, runs backward, or
/// has no length.
#[must_use]
pub fn dwell_at_speed_s(effective_length_m: f64, speed_m_per_s: f64) -> Option<f64> {
    let usable = effective_length_m > 0.0 && speed_m_per_s > STANDSTILL_M_PER_S;
    let dwell_s = effective_length_m / speed_m_per_s;
    (usable && dwell_s.is_finite()).then_some(dwell_s)
}

/// The speed, m/s, of a belt whose panel shows its dwell, s, instead: a faster belt has a shorter dwell. `None` for a dwell
/// or a length that is not above zero.
#[must_use]
pub fn speed_of_dwell_m_per_s(effective_length_m: f64, dwell_s: f64) -> Option<f64> {
    let usable = effective_length_m > 0.0 && dwell_s > 0.0;
    let speed_m_per_s = effective_length_m / dwell_s;
    (usable && speed_m_per_s.is_finite()).then_some(speed_m_per_s)
}

/// When the product that leaves at `exit` entered: the moment from which the belt has moved `effective_length_m`.
///
/// `speeds` are measured speeds, m/s, in order of time, each holding until the next (and the last until `exit`).
/// `None` if they do not reach back far enough, or are not in order, or a speed is negative or not finite: a window is
/// then unknown, never guessed.
#[must_use]
pub fn entered_at(speeds: &[(Uptime, f64)], exit: Uptime, effective_length_m: f64) -> Option<Uptime> {
    if !(effective_length_m > 0.0 && effective_length_m.is_finite()) {
        return None;
    }
    let mut left_m = effective_length_m;
    let mut until = exit;
    for &(from, speed_m_per_s) in speeds.iter().rev().skip_while(|(from, _)| *from >= exit) {
        if !(speed_m_per_s >= 0.0 && speed_m_per_s.is_finite()) || from > until {
            return None;
        }
        let moved_m = speed_m_per_s * until.seconds_since(from);
        if moved_m >= left_m {
            let back_s = left_m / speed_m_per_s;
            return Some(from.plus_seconds(until.seconds_since(from) - back_s));
        }
        left_m -= moved_m;
        until = from;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Uptime {
        Uptime::from_secs_f64(seconds)
    }

    /// Twelve metres of oven at 0.75 m/s, 3.3 m of fryer at 3.6 m/min: the demo line's recipe sheet.
    #[test]
    fn the_recipes_dwells() {
        assert_eq!(dwell_at_speed_s(12.0, 0.75), Some(16.0));
        assert!((dwell_at_speed_s(3.3, 3.6 / 60.0).unwrap() - 55.0).abs() < 1e-9);
    }

    #[test]
    fn a_panel_that_shows_seconds_tells_the_speed() {
        assert_eq!(speed_of_dwell_m_per_s(12.0, 16.0), Some(0.75));
        let back = speed_of_dwell_m_per_s(3.3, dwell_at_speed_s(3.3, 0.06).unwrap()).unwrap();
        assert!((back - 0.06).abs() < 1e-12);
        let none = [(12.0, 0.0), (0.0, 16.0), (12.0, -1.0), (12.0, f64::NAN), (f64::INFINITY, 1.0)];
        assert!(none.iter().all(|(length_m, dwell_s)| speed_of_dwell_m_per_s(*length_m, *dwell_s).is_none()));
    }

    #[test]
    fn a_belt_that_stands_still_has_no_dwell() {
        assert_eq!(dwell_at_speed_s(12.0, 0.0), None);
        assert_eq!(dwell_at_speed_s(12.0, -1.0), None);
        assert_eq!(dwell_at_speed_s(0.0, 1.0), None);
        assert_eq!(dwell_at_speed_s(12.0, f64::NAN), None);
    }

    /// Half a metre a second until 100 s, then 0.4: what leaves 12 m at 110 s entered at 84.0 s (worked by hand:
    /// 10 s at 0.4 is 4 m, the other 8 m took 16 s at 0.5).
    #[test]
    fn a_slowing_belt_is_traced_back() {
        let speeds = [(at(0.0), 0.5), (at(100.0), 0.4), (at(200.0), 9.0)];
        let entered = entered_at(&speeds, at(110.0), 12.0).unwrap();
        assert!((entered.as_secs_f64() - 84.0).abs() < 1e-6, "{entered}");
    }

    #[test]
    fn a_stop_lengthens_the_dwell_by_its_length() {
        let speeds = [(at(0.0), 0.5), (at(90.0), 0.0), (at(120.0), 0.5)];
        let entered = entered_at(&speeds, at(130.0), 10.0).unwrap();
        assert!((entered.as_secs_f64() - 80.0).abs() < 1e-6, "{entered}");
    }

    #[test]
    fn speeds_that_do_not_reach_back_give_no_answer() {
        assert_eq!(entered_at(&[(at(100.0), 0.5)], at(110.0), 12.0), None);
        assert_eq!(entered_at(&[], at(110.0), 12.0), None);
        assert_eq!(entered_at(&[(at(0.0), f64::NAN)], at(110.0), 12.0), None);
        assert_eq!(entered_at(&[(at(0.0), -0.5)], at(110.0), 12.0), None);
        assert_eq!(entered_at(&[(at(0.0), 0.5)], at(110.0), -1.0), None);
    }
}
