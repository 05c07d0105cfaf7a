//! Drum, capstan, tracking and transport.

use super::super::{Head, MachineConfig};
use super::{config, running};
use crate::deck::TrackingKey;
use tapewright_formats::{Mode, Signal, SignalForm};

#[test]
fn play_locks_and_keeps_its_phase() {
    let (machine, t) = running(config("ordinary"), 1, Mode::Play);
    let curve = machine.curve_truth(t, t + 2.0).unwrap();
    assert!(curve.head_a.flatness > 0.98 && curve.head_b.flatness > 0.98, "{curve:?}");
    assert!(curve.head_a.modulation < 1e-3 && curve.balance_db.abs() < 0.05);
    let slip = machine.slip_truth(t, t + 10.0);
    assert!(slip.frequency_hz < 1e-3, "{slip:?}");
    let control = machine.control_truth(t, t + 10.0);
    assert_eq!(control.missing, 0);
    assert!((control.rate_hz.unwrap() - 30000.0 / 1001.0).abs() < 1e-3, "{control:?}");
    assert!((control.duty_percent.unwrap() - 60.0).abs() < 0.1);
    assert!((control.delay_s.unwrap() - 5e-3).abs() < 1e-4, "{control:?}");
    assert!((control.jitter_s.unwrap() / (5e-6 * 2f64.sqrt()) - 1.0).abs() < 0.2, "{control:?}");
    assert!((machine.head_switch_rate_hz(t, t + 2.0).unwrap() - 30000.0 / 1001.0).abs() < 0.001);
    // One period of control pulses is one frame of tape: levels repeat from frame to frame.
    let starts = machine.scans(Head::A, t, t + 1.0);
    let (first, second) =
        (machine.level_curve(Head::A, starts[3].0).unwrap(), machine.level_curve(Head::A, starts[4].0).unwrap());
    for (a, b) in first.iter().zip(&second) {
        // The drum's jitter alone moves it: 2 us are a ten-thousandth of a pitch.
        assert!((a / b - 1.0).abs() < 1e-3);
    }
}

#[test]
fn without_control_pulses_the_tape_slips_at_the_capstans_error() {
    let mut machine = config("ordinary");
    machine.capstan.free_running_error = 0.007;
    machine.capstan.wander = 0.0;
    let (mut machine, t) = running(machine, 1, Mode::Play);
    machine.fault("control-contact-open", "", t).unwrap();
    let slip = machine.slip_truth(t, t + 20.0);
    let frame = 30000.0 / 1001.0;
    assert!((slip.frequency_hz - 0.007 * frame).abs() < 1e-6, "{slip:?}");
    assert!((slip.speed_error_percent - 0.7).abs() < 1e-4);
    assert!(!machine.really_present(Signal::ControlTrack, t, t + 1.0));
    // The capstan's own pulses stay.
    assert!(machine.really_present(Signal::CapstanPulse, t, t + 1.0));
    // In a slip of 4.8 s every level is passed.
    let curve = machine.head_curve(Head::A, t, t + 10.0).unwrap();
    assert!(curve.modulation > 0.3, "{curve:?}");
    machine.clear("control-contact-open", t + 20.0).unwrap();
    assert!(machine.slip_truth(t + 24.0, t + 30.0).frequency_hz < 1e-4);
    assert!(machine.really_present(Signal::ControlTrack, t + 24.0, t + 25.0));
    // What was before stays as it was.
    assert!((machine.slip_truth(t, t + 20.0).frequency_hz - slip.frequency_hz).abs() < 1e-12);
}

