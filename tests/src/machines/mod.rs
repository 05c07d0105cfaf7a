//! Random machines for every procedure: healthy and faulty, half of them near a limit.
//!
//! A group is drawn alike and measured by one procedure, or by the sequence `first-look`. The truth table and the
//! coverage tests draw from the same groups.

mod at_head;
mod dropouts;
mod first_look;
mod guides;
mod head_switch;
mod hifi;
mod leads;
mod pilots;
mod random;
mod recordings;
mod search;
mod servos;
mod sheet;
mod sound;
mod supply;
mod tape_safe;
mod tracking;
mod video;

use crate::bench::{Bounds, Play};
pub use random::Random;
use sheet::Sheet;
use sim_instrument::scenario::{Scenario, ScenarioError};
use std::collections::BTreeMap;
use tapewright_formats::TapeKind;

/// One machine of the table: what is wrong with it, unlabelled for the tool.
#[derive(Debug, Clone)]
pub struct Case {
    /// Group that it was drawn for.
    pub group: &'static str,
    /// Seed that it was drawn from.
    pub seed: u64,
    /// Its number.
    pub number: u64,
    /// What is wrong, as the table names it.
    pub fault: &'static str,
    /// Conclusions that name it right; empty: nothing is to be found.
    pub right: &'static [&'static str],
    /// Memory of the scope, in points: `2.5k`, `20k`, `2M`.
    pub scope: &'static str,
    /// What the scope can do less than its dialect says.
    pub bounds: Bounds,
    /// The scenario file, which reproduces it.
    pub scenario: String,
    /// What is run on its stages, one after the other; the last is what the table looks at.
    pub plays: Vec<Play>,
    /// Which tape goes in.
    pub tape: TapeKind,
    /// What it was drawn as, by name: what errors may depend on.
    pub traits: BTreeMap<&'static str, String>,
}

impl Case {
    /// The scenario, read.
    ///
    /// # Errors
    /// Every fault of it, which would be a fault of this module.
    pub fn parsed(&self) -> Result<Scenario, ScenarioError> {
        Scenario::parse(&self.scenario)
    }
}

/// Machines that are drawn alike.
#[derive(Debug, Clone, Copy)]
pub struct Group {
    /// What is run on them: a procedure, or the sequence `first-look`.
    pub name: &'static str,
    /// Of so many machines that are asked for, one of this group: a machine of some groups takes long to simulate.
    pub one_of: u64,
    draw: fn(&mut Sheet),
}

/// The machines near a limit, by their number.
const fn near_a_limit(number: u64) -> bool {
    number % 2 == 1
}

/// Every group. What a machine takes was measured; the shares keep 200 machines asked for within a quarter of an hour.
pub const GROUPS: &[Group] = &[
    Group { name: first_look::NAME, one_of: 1, draw: |_| {} },
    Group { name: "head-switch-point", one_of: 2, draw: head_switch::draw },
    Group { name: "drum-lock", one_of: 2, draw: servos::drum },
    Group { name: "capstan-lock", one_of: 2, draw: servos::capstan },
    Group { name: "tracking-centre", one_of: 10, draw: tracking::draw },
    Group { name: "guide-adjust", one_of: 10, draw: guides::draw },
    Group { name: "video-levels", one_of: 2, draw: video::draw },
    Group { name: "search-modes", one_of: 2, draw: search::draw },
    Group { name: "dropouts", one_of: 10, draw: dropouts::draw },
    Group { name: "audio-azimuth", one_of: 2, draw: sound::azimuth },
    Group { name: "wow-flutter", one_of: 2, draw: sound::flutter },
    Group { name: "hifi-carriers", one_of: 10, draw: hifi::draw },
    Group { name: "pilot-tracking", one_of: 2, draw: pilots::draw },
    Group { name: "supply-ripple", one_of: 2, draw: supply::draw },
    Group { name: "tape-safe", one_of: 2, draw: tape_safe::draw },
    Group { name: "record-playback", one_of: 10, draw: recordings::own },
    Group { name: "interchange", one_of: 10, draw: recordings::interchange },
    // At the end: a group's place is in its draws.
    Group { name: "audio-head", one_of: 2, draw: sound::head },
];

