//! Guides live: which one, and whether it gets better, while hands are on it.

use super::support::{Rig, block_on, scenario};
use super::{check, truth};
use core::time::Duration;
use tapewright::live::{LiveFrame, LiveSpec};
use tapewright_formats::{Mode, Outcome, TapeKind};
use tapewright_host::Trend;

/// Watches live until a frame fits, or fails after so long.
async fn until(rig: &Rig, after: &mut u64, within_s: f64, fits: impl Fn(&LiveFrame) -> bool) -> LiveFrame {
    let shared = rig.bench.shared();
    let end = rig.clock.now() + Duration::from_secs_f64(within_s);
    loop {
        let frame = rig.bench.live().after(shared, *after, end).await;
        *after = frame.number;
        if fits(&frame) {
            return frame;
        }
        assert!(rig.clock.now() < end && frame.ended.is_none(), "it did not come: {frame:#?}");
    }
}

fn headline(frame: &LiveFrame) -> &str {
    frame.reading.as_ref().map_or("", |reading| &reading.headline)
}

fn live_spec(rig: &Rig) -> LiveSpec {
    LiveSpec {
        procedure: "guide-adjust".to_owned(),
        machine: None,
        format: Some(rig.scenario.machine.format.clone()),
        tape: Some(TapeKind::Other),
        tape_name: "council-1991".to_owned(),
        even_picture: true,
        job: None,
        acknowledge: true,
    }
}

#[test]
fn live_it_shows_which_guide_and_whether_it_gets_better() {
    block_on(async {
        let rig = Rig::new(scenario("guide-entrance-low")).await;
        rig.tell("tape council-1991");
        rig.tell("fault exit-guide -30");
        let pressed = rig.sim.key_presses().iter().sum::<u64>();
        rig.bench.start_live(live_spec(&rig)).await.expect("it begins");
        let mut at = 0;
        until(&rig, &mut at, 10.0, |frame| headline(frame) == "NOT IN PLAY").await;
        // Nothing moved by itself.
        assert_eq!(rig.sim.key_presses().iter().sum::<u64>(), pressed);
        rig.bench.live_key(Mode::Play).expect("a key");
        let frame = until(&rig, &mut at, 10.0, |frame| headline(frame) == "EXIT SAGS").await;
        assert!(frame.reading.expect("a reading").says.contains("centre"));
        until(&rig, &mut at, 5.0, |frame| frame.captures_a_second.is_some_and(|rate| rate >= 10.0)).await;
        rig.bench.live().say("no-such-word").expect_err("it is no choice");
        rig.bench.live().say("centre").expect("it is a choice");
        until(&rig, &mut at, 5.0, |frame| frame.reading.as_ref().is_some_and(|r| r.says.contains("one side"))).await;
        rig.tell("fault tracking 0.4");
        until(&rig, &mut at, 5.0, |frame| frame.reading.as_ref().is_some_and(|r| r.says.contains("the other"))).await;
        rig.tell("fault tracking -0.4");
        let frame = until(&rig, &mut at, 8.0, |frame| headline(frame) == "EXIT HIGH").await;
        let reading = frame.reading.expect("a reading");
        let large = &reading.gauges[reading.large.expect("one is large") as usize];
        assert_eq!(large.name, "exit-guide.height-error");
        let exact = truth(&rig).exit_um;
        let near = |f: &LiveFrame| {
            f.reading
                .as_ref()
                .is_some_and(|r| r.gauges.iter().any(|g| g.name == large.name && (g.value - exact).abs() < 2.0))
        };
        until(&rig, &mut at, 3.0, near).await;
        // The screw is turned the right way, then the wrong way.
        until(&rig, &mut at, 8.0, |f| f.reading.as_ref().is_some_and(|r| r.trend == Trend::Same)).await;
        rig.tell("fault exit-guide -15");
        until(&rig, &mut at, 5.0, |f| f.reading.as_ref().is_some_and(|r| r.trend == Trend::Better)).await;
        until(&rig, &mut at, 8.0, |f| f.reading.as_ref().is_some_and(|r| r.trend == Trend::Same)).await;
        rig.tell("fault exit-guide -28");
        until(&rig, &mut at, 5.0, |f| f.reading.as_ref().is_some_and(|r| r.trend == Trend::Worse)).await;
        rig.bench.live().end();
        let shared = rig.bench.shared();
        let end = rig.clock.now() + Duration::from_secs(10);
        while rig.bench.live().after(shared, at, end).await.ended.is_none() {
            at += 1;
        }
        assert_eq!(shared.transport.now(), Mode::Play, "the machine is left as it is");
        assert_eq!(rig.data.index().runs(&tapewright::records::RunFilter::default()).await.expect("runs").len(), 0);
        rig.bench.close().await;
    });
}

