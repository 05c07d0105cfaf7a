//! The whole bench: the tape machine's signals through the scope, its keys through the relays.

use crate::support::Controller;
use sim_instrument::SimBench;
use tapewright_clock::Instant;

const VC_07: &str = include_str!("../../scenarios/vc-07.toml");

/// Deck VC-07 after its first stage's commands, playing.
fn playing() -> (SimBench, Controller) {
    let bench = SimBench::from_scenario(VC_07, None).expect("it is shipped");
    let mut relays = Controller::new(bench.relay_port());
    for text in ["fault control-contact-open", "fault exit-guide 36"] {
        bench.command(relays.now, text).expect("a fault");
    }
    assert_eq!(relays.ask("ROUT:CLOS (@2);:ROUT:CLOS? (@2)"), "1");
    assert_eq!(bench.key_presses()[1], 1);
    let mut scope = Controller::new(bench.scope_port());
    scope.now = Instant::from_secs_f64(relays.now.as_secs_f64() + 10.0);
    assert_eq!(bench.command(scope.now, "truth mode").as_deref(), Ok("\"play\""));
    (bench, scope)
}

/// Codes of a channel, two frames long around the head switch.
fn look(scope: &mut Controller, channel: u8, detect: &str, volts: &str) -> Vec<u8> {
    scope.send(&format!(":CHAN1:DISP ON;:CHAN2:DISP ON;PROB 10;:CHAN{channel}:SCAL {volts};:ACQ:TYPE {detect}"));
    scope.send(":TIM:SCAL 7E-3;:TRIG:SWE NORM;:TRIG:EDGE:SOUR EXT;SLOP POS;LEV 2.5;:SING;*WAI");
    scope.listen(2.0);
    let data = scope.block(&format!(":WAV:SOUR CHAN{channel};:WAV:DATA?"));
    scope.no_error();
    data
}

fn spread(data: &[u8]) -> u8 {
    data.iter().max().expect("there are codes") - data.iter().min().expect("there are codes")
}

#[test]
fn a_lost_control_track_is_seen_on_the_scope() {
    let (bench, mut scope) = playing();
    assert!(spread(&look(&mut scope, 2, "NORM", "2")) <= 4, "the contact is open");
    assert!(spread(&look(&mut scope, 1, "PEAK", "0.1")) > 60, "the heads play");
    bench.command(scope.now, "clear control-contact-open").expect("a fault");
    scope.wait(5.0);
    // 5 V at 2 V a division of 25 steps.
    let control = spread(&look(&mut scope, 2, "NORM", "2"));
    assert!((57..=70).contains(&control), "{control}");
}

#[test]
fn one_seed_repeats_every_byte() {
    let run = || {
        let (bench, mut scope) = playing();
        (look(&mut scope, 1, "PEAK", "0.1"), look(&mut scope, 1, "NORM", "0.1"), bench.acquisitions())
    };
    assert_eq!(run(), run());
}

/// Codes of both channels in pairs, looked at from time to time while they are acquired; with `fault`, something changes
/// meanwhile.
fn watched(step_s: Option<f64>, fault: bool, model: &str) -> [Vec<u8>; 2] {
    let text = VC_07.replace("model = \"modest\"", &format!("model = \"{model}\""));
    let bench = SimBench::from_scenario(&text, None).expect("it is shipped");
    let mut relays = Controller::new(bench.relay_port());
    assert_eq!(relays.ask("ROUT:CLOS (@2);:ROUT:CLOS? (@2)"), "1");
    let mut scope = Controller::new(bench.scope_port());
    scope.now = Instant::from_secs_f64(relays.now.as_secs_f64() + 10.0);
    scope.send(":CHAN1:DISP ON;SCAL 0.1;:CHAN2:DISP ON;:ACQ:TYPE PEAK;:TIM:SCAL 3.4E-3");
    scope.send(":TRIG:SWE NORM;:TRIG:EDGE:SOUR EXT;SLOP POS;LEV 2.5;:SING;*OPC?");
    let (from, mut asked) = (scope.now, 0);
    for step in 1..=40 {
        scope.now = Instant::from_secs_f64(from.as_secs_f64() + f64::from(step) * 2e-3);
        if step == 25 && fault {
            bench.command(scope.now, "fault head-a-gain 0.4").expect("a fault");
        }
        if step_s.is_some_and(|s| (f64::from(step) * 2e-3 / s).fract() < 2e-3 / s) {
            asked += u32::from(scope.port.prepare(scope.now));
        }
    }
    assert!(step_s.is_none() || asked > 3, "it acquired meanwhile: {asked}");
    assert_eq!(scope.listen(2.0), b"1\n");
    [1, 2].map(|channel| scope.block(&format!(":WAV:SOUR CHAN{channel};:WAV:DATA?")))
}

#[test]
fn what_is_computed_while_it_acquires_is_what_it_takes() {
    for (fault, model) in [(false, "modest"), (true, "modest"), (false, "large")] {
        let unwatched = watched(None, fault, model);
        assert!(spread(&unwatched[0]) > 60, "the heads play");
        for step_s in [2e-3, 7e-3] {
            assert!(watched(Some(step_s), fault, model) == unwatched, "{model}, {step_s} s, fault: {fault}");
        }
    }
}

#[test]
fn a_stopped_machine_never_triggers() {
    let bench = SimBench::from_scenario(VC_07, None).expect("it is shipped");
    let mut scope = Controller::new(bench.scope_port());
    scope.send(":TRIG:SWE NORM;:TRIG:EDGE:SOUR EXT;LEV 2.5;:SING");
    for _ in 0..20 {
        scope.wait(1.0);
        assert_eq!(scope.ask(":TRIG:STAT?"), "WAIT");
    }
}

#[test]
fn a_thousand_hours_of_looking_now_and_then_are_cheap() {
    let (_, mut scope) = playing();
    for _ in 0..1000 {
        scope.wait(3600.0);
        scope.send(":TIM:SCAL 7E-3;:TRIG:SWE NORM;:TRIG:EDGE:SOUR EXT;LEV 2.5;:SING;*OPC?");
        assert_eq!(scope.listen(2.0), b"1\n");
    }
}
