//! The fault matrix: machines with one fault each, and the faults that look like it.
//!
//! The tool is told nothing of the fault: it gets a scenario (machine, tape, probes) and a sequence. What it
//! says first is held against what names the fault right, and against what would name its look-alike.

mod kept;
mod list;

pub use kept::worse;
pub use list::all;

use crate::machines::Random;
use serde::Serialize;
use sim_instrument::scenario::{Scenario, ScenarioError};
use std::fmt::Write;
use tapewright::report::run_report::RunReport;
use tapewright_formats::{Outcome, TapeKind};

/// Which scope, and what its fourth channel touches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hookup {
    /// Two channels (RF, control track) and a trigger-only input (head switch).
    Modest,
    /// Two channels and a trigger-only input with these probes, as the scenario's lines.
    Probes(&'static str),
    /// Four channels: RF, control track, head switch, and this point, which shows so many millivolts.
    Large(&'static str, u32),
}

/// One fault of the matrix.
#[derive(Debug, Clone, Copy)]
pub struct Fault {
    /// What is wrong, in a technician's words.
    pub name: &'static str,
    /// What it is easily taken for.
    pub look_alike: &'static str,
    /// Simulator commands that make it.
    pub commands: &'static [&'static str],
    /// Lines of the scenario's machine (or, with its heading, of a part of it), where the fault is how the machine is made.
    pub machine: &'static str,
    /// Kind of the tape that is in.
    pub tape: TapeKind,
    /// Lines of that tape's table: what is recorded, and on what path.
    pub recorded: &'static str,
    /// Lines of the operator's table; empty: does what is asked.
    pub operator: &'static str,
    /// Scope and probes.
    pub hookup: Hookup,
    /// The sequence that is run: its name, a procedure's, or a file of `tests/sequences`.
    pub sequence: &'static str,
    /// First conclusions that name it right (see [`said`]).
    pub right: &'static [&'static str],
    /// First conclusions that name the look-alike.
    pub wrong: &'static [&'static str],
}

impl Fault {
    /// Whether there is something to be found on this machine: then a pass of the whole is a wrong pass.
    #[must_use]
    pub fn is_fault(&self) -> bool {
        !self.right.iter().any(|said| said.ends_with(": pass"))
    }

    /// The scenario of one machine with this fault. Level, noise, format, scope's words and gains are drawn:
    /// the same seed, fault and machine draw the same one.
    #[must_use]
    pub fn scenario(&self, seed: u64, machine: u64) -> String {
        let number = self.number(machine);
        let mut random = Random::new(seed, number);
        let format = *random.one_of(&["vhs-525-sp", "vhs-625-sp"]);
        let mut text = format!("title = \"machine {number}\"\nseed = {}\n\n", (seed << 20) ^ number);
        let _ = writeln!(text, "[machine]\nname = \"VC-{:02}\"\nformat = \"{format}\"\ntape = \"in\"", number % 100);
        let (own, part) = self.machine.split_at(if self.machine.starts_with('[') { 0 } else { self.machine.len() });
        text.push_str(own);
        text.push('\n');
        let level_v = random.between(0.15, 0.3);
        let noise_v = level_v * random.between(0.008, 0.02);
        let _ = writeln!(text, "[machine.rf]\nlevel_v = {level_v}\nnoise_v = {noise_v}");
        let gains = [(); 2].map(|()| random.between(0.95, 1.05));
        let _ = writeln!(text, "[machine.head_a]\ngain = {}\n[machine.head_b]\ngain = {}", gains[0], gains[1]);
        let _ = writeln!(text, "{part}");
        let _ = writeln!(text, "[tapes.in]\nkind = \"{}\"\n{}", self.tape, self.recorded);
        let _ = writeln!(text, "[tapes.second]\nkind = \"other\"\n[tapes.third]\nkind = \"other\"");
        let front_end = *random.one_of(&["family-a", "scpi-99"]);
        let model = if matches!(self.hookup, Hookup::Large(..)) { "large" } else { "modest" };
        let _ = writeln!(text, "[scope]\nfront_end = \"{front_end}\"\nmodel = \"{model}\"");
        let mut probes = String::new();
        let mut probe = |input: &str, point: &str, factor: u32, expected_v: f64| {
            let _ = writeln!(
                probes,
                "[scope.probes.{input}]\npoint = \"{point}\"\nfactor = {factor}\nexpected_v = {expected_v}"
            );
        };
        if !matches!(self.hookup, Hookup::Probes(_)) {
            probe("CH1", "rf", 1, 2.0 * level_v);
            probe("CH2", "control-track", 10, 5.0);
        }
        match self.hookup {
            Hookup::Modest => probe("EXT", "head-switch", 10, 5.0),
            Hookup::Probes(lines) => probes.push_str(lines),
            Hookup::Large(point, expected_mv) => {
                probe("CH3", "head-switch", 10, 5.0);
                let factor = if expected_mv > 2000 { 10 } else { 1 };
                probe("CH4", point, factor, 1e-3 * f64::from(expected_mv));
            }
        }
        text.push_str(&probes);
        let _ = writeln!(text, "[operator]\ndelay_s = 1.0\nanswer = \"done\"\n{}", self.operator);
        let commands = self.commands.iter().map(|c| format!("\"{c}\"")).collect::<Vec<_>>().join(", ");
        let _ = writeln!(
            text,
            "[[stage]]\ntitle = \"as it stands\"\ndo = [{commands}]\ntape = \"in\"\ndeclares = [\"scrap-tape-ran-safely\"]"
        );
        text
    }