/// Takes centre, then moves the tracking to both sides.
async fn take_places(rig: &Rig, at: &mut u64) {
    rig.bench.live().say("centre").expect("it is a choice");
    for (next, tracking) in [("one side", "0.4"), ("the other", "-0.4")] {
        until(rig, at, 5.0, |frame| frame.reading.as_ref().is_some_and(|r| r.says.contains(next))).await;
        rig.tell(&format!("fault tracking {tracking}"));
    }
}

#[test]
fn live_an_end_that_has_left_its_track_has_no_height_until_it_is_back() {
    block_on(async {
        let rig = Rig::new(scenario("guide-entrance-low")).await;
        rig.tell("tape council-1991");
        rig.tell("fault exit-guide 90");
        rig.bench.start_live(live_spec(&rig)).await.expect("it begins");
        rig.bench.live_key(Mode::Play).expect("a key");
        let mut at = 0;
        until(&rig, &mut at, 20.0, |frame| headline(frame) == "EXIT SAGS").await;
        take_places(&rig, &mut at).await;
        let frame = until(&rig, &mut at, 8.0, |frame| headline(frame) == "EXIT LOST").await;
        let reading = frame.reading.expect("a reading");
        assert!(reading.says.contains("upwards") && reading.says.contains("say `centre` anew"), "{reading:?}");
        assert!(reading.gauges.iter().all(|gauge| !gauge.name.contains("height")), "{reading:?}");
        rig.tell("fault tracking 0");
        rig.tell("fault exit-guide 30");
        rig.clock.sleep(Duration::from_secs(3)).await;
        take_places(&rig, &mut at).await;
        until(&rig, &mut at, 8.0, |frame| headline(frame) == "EXIT LOW").await;
        rig.bench.close().await;
    });
}

#[test]
fn live_an_end_that_noise_hides_is_not_lost() {
    block_on(async {
        let rig = Rig::new(scenario("guide-entrance-low")).await;
        rig.tell("tape council-1991");
        rig.tell("fault contact-dip 0.99");
        rig.tell("fault noise 0.02");
        rig.bench.start_live(live_spec(&rig)).await.expect("it begins");
        rig.bench.live_key(Mode::Play).expect("a key");
        let mut at = 0;
        until(&rig, &mut at, 20.0, |frame| headline(frame) == "EXIT SAGS").await;
        take_places(&rig, &mut at).await;
        let frame = until(&rig, &mut at, 8.0, |frame| headline(frame) == "EXIT IN NOISE").await;
        let reading = frame.reading.expect("a reading");
        assert!(reading.says.contains("turn no guide; clean drum"), "{reading:?}");
        // Many looks, at both sides and at centre.
        for tracking in ["-0.4", "0.4", "0"] {
            rig.tell(&format!("fault tracking {tracking}"));
            let end = rig.clock.now() + Duration::from_secs(3);
            while rig.clock.now() < end {
                let frame = until(&rig, &mut at, 5.0, |_| true).await;
                assert!(!headline(&frame).contains("LOST"), "{frame:#?}");
            }
        }
        rig.bench.close().await;
    });
}

