//! Builds the components that the host's tests run, in the way of the shipped ones.

#[path = "../../../shipped/build/nested.rs"]
mod nested;

use nested::Guest;

const GUESTS: &[Guest] = &[
    Guest { name: "acts", package: "guest-acts" },
    Guest { name: "nosy", package: "guest-nosy" },
    Guest { name: "boaster", package: "guest-boaster" },
    Guest { name: "foreign", package: "guest-foreign" },
    Guest { name: "newer", package: "guest-newer" },
    Guest { name: "later", package: "guest-later" },
    Guest { name: "watcher", package: "guest-watcher" },
    Guest { name: "weighs", package: "guest-weighs" },
];

fn main() -> std::process::ExitCode {
    nested::finish(nested::build(GUESTS, &["plugins/host/tests/guests"]))
}
