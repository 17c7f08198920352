//! What came of a proof: a verdict for each alarm, and what the whole was made of.

use super::plan::{Candidate, WARM_UP_S, Way};
use super::trial::Seen;
use serde::Serialize;
use setward_alarm::{AlarmId, Kind, Watched};
use setward_config::line::{Line, LineAlarm};

/// What is printed on every report: what this proof is not.
pub const CAUTIONS: [&str; 7] = [
    "Monitoring only: not a safety function, high limit, burner management or interlock, and no credit in a risk assessment. \
     Losing Setward changes nothing on the plant.",
    "This proof was made on a simulated plant. It shows that settings, register map and program do what the files say, not that \
     the plant's instruments are wired and calibrated: prove those on site.",
    "Hot oil burns and ignites. The fryer needs an independent high limit with manual reset on a probe of its own, and proven \
     flow and level. Never pour water on oil. Turn the heat off before the pump, and let the pump run until the oil is cool.",
    "Fuel gas: never relight from a screen. Purge and burner safeguards belong to the approved burner controller.",
    "Corn and masa flour dust explodes: keep it off hot surfaces and away from gear that is not rated for it.",
    "Kettles, soak tanks, hoppers and the fryer are confined spaces, with burns, engulfment and caustic lime. \u{201c}Stopped\u{201d} on a screen \
     is not isolated: lock out, tag out, verify zero energy.",
    "Nip points of mill, sheeter, cutter and drum need their guards. Lime hurts eyes and skin. Local codes, licensed practice \
     and the plant's own procedures come before this text.",
];

/// What came of one alarm.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "verdict")]
pub enum Verdict {
    /// It raised in time, was acknowledged, and cleared.
    Proven(Proven),
    /// Nothing that could be done raised it.
    NotProvoked {
        /// What was tried, and what came of each.
        why: Vec<String>,
    },
    /// It did not do what its settings say.
    Failed {
        /// What was done.
        how: String,
        /// What was wrong.
        why: String,
        /// It may be the simulated plant that did not come back.
        #[serde(skip)]
        may_be_the_plant: bool,
    },
}

/// How an alarm was proven. Times are s after the last step of the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proven {
    /// By physics or by injection.
    pub by: &'static str,
    /// What was done.
    pub how: String,
    /// When it raised.
    pub raised_after_s: f64,
    /// From when on it was expected by its settings and the values seen.
    pub expected_from_s: f64,
    /// By when it was expected; `None` where settings and values alone do not tell.
    pub expected_by_s: Option<f64>,
    /// By how much it might differ from that, s: values are looked at each second, and a poll may be missed.
    pub allowance_s: f64,
    /// How long its trouble had lasted when it raised, s.
    pub trouble_s: Option<f64>,
    /// Its place among the alarms of its group; `None` without a group.
    pub first_out: Option<String>,
    /// When it was back to normal, s after the faults ended; negative if it was before.
    pub cleared_after_s: f64,
}

/// One alarm and its verdict.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proof {
    /// Its id in the files.
    pub alarm: String,
    /// Its name for people.
    pub name: String,
    /// Its kind, as in the files.
    pub kind: &'static str,
    /// What it watches: a tag or a controller.
    pub watches: String,
    /// Nobody wrote it: there is one for each signal or controller.
    pub automatic: bool,
    /// What came of it.
    #[serde(flatten)]
    pub verdict: Verdict,
}

/// Alarms by verdict.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Counts {
    /// Alarms.
    pub alarms: usize,
    /// Proven by physics.
    pub by_physics: usize,
    /// Proven by injection.
    pub by_injection: usize,
    /// Could not be provoked.
    pub not_provoked: usize,
    /// Failed.
    pub failed: usize,
}

/// A commissioning report.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// Version of this object.
    pub schema_version: u32,
    /// The line.
    pub line: String,
    /// The plant.
    pub plant: String,
    /// When it was made, RFC 3339 in UTC.
    pub made_utc: String,
    /// SHA-256 of all the folder's files.
    pub configuration_sha256: String,
    /// Version of this program, supervisor and simulator alike.
    pub setward_version: &'static str,
    /// Seed of the simulator.
    pub seed: u64,
    /// What this proof is not.
    pub cautions: [&'static str; 7],
    /// The alarms that somebody wrote.
    pub configured: Counts,
    /// The alarms that there are by themselves.
    pub automatic: Counts,
    /// Each alarm.
    pub alarms: Vec<Proof>,
}

