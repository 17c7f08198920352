//! The task over a receiver that refuses one message and takes the rest.

use super::*;

/// Refuses whatever is called `key`; each try is logged with its second.
fn refusing(clock: Clock, log: &Log, key: String) -> MockDeliver {
    let log = Arc::clone(log);
    let mut mock = MockDeliver::new();
    mock.expect_deliver().returning(move |message| {
        log.lock().unwrap().push((clock.uptime().as_nanos() / 1_000_000_000, message.clone()));
        if message.key == key {
            return Err(SendError::Refused("it answers 409".to_owned()));
        }
        Ok(Receipt::default())
    });
    mock
}

#[tokio::test(start_paused = true)]
async fn a_message_that_is_refused_keeps_back_no_alarm_that_would_be_taken() {
    let log = Log::default();
    let clock = Clock::starting_at(START);
    let mut bench = Bench::new(vec![("pager", refusing(clock, &log, "1-1-pager".to_owned()))]).await;
    assert_eq!(bench.run, RunId(1));
    bench.happens(ALARMS[1], "raised", 1).await;
    pass(60).await;
    bench.happens(ALARMS[0], "raised", 1).await;
    pass(180).await;
    assert_eq!(bench.notifier.outlook().statuses[0].now().sent, 1, "the second within three minutes");
    pass(900).await;
    bench.happens(ALARMS[0], "cleared", 1).await;
    pass(900).await;
    let tries = log.lock().unwrap().clone();
    let refused: Vec<_> = tries.iter().filter(|(_, one)| one.key == "1-1-pager").map(|(at, _)| *at).collect();
    assert!(refused.windows(2).all(|two| (48..=135).contains(&(two[1] - two[0]))), "{refused:?}");
    assert_eq!(tries.len(), refused.len() + 2, "the alarm and its end, once each");
    let status = bench.notifier.outlook().statuses[0].now();
    assert!(status.is_broken && status.problem.unwrap().contains("409"), "pages say that one waits");
    assert_eq!(bench.told(), ["channel lost", "channel back"], "said once, not with each message");
}
