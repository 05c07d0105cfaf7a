//! Search: a wrong speed, one head missing, and the geometry of each format.

use super::{Counts, Want, check, count, covered, run};
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::machines::Random;

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/search-slow.toml");
const PROCEDURE: &str = "search-modes";
const NOTHING_OFF: &[Finding] = &[Finding::SearchWrongSpeed, Finding::SearchHeadMissing];

/// The procedure with the speed that the machine shall have, as a shop's own sequence says it.
fn run_asking(stage: usize, more: &[&str]) -> tapewright_tests::bench::Outcome {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("search.toml");
    let text = "name = \"search\"\npurpose = \"search at seven times play speed\"\n\
                [[step]]\nprocedure = \"search-modes\"\n[step.settings]\nsearch-speed = 7.0\n";
    std::fs::write(&path, text).expect("a file");
    run(SCENARIO, stage, more, path.to_str().expect("a path in characters"))
}

#[test]
fn a_wrong_search_speed_fails_and_the_right_one_has_the_bars_that_geometry_says() {
    let slow = run_asking(0, &[]);
    let there = &[Finding::SearchWrongSpeed];
    check(&slow, &Want { verdict: Outcome::Fail, there, not_there: &[Finding::SearchHeadMissing], unable: &[] });
    let right = run_asking(1, &[]);
    let there = &[Finding::SearchAsPredicted];
    check(&right, &Want { verdict: Outcome::Pass, there, not_there: NOTHING_OFF, unable: &[] });
    // Three bars forwards, four backwards, at seven times play speed.
    for (name, bars) in [("cue.head-a.bars", 3.0), ("review.head-a.bars", 4.0)] {
        let found = right.report.procedures[0].measurements.iter().find(|m| m.name == name).expect("it is measured");
        assert!((found.value - bars).abs() < 0.15, "{name}: {}", found.value);
    }
}

#[test]
fn a_speed_that_nobody_named_does_not_pass() {
    // In both stages the bars fit the pulses: that alone does not say that the speed is the machine's.
    for stage in [0, 1] {
        let unable = &[UnableCode::NotPossible, UnableCode::NotPossible];
        check(
            &run(SCENARIO, stage, &[], PROCEDURE),
            &Want { verdict: Outcome::Unable, there: &[], not_there: NOTHING_OFF, unable },
        );
    }
}

#[test]
fn a_dead_head_is_not_taken_for_a_speed() {
    let said = run_asking(2, &[]);
    let there = &[Finding::SearchHeadMissing];
    check(&said, &Want { verdict: Outcome::Fail, there, not_there: &[Finding::SearchWrongSpeed], unable: &[] });
}

#[test]
fn intervals_hold_the_truth_over_random_machines() {
    let mut random = Random::new(71, 1);
    let (mut counts, mut off) = (Counts::new(), String::new());
    for number in 0..20 {
        let format = *random.one_of(&["vhs-525-sp", "vhs-625-sp", "vhs-525-lp", "beta-625", "8mm-625-sp"]);
        let level_v = random.between(0.1, 0.3);
        let text = format!(
            "title = \"machine {number}\"\nseed = {number}\n[machine]\nname = \"VC-{number:02}\"\nformat = \"{format}\"\ntape = \"in\"\n\
             [machine.transport]\nthreading_s = 0.4\nsearch_speed = {speed}\n[machine.drum]\nspin_up_s = 0.3\nlock_tau_s = 0.05\ncorrects_line_rate = {corrects}\n\
             [machine.capstan]\nrun_up_s = 0.1\nlock_tau_s = 0.05\n[machine.rf]\nlevel_v = {level_v}\nnoise_v = {noise}\n\
             [machine.head_a]\ngain = {a}\n[machine.head_b]\ngain = {b}\n[tapes.in]\nkind = \"other\"\npicture = \"{picture}\"\n\
             [scope]\nfront_end = \"{front}\"\nmodel = \"modest\"\n[scope.probes.CH1]\npoint = \"rf\"\nfactor = 1.0\nexpected_v = {expected}\n\
             [scope.probes.CH2]\npoint = \"control-track\"\nfactor = 10.0\nexpected_v = 5.0\n\
             [scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10.0\nexpected_v = 5.0\n[operator]\nanswer = \"yes\"\n\
             [[stage]]\ntitle = \"as it is\"\ntape = \"in\"\n",
            speed = random.between(3.0, 11.0),
            corrects = random.chance(0.7),
            noise = level_v * random.between(0.008, 0.04),
            a = random.between(0.8, 1.1),
            b = random.between(0.8, 1.1),
            picture = *random.one_of(&["bars", "grey", "random"]),
            front = *random.one_of(&["family-a", "scpi-99"]),
            expected = 2.4 * level_v,
        );
        let said = run(&text, 0, &[], PROCEDURE);
        let measured = said.report.procedures.iter().map(|p| p.measurements.len()).sum::<usize>();
        assert!(measured > 0, "{}\n{text}", tapewright::report::text::run(&said.report));
        count(&said, &mut counts, &mut off);
    }
    let names = ["cue.head-a.bars", "cue.head-b.bars", "review.head-a.bars", "cue.speed", "review.speed"];
    let names: Vec<String> = names.iter().map(|name| format!("{PROCEDURE}/{name}")).collect();
    covered(&counts, &names.iter().map(String::as_str).collect::<Vec<_>>(), 17, &off);
}
