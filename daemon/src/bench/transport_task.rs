//! The task that owns the machine's keys.
//!
//! Stop pre-empts everything. A still picture is never held longer than the dwell limit, whatever a
//! procedure or an operator does meanwhile: this task counts, and stops the tape. What nobody waits
//! for any more ends at once, and the machine stops: its asker cannot see to it.

mod dwell;
mod error;

use super::events::{BenchEvent, EventLog};
use super::prompts::{Action, PromptDesk, Question};
use core::time::Duration;
use dwell::Dwell;
use std::sync::{Arc, Mutex, PoisonError};
use tapewright_clock::{Clock, Instant};
use tapewright_formats::{Mode, TrackingPress};
use tapewright_instrument::transport::RecordGrant;
use tapewright_instrument::{StopHandle, TransportControl};
use tokio::sync::{mpsc, oneshot};

pub use dwell::STILL_DWELL;
pub use error::KeysError;

/// After so long it is tried again to end a still that a failed stop did not end.
const STOP_AGAIN: Duration = Duration::from_secs(10);

/// How long the operator has to press a key, where no relay does it.
const KEY_DEADLINE: Duration = Duration::from_secs(300);

/// What the operator answers when the key was pressed.
pub const DONE: &str = "done";
/// What the operator answers when it cannot be done.
pub const CANNOT: &str = "cannot";

/// Who works the keys.
pub enum Keys {
    /// Relays.
    Relays(Box<dyn TransportControl>),
    /// The operator, by prompt; the machine then gets so long to settle.
    Operator {
        /// Time from the key to a settled mode.
        settle: Duration,
    },
}

type Reply<T> = oneshot::Sender<Result<T, KeysError>>;

enum Command {
    Go { to: Mode, reply: Reply<f64> },
    Track { press: TrackingPress, reply: Reply<bool> },
    Record { grant: RecordGrant, lasting: Duration, reply: Reply<()> },
}

/// How the rest of the bench works the keys.
#[derive(Clone)]
pub struct TransportHandle {
    commands: mpsc::Sender<Command>,
    stop: Arc<StopState>,
    now: Arc<Mutex<Mode>>,
    dwell: Dwell,
}

struct StopState {
    relays: Option<StopHandle>,
    asked: tokio::sync::Notify,
}

impl TransportHandle {
    /// Starts the task that owns the keys. `hands_clear` is how long before each motion the bench says so.
    #[must_use]
    pub fn spawn(keys: Keys, clock: Clock, events: EventLog, prompts: PromptDesk, hands_clear: Duration) -> Self {
        let (commands, queue) = mpsc::channel(4);
        let relays = match &keys {
            Keys::Relays(control) => Some(control.stop_handle()),
            Keys::Operator { .. } => None,
        };
        let stop = Arc::new(StopState { relays, asked: tokio::sync::Notify::new() });
        let now = Arc::new(Mutex::new(Mode::Stop));
        let dwell = Dwell::new(clock.clone(), events.clone());
        let asking = Asking { clock, events, prompts };
        let task =
            Task { keys, asking, hands_clear, stop: Arc::clone(&stop), now: Arc::clone(&now), dwell: dwell.clone() };
        tokio::spawn(task.run(queue));
        Self { commands, stop, now, dwell }
    }

    /// Goes to a mode and returns when the machine had time to reach it: the seconds that took.
    ///
    /// # Errors
    /// [`KeysError`].
    pub async fn go(&self, to: Mode) -> Result<f64, KeysError> {
        let (reply, answer) = oneshot::channel();
        self.commands.send(Command::Go { to, reply }).await.map_err(|_| KeysError::Gone)?;
        answer.await.map_err(|_| KeysError::Gone)?
    }

    /// Presses tracking keys: false where no relay can, and nothing was pressed.
    ///
    /// # Errors
    /// [`KeysError`].
    pub async fn track(&self, press: TrackingPress) -> Result<bool, KeysError> {
        let (reply, answer) = oneshot::channel();
        self.commands.send(Command::Track { press, reply }).await.map_err(|_| KeysError::Gone)?;
        answer.await.map_err(|_| KeysError::Gone)?
    }

    /// Records for so long, then stops. The grant says that the tape was declared scratch.
    ///
    /// # Errors
    /// [`KeysError`].
    pub async fn record(&self, grant: RecordGrant, lasting: Duration) -> Result<(), KeysError> {
        let (reply, answer) = oneshot::channel();
        self.commands.send(Command::Record { grant, lasting, reply }).await.map_err(|_| KeysError::Gone)?;
        answer.await.map_err(|_| KeysError::Gone)?
    }

