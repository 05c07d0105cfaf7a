//! The scope: from requests about signals to captures.
//!
//! [`Scope::acquire`] turns signals into channels by the [`crate::Hookup`], picks ranges and time base,
//! sets up by the [`Dialect`], reads the settings back, arms, waits with a deadline, reads codes
//! with their scaling, and proves that no answer was another's. What the scope cannot do is an
//! error that says what it can. Clipped, short and late data are errors, never captures.

mod acquire;
mod check;
mod descriptor;
mod error;
mod fits;
mod joined;
mod plan;
mod record;
mod setup;
mod sure;
pub mod trial;
mod wait;

use crate::dialect::{Dialect, Op, Values};
use crate::link::Link;
use crate::scpi::{BuildError, Identity, Message, OperationComplete, Session, SessionError};
use std::collections::HashMap;
use tapewright_clock::Clock;

pub use check::{BenchCheck, PointCheck};
pub use error::ScopeError;
pub use plan::LEAST_STEPS;

/// What a scope can do, as the contract with procedures has it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Abilities {
    /// Channels that give samples.
    pub channels: u32,
    /// Greatest number of points a trace.
    pub greatest_points: u32,
    /// Greatest sample rate.
    pub greatest_rate_hz: f64,
    /// Shortest pulse that peak detection catches; none: it has no peak detection.
    pub peak_pulse_s: Option<f64>,
    /// Video trigger.
    pub video_trigger: bool,
    /// About how long one point takes over the link.
    pub seconds_a_point: f64,
}

/// One scope.
pub struct Scope {
    session: Session,
    dialect: Dialect,
    clock: Clock,
    identity: Identity,
    /// Ranges that a look or a clipped capture has taught, by what they belong to.
    learned: HashMap<String, plan::Level>,
    /// Whether the instrument has taken a whole set-up without complaint.
    words_proven: bool,
    /// Whether each block is read twice and compared: on a line that garbles bytes nothing else
    /// finds a wrong one inside a block.
    read_twice: bool,
    /// Whether each step is proven by itself: after something went wrong, rather than at the end alone.
    careful: bool,
    /// How it stands since the last set-up.
    stood: Option<setup::Stood>,
    force: Force,
    /// The part that each channel was last told to read, and the resynchronisations up to then.
    parts: HashMap<String, (u64, Vec<Message>)>,
    /// The part of its record, `(first, count)`, that was last wanted of each channel.
    wanted: HashMap<String, (u32, u32)>,
    joins: joined::Joins,
    /// Whether `*OPC?` waits for the end of an acquisition, as far as it has shown.
    complete_waits: bool,
}

/// Whether the dialect's command that forces a trigger works.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Force {
    /// Not tried yet.
    Unknown,
    Works,
    /// The instrument refused it, or the dialect has none.
    Absent,
}

impl Scope {
    /// Opens a scope: finds its place in the stream, asks who it is, and whether it knows the dialect.
    ///
    /// # Errors
    /// [`ScopeError`]; [`ScopeError::WrongDialect`] when it does not know the words.
    pub async fn open(link: Box<dyn Link>, dialect: Dialect, clock: Clock) -> Result<Self, ScopeError> {
        if !link.swallows().is_empty() {
            return Err(ScopeError::Swallows { link: link.describe() });
        }
        let mut scope = Self::unchecked(link, dialect, clock);
        scope.identify().await?;
        let doing = "make the scope ready";
        scope.group(Op::Prepare, &Values::new(), doing).await?;
        let asked = scope.built(Op::AskState, &Values::new(), doing)?;
        let state = scope.session.query(&asked).await;
        let state = state.map_err(|source| scope.failed("ask the state of the acquisition", source))?;
        if scope.dialect.read_state(&state).is_none() {
            return Err(scope.strange_state(&state));
        }
        scope.confirm(doing).await?;
        Ok(scope)
    }

    /// A scope that nothing was asked of yet.
    fn unchecked(link: Box<dyn Link>, dialect: Dialect, clock: Clock) -> Self {
        let session = Session::new(link, clock.clone(), dialect.profile.clone());
        let complete_waits = dialect.profile.operation_complete == OperationComplete::Waits;
        let force = if dialect.can(Op::Force) { Force::Unknown } else { Force::Absent };
        Self {
            session,
            dialect,
            clock,
            identity: Identity::default(),
            learned: HashMap::new(),
            words_proven: false,
            read_twice: false,
            careful: false,
            stood: None,
            force,
            parts: HashMap::new(),
            wanted: HashMap::new(),
            joins: joined::Joins::Failed(0),
            complete_waits,
        }
    }

    /// Reads every block twice from now on (or no longer), and compares.
    pub const fn set_read_twice(&mut self, on: bool) {
        self.read_twice = on;
    }

