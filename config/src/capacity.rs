//! How much one line may hold. The one place for these figures: `check` refuses a line that exceeds one.

/// Most controllers.
pub const MAX_CONTROLLERS: usize = 64;

/// Most signals.
pub const MAX_SIGNALS: usize = 4_096;

/// Most alarms besides the automatic ones, an alarm over several signals counted once for each.
pub const MAX_ALARMS: usize = 4_096;

/// Most stations.
pub const MAX_STATIONS: usize = 256;

/// Most recipes.
pub const MAX_RECIPES: usize = 1_000;

/// Largest file, bytes.
pub const MAX_FILE_BYTES: u64 = 16 * 1_024 * 1_024;
