//! Rows.
