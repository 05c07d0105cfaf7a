//! The session against a scripted instrument: no late or doubled answer is ever taken for another's.

use crate::common::{Instrument, Say, chain, run};
use core::time::Duration;
use tapewright_clock::Clock;
use tapewright_instrument::link::Link;
use tapewright_instrument::link::faults::{Faulty, Spoil};
use tapewright_instrument::link::recorder::{Recorder, Way};
use tapewright_instrument::scpi::{Message, Profile, Session, SessionError, frame};

/// Answers `TAG? n` with `n` and a check of it, `BLOCK? n` with n bytes, `COUNT? n` with a wrong count.
fn script(unit: &str) -> Say {
    let (header, data) = unit.split_once(' ').unwrap_or((unit, ""));
    let n: u64 = data.parse().unwrap_or(0);
    match header {
        "TAG?" => Say::Line(format!("{n},{}", check(n))),
        "BLOCK?" => Say::Bytes(frame::print_block(&pattern(n as usize))),
        "LONG?" => Say::Bytes([&b"#15toolong"[..], b"\n"].concat()),
        "SHORT?" => Say::Bytes(b"#19short\n".to_vec()),
        "HUGE?" => Say::Bytes(b"#9999999999".to_vec()),
        "ENDLESS?" => Say::Bytes(vec![b'x'; 100_000]),
        "NOISE?" => Say::Bytes(b"\xff\xfe\x80\n".to_vec()),
        "TWICE?" => Say::Bytes(b"1\n1\n".to_vec()),
        "SET" => Say::Nothing,
        "NOTHING?" => Say::Error(-230, "Data corrupt or stale"),
        _ => Say::Error(-113, "Undefined header"),
    }
}

const fn check(n: u64) -> u64 {
    (n * 7919 + 104_729) % 1_000_003
}

fn pattern(length: usize) -> Vec<u8> {
    (0..length).map(|i| (i * 37 % 251) as u8).collect()
}

fn message(header: &str) -> Message {
    Message::new(header).unwrap()
}

fn session(clock: &Clock) -> (Session, std::sync::Arc<std::sync::Mutex<crate::common::Knobs>>) {
    let (instrument, knobs) = Instrument::new(Box::new(|unit, _| script(unit)));
    (Session::new(instrument.link(clock), clock.clone(), Profile::default()), knobs)
}

async fn tag(session: &mut Session, n: u64) -> Result<Option<u64>, SessionError> {
    let line = session.query(&message("TAG?").integer(n as i64)).await?;
    // A reply that the line spoilt fails its own check; one that passes it is somebody's true answer.
    let parts: Vec<u64> = line.split(',').filter_map(|part| part.parse().ok()).collect();
    Ok(match parts.as_slice() {
        [n, c] if check(*n) == *c => Some(*n),
        _ => None,
    })
}

#[test]
fn a_late_answer_is_never_anothers() {
    run(async |clock| {
        let (mut session, knobs) = session(&clock);
        assert_eq!(tag(&mut session, 1).await.unwrap(), Some(1));
        // Later than the whole time-out: the answer to 2 comes while 3 is about to be asked.
        for late_ms in [3_100, 3_300, 3_500, 4_000, 6_000] {
            knobs.lock().unwrap().delay = Duration::from_millis(late_ms);
            let before = knobs.lock().unwrap().heard.len();
            let error = session.query_within(&message("TAG?").integer(2), Duration::from_secs(3)).await.unwrap_err();
            assert!(matches!(error, SessionError::NoReply { .. } | SessionError::Lost { .. }), "{late_ms}: {error}");
            knobs.lock().unwrap().delay = Duration::from_millis(1);
            assert_eq!(tag(&mut session, 3).await.unwrap(), Some(3), "{late_ms} ms late");
            assert!(knobs.lock().unwrap().heard.len() > before);
        }
        // What was in doubt is told once, and not again.
        assert!(matches!(session.confirm().await, Err(SessionError::OutOfStep { .. })));
        assert_eq!(tag(&mut session, 4).await.unwrap(), Some(4));
        session.confirm().await.unwrap();
    });
}

#[test]
fn a_dropped_question_does_not_leave_its_answer_behind() {
    run(async |clock| {
        let (mut session, knobs) = session(&clock);
        assert_eq!(tag(&mut session, 1).await.unwrap(), Some(1));
        knobs.lock().unwrap().delay = Duration::from_millis(500);
        // The asker goes away half-way.
        let gone = clock.deadline(clock.now() + Duration::from_millis(100), tag(&mut session, 2)).await;
        assert!(gone.is_none());
        knobs.lock().unwrap().delay = Duration::from_millis(1);
        assert_eq!(tag(&mut session, 3).await.unwrap(), Some(3));
    });
}

