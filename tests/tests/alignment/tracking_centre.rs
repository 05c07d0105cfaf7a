//! The tracking centre: a head out of its place, a tape of such a machine, automatic tracking.

use super::{Counts, Want, check, count, covered, run};
use std::fmt::Write;
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::machines::Random;

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/x-position.toml");
const PROCEDURE: &str = "tracking-centre";
const NOTHING_OFF: &[Finding] = &[Finding::TrackingOffCentre, Finding::TrackingUneven];

fn x_mm(said: &tapewright_tests::bench::Outcome) -> f64 {
    let all = said.report.procedures.iter().flat_map(|p| &p.measurements);
    all.into_iter().find(|m| m.name == "tracking.x-error").expect("it is measured").value
}

#[test]
fn a_head_out_of_its_place_fails_with_the_millimetres_to_move() {
    let out = run(SCENARIO, 0, &[], PROCEDURE);
    let there = &[Finding::TrackingOffCentre];
    let not_there = &[Finding::TrackingUneven, Finding::TrackingCentred];
    check(&out, &Want { verdict: Outcome::Fail, there, not_there, unable: &[] });
    assert!((x_mm(&out) - 0.15).abs() < 0.015, "{} mm", x_mm(&out));
    let right = run(SCENARIO, 1, &[], PROCEDURE);
    check(
        &right,
        &Want { verdict: Outcome::Pass, there: &[Finding::TrackingCentred], not_there: NOTHING_OFF, unable: &[] },
    );
}

#[test]
fn a_tape_of_another_machine_blames_none() {
    let said = run(SCENARIO, 2, &[], PROCEDURE);
    let not_there = &[Finding::TrackingOffCentre, Finding::TrackingUneven, Finding::TrackingCentred];
    check(&said, &Want { verdict: Outcome::Unable, there: &[], not_there, unable: &[UnableCode::WrongTape] });
}

#[test]
fn a_control_that_does_nothing_and_tracking_that_hunts_give_no_centre() {
    // The operator's hand turns a control that is not connected.
    let mut idle = String::new();
    for line in SCENARIO.lines() {
        let kept = if line.starts_with("tracking-") {
            line.split(" = ").next().unwrap_or_default().to_owned() + " = []"
        } else {
            line.to_owned()
        };
        let _ = writeln!(idle, "{kept}");
    }
    let said = run(&idle, 1, &[], PROCEDURE);
    let not_there = &[Finding::TrackingOffCentre, Finding::TrackingCentred];
    check(&said, &Want { verdict: Outcome::Unable, there: &[], not_there, unable: &[UnableCode::NotPossible] });
    let said = run(SCENARIO, 1, &["fault hunting 0.8"], PROCEDURE);
    assert_eq!(said.report.verdict, Some(Outcome::Unable), "{:?}", said.report);
}

/// A random machine, and the operator's uneven steps.
fn machine(random: &mut Random, number: u64) -> String {
    let (format, pitch_um, speed) = *random.one_of(&[
        ("vhs-525-sp", 57.9, 33.35),
        ("vhs-625-sp", 48.6, 23.39),
        ("vhs-625-lp", 24.3, 11.7),
        ("beta-525-ii", 29.2, 20.0),
    ]);
    let field_hz = if format.contains("525") { 59.94 } else { 50.0 };
    let x_mm = random.between(-0.3, 0.3) * speed / field_hz;
    let mut adjust = String::from("tracking-detent = [\"fault tracking 0\"]\n");
    for step in 1..=9 {
        let k = -0.75 + 1.5 * (f64::from(step) - 1.0) / 8.0 + random.between(-0.04, 0.04);
        let _ = writeln!(adjust, "tracking-{step} = [\"fault tracking {k:.4}\"]");
    }
    let level_v = random.between(0.1, 0.3);
    let large = random.chance(0.3);
    let (model, front) = if large { ("large", "scpi-99") } else { ("modest", "family-a") };
    // The other way to have three signals on two channels.
    let swapped = random.chance(0.4);
    let (second, external) = if swapped { ("head-switch", "control-track") } else { ("control-track", "head-switch") };
    format!(
        "title = \"machine {number}\"\nseed = {number}\n[machine]\nname = \"VC-{number:02}\"\nformat = \"{format}\"\ntape = \"in\"\n\
         [machine.transport]\nthreading_s = 0.4\n[machine.drum]\nspin_up_s = 0.3\nlock_tau_s = 0.05\njitter_s = {jitter}\n\
         [machine.capstan]\nrun_up_s = 0.1\nlock_tau_s = 0.05\n[machine.tracking]\nx_error_mm = {x_mm}\n\
         [machine.rf]\nlevel_v = {level_v}\nnoise_v = {noise}\n[machine.head_a]\ngain = {a}\nwidth_um = {width_a}\n\
         [machine.head_b]\ngain = {b}\nwidth_um = {width_b}\n[machine.control]\njitter_s = {pulses}\ndelay_s = {delay}\n\
         [tapes.in]\nkind = \"alignment\"\npicture = \"{picture}\"\n\
         [scope]\nfront_end = \"{front}\"\nmodel = \"{model}\"\n[scope.probes.CH1]\npoint = \"rf\"\nfactor = 1.0\nexpected_v = {expected}\n\
         [scope.probes.CH2]\npoint = \"{second}\"\nfactor = 10.0\nexpected_v = 5.0\n\
         [scope.probes.EXT]\npoint = \"{external}\"\nfactor = 10.0\nexpected_v = 5.0\n\
         [operator]\ndelay_s = 0.5\nanswer = \"done\"\n[operator.adjust]\n{adjust}\
         [[stage]]\ntitle = \"as it is\"\ntape = \"in\"\ndeclares = [\"scrap-tape-ran-safely\"]\n",
        jitter = random.between(1e-6, 1e-5),
        noise = level_v * random.between(0.008, 0.03),
        a = random.between(0.85, 1.1),
        b = random.between(0.85, 1.1),
        width_a = pitch_um * random.between(1.0, 1.3),
        width_b = pitch_um * random.between(1.0, 1.3),
        pulses = random.between(2e-6, 1e-4),
        delay = random.between(1e-3, 30e-3),
        picture = *random.one_of(&["grey", "bars"]),
        expected = 2.4 * level_v,
    )
}

#[test]
fn intervals_hold_the_truth_over_random_machines() {
    let mut random = Random::new(51, 1);
    let (mut counts, mut off) = (Counts::new(), String::new());
    for number in 0..24 {
        let text = machine(&mut random, number);
        let said = run(&text, 0, &[], PROCEDURE);
        let measured = said.report.procedures.iter().map(|p| p.measurements.len()).sum::<usize>();
        assert!(measured > 0, "{}\n{text}", tapewright::report::text::run(&said.report));
        count(&said, &mut counts, &mut off);
    }
    let names = ["tracking.offset", "tracking.offset-time", "tracking.x-error", "tracking.evenness"];
    let names: Vec<String> = names.iter().map(|name| format!("{PROCEDURE}/{name}")).collect();
    covered(&counts, &names.iter().map(String::as_str).collect::<Vec<_>>(), 20, &off);
}
