//! The text of a scenario file into a scenario.

use super::reader::{Faults, Section};
use super::{Event, Operator, ProbePlan, Scenario, ScenarioError, ScopePlan, Stage};
use crate::beside::Beside;
use crate::commands::{Command, Input, point_named};
use crate::front::{FrontEnd, Scaling};
use crate::line::PortSettings;
use crate::machine::config::TapeConfig;
use crate::machine::{FAULTS, MachineConfig};
use crate::quirks::Quirks;
use crate::scope::Specs;
use std::collections::{BTreeMap, BTreeSet};
use toml::{Table, Value};

/// Longest time that a scenario can speak of: ten years.
const LONGEST_S: f64 = 3.2e8;

pub(super) fn scenario(text: &str) -> Result<Scenario, ScenarioError> {
    let faults = Faults::default();
    let table: Table = match text.parse() {
        Ok(table) => table,
        Err(error) => {
            faults.add("file", error.to_string().trim_end());
            return Err(ScenarioError { faults: faults.into_vec() });
        }
    };
    let scenario = {
        let mut top = Section::new(String::new(), Some(&table), &faults);
        whole(&mut top, &faults)
    };
    match scenario {
        Some(scenario) if faults.is_empty() => Ok(scenario),
        _ => Err(ScenarioError { faults: faults.into_vec() }),
    }
}

fn whole(top: &mut Section<'_>, faults: &Faults) -> Option<Scenario> {
    let title = top.text("title").unwrap_or_default();
    let seed = top.number("seed", 0.0, 9.0e15).map_or(1, |seed| seed as u64);
    let machine = machine(top, faults);
    let scope = scope(top.section("scope"));
    let relays = port(&mut top.section("relays"), PortSettings::default());
    let checks = Checks {
        tapes: machine.as_ref().map(|machine| machine.tapes.keys().cloned().collect()),
        channels: scope.specs.channels,
    };
    let mut events = Vec::new();
    for mut section in top.array("event") {
        let at_s = section.number("at_s", 0.0, LONGEST_S);
        if at_s.is_none() {
            section.fault("at_s", "it is missing: seconds from the start were expected");
        }
        let commands = checks.commands(&mut section, "do");
        if commands.is_empty() {
            section.fault("do", "it is missing: a command was expected");
        }
        events.extend(commands.into_iter().map(|run| Event { at_s: at_s.unwrap_or_default(), run }));
    }
    let operator = operator(top.section("operator"), &checks);
    let mut stages = Vec::new();
    for mut section in top.array("stage") {
        let title = section.text("title");
        if title.is_none() {
            section.fault("title", "it is missing: a text was expected");
        }
        let stage = Stage {
            title: title.unwrap_or_default(),
            run: checks.commands(&mut section, "do"),
            tape: section.text("tape"),
            declares: section.texts("declares"),
            answers: answers(&mut section),
            against: section.whole("against", 1, 1000).map(|number| number as usize),
            sequence: section.text("sequence"),
        };
        if let Some(why) = stage.tape.as_deref().and_then(|tape| checks.tape(tape)) {
            section.fault("tape", why);
        }
        if let Some(number) = stage.against.filter(|number| *number > stages.len()) {
            section.fault("against", format!("{number} was given, the number of an earlier stage was expected"));
        }
        stages.push(stage);
    }
    Some(Scenario { title, seed, machine: machine?, scope, relays, events, operator, stages })
}

/// What commands of a scenario may name.
struct Checks {
    tapes: Option<BTreeSet<String>>,
    channels: usize,
}

impl Checks {
    fn tape(&self, name: &str) -> Option<String> {
        let tapes = self.tapes.as_ref()?;
        let known = || tapes.iter().map(String::as_str).collect::<Vec<_>>().join(", ");
        (!tapes.contains(name)).then(|| format!("there is no tape `{name}`; there are: {}", known()))
    }

    fn commands(&self, section: &mut Section<'_>, key: &'static str) -> Vec<String> {
        let commands = section.texts(key);
        for text in &commands {
            if let Some(why) = self.why_not(text) {
                section.fault(key, why);
            }
        }
        commands
    }

