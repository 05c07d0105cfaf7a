//! Trying a dialect on a real instrument: every operation is sent, read back and compared, and what is wrong is
//! said with the key of the file that is to be changed.
//!
//! Settings are asked back by their own headers; the scaling is compared with the settings; and what no read-back
//! shows (the sign of an offset, a wrong number of steps) is seen on the signal itself: the same volts must come
//! whatever the range and the middle are, and a trigger must take the edge and the level that it was told to.

mod compare;
mod edge;
mod message;
mod parts;
mod record;
mod scaling;
mod settings;
mod untried;
mod volts;

use super::{Scope, ScopeError};
use crate::causes::chain;
use crate::dialect::{Dialect, Op, State, Values};
use crate::hookup::Hookup;
use crate::link::Link;
use crate::request::{CaptureRequest, Detection};
use crate::scpi::{ErrorClass, ErrorForm, Message, SessionError};
use core::fmt;
use serde::Serialize;
use tapewright_clock::Clock;

/// How an operation came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrialOutcome {
    /// As expected.
    Ok,
    /// Not as expected.
    Differs,
    /// The dialect has no words for it.
    NotOffered,
    /// It could not be tried, since something before it failed or nothing is hooked up for it.
    NotTried,
}

impl fmt::Display for TrialOutcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Ok => "ok",
            Self::Differs => "differs",
            Self::NotOffered => "not offered",
            Self::NotTried => "not tried",
        })
    }
}

/// One operation that was tried.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrialRow {
    /// The operation, by its key in the file, or what else was looked at.
    pub operation: String,
    /// What was sent.
    pub sent: Vec<String>,
    /// What came back.
    pub came: Vec<String>,
    /// What was expected.
    pub expected: String,
    /// How it came out.
    pub outcome: TrialOutcome,
    /// What to change in the file.
    pub advice: Option<String>,
}

/// What a trial found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trial {
    /// The dialect, with its variant.
    pub dialect: String,
    /// Who answered.
    pub instrument: String,
    /// The operations, in the order tried.
    pub rows: Vec<TrialRow>,
    /// What no row tried.
    pub untried: Vec<Untried>,
}

/// Keys of a file that were not tried.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Untried {
    /// The keys, with their tables in front.
    pub keys: Vec<String>,
    /// Why not.
    pub why: String,
}

impl Trial {
    /// Whether nothing differs.
    #[must_use]
    pub fn is_good(&self) -> bool {
        self.rows.iter().all(|row| row.outcome != TrialOutcome::Differs)
    }

    /// How many came out so.
    #[must_use]
    pub fn count(&self, outcome: TrialOutcome) -> usize {
        self.rows.iter().filter(|row| row.outcome == outcome).count()
    }
}

/// A row that is being written.
struct Draft {
    operation: String,
    expected: String,
    sent: Vec<String>,
    came: Vec<String>,
}

impl Draft {
    fn new(operation: impl fmt::Display, expected: impl Into<String>) -> Self {
        Self { operation: operation.to_string(), expected: expected.into(), sent: Vec::new(), came: Vec::new() }
    }

    fn end(self, outcome: TrialOutcome, advice: Option<String>) -> TrialRow {
        let Self { operation, expected, sent, came } = self;
        TrialRow { operation, sent, came, expected, outcome, advice }
    }

    fn good(self) -> TrialRow {
        self.end(TrialOutcome::Ok, None)
    }

    fn differs(self, advice: impl Into<String>) -> TrialRow {
        self.end(TrialOutcome::Differs, Some(advice.into()))
    }
}

/// The walk over the operations.
struct Walk<'a> {
    scope: Scope,
    hookup: &'a Hookup,
    rows: Vec<TrialRow>,
    /// What differed when it was said in its short form.
    short_faults: Vec<String>,
    /// Answers that told a state.
    states: Vec<String>,
}

