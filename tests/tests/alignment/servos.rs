//! Drum and capstan: no lock, hunting and jitter, told from each other.

use super::{Counts, Want, check, count, covered, run};
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::machines::Random;

const DRUM: &str = include_str!("../../../sim-instrument/scenarios/drum-hunts.toml");
const CAPSTAN: &str = include_str!("../../../sim-instrument/scenarios/capstan-slips.toml");

const OF_DRUM: &[Finding] = &[Finding::DrumLocked, Finding::DrumNotLocked, Finding::DrumHunting, Finding::DrumJitter];
const OF_CAPSTAN: &[Finding] =
    &[Finding::CapstanLocked, Finding::TapeSlip, Finding::TrackingHunting, Finding::CapstanJitter];

fn but(of: &[Finding], finding: Finding) -> Vec<Finding> {
    of.iter().copied().filter(|f| *f != finding).collect()
}

#[track_caller]
fn says(text: &str, stage: usize, more: &[&str], procedure: &str, verdict: Outcome, finding: Finding) {
    let of = if procedure == "drum-lock" { OF_DRUM } else { OF_CAPSTAN };
    let said = run(text, stage, more, procedure);
    check(&said, &Want { verdict, there: &[finding], not_there: &but(of, finding), unable: &[] });
}

#[test]
fn a_drum_that_hunts_runs_free_or_jitters_is_told_from_one_that_is_locked() {
    says(DRUM, 0, &[], "drum-lock", Outcome::Fail, Finding::DrumHunting);
    says(DRUM, 1, &[], "drum-lock", Outcome::Pass, Finding::DrumLocked);
    says(DRUM, 2, &[], "drum-lock", Outcome::Fail, Finding::DrumNotLocked);
    // So little that the rate alone would pass: the phase walks all the same.
    says(DRUM, 1, &["fault drum-unlocked 0.00005"], "drum-lock", Outcome::Fail, Finding::DrumNotLocked);
    says(DRUM, 1, &["fault head-switch-jitter 4e-5"], "drum-lock", Outcome::Fail, Finding::DrumJitter);
}

#[test]
fn without_a_reference_there_is_a_rate_and_no_phase() {
    // The reference on the other input, where nothing triggers on it, is as good as on a channel.
    let other_way = DRUM
        .replace("[scope.probes.CH1]\npoint = \"reference\"", "[scope.probes.CH1]\npoint = \"head-switch\"")
        .replace("[scope.probes.EXT]\npoint = \"head-switch\"", "[scope.probes.EXT]\npoint = \"reference\"");
    says(&other_way, 1, &[], "drum-lock", Outcome::Pass, Finding::DrumLocked);
    says(&other_way, 0, &[], "drum-lock", Outcome::Fail, Finding::DrumHunting);
    // No reference at all: the rate is held against the time base of the scope, and nothing is said of a lock.
    let alone = other_way.replace("[scope.probes.EXT]\npoint = \"reference\"\nfactor = 10.0\nexpected_v = 5.0\n", "");
    let said = run(&alone, 1, &[], "drum-lock");
    check(&said, &Want { verdict: Outcome::Pass, there: &[], not_there: OF_DRUM, unable: &[] });
    says(&alone, 2, &[], "drum-lock", Outcome::Fail, Finding::DrumNotLocked);
    // Only an input that triggers: nothing can be measured.
    let deaf = DRUM.replace("[scope.probes.CH1]\npoint = \"reference\"", "[scope.probes.CH1]\npoint = \"video\"");
    let said = run(&deaf, 1, &[], "drum-lock");
    check(
        &said,
        &Want { verdict: Outcome::Unable, there: &[], not_there: OF_DRUM, unable: &[UnableCode::NotPossible] },
    );
}

#[test]
fn a_missing_reference_is_no_number() {
    // Without its reference the drum runs free.
    let said = run(DRUM, 1, &["fault reference-missing"], "drum-lock");
    let unable = &[UnableCode::SignalAbsent, UnableCode::NotPossible];
    check(&said, &Want { verdict: Outcome::Unable, there: &[], not_there: OF_DRUM, unable });
}

#[test]
fn a_tape_that_slips_is_told_from_tracking_that_hunts_and_from_jitter() {
    says(CAPSTAN, 0, &[], "capstan-lock", Outcome::Fail, Finding::TapeSlip);
    says(CAPSTAN, 1, &[], "capstan-lock", Outcome::Pass, Finding::CapstanLocked);
    says(CAPSTAN, 2, &[], "capstan-lock", Outcome::Fail, Finding::TrackingHunting);
    // A third of a pitch in ten seconds is a slip too small for any rate, and walks.
    says(CAPSTAN, 1, &["fault capstan-free 0.0004"], "capstan-lock", Outcome::Fail, Finding::TapeSlip);
    let jittery = CAPSTAN.replace("[tapes.harbour-1988]", "[machine.control]\njitter_s = 9.9e-4\n[tapes.harbour-1988]");
    let said = run(&jittery, 1, &[], "capstan-lock");
    assert!(
        !said.report.findings.contains(&Finding::TapeSlip) && !said.report.findings.contains(&Finding::TrackingHunting)
    );
    assert_ne!(said.report.verdict, Some(Outcome::Pass), "{:?}", said.report);
}

