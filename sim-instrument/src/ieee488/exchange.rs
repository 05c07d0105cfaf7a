//! Message exchange (IEEE 488.2 clause 6): program messages in, response messages out, one at a time.

use super::block::{Digits, block};
use super::call::{Call, Range};
use super::common;
use super::device::{Device, Reply};
use super::events::{self, ErrorsBy};
use super::fault::{Code, Fault};
use super::framing::Framing;
use super::parse::{Header, Node, Reader, Unit};
use super::status::{OPERATION_COMPLETE, Status};
use super::table::written;
use crate::quirks::{Quirk, Quirks, SMALL_INPUT};
use crate::world::World;
use std::collections::VecDeque;

/// How strictly messages are exchanged, and how big the buffers are.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Limits {
    /// A new message while a reply waits unread drops the reply and raises -410.
    pub(crate) interrupt: bool,
    pub(crate) input_bytes: usize,
    /// Greatest response message but for blocks, which are streamed.
    pub(crate) output_bytes: usize,
    pub(crate) errors: usize,
    pub(crate) quirks: Quirks,
}

/// A message that is being executed.
#[derive(Debug)]
struct Running {
    reader: Reader,
    path: Vec<Node>,
    replies: Vec<Vec<u8>>,
    /// A reply to a query without a definite end was given: nothing may follow it.
    closed: bool,
    deadlocked: bool,
    /// The message as it came, for sets that send it back.
    echo: Vec<u8>,
    /// A block is among the replies.
    blocks: bool,
    /// Bytes of replies that the output queue holds: blocks are streamed.
    held: usize,
    waiting: Option<Waiting>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Waiting {
    Query,
    Wait,
}

/// The message exchange of one instrument.
#[derive(Debug)]
pub(crate) struct Exchange {
    limits: Limits,
    framing: Framing,
    input: Vec<u8>,
    overrun: bool,
    queue: VecDeque<Vec<u8>>,
    running: Option<Running>,
    pub(crate) status: Status,
    complete_armed: bool,
    /// Overrides the device's identity.
    pub(crate) identity: Option<String>,
}

impl Exchange {
    pub(crate) fn new(limits: Limits) -> Self {
        Self {
            limits,
            framing: Framing::default(),
            input: Vec::new(),
            overrun: false,
            queue: VecDeque::new(),
            running: None,
            status: Status::new(limits.errors),
            complete_armed: false,
            identity: None,
        }
    }

    /// Takes one byte from the link; `true` when it ended a message.
    pub(crate) fn receive(&mut self, byte: u8) -> bool {
        let ended = self.framing.ends(byte);
        let held = self.input.len() + self.queue.iter().map(Vec::len).sum::<usize>();
        if !ended && self.limits.quirks.has(Quirk::SmallInput) && self.input.len() >= SMALL_INPUT {
            // What fits is decoded as if it were a message.
            let message = core::mem::replace(&mut self.input, vec![byte]);
            self.queue.push_back(message);
            return true;
        }
        if !ended && held >= self.limits.input_bytes {
            // The message is lost as a whole: half of it might mean something else.
            self.input.clear();
            if !self.overrun {
                self.status.raise(Code::InputOverrun.about(format!("{} bytes", self.limits.input_bytes)));
            }
            self.overrun = true;
            self.framing = Framing::default();
            return false;
        }
        if !ended {
            if !self.overrun {
                self.input.push(byte);
            }
            return false;
        }
        let message = core::mem::take(&mut self.input);
        if core::mem::take(&mut self.overrun) {
            return false;
        }
        self.queue.push_back(message);
        true
    }

    /// END from a link that has it: it ends a message as NL does (IEEE 488.2, 7.5), and after NL or
    /// with nothing before it says nothing new. `true` when it ended a message.
    pub(crate) fn receive_end(&mut self) -> bool {
        self.framing = Framing::default();
        let overrun = core::mem::take(&mut self.overrun);
        let message = core::mem::take(&mut self.input);
        if message.is_empty() || overrun {
            return false;
        }
        self.queue.push_back(message);
        true
    }

    /// The controller addresses the device to talk. With nothing to say, and nothing under way that could make it
    /// say something, that is a query error (IEEE 488.2 clause 6.3.2.2).
    pub(crate) fn asked_to_talk(&mut self, available: bool) {
        if !available && self.queue.is_empty() && self.running.is_none() {
            self.status.raise(Code::NothingToSay.into());
        }
    }

    /// Whether a message waits for an overlapped operation.
    pub(crate) fn is_waiting(&self) -> bool {
        self.running.as_ref().is_some_and(|running| running.waiting.is_some())
    }

