//! Guides: height with its sign, dirt told from it, hunting seen; before and after; and live meanwhile (`live`).

mod live;
#[path = "../support/mod.rs"]
mod support;

use sim_instrument::scenario::Scenario;
use support::{Rig, block_on, scenario};
use tapewright::report::run_report::{MeasurementReport, RunReport};
use tapewright::report::text;
use tapewright_formats::{Finding, Outcome, UnableCode};

/// The exact height errors and contact of the machine, now.
fn truth(rig: &Rig) -> sim_instrument::machine::GuideTruth {
    let at_s = rig.clock.now().as_secs_f64();
    rig.sim.with_deck(rig.clock.now(), |deck| deck.machine().and_then(|m| m.guide_truth(at_s))).expect("a tape is in")
}

/// Plays the first stage of a scenario: the report, and the truth at its end.
fn play(name: &str) -> (RunReport, sim_instrument::machine::GuideTruth) {
    play_it(scenario(name))
}

fn play_it(scenario: Scenario) -> (RunReport, sim_instrument::machine::GuideTruth) {
    block_on(async {
        let rig = Rig::new(scenario).await;
        let stage = rig.scenario.stages[0].clone();
        for command in &stage.run {
            rig.tell(command);
        }
        rig.operator.begin(&stage);
        let attending = rig.attended();
        let (_, task) = rig.bench.start(rig.spec("guide-adjust", "alignment")).await.expect("it begins");
        let report = task.await.expect("no panic").expect("the tool works");
        let truth = truth(&rig);
        attending.abort();
        rig.bench.close().await;
        (report, truth)
    })
}

#[track_caller]
fn measured<'a>(report: &'a RunReport, name: &str) -> &'a MeasurementReport {
    let all = report.procedures.iter().flat_map(|p| &p.measurements);
    all.into_iter().find(|m| m.name == name).unwrap_or_else(|| panic!("`{name}`\n{}", text::run(report)))
}

#[track_caller]
fn check_holds(report: &RunReport, name: &str, truth: f64) {
    let m = measured(report, name);
    assert!(
        (m.low..=m.high).contains(&truth),
        "{name}: {truth} is not in {} to {}\n{}",
        m.low,
        m.high,
        text::run(report)
    );
}

#[track_caller]
fn check(report: &RunReport, verdict: Outcome, there: &[Finding], not_there: &[Finding]) {
    let text = text::run(report);
    assert_eq!(report.verdict, Some(verdict), "{text}");
    for finding in there {
        assert!(report.findings.contains(finding), "`{finding}` is missing\n{text}");
    }
    for finding in not_there {
        assert!(!report.findings.contains(finding), "`{finding}` is not true\n{text}");
    }
}

#[test]
fn a_low_entrance_guide_is_set_right() {
    let (report, truth) = play("guide-entrance-low");
    let guides = [Finding::EntranceGuideLow, Finding::EntranceGuideHigh, Finding::ExitGuideLow, Finding::ExitGuideHigh];
    check(&report, Outcome::Pass, &[], &guides);
    check_holds(&report, "entrance-guide.height-error", truth.entrance_um);
    check_holds(&report, "exit-guide.height-error", truth.exit_um);
    let before = measured(&report, "before.entrance-guide.height-error");
    assert!(before.low > 10.0, "low is positive: {before:?}");
    let text = text::run(&report);
    assert!(text.contains("after the adjustment: better"), "{text}");
}

#[test]
fn a_high_entrance_guide_that_stays_high_fails_with_its_sign() {
    let (report, truth) = play("guide-entrance-high");
    let not_there = [Finding::EntranceGuideLow, Finding::ExitGuideLow, Finding::ExitGuideHigh, Finding::ContactDip];
    check(&report, Outcome::Fail, &[Finding::EntranceGuideHigh], &not_there);
    check_holds(&report, "entrance-guide.height-error", truth.entrance_um);
    assert!(truth.entrance_um < -15.0, "{truth:?}");
}

/// A guide that stands too high, with the tracking turned by these, and parts of the scenario's text changed.
fn turned(setting: f64, sides: [f64; 2], changed: &[(&str, &str)]) -> Scenario {
    let path = support::in_tree("sim-instrument/scenarios/guide-entrance-high.toml");
    let mut text = std::fs::read_to_string(&path).expect("the scenario is there");
    for (old, new) in [
        ("fault tracking -0.38", format!("fault tracking {}", sides[0]).as_str()),
        ("fault tracking 0.42", format!("fault tracking {}", sides[1]).as_str()),
        ("fault entrance-guide -36", format!("fault entrance-guide {setting}").as_str()),
        ("[\"fault entrance-guide -33\"]", "[]"),
    ]
    .into_iter()
    .chain(changed.iter().copied())
    {
        assert!(text.contains(old), "`{old}` is not there");
        text = text.replace(old, new);
    }
    Scenario::parse(&text).expect("a right scenario")
}