impl Verdict {
    /// What follows from what was seen.
    ///
    /// # Errors
    /// When the plan came to nothing: why, in words.
    pub fn of(line: &Line, alarm: AlarmId, candidate: &Candidate, seen: &Seen) -> Result<Self, String> {
        let failed = |why: String, may_be_the_plant| {
            Ok(Self::Failed { how: candidate.words(), why, may_be_the_plant })
        };
        if let Some(refused) = &seen.refused {
            return Err(refused.clone());
        }
        let Some(raised_s) = seen.raised_s else { return not_raised(candidate, seen) };
        if raised_s < WARM_UP_S as f64 && !candidate.steps.is_empty() {
            return Err("it stands already before anything is done".to_owned());
        }
        let late_s = lateness_s(line.alarm(alarm), raised_s - seen.onset_s.unwrap_or(raised_s));
        let Some(may_s) = seen.may_s.filter(|may_s| raised_s >= may_s - late_s) else {
            let trouble_s = raised_s - seen.onset_s.unwrap_or(raised_s);
            return failed(
                format!("it raised after {trouble_s:.1} s of its trouble, earlier than its settings allow"),
                false,
            );
        };
        if let Some(must_s) = seen.must_s.filter(|must_s| raised_s > must_s + late_s) {
            return failed(
                format!("it raised {:.1} s later than its settings say", raised_s - must_s),
                false,
            );
        }
        if !seen.acknowledged {
            return failed("it could not be acknowledged, once and once more".to_owned(), false);
        }
        let Some(cleared_s) = seen.cleared_s else {
            return failed(
                "it raised, and did not clear within twenty hours of the faults' end".to_owned(),
                true,
            );
        };
        Ok(Self::Proven(Proven {
            by: candidate.way.name(),
            how: candidate.words(),
            raised_after_s: raised_s - seen.begun_s,
            expected_from_s: may_s - seen.begun_s,
            expected_by_s: seen.must_s.map(|must_s| must_s - seen.begun_s),
            allowance_s: late_s,
            trouble_s: seen.onset_s.map(|onset_s| raised_s - onset_s),
            first_out: first_out(line, alarm, seen),
            cleared_after_s: cleared_s - seen.ended_s,
        }))
    }

    /// The word for it in reports.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Proven(_) => "proven",
            Self::NotProvoked { .. } => "not provoked",
            Self::Failed { .. } => "FAILED",
        }
    }
}

fn not_raised(candidate: &Candidate, seen: &Seen) -> Result<Verdict, String> {
    if let Some(must_s) = seen.must_s {
        let after_s = must_s - seen.begun_s;
        let why = format!("it should have raised {after_s:.0} s after that, and did not");
        return Ok(Verdict::Failed { how: candidate.words(), why, may_be_the_plant: false });
    }
    let silent = seen.silent.as_deref();
    Err(match (seen.raised_silently, silent) {
        (true, Some(silent)) => format!("it raised without calling anybody: {silent}"),
        (true, None) => "it raised without calling anybody".to_owned(),
        (false, Some(silent)) => format!("it could not speak: {silent}"),
        (false, None) => format!("its condition did not come about within {} min", candidate.bound_s / 60),
    })
}

/// By how much a raise may differ from the reckoning, s: polls that are not looked at, and the seconds between looks.
fn lateness_s(alarm: &LineAlarm, trouble_s: f64) -> f64 {
    2.0 * alarm.settings.gap_limit.as_secs_f64() + 3.0 + 0.02 * trouble_s.max(0.0)
}

