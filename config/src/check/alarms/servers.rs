//! The automatic alarm of each server that history is sent to.

use crate::line::{AlarmClass, LineAlarm, Priority, Server};
use setward_alarm::{AlarmSettings, ForwardingSettings, Kind, ServerId, Watched};
use setward_protocol::ModeSet;
use std::time::Duration;

/// How long there is to act: what waits is kept for as long as history is.
const SERVER_TIME: Duration = Duration::from_secs(8 * 3600);
/// How often something is heard of a server that is well.
const HEARD_EVERY: Duration = Duration::from_secs(5);

/// One alarm a server.
pub(super) fn check(servers: &[Server]) -> impl Iterator<Item = Option<LineAlarm>> {
    (0..=u8::MAX).map(ServerId).zip(servers).map(|(id, server)| Some(forwarding(id, server)))
}

fn forwarding(id: ServerId, server: &Server) -> LineAlarm {
    let settings = AlarmSettings {
        watches: Watched::Server(id),
        kind: Kind::Forwarding(ForwardingSettings { behind_most: server.behind_most }),
        latching: false,
        poll_every: HEARD_EVERY,
        gap_limit: HEARD_EVERY * 3,
        station: None,
        controller: None,
        modes: ModeSet::ALL,
        settle: Duration::ZERO,
        realarm_after: None,
        hides_for: None,
        shelve_most: None,
        group: None,
        in_a_row: None,
    };
    let texts = |lines: &[&str]| lines.iter().map(|line| (*line).to_owned()).collect();
    LineAlarm {
        id: format!("server.{}", server.name),
        name: format!("Server {} lacks readings", server.name),
        settings,
        when: Vec::new(),
        only_after: None,
        hides: Vec::new(),
        batch: Vec::new(),
        band: None,
        priority: Priority::Low,
        class: Some(AlarmClass::Instrument),
        causes: texts(&[
            "Server down or being serviced",
            "Network between this machine and the server",
            "Token, organization or bucket no longer accepted",
            "Server too slow for what this line sends",
        ]),
        consequence: "Reports and screens that read the server lack what this line measured. Alarms here go on; readings are \
                      kept here and sent later, for as long as history is kept."
            .to_owned(),
        response_now: texts(&["Nothing on the line: its alarms and pages do not need the server.", "Tell maintenance."]),
        response_next: vec![
            "Read on the page Line what the server says, and how much waits.".to_owned(),
            format!("Check that {} can be reached from this machine, and that it takes other writers' readings.", server.url),
            "Where the token was changed, put the new one into its file: it is read again by itself.".to_owned(),
            "If rows were lost, take them from a backup: `setward export` writes them out.".to_owned(),
        ],
        time_to_respond: SERVER_TIME,
        independent_device: None,
    }
}
