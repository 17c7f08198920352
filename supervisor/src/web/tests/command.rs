//! `setward alarms` against the real server.

use super::streams::server;
use super::support::snapshot;
use crate::cli::Exit;
use crate::cli::alarms::{Answers, alarms};
use crate::cli::ask::Daemon;
use crate::cli::wish::WishArguments;
use setward_alarm::AlarmState;
use std::sync::Arc;

#[tokio::test]
async fn the_exit_code_says_whether_an_alarm_is_present() {
    let server = server().await;
    let daemon = || Some(Daemon::of_url(&format!("http://{}", server.address)).unwrap());
    assert_eq!(alarms(None, daemon(), &WishArguments::default(), true).await, Exit::AlarmPresent);
    let mut calm = snapshot();
    for alarm in &mut calm.alarms {
        alarm.state = AlarmState::Normal;
    }
    server.stage.publish.send_replace(Arc::new(calm));
    assert_eq!(alarms(None, daemon(), &WishArguments::default(), false).await, Exit::Ok);
    assert_eq!(
        alarms(None, Daemon::of_url("http://127.0.0.1:1").ok(), &WishArguments::default(), false).await,
        Exit::Unreachable
    );
}

#[tokio::test]
async fn the_table_fits_eighty_columns_and_says_the_most_urgent_first() {
    let server = server().await;
    let answers = Answers::of(&Daemon::of_url(&format!("http://{}", server.address)).unwrap()).await.unwrap();
    let table = answers.table(false);
    let widest = table.lines().map(|line| line.chars().count()).max().unwrap();
    assert!(widest <= 80, "{widest}: {table}");
    let (flow, outlet) = (table.find("Fryer oil flow low"), table.find("Fryer oil outlet too cold"));
    assert!(flow.unwrap() < outlet.unwrap(), "{table}");
    for words in [
        "Line 1 (simulated) at 25 03:10:22: 3 alarms, 2 not acknowledged",
        "2 alarms are blind",
        "FT-320 37.2 m\u{b3}/h, below limit 38.0 m\u{b3}/h",
        "MEDIUM NEW  25 03:08:30  Fryer oil outlet too cold",
    ] {
        assert!(table.contains(words), "missing {words}\n{table}");
    }
    assert!(!table.contains('\u{1b}') && answers.table(true).contains('\u{1b}'));
    let json: serde_json::Value = serde_json::from_str(&answers.json()).unwrap();
    assert_eq!(
        (json["schema_version"].as_u64(), json["alarms"].as_array().map(Vec::len)),
        (Some(1), Some(3))
    );
}
