//! Stations of the line and the modes they are in. Owns names only; what puts a station into a mode is judged elsewhere.

/// Index of a station in its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StationId(pub u16);

impl StationId {
    /// The index into the line's list of stations.
    #[must_use]
    #[inline]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

/// Index of a controller in its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ControllerId(pub u16);

impl ControllerId {
    /// The index into the line's list of controllers.
    #[must_use]
    #[inline]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

/// What a station is doing. Modes belong to stations, not to the plant: the oven may run while the fryer heats up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
#[repr(u8)]
pub enum Mode {
    /// Off, or standing still.
    Stopped,
    /// On its way to working temperature.
    HeatUp,
    /// Hot, set back, no product.
    Hold,
    /// Making product. What is taken when nothing says otherwise: an alarm is never silent without a reason.
    #[default]
    Run,
    /// Running, with no product here.
    Gap,
    /// Between two recipes.
    Changeover,
    /// The last product leaves.
    RunOut,
    /// Cleaning: in the fryer, boil-out with water.
    Cleaning,
}

impl Mode {
    /// Every mode with its word in the files and on pages.
    pub const NAMED: [(&'static str, Self); 8] = [
        ("stopped", Self::Stopped),
        ("heat-up", Self::HeatUp),
        ("hold", Self::Hold),
        ("run", Self::Run),
        ("gap", Self::Gap),
        ("changeover", Self::Changeover),
        ("run-out", Self::RunOut),
        ("cleaning", Self::Cleaning),
    ];

    /// The word in the files and on pages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Stopped => "stopped",
            Self::HeatUp => "heat-up",
            Self::Hold => "hold",
            Self::Run => "run",
            Self::Gap => "gap",
            Self::Changeover => "changeover",
            Self::RunOut => "run-out",
            Self::Cleaning => "cleaning",
        }
    }
}

/// A set of modes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ModeSet(u8);

impl ModeSet {
    /// Every mode.
    pub const ALL: Self = Self(u8::MAX);
    /// No mode.
    pub const NONE: Self = Self(0);

    /// The modes in `modes`.
    #[must_use]
    pub fn of(modes: &[Mode]) -> Self {
        modes.iter().fold(Self::NONE, |set, mode| set.with(*mode))
    }

    /// This set and `mode`.
    #[must_use]
    pub const fn with(self, mode: Mode) -> Self {
        Self(self.0 | 1 << mode as u8)
    }

    /// This set without `mode`.
    #[must_use]
    pub const fn without(self, mode: Mode) -> Self {
        Self(self.0 & !(1 << mode as u8))
    }

    /// Whether `mode` is in it.
    #[must_use]
    pub const fn contains(self, mode: Mode) -> bool {
        self.0 & (1 << mode as u8) != 0
    }
}

impl Default for ModeSet {
    fn default() -> Self {
        Self::ALL
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_mode_has_its_own_word_and_its_own_place_in_a_set() {
        for (word, mode) in Mode::NAMED {
            assert_eq!(mode.name(), word);
            assert!(ModeSet::ALL.contains(mode) && !ModeSet::NONE.contains(mode));
            let alone = ModeSet::of(&[mode]);
            assert_eq!(Mode::NAMED.iter().filter(|(_, other)| alone.contains(*other)).count(), 1);
            assert!(!ModeSet::ALL.without(mode).contains(mode));
        }
    }
}