/// Where the tracking control is after some presses, told by where the tape is held; a machine made otherwise by `with`.
fn pressed(with: fn(&mut MachineConfig), fault: Option<&str>, keys: &[(TrackingKey, usize)]) -> f64 {
    let mut setup = config("ordinary");
    setup.tracking.keys = true;
    with(&mut setup);
    let (mut machine, mut t) = running(setup, 3, Mode::Play);
    let before = machine.tape_course_pitch(t);
    if let Some(fault) = fault {
        machine.fault(fault, "", t).unwrap();
    }
    for (key, times) in keys {
        for _ in 0..*times {
            machine.tracking(*key, t);
            // Nothing jumps: the servo brings the tape there.
            assert!((machine.tape_course_pitch(t + 1e-6) - machine.tape_course_pitch(t - 1e-6)).abs() < 1e-3);
            t += 0.5;
        }
    }
    machine.tape_course_pitch(t + 10.0) - before
}

#[test]
fn tracking_keys_step_the_control_between_its_ends_and_both_take_it_to_its_centre() {
    use TrackingKey::{Both, Down, Up};
    let at =
        |expected: f64, got: f64| assert!((got - expected).abs() < 2e-3, "{got} pitches, {expected} were expected");
    let same = |_: &mut MachineConfig| {};
    at(0.21, pressed(same, None, &[(Up, 3)]));
    at(-0.14, pressed(same, None, &[(Up, 3), (Down, 5)]));
    at(0.7, pressed(same, None, &[(Up, 12)]));
    at(0.63, pressed(same, None, &[(Up, 12), (Down, 1)]));
    at(-0.7, pressed(same, None, &[(Down, 14)]));
    at(0.0, pressed(same, None, &[(Down, 4), (Both, 1)]));
    at(-0.3, pressed(|setup| setup.tracking.offset_pitch = 0.3, None, &[(Both, 1)]));
    at(0.1, pressed(|setup| setup.tracking.step_pitch = -0.05, None, &[(Down, 2)]));
    at(0.0, pressed(same, Some("tracking-keys-dead"), &[(Up, 3)]));
    at(0.0, pressed(|setup| setup.tracking.keys = false, None, &[(Up, 3)]));
    // The first centre is right; each later one lies farther off, whatever was pressed between, as far as the control goes.
    let wanders = Some("tracking-centre-wanders");
    at(0.0, pressed(same, wanders, &[(Up, 3), (Both, 1)]));
    at(0.1, pressed(same, wanders, &[(Both, 1), (Down, 4), (Both, 1)]));
    at(0.27, pressed(same, wanders, &[(Both, 3), (Up, 1)]));
    at(0.7, pressed(same, wanders, &[(Both, 9)]));
}

#[test]
fn a_tracking_key_ends_automatic_tracking_and_no_fault() {
    let excursion = |fault: Option<&str>, press: bool| {
        let mut setup = config("ordinary");
        setup.tracking.keys = true;
        setup.tracking.hunting_pitch = 0.5;
        let (mut machine, t) = running(setup, 3, Mode::Play);
        if let Some(fault) = fault {
            machine.fault(fault, "0.5", t).unwrap();
        }
        if press {
            machine.tracking(TrackingKey::Both, t);
        }
        let course: Vec<f64> = (0..400).map(|i| machine.tape_course_pitch(t + 5.0 + f64::from(i) * 0.1)).collect();
        course.iter().copied().fold(f64::MIN, f64::max) - course.iter().copied().fold(f64::MAX, f64::min)
    };
    assert!(excursion(None, false) > 0.5);
    assert!(excursion(None, true) < 1e-3);
    assert!(excursion(Some("hunting"), true) > 0.5);
}

#[test]
fn hunting_comes_back_and_slip_does_not() {
    let (mut machine, t) = running(config("ordinary"), 2, Mode::Play);
    machine.fault("hunting", "0.5", t).unwrap();
    let slip = machine.slip_truth(t + 5.0, t + 65.0);
    assert!(slip.walk_frames.abs() < 0.6 && slip.frequency_hz * 60.0 > 3.0 * slip.walk_frames.abs() + 1.0, "{slip:?}");
    assert!(machine.really_present(Signal::ControlTrack, t + 5.0, t + 6.0));
}

