//! The shipped procedures, built to components and embedded.
