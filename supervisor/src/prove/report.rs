//! What came of a proof: a verdict for each alarm, and what the whole was made of.

use super::plan::Way;
use serde::Serialize;
use setward_alarm::{AlarmId, Kind, Watched};
use setward_config::line::Line;

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
    /// Each of its branches raised in time, was acknowledged, and cleared.
    Proven(Proven),
    /// Some of its branches did; the others could not be brought about.
    PartlyProven(PartlyProven),
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
    },
}

/// How an alarm, or a branch of it, was proven. Times are s after the last step of the plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proven {
    /// What of its conditions this shows, in words: one side, too little, a code; left out where there is one only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub branch: Option<String>,
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
    /// How its other branches were proven; none where there is one only.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<Self>,
}

/// What shows some of an alarm's branches, and why the others were not shown.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartlyProven {
    /// What was shown.
    #[serde(flatten)]
    pub proven: Proven,
    /// What was not.
    pub left: Vec<Left>,
}

/// A branch that could not be brought about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Left {
    /// Which, in words.
    pub branch: String,
    /// What was tried, and what came of each.
    pub why: Vec<String>,
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
    /// Proven by physics, all of it.
    pub by_physics: usize,
    /// Proven, by injection at least in part.
    pub by_injection: usize,
    /// Proven in part: one side, or some of the codes.
    pub partly: usize,
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
    /// Alarms that a proof leaves out: those on servers that history is sent to.
    pub left_out: Vec<String>,
}

impl Verdict {
    /// The word for it in reports.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Proven(_) => "proven",
            Self::PartlyProven(_) => "partly proven",
            Self::NotProvoked { .. } => "not provoked",
            Self::Failed { .. } => "FAILED",
        }
    }
}

impl Proven {
    /// This, and what shows the other branches.
    pub fn all(&self) -> impl Iterator<Item = &Self> {
        core::iter::once(self).chain(&self.also)
    }

    /// Whether every branch was shown by physics.
    #[must_use]
    pub fn is_by_physics(&self) -> bool {
        self.all().all(|one| one.by == Way::Physics.name())
    }
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
                Verdict::Proven(proven) if proven.is_by_physics() => &mut counts.by_physics,
                Verdict::Proven(_) => &mut counts.by_injection,
                Verdict::PartlyProven(_) => &mut counts.partly,
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
            left_out: Vec::new(),
        }
    }

    /// The same, with the ids of the alarms that were not tried because nothing of a proof goes anywhere.
    #[must_use]
    pub fn leaving_out(self, left_out: Vec<String>) -> Self {
        Self { left_out, ..self }
    }

    /// Whether any alarm did not do what its settings say.
    #[must_use]
    pub const fn has_failed(&self) -> bool {
        self.configured.failed + self.automatic.failed > 0
    }
}

#[cfg(test)]
#[path = "report_tests.rs"]
mod tests;
