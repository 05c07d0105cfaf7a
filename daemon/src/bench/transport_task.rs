//! The task that owns the machine's keys.
//!
//! Stop pre-empts everything. A still picture is never held longer than the dwell limit, whatever a
//! procedure or an operator does meanwhile: this task counts, and stops the tape.

use super::events::{BenchEvent, EventLog};
use super::prompts::{Action, PromptDesk, Question};
use core::time::Duration;
use std::sync::{Arc, Mutex, PoisonError};
use tapewright_clock::{Clock, Instant};
use tapewright_formats::{Mode, TrackingPress, UnableCode};
use tapewright_instrument::transport::RecordGrant;
use tapewright_instrument::{StopHandle, TransportControl, TransportError};
use tokio::sync::{mpsc, oneshot};

/// How long a still picture is held at the most. Machines release by themselves after some five
/// minutes; the tape wears well before that (common practice, no source).
pub const STILL_DWELL: Duration = Duration::from_secs(120);

/// Seconds before the dwell's end at which the bench says so: stopping moves loading arms.
const COUNTDOWN_S: [u64; 8] = [30, 15, 10, 5, 4, 3, 2, 1];

/// How long the operator has to press a key, where no relay does it.
const KEY_DEADLINE: Duration = Duration::from_secs(300);

/// What the operator answers when the key was pressed.
pub const DONE: &str = "done";
/// What the operator answers when it cannot be done.
pub const CANNOT: &str = "cannot";

/// Why a mode was not reached.
#[derive(Debug, thiserror::Error)]
pub enum KeysError {
    /// The relays or their link failed.
    #[error("going to {mode} by relay failed")]
    Relays {
        /// The mode.
        mode: Mode,
        /// Why.
        #[source]
        source: Box<TransportError>,
    },
    /// The relays on the tracking keys or their link failed.
    #[error("pressing {press} by relay failed")]
    Tracking {
        /// What was pressed.
        press: TrackingPress,
        /// Why.
        #[source]
        source: Box<TransportError>,
    },
    /// Stop came while tracking keys were pressed.
    #[error("pressing {press} was given up: stop came first")]
    TrackingStopCame {
        /// What was pressed.
        press: TrackingPress,
    },
    /// Stop came first.
    #[error("going to {mode} was given up: stop came first")]
    StopCame {
        /// The mode.
        mode: Mode,
    },
    /// The operator did not answer in time.
    #[error("nobody pressed {mode} within {} s: answer the prompt, or hook up relays", KEY_DEADLINE.as_secs())]
    Unattended {
        /// The mode.
        mode: Mode,
    },
    /// The operator declined.
    #[error("the operator could not go to {mode}")]
    Declined {
        /// The mode.
        mode: Mode,
    },
    /// Too many prompts are open.
    #[error("the operator cannot be asked for {mode}: too many prompts are open")]
    TooManyPrompts {
        /// The mode.
        mode: Mode,
    },
    /// The task has ended.
    #[error("the bench is shutting down: its transport takes no more commands")]
    Gone,
}

impl KeysError {
    /// The code of unable that says the same.
    #[must_use]
    pub fn code(&self) -> UnableCode {
        match self {
            Self::Relays { .. } => UnableCode::ModeNotReached,
            Self::Tracking { source, .. } => source.unable_code(),
            Self::StopCame { .. } | Self::TrackingStopCame { .. } | Self::Gone => UnableCode::Cancelled,
            Self::Unattended { .. } | Self::TooManyPrompts { .. } => UnableCode::Unattended,
            Self::Declined { .. } => UnableCode::Declined,
        }
    }
}

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

enum Command {
    Go { to: Mode, reply: oneshot::Sender<Result<f64, KeysError>> },
    Track { press: TrackingPress, reply: oneshot::Sender<Result<bool, KeysError>> },
    Record { grant: RecordGrant, lasting: Duration, reply: oneshot::Sender<Result<(), KeysError>> },
}

/// How the rest of the bench works the keys.
#[derive(Clone)]
pub struct TransportHandle {
    commands: mpsc::Sender<Command>,
    stop: Arc<StopState>,
    now: Arc<Mutex<Mode>>,
    still_until: Arc<Mutex<Option<Instant>>>,
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
        let asking = Asking { clock, events, prompts };
        let still_until = Arc::new(Mutex::new(None));
        let task = Task {
            keys,
            asking,
            hands_clear,
            stop: Arc::clone(&stop),
            now: Arc::clone(&now),
            still_until: Arc::clone(&still_until),
        };
        tokio::spawn(task.run(queue));
        Self { commands, stop, now, still_until }
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
        self.still_until.lock().unwrap_or_else(PoisonError::into_inner).map(|until| until.since(now))
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
    still_until: Arc<Mutex<Option<Instant>>>,
}

/// When the bench next speaks of a still's end, and how many seconds are left then; 0: it stops.
fn next_mark(until: Instant, now: Instant) -> (Instant, u64) {
    let left = until.since(now);
    // A mark that is due within a moment was just said.
    let moment = Duration::from_millis(10);
    let next = COUNTDOWN_S.into_iter().find(|mark| Duration::from_secs(*mark) + moment < left).unwrap_or(0);
    (now + left.saturating_sub(Duration::from_secs(next)), next)
}

