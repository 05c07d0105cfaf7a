//! The whole thing together, with an in-process simulator; the checks against the outside.