const CONTROL: &str = "[scope.probes.CH2]\npoint = \"control-track\"\nfactor = 10.0\nexpected_v = 5.0\n";
const WIDE: (&str, &str) = (
    "[tapes.alignment]",
    "[machine.head_a]\nwidth_um = 84.0\n\n[machine.head_b]\nwidth_um = 84.0\n\n[tapes.alignment]",
);

#[test]
fn without_control_pulses_no_guide_is_judged_nor_given_a_sign() {
    // The same side twice looks like guides that are right; the sides in either order look like either sign.
    for (setting, sides, wide) in
        [(-30.0, [0.58, 0.58], true), (-36.0, [-0.38, 0.42], false), (-36.0, [0.43, -0.38], false)]
    {
        let mut changed = vec![(CONTROL, "")];
        changed.extend(wide.then_some(WIDE));
        let (report, truth) = play_it(turned(setting, sides, &changed));
        assert!(truth.entrance_um < -14.5, "beyond reject: {truth:?}");
        let all = text::run(&report);
        assert_ne!(report.verdict, Some(Outcome::Pass), "{all}");
        let stated = report.procedures.iter().flat_map(|p| &p.measurements);
        for name in stated.map(|m| &m.name) {
            assert!(!name.contains("height-error") && !name.contains("contact"), "{name}\n{all}");
        }
        measured(&report, "head-a.flatness");
        let mut unable = report.procedures.iter().flat_map(|p| &p.unable);
        assert!(unable.any(|u| u.code == UnableCode::NotPossible && u.what == "guides"), "{all}");
        let mut notes = report.procedures.iter().flat_map(|p| &p.notes);
        assert!(notes.any(|note| note.starts_with("If tracking was turned to both sides")), "{all}");
    }
}

/// Such a deck follows its tracks by itself: nobody is asked to move it off centre.
#[test]
fn a_format_without_a_control_track_is_told_at_once_what_takes_its_place() {
    let changed = [("\"vhs-525-sp\"", "\"8mm-525-sp\""), (CONTROL, "")];
    let (report, _) = play_it(turned(-30.0, [0.4, -0.4], &changed));
    let all = text::run(&report);
    check(&report, Outcome::Unable, &[], &[]);
    let [procedure] = &report.procedures[..] else { panic!("{all}") };
    assert_eq!(procedure.unable[0].code, UnableCode::NotInFormat, "{all}");
    assert!(procedure.measurements.is_empty() && report.next.contains("`pilot-tracking`"), "{all}");
}

#[test]
fn heights_hold_for_heads_half_as_wide_again_as_their_tracks() {
    for setting in [-30.0, 4.0] {
        let (report, truth) = play_it(turned(setting, [0.62, -0.62], &[WIDE]));
        check_holds(&report, "entrance-guide.height-error", truth.entrance_um);
        check_holds(&report, "exit-guide.height-error", truth.exit_um);
        let entrance = measured(&report, "entrance-guide.height-error");
        let narrow = entrance.high - entrance.low < 3.0;
        assert!(narrow || setting < 0.0, "a guide that is right is told: {entrance:?}");
    }
}

/// A head beside its track, or on the next one of its azimuth, told a height of its own, or dirt.
#[test]
fn a_guide_so_far_off_that_its_end_has_left_the_track_has_no_height_and_no_contact() {
    let sp = [("fault entrance-guide 0", "fault exit-guide 120")];
    let ep = [("fault entrance-guide 0", "fault entrance-guide -25"), ("\"vhs-525-sp\"", "\"vhs-525-ep\"")];
    let (exit, entrance) = (["exit-guide", "entrance-guide"], ["entrance-guide", "exit-guide"]);
    for (changed, [off, right], is, is_not) in [
        (&sp[..], exit, Finding::ExitGuideLow, Finding::ExitGuideHigh),
        (&ep[..], entrance, Finding::EntranceGuideHigh, Finding::EntranceGuideLow),
    ] {
        let (report, truth) = play_it(turned(0.0, [0.4, -0.4], changed));
        check(&report, Outcome::Fail, &[is], &[is_not, Finding::ContactDip]);
        let right_um = if right == "exit-guide" { truth.exit_um } else { truth.entrance_um };
        check_holds(&report, &format!("{right}.height-error"), right_um);
        let (procedure, all) = (&report.procedures[0], text::run(&report));
        let stated = procedure.measurements.iter().map(|m| m.name.as_str());
        let untrue = stated.filter(|name| name.contains("contact") || name.contains(&format!("{off}.height")));
        assert_eq!(untrue.collect::<Vec<_>>(), Vec::<&str>::new(), "{all}");
        let unable: Vec<_> = procedure.unable.iter().map(|u| (u.what.as_str(), u.code)).collect();
        assert_eq!(unable, [(off, UnableCode::NotPossible)], "{all}");
        assert!(procedure.advice.iter().any(|advice| advice.contains("back roughly first")), "{all}");
    }
}

