//! Manners of serial lines: breaks that are sent only where the dialect says what they do, flow control that
//! eats bytes of blocks, and what is said of a line that stays silent or sends noise.

use crate::common::{Instrument, Knobs, Say, chain, run};
use crate::fake_scope::{World, fake_scope};
use std::sync::{Arc, Mutex};
use tapewright_clock::{Clock, Instant};
use tapewright_instrument::link::{BoxFuture, InProcess};
use tapewright_instrument::scpi::{Message, Profile, Session};
use tapewright_instrument::{Dialect, Link, LinkError, Scope};

/// A line with a break and with flow control, around another link.
struct Line<L> {
    inner: L,
    breaks: Arc<Mutex<u32>>,
    swallows: &'static [u8],
}

impl<L: Link> Link for Line<L> {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        self.inner.send(bytes, deadline)
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        self.inner.receive(deadline)
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        self.inner.reopen()
    }

    fn describe(&self) -> String {
        self.inner.describe()
    }

    fn byte_s(&self) -> f64 {
        self.inner.byte_s()
    }

    fn send_break(&mut self) -> BoxFuture<'_, Result<bool, LinkError>> {
        *self.breaks.lock().unwrap() += 1;
        Box::pin(async { Ok(true) })
    }

    fn swallows(&self) -> &'static [u8] {
        self.swallows
    }
}

fn line(clock: &Clock, baud: u32) -> (Line<InProcess<Instrument>>, Arc<Mutex<u32>>) {
    let (instrument, _knobs) = Instrument::new(Box::new(|_, _| Say::Error(-113, "Undefined header")));
    let breaks = Arc::new(Mutex::new(0));
    let inner = instrument.link(clock).with_baud(baud);
    (Line { inner, breaks: Arc::clone(&breaks), swallows: &[] }, breaks)
}

#[test]
fn a_break_is_sent_only_where_the_dialect_says_what_it_does() {
    run(async |clock| {
        for (clear_by_break, expected) in [(true, 1), (false, 0)] {
            let (link, breaks) = line(&clock, 9600);
            let profile = Profile { clear_by_break, ..Profile::default() };
            let mut session = Session::new(Box::new(link), clock.clone(), profile);
            session.identify().await.unwrap();
            assert_eq!(*breaks.lock().unwrap(), expected);
        }
        assert!(!Dialect::shipped("scpi-99").unwrap().profile.clear_by_break);
    });
}

#[test]
fn blocks_are_not_read_over_a_line_that_eats_bytes() {
    run(async |clock| {
        let (instrument, _world, knobs) = fake_scope(true, World::default());
        let inner = instrument.link(&clock);
        let link = Line { inner, breaks: Arc::default(), swallows: &[0x11, 0x13] };
        let dialect = Dialect::shipped("channel-timebase-waveform").unwrap();
        let error = Scope::open(Box::new(link), dialect, clock.clone()).await.err().unwrap();
        assert_eq!(
            error.to_string(),
            "in-process link to scripted instrument: XON and XOFF vanish from the blocks that samples come in, so none could be read right; use `flow=rts` with a cable that has the lines, `flow=none`, or an instrument that sends its samples as text"
        );
        assert!(knobs.lock().unwrap().heard.is_empty(), "nothing was sent");
    });
}

/// What is said of an instrument that gives no answer in step, without what was tried.
async fn lost(clock: &Clock, baud: Option<u32>, change: impl FnOnce(&mut Knobs)) -> String {
    let (instrument, knobs) = Instrument::new(Box::new(|_, _| Say::Nothing));
    change(&mut knobs.lock().unwrap());
    let link = instrument.link(clock);
    let link = if let Some(baud) = baud { link.with_baud(baud) } else { *link };
    let mut session = Session::new(Box::new(link), clock.clone(), Profile::default());
    let error = session.query(&Message::new("*IDN?").unwrap()).await.unwrap_err();
    let said = chain(&error);
    let (_, remedy) = said.split_once("did not help; ").expect("it is lost");
    remedy.to_owned()
}

#[test]
fn a_wrong_rate_is_suspected_and_named() {
    run(async |clock| {
        assert_eq!(
            lost(&clock, Some(19_200), |knobs| knobs.silent = true).await,
            "nothing came at all at 19200 baud: check its power, the cable (crossed or straight), and the baud rate in the instrument's menu, or try 9600, 115200, 38400, 57600, 4800, 2400, 1200"
        );
        assert_eq!(
            lost(&clock, Some(9600), |knobs| knobs.noise = Some(b"\xf8\x80\x00\xfe\x1c\x00".to_vec())).await,
            "what came (`\\xf8\\x80\\x00\\xfe\\x1c\\x00\\xf8\\x80\\x00\\xfe\\x1c\\x00`) is no text: the baud rate is probably wrong; 9600 was tried, look in the instrument's menu, or try 115200, 19200, 38400, 57600, 4800, 2400, 1200"
        );
        assert_eq!(lost(&clock, None, |knobs| knobs.silent = true).await, "check its power and its cable");
    });
}
