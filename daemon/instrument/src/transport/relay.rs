//! Keys pressed by relays over SCPI `ROUTe` (SCPI-99 vol. 2, ROUTe subsystem).
//!
//! Relay contacts are potential-free and lie across the machine's own keys; no relay switches mains.
//! Loading arms move after each key: hands clear before each commanded motion. While the program is
//! dead, only the relay box's own time-out opens a relay.

use super::{RecordGrant, StopHandle, TransportControl, TransportError, TransportTable};
use crate::link::{BoxFuture, Link};
use crate::scpi::{BuildError, Message, Profile, Session, answer};
use core::time::Duration;
use tapewright_clock::Clock;
use tapewright_formats::{Mode, TrackingPress};

/// A transport behind a relay box.
pub struct RelayTransport {
    session: Session,
    clock: Clock,
    table: TransportTable,
    mode: Option<Mode>,
    stop: StopHandle,
    /// Whether a relay may be closed still, because a press was cut short.
    maybe_pressed: bool,
}

impl RelayTransport {
    /// Opens every relay and presses stop, so that the machine's mode is known.
    ///
    /// # Errors
    /// [`TransportError`].
    pub async fn start(link: Box<dyn Link>, table: TransportTable, clock: Clock) -> Result<Self, TransportError> {
        let session = Session::new(link, clock.clone(), Profile::default());
        let stop = StopHandle::new();
        let mut transport = Self { session, clock, table, mode: None, stop, maybe_pressed: true };
        let doing = || "learn who the relay box is".to_owned();
        transport
            .session
            .identify()
            .await
            .map_err(|source| TransportError::Session { doing: doing(), source: Box::new(source) })?;
        transport.press_stop().await?;
        Ok(transport)
    }

    fn key(&self, to: Mode) -> Result<&super::Key, TransportError> {
        let known = || self.table.keys.keys().map(|mode| mode.as_str()).collect();
        self.table.keys.get(&to).ok_or_else(|| TransportError::NoKey { to, known: known() })
    }

    async fn told(&mut self, message: Result<Message, BuildError>, doing: &str) -> Result<(), TransportError> {
        let message = message.map_err(|source| TransportError::Build { doing: doing.to_owned(), source })?;
        let doing = format!("{doing} at {}", self.session.describe());
        self.session
            .group(&[message])
            .await
            .map_err(|source| TransportError::Session { doing, source: Box::new(source) })
    }

    async fn open_all(&mut self) -> Result<(), TransportError> {
        self.told(Message::new("ROUTe:OPEN:ALL"), "open every relay").await?;
        self.maybe_pressed = false;
        Ok(())
    }

    /// Asks whether relays are as told; if not, opens all and says which is not.
    async fn verify(&mut self, relays: &[u32], closed: bool) -> Result<(), TransportError> {
        if !self.table.verify {
            return Ok(());
        }
        let doing = "ask whether the relays did as told".to_owned();
        let message = Message::new("ROUTe:CLOSe?").and_then(|message| message.channels(relays));
        let message = message.map_err(|source| TransportError::Build { doing: doing.clone(), source })?;
        let asked = self.session.query_as(&message, |text| {
            let states = answer::numbers(text)?;
            if states.len() != relays.len() {
                return Err(crate::scpi::Trouble::Wrong(format!(
                    "{} states came for {} relays",
                    states.len(),
                    relays.len()
                )));
            }
            Ok(states)
        });
        let states = asked.await.map_err(|source| TransportError::Session { doing, source: Box::new(source) })?;
        let wanted = i64::from(closed);
        let Some(place) = states.iter().position(|state| state.integer() != Some(wanted)) else { return Ok(()) };
        // The first worry is that nothing stays pressed; what failed is told either way.
        self.open_all().await.ok();
        self.mode = None;
        let (is, told) = if closed { ("open", "close") } else { ("closed", "open") };
        Err(TransportError::Relay { relay: relays[place], link: self.session.describe(), is, told })
    }

    /// Presses and lets go a key.
    async fn press(&mut self, relays: &[u32]) -> Result<(), TransportError> {
        if self.maybe_pressed {
            self.open_all().await?;
        }
        self.maybe_pressed = true;
        // Where the machine is, is not known while a key is down.
        self.mode = None;
        let pressed = self.clock.now();
        self.told(Message::new("ROUTe:CLOSe").and_then(|message| message.channels(relays)), "close relays").await?;
        self.verify(relays, true).await?;
        self.clock.sleep_until(pressed + Duration::from_secs_f64(self.table.pulse_s)).await;
        self.told(Message::new("ROUTe:OPEN").and_then(|message| message.channels(relays)), "open relays").await?;
        self.maybe_pressed = false;
        self.verify(relays, false).await
    }