/// Which of its group began first, by the onsets; what lies within one poll has no order.
fn first_out(line: &Line, alarm: AlarmId, seen: &Seen) -> Option<String> {
    line.alarm(alarm).settings.group?;
    let own_s = seen.group.iter().find(|(id, _)| *id == alarm).map_or(seen.onset_s?, |(_, onset_s)| *onset_s);
    let others = seen.group.iter().filter(|(id, _)| *id != alarm);
    let Some((other, other_s)) = others.min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return Some("first, and alone".to_owned());
    };
    let poll_s = |id: AlarmId| line.alarm(id).settings.poll_every.as_secs_f64();
    let other_id = &line.alarm(*other).id;
    Some(if (own_s - other_s).abs() < poll_s(alarm).max(poll_s(*other)) {
        format!("same poll as {other_id}, order unknown")
    } else if own_s < *other_s {
        format!("first, before {other_id}")
    } else {
        format!("after {other_id}")
    })
}

impl Proof {
    /// The verdict on an alarm of the line.
    #[must_use]
    pub fn new(line: &Line, alarm: AlarmId, verdict: Verdict) -> Self {
        let own = line.alarm(alarm);
        let watches = match own.settings.watches {
            Watched::Signal(signal) => line.signal(signal).tag.clone(),
            Watched::Controller(controller) => line.controller(controller).name.clone(),
            Watched::Server(server) => line.server(server).name.clone(),
        };
        let kind = own.settings.kind.name();
        let automatic =
            matches!(own.settings.kind, Kind::Measurement(_) | Kind::Communication(_) | Kind::Forwarding(_));
        Self { alarm: own.id.clone(), name: own.name.clone(), kind, watches, automatic, verdict }
    }
}

impl Counts {
    /// Counts these.
    pub fn of<'a>(proofs: impl Iterator<Item = &'a Proof>) -> Self {
        proofs.fold(Self::default(), |mut counts, proof| {
            counts.alarms += 1;
            let count = match &proof.verdict {
                Verdict::Proven(proven) if proven.by == Way::Physics.name() => &mut counts.by_physics,
                Verdict::Proven(_) => &mut counts.by_injection,
                Verdict::NotProvoked { .. } => &mut counts.not_provoked,
                Verdict::Failed { .. } => &mut counts.failed,
            };
            *count += 1;
            counts
        })
    }
}

impl Report {
    /// The report on a line.
    #[must_use]
    pub fn new(line: &Line, made_utc: String, seed: u64, alarms: Vec<Proof>) -> Self {
        Self {
            schema_version: 1,
            line: line.name.clone(),
            plant: line.plant.clone(),
            made_utc,
            configuration_sha256: line.fingerprint.clone(),
            setward_version: env!("CARGO_PKG_VERSION"),
            seed,
            cautions: CAUTIONS,
            configured: Counts::of(alarms.iter().filter(|proof| !proof.automatic)),
            automatic: Counts::of(alarms.iter().filter(|proof| proof.automatic)),
            alarms,
        }
    }

    /// Whether any alarm did not do what its settings say.
    #[must_use]
    pub const fn has_failed(&self) -> bool {
        self.configured.failed + self.automatic.failed > 0
    }
}

#[cfg(test)]
mod tests {
    use super::super::plan::Step;
    use super::*;

    fn line() -> Line {
        setward_config::load_demo().unwrap().line
    }

    fn candidate() -> Candidate {
        let steps = vec![(0, Step::Begin("flow-low 30".to_owned()))];
        Candidate { way: Way::Physics, setting: Vec::new(), steps, bound_s: 7_200 }
    }

    /// Raised in time, 11 s after the flow fell at 120 s; acknowledged; cleared.
    fn good() -> Seen {
        Seen {
            begun_s: 120.0,
            raised_s: Some(131.0),
            onset_s: Some(126.0),
            may_s: Some(130.5),
            must_s: Some(131.5),
            acknowledged: true,
            ended_s: 132.0,
            cleared_s: Some(140.0),
            ..Seen::default()
        }
    }

    fn judged(seen: &Seen) -> Result<Verdict, String> {
        let line = line();
        Verdict::of(&line, line.alarm_by_id("oil-flow-low").unwrap(), &candidate(), seen)
    }

    fn check_failed(seen: &Seen, words: &str) {
        let verdict = judged(seen);
        assert!(matches!(&verdict, Ok(Verdict::Failed { why, .. }) if why.contains(words)), "{verdict:?}");
    }

