//! A machine in the making: the tables of its scenario, and what is run on it.

use super::{Case, Random, near_a_limit};
use crate::bench::{Bounds, Play};
use core::fmt::{Debug, Write};
use std::collections::BTreeMap;
use tapewright_formats::relations::pitch_um;
use tapewright_formats::{Format, TapeKind, format_named};

/// Formats with a control track and two heads.
pub(super) const WITH_CONTROL_TRACK: &[&str] = &[
    "vhs-525-sp",
    "vhs-625-sp",
    "vhs-525-lp",
    "vhs-525-ep",
    "vhs-625-lp",
    "s-vhs-525-sp",
    "s-vhs-625-sp",
    "beta-525-ii",
    "beta-625",
];

/// Every format that the procedures know, so far as it has what they look at.
pub(super) const ALL: &[&str] = &[
    "vhs-525-sp",
    "vhs-625-sp",
    "vhs-525-lp",
    "vhs-525-ep",
    "vhs-625-lp",
    "s-vhs-525-sp",
    "s-vhs-625-sp",
    "beta-525-ii",
    "beta-625",
    "8mm-525-sp",
    "8mm-625-sp",
];

/// The machine on a bench, and its tape.
pub(super) struct Sheet {
    pub(super) random: Random,
    /// This machine is measured near a limit.
    pub(super) near: bool,
    /// The tape that is in.
    pub(super) tape: TapeKind,
    number: u64,
    seed: u64,
    group: &'static str,
    fault: &'static str,
    /// Keys with their values, by table.
    tables: BTreeMap<String, Vec<String>>,
    stages: String,
    plays: Vec<Play>,
    settings: Vec<(&'static str, f64)>,
    memory: &'static str,
    bounds: Bounds,
    traits: BTreeMap<&'static str, String>,
}

/// Which scopes a group is looked at with.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scopes {
    /// The slowest link to the scope of 2,500 points, in bauds.
    pub(super) slowest: u32,
    /// The modest scope may be without peak detection.
    pub(super) without_peak: bool,
}

impl Sheet {
    /// A quick machine that is all right, with nothing hooked up.
    pub(super) fn new(group: &'static str, seed: u64, number: u64, random: Random) -> Self {
        let mut sheet = Self {
            random,
            near: near_a_limit(number),
            tape: TapeKind::Other,
            number,
            seed,
            group,
            fault: "healthy",
            tables: BTreeMap::new(),
            stages: String::new(),
            plays: Vec::new(),
            settings: Vec::new(),
            memory: "2.5k",
            bounds: Bounds::default(),
            traits: BTreeMap::new(),
        };
        sheet.set("title", format!("machine {number} of seed {seed} for {group}"));
        sheet.set("seed", (seed << 20) ^ number);
        sheet.set("machine.name", format!("VC-{:02}", number % 100));
        sheet.set("machine.tape", "in");
        sheet.set("machine.transport.threading_s", 0.4);
        sheet.set("machine.drum.spin_up_s", 0.3);
        sheet.set("machine.drum.lock_tau_s", 0.05);
        sheet.set("machine.capstan.run_up_s", 0.1);
        sheet.set("machine.capstan.lock_tau_s", 0.05);
        sheet.set("operator.delay_s", 0.5);
        sheet.set("operator.answer", "done");
        sheet
    }

    /// Sets a key by its dotted place. Rust writes texts, numbers and lists as TOML reads them.
    pub(super) fn set(&mut self, place: &str, value: impl Debug) {
        let (table, key) = place.rsplit_once('.').unwrap_or(("", place));
        self.tables.entry(table.to_owned()).or_default().push(format!("{key} = {value:?}"));
    }

    /// The same, with a number that is drawn evenly.
    pub(super) fn draw(&mut self, place: &str, low: f64, high: f64) -> f64 {
        let value = self.random.between(low, high);
        self.set(place, value);
        value
    }

    /// A value within twice its half width of one of the limits, if this machine is to be near one; else anywhere.
    pub(super) fn near_or(&mut self, limits: &[f64], half_width: f64, (low, high): (f64, f64)) -> f64 {
        if self.near {
            let limit = *self.random.one_of(limits);
            limit + half_width * self.random.between(-2.0, 2.0)
        } else {
            self.random.between(low, high)
        }
    }

