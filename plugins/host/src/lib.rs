//! Runs a procedure's component under limits, and replays what it was told.
