//! Pure functions on traces, and statistics.
