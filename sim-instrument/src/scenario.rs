//! Scenario files: the machine, its tapes, the scope, what happens when, and how the operator answers.
//!
//! A file is TOML. Unknown keys are refused, and every fault of a file is told at once. The tables:
//!
//! | table | what it says |
//! |---|---|
//! | (top) | `title`, `seed` |
//! | `[machine]` | the machine ([`MachineConfig`]; `tapes` stand in their own table) |
//! | `[tapes.NAME]` | a tape ([`TapeConfig`](crate::machine::config::TapeConfig)) |
//! | `[scope]` | `front_end`, `scaling`, `model`, its specification where it differs, its port |
//! | `[scope.probes.CH1]`, `...EXT` | `point`, `factor`, `expected_v`; beside the signal `offset_v`, `hum_v` (peak to peak, of the mains), `wander_v` (peak to peak), `wander_s` (its period) |
//! | `[relays]` | the relay box's port |
//! | `[[event]]` | `at_s`, `do`: a command of [`crate::commands`] at a set time |
//! | `[operator]` | how prompts are answered: `delay_s`, `answer`, `[operator.answers]`, `[operator.adjust]` |
//! | `[[stage]]` | `title`, `do`, `tape`, `declares`, `answers`, `against`, `sequence`: what a demonstration does in turn |

mod read;
mod reader;

use crate::bench::{BenchSetup, SimBench};
use crate::beside::Beside;
use crate::front::FrontEnd;
use crate::line::PortSettings;
use crate::machine::{Machine, MachineConfig};
use crate::scope::Specs;
use crate::source::Point;
use crate::world::{Probe, Probes};
use std::collections::BTreeMap;

/// One fault of a scenario file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScenarioFault {
    /// Where, as a dotted path; empty: the file as a whole.
    pub place: String,
    /// What is wrong, and what was expected.
    pub what: String,
}

/// A scenario file that cannot be used: everything that is wrong with it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the scenario has {} fault(s):{}", faults.len(), faults.iter().map(|f| format!("\n  {}: {}", f.place, f.what)).collect::<String>())]
pub struct ScenarioError {
    /// In the order of the file's tables.
    pub faults: Vec<ScenarioFault>,
}

/// Something that happens by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// When, from the start of the bench's clock.
    pub at_s: f64,
    /// A command of [`crate::commands`].
    pub run: String,
}

/// Where a probe is at the start.
#[derive(Debug, Clone, PartialEq)]
pub struct ProbePlan {
    /// `CH1`..., or `EXT`.
    pub label: String,
    /// What it touches.
    pub point: Point,
    /// Volts at the tip over volts at the connector.
    pub factor: f64,
    /// Volts peak to peak that a healthy machine shows there, if stated.
    pub expected_v: Option<f64>,
    /// What stands there beside the machine's signal.
    pub beside: Beside,
}

/// The scope.
#[derive(Debug, Clone, PartialEq)]
pub struct ScopePlan {
    /// Its words.
    pub front_end: FrontEnd,
    /// The model it says it is.
    pub model: String,
    /// What it can do.
    pub specs: Specs,
    /// Its port.
    pub port: PortSettings,
    /// Its probes.
    pub probes: Vec<ProbePlan>,
}

/// How prompts are answered.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Operator {
    /// How long the operator takes.
    pub delay_s: f64,
    /// The answer where none is stated for the prompt and it offers no choices.
    pub answer: String,
    /// Answers by the prompt's id.
    pub answers: BTreeMap<String, String>,
    /// Commands by the prompt's id, for prompts that ask to adjust something.
    pub adjust: BTreeMap<String, Vec<String>>,
}

impl Operator {
    /// What is answered to a prompt: what is stated for its id, else the general answer if it is among
    /// the choices, else the first choice.
    #[must_use]
    pub fn answer_to(&self, id: &str, choices: &[String]) -> String {
        if let Some(answer) = self.answers.get(id) {
            return answer.clone();
        }
        match choices.first() {
            Some(first) if !choices.contains(&self.answer) => first.clone(),
            _ => self.answer.clone(),
        }
    }
}

/// One part of a demonstration.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stage {
    /// What it shows.
    pub title: String,
    /// Commands before it.
    pub run: Vec<String>,
    /// The tape that goes in before it.
    pub tape: Option<String>,
    /// What the operator declares before it: `scrap-tape-ran-safely`, `scratch-tape`, `even-picture`.
    pub declares: Vec<String>,
    /// Answers by the prompt's id that hold in this stage only: what eyes see of a fault comes and goes with it.
    pub answers: BTreeMap<String, String>,
    /// The earlier stage, counted from 1, whose run this one is held against.
    pub against: Option<usize>,
    /// The sequence that is run, if it is not the usual one.
    pub sequence: Option<String>,
}

/// A scenario.
#[derive(Debug, Clone)]
pub struct Scenario {
    /// What it is about.
    pub title: String,
    /// Seed of everything that is drawn.
    pub seed: u64,
    /// The machine and its tapes.
    pub machine: MachineConfig,
    /// The scope.
    pub scope: ScopePlan,
    /// The relay box's port.
    pub relays: PortSettings,
    /// What happens by itself.
    pub events: Vec<Event>,
    /// How prompts are answered.
    pub operator: Operator,
    /// What a demonstration does in turn.
    pub stages: Vec<Stage>,
}

impl Scenario {
    /// Reads a scenario file.
    ///
    /// # Errors
    /// Every fault of the file at once.
    pub fn parse(text: &str) -> Result<Self, ScenarioError> {
        read::scenario(text)
    }

    /// A bench as the scenario describes it.
    ///
    /// # Errors
    /// What the machine finds wrong with its configuration.
    pub fn bench(&self) -> Result<SimBench, ScenarioError> {
        let machine = Machine::new(self.machine.clone(), self.seed).map_err(|error| ScenarioError {
            faults: vec![ScenarioFault { place: "machine".to_owned(), what: error.to_string() }],
        })?;
        let mut probes =
            Probes { channels: vec![Probe::default(); self.scope.specs.channels], external: Probe::default() };
        for plan in &self.scope.probes {
            let probe = Probe { point: plan.point, factor: plan.factor, beside: plan.beside };
            match crate::commands::Input::named(&plan.label) {
                Some(crate::commands::Input::External) => probes.external = probe,
                Some(crate::commands::Input::Channel(index)) => {
                    if let Some(place) = probes.channels.get_mut(index) {
                        *place = probe;
                    }
                }
                None => {}
            }
        }
        let setup = BenchSetup {
            seed: self.seed,
            specs: self.scope.specs.clone(),
            front_end: self.scope.front_end,
            model: self.scope.model.clone(),
            probes,
            scope_port: self.scope.port,
            relay_port: self.relays,
            events: self.events.clone(),
        };
        Ok(SimBench::new(setup, Box::new(machine)))
    }
}
