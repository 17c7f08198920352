//! Reports as text, page and JSON.

use super::super::verdict::tests::{good, judged, line};
use super::*;

#[test]
fn text_and_page_carry_cautions_configuration_counts_and_each_verdict() {
    let line = line();
    let proven = judged(&good()).unwrap();
    let verdicts = [
        Verdict::Proven(proven.clone()),
        Verdict::NotProvoked { why: vec!["<its> range ends there".to_owned()] },
        Verdict::Failed { how: "flow-low 30".to_owned(), why: "it could not be acknowledged".to_owned() },
    ];
    let alarm = line.alarm_by_id("oil-flow-low").unwrap();
    let proofs = verdicts.into_iter().map(|verdict| Proof::new(&line, alarm, verdict)).collect();
    let report = Report::new(&line, "2026-11-26T02:00:00Z".to_owned(), 7, proofs);
    let (text, page) = (report.text(), report.html());
    for words in
        ["not a safety function", "relight", "seed 7", &line.fingerprint, "2026-11-26T02:00:00Z", "FAILED"]
    {
        assert!(text.contains(words) && page.contains(words), "{words}");
    }
    assert!(
        text.contains("3; proven by physics 1 (33 %), by injection 0, not provoked 1, failed 1"),
        "{text}"
    );
    assert!(page.contains("&lt;its&gt; range") && !page.contains("<script"), "{page}");
    let json = serde_json::to_value(&report).unwrap();
    assert_eq!(json["schema_version"], 1);
    assert_eq!(json["alarms"][0]["verdict"], "proven");
    assert_eq!(json["alarms"][1]["verdict"], "not-provoked");
    assert_eq!(json["configured"]["failed"], 1);
}

/// What was shown and what was not are both told, and such an alarm counts as neither proven nor failed.
#[test]
fn what_was_shown_in_part_is_told_part_by_part() {
    let line = line();
    let above = Proven { branch: Some("above".to_owned()), ..judged(&good()).unwrap() };
    let below = Proven {
        branch: Some("below".to_owned()),
        by: "injection",
        how: "shows FT-320 20".to_owned(),
        ..above.clone()
    };
    let left = vec![Left {
        branch: "below".to_owned(),
        why: vec!["flow-low 1: its <condition> did not come about".to_owned()],
    }];
    let verdicts = [
        Verdict::Proven(Proven { also: vec![below], ..above.clone() }),
        Verdict::PartlyProven(PartlyProven { proven: above, left }),
    ];
    let alarm = line.alarm_by_id("oil-flow-low").unwrap();
    let proofs = verdicts.into_iter().map(|verdict| Proof::new(&line, alarm, verdict)).collect();
    let report =
        Report::new(&line, String::new(), 7, proofs).leaving_out(vec!["forwarding.archive".to_owned()]);
    let (text, page) = (report.text(), report.html());
    assert!(
        text.contains("2; proven by physics 0 (0 %), by injection 1, in part 1, not provoked 0, failed 0"),
        "{text}"
    );
    for words in [
        "proven by physics and injection",
        "      above: flow-low 30",
        "      below: shows FT-320 20",
        "proven above only, by physics",
        "      below: could not be provoked\n        flow-low 1: its <condition>",
        "Left out, because nothing of a proof is sent anywhere: forwarding.archive",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    for words in ["Proven by physics and injection", "Proven above only, by physics", "forwarding.archive"] {
        assert!(page.contains(words), "{words}: {page}");
    }
    let json = serde_json::to_value(&report).unwrap();
    assert_eq!(
        (&json["alarms"][0]["branch"], &json["alarms"][0]["also"][0]["branch"]),
        (&"above".into(), &"below".into())
    );
    assert_eq!(
        (&json["alarms"][1]["verdict"], &json["alarms"][1]["by"]),
        (&"partly-proven".into(), &"physics".into())
    );
    assert_eq!(json["alarms"][1]["left"][0]["branch"], "below");
    assert_eq!(
        (&json["configured"]["partly"], &json["left_out"][0]),
        (&1.into(), &"forwarding.archive".into())
    );
    assert!(!report.has_failed());
}
