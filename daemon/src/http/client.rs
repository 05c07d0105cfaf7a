//! The command line's client: blocking, and with the same shapes as the server.

use super::{Answered, Cursor, ErrorBody, EventPage, Started, Token, TokenError, limits};
use crate::live::{LiveFrame, LiveSpec};
use crate::records::{Job, JobEvent, JobId, JobOpened, RunFilter, RunId, RunRow};
use crate::run::rejudge::RejudgePage;
use core::time::Duration;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use std::path::Path;
use tapewright_formats::Mode;
use ureq::http::Response;
use ureq::{Agent, Body};

/// The greatest answer that is read: a run with its figures.
const ANSWER_BYTES: u64 = 256 << 20;

/// What can go wrong when asking the daemon.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// No daemon answers there.
    #[error(
        "cannot ask the daemon at {address}: start it with `tapewright serve`, or name by --config the configuration that says where it listens"
    )]
    Unreachable {
        /// Where.
        address: String,
        /// For what.
        path: String,
        /// What the system said.
        source: Box<ureq::Error>,
    },
    /// The daemon said no.
    #[error("{}; {}", .body.error, .body.hint)]
    Refused {
        /// For what.
        path: String,
        /// The status.
        status: u16,
        /// What the daemon said.
        body: ErrorBody,
    },
    /// Something answers that is not this daemon.
    #[error("the answer of {address} is not understood: look whether it is a tapewright of this version ({why})")]
    Garbled {
        /// Where.
        address: String,
        /// For what.
        path: String,
        /// What is wrong with it.
        why: String,
    },
    /// The token file.
    #[error(transparent)]
    Token(#[from] TokenError),
}

/// Asks a daemon.
#[derive(Debug, Clone)]
pub struct Client {
    agent: Agent,
    address: String,
    token: Token,
}

impl Client {
    /// For the daemon at `address` (`host:port`), with its token file.
    ///
    /// # Errors
    /// If the token file cannot be read.
    pub fn new(address: &str, token_file: &Path) -> Result<Self, ClientError> {
        let config = Agent::config_builder()
            // The token goes to the daemon and nowhere else.
            .proxy(None)
            .max_redirects(0)
            .http_status_as_error(false)
            .timeout_connect(Some(Duration::from_secs(5)))
            .timeout_recv_response(Some(limits::WAIT + Duration::from_secs(15)))
            .timeout_recv_body(Some(Duration::from_secs(60)))
            .build();
        let address = address.trim_end_matches('/').trim_start_matches("http://").to_owned();
        Ok(Self { agent: config.into(), address, token: Token::read(token_file)? })
    }

    /// The benches, and where each stands.
    ///
    /// # Errors
    /// [`ClientError`], as for every method here.
    pub fn benches(&self) -> Result<Vec<Value>, ClientError> {
        self.get("/v1/benches")
    }