#[test]
fn tracking_moves_the_phase_and_the_delay() {
    let (mut machine, t) = running(config("ordinary"), 2, Mode::Play);
    let full = machine.head_curve(Head::A, t, t + 0.5).unwrap().middle_v;
    machine.fault("tracking", "0.4", t + 1.0).unwrap();
    let settled = t + 6.0;
    let off = machine.head_curve(Head::A, settled, settled + 0.5).unwrap().middle_v;
    assert!((off / full - 0.6).abs() < 0.02, "{}", off / full);
    let field_s = 1001.0 / 60000.0;
    let delay = machine.control_truth(settled, settled + 2.0).delay_s.unwrap();
    assert!((delay - (5e-3 + 0.4 * field_s)).abs() < 1e-4, "{delay}");
}

#[test]
fn modes_show_what_they_should() {
    for (mode, rf, control, switch, capstan) in [
        (Mode::Stop, false, false, false, false),
        (Mode::Play, true, true, true, true),
        (Mode::Still, true, false, true, false),
        (Mode::Cue, true, true, true, true),
        (Mode::Review, true, true, true, true),
        (Mode::FastForward, false, false, false, true),
    ] {
        let (machine, t) = running(config("second"), 4, mode);
        assert_eq!(machine.mode_at(t), mode);
        for (signal, want) in [
            (Signal::Rf, rf),
            (Signal::ControlTrack, control),
            (Signal::HeadSwitch, switch),
            (Signal::DrumPulse, switch),
            (Signal::CapstanPulse, capstan),
            (Signal::Supply, true),
            (Signal::Reference, true),
        ] {
            assert_eq!(machine.really_present(signal, t, t + 1.0), want, "{signal} in {mode}");
        }
    }
    let (machine, t) = running(config("second"), 4, Mode::Cue);
    let rate = machine.control_truth(t, t + 2.0).rate_hz.unwrap();
    assert!((rate / (7.0 * 30000.0 / 1001.0) - 1.0).abs() < 1e-3, "{rate}");
}

#[test]
fn faults_take_away_what_they_should() {
    for (fault, signal) in [
        ("preamp-dead", Signal::Rf),
        ("blank-tape", Signal::Rf),
        ("blank-tape", Signal::ControlTrack),
        ("head-switch-dead", Signal::HeadSwitch),
        ("reference-missing", Signal::Reference),
        ("supply", Signal::Supply),
        ("audio-dead", Signal::AudioLeft),
        ("preamp-dead", Signal::Video),
    ] {
        let (mut machine, t) = running(config("ordinary"), 4, Mode::Play);
        assert!(machine.really_present(signal, t, t + 1.0), "{signal} before");
        machine.fault(fault, "", t + 1.0).unwrap();
        assert!(!machine.really_present(signal, t + 2.0, t + 3.0), "{fault} leaves {signal}");
    }
    let (mut machine, t) = running(config("ordinary"), 4, Mode::Play);
    machine.fault("head-a-dead", "", t).unwrap();
    let curve = machine.curve_truth(t + 0.1, t + 0.5).unwrap();
    assert!(curve.head_a.mean_v == 0.0 && curve.head_b.mean_v > 0.1);
    machine.fault("drum-unlocked", "0.02", t + 1.0).unwrap();
    let rate = machine.head_switch_rate_hz(t + 2.0, t + 6.0).unwrap();
    assert!((rate / (30000.0 / 1001.0) - 1.02).abs() < 0.003, "{rate}");
}

#[test]
fn spikes_stand_at_the_edges_of_the_square() {
    let mut machine = config("ordinary");
    machine.control.form = SignalForm::Spike;
    let (machine, t) = running(machine, 4, Mode::Play);
    let control = machine.control_truth(t, t + 1.0);
    assert!((control.level_v.unwrap() - 1e-3).abs() < 2e-5, "{control:?}");
}