    /// Draws a format.
    pub(super) fn format(&mut self, formats: &[&'static str]) -> &'static Format {
        let name = *self.random.one_of(formats);
        self.set("machine.format", name);
        self.note("format", &name);
        format_named(name).unwrap_or_else(|| unreachable!("`{name}` is not in the table of formats"))
    }

    /// What a table may be split by.
    pub(super) fn note(&mut self, name: &'static str, value: &impl ToString) {
        self.traits.insert(name, value.to_string());
    }

    /// Draws the tape and its picture.
    pub(super) fn tape(&mut self, kind: TapeKind, pictures: &[&'static str]) {
        let picture = *self.random.one_of(pictures);
        self.set("tapes.in.kind", kind.as_str());
        self.set("tapes.in.picture", picture);
        self.tape = kind;
        self.note("tape", &kind);
        self.note("picture", &picture);
    }

    /// The picture on the tape is the same from top to bottom.
    pub(super) fn picture_is_even(&self) -> bool {
        self.traits.get("picture").is_some_and(|picture| ["grey", "bars", "black"].contains(&picture.as_str()))
    }

    /// Draws the RF's level and noise; gives the level that a probe is to expect.
    pub(super) fn rf(&mut self) -> f64 {
        let level_v = self.draw("machine.rf.level_v", 0.1, 0.3);
        let noise = self.random.between(0.008, 0.03);
        self.set("machine.rf.noise_v", level_v * noise);
        2.4 * level_v
    }

    /// Draws both heads' gains, and their width in pitches.
    pub(super) fn heads(&mut self, (least, most): (f64, f64), widths: (f64, f64), format: &Format) {
        for head in ["head_a", "head_b"] {
            self.draw(&format!("machine.{head}.gain"), least, most);
            let width = self.random.between(widths.0, widths.1);
            self.set(&format!("machine.{head}.width_um"), width * pitch_um(format));
        }
    }

    /// Draws a scope: half of them modest, of 2,500 points, some of those behind a slow line; the others with 20,000
    /// points or 2,000,000.
    pub(super) fn scope(&mut self, scopes: Scopes) {
        let (model, memory, points) = match self.random.between(0.0, 1.0) {
            d if d < 0.5 => ("modest", "2.5k", None),
            d if d < 0.75 => ("large", "20k", Some(20_000)),
            _ => ("large", "2M", None),
        };
        let front_end = *self.random.one_of(&["family-a", "scpi-99"]);
        self.set("scope.model", model);
        self.set("scope.front_end", front_end);
        self.memory = memory;
        self.bounds = Bounds { points, no_peak: false };
        if let Some(points) = points {
            self.set("scope.points_greatest", points);
            self.set("scope.points", points);
        }
        let mut baud = "local".to_owned();
        if model == "modest" {
            self.bounds.no_peak = scopes.without_peak && self.random.chance(0.2);
            let rates: Vec<u32> =
                [9_600, 115_200, 921_600].into_iter().filter(|rate| *rate >= scopes.slowest).collect();
            if self.random.chance(0.5) {
                let rate = *self.random.one_of(&rates);
                self.set("scope.baud", rate);
                baud = rate.to_string();
            }
        }
        self.note("scope", &memory);
        self.note("front-end", &front_end);
        self.note("baud", &baud);
    }

    /// Whether the scope has 2,500 points.
    pub(super) fn is_modest(&self) -> bool {
        self.memory == "2.5k"
    }

    /// Puts a probe on a point.
    pub(super) fn probe(&mut self, input: &str, point: &str, factor: f64, expected_v: Option<f64>) {
        self.set(&format!("scope.probes.{input}.point"), point);
        self.set(&format!("scope.probes.{input}.factor"), factor);
        if let Some(expected_v) = expected_v {
            self.set(&format!("scope.probes.{input}.expected_v"), expected_v);
        }
    }

    /// Puts probes on the head switch and on another train of pulses: either may be on the input that only triggers.
    pub(super) fn trains(&mut self, channel: &str, train: &str) {
        let (sampled, triggers) = if self.random.chance(0.5) { (train, "head-switch") } else { ("head-switch", train) };
        self.note("sampled", &sampled);
        self.probe(channel, sampled, 10.0, Some(5.0));
        self.probe("EXT", triggers, 10.0, Some(5.0));
    }

    /// Names what is wrong with the machine: a run that passes with it is a wrong pass of the whole.
    pub(super) fn wrong(&mut self, fault: &'static str) {
        self.fault = fault;
    }

    /// A setting of the procedure in the plays that come.
    pub(super) fn setting(&mut self, name: &'static str, value: f64) {
        self.settings.push((name, value));
    }

    /// What is run on the next stage: the procedure, on a tape, after some commands.
    pub(super) fn play(&mut self, procedure: &'static str, tape: &str, commands: &[String]) -> &mut Play {
        let _ = writeln!(
            self.stages,
            "[[stage]]\ntitle = {procedure:?}\ndo = {commands:?}\ntape = {tape:?}\ndeclares = [\"scrap-tape-ran-safely\"]"
        );
        self.plays.push(Play { settings: self.settings.clone(), ..Play::of(procedure) });
        let last = self.plays.len() - 1;
        &mut self.plays[last]
    }

    /// The group's own procedure on the tape that is in.
    pub(super) fn play_it(&mut self, commands: &[String]) {
        self.play(self.group, "in", commands);
    }

    /// What was drawn.
    pub(super) fn case(self) -> Case {
        let mut scenario = String::new();
        for (table, keys) in &self.tables {
            if !table.is_empty() {
                let _ = writeln!(scenario, "[{table}]");
            }
            scenario.extend(keys.iter().map(|key| format!("{key}\n")));
        }
        scenario.push_str(&self.stages);
        Case {
            group: self.group,
            seed: self.seed,
            number: self.number,
            fault: if self.fault == "healthy" && self.near { "near a limit" } else { self.fault },
            right: &[],
            scope: self.memory,
            bounds: self.bounds,
            scenario,
            plays: self.plays,
            tape: self.tape,
            traits: self.traits,
        }
    }
}
