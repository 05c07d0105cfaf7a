//! Arming and waiting, with the trigger's time and its uncertainty.
//!
//! The instrument tells only its state. The trigger came after the last poll that said waiting was
//! sent, and before the first that said triggered was answered, or done, less the time that the
//! record runs on after its trigger. Between these two nothing is known: the middle is the
//! estimate, half the width over the root of 3 its standard uncertainty (JCGM 100:2008, 4.3.7).
//!
//! On a line that may garble bytes one answer proves nothing: waiting counts only when the next poll
//! finds it too, and anything new is asked for twice.

use super::acquire::Job;
use super::plan::TimePlan;
use super::{Force, Scope, ScopeError};
use crate::dialect::{Op, State, Values};
use crate::request::{CaptureRequest, Trigger};
use crate::scpi::{Message, OperationComplete, answer};
use core::time::Duration;
use tapewright_clock::Instant;

/// When a trigger came, on the clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TriggerTime {
    pub(super) at_s: f64,
    pub(super) uncertainty_s: f64,
}

impl TriggerTime {
    fn between(low_s: f64, high_s: f64) -> Self {
        let half_s = (high_s - low_s).abs() / 2.0;
        Self { at_s: f64::midpoint(low_s, high_s), uncertainty_s: half_s / 3_f64.sqrt() }
    }
}

/// When arming was begun, and when it was said.
#[derive(Debug, Clone, Copy)]
pub(super) struct Armed {
    pub(super) at: Instant,
    pub(super) told: Instant,
}

impl TimePlan {
    /// How long a record runs on after its trigger.
    fn after_s(&self) -> f64 {
        self.span_s - self.before_s
    }

    /// The longest that a free run takes.
    pub(super) fn longest_free(&self) -> Duration {
        Duration::from_secs_f64(self.span_s * 1.1 + FREE_START_S)
    }

    /// When the trigger came of a free run that was armed at `armed`, by an answer that came at `heard` and could
    /// not be given before the record was whole. None: it came sooner than a record takes, so it told of another.
    pub(super) fn by_answer(&self, armed: Instant, heard: Instant) -> Option<TriggerTime> {
        if heard.since(armed).as_secs_f64() < self.after_s() * 0.99 {
            return None;
        }
        Some(TriggerTime::between(armed.as_secs_f64(), heard.as_secs_f64() - self.after_s()))
    }
}

/// Least pause between polls.
const FAST: Duration = Duration::from_millis(1);
/// Longest pause between polls.
const SLOW: Duration = Duration::from_millis(50);
/// What an acquisition may take beyond its parts, before it is called stuck.
const GRACE_S: f64 = 2.0;
/// Within what time a free-running scope starts by itself.
const FREE_START_S: f64 = 1.0;

impl Scope {
    /// Arms.
    pub(super) async fn arm_now(&mut self, job: &Job<'_>) -> Result<Armed, ScopeError> {
        let at = self.clock.now();
        self.arm(job.request.trigger == Trigger::Free).await?;
        Ok(Armed { at, told: self.clock.now() })
    }

    /// Waits until the record is whole, and says when the trigger came.
    pub(super) async fn wait(
        &mut self,
        Armed { at: armed, told }: Armed,
        time: &TimePlan,
        request: &CaptureRequest,
        trigger: &str,
    ) -> Result<TriggerTime, ScopeError> {
        let doing = "wait for the acquisition";
        let asked = self.built(Op::AskState, &Values::new(), doing)?;
        let after_s = time.after_s();
        // How far behind the real one the state may be told.
        let lag_s = self.dialect.profile.state_lag.as_secs_f64();
        let patience_s = if request.trigger == Trigger::Free { FREE_START_S } else { request.deadline_s };
        // The scope first fills what lies before the trigger.
        let trigger_until = armed + Duration::from_secs_f64(time.before_s * 1.1 + patience_s);
        let (mut low_s, mut high_s) = (armed.as_secs_f64(), f64::INFINITY);
        if request.trigger == Trigger::Free {
            // A record is not whole before the time that it covers has passed; until then questions would
            // only take up the line.
            self.clock.sleep_until(armed + Duration::from_secs_f64(time.span_s)).await;
        }
        // When the last poll was sent that said waiting, and was not borne out yet.
        let mut unproven_s: Option<f64> = None;
        let mut triggered: Option<Instant> = None;
        // Done is the state before arming too: where nothing else was told since, it may be that one still.
        let mut surely_new = self.dialect.profile.operation_complete != OperationComplete::Waits;
        loop {
            let sent = self.clock.now();
            let (mut state, mut text) = self.ask_state(&asked, doing).await?;
            if self.read_twice && matches!(state, State::Filling | State::Done) {
                let again = self.ask_state(&asked, doing).await?;
                if again.0 != state && (state, again.0) != (State::Filling, State::Done) {
                    // One of the two was spoilt: neither counts.
                    unproven_s = None;
                    self.session.note_garbled();
                    (state, text) = (State::Running, again.1);
                }
            }
            let heard = self.clock.now();
            surely_new |= state != State::Done;
            match state {
                State::Waiting => {
                    let now_s = sent.as_secs_f64() - lag_s;
                    let proven_s = if self.read_twice { unproven_s.replace(now_s) } else { Some(now_s) };
                    low_s = low_s.max(proven_s.unwrap_or(low_s));
                }
                State::Filling => {
                    triggered = triggered.or(Some(heard));
                    high_s = high_s.min(heard.as_secs_f64());
                    low_s = low_s.max(sent.as_secs_f64() - after_s * 1.001 - lag_s);
                }
                // A state that lags may still tell of the time before arming: a record cannot be
                // whole before the time that it covers has passed.
                State::Done if heard.since(armed).as_secs_f64() < after_s * 0.99 => {}
                State::Done if lag_s > 0.0 && sent.since(told).as_secs_f64() < lag_s => {}
                State::Done if !surely_new => {
                    self.complete(Duration::from_secs_f64(after_s * 1.1 + patience_s)).await?;
                    surely_new = true;
                    continue;
                }
                State::Done => {
                    high_s = high_s.min(heard.as_secs_f64() - after_s);
                    if high_s < low_s - 1e-3 * after_s - 1e-4 {
                        let why = format!(
                            "by its states the trigger came after {low_s:.6} s and before {high_s:.6} s: some answer was another's"
                        );
                        return Err(ScopeError::misfit("the acquisition's state", why));
                    }
                    return Ok(TriggerTime::between(low_s, high_s));
                }
                State::Running => {}
            }
            if let Some(seen) = triggered {
                let waited_s = heard.since(seen).as_secs_f64();
                if waited_s > after_s * 1.1 + GRACE_S {
                    self.halt().await?;
                    return Err(ScopeError::NotDone { waited_s, state: text });
                }
            } else if (state == State::Waiting && sent > trigger_until) || heard > trigger_until + Self::grace(after_s)
            {
                self.halt().await?;
                let waited_s = heard.since(armed).as_secs_f64();
                if state == State::Waiting && request.trigger != Trigger::Free {
                    return Err(ScopeError::NoTrigger { trigger: trigger.to_owned(), waited_s });
                }
                return Err(ScopeError::NotDone { waited_s, state: text });
            }
            self.pause(armed, low_s, after_s, triggered.is_some()).await;
        }
    }