#[test]
fn doubled_answers_are_found_out() {
    run(async |clock| {
        let (mut session, knobs) = session(&clock);
        // Together with the first: found before the next question.
        assert_eq!(session.query(&message("TWICE?")).await.unwrap(), "1");
        assert_eq!(tag(&mut session, 5).await.unwrap(), Some(5));
        // Just when the next question is out: the check at the end refuses all of them.
        knobs.lock().unwrap().repeat_after = Some(Duration::from_micros(500));
        let mut out_of_step = 0;
        for n in 10..20 {
            // One that doubles everything it says cannot be spoken to: that is a loss, and said.
            if session.fresh().await.is_err() {
                out_of_step += 1;
                continue;
            }
            let got = tag(&mut session, n).await;
            match session.confirm().await {
                Ok(()) => assert_eq!(got.unwrap(), Some(n)),
                Err(_) => out_of_step += 1,
            }
        }
        assert!(out_of_step > 0);
        knobs.lock().unwrap().repeat_after = None;
        session.fresh().await.unwrap();
        assert_eq!(tag(&mut session, 6).await.unwrap(), Some(6));
        session.confirm().await.unwrap();
    });
}

/// For one seed and kind of fault: how many answers were confirmed, and how many faults struck.
fn storm(seed: u64, spoil: Spoil) -> (u64, u64) {
    run(async |clock| {
        let (instrument, _knobs) = Instrument::new(Box::new(|unit, _| script(unit)));
        let (link, control) = Faulty::new(instrument.link(&clock), clock.clone(), seed, spoil);
        let mut session = Session::new(Box::new(link), clock.clone(), Profile::default());
        let mut confirmed = 0;
        for group in 0..6 {
            let mut got = Vec::new();
            session.fresh().await.ok();
            for n in 0..4 {
                got.push((group * 4 + n, tag(&mut session, group * 4 + n).await));
            }
            if session.confirm().await.is_ok() {
                for (n, answer) in got {
                    if let Ok(Some(m)) = answer {
                        assert_eq!(m, n, "seed {seed}, {spoil:?}: a confirmed answer is another's");
                        confirmed += 1;
                    }
                }
            }
        }
        // First faults, then none: all must become right again.
        let spoilt = control.spoilt();
        control.set(Spoil::default());
        let mut tries = 0;
        while tag(&mut session, 99).await.is_err() {
            tries += 1;
            assert!(tries < 3, "seed {seed}: it does not recover");
        }
        session.fresh().await.unwrap();
        assert_eq!(tag(&mut session, 100).await.unwrap(), Some(100), "seed {seed}, {spoil:?}");
        session.confirm().await.unwrap();
        (confirmed, spoilt)
    })
}

#[test]
fn no_fault_of_the_link_makes_a_wrong_answer() {
    let late_by = Duration::from_millis(3_200);
    let kinds = [
        Spoil { late_chunk: 0.2, late_by, ..Spoil::default() },
        Spoil { repeat_chunk: 0.2, late_by: Duration::from_micros(1_500), ..Spoil::default() },
        Spoil { drop_chunk: 0.2, ..Spoil::default() },
        Spoil { drop_message: 0.15, ..Spoil::default() },
        Spoil { drop_byte: 0.02, split: true, ..Spoil::default() },
        Spoil { double_byte: 0.02, split: true, ..Spoil::default() },
        Spoil { garble_byte: 0.02, ..Spoil::default() },
        Spoil { close: 0.03, ..Spoil::default() },
        Spoil {
            late_chunk: 0.1,
            late_by,
            repeat_chunk: 0.1,
            drop_byte: 0.01,
            garble_byte: 0.01,
            drop_message: 0.05,
            split: true,
            ..Spoil::default()
        },
    ];
    for spoil in kinds {
        let (mut confirmed, mut spoilt) = (0, 0);
        for seed in 0..12 {
            let (more, faults) = storm(seed, spoil);
            confirmed += more;
            spoilt += faults;
        }
        assert!(spoilt > 10, "{spoil:?}: only {spoilt} faults struck");
        assert!(confirmed > 20, "{spoil:?}: only {confirmed} answers came through");
    }
}

#[test]
fn split_bytes_alone_cost_nothing() {
    let (confirmed, _) = storm(3, Spoil { split: true, ..Spoil::default() });
    assert_eq!(confirmed, 24);
}