    /// Starts a run.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn start_run(&self, bench: &str, request: &Value) -> Result<RunId, ClientError> {
        self.post::<Started>(&format!("/v1/benches/{}/runs", escaped(bench)), request).map(|started| started.run)
    }

    /// Events from where the client stands; waits so long for one. Ask on with the page's `next`.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn events(&self, bench: &str, from: Cursor, wait: Duration) -> Result<EventPage, ClientError> {
        let (after, wait_s) = (from.after, wait.as_secs_f64());
        let life = from.life.map_or_else(String::new, |life| format!("&life={life}"));
        self.get(&format!("/v1/benches/{}/events?after={after}&wait_s={wait_s}{life}", escaped(bench)))
    }

    /// The open prompts.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn prompts(&self, bench: &str) -> Result<Vec<Value>, ClientError> {
        self.get(&format!("/v1/benches/{}/prompts", escaped(bench)))
    }

    /// Answers a prompt.
    ///
    /// # Errors
    /// [`ClientError`]; refused with 409 if another was first.
    pub fn answer(&self, bench: &str, prompt: &str, answer: &Answered) -> Result<(), ClientError> {
        let path = format!("/v1/benches/{}/prompts/{}/answer", escaped(bench), escaped(prompt));
        self.post::<Value>(&path, answer).map(drop)
    }

    /// The latest live readings.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn readings(&self, bench: &str) -> Result<Value, ClientError> {
        self.get(&format!("/v1/benches/{}/readings", escaped(bench)))
    }

    /// Begins a live session.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn start_live(&self, bench: &str, spec: &LiveSpec) -> Result<(), ClientError> {
        self.post::<Value>(&format!("/v1/benches/{}/live", escaped(bench)), spec).map(drop)
    }

    /// The latest frame of the live session after a number; waits so long for one.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn live(&self, bench: &str, after: u64, wait: Duration) -> Result<LiveFrame, ClientError> {
        self.get(&format!("/v1/benches/{}/live?after={after}&wait_s={}", escaped(bench), wait.as_secs_f64()))
    }

    /// Says a word to the live session.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn live_say(&self, bench: &str, word: &str) -> Result<(), ClientError> {
        self.post::<Value>(&format!("/v1/benches/{}/live/say", escaped(bench)), &json!({ "word": word })).map(drop)
    }

    /// A person's key for the transport, pressed while watching.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn live_key(&self, bench: &str, mode: Mode) -> Result<(), ClientError> {
        self.post::<Value>(&format!("/v1/benches/{}/live/key", escaped(bench)), &json!({ "mode": mode })).map(drop)
    }

    /// Ends the live session.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn end_live(&self, bench: &str) -> Result<(), ClientError> {
        let path = format!("/v1/benches/{}/live", escaped(bench));
        let request = self.agent.delete(self.url(&path)).header("Authorization", self.token.header());
        self.understood::<Value>(&path, request.call()).map(drop)
    }

    /// Stops the transport at once.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn stop(&self, bench: &str) -> Result<(), ClientError> {
        self.post::<Value>(&format!("/v1/benches/{}/stop", escaped(bench)), &json!({})).map(drop)
    }

    /// The runs that fit, newest first.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn runs(&self, filter: &RunFilter) -> Result<Vec<RunRow>, ClientError> {
        let fields = serde_json::to_value(filter).unwrap_or_default();
        let mut path = "/v1/runs".to_owned();
        let mut mark = '?';
        for (name, value) in fields.as_object().into_iter().flatten() {
            let text = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
            path = format!("{path}{mark}{name}={}", escaped(&text));
            mark = '&';
        }
        self.get(&path)
    }

    /// One run with its verdict.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn run(&self, run: &RunId) -> Result<Value, ClientError> {
        self.get(&format!("/v1/runs/{run}"))
    }

    /// Judges the first procedure of a run from a place on again, on its own evidence. Ask on with the page's `next`.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn rejudge(&self, run: &RunId, from: u32) -> Result<RejudgePage, ClientError> {
        self.post(&format!("/v1/runs/{run}/rejudge"), &json!({ "from": from }))
    }

    /// Cancels a run.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn cancel(&self, run: &RunId) -> Result<(), ClientError> {
        self.post::<Value>(&format!("/v1/runs/{run}/cancel"), &json!({})).map(drop)
    }

    /// What can be run.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn procedures(&self) -> Result<Vec<Value>, ClientError> {
        self.get("/v1/procedures")
    }

    /// The jobs, oldest first.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn jobs(&self) -> Result<Vec<Job>, ClientError> {
        self.get("/v1/jobs")
    }

    /// Begins a job.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn start_job(&self, opened: &JobOpened) -> Result<Job, ClientError> {
        self.post("/v1/jobs", opened)
    }

    /// One job.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn job(&self, job: &JobId) -> Result<Job, ClientError> {
        self.get(&format!("/v1/jobs/{job}"))
    }

    /// Adds to a job.
    ///
    /// # Errors
    /// [`ClientError`].
    pub fn add_to_job(&self, job: &JobId, event: &JobEvent) -> Result<Job, ClientError> {
        self.post(&format!("/v1/jobs/{job}/events"), event)
    }

    fn get<T: DeserializeOwned>(&self, path: &str) -> Result<T, ClientError> {
        let request = self.agent.get(self.url(path)).header("Authorization", self.token.header());
        self.understood(path, request.call())
    }

    fn post<T: DeserializeOwned>(&self, path: &str, body: &impl Serialize) -> Result<T, ClientError> {
        let request = self.agent.post(self.url(path)).header("Authorization", self.token.header());
        self.understood(path, request.send_json(body))
    }

    fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    fn understood<T: DeserializeOwned>(
        &self,
        path: &str,
        answer: Result<Response<Body>, ureq::Error>,
    ) -> Result<T, ClientError> {
        let (address, path) = (self.address.clone(), path.to_owned());
        let unreachable = |source: ureq::Error| ClientError::Unreachable {
            address: address.clone(),
            path: path.clone(),
            source: Box::new(source),
        };
        let mut answer = answer.map_err(unreachable)?;
        let status = answer.status();
        let bytes = answer.body_mut().with_config().limit(ANSWER_BYTES).read_to_vec().map_err(unreachable)?;
        if !status.is_success() {
            return Err(match serde_json::from_slice(&bytes) {
                Ok(body) => ClientError::Refused { path, status: status.as_u16(), body },
                Err(_) => ClientError::Garbled { address, path, why: format!("status {status}") },
            });
        }
        serde_json::from_slice(&bytes).map_err(|e| ClientError::Garbled { address, path, why: e.to_string() })
    }
}

/// A text as one part of a path or query: everything but letters, digits, `-`, `.` and `_` as `%XX`.
fn escaped(text: &str) -> String {
    text.bytes()
        .map(|byte| match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' => char::from(byte).to_string(),
            _ => format!("%{byte:02X}"),
        })
        .collect()
}