impl Group {
    /// A group by its name.
    #[must_use]
    pub fn named(name: &str) -> Option<&'static Self> {
        GROUPS.iter().find(|group| group.name == name)
    }

    /// Machines of it, where so many are asked for: at least two, so that no row is empty for the asking.
    #[must_use]
    pub fn count(&self, asked: u64) -> u64 {
        asked.div_ceil(self.one_of).max(asked.min(2))
    }

    /// Draws a machine.
    #[must_use]
    pub fn draw(&self, seed: u64, number: u64) -> Case {
        let mut case = self.machine(seed, number);
        // Other streams of numbers than the machine's.
        at_head::draw(&mut case, &mut Random::new(!seed ^ (1 << 40), self.place(number)));
        leads::draw(&mut case, &mut Random::new(!seed, self.place(number)));
        case
    }

    /// A machine's place in the stream of numbers: by the group's too, so that the groups' machines have nothing in common.
    fn place(&self, number: u64) -> u64 {
        let group = GROUPS.iter().position(|group| group.name == self.name).unwrap_or_default() as u64;
        (group << 32) ^ number
    }

    fn machine(&self, seed: u64, number: u64) -> Case {
        if self.name == first_look::NAME {
            return first_look::draw(seed, number);
        }
        let mut sheet = Sheet::new(self.name, seed, number, Random::new(seed, self.place(number)));
        (self.draw)(&mut sheet);
        sheet.case()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use sim_instrument::source::Point;
    use tapewright_formats::Signal;

    #[test]
    fn every_group_draws_machines_that_can_be_read_and_make_a_bench() {
        for group in GROUPS {
            for number in 0..40 {
                let case = group.draw(7, number);
                let scenario = case.parsed().unwrap_or_else(|e| panic!("{e}\n{}", case.scenario));
                let bench = scenario.bench().unwrap_or_else(|e| panic!("{e}\n{}", case.scenario));
                assert_eq!(scenario.stages.len(), case.plays.len(), "{}", group.name);
                assert_eq!(case.scenario, group.draw(7, number).scenario, "one seed, one machine");
                for command in scenario.stages.iter().flat_map(|stage| &stage.run) {
                    bench
                        .command(tapewright_clock::Instant::from_nanos(0), command)
                        .unwrap_or_else(|e| panic!("{e}\n{}", case.scenario));
                }
            }
        }
    }

    #[test]
    fn most_leads_hum_and_only_where_it_is_no_part_of_the_truth() {
        for group in GROUPS {
            let cases: Vec<Case> = (0..40).map(|number| group.draw(7, number)).collect();
            let mut hums = 0;
            for case in &cases {
                let scenario = case.parsed().unwrap_or_else(|e| panic!("{e}\n{}", case.scenario));
                let humming = scenario.scope.probes.iter().filter(|probe| probe.beside.hum_v > 0.0);
                let points: Vec<Point> = humming.map(|probe| probe.point).collect();
                assert!(!points.contains(&Point::Signal(Signal::Supply)), "{}", case.scenario);
                assert_eq!(points.is_empty(), case.traits["leads"] == "clean", "{}", case.scenario);
                hums += usize::from(!points.is_empty());
            }
            assert!(hums >= 20 || group.name == "supply-ripple", "{}: {hums}", group.name);
        }
    }

    #[test]
    fn all_memories_and_links_are_drawn() {
        for group in GROUPS {
            let cases: Vec<Case> = (0..120).map(|number| group.draw(3, number)).collect();
            for scope in ["2.5k", "20k", "2M"] {
                assert!(cases.iter().any(|case| case.scope == scope), "{} {scope}", group.name);
            }
            assert!(cases.iter().any(|case| case.traits["baud"] == "9600"), "{}", group.name);
            assert!(cases.iter().filter(|case| case.traits["baud"] != "local").all(|case| case.scope == "2.5k"));
        }
    }
}
