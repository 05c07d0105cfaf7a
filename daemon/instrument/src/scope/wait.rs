//! Arming and waiting, with the trigger's time and its uncertainty.
//!
//! The instrument tells only its state. The trigger came after the last poll that said waiting was
//! sent, and before the first that said triggered was answered, or done, less the time that the
//! record runs on after its trigger. Between these two nothing is known: the middle is the
//! estimate, half the width over the root of 3 its standard uncertainty (JCGM 100:2008, 4.3.7).

use super::plan::TimePlan;
use super::{Force, Scope, ScopeError};
use crate::dialect::{Op, State, Values};
use crate::request::{CaptureRequest, Trigger};
use core::time::Duration;
use tapewright_clock::Instant;

/// When a trigger came, on the clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TriggerTime {
    pub(super) at_s: f64,
    pub(super) uncertainty_s: f64,
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
    /// Arms, waits until the record is whole, and says when the trigger came.
    pub(super) async fn arm_and_wait(
        &mut self,
        time: &TimePlan,
        request: &CaptureRequest,
        trigger: &str,
    ) -> Result<TriggerTime, ScopeError> {
        let doing = "wait for the acquisition";
        let armed = self.clock.now();
        self.arm(request.trigger == Trigger::Free).await?;
        let told = self.clock.now();
        let asked = self.built(Op::AskState, &Values::new(), doing)?;
        let after_s = time.span_s - time.before_s;
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
        let mut triggered: Option<Instant> = None;
        loop {
            let sent = self.clock.now();
            let text = self.session.query(&asked).await.map_err(|source| self.failed(doing, source))?;
            let heard = self.clock.now();
            let state = self.dialect.read_state(&text).ok_or_else(|| self.strange_state(&text))?;
            match state {
                State::Waiting => low_s = low_s.max(sent.as_secs_f64() - lag_s),
                State::Filling => {
                    triggered = triggered.or(Some(heard));
                    high_s = high_s.min(heard.as_secs_f64());
                    low_s = low_s.max(sent.as_secs_f64() - after_s * 1.001 - lag_s);
                }
                // A state that lags may still tell of the time before arming: a record cannot be
                // whole before the time that it covers has passed.
                State::Done if heard.since(armed).as_secs_f64() < after_s * 0.99 => {}
                State::Done if lag_s > 0.0 && sent.since(told).as_secs_f64() < lag_s => {}
                State::Done => {
                    high_s = high_s.min(heard.as_secs_f64() - after_s);
                    let half_s = (high_s - low_s).abs() / 2.0;
                    return Ok(TriggerTime {
                        at_s: f64::midpoint(low_s, high_s),
                        uncertainty_s: half_s / 3_f64.sqrt(),
                    });
                }
                State::Running => {}
            }
            if let Some(seen) = triggered {
                let waited_s = heard.since(seen).as_secs_f64();
                if waited_s > after_s * 1.1 + GRACE_S {
                    self.halt().await?;
                    return Err(ScopeError::NotDone { waited_s, state: text });
                }
            } else if heard > trigger_until && (state == State::Waiting || heard > trigger_until + Self::grace(after_s))
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
            return self.group(Op::Arm, &none, doing).await;
        }
        // Both in one message: with time between them the scope may have triggered by itself, and would
        // complain.
        let both = [arm.clone(), (Op::Force, none)];
        match self.force {
            Force::Works if free => self.tell(&both, doing).await,
            Force::Unknown if free && self.dialect.profile.compound => match self.groups(&both, doing).await {
                Ok(()) => {
                    self.force = Force::Works;
                    Ok(())
                }
                Err(error) if error.is_refusal() => {
                    tracing::info!("{error}; it is left to trigger by itself");
                    self.force = Force::Absent;
                    self.groups(&[arm], doing).await
                }
                Err(error) => Err(error),
            },
            _ => self.tell(&[arm], doing).await,
        }
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