#[test]
fn blocks_and_their_bounds() {
    run(async |clock| {
        let (mut session, _knobs) = session(&clock);
        for length in [0_usize, 1, 9, 10, 2500, 65_536] {
            let asked = message("BLOCK?").integer(length as i64);
            assert_eq!(session.query_block(&asked, 1 << 20).await.unwrap(), pattern(length));
        }
        let too_long = session.query_block(&message("BLOCK?").integer(2500), 2499).await.unwrap_err();
        assert_eq!(
            too_long.to_string(),
            "in-process link to scripted instrument: the answer to `BLOCK? 2500` is wrong: the block announces 2500 bytes, but at most 2499 can be right; check the line (cable, earth, rate); if that is sound, look up in the manual how these words are answered"
        );
        for (header, expected) in [
            ("LONG?", "the block's count of 5 bytes is off: `n` follows it instead of an end of line"),
            ("SHORT?", "no whole answer to `SHORT?`: 9 bytes came"),
            ("HUGE?", "the block announces 999999999 bytes, but at most 1000 can be right"),
            ("ENDLESS?", "a block starts with `#`, but `xxxx"),
            ("NOISE?", "a block starts with `#`, but `\\xff\\xfe\\x80\\n` came"),
        ] {
            let error = session.query_block(&message(header), 1000).await.unwrap_err();
            assert!(error.to_string().contains(expected), "{header}: {error}");
            assert_eq!(tag(&mut session, 7).await.unwrap(), Some(7), "after {header}");
        }
        let error = session.query(&message("ENDLESS?")).await.unwrap_err();
        assert!(error.to_string().contains("65536 bytes came without an end of line"), "{error}");
        assert_eq!(tag(&mut session, 8).await.unwrap(), Some(8));
    });
}

#[test]
fn silence_is_explained_and_refusals_are_named() {
    run(async |clock| {
        let (mut session, _knobs) = session(&clock);
        let error = session.query(&message("NOTHING?")).await.unwrap_err();
        assert_eq!(
            error.to_string(),
            "in-process link to scripted instrument: no whole answer to `NOTHING?`: 0 bytes came, then nothing for 3.000 s; it says: -230,\"Data corrupt or stale\"; look up in the manual whether it knows these words, and what they need"
        );
        let error = session.group(&[message("SET"), message("BAD")]).await.unwrap_err();
        assert_eq!(
            error.to_string(),
            "in-process link to scripted instrument: the instrument refused `SET; BAD`; it says: -113,\"Undefined header\"; look these words up in the manual; a line that garbles also does this: check its cable, its earth and its rate"
        );
        session.group(&[message("SET")]).await.unwrap();
    });
}

#[test]
fn an_instrument_that_is_gone_is_lost_and_can_come_back() {
    run(async |clock| {
        let (mut session, knobs) = session(&clock);
        session.identify().await.unwrap();
        knobs.lock().unwrap().silent = true;
        let began = clock.now();
        let error = session.query(&message("TAG?").integer(1)).await.unwrap_err();
        assert!(matches!(error, SessionError::Lost { .. }), "{error}");
        assert!(clock.now().since(began) < Duration::from_secs(60), "it gives up in good time");
        assert_eq!(knobs.lock().unwrap().reopened, 1);
        knobs.lock().unwrap().silent = false;
        assert_eq!(tag(&mut session, 4).await.unwrap(), Some(4));
        // Unplugged, and it cannot be opened.
        {
            let mut knobs = knobs.lock().unwrap();
            knobs.closed = true;
            knobs.stuck = true;
        }
        let error = tag(&mut session, 5).await.unwrap_err();
        let text = chain(&error);
        assert!(
            text.contains("is lost: it could not be reached") && text.contains("plug the instrument in again"),
            "{text}"
        );
        knobs.lock().unwrap().stuck = false;
        assert_eq!(tag(&mut session, 6).await.unwrap(), Some(6));
    });
}

#[test]
fn another_instrument_on_the_same_port_is_refused() {
    run(async |clock| {
        let (mut session, knobs) = session(&clock);
        session.identify().await.unwrap();
        {
            let mut knobs = knobs.lock().unwrap();
            knobs.closed = true;
            knobs.identity = "Workshop,Other,8,1.0".into();
        }
        let error = tag(&mut session, 1).await.unwrap_err();
        assert!(
            error.to_string().contains("it was `Workshop,Scripted,7,1.0`, now it is `Workshop,Other,8,1.0`"),
            "{error}"
        );
        // It stays refused until somebody accepts it.
        assert!(session.identify().await.is_err());
        session.forget_identity();
        session.identify().await.unwrap();
    });
}

#[test]
fn a_recorder_keeps_what_passed() {
    run(async |clock| {
        let (instrument, _knobs) = Instrument::new(Box::new(|unit, _| script(unit)));
        let (mut link, recording) = Recorder::new(instrument.link(&clock), clock.clone(), 400);
        let soon = clock.now() + Duration::from_secs(1);
        for n in 0..5 {
            link.send(format!("TAG? {n}\n").as_bytes(), soon).await.unwrap();
            link.receive(soon).await.unwrap();
        }
        let kept = recording.entries();
        assert_eq!(kept.len() as u64 + recording.forgotten(), 10);
        assert!(recording.forgotten() > 0, "the memory is bounded");
        let last = kept.last().unwrap();
        assert_eq!(
            (last.way, last.bytes.as_slice(), last.at.as_nanos()),
            (Way::Received, format!("4,{}\n", check(4)).as_bytes(), 5_000_000)
        );
    });
}
