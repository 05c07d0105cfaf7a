//! Front ends: the words that a scope understands, over the one acquisition engine.

mod family_a;
mod family_a_wave;
mod family_a_words;
mod family_b;
mod family_b_data;
mod family_c;
mod family_c_data;
mod family_c_words;
mod panel;
mod scpi99;

use crate::ieee488::parse::{Node, Param};
use crate::ieee488::{Device, ErrorsBy, Fault, Range, Reply};
use crate::quirks::{Quirk, Quirks, SHORT_READING};
use crate::scope::{Errors, Progress, Scope, Specs};
use crate::world::World;
pub(crate) use family_a::FamilyA;
pub use family_a_wave::Scaling;
pub(crate) use family_b::FamilyB;
pub(crate) use family_c::FamilyC;
pub(crate) use scpi99::Scpi99;

/// Least and greatest volts a division at the connector, and the one after power-on.
const DIVISION_V: Range = Range { least: 0.002, greatest: 10.0, default: 1.0 };
/// Volts at the middle of the screen, at the connector.
const OFFSET_V: Range = Range { least: -50.0, greatest: 50.0, default: 0.0 };
/// Divisions across the screen.
const DIVISIONS: f64 = 10.0;
/// Steps of the converter in one division.
const STEPS_A_DIVISION: f64 = 25.0;
/// Fewest points of a record.
const POINTS_LEAST: f64 = 100.0;
/// Bits of the OPERation condition register (SCPI-99 volume 1 chapter 9).
const WAITING_FOR_TRIGGER: u16 = 1 << 5;
const MEASURING: u16 = 1 << 4;

/// The words of the scope.
#[derive(Debug)]
enum Words {
    FamilyA(FamilyA),
    FamilyB(FamilyB),
    FamilyC(FamilyC),
    Scpi99(Scpi99),
}

/// Which words a scope understands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FrontEnd {
    /// The widely shared channel, time base and waveform words, with one of their scalings.
    FamilyA(Scaling),
    /// Channel, horizontal and curve words, headers in replies, errors as events.
    FamilyB,
    /// Words with the channel before them, a binary descriptor, errors as registers.
    FamilyC,
    /// The standard's own tree.
    Scpi99,
}

/// A scope with its words.
#[derive(Debug)]
pub(crate) struct ScopeDevice {
    pub(crate) scope: Scope,
    words: Words,
    model: String,
}

impl ScopeDevice {
    pub(crate) fn new(front_end: FrontEnd, specs: Specs, quirks: Quirks, model: &str, seed: u64) -> Self {
        let mut device =
            Self { words: Words::Scpi99(Scpi99::new(&specs)), scope: Scope::new(specs, seed), model: model.to_owned() };
        device.scope.lags = quirks.has(Quirk::LaggingState);
        device.scope.units = quirks.has(Quirk::Units);
        if quirks.has(Quirk::ShortReadings) {
            device.scope.most_a_reading = SHORT_READING;
        }
        device.words = device.fresh(front_end);
        device
    }

    fn fresh(&self, front_end: FrontEnd) -> Words {
        match front_end {
            FrontEnd::FamilyA(scaling) => Words::FamilyA(FamilyA::new(scaling, &self.scope.specs)),
            FrontEnd::FamilyB => Words::FamilyB(FamilyB::new(&self.scope.specs)),
            FrontEnd::FamilyC => Words::FamilyC(FamilyC::new(&self.scope.specs)),
            FrontEnd::Scpi99 => Words::Scpi99(Scpi99::new(&self.scope.specs)),
        }
    }

    const fn front_end(&self) -> FrontEnd {
        match &self.words {
            Words::FamilyA(words) => FrontEnd::FamilyA(words.scaling),
            Words::FamilyB(_) => FrontEnd::FamilyB,
            Words::FamilyC(_) => FrontEnd::FamilyC,
            Words::Scpi99(_) => FrontEnd::Scpi99,
        }
    }

    pub(crate) const fn errors(&self) -> &Errors {
        &self.scope.errors
    }
}

impl Device for ScopeDevice {
    fn identity(&self) -> String {
        format!("Simulated Instruments,{},0,{}", self.model, env!("CARGO_PKG_VERSION"))
    }

    fn execute(
        &mut self,
        nodes: &[Node],
        query: bool,
        params: &[Param],
        world: &mut World<'_>,
    ) -> Result<Reply, Fault> {
        match &mut self.words {
            Words::FamilyA(words) => words.execute(&mut self.scope, nodes, query, params, world),
            Words::FamilyB(words) => words.execute(&mut self.scope, nodes, query, params, world),
            Words::FamilyC(words) => words.execute(&mut self.scope, nodes, query, params, world),
            Words::Scpi99(words) => words.execute(&mut self.scope, nodes, query, params, world),
        }
    }

    fn errors_by(&self) -> ErrorsBy {
        match &self.words {
            Words::FamilyA(_) | Words::Scpi99(_) => ErrorsBy::Queue,
            Words::FamilyB(_) => ErrorsBy::Events,
            Words::FamilyC(_) => ErrorsBy::Registers,
        }
    }

    fn headed(&self, printed: &str, text: String) -> String {
        match &self.words {
            Words::FamilyB(words) => words.with_header(printed, &[], text),
            Words::FamilyC(words) => words.common(printed, text),
            _ => text,
        }
    }

    fn idle_since(&mut self, world: &mut World<'_>) -> Option<f64> {
        // A continuous run never ends, so nothing is pending in it (IEEE 488.2 clause 12).
        match self.scope.progress(world) {
            Progress::Running => Some(world.now_s),
            _ => self.scope.idle_since(world),
        }
    }

    fn reset(&mut self, world: &mut World<'_>) {
        self.scope.forget(world);
        self.words = self.fresh(self.front_end());
    }

    fn conditions(&mut self, world: &mut World<'_>) -> Vec<u16> {
        self.scope.progress(world);
        let mut passed = self.scope.take_passed();
        let now = self.scope.told(world);
        passed.push(now);
        let bits = |progress: &Progress| match progress {
            Progress::Idle => 0,
            Progress::Armed => WAITING_FOR_TRIGGER,
            Progress::Triggered | Progress::Running => MEASURING,
        };
        passed.iter().map(bits).collect()
    }
}
