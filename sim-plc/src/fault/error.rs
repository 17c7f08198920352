//! Why a fault can't be brought about.

use super::kind::FaultKind;
use std::fmt;

/// Why a fault can't be brought about.
#[derive(Debug, Clone, PartialEq)]
pub enum FaultError {
    /// There is no such kind of fault.
    UnknownKind {
        /// The word found.
        found: String,
    },
    /// The words after the name don't fit.
    WrongArguments {
        /// The kind of fault.
        kind: FaultKind,
        /// The words found after it.
        found: String,
    },
    /// The line has no such signal.
    UnknownTag {
        /// The tag found.
        found: String,
        /// The nearest tag of the line.
        nearest: Option<String>,
    },
    /// The line has no such controller.
    UnknownController {
        /// The name found.
        found: String,
        /// Names of the line's controllers.
        known: Vec<String>,
    },
    /// The signal is not of the sort that the fault is about.
    WrongSignal {
        /// Its tag.
        tag: String,
        /// What sort it would have to be.
        wanted: &'static str,
    },
    /// The value is outside what can be.
    OutOfRange {
        /// The value found.
        found: f64,
        /// Lowest accepted.
        low: f64,
        /// Highest accepted.
        high: f64,
    },
    /// The line has no recipe with this number.
    UnknownRecipe {
        /// The number found.
        found: f64,
        /// The numbers of the line's recipes.
        known: Vec<i64>,
    },
    /// The line has nothing that could have this fault.
    NotOnThisLine {
        /// The kind of fault.
        kind: FaultKind,
        /// What the line file lacks.
        lacks: &'static str,
    },
}

impl fmt::Display for FaultError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnknownKind { found } => {
                let near = nearest(found, FaultKind::ALL.iter().map(|kind| kind.name()));
                write!(f, "unknown fault \"{found}\"{}; `sim-plc faults` lists them all", did_you_mean(near))
            }
            Self::WrongArguments { kind, found } => {
                let form = format!("{} {}", kind.name(), kind.arguments());
                write!(f, "\"{}\" is followed by \"{found}\"; write `{}`", kind.name(), form.trim_end())
            }
            Self::UnknownTag { found, nearest } => {
                write!(f, "the line has no signal \"{found}\"{}", did_you_mean(nearest.as_deref()))
            }
            Self::UnknownController { found, known } => {
                write!(f, "the line has no controller \"{found}\"; it has {}", known.join(", "))
            }
            Self::WrongSignal { tag, wanted } => write!(f, "signal {tag} is not {wanted}"),
            Self::OutOfRange { found, low, high } => {
                write!(f, "{found} is out of range; {low} to {high} is accepted")
            }
            Self::UnknownRecipe { found, known } if known.is_empty() => {
                write!(f, "no recipe has the number {found}: line.toml has no [[recipe-number]]")
            }
            Self::UnknownRecipe { found, known } => {
                let known: Vec<String> = known.iter().map(i64::to_string).collect();
                write!(f, "no recipe has the number {found}; the line knows {}", known.join(", "))
            }
            Self::NotOnThisLine { kind, lacks } => {
                write!(
                    f,
                    "\"{}\" does nothing on this line: it has no signal that means {lacks}",
                    kind.name()
                )
            }
        }
    }
}

impl std::error::Error for FaultError {}

pub(crate) fn did_you_mean(nearest: Option<&str>) -> String {
    nearest.map(|name| format!(", nearest is \"{name}\"")).unwrap_or_default()
}

/// The candidate most like `found`, unless none is much alike.
pub(crate) fn nearest<'a>(found: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    // Below 0.6 a suggestion misleads more often than it helps.
    candidates
        .map(|candidate| (strsim::jaro_winkler(&found.to_lowercase(), &candidate.to_lowercase()), candidate))
        .filter(|(likeness, _)| *likeness > 0.6)
        // The first of equals, unlike `max_by`.
        .min_by(|(one, _), (other, _)| other.total_cmp(one))
        .map(|(_, candidate)| candidate)
}