#[test]
fn live_the_noise_of_a_dead_head_is_not_shown_as_its_ends() {
    block_on(async {
        let rig = Rig::new(scenario("guide-entrance-low")).await;
        rig.tell("tape council-1991");
        rig.tell("fault exit-guide -30");
        rig.tell("fault head-a-gain 0");
        rig.bench.start_live(live_spec(&rig)).await.expect("it begins");
        rig.bench.live_key(Mode::Play).expect("a key");
        let frame = until(&rig, &mut 0, 20.0, |frame| headline(frame) == "EXIT SAGS").await;
        let reading = frame.reading.expect("a reading");
        assert!(reading.warnings[0].contains("Nothing of head-a is heard"), "{reading:?}");
        assert!(reading.gauges.iter().all(|gauge| gauge.name.starts_with("head-b.")), "{reading:?}");
        rig.bench.close().await;
    });
}

#[test]
fn live_hunting_is_seen() {
    block_on(async {
        let rig = Rig::new(scenario("guide-hunting")).await;
        rig.tell("tape council-1991");
        rig.tell("fault hunting 0.4");
        rig.bench.start_live(live_spec(&rig)).await.expect("it begins");
        rig.bench.live_key(Mode::Play).expect("a key");
        let frame = until(&rig, &mut 0, 40.0, |frame| headline(frame) == "TRACKING HUNTS").await;
        assert!(frame.reading.expect("a reading").warnings[0].contains("manual"));
        rig.bench.close().await;
    });
}

#[test]
fn live_readings_stand_beside_a_run_that_waits_for_the_adjustment_only() {
    block_on(async {
        let mut scenario = scenario("guide-entrance-low");
        // Nobody answers this one: the test does.
        scenario.operator.adjust.remove("adjust-guides");
        let rig = Rig::new(scenario).await;
        rig.tell("fault entrance-guide 36");
        rig.operator.begin(&rig.scenario.stages[0]);
        let shared = rig.bench.shared().clone();
        let attending = tokio::spawn({
            let (operator, shared) = (rig.operator.clone(), shared.clone());
            async move { operator.attend_but(shared, &["adjust-guides"]).await }
        });
        let (_, task) = rig.bench.start(rig.spec("guide-adjust", "alignment")).await.expect("it begins");
        let spec = LiveSpec { format: None, tape: None, acknowledge: false, ..live_spec(&rig) };
        let busy = rig.bench.start_live(spec.clone()).await.expect_err("the run does not wait yet");
        assert!(matches!(busy, tapewright::live::LiveStartError::Busy { .. }), "{busy}");
        let prompt = loop {
            rig.clock.sleep(Duration::from_millis(100)).await;
            if let Some(prompt) = shared.prompts.open().into_iter().find(|p| p.question.name == "adjust-guides") {
                break prompt;
            }
        };
        assert!(prompt.question.text.contains("stands low"), "{}", prompt.question.text);
        assert_eq!(shared.transport.now(), Mode::Stop, "hands may go in");
        rig.bench.start_live(spec).await.expect("now it may");
        rig.bench.live_key(Mode::Play).expect("a key");
        let mut at = 0;
        let frame = until(&rig, &mut at, 20.0, |frame| headline(frame).starts_with("ENTRANCE")).await;
        let warnings = frame.reading.expect("a reading").warnings;
        assert!(!warnings.iter().any(|w| w.contains("alignment tape")), "the run's tape is known: {warnings:?}");
        rig.tell("fault entrance-guide 0");
        shared.prompts.answer(&prompt.id, "done").expect("it is open");
        let end = rig.clock.now() + Duration::from_secs(20);
        loop {
            let frame = rig.bench.live().after(&shared, at, end).await;
            at = frame.number;
            if let Some(why) = frame.ended {
                assert_eq!(why, "the run goes on");
                break;
            }
        }
        let report = task.await.expect("no panic").expect("the tool works");
        check(&report, Outcome::Pass, &[], &[]);
        attending.abort();
        rig.bench.close().await;
    });
}