#[test]
fn missing_pulses_come_at_their_rate() {
    let mut machine = config("ordinary");
    machine.control.missing_ratio = 0.1;
    let (machine, t) = running(machine, 4, Mode::Play);
    let control = machine.control_truth(t, t + 100.0);
    assert!((2900..3100).contains(&control.expected) && (230..370).contains(&control.missing), "{control:?}");
    assert!((control.rate_hz.unwrap() - 30000.0 / 1001.0).abs() < 1e-3);
}

#[test]
fn tape_changes_need_rest_and_keys_need_a_tape() {
    let mut machine = super::super::Machine::new(MachineConfig::default(), 1).unwrap();
    machine.key(Mode::Play, 0.0);
    assert_eq!(machine.mode_at(30.0), Mode::Stop);
    machine.insert(Some("alignment"), 30.0).unwrap();
    let t = machine.key(Mode::Play, 31.0);
    assert_eq!(machine.mode_at(t), Mode::Play);
    machine.insert(Some("ordinary"), t + 1.0).unwrap();
    assert_eq!(machine.mode_at(t + 20.0), Mode::Stop);
    let error = machine.insert(Some("none-such"), t + 21.0).unwrap_err().to_string();
    assert!(error.contains("none-such") && error.contains("alignment"), "{error}");
}

#[test]
fn a_thousand_hours_are_a_question() {
    let (machine, _) = running(config("ordinary"), 1, Mode::Play);
    let t = 3.6e6;
    let curve = machine.curve_truth(t, t + 0.2).unwrap();
    assert!(curve.head_a.flatness > 0.98);
    assert!(machine.slip_truth(t, t + 1.0).frequency_hz < 1e-3);
}

#[test]
fn recording_makes_the_tape_the_machines_own() {
    let mut setup = config("second");
    setup.guides.exit_um = 30.0;
    let (mut machine, t) = running(setup, 6, Mode::Play);
    assert!(machine.head_curve(Head::A, t, t + 0.5).unwrap().flatness < 0.7);
    let t = machine.key(Mode::Record, t + 1.0) + 5.0;
    machine.key(Mode::Stop, t);
    let t = machine.key(Mode::Play, t + 10.0);
    assert!(machine.head_curve(Head::A, t, t + 0.5).unwrap().flatness > 0.97);
    assert_eq!(machine.tape().unwrap().1, tapewright_formats::TapeKind::Own);
}

#[test]
fn configurations_are_read_strictly() {
    let whole = serde_json::to_string(&MachineConfig::default()).unwrap();
    assert_eq!(serde_json::from_str::<MachineConfig>(&whole).unwrap(), MachineConfig::default());
    assert!(
        serde_json::from_str::<MachineConfig>(r#"{"rf": {"levle_v": 1.0}}"#)
            .unwrap_err()
            .to_string()
            .contains("levle_v")
    );
    let mut wrong = MachineConfig::default();
    wrong.rf.level_v = f64::NAN;
    let error = super::super::Machine::new(wrong, 1).unwrap_err().to_string();
    assert!(error.contains("level_v") && error.contains("NaN"), "{error}");
    let wrong = MachineConfig { format: "no-such".into(), ..MachineConfig::default() };
    assert!(super::super::Machine::new(wrong, 1).unwrap_err().to_string().contains("vhs-525-sp"));
}

#[test]
fn every_format_plays() {
    for format in tapewright_formats::formats() {
        let (machine, t) = running(MachineConfig { format: format.name.into(), ..config("ordinary") }, 6, Mode::Play);
        let curve = machine.curve_truth(t, t + 0.3).unwrap();
        assert!(curve.head_a.flatness > 0.98 && curve.balance_db.abs() < 0.1, "{}: {curve:?}", format.name);
        assert_eq!(machine.really_present(Signal::ControlTrack, t, t + 1.0), format.control_track, "{}", format.name);
        assert!(machine.really_present(Signal::Video, t, t + 1.0), "{}", format.name);
    }
}