    /// Device clear (IEEE 488.2 clause 5.8): buffers and parser, not the settings or the status.
    pub(crate) fn device_clear(&mut self) {
        self.framing = Framing::default();
        self.input.clear();
        self.overrun = false;
        self.queue.clear();
        self.running = None;
        self.complete_armed = false;
    }

    /// Begins the next message, if none is running. `unread` tells that a reply was not read yet.
    /// Returns whether that reply is to be dropped.
    pub(crate) fn begin(&mut self, unread: bool) -> bool {
        if self.running.is_some() {
            return false;
        }
        let Some(message) = self.queue.pop_front() else { return false };
        let echo = if self.limits.quirks.has(Quirk::Echo) { [&message[..], b"\n"].concat() } else { Vec::new() };
        self.running = Some(Running {
            reader: Reader::new(message),
            echo,
            blocks: false,
            held: 0,
            path: Vec::new(),
            replies: Vec::new(),
            closed: false,
            deadlocked: false,
            waiting: None,
        });
        let interrupted = unread && self.limits.interrupt;
        if interrupted {
            self.status.raise(Code::QueryInterrupted.into());
        }
        interrupted
    }

    /// Executes the running message as far as it goes. `None`: it waits for an operation.
    /// The response message carries its NL; it is empty if nothing was asked.
    pub(crate) fn run(&mut self, device: &mut dyn Device, world: &mut World<'_>) -> Option<Vec<u8>> {
        let mut running = self.running.take()?;
        if running.waiting.is_some() {
            self.refresh(device, world);
            if device.idle_since(world).is_none() {
                self.running = Some(running);
                return None;
            }
            if running.waiting.take() == Some(Waiting::Query) {
                let text = device.headed("*OPC", "1".to_owned());
                self.answer(&mut running, Reply::Text(text), false);
            }
        }
        while let Some(unit) = running.reader.next_unit() {
            self.refresh(device, world);
            let outcome = unit.and_then(|unit| self.unit(&mut running, &unit, device, world));
            match outcome {
                Ok(None) => {}
                Ok(Some(waiting)) => {
                    running.waiting = Some(waiting);
                    self.running = Some(running);
                    return None;
                }
                Err(fault) => {
                    if fault.code == Code::DataStale && self.limits.quirks.has(Quirk::EmptyWhenOff) {
                        running.replies.push(Vec::new());
                    }
                    // After a command error the parser cannot trust the rest; after others it can.
                    let command_error = (-199..=-100).contains(&fault.code.number());
                    self.status.raise(fault);
                    if command_error {
                        break;
                    }
                }
            }
        }
        self.refresh(device, world);
        Some(self.response(&running))
    }

    /// The response message with its end, and what this set puts around it.
    fn response(&self, running: &Running) -> Vec<u8> {
        let quirks = self.limits.quirks;
        let mut response = running.echo.clone();
        if running.replies.is_empty() {
            return response;
        }
        let cut = running.blocks && quirks.has(Quirk::CutResponses);
        response.extend(running.replies.join(if cut { &b'\n' } else { &b';' }));
        response.push(b'\n');
        if quirks.has(Quirk::LineFeedReturn) {
            response.push(b'\r');
        }
        if running.blocks && quirks.has(Quirk::ExtraNewline) {
            response.push(b'\n');
        }
        if quirks.has(Quirk::NulPadding) {
            response.resize(response.len().next_multiple_of(4), 0);
        }
        response
    }

    /// Brings conditions and a pending `*OPC` up to the present.
    pub(crate) fn refresh(&mut self, device: &mut dyn Device, world: &mut World<'_>) {
        for condition in device.conditions(world) {
            self.status.operation.set_condition(condition);
        }
        if self.complete_armed && device.idle_since(world).is_some() {
            self.complete_armed = false;
            self.status.event |= OPERATION_COMPLETE;
        }
    }

    fn answer(&mut self, running: &mut Running, reply: Reply, closes: bool) {
        let bytes = match reply {
            Reply::None => return,
            Reply::Text(text) => text.into_bytes(),
            Reply::Block(data) => {
                running.blocks = true;
                running.replies.push(block(data, Digits::Fixed(8), self.limits.quirks));
                return;
            }
            Reply::Long(text) => {
                running.replies.push(text.into_bytes());
                return;
            }
            Reply::Headed { before, data, digits } => {
                running.blocks = true;
                running.replies.push([before.into_bytes(), block(data, digits, self.limits.quirks)].concat());
                return;
            }
        };
        if running.deadlocked {
            return;
        }
        running.held += bytes.len();
        if running.held > self.limits.output_bytes {
            running.replies.clear();
            running.deadlocked = true;
            self.status.raise(Code::QueryDeadlocked.into());
            return;
        }
        running.closed |= closes;
        running.replies.push(bytes);
    }