    /// The scenario, read.
    ///
    /// # Errors
    /// Every fault of it, which would be a fault of the list.
    pub fn parsed(&self, seed: u64, machine: u64) -> Result<Scenario, ScenarioError> {
        Scenario::parse(&self.scenario(seed, machine))
    }

    /// What a run is started with.
    #[must_use]
    pub fn sequence(&self) -> String {
        let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sequences").join(self.sequence);
        if self.sequence.ends_with(".toml") { file.display().to_string() } else { self.sequence.to_owned() }
    }

    /// A number for a machine that follows from the fault's name alone (FNV-1a), so that other rows do not change it.
    fn number(&self, machine: u64) -> u64 {
        let hash = self.name.bytes().fold(0xCBF2_9CE4_8422_2325, |hash: u64, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3)
        });
        100 * (hash % 9973) + machine
    }
}

/// What a report says first: the first fault that it names, else `no fault named: ` and the verdict, with the
/// first code where it is `unable`.
#[must_use]
pub fn said(report: &RunReport) -> String {
    if let Some(first) = report.faults.first() {
        return first.clone();
    }
    let code = report.procedures.iter().flat_map(|p| &p.unable).map(|u| u.code).next();
    match (report.verdict, code) {
        (Some(Outcome::Unable), Some(code)) => format!("no fault named: unable, {code}"),
        (Some(verdict), _) => format!("no fault named: {verdict}"),
        (None, _) => "no verdict".to_owned(),
    }
}

/// One row of the matrix: what was said of the machines with a fault.
#[derive(Debug, Clone, Serialize)]
pub struct Row {
    /// The fault.
    pub fault: &'static str,
    /// What it is easily taken for.
    pub look_alike: &'static str,
    /// The sequence that was run.
    pub sequence: &'static str,
    /// First conclusions, and how often each.
    pub said: Vec<(String, usize)>,
    /// Machines named right.
    pub right: usize,
    /// Machines taken for the look-alike.
    pub mistaken: usize,
    /// Machines that passed although there is something to be found.
    pub wrong_passes: usize,
    /// Machines.
    pub machines: usize,
}

impl Row {
    /// A row without machines.
    #[must_use]
    pub fn new(fault: &Fault) -> Self {
        Self {
            fault: fault.name,
            look_alike: fault.look_alike,
            sequence: fault.sequence,
            said: Vec::new(),
            right: 0,
            mistaken: 0,
            wrong_passes: 0,
            machines: 0,
        }
    }

    /// Adds what was said of one machine.
    pub fn add(&mut self, fault: &Fault, report: &RunReport) {
        let said = said(report);
        self.right += usize::from(fault.right.contains(&said.as_str()));
        self.mistaken += usize::from(fault.wrong.contains(&said.as_str()));
        self.wrong_passes += usize::from(fault.is_fault() && report.verdict == Some(Outcome::Pass));
        self.machines += 1;
        match self.said.iter_mut().find(|(text, _)| *text == said) {
            Some((_, count)) => *count += 1,
            None => self.said.push((said, 1)),
        }
    }
}

/// The matrix as text.
#[must_use]
pub fn text(rows: &[Row], seed: u64) -> String {
    let mut out = format!("fault matrix of {} faults, seed {seed}\n\n", rows.len());
    let _ = writeln!(out, "{:<44} {:<36} {:<44} {:>5}  right", "fault", "looks like", "first conclusion", "n");
    for row in rows {
        for (place, (said, count)) in row.said.iter().enumerate() {
            let (fault, look_alike, right) = if place == 0 {
                (row.fault, row.look_alike, format!("{} of {}", row.right, row.machines))
            } else {
                ("", "", String::new())
            };
            let line = format!("{fault:<44} {look_alike:<36} {said:<44} {count:>5}  {right}");
            let _ = writeln!(out, "{}", line.trim_end());
        }
    }
    let sum = |of: fn(&Row) -> usize| rows.iter().map(of).sum::<usize>();
    let _ = writeln!(out, "\nrightly named: {} of {}", sum(|r| r.right), sum(|r| r.machines));
    let _ = writeln!(out, "taken for the look-alike: {}", sum(|r| r.mistaken));
    let _ = writeln!(out, "passed with a fault: {}", sum(|r| r.wrong_passes));
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use tapewright::triage::shipped_faults;

    #[test]
    fn every_scenario_can_be_read_and_makes_a_bench() {
        for fault in all() {
            let scenario = fault.parsed(1, 0).unwrap_or_else(|e| panic!("{}: {e}", fault.name));
            let bench = scenario.bench().unwrap_or_else(|e| panic!("{}: {e}", fault.name));
            for command in fault.commands {
                bench
                    .command(tapewright_clock::Instant::from_nanos(0), command)
                    .unwrap_or_else(|e| panic!("{}: {e}", fault.name));
            }
        }
    }

    #[test]
    fn what_names_a_fault_is_in_the_triage_data() {
        let known: Vec<String> = shipped_faults().into_iter().map(|f| f.name).collect();
        for fault in all() {
            for said in fault.right.iter().chain(fault.wrong) {
                let named = known.iter().any(|name| name == said);
                assert!(named || said.starts_with("no fault named: "), "{}: `{said}`", fault.name);
            }
        }
    }

    #[test]
    fn there_are_twenty_five_and_each_has_a_look_alike() {
        assert!(all().filter(|f| f.is_fault()).count() >= 25);
        let mut names: Vec<_> = all().map(|f| f.name).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), all().count());
        for fault in all().filter(|f| f.is_fault()) {
            assert!(!fault.look_alike.is_empty() && !fault.right.is_empty(), "{}", fault.name);
            assert!(!fault.right.iter().any(|said| fault.wrong.contains(said)), "{}", fault.name);
        }
    }
}