    /// Arms; in free run it triggers at once where the dialect has a command for that, since waiting for
    /// the scope to trigger by itself may take longer than the record does on the wire.
    async fn arm(&mut self, free: bool) -> Result<(), ScopeError> {
        let (arm, none, doing) = ((Op::Arm, Values::new()), Values::new(), "arm the scope");
        if self.careful {
            return self.send_arm(&[arm], doing, true).await;
        }
        // Both in one message: with time between them the scope may have triggered by itself, and would
        // complain.
        let both = [arm.clone(), (Op::Force, none)];
        match self.force {
            Force::Works if free => self.send_arm(&both, doing, false).await,
            Force::Unknown if free && self.dialect.profile.compound => match self.send_arm(&both, doing, true).await {
                Ok(()) => {
                    self.force = Force::Works;
                    Ok(())
                }
                Err(error) if error.is_refusal() => {
                    tracing::info!("{error}; it is left to trigger by itself");
                    self.force = Force::Absent;
                    self.send_arm(&[arm], doing, true).await
                }
                Err(error) => Err(error),
            },
            _ => self.send_arm(&[arm], doing, false).await,
        }
    }

    /// Sends what arms; `asked` looks at the error queue at once rather than at the end of the capture.
    async fn send_arm(&mut self, ops: &[(Op, Values)], doing: &str, asked: bool) -> Result<(), ScopeError> {
        if self.read_twice {
            // Lost, it would leave the record before in the memory, to be taken for this one.
            return self.surely(ops, doing).await;
        }
        if asked { self.groups(ops, doing).await } else { self.tell(ops, doing).await }
    }

    async fn ask_state(&mut self, asked: &Message, doing: &str) -> Result<(State, String), ScopeError> {
        let text = self.session.query(asked).await.map_err(|source| self.failed(doing, source))?;
        let state = self.dialect.read_state(&text).ok_or_else(|| self.strange_state(&text))?;
        Ok((state, text))
    }

    /// Waits until the instrument says that its operation is complete (IEEE 488.2, 12.5.3): the one sign that a
    /// record is new which does not come from a state that may lag.
    async fn complete(&mut self, within: Duration) -> Result<(), ScopeError> {
        let doing = "wait for the end of the acquisition";
        let asked = Message::new("*OPC?").map_err(|source| ScopeError::Build { doing: doing.into(), source })?;
        let wait = within + self.dialect.profile.first_byte;
        let answer = self.session.query_within(&asked, wait).await.map_err(|source| self.failed(doing, source))?;
        if answer::integer(&answer) == Ok(1) {
            return Ok(());
        }
        let why = format!("`*OPC?` is answered `{}`, expected 1", answer.escape_debug());
        Err(ScopeError::misfit("the acquisition's state", why))
    }

    fn grace(after_s: f64) -> Duration {
        Duration::from_secs_f64(after_s * 1.1 + GRACE_S)
    }

    /// Waits before the next poll: short at first, longer later, and through a record that fills.
    async fn pause(&mut self, armed: Instant, low_s: f64, after_s: f64, filling: bool) {
        let now = self.clock.now();
        let done = Instant::from_secs_f64(low_s + after_s);
        if filling && done > now + FAST {
            self.clock.sleep_until(done).await;
            return;
        }
        let waited = now.since(armed);
        self.clock.sleep((waited / 20).clamp(FAST, SLOW)).await;
    }
}
