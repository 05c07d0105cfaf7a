//! A procedure as a page of a workshop handbook: what it tells, how it is hooked up, what it holds the machine
//! against and who says so, what to do when it fails, and what may hurt.

use crate::report::text::{page_paragraph, unit_text};
use std::collections::BTreeMap;
use std::fmt::Write;
use tapewright_formats::{Mode, Signal};
use tapewright_host::{Description, Parameter, Permission, Value};

/// The page.
pub(crate) fn page(d: &Description, permissions: &[Permission], live: bool) -> String {
    let mut page = format!("{} {}\n", d.name.to_uppercase(), d.version);
    part(&mut page, None, &d.purpose);
    heading(&mut page, "What it tells");
    part(&mut page, None, &d.tells);

    heading(&mut page, "Hooking up");
    for signal in &d.needs {
        part(&mut page, Some("needed"), &format!("{signal}: {}", point(*signal)));
    }
    for signal in &d.uses {
        part(&mut page, Some("better"), &format!("{signal}: {}", point(*signal)));
    }
    if d.cover_off {
        part(&mut page, None, "Take the machine's cover off for it, with the cautions below in mind.");
    }

    heading(&mut page, "What happens");
    let modes = d.modes.iter().map(Mode::to_string).collect::<Vec<_>>().join(", ");
    let modes = if modes.is_empty() {
        "It leaves the transport alone.".to_owned()
    } else {
        // Recording is no mode that a procedure may name: it has a permission of its own.
        let records = if permissions.contains(&Permission::Recording) { ", and records" } else { "" };
        match d.parameters.iter().find(|parameter| parameter.name == "modes") {
            Some(chosen) => format!(
                "The machine is taken through what the setting `modes` names ({}); there are: {modes}{records}.",
                value(chosen)
            ),
            None => format!("The machine is taken through: {modes}{records}."),
        }
    };
    part(&mut page, None, &format!("{modes} It takes about {} on a modest bench.", duration(d.duration_s)));
    for permission in permissions {
        part(&mut page, Some("it may"), permission.text());
    }
    if live {
        part(&mut page, None, &format!("Live readings while adjusting: tapewright live {} --bench BENCH", d.name));
    }

    let (pairs, others) = limits(&d.parameters);
    if !pairs.is_empty() {
        heading(&mut page, "Limits, and whose they are");
        for pair in &pairs {
            limit(&mut page, pair);
        }
    }
    if !others.is_empty() {
        heading(&mut page, "What can be set");
        for parameter in others {
            part(&mut page, None, &format!("{} ({})", set(parameter), parameter.source));
        }
    }

    heading(&mut page, "When it fails");
    part(&mut page, None, &d.when_it_fails);
    heading(&mut page, "Cautions");
    if d.cautions.is_empty() {
        part(&mut page, None, "None of its own.");
    }
    for caution in &d.cautions {
        part(&mut page, Some("!"), caution.text());
    }
    part(&mut page, None, "Local codes and licensed practice come before anything on this page.");
    page
}

/// A good limit and its reject limit, by what they are called without those words.
struct Pair<'a> {
    good: &'a Parameter,
    reject: &'a Parameter,
}

/// Parameters that come as `x-good` and `x-reject`, in order, and the rest.
fn limits(parameters: &[Parameter]) -> (Vec<Pair<'_>>, Vec<&Parameter>) {
    let by_name: BTreeMap<&str, &Parameter> = parameters.iter().map(|p| (p.name.as_str(), p)).collect();
    let (mut pairs, mut others) = (Vec::new(), Vec::new());
    for parameter in parameters {
        let stem = |end: &str| parameter.name.strip_suffix(end);
        if let Some(reject) = stem("-good").and_then(|stem| by_name.get(format!("{stem}-reject").as_str())) {
            pairs.push(Pair { good: parameter, reject });
        } else if stem("-reject").is_none_or(|stem| !by_name.contains_key(format!("{stem}-good").as_str())) {
            others.push(parameter);
        }
    }
    (pairs, others)
}

fn limit(page: &mut String, Pair { good, reject }: &Pair<'_>) {
    for bound in [good, reject] {
        part(page, None, &set(bound));
    }
    let source = if good.source == reject.source {
        format!("whose: {}", good.source)
    } else {
        format!("whose: good: {}; reject: {}", good.source, reject.source)
    };
    part(page, None, &format!("  {source}"));
}

/// What a parameter is called, what it is set to, and what that means.
fn set(parameter: &Parameter) -> String {
    format!("{} = {}: {}", parameter.name, value(parameter), parameter.meaning)
}

fn value(parameter: &Parameter) -> String {
    match &parameter.default {
        Value::Number(number) => format!("{number} {}", parameter.unit.map_or("", unit_text)).trim_end().to_owned(),
        Value::Text(text) => format!("`{text}`"),
    }
}

/// Where a probe goes, in a technician's words.
const fn point(signal: Signal) -> &'static str {
    match signal {
        Signal::Rf => "the heads' RF before the automatic gain, on a channel",
        Signal::HeadSwitch => "the head-switching square; a trigger-only input will do",
        Signal::ControlTrack => "the control pulses at the head or after their amplifier, on a channel",
        Signal::Video => "composite video out, terminated in 75 ohms, on a channel",
        Signal::AudioLeft | Signal::AudioRight => "the sound output, on a channel",
        Signal::DrumPulse => "the drum motor's generator or position pulse",
        Signal::CapstanPulse => "the capstan motor's generator",
        Signal::Reference => "the servos' reference",
        Signal::Supply => "the rail's output, never the mains side",
        Signal::HifiRf => "the RF of the audio heads before the automatic gain, on a channel",
    }
}

fn duration(seconds: f64) -> String {
    if seconds < 90.0 { format!("{seconds:.0} s") } else { format!("{:.0} minutes", (seconds / 60.0).ceil()) }
}

fn heading(page: &mut String, text: &str) {
    let _ = writeln!(page, "\n{text}");
}

fn part(page: &mut String, mark: Option<&str>, text: &str) {
    page.push_str(&page_paragraph(mark, text));
}