    fn why_not(&self, text: &str) -> Option<String> {
        match Command::parse(text) {
            Err(error) => Some(error.to_string()),
            Ok(Command::Tape(Some(name))) => self.tape(&name),
            Ok(Command::Fault { name, .. } | Command::Clear(name)) if !FAULTS.iter().any(|kind| kind.name == name) => {
                let known: Vec<&str> = FAULTS.iter().map(|kind| kind.name).collect();
                Some(format!("`{text}`: there is no fault `{name}`; there are: {}", known.join(", ")))
            }
            Ok(Command::Probe { input: Input::Channel(index), .. }) if index >= self.channels => {
                Some(format!("`{text}`: the scope has {} channels", self.channels))
            }
            Ok(_) => None,
        }
    }
}

fn machine(top: &mut Section<'_>, faults: &Faults) -> Option<MachineConfig> {
    let mut config = top.section("machine").take();
    if config.contains_key("tapes") {
        faults.add("machine.tapes", "there is no such key; tapes stand in [tapes.NAME]");
        config.remove("tapes");
    }
    let mut machine: Option<MachineConfig> = config_from("machine", Value::Table(config), faults);
    let mut tapes = BTreeMap::new();
    for (name, section) in top.named("tapes") {
        let place = format!("tapes.{name}");
        if let Some(tape) = config_from::<TapeConfig>(&place, Value::Table(section.take()), faults) {
            tapes.insert(name, tape);
        }
    }
    if let Some(machine) = &mut machine
        && !tapes.is_empty()
    {
        machine.tapes = tapes;
    }
    machine
}

/// A table read by its own rules: its first fault is told.
fn config_from<T: serde::de::DeserializeOwned>(place: &str, value: Value, faults: &Faults) -> Option<T> {
    match value.try_into() {
        Ok(config) => Some(config),
        Err(error) => {
            faults.add(place, error.to_string().trim_end());
            None
        }
    }
}

fn scope(mut section: Section<'_>) -> ScopePlan {
    let large = section.choice("model", &["modest", "large"]) == Some(1);
    let scaling = section.choice("scaling", &Scaling::WORDS).and_then(|i| Scaling::named(Scaling::WORDS[i]));
    let front_end = match section.choice("front_end", &["family-a", "scpi-99", "family-b", "family-c"]) {
        Some(1) => FrontEnd::Scpi99,
        Some(2) => FrontEnd::FamilyB,
        Some(3) => FrontEnd::FamilyC,
        _ => FrontEnd::FamilyA(scaling.unwrap_or(Scaling::A1)),
    };
    let mut specs = if large { Specs::large() } else { Specs::modest() };
    if section.flag("without_errors") == Some(true) {
        specs = specs.without_errors();
    }
    specs.channels = section.whole("channels", 1, 8).map_or(specs.channels, |count| count as usize);
    specs.external = section.flag("external").unwrap_or(specs.external);
    specs.points_greatest = section.whole("points_greatest", 100, 10_000_000).unwrap_or(specs.points_greatest);
    specs.points_default =
        section.whole("points", 100, specs.points_greatest).unwrap_or(specs.points_default.min(specs.points_greatest));
    let mut set = |key, place: &mut f64, least: f64, greatest: f64| {
        *place = section.number(key, least, greatest).unwrap_or(*place);
    };
    set("rate_greatest_hz", &mut specs.rate_greatest_hz, 1e3, 1e11);
    set("bandwidth_hz", &mut specs.bandwidth_hz, 1e3, 1e11);
    set("ac_corner_hz", &mut specs.ac_corner_hz, 0.01, 1e4);
    set("gain_error", &mut specs.gain_error, 0.0, 0.5);
    set("offset_error_div", &mut specs.offset_error_div, 0.0, 4.0);
    set("offset_error_v", &mut specs.offset_error_v, 0.0, 10.0);
    set("timebase_error", &mut specs.timebase_error, 0.0, 0.1);
    set("trigger_place", &mut specs.trigger_place, 0.0, 0.5);
    set("noise_div", &mut specs.noise_div, 0.0, 4.0);
    set("noise_v", &mut specs.noise_v, 0.0, 10.0);
    set("mains_hz", &mut specs.mains_hz, 1.0, 1000.0);
    let model = section.text("name").unwrap_or_else(|| if large { "SB-4" } else { "SB-2" }.to_owned());
    let port = port(&mut section, PortSettings { latency_s: specs.latency_s, ..PortSettings::default() });
    let mut probes: Vec<ProbePlan> = Vec::new();
    for (label, mut probe) in section.named("probes") {
        match Input::named(&label) {
            Some(Input::Channel(index)) if index < specs.channels => {}
            Some(Input::External) if specs.external => {}
            _ => probe.fault(
                "",
                format!("the scope has no input `{label}`, only CH1 to CH{} and perhaps EXT", specs.channels),
            ),
        }
        let word = probe.text("point");
        let point = match word.as_deref().map(point_named) {
            None => {
                probe.fault("point", "it is missing: a test point was expected");
                None
            }
            Some(Err(why)) => {
                probe.fault("point", why);
                None
            }
            Some(Ok(point)) => Some(point),
        };
        let factor = probe.number("factor", 0.001, 10_000.0).unwrap_or(1.0);
        let expected_v = probe.number("expected_v", 0.0, 1e4);
        let usual = Beside::default();
        let beside = Beside {
            offset_v: probe.number("offset_v", -1e3, 1e3).unwrap_or(usual.offset_v),
            hum_v: probe.number("hum_v", 0.0, 1e3).unwrap_or(usual.hum_v),
            hum_hz: specs.mains_hz,
            wander_v: probe.number("wander_v", 0.0, 1e3).unwrap_or(usual.wander_v),
            wander_s: probe.number("wander_s", 0.1, 1e6).unwrap_or(usual.wander_s),
        };
        if let Some(point) = point {
            probes.push(ProbePlan { label, point, factor, expected_v, beside });
        }
    }
    ScopePlan { front_end, model, specs, port, probes }
}

