//! A scripted instrument for tests: IEEE 488.2 manners, and whatever a script answers.

use core::time::Duration;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use tapewright_clock::{Clock, Instant, WallTime};
use tapewright_instrument::link::{InProcess, Peer};
use tapewright_instrument::scpi::frame;

/// What a script says to one message unit.
pub(crate) enum Say {
    /// Nothing: a command.
    Nothing,
    /// A line.
    Line(String),
    /// A definite block of these data.
    Block(Vec<u8>),
    /// Bytes as they are, end included.
    Bytes(Vec<u8>),
    /// An error for the queue, and no answer.
    Error(i32, &'static str),
}

/// Answers one message unit that is no common command.
pub(crate) type Script = Box<dyn FnMut(&str, Instant) -> Say + Send>;

/// What a test can see and change while the instrument runs.
#[derive(Default)]
pub(crate) struct Knobs {
    /// Delay of each answer.
    pub(crate) delay: Duration,
    /// Answers nothing.
    pub(crate) silent: bool,
    /// Answers every message with these bytes, as at a wrong rate.
    pub(crate) noise: Option<Vec<u8>>,
    /// Its name.
    pub(crate) identity: String,
    /// Messages that came.
    pub(crate) heard: Vec<String>,
    /// How often it was opened anew.
    pub(crate) reopened: u32,
    /// Whether the port is closed until it is opened anew.
    pub(crate) closed: bool,
    /// Whether it may be opened anew.
    pub(crate) stuck: bool,
    /// The event register.
    pub(crate) events: u8,
    /// Ends each answer of a message with a block by NL, where `;` is due.
    pub(crate) cuts_responses: bool,
    /// Changes each response before it is sent.
    pub(crate) change: Option<fn(Vec<u8>) -> Vec<u8>>,
    /// Sends every answer twice, the second time by so much later.
    pub(crate) repeat_after: Option<Duration>,
}

/// The instrument.
pub(crate) struct Instrument {
    pub(crate) knobs: Arc<Mutex<Knobs>>,
    script: Script,
    input: Vec<u8>,
    output: VecDeque<(Instant, Vec<u8>)>,
    errors: VecDeque<String>,
    mask: String,
}

impl Instrument {
    pub(crate) fn new(script: Script) -> (Self, Arc<Mutex<Knobs>>) {
        let knobs = Knobs {
            identity: "Workshop,Scripted,7,1.0".into(),
            delay: Duration::from_millis(1),
            events: 0x80,
            ..Knobs::default()
        };
        let knobs = Arc::new(Mutex::new(knobs));
        let instrument = Self {
            knobs: Arc::clone(&knobs),
            script,
            input: Vec::new(),
            output: VecDeque::new(),
            errors: VecDeque::new(),
            mask: "0".into(),
        };
        (instrument, knobs)
    }

    /// A link to it on a clock.
    pub(crate) fn link(self, clock: &Clock) -> Box<InProcess<Self>> {
        Box::new(InProcess::new(self, clock.clone(), "scripted instrument"))
    }

    fn unit(&mut self, unit: &str, now: Instant) -> Say {
        let upper = unit.trim_start_matches(':').to_ascii_uppercase();
        match upper.as_str() {
            "" => Say::Nothing,
            "*IDN?" => Say::Line(self.knobs.lock().unwrap().identity.clone()),
            "*ESR?" => {
                let events = core::mem::take(&mut self.knobs.lock().unwrap().events);
                Say::Line(events.to_string())
            }
            "*ESE?" => Say::Line(self.mask.clone()),
            "*OPC?" => Say::Line("1".into()),
            "*RST" | "*CLS" => Say::Nothing,
            "SYST:ERR?" | "SYSTEM:ERROR?" => {
                Say::Line(self.errors.pop_front().unwrap_or_else(|| "0,\"No error\"".into()))
            }
            _ => match upper.strip_prefix("*ESE ") {
                Some(mask) => {
                    self.mask = mask.trim().to_owned();
                    Say::Nothing
                }
                None => (self.script)(unit.trim_start_matches(':'), now),
            },
        }
    }

    fn message(&mut self, text: &str, now: Instant) {
        let (mut answers, mut whole): (Vec<Vec<u8>>, Vec<u8>) = Default::default();
        for unit in text.split(';') {
            match self.unit(unit.trim(), now) {
                Say::Nothing => {}
                Say::Line(line) => answers.push(line.into_bytes()),
                Say::Block(data) => {
                    let mut block = frame::print_block(&data);
                    block.pop();
                    answers.push(block);
                }
                Say::Bytes(bytes) => whole.extend_from_slice(&bytes),
                Say::Error(code, text) => {
                    self.errors.push_back(format!("{code},\"{text}\""));
                    // After a command error the rest of the message is not looked at.
                    if (-199..=-100).contains(&code) {
                        break;
                    }
                }
            }
        }
        // One response message to one program message (IEEE 488.2, 8.4.1).
        let cuts = answers.iter().any(|answer| answer.starts_with(b"#")) && self.knobs.lock().unwrap().cuts_responses;
        let mut answer = answers.join(if cuts { &b'\n' } else { &b';' });
        if !answers.is_empty() {
            answer.push(b'\n');
        }
        answer.extend(whole);
        if let Some(change) = self.knobs.lock().unwrap().change {
            answer = change(answer);
        }
        if let Some(noise) = self.knobs.lock().unwrap().noise.clone() {
            answer = noise;
        }
        let (delay, silent, repeat) = {
            let mut knobs = self.knobs.lock().unwrap();
            knobs.heard.push(text.to_owned());
            (knobs.delay, knobs.silent, knobs.repeat_after)
        };
        if !answer.is_empty() && !silent {
            // An instrument answers in order.
            let last = self.output.back().map_or(now, |(due, _)| *due);
            let delay = delay.max(last.since(now));
            if let Some(after) = repeat {
                self.output.push_back((now + delay + after, answer.clone()));
            }
            self.output.push_back((now + delay, answer));
            self.output.make_contiguous().sort_by_key(|(due, _)| *due);
        }
    }
}

impl Peer for Instrument {
    fn write(&mut self, now: Instant, bytes: &[u8]) {
        self.input.extend_from_slice(bytes);
        while let Some(end) = self.input.iter().position(|&b| b == b'\n') {
            let line: Vec<u8> = self.input.drain(..=end).collect();
            self.message(String::from_utf8_lossy(&line[..end]).trim(), now);
        }
    }

    fn read(&mut self, now: Instant) -> Vec<u8> {
        let mut out = Vec::new();
        while self.output.front().is_some_and(|(due, _)| *due <= now) {
            out.extend(self.output.pop_front().unwrap().1);
        }
        out
    }

    fn next_output(&mut self, _now: Instant) -> Option<Instant> {
        self.output.front().map(|(due, _)| *due)
    }

    fn is_open(&mut self, _now: Instant) -> bool {
        !self.knobs.lock().unwrap().closed
    }

    fn reopen(&mut self, _now: Instant) -> bool {
        self.output.clear();
        self.input.clear();
        let mut knobs = self.knobs.lock().unwrap();
        knobs.reopened += 1;
        knobs.closed = knobs.stuck;
        !knobs.closed
    }
}

/// Runs a test on a virtual clock.
pub(crate) fn run<T>(work: impl AsyncFnOnce(Clock) -> T) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime without drivers");
    runtime.block_on(async { work(Clock::virtual_from(WallTime(0))).await })
}

pub(crate) use tapewright_instrument::causes::chain;