impl Scope {
    /// Tries every operation of a dialect on the instrument behind a link.
    ///
    /// The instrument's settings are changed; nothing is pressed and no tape moves.
    ///
    /// # Errors
    /// [`ScopeError::Session`] when the instrument does not answer at all; whatever else goes wrong stands in the
    /// trial.
    pub async fn try_dialect(
        link: Box<dyn Link>,
        dialect: Dialect,
        clock: Clock,
        hookup: &Hookup,
    ) -> Result<Trial, ScopeError> {
        let name = match &dialect.variant {
            Some(variant) => format!("{}/{variant}", dialect.name),
            None => dialect.name.clone(),
        };
        let mut walk = Walk {
            scope: Self::unchecked(link, dialect, clock),
            hookup,
            rows: Vec::new(),
            short_faults: Vec::new(),
            states: Vec::new(),
        };
        walk.all().await?;
        let untried = walk.untried();
        Ok(Trial { dialect: name, instrument: walk.scope.identity.to_string(), rows: walk.rows, untried })
    }
}

impl Walk<'_> {
    async fn all(&mut self) -> Result<(), ScopeError> {
        self.complaining().await?;
        self.settings().await?;
        self.records().await?;
        self.whole(Detection::Sample, "a whole capture, samples").await;
        if self.scope.dialect.can(Op::Peak) {
            self.whole(Detection::Peak, "a whole capture, pairs").await;
        }
        Ok(())
    }

    /// A word that no instrument knows must bring a complaint, else no later silence means anything. Where the
    /// file's way of telling errors brings none, or answers cannot be read since they carry header words, the others
    /// are tried, and the walk goes on with the one that works.
    async fn complaining(&mut self) -> Result<(), ScopeError> {
        let says = self.scope.dialect.profile.errors;
        let headed = self.scope.dialect.profile.reply_header;
        let mut draft = Draft::new("manners.errors", "a complaint of a command that no instrument knows");
        let all =
            [(ErrorForm::Queue, "error-queue"), (ErrorForm::Events, "events"), (ErrorForm::Registers, "registers")];
        let others = all.into_iter().filter(|(form, _)| *form != says);
        let own = all.into_iter().filter(|(form, _)| *form == says);
        // Header words hide every answer from a reader that expects none, so that is tried before other ways.
        let ways = own.clone().map(|way| (way, headed)).chain(own.chain(others).map(|way| (way, true)));
        for ((form, word), header) in ways {
            self.scope.session.set_errors(form);
            self.scope.session.set_reply_header(header);
            let told = self.complaint(&mut draft).await;
            let row = match told {
                Ok(true) if form == says => draft.good(),
                Ok(true) => draft.differs(format!("set manners.errors = \"{word}\"")),
                Ok(false) => continue,
                Err(why) => {
                    draft.came.push(format!("errors by \"{word}\": {why}"));
                    continue;
                }
            };
            self.rows.push(row);
            if header != headed {
                let row = Draft::new("manners.reply-header", "answers without a header word");
                self.rows.push(row.differs("answers carry header words: set manners.reply-header = true"));
            }
            return Ok(());
        }
        self.scope.session.set_errors(says);
        self.rows.push(draft.differs(
            "errors of this instrument are told in no way that is known here: without them no command can be trusted",
        ));
        // It must at least answer, or there is nothing to try.
        self.scope.identify().await.map(|_identity| ())
    }

    /// Whether a command that no instrument knows brings a complaint of the class that it should.
    async fn complaint(&mut self, draft: &mut Draft) -> Result<bool, String> {
        let identity = self.scope.identify().await;
        identity.map_err(|error| chain(&error))?;
        let unknown = Message::raw("NOSUCHWORD 1".into()).map_err(|error| error.to_string())?;
        let complaints = self.send(draft, &[unknown]).await.map_err(|error| chain(&error))?;
        Ok(complaints.iter().any(|complaint| complaint.starts_with("-1")))
    }

    /// Sends commands, one a message, and reads what the instrument complains of. A link that failed is an error;
    /// an answer that did not come, or could not be read, is a complaint.
    async fn send(&mut self, draft: &mut Draft, messages: &[Message]) -> Result<Vec<String>, ScopeError> {
        let mut complaints = Vec::new();
        for message in messages {
            draft.sent.push(message.text().to_owned());
            let sent = self.scope.session.group(core::slice::from_ref(message)).await;
            match sent {
                Ok(()) => {}
                Err(SessionError::Refused { complaints: entries, .. }) => {
                    complaints.extend(
                        entries.iter().filter(|entry| entry.class() != ErrorClass::Event).map(ToString::to_string),
                    );
                }
                Err(source) => complaints.push(self.survivable(source)?),
            }
        }
        draft.came.extend(complaints.iter().cloned());
        Ok(complaints)
    }

    /// Asks, and keeps the answer; `Err`: why there is none.
    async fn ask(&mut self, draft: &mut Draft, message: &Message) -> Result<Result<String, String>, ScopeError> {
        draft.sent.push(message.text().to_owned());
        match self.scope.session.query(message).await {
            Ok(answer) => {
                draft.came.push(answer.clone());
                Ok(Ok(answer))
            }
            Err(source) => {
                let why = self.survivable(source)?;
                draft.came.push(why.clone());
                Ok(Err(why))
            }
        }
    }

    /// The state that an answer tells.
    fn state_told(&mut self, text: &str) -> Option<State> {
        if !self.states.iter().any(|known| known == text) {
            self.states.push(text.to_owned());
        }
        self.scope.dialect.read_state(text)
    }

    /// An error that leaves the instrument reachable, as text.
    fn survivable(&self, source: SessionError) -> Result<String, ScopeError> {
        match source {
            SessionError::Lost { .. } | SessionError::Changed { .. } | SessionError::Link { .. } => {
                Err(self.scope.failed("try the dialect", source))
            }
            SessionError::NoReply { got, waited_s, complaints, .. } => {
                let mut text = format!("no answer within {waited_s:.1} s ({got} bytes)");
                for complaint in complaints {
                    text.push_str(&format_args!("; {complaint}").to_string());
                }
                Ok(text)
            }
            SessionError::Wrong { why, .. } | SessionError::OutOfStep { why, .. } => Ok(why),
            other => Ok(other.to_string()),
        }
    }

    /// Rows for what could not be tried.
    fn not_tried(&mut self, what: &[&str], why: &str) {
        for what in what {
            self.rows.push(Draft::new(what, "").end(TrialOutcome::NotTried, Some(why.to_owned())));
        }
    }

    /// The messages of an operation; a row for what cannot be built or is not offered.
    fn words(&mut self, op: Op, values: &Values, expected: &str) -> Option<Vec<Message>> {
        match self.scope.dialect.render(op, values) {
            Ok(list) if list.is_empty() => {
                self.rows.push(Draft::new(op, expected).end(TrialOutcome::NotOffered, None));
                None
            }
            Ok(list) => Some(list),
            Err(error) => {
                let row = Draft::new(op, expected).differs(format!("commands.{op} cannot be built: {error}"));
                self.rows.push(row);
                None
            }
        }
    }

    /// A whole capture in the way of every other one, of the first point that gives samples.
    async fn whole(&mut self, detection: Detection, name: &str) {
        let draft = Draft::new(name, "a record that fits its settings");
        let channels: Vec<String> = self.scope.dialect.channels().map(|input| input.label.to_lowercase()).collect();
        let point = self.hookup.points.iter().find(|point| channels.contains(&point.channel.to_lowercase()));
        let Some(point) = point else {
            let advice = "nothing is hooked up to a channel that gives samples".to_owned();
            self.rows.push(draft.end(TrialOutcome::NotTried, Some(advice)));
            return;
        };
        let request = CaptureRequest { detection, ..CaptureRequest::free([point.signal], 0.02) };
        // Anything on the probe will do here.
        let mut hookup = self.hookup.clone();
        for point in &mut hookup.points {
            point.expected_v = None;
        }
        let mut draft = draft;
        draft.sent.push(format!("`{}` on {} in free run, 20 ms", point.signal, point.channel));
        let row = match self.scope.acquire(&hookup, &request).await {
            Ok(captures) => {
                let count = captures.first().and_then(|c| c.traces.first()).map_or(0, |trace| trace.codes.len());
                draft.came.push(format!("{count} codes"));
                draft.good()
            }
            Err(error) => {
                draft.came.push(chain(&error));
                draft.differs("see what came back; the rows above say which words to look at first")
            }
        };
        self.rows.push(row);
    }
}
