//! Builds every shipped procedure to a component, so that the library can embed the bytes.

#[path = "build/nested.rs"]
mod nested;

use nested::Guest;

const PROCEDURES: &[Guest] = &[
    Guest { name: "signal-presence", package: "procedure-signal-presence" },
    Guest { name: "envelope", package: "procedure-envelope" },
    Guest { name: "still-against-play", package: "procedure-still-against-play" },
    Guest { name: "control-track", package: "procedure-control-track" },
    Guest { name: "head-switch-point", package: "procedure-head-switch-point" },
    Guest { name: "guide-adjust", package: "procedure-guide-adjust" },
    Guest { name: "drum-lock", package: "procedure-drum-lock" },
    Guest { name: "capstan-lock", package: "procedure-capstan-lock" },
    Guest { name: "tracking-centre", package: "procedure-tracking-centre" },
    Guest { name: "video-levels", package: "procedure-video-levels" },
    Guest { name: "search-modes", package: "procedure-search-modes" },
    Guest { name: "supply-ripple", package: "procedure-supply-ripple" },
    Guest { name: "dropouts", package: "procedure-dropouts" },
    Guest { name: "hifi-carriers", package: "procedure-hifi-carriers" },
    Guest { name: "pilot-tracking", package: "procedure-pilot-tracking" },
    Guest { name: "wow-flutter", package: "procedure-wow-flutter" },
    Guest { name: "audio-azimuth", package: "procedure-audio-azimuth" },
    Guest { name: "audio-head", package: "procedure-audio-head" },
    Guest { name: "tape-safe", package: "procedure-tape-safe" },
    Guest { name: "record-playback", package: "procedure-record-playback" },
    Guest { name: "interchange", package: "procedure-interchange" },
];

fn main() -> std::process::ExitCode {
    let folders: Vec<String> = PROCEDURES.iter().map(|guest| format!("procedures/{}", guest.name)).collect();
    let watched: Vec<&str> = folders.iter().map(String::as_str).collect();
    nested::finish(nested::build(PROCEDURES, &watched))
}
