//! The operator of a simulated bench: does what prompts ask for, and answers as the scenario says.

use crate::bench::events::BenchEvent;
use crate::bench::prompts::{Action, OpenPrompt};
use crate::bench::shared::Shared;
use crate::run::{NO, YES};
use core::time::Duration;
use sim_instrument::SimBench;
use sim_instrument::scenario::{Operator as Script, Stage};
use std::sync::{Arc, Mutex, PoisonError};

/// What a stage says when a scrap tape ran safely before it.
const SCRAP_TAPE_RAN: &str = "scrap-tape-ran-safely";

/// The answer when something could not be done.
const CANNOT: &str = "cannot";

/// A scripted operator.
#[derive(Clone)]
pub struct Operator {
    sim: SimBench,
    script: Arc<Script>,
    stage: Arc<Mutex<Stage>>,
}

impl Operator {
    /// An operator at a simulated bench.
    #[must_use]
    pub fn new(sim: SimBench, script: Script) -> Self {
        Self { sim, script: Arc::new(script), stage: Arc::default() }
    }

    /// Takes note of what the operator declares before a stage, and answers in it.
    pub fn begin(&self, stage: &Stage) {
        self.stage.lock().unwrap_or_else(PoisonError::into_inner).clone_from(stage);
    }

    /// Watches the bench and answers every prompt, until dropped.
    pub async fn attend(self, bench: Shared) {
        self.attend_but(bench, &[]).await;
    }

    /// The same, and leaves prompts of these names to somebody else.
    pub async fn attend_but(self, bench: Shared, leaving: &[&str]) {
        let delay = Duration::try_from_secs_f64(self.script.delay_s).unwrap_or_default();
        let mut last = 0;
        loop {
            let far = bench.clock.now() + Duration::from_secs(3600);
            for event in bench.events.after(last, far).await {
                last = event.number;
                if let BenchEvent::Prompted { prompt } = event.event
                    && !leaving.contains(&prompt.question.name.as_str())
                {
                    bench.clock.sleep(delay).await;
                    let answer = self.answer(&bench, &prompt);
                    // Another answer may have been first; then this one does not count.
                    let _ = bench.prompts.answer(&prompt.id, &answer);
                }
            }
        }
    }

    fn answer(&self, bench: &Shared, prompt: &OpenPrompt) -> String {
        use sim_instrument::Action as Hands;
        let question = &prompt.question;
        let stage = self.stage.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let hands = match &question.action {
            Action::ReadCautions | Action::KeepClear => return YES.to_owned(),
            Action::Answer if question.name == "scrap-tape" => {
                let ran = stage.declares.iter().any(|d| d == SCRAP_TAPE_RAN);
                return if ran { YES } else { NO }.to_owned();
            }
            Action::PressKey { mode } => {
                let pressed = self.sim.command(bench.clock.now(), &format!("key {mode}"));
                return if pressed.is_ok() { crate::bench::transport_task::DONE } else { CANNOT }.to_owned();
            }
            Action::Answer => Hands::Answer,
            Action::MoveProbe { signal, to } => Hands::MoveProbe { signal: *signal, to: to.clone() },
            Action::ChangeTape { kind } => Hands::ChangeTape(*kind),
            Action::Adjust { .. } => Hands::Adjust,
        };
        match self.sim.obey(bench.clock.now(), &self.script, &question.name, &hands, &question.choices) {
            Ok(obeyed) => stage.answers.get(&question.name).cloned().unwrap_or(obeyed.answer),
            Err(error) => {
                let text = format!("the scenario's operator could not do it: {error}");
                bench.events.push(BenchEvent::Trouble { text });
                CANNOT.to_owned()
            }
        }
    }
}
