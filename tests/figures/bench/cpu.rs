//! Processor time of this thread, from the kernel's scheduler: ns, without the steps of a clock tick.

use std::time::Duration;

/// What this thread has used so far. The whole program runs on one thread but for what a part starts itself.
pub(crate) fn used() -> Duration {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap();
    Duration::from_nanos(text.split_whitespace().next().unwrap().parse().unwrap())
}