#[test]
fn a_guide_far_off_is_brought_back_and_measured() {
    let changed = [
        ("fault entrance-guide 0", "fault exit-guide -90"),
        ("adjust-guides = []", "adjust-guides = [\"fault exit-guide 4\"]"),
    ];
    let (report, truth) = play_it(turned(0.0, [0.4, -0.4], &changed));
    check(&report, Outcome::Pass, &[], &[]);
    check_holds(&report, "exit-guide.height-error", truth.exit_um);
    let all = text::run(&report);
    assert!(all.contains("The exit guide: off its track before, "), "{all}");
}

#[test]
fn dirt_is_not_taken_for_the_exit_guide() {
    let (report, truth) = play("guide-dirt");
    let not_there =
        [Finding::ExitGuideHigh, Finding::ExitGuideLow, Finding::EntranceGuideHigh, Finding::EntranceGuideLow];
    check(&report, Outcome::Fail, &[Finding::ContactDip], &not_there);
    check_holds(&report, "exit-guide.height-error", truth.exit_um);
    check_holds(&report, "head-a.contact", truth.contact);
    check_holds(&report, "head-b.contact", truth.contact);
}

/// Noise hides what little is left there, or hides nothing: either way no guide is off.
#[test]
fn dirt_so_deep_that_next_to_nothing_is_left_sends_nobody_to_a_guide_that_is_right() {
    let guides = [Finding::ExitGuideHigh, Finding::ExitGuideLow, Finding::EntranceGuideHigh, Finding::EntranceGuideLow];
    for (dip, noise, picture) in [(0.99, 0.0, "grey"), (0.99, 0.02, "grey"), (0.95, 0.02, "grey"), (0.97, 0.0, "bars")]
    {
        let path = support::in_tree("sim-instrument/scenarios/guide-dirt.toml");
        let text = std::fs::read_to_string(&path).expect("the scenario is there");
        let text = text.replace("picture = \"grey\"", &format!("picture = \"{picture}\""));
        let mut scenario = Scenario::parse(&text).expect("a right scenario");
        scenario.stages[0].run = vec![format!("fault contact-dip {dip}")];
        if noise > 0.0 {
            scenario.stages[0].run.push(format!("fault noise {noise}"));
        }
        let (report, truth) = play_it(scenario);
        let (procedure, all) = (&report.procedures[0], text::run(&report));
        check(&report, Outcome::Fail, &[Finding::ContactDip], &guides);
        check_holds(&report, "entrance-guide.height-error", truth.entrance_um);
        check_holds(&report, "head-a.contact", truth.contact);
        check_holds(&report, "head-b.contact", truth.contact);
        assert!(!all.contains("left its track") && !all.contains("back roughly first"), "{all}");
        assert!(!all.contains("Turn by an eighth"), "{all}");
        let hidden = procedure.unable.iter().any(|u| u.what == "exit-guide" && u.code == UnableCode::InNoise);
        let told = procedure.measurements.iter().any(|m| m.name == "exit-guide.height-error");
        assert!(hidden != told, "{all}");
        if told {
            check_holds(&report, "exit-guide.height-error", truth.exit_um);
        } else {
            assert!(procedure.advice.iter().any(|advice| advice.contains("turn no guide; clean drum")), "{all}");
        }
        assert!(hidden || noise == 0.0, "noise hides it: {all}");
    }
}

#[test]
fn hunting_is_seen_and_judges_no_guide() {
    let (report, _) = play("guide-hunting");
    check(&report, Outcome::Unable, &[Finding::TrackingHunting], &[Finding::TapeSlip]);
    let codes: Vec<UnableCode> = report.procedures.iter().flat_map(|p| &p.unable).map(|u| u.code).collect();
    assert_eq!(codes, [UnableCode::NotSteady]);
    let text = text::run(&report);
    assert!(text.contains("Set tracking to manual"), "{text}");
}

#[test]
fn a_dead_head_leaves_the_guide_to_the_other_and_passes_nothing() {
    for (setting, verdict, dead, heard) in [
        (-36.0, Outcome::Fail, "head-a", "head-b"),
        (-36.0, Outcome::Fail, "head-b", "head-a"),
        (0.0, Outcome::Unable, "head-b", "head-a"),
    ] {
        let mut scenario = turned(setting, [-0.38, 0.42], &[]);
        scenario.stages[0].run.push(format!("fault {dead}-gain 0.02"));
        let (report, truth) = play_it(scenario);
        let high: &[Finding] = if verdict == Outcome::Fail { &[Finding::EntranceGuideHigh] } else { &[] };
        check(&report, verdict, high, &[Finding::EntranceGuideLow, Finding::ExitGuideHigh, Finding::ExitGuideLow]);
        check_holds(&report, "entrance-guide.height-error", truth.entrance_um);
        check_holds(&report, "exit-guide.height-error", truth.exit_um);
        measured(&report, &format!("{heard}.flatness"));
        let procedure = &report.procedures[0];
        let unable: Vec<_> = procedure.unable.iter().map(|u| (u.what.as_str(), u.code)).collect();
        assert_eq!(unable, [(dead, UnableCode::InNoise)]);
        assert!(!text::run(&report).contains("Turn by an eighth"), "no screw before both heads play");
    }
}