    async fn press_stop(&mut self) -> Result<(), TransportError> {
        let key = self.key(Mode::Stop)?.clone();
        self.press(&key.relays).await?;
        self.stop.clear();
        self.clock.sleep(Duration::from_secs_f64(key.settle_s)).await;
        self.mode = Some(Mode::Stop);
        Ok(())
    }

    /// One key towards a mode, with its wait, which stop ends.
    async fn step(&mut self, to: Mode) -> Result<(), TransportError> {
        let key = self.key(to)?.clone();
        if self.stop.is_requested() {
            return self.stopped(to).await;
        }
        self.press(&key.relays).await?;
        let settled = self.clock.now() + Duration::from_secs_f64(key.settle_s);
        let stop = self.stop.clone();
        if self.clock.deadline(settled, stop.requested()).await.is_some() {
            return self.stopped(to).await;
        }
        self.mode = Some(key.lands_in.unwrap_or(to));
        Ok(())
    }

    async fn stopped(&mut self, to: Mode) -> Result<(), TransportError> {
        self.stop_seen().await?;
        Err(TransportError::Stopped { to })
    }

    async fn stop_seen(&mut self) -> Result<(), TransportError> {
        self.press_stop().await?;
        // The wish stays until whoever owns the transport has seen it.
        self.stop.request();
        Ok(())
    }

    async fn press_tracking(&mut self, press: TrackingPress) -> Result<(), TransportError> {
        let keys = self.table.tracking.clone().ok_or(TransportError::NoTracking { press })?;
        let relays = match press {
            TrackingPress::Centre => keys.centre(),
            TrackingPress::By(by) if by < 0 => keys.down,
            TrackingPress::By(_) => keys.up,
        };
        for _ in 0..press.presses() {
            if self.stop.is_requested() {
                self.stop_seen().await?;
                return Err(TransportError::TrackingStopped { press });
            }
            // No tracking key moves the transport.
            let mode = self.mode;
            self.press(&relays).await?;
            self.mode = mode;
            let settled = self.clock.now() + Duration::from_secs_f64(keys.settle_s);
            let stop = self.stop.clone();
            if self.clock.deadline(settled, stop.requested()).await.is_some() {
                self.stop_seen().await?;
                return Err(TransportError::TrackingStopped { press });
            }
        }
        Ok(())
    }

    async fn travel(&mut self, to: Mode) -> Result<f64, TransportError> {
        let began = self.clock.now();
        let key = self.key(to)?.clone();
        if self.stop.is_requested() {
            self.stopped(to).await?;
        }
        if to == Mode::Stop {
            // Pressed whatever is believed of the machine.
            self.press_stop().await?;
            return Ok(self.clock.now().since(began).as_secs_f64());
        }
        if self.mode == Some(to) && !key.again {
            return Ok(0.0);
        }
        if self.mode.is_none() {
            // A key that toggles needs a known start.
            self.press_stop().await?;
        }
        // The way is bounded: the table was checked for that.
        let mut way = vec![to];
        while let Some(via) = way.last().and_then(|mode| self.table.keys.get(mode)).and_then(|key| key.via) {
            if self.mode == Some(via) || way.len() > super::table::MOST_STEPS {
                break;
            }
            way.push(via);
        }
        for mode in way.into_iter().rev() {
            if self.mode != Some(mode) || self.key(mode)?.again {
                self.step(mode).await?;
            }
        }
        Ok(self.clock.now().since(began).as_secs_f64())
    }
}

impl TransportControl for RelayTransport {
    fn go(&mut self, to: Mode) -> BoxFuture<'_, Result<f64, TransportError>> {
        Box::pin(async move {
            if to == Mode::Record {
                return Err(TransportError::NoGrant);
            }
            self.travel(to).await
        })
    }

    fn stop(&mut self) -> BoxFuture<'_, Result<f64, TransportError>> {
        Box::pin(async move {
            let began = self.clock.now();
            self.press_stop().await?;
            Ok(self.clock.now().since(began).as_secs_f64())
        })
    }

    fn record<'a>(&'a mut self, grant: &'a RecordGrant) -> BoxFuture<'a, Result<f64, TransportError>> {
        Box::pin(async move {
            tracing::info!(tape = grant.tape(), "recording on a tape declared scratch");
            self.travel(Mode::Record).await
        })
    }

    fn has_tracking(&self) -> bool {
        self.table.tracking.is_some()
    }

    fn track(&mut self, press: TrackingPress) -> BoxFuture<'_, Result<(), TransportError>> {
        Box::pin(self.press_tracking(press))
    }

    fn mode(&self) -> Option<Mode> {
        self.mode
    }

    fn stop_handle(&self) -> StopHandle {
        self.stop.clone()
    }

    fn describe(&self) -> String {
        format!("relays at {}", self.session.describe())
    }
}
