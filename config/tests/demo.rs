//! The shipped demo line: it loads, it says what the register list says, and it is its own reference.

use setward_config::load_demo;
use std::path::Path;

#[test]
fn the_demo_loads_with_no_problem_and_no_warning() {
    let loaded = load_demo().unwrap();
    assert!(loaded.warnings.is_empty(), "{}", loaded.warnings);
    assert_eq!(loaded.line.controllers.len(), 3);
    assert_eq!(loaded.line.signals.len(), 23);
    assert_eq!(loaded.line.alarms.len(), 8);
    assert_eq!(loaded.line.recipe().key, "blue-corn-rounds");
    assert!(loaded.line.simulated);
    assert_eq!(loaded.line.data_dir, Path::new(".setward"));
}
