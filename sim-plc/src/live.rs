//! What is typed into a running simulator: a fault begins or ends, operators do something, and what is at work is told.

use crate::fault::Fault;
use crate::operation::Operation;
use crate::simulator::Simulator;

/// What may be typed.
pub const FORMS: &str = "`begins FAULT`, `ends FAULT`, `operators OPERATION` or `at work`";

/// Does what a line asks, at once; gives what to tell about it, and nothing for an empty line.
///
/// # Errors
/// What was found and what is accepted; nothing has changed then.
pub fn obey(simulator: &Simulator, line: &str) -> Result<Option<String>, String> {
    let words: Vec<&str> = line.split('#').next().unwrap_or_default().split_whitespace().collect();
    match words.as_slice() {
        [] => Ok(None),
        ["begins", fault @ ..] => begin(simulator, &fault.join(" ")).map(Some),
        ["ends", fault @ ..] => end(simulator, &fault.join(" ")).map(Some),
        ["operators", operation] => {
            let operation: Operation = operation.parse().map_err(|error| format!("{error}"))?;
            simulator.operate(operation);
            Ok(Some(format!("operators: {operation}")))
        }
        ["at", "work"] => Ok(Some(at_work(simulator))),
        other => Err(format!("\"{}\" says nothing to do; type {FORMS}", other.join(" "))),
    }
}

fn begin(simulator: &Simulator, text: &str) -> Result<String, String> {
    let fault: Fault = text.parse().map_err(|error| format!("{error}"))?;
    let told = format!("begun: {fault}");
    simulator.inject(fault).map_err(|error| format!("{error}"))?;
    Ok(told)
}

/// As it was begun, or by its name alone, or by name and what it is about.
fn end(simulator: &Simulator, text: &str) -> Result<String, String> {
    let name = match text.parse::<Fault>() {
        Ok(fault) => {
            [Some(fault.kind().name()), fault.subject()].into_iter().flatten().collect::<Vec<_>>().join(" ")
        }
        Err(_) => text.to_owned(),
    };
    let before = simulator.active_faults();
    simulator.clear(&name).map_err(|error| format!("{error}"))?;
    let after = simulator.active_faults();
    let ended: Vec<String> = before.into_iter().filter(|one| !after.contains(one)).collect();
    if ended.is_empty() {
        return Err(format!("\"{text}\" is not at work; {}", at_work(simulator)));
    }
    Ok(format!("ended: {}", ended.join(", ")))
}

fn at_work(simulator: &Simulator) -> String {
    let faults = simulator.active_faults();
    let faults = if faults.is_empty() { "no fault".to_owned() } else { faults.join(", ") };
    format!("at work: {faults}; operators: {}", simulator.doing())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn demo() -> Simulator {
        Simulator::new(&setward_config::load_demo().unwrap().line, 1)
    }

    #[test]
    fn what_is_typed_begins_and_ends_faults_and_operations() {
        let simulator = demo();
        let typed = |line: &str| obey(&simulator, line).unwrap();
        assert_eq!(typed("  # a remark"), None);
        assert_eq!(typed("begins heat-low").as_deref(), Some("begun: heat-low 6"));
        assert_eq!(typed("begins sensor-break TT-310 # now").as_deref(), Some("begun: sensor-break TT-310"));
        assert_eq!(typed("operators stop-feed").as_deref(), Some("operators: stop-feed"));
        let at_work = "at work: heat-low 6, sensor-break TT-310; operators: stop-feed";
        assert_eq!(typed("at work").as_deref(), Some(at_work));
        assert_eq!(typed("ends heat-low 6").as_deref(), Some("ended: heat-low 6"));
        assert_eq!(typed("ends sensor-break").as_deref(), Some("ended: sensor-break TT-310"));
        assert_eq!(typed("at work").as_deref(), Some("at work: no fault; operators: stop-feed"));
    }

    #[test]
    fn what_makes_no_sense_is_refused_with_what_is_accepted_and_changes_nothing() {
        let simulator = demo();
        let refused = |line: &str| obey(&simulator, line).unwrap_err();
        assert_eq!(refused("heat-low"), format!("\"heat-low\" says nothing to do; type {FORMS}"));
        assert!(refused("begins heat-lo").contains("nearest is \"heat-low\""));
        assert!(refused("begins stuck TT-31").contains("nearest is \"TT-310\""));
        assert!(refused("operators dance").contains("dance"));
        assert!(refused("ends heat-low").contains("\"heat-low\" is not at work; at work: no fault"));
        assert!(simulator.active_faults().is_empty());
    }
}