    /// Stops the transport at once, whatever is under way.
    pub fn stop_now(&self) {
        if let Some(relays) = &self.stop.relays {
            relays.request();
        }
        self.stop.asked.notify_one();
    }

    /// How long until a still that was held too long is stopped; none: the tape does not stand still.
    #[must_use]
    pub fn dwell_left(&self, now: Instant) -> Option<Duration> {
        self.dwell.left(now)
    }

    /// The mode last reached.
    #[must_use]
    pub fn now(&self) -> Mode {
        *self.now.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// How the operator is asked to press a key.
#[derive(Clone)]
struct Asking {
    clock: Clock,
    events: EventLog,
    prompts: PromptDesk,
}

struct Task {
    keys: Keys,
    asking: Asking,
    hands_clear: Duration,
    stop: Arc<StopState>,
    now: Arc<Mutex<Mode>>,
    dwell: Dwell,
}

/// What came before a piece of work was done.
enum CutShort {
    StopCame,
    NobodyWaits,
    StillTooLong,
}

/// Does a piece of work, unless something comes first that ends it at once.
async fn unless_cut_short<T>(
    (stop, dwell): (Arc<StopState>, Dwell),
    reply: &mut Reply<T>,
    work: impl Future<Output = Result<T, KeysError>>,
) -> Result<Result<T, KeysError>, CutShort> {
    tokio::select! {
        biased;
        () = stop.asked.notified() => Err(CutShort::StopCame),
        () = reply.closed() => Err(CutShort::NobodyWaits),
        () = dwell.over() => Err(CutShort::StillTooLong),
        done = work => Ok(done),
    }
}

/// Whether the tape stands at one place in a mode.
const fn is_still(mode: Mode) -> bool {
    matches!(mode, Mode::Still | Mode::Advance)
}

impl Task {
    async fn run(mut self, mut queue: mpsc::Receiver<Command>) {
        let mut until: Option<Instant> = None;
        loop {
            self.dwell.set(until);
            let (stop, dwell) = self.limits();
            tokio::select! {
                biased;
                () = stop.asked.notified() => { let _ = self.go(Mode::Stop).await; }
                () = dwell.over() => {
                    if self.end_still().await.is_err() {
                        until = Some(self.asking.clock.now() + STOP_AGAIN);
                    }
                }
                command = queue.recv() => match command {
                    None => return,
                    Some(command) => self.carry_out(command).await,
                },
            }
            until = is_still(self.mode()).then(|| until.unwrap_or_else(|| self.asking.clock.now() + STILL_DWELL));
        }
    }

    /// What may end a piece of work before it is done.
    fn limits(&self) -> (Arc<StopState>, Dwell) {
        (Arc::clone(&self.stop), self.dwell.clone())
    }

    async fn carry_out(&mut self, command: Command) {
        let limits = self.limits();
        match command {
            // Nothing ends a stop.
            Command::Go { to: Mode::Stop, reply } => {
                let _ = reply.send(self.go(Mode::Stop).await);
            }
            Command::Go { to, mut reply } => {
                let done = unless_cut_short(limits, &mut reply, self.go(to)).await;
                self.answer(reply, format!("going to {to}"), done).await;
            }
            Command::Track { press, mut reply } => {
                let done = unless_cut_short(limits, &mut reply, self.track(press)).await;
                self.answer(reply, format!("pressing {press}"), done).await;
            }
            Command::Record { grant, lasting, mut reply } => {
                let mut done = unless_cut_short(limits, &mut reply, self.record(&grant, lasting)).await;
                if matches!(done, Ok(Ok(()))) {
                    done = Ok(self.go(Mode::Stop).await.map(drop));
                }
                self.answer(reply, format!("recording for {} s", lasting.as_secs_f64()), done).await;
            }
        }
    }

    /// Answers what was asked for. What was cut short may have left a key down and the tape anywhere: the machine stops.
    async fn answer<T>(&mut self, reply: Reply<T>, doing: String, done: Result<Result<T, KeysError>, CutShort>) {
        let answer = match done {
            Ok(answer) => answer,
            Err(CutShort::StillTooLong) => {
                let _ = self.end_still().await;
                Err(KeysError::StillTooLong { doing })
            }
            // Without an asker the error goes nowhere.
            Err(CutShort::StopCame | CutShort::NobodyWaits) => {
                let _ = self.go(Mode::Stop).await;
                Err(KeysError::StopCame { doing })
            }
        };
        let _ = reply.send(answer);
    }

    /// Stops a still that was held too long.
    async fn end_still(&mut self) -> Result<(), KeysError> {
        let trouble = |text| BenchEvent::Trouble { text };
        self.asking.events.push(trouble(format!(
            "still was held for {} s, the longest that the tape is left at one place: stopping",
            STILL_DWELL.as_secs()
        )));
        let stopped = self.go(Mode::Stop).await.map(drop);
        if let Err(error) = &stopped {
            self.asking.events.push(trouble(format!(
                "the tape may still stand at one place: {}; stop the machine by hand; it is tried again in {} s",
                crate::report::chain(error),
                STOP_AGAIN.as_secs()
            )));
        }
        stopped
    }

    fn mode(&self) -> Mode {
        *self.now.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set_mode(&self, mode: Mode) {
        *self.now.lock().unwrap_or_else(PoisonError::into_inner) = mode;
    }

    /// Nothing of the loading mechanism moves: hands need not be clear.
    async fn track(&mut self, press: TrackingPress) -> Result<bool, KeysError> {
        let Keys::Relays(control) = &mut self.keys else { return Ok(false) };
        if !control.has_tracking() {
            return Ok(false);
        }
        self.asking.events.push(BenchEvent::TrackingAsked { press });
        let done = control.track(press).await.map(|()| true);
        done.map_err(|source| KeysError::Tracking { press, source: Box::new(source) })
    }

    /// Begins to record, and waits. To stop is for whoever calls it.
    async fn record(&mut self, grant: &RecordGrant, lasting: Duration) -> Result<(), KeysError> {
        self.asking.events.push(BenchEvent::ModeAsked { mode: Mode::Record });
        match &mut self.keys {
            Keys::Relays(control) => {
                self.dwell.set(None);
                let failed = |source| KeysError::Relays { mode: Mode::Record, source: Box::new(source) };
                control.record(grant).await.map_err(failed)?;
            }
            Keys::Operator { .. } => self.asking.clone().ask_operator(Mode::Record).await?,
        }
        self.dwell.set(None);
        self.set_mode(Mode::Record);
        self.asking.clock.sleep(lasting).await;
        Ok(())
    }

    async fn go(&mut self, to: Mode) -> Result<f64, KeysError> {
        let start = self.asking.clock.now();
        self.asking.events.push(BenchEvent::ModeAsked { mode: to });
        // Stop moves loading arms too, but stopping never waits.
        if to != Mode::Stop {
            self.asking.clock.sleep(self.hands_clear).await;
        }
        // From the press on that leads away nothing is held still, however long the machine takes to settle.
        let leaves = !is_still(to);
        match &mut self.keys {
            Keys::Relays(control) => {
                if leaves {
                    self.dwell.set(None);
                }
                // Stop also takes back a stop that was asked for, so that the next motion is possible.
                let done = if to == Mode::Stop { control.stop().await } else { control.go(to).await };
                done.map_err(|source| KeysError::Relays { mode: to, source: Box::new(source) })?;
            }
            Keys::Operator { settle } => {
                let settle = *settle;
                self.asking.clone().ask_operator(to).await?;
                if leaves {
                    self.dwell.set(None);
                }
                self.asking.clock.sleep(settle).await;
            }
        }
        self.set_mode(to);
        self.asking.events.push(BenchEvent::ModeReached { mode: to });
        Ok(self.asking.clock.now().since(start).as_secs_f64())
    }
}

impl Asking {
    async fn ask_operator(self, to: Mode) -> Result<(), KeysError> {
        let question = Question {
            name: "press-key".to_owned(),
            text: format!("Hands clear of the drum and the loading arms, then press {to} on the machine."),
            action: Action::PressKey { mode: to },
            choices: vec![DONE.to_owned(), CANNOT.to_owned()],
            deadline_s: KEY_DEADLINE.as_secs_f64(),
        };
        let (prompt, answer) = self.prompts.ask(question).ok_or(KeysError::TooManyPrompts { mode: to })?;
        let id = prompt.id.clone();
        self.events.push(BenchEvent::Prompted { prompt });
        match self.clock.deadline(self.clock.now() + KEY_DEADLINE, answer).await {
            Some(Ok(answer)) => {
                self.events.push(BenchEvent::Answered { prompt: id, answer: answer.clone() });
                if answer == DONE { Ok(()) } else { Err(KeysError::Declined { mode: to }) }
            }
            Some(Err(_)) | None => {
                self.events.push(BenchEvent::Unanswered { prompt: id });
                Err(KeysError::Unattended { mode: to })
            }
        }
    }
}