impl Task {
    async fn run(mut self, mut queue: mpsc::Receiver<Command>) {
        let mut still_since: Option<Instant> = None;
        loop {
            let until = still_since.map(|since| since + STILL_DWELL);
            *self.still_until.lock().unwrap_or_else(PoisonError::into_inner) = until;
            let dwell = until.map(|until| next_mark(until, self.asking.clock.now()));
            let clock = self.asking.clock.clone();
            let stop = Arc::clone(&self.stop);
            let dwell_over = async move {
                match dwell {
                    Some((at, left_s)) => {
                        clock.sleep_until(at).await;
                        left_s
                    }
                    None => core::future::pending().await,
                }
            };
            tokio::select! {
                biased;
                () = stop.asked.notified() => { let _ = self.go(Mode::Stop).await; }
                left_s = dwell_over => {
                    if left_s > 0 {
                        self.asking.events.push(BenchEvent::DwellEnding { left_s });
                    } else {
                        let text = format!("still was held for {} s, the longest that the tape is left at one place: stopped", STILL_DWELL.as_secs());
                        self.asking.events.push(BenchEvent::Trouble { text });
                        let _ = self.go(Mode::Stop).await;
                    }
                }
                command = queue.recv() => match command {
                    None => return,
                    Some(Command::Go { to, reply }) => {
                        let result = self.go_unless_stopped(to).await;
                        let _ = reply.send(result);
                    }
                    Some(Command::Track { press, reply }) => {
                        let result = self.track_unless_stopped(press).await;
                        let _ = reply.send(result);
                    }
                    Some(Command::Record { grant, lasting, reply }) => {
                        let result = self.record(&grant, lasting).await;
                        let _ = reply.send(result);
                    }
                },
            }
            let still = matches!(self.mode(), Mode::Still | Mode::Advance);
            still_since = if still { still_since.or_else(|| Some(self.asking.clock.now())) } else { None };
        }
    }

    fn mode(&self) -> Mode {
        *self.now.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set_mode(&self, mode: Mode) {
        *self.now.lock().unwrap_or_else(PoisonError::into_inner) = mode;
    }

    async fn go_unless_stopped(&mut self, to: Mode) -> Result<f64, KeysError> {
        if to == Mode::Stop {
            return self.go(to).await;
        }
        let stop = Arc::clone(&self.stop);
        let outcome = tokio::select! {
            biased;
            () = stop.asked.notified() => None,
            done = self.go(to) => Some(done),
        };
        match outcome {
            Some(done) => done,
            None => {
                let _ = self.go(Mode::Stop).await;
                Err(KeysError::StopCame { mode: to })
            }
        }
    }

    /// Nothing of the loading mechanism moves: hands need not be clear.
    async fn track_unless_stopped(&mut self, press: TrackingPress) -> Result<bool, KeysError> {
        let Keys::Relays(control) = &mut self.keys else { return Ok(false) };
        if !control.has_tracking() {
            return Ok(false);
        }
        self.asking.events.push(BenchEvent::TrackingAsked { press });
        let stop = Arc::clone(&self.stop);
        let outcome = tokio::select! {
            biased;
            () = stop.asked.notified() => None,
            done = control.track(press) => Some(done),
        };
        match outcome {
            Some(Ok(())) => Ok(true),
            Some(Err(source)) => Err(KeysError::Tracking { press, source: Box::new(source) }),
            None => {
                let _ = self.go(Mode::Stop).await;
                Err(KeysError::TrackingStopCame { press })
            }
        }
    }

    async fn record(&mut self, grant: &RecordGrant, lasting: Duration) -> Result<(), KeysError> {
        self.asking.events.push(BenchEvent::ModeAsked { mode: Mode::Record });
        match &mut self.keys {
            Keys::Relays(control) => {
                let failed = |source| KeysError::Relays { mode: Mode::Record, source: Box::new(source) };
                control.record(grant).await.map_err(failed)?;
            }
            Keys::Operator { .. } => self.asking.clone().ask_operator(Mode::Record).await?,
        }
        self.set_mode(Mode::Record);
        let stop = Arc::clone(&self.stop);
        let stopped =
            self.asking.clock.deadline(self.asking.clock.now() + lasting, stop.asked.notified()).await.is_some();
        self.go(Mode::Stop).await?;
        if stopped { Err(KeysError::StopCame { mode: Mode::Record }) } else { Ok(()) }
    }

    async fn go(&mut self, to: Mode) -> Result<f64, KeysError> {
        let start = self.asking.clock.now();
        self.asking.events.push(BenchEvent::ModeAsked { mode: to });
        // Stop moves loading arms too, but stopping never waits.
        if to != Mode::Stop {
            self.asking.clock.sleep(self.hands_clear).await;
        }
        match &mut self.keys {
            Keys::Relays(control) => {
                // Stop also takes back a stop that was asked for, so that the next motion is possible.
                let done = if to == Mode::Stop { control.stop().await } else { control.go(to).await };
                done.map_err(|source| KeysError::Relays { mode: to, source: Box::new(source) })?;
            }
            Keys::Operator { settle } => {
                let settle = *settle;
                self.asking.clone().ask_operator(to).await?;
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
