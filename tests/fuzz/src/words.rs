//! Messages about alarms: whatever stands in the files, and whatever name somebody types.

use crate::doors::{Ran, demo_line};
use setward::fuzzing::told;

/// The names of the line are any text, parted by zero bytes: one line of visible characters leaves, and a mail with it.
pub(crate) fn messages(bytes: &[u8]) {
    let [kind, alarm, rest @ ..] = bytes else { return };
    let text = String::from_utf8_lossy(rest);
    let mut parts = text.split('\0');
    let mut next = || parts.next().unwrap_or_default().to_owned();
    let mut line = demo_line();
    let by = next();
    (line.name, line.plant) = (next(), next());
    let index = usize::from(*alarm) % line.alarms.len();
    let record = &mut line.alarms[index];
    (record.name, record.consequence) = (next(), next());
    record.response_now = vec![next()];
    let told = Ran::with(|ran| told(&line, &ran.snapshot, index, *kind, &by));
    assert!(told.line.chars().count() <= 120, "too long: {:?}", told.line);
    assert!(!told.line.chars().any(char::is_control), "control characters: {:?}", told.line);
    assert!(told.body.starts_with(&told.line), "the body does not begin with the line");
    assert!(!told.body.chars().any(|letter| letter.is_control() && letter != '\n'), "{:?}", told.body);
    let mail = told.mail.unwrap_or_else(|| panic!("no mail of {:?}", told.line));
    let end = mail.windows(4).position(|four| four == b"\r\n\r\n").unwrap_or(mail.len());
    let head = String::from_utf8_lossy(&mail[..end]).into_owned();
    let fields = head.split("\r\n").filter(|line| !line.starts_with([' ', '\t']));
    let names: Vec<&str> = fields.map(|field| field.split(':').next().unwrap_or_default()).collect();
    let usual = [
        "From",
        "To",
        "Subject",
        "Date",
        "Message-ID",
        "Auto-Submitted",
        "Content-Type",
        "MIME-Version",
        "Content-Transfer-Encoding",
    ];
    assert!(names.iter().all(|name| usual.contains(name)), "a field that is not ours: {names:?}");
}