    fn unit(
        &mut self,
        running: &mut Running,
        unit: &Unit,
        device: &mut dyn Device,
        world: &mut World<'_>,
    ) -> Result<Option<Waiting>, Fault> {
        if unit.query && running.closed {
            return Err(Code::QueryUnterminated.into());
        }
        match &unit.header {
            Header::Common(word) => self.common(running, word, unit, device, world),
            Header::Path { rooted, nodes } => {
                let mut full = if *rooted { Vec::new() } else { running.path.clone() };
                full.extend(nodes.iter().cloned());
                running.path = full.get(..full.len() - 1).unwrap_or_default().to_vec();
                let by = device.errors_by();
                if unit.query
                    && let Some((asked, printed)) = events::find(by, &full)
                {
                    Call { suffixes: Vec::new(), params: &unit.params }.takes(0, 0)?;
                    let text = device.headed(printed, events::answer(asked, &mut self.status));
                    self.answer(running, Reply::Text(text), false);
                    return Ok(None);
                }
                let required =
                    if by == ErrorsBy::Queue { common::find(&full) } else { Err(Code::UndefinedHeader.into()) };
                let reply = match required {
                    Ok(required) => {
                        let call = Call { suffixes: Vec::new(), params: &unit.params };
                        common::execute(required, unit.query, &call, &mut self.status)?.map_or(Reply::None, Reply::Text)
                    }
                    Err(fault) if fault.code == Code::HeaderSuffixOutOfRange => return Err(fault),
                    Err(_) => match device.execute(&full, unit.query, &unit.params, world)? {
                        Reply::Text(text) if self.limits.quirks.has(Quirk::HeaderOn) => {
                            Reply::Text(format!(":{} {text}", written(&full)))
                        }
                        reply => reply,
                    },
                };
                self.answer(running, reply, false);
                Ok(None)
            }
        }
    }

    fn common(
        &mut self,
        running: &mut Running,
        word: &str,
        unit: &Unit,
        device: &mut dyn Device,
        world: &mut World<'_>,
    ) -> Result<Option<Waiting>, Fault> {
        const BYTE: Range = Range { least: 0.0, greatest: 255.0, default: 0.0 };
        let call = Call { suffixes: Vec::new(), params: &unit.params };
        let masks = matches!(word, "ESE" | "SRE") && !unit.query;
        call.takes(usize::from(masks), usize::from(masks))?;
        let mut closes = false;
        let reply = match (word, unit.query) {
            ("IDN", true) => {
                closes = true;
                Some(self.identity.clone().unwrap_or_else(|| device.identity()))
            }
            ("CLS", false) => {
                self.status.clear();
                self.complete_armed = false;
                None
            }
            ("RST", false) => {
                device.reset(world);
                self.complete_armed = false;
                None
            }
            ("ESE", false) => {
                self.status.event_enable = call.whole(0, BYTE)? as u8;
                None
            }
            ("SRE", false) => {
                self.status.service_enable = call.whole(0, BYTE)? as u8 & !(1 << 6);
                None
            }
            ("ESE", true) => Some(self.status.event_enable.to_string()),
            ("SRE", true) => Some(self.status.service_enable.to_string()),
            ("ESR", true) => {
                self.status.shown = self.status.errors.len();
                Some(core::mem::take(&mut self.status.event).to_string())
            }
            ("STB", true) => Some(self.status.byte(!running.replies.is_empty()).to_string()),
            ("TST", true) => Some("0".to_owned()),
            ("OPC", false) => {
                self.complete_armed = true;
                self.refresh(device, world);
                None
            }
            ("OPC", true) if self.limits.quirks.has(Quirk::IgnoresOpc) => Some("1".to_owned()),
            ("OPC", true) if device.idle_since(world).is_none() => return Ok(Some(Waiting::Query)),
            ("WAI", false) if device.idle_since(world).is_none() => return Ok(Some(Waiting::Wait)),
            ("OPC", true) => Some("1".to_owned()),
            ("WAI", false) => None,
            _ => return Err(Code::UndefinedHeader.about(format!("*{word}"))),
        };
        let reply = reply.map(|text| device.headed(&format!("*{word}"), text));
        self.answer(running, reply.map_or(Reply::None, Reply::Text), closes);
        Ok(None)
    }
}