    #[test]
    fn what_raised_in_time_was_acknowledged_and_cleared_is_proven() {
        let Ok(Verdict::Proven(proven)) = judged(&good()) else { panic!("{:?}", judged(&good())) };
        assert_eq!((proven.by, proven.how.as_str()), ("physics", "flow-low 30"));
        let times = [proven.raised_after_s, proven.expected_from_s, proven.cleared_after_s];
        assert_eq!(times, [11.0, 10.5, 8.0]);
        assert_eq!((proven.trouble_s, proven.first_out), (Some(5.0), None));
    }

    #[test]
    fn what_raised_too_late_too_early_or_not_at_all_although_it_must_has_failed() {
        check_failed(&Seen { raised_s: Some(150.0), ..good() }, "18.5 s later");
        check_failed(
            &Seen { raised_s: Some(115.0 + 6.0), onset_s: None, may_s: Some(145.0), ..good() },
            "earlier",
        );
        check_failed(&Seen { may_s: None, ..good() }, "earlier than its settings allow");
        check_failed(&Seen { raised_s: None, ..good() }, "should have raised 12 s after that, and did not");
    }

    #[test]
    fn what_nobody_can_acknowledge_or_what_stays_has_failed() {
        check_failed(&Seen { acknowledged: false, ..good() }, "could not be acknowledged");
        let stays = judged(&Seen { cleared_s: None, ..good() });
        assert!(matches!(stays, Ok(Verdict::Failed { may_be_the_plant: true, .. })), "{stays:?}");
    }

    #[test]
    fn what_did_not_raise_for_a_reason_is_told_with_it() {
        let quiet = || Seen { raised_s: None, must_s: None, ..good() };
        let hidden = Some("hidden by oven-flame-lost".to_owned());
        let told = |seen: Seen| judged(&seen).unwrap_err();
        assert_eq!(told(quiet()), "its condition did not come about within 120 min");
        let silent = Seen { silent: hidden.clone(), ..quiet() };
        assert_eq!(told(silent.clone()), "it could not speak: hidden by oven-flame-lost");
        let raised = Seen { raised_silently: true, ..silent };
        assert_eq!(told(raised), "it raised without calling anybody: hidden by oven-flame-lost");
        let before = Seen { raised_s: Some(20.0), ..good() };
        assert_eq!(told(before), "it stands already before anything is done");
        let refused = Seen { refused: Some("no such fault".to_owned()), ..Seen::default() };
        assert_eq!(told(refused), "no such fault");
    }

    #[test]
    fn the_order_of_a_group_is_that_of_onsets_and_none_within_a_poll() {
        let line = line();
        let id = |id: &str| line.alarm_by_id(id).unwrap();
        let (own, other) = (id("fryer-oil-high.TT-310"), id("fryer-oil-high.TT-311"));
        let place = |own_s: f64, other_s: f64| {
            let seen = Seen { onset_s: Some(own_s), group: vec![(own, own_s), (other, other_s)], ..good() };
            first_out(&line, own, &seen).unwrap()
        };
        assert_eq!(place(10.0, 20.0), "first, before fryer-oil-high.TT-311");
        assert_eq!(place(20.0, 10.0), "after fryer-oil-high.TT-311");
        assert_eq!(place(10.0, 10.9), "same poll as fryer-oil-high.TT-311, order unknown");
    }

    #[test]
    fn text_and_page_carry_cautions_configuration_counts_and_each_verdict() {
        let line = line();
        let verdicts = [
            judged(&good()).unwrap(),
            Verdict::NotProvoked { why: vec!["<its> range ends there".to_owned()] },
            judged(&Seen { acknowledged: false, ..good() }).unwrap(),
        ];
        let alarm = line.alarm_by_id("oil-flow-low").unwrap();
        let proofs = verdicts.into_iter().map(|verdict| Proof::new(&line, alarm, verdict)).collect();
        let report = Report::new(&line, "2026-11-26T02:00:00Z".to_owned(), 7, proofs);
        let (text, page) = (report.text(), report.html());
        for words in [
            "not a safety function",
            "relight",
            "seed 7",
            &line.fingerprint,
            "2026-11-26T02:00:00Z",
            "FAILED",
        ] {
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
}