#[test]
fn a_format_without_control_track_points_to_pilot_tones() {
    let text = CAPSTAN.replace("vhs-525-sp", "8mm-625-sp");
    let said = run(&text, 1, &[], "capstan-lock");
    check(
        &said,
        &Want { verdict: Outcome::Unable, there: &[], not_there: OF_CAPSTAN, unable: &[UnableCode::NotInFormat] },
    );
    assert!(said.report.procedures[0].advice.iter().any(|a| a.contains("pilot")), "{:?}", said.report);
}

/// A random machine for a servo: locked, slipping or hunting.
fn machine(random: &mut Random, number: u64, of_drum: bool) -> String {
    let format = *random.one_of(&["vhs-525-sp", "vhs-625-sp", "vhs-525-ep", "beta-525-ii", "beta-625"]);
    let manner = number % 3;
    let (drum, capstan, tracking) = match (of_drum, manner) {
        (true, 1) => (
            format!("hunting_s = {}\nhunting_period_s = {}", random.between(5e-5, 1e-3), random.between(1.5, 5.0)),
            String::new(),
            String::new(),
        ),
        (false, 1) => (
            String::new(),
            String::new(),
            format!("hunting_pitch = {}\nhunting_period_s = {}", random.between(0.1, 0.6), random.between(2.0, 6.0)),
        ),
        _ => Default::default(),
    };
    let fault = match (of_drum, manner) {
        (true, 2) => format!("\"fault drum-unlocked {:.5}\"", random.between(-0.02, 0.02)),
        (false, 2) => format!("\"fault capstan-free {:.5}\"", random.between(-0.012, 0.012)),
        _ => String::new(),
    };
    let train = if of_drum { "reference" } else { "control-track" };
    let (sampled, triggers) = if random.chance(0.5) { (train, "head-switch") } else { ("head-switch", train) };
    let front = *random.one_of(&["family-a", "scpi-99"]);
    format!(
        "title = \"machine {number}\"\nseed = {number}\n[machine]\nname = \"VC-{number:02}\"\nformat = \"{format}\"\ntape = \"in\"\n\
         [machine.transport]\nthreading_s = 0.4\n[machine.drum]\nspin_up_s = 0.3\nlock_tau_s = 0.05\njitter_s = {jitter}\nphase_s = {phase}\n{drum}\n\
         [machine.capstan]\nrun_up_s = 0.1\nlock_tau_s = 0.05\n{capstan}\n[machine.tracking]\noffset_pitch = {offset}\n{tracking}\n\
         [machine.control]\njitter_s = {pulses}\ndelay_s = {delay}\n[tapes.in]\nkind = \"other\"\n\
         [scope]\nfront_end = \"{front}\"\nmodel = \"modest\"\n[scope.probes.CH1]\npoint = \"{sampled}\"\nfactor = 10.0\nexpected_v = 5.0\n\
         [scope.probes.EXT]\npoint = \"{triggers}\"\nfactor = 10.0\nexpected_v = 5.0\n[operator]\nanswer = \"yes\"\n\
         [[stage]]\ntitle = \"as it is\"\ndo = [{fault}]\ntape = \"in\"\n",
        jitter = random.between(1e-6, 2e-5),
        phase = random.between(2e-3, 8e-3),
        offset = random.between(-0.3, 0.3),
        pulses = random.between(2e-6, 2e-4),
        delay = random.between(14e-3, 19e-3),
    )
}

fn coverage(procedure: &str, of_drum: bool, names: &[&str]) {
    let mut random = Random::new(41, u64::from(of_drum));
    let (mut counts, mut off) = (Counts::new(), String::new());
    for number in 0..24 {
        let text = machine(&mut random, number, of_drum);
        let mut said = run(&text, 0, &[], procedure);
        let measured = said.report.procedures.iter().map(|p| p.measurements.len()).sum::<usize>();
        assert!(measured > 0, "{}\n{text}", tapewright::report::text::run(&said.report));
        if number % 3 == 1 {
            // The irregular course of hunting passes for jitter in part: that is told by the swing.
            said.truths.retain(|name, _| !name.ends_with(".jitter"));
        }
        count(&said, &mut counts, &mut off);
    }
    let names: Vec<String> = names.iter().map(|name| format!("{procedure}/{name}")).collect();
    covered(&counts, &names.iter().map(String::as_str).collect::<Vec<_>>(), 7, &off);
}

#[test]
fn intervals_of_the_drum_hold_the_truth_over_random_machines() {
    coverage("drum-lock", true, &["drum.rate-error", "drum.phase", "drum.jitter", "drum.swing"]);
}

#[test]
fn intervals_of_the_capstan_hold_the_truth_over_random_machines() {
    coverage("capstan-lock", false, &["capstan.speed-error", "capstan.phase", "capstan.jitter", "capstan.swing"]);
}
