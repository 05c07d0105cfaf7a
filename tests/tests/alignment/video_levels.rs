//! Video levels: sync clipped, all levels off, burst alone, lines that do not keep their time.

use super::{Counts, Want, check, count, covered, run};
use std::fmt::Write;
use tapewright_formats::{Finding, Outcome};
use tapewright_tests::machines::Random;

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/video-sync-low.toml");
const PROCEDURE: &str = "video-levels";
const NOTHING_OFF: &[Finding] = &[
    Finding::VideoSyncLow,
    Finding::VideoLevelWrong,
    Finding::VideoBurstWrong,
    Finding::VideoTimeBase,
    Finding::VideoFieldWrong,
];

fn but(finding: Finding) -> Vec<Finding> {
    NOTHING_OFF.iter().copied().filter(|f| *f != finding).chain([Finding::VideoRight]).collect()
}

#[test]
fn clipped_sync_fails_and_a_right_output_passes() {
    let clipped = run(SCENARIO, 0, &[], PROCEDURE);
    let there = &[Finding::VideoSyncLow];
    check(&clipped, &Want { verdict: Outcome::Fail, there, not_there: &but(there[0]), unable: &[] });
    let right = run(SCENARIO, 1, &[], PROCEDURE);
    check(&right, &Want { verdict: Outcome::Pass, there: &[Finding::VideoRight], not_there: NOTHING_OFF, unable: &[] });
}

#[test]
fn each_fault_has_its_own_finding() {
    for (stage, commands, finding) in [
        (2, &[][..], Finding::VideoLevelWrong),
        (1, &["fault video-gain 0.5"][..], Finding::VideoLevelWrong),
        (1, &["fault video-burst 0.4"][..], Finding::VideoBurstWrong),
        (1, &["fault video-time-base 2e-5"][..], Finding::VideoTimeBase),
    ] {
        let said = run(SCENARIO, stage, commands, PROCEDURE);
        check(&said, &Want { verdict: Outcome::Fail, there: &[finding], not_there: &but(finding), unable: &[] });
    }
}

#[test]
fn snow_gives_no_number() {
    let text = SCENARIO.replace("[machine.video]\n", "[machine.video]\nmute = false\n");
    let snow = run(&text, 1, &["fault preamp-dead"], PROCEDURE);
    let measured = snow.report.procedures.iter().map(|p| p.measurements.len()).sum::<usize>();
    assert_eq!((snow.report.verdict, measured), (Some(Outcome::Unable), 0), "{:?}", snow.report);
}

#[test]
fn a_deep_memory_counts_the_lines_of_a_field() {
    for format in ["vhs-525-sp", "vhs-625-sp"] {
        let text = SCENARIO
            .replace("model = \"modest\"", "model = \"large\"")
            .replace("front_end = \"family-a\"", "front_end = \"scpi-99\"")
            .replace("vhs-525-sp", format);
        let said = run(&text, 1, &[], PROCEDURE);
        check(
            &said,
            &Want { verdict: Outcome::Pass, there: &[Finding::VideoRight], not_there: NOTHING_OFF, unable: &[] },
        );
        let lines = said.report.procedures[0].measurements.iter().find(|m| m.name == "video.lines-a-field");
        let right = if format.contains("525") { 262.5 } else { 312.5 };
        assert_eq!(lines.map(|m| m.value), Some(right), "{:?}", said.report);
    }
}

/// A random machine.
fn machine(random: &mut Random, number: u64) -> String {
    let format =
        *random.one_of(&["vhs-525-sp", "vhs-625-sp", "vhs-625-lp", "s-vhs-625-sp", "beta-525-ii", "8mm-625-sp"]);
    let (front, model) = *random.one_of(&[("family-a", "modest"), ("scpi-99", "modest"), ("scpi-99", "large")]);
    let picture = *random.one_of(&["bars", "grey", "black", "random"]);
    format!(
        "title = \"machine {number}\"\nseed = {number}\n[machine]\nname = \"VC-{number:02}\"\nformat = \"{format}\"\ntape = \"in\"\n\
         [machine.transport]\nthreading_s = 0.4\n[machine.drum]\nspin_up_s = 0.3\nlock_tau_s = 0.05\njitter_s = {drum}\n\
         [machine.capstan]\nrun_up_s = 0.1\nlock_tau_s = 0.05\n\
         [machine.video]\nnoise_v = {noise}\ngain = {gain}\nsync_ratio = {sync}\nburst_ratio = {burst}\noffset_v = {offset}\nhum_v = {hum}\nline_jitter_s = {jitter}\n\
         [tapes.in]\nkind = \"other\"\npicture = \"{picture}\"\n\
         [scope]\nfront_end = \"{front}\"\nmodel = \"{model}\"\n[scope.probes.CH1]\npoint = \"video\"\nfactor = 1.0\nexpected_v = 2.0\n\
         [scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10.0\nexpected_v = 5.0\n[operator]\nanswer = \"yes\"\n\
         [[stage]]\ntitle = \"as it is\"\ntape = \"in\"\n",
        drum = random.between(0.0, 1e-6),
        noise = random.between(0.002, 0.012),
        gain = random.between(0.7, 1.3),
        sync = random.between(0.7, 1.2),
        burst = random.between(0.6, 1.3),
        offset = random.between(-0.2, 0.2),
        hum = random.between(0.0, 0.1),
        jitter = random.between(1e-8, 1.5e-7),
    )
}

#[test]
fn intervals_hold_the_truth_over_random_machines() {
    let mut random = Random::new(61, 1);
    let (mut counts, mut off) = (Counts::new(), String::new());
    for number in 0..24 {
        let text = machine(&mut random, number);
        let said = run(&text, 0, &[], PROCEDURE);
        let measured = said.report.procedures.iter().map(|p| p.measurements.len()).sum::<usize>();
        assert!(measured > 0, "{}\n{text}", tapewright::report::text::run(&said.report));
        let before = off.len();
        count(&said, &mut counts, &mut off);
        if off.len() > before {
            let _ = writeln!(off, "{text}\n{:?}", said.report.procedures[0].notes);
        }
    }
    let names = ["video.sync", "video.burst", "video.line-period", "video.line-jitter"];
    let names: Vec<String> = names.iter().map(|name| format!("{PROCEDURE}/{name}")).collect();
    covered(&counts, &names.iter().map(String::as_str).collect::<Vec<_>>(), 20, &off);
}