fn port(section: &mut Section<'_>, usual: PortSettings) -> PortSettings {
    PortSettings {
        baud: section.whole("baud", 50, 10_000_000).or(usual.baud),
        latency_s: section.number("latency_s", 0.0, 60.0).unwrap_or(usual.latency_s),
        interrupt: section.flag("interrupts").unwrap_or(usual.interrupt),
        input_bytes: section.whole("input_bytes", 64, 1_000_000).map_or(usual.input_bytes, |bytes| bytes as usize),
        output_bytes: section.whole("output_bytes", 64, 1_000_000).map_or(usual.output_bytes, |bytes| bytes as usize),
        quirks: quirks(section),
        errors: section.whole("error_queue", 2, 1000).map_or(usual.errors, |count| count as usize),
    }
}

fn quirks(section: &mut Section<'_>) -> Quirks {
    let words = section.texts("quirks");
    Quirks::named(&words).unwrap_or_else(|why| {
        section.fault("quirks", why);
        Quirks::default()
    })
}

fn operator(mut section: Section<'_>, checks: &Checks) -> Operator {
    let mut operator = Operator {
        delay_s: section.number("delay_s", 0.0, 86_400.0).unwrap_or(0.0),
        answer: section.text("answer").unwrap_or_else(|| "yes".to_owned()),
        answers: answers(&mut section),
        ..Operator::default()
    };
    for (id, commands) in section.named_texts("adjust") {
        for why in commands.iter().filter_map(|text| checks.why_not(text)) {
            section.fault(&format!("adjust.{id}"), why);
        }
        operator.adjust.insert(id, commands);
    }
    operator
}

/// Answers by the prompt's id.
fn answers(section: &mut Section<'_>) -> BTreeMap<String, String> {
    let mut answers = BTreeMap::new();
    for (id, mut texts) in section.named_texts("answers") {
        match texts.pop() {
            Some(text) if texts.is_empty() => {
                answers.insert(id, text);
            }
            _ => section.fault(&format!("answers.{id}"), "one text was expected"),
        }
    }
    answers
}