    /// Who it is, asked anew.
    ///
    /// # Errors
    /// [`ScopeError::Session`].
    pub async fn identify(&mut self) -> Result<Identity, ScopeError> {
        let identity = self.session.identify().await;
        self.identity = identity.map_err(|source| self.failed("ask the scope who it is", source))?;
        Ok(self.identity.clone())
    }

    /// Who it is, as last asked.
    #[must_use]
    pub const fn identity(&self) -> &Identity {
        &self.identity
    }

    /// The dialect in force.
    #[must_use]
    pub const fn dialect(&self) -> &Dialect {
        &self.dialect
    }

    /// The session, for what no request covers.
    pub const fn session(&mut self) -> &mut Session {
        &mut self.session
    }

    /// What it can do.
    #[must_use]
    pub fn abilities(&self) -> Abilities {
        let limits = &self.dialect.limits;
        let bytes = f64::from(self.data_bits() / 8);
        Abilities {
            channels: u32::try_from(self.dialect.channels().count()).unwrap_or(u32::MAX),
            greatest_points: limits.greatest_points,
            greatest_rate_hz: limits.greatest_rate_hz,
            peak_pulse_s: limits.peak_pulse_s,
            video_trigger: limits.video_trigger,
            seconds_a_point: bytes * self.session.byte_s(),
        }
    }

    /// Ends whatever acquisition runs.
    ///
    /// # Errors
    /// [`ScopeError::Session`].
    pub async fn halt(&mut self) -> Result<(), ScopeError> {
        self.group(Op::Stop, &Values::new(), "stop the acquisition").await
    }

    /// Bits of a code in a block.
    const fn data_bits(&self) -> u32 {
        if self.dialect.limits.converter_bits > 8 { 16 } else { 8 }
    }

    /// The one message of an operation that asks.
    fn built(&self, op: Op, values: &Values, doing: &str) -> Result<Message, ScopeError> {
        let failed = |source| ScopeError::Build { doing: doing.to_owned(), source };
        let mut list = self.render(op, values).map_err(failed)?;
        // The dialect's checks demand exactly one; a missing one is an operation that it lacks.
        list.pop().ok_or_else(|| ScopeError::CannotDo {
            asked: doing.to_owned(),
            can: format!("its dialect `{}` has no words for {op}", self.dialect.name),
        })
    }

    /// The messages of an operation, in short forms where the line is slow and the dialect allows it.
    fn render(&self, op: Op, values: &Values) -> Result<Vec<Message>, BuildError> {
        let list = self.dialect.render(op, values)?;
        if self.session.byte_s() > 0.0 && self.dialect.profile.short_words {
            return Ok(list.into_iter().map(Message::short).collect());
        }
        Ok(list)
    }

    fn rendered(&self, ops: &[(Op, Values)], doing: &str) -> Result<Vec<Message>, ScopeError> {
        let mut list = Vec::new();
        for (op, values) in ops {
            let more = self.render(*op, values);
            list.extend(more.map_err(|source| ScopeError::Build { doing: doing.to_owned(), source })?);
        }
        Ok(list)
    }

    /// Sends the commands of several operations; the error queue is read at the end of the row.
    async fn tell(&mut self, ops: &[(Op, Values)], doing: &str) -> Result<(), ScopeError> {
        let list = self.rendered(ops, doing)?;
        let sent = self.session.commands(&list).await;
        sent.map_err(|source| self.failed(doing, source))
    }

    /// Sends the commands of an operation and reads the error queue.
    async fn group(&mut self, op: Op, values: &Values, doing: &str) -> Result<(), ScopeError> {
        self.groups(&[(op, values.clone())], doing).await
    }

    /// Sends the commands of several operations, then reads the error queue once.
    async fn groups(&mut self, ops: &[(Op, Values)], doing: &str) -> Result<(), ScopeError> {
        let list = self.rendered(ops, doing)?;
        if list.is_empty() {
            return Ok(());
        }
        let sent = self.session.group(&list).await;
        sent.map_err(|source| self.failed(doing, source))
    }

    async fn confirm(&mut self, doing: &str) -> Result<(), ScopeError> {
        let confirmed = self.session.confirm().await;
        confirmed.map_err(|source| self.failed(doing, source))
    }

    fn failed(&self, doing: &str, source: SessionError) -> ScopeError {
        if !self.words_proven && ScopeError::unknown_words(&source) {
            return ScopeError::WrongDialect {
                instrument: self.identity.to_string(),
                dialect: self.dialect.name.clone(),
                doing: doing.to_owned(),
                complaints: source.complaints().to_vec(),
            };
        }
        ScopeError::Session { doing: doing.to_owned(), source: Box::new(source) }
    }

    fn strange_state(&self, state: &str) -> ScopeError {
        let why = format!("`{}` is no state that dialect `{}` knows", state.escape_debug(), self.dialect.name);
        ScopeError::misfit("the acquisition's state", why)
    }
}
