//! The line that is shipped: what it holds against its recipe stays there, and the demo's script fits it.

use super::line::pass;
use crate::{Scenario, Simulator};
use setward_config::line::Line;

fn demo_line() -> Line {
    setward_config::load_demo().unwrap().line
}

#[test]
fn a_quiet_hour_of_the_demo_line_stays_inside_every_tolerance() {
    let line = demo_line();
    let simulator = Simulator::new(&line, 1);
    assert!(!line.recipe().setpoints.is_empty());
    for second in 0..3600 {
        for held in &line.recipe().setpoints {
            let signal = line.signal(held.signal);
            let Some(value) = simulator.shown(&signal.tag) else { panic!("{} shows no value", signal.tag) };
            let (low, high) = (
                held.target.setpoint - held.target.tolerance_below,
                held.target.setpoint + held.target.tolerance_above,
            );
            assert!((low..=high).contains(&value), "{} is {value} after {second} s", signal.tag);
        }
        pass(&simulator, 1);
    }
}

#[test]
fn every_signal_of_the_demo_line_has_a_value_from_the_start() {
    let line = demo_line();
    let simulator = Simulator::new(&line, 1);
    for _ in 0..60 {
        for signal in &line.signals {
            assert!(simulator.shown(&signal.tag).is_some(), "{}", signal.tag);
        }
        pass(&simulator, 1);
    }
}

#[test]
fn the_demo_script_fits_the_demo_line() {
    Simulator::new(&demo_line(), 1).check_scenario(&Scenario::demo()).unwrap();
}
