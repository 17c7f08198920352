//! Two points, the lower one first.

use crate::problem::{At, Code};
use crate::quantity::{self, Quantity, short};
use crate::reader::Sink;
use setward_protocol::Unit;

/// Low and high under `key`, in `unit`; reported with `code` if they are not in order.
pub(crate) fn interval(
    key: &str,
    written: &At<(At<Quantity>, At<Quantity>)>,
    unit: Unit,
    code: Code,
    sink: &mut Sink,
) -> Option<(f64, f64)> {
    let (low, high) = &written.value;
    let low = sink.take(key, low.at, quantity::point(&low.value, unit));
    let high = sink.take(key, high.at, quantity::point(&high.value, unit));
    let (low, high) = (low?, high?);
    if low >= high {
        let message = format!("`{key}` runs from {} to {} {unit}", short(low), short(high));
        sink.report(code, written.at, message, "write the lower end first");
        return None;
    }
    Some((low, high))
}
