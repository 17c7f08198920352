//! SQLite.
