//! The paths: each takes what it needs from the request, asks the daemon, and answers JSON.

use super::{Answered, Api, ApiError, ApiErrorKind, BenchEvents, Cursor, EventPage, Started, limits};
use crate::records::{JobEvent, JobId, JobOpened, RunFilter, RunId};
use axum::body::Bytes;
use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{FromRequest, Path, Query, Request, State};
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use core::time::Duration;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::sync::Arc;
use tapewright_formats::Mode;
use tokio::sync::{Semaphore, SemaphorePermit, watch};

/// What the paths share.
#[derive(Clone)]
pub(super) struct Shared {
    api: Arc<dyn Api>,
    waiting: Arc<Semaphore>,
    ended: watch::Receiver<bool>,
    /// Tells this life of the daemon from others: numbers of events begin anew with each.
    life: i64,
}

impl Shared {
    pub(super) fn new(api: Arc<dyn Api>, ended: watch::Receiver<bool>, life: i64) -> Self {
        Self { api, waiting: Arc::new(Semaphore::new(limits::WAITING)), ended, life }
    }
}

type Answer = Result<Response, ApiError>;
type At<T> = Result<Path<T>, PathRejection>;
type Asked<T> = Result<Query<T>, QueryRejection>;

pub(super) fn router(shared: Shared) -> Router {
    Router::new()
        .route("/v1/benches", get(benches))
        .route("/v1/benches/{bench}/runs", post(start_run))
        .route("/v1/benches/{bench}/events", get(events))
        .route("/v1/benches/{bench}/prompts", get(prompts))
        .route("/v1/benches/{bench}/prompts/{prompt}/answer", post(answer))
        .route("/v1/benches/{bench}/readings", get(readings))
        .route("/v1/benches/{bench}/live", get(live).post(start_live).delete(end_live))
        .route("/v1/benches/{bench}/live/say", post(live_say))
        .route("/v1/benches/{bench}/live/key", post(live_key))
        .route("/v1/benches/{bench}/stop", post(stop))
        .route("/v1/runs", get(runs))
        .route("/v1/runs/{run}", get(run))
        .route("/v1/runs/{run}/cancel", post(cancel))
        .route("/v1/runs/{run}/rejudge", post(rejudge))
        .route("/v1/procedures", get(procedures))
        .route("/v1/jobs", get(jobs).post(start_job))
        .route("/v1/jobs/{job}", get(job))
        .route("/v1/jobs/{job}/events", post(add_to_job))
        .method_not_allowed_fallback(wrong_method)
        .fallback(nowhere)
        .with_state(shared)
}

async fn nowhere(request: Request) -> ApiError {
    let text = format!("there is nothing at `{}`", request.uri().path());
    ApiError::new(ApiErrorKind::NotFound, text, "everything is under /v1: benches, runs, procedures, jobs")
}

async fn wrong_method(request: Request) -> ApiError {
    let text = format!("`{}` does not know {}", request.uri().path(), request.method());
    ApiError::new(ApiErrorKind::WrongMethod, text, "GET to look, POST to do")
}

async fn benches(State(shared): State<Shared>) -> Answer {
    ok(&shared.api.benches().await?)
}

async fn start_run(State(shared): State<Shared>, bench: At<String>, body: Body<Value>) -> Answer {
    let bench = at(bench)?;
    let run = to_its_end(async move { shared.api.start_run(&bench, body.0).await }).await?;
    Ok((StatusCode::CREATED, Json(Started { run })).into_response())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct EventsAfter {
    #[serde(default)]
    after: u64,
    life: Option<i64>,
    #[serde(default)]
    wait_s: f64,
}

async fn events(State(shared): State<Shared>, bench: At<String>, query: Asked<EventsAfter>) -> Answer {
    let (bench, EventsAfter { after, life, wait_s }) = (at(bench)?, asked(query)?);
    let (wait, _place) = waits(&shared, wait_s)?;
    if life.is_some_and(|life| life != shared.life) {
        return shared.everything_anew(&bench).await;
    }
    let mut ended = shared.ended.clone();
    let found = tokio::select! {
        biased;
        found = shared.api.events(&bench, after, wait) => found?,
        // The daemon ends: what there is is in the journal, and the client may look there.
        _ = ended.wait_for(|ended| *ended) => BenchEvents { events: Vec::new(), next_number: after.saturating_add(1) },
    };
    if found.next_number <= after {
        // A number of an earlier life, without saying so.
        return shared.everything_anew(&bench).await;
    }
    ok(&shared.page(after, false, found))
}

impl Shared {
    async fn everything_anew(&self, bench: &str) -> Answer {
        let all = self.api.events(bench, 0, Duration::ZERO).await?;
        ok(&self.page(0, true, all))
    }

    fn page(&self, after: u64, restarted: bool, found: BenchEvents) -> EventPage {
        let mut events = found.events;
        events.truncate(limits::EVENTS);
        let first = events.first().map_or(after.saturating_add(1), |event| event.number);
        let next = Cursor { life: Some(self.life), after: events.last().map_or(after, |event| event.number) };
        EventPage { events, next, missed: first.saturating_sub(after.saturating_add(1)), restarted }
    }
}

async fn prompts(State(shared): State<Shared>, bench: At<String>) -> Answer {
    ok(&shared.api.prompts(&at(bench)?).await?)
}

async fn answer(State(shared): State<Shared>, place: At<(String, String)>, body: Body<Answered>) -> Answer {
    let (bench, prompt) = at(place)?;
    to_its_end(async move { shared.api.answer(&bench, &prompt, body.0).await }).await?;
    ok(&json!({}))
}

async fn readings(State(shared): State<Shared>, bench: At<String>) -> Answer {
    ok(&shared.api.readings(&at(bench)?).await?)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FrameAfter {
    #[serde(default)]
    after: u64,
    #[serde(default)]
    wait_s: f64,
}

/// A time to wait, as far as there is a place for one more that waits.
fn waits(shared: &Shared, wait_s: f64) -> Result<(Duration, Option<SemaphorePermit<'_>>), ApiError> {
    let wait = Duration::try_from_secs_f64(wait_s).map_err(|_| {
        ApiError::new(ApiErrorKind::Invalid, format!("`{wait_s}` is no time to wait"), "give wait_s in seconds, from 0")
    })?;
    let place = (!wait.is_zero()).then(|| shared.waiting.try_acquire().ok()).flatten();
    Ok((if place.is_some() { wait.min(limits::WAIT) } else { Duration::ZERO }, place))
}

async fn live(State(shared): State<Shared>, bench: At<String>, query: Asked<FrameAfter>) -> Answer {
    let (bench, FrameAfter { after, wait_s }) = (at(bench)?, asked(query)?);
    let (wait, _place) = waits(&shared, wait_s)?;
    let mut ended = shared.ended.clone();
    let frame = tokio::select! {
        biased;
        frame = shared.api.live(&bench, after, wait) => Some(frame?),
        _ = ended.wait_for(|ended| *ended) => None,
    };
    match frame {
        Some(frame) => ok(&frame),
        // The daemon ends: the latest frame says what there was.
        None => ok(&shared.api.live(&bench, 0, Duration::ZERO).await?),
    }
}

async fn start_live(State(shared): State<Shared>, bench: At<String>, body: Body<Value>) -> Answer {
    let bench = at(bench)?;
    to_its_end(async move { shared.api.start_live(&bench, body.0).await }).await?;
    Ok((StatusCode::CREATED, Json(json!({}))).into_response())
}

async fn end_live(State(shared): State<Shared>, bench: At<String>) -> Answer {
    shared.api.end_live(&at(bench)?).await?;
    ok(&json!({}))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Said {
    word: String,
}

async fn live_say(State(shared): State<Shared>, bench: At<String>, body: Body<Said>) -> Answer {
    shared.api.live_say(&at(bench)?, &body.0.word).await?;
    ok(&json!({}))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Pressed {
    mode: Mode,
}

async fn live_key(State(shared): State<Shared>, bench: At<String>, body: Body<Pressed>) -> Answer {
    shared.api.live_key(&at(bench)?, body.0.mode).await?;
    ok(&json!({}))
}

async fn stop(State(shared): State<Shared>, bench: At<String>) -> Answer {
    let bench = at(bench)?;
    to_its_end(async move { shared.api.stop(&bench).await }).await?;
    ok(&json!({}))
}

async fn runs(State(shared): State<Shared>, filter: Asked<RunFilter>) -> Answer {
    ok(&shared.api.records().runs(&asked(filter)?).await?)
}

async fn run(State(shared): State<Shared>, run: At<String>) -> Answer {
    ok(&shared.api.run(&at(run)?.parse::<RunId>()?).await?)
}

async fn cancel(State(shared): State<Shared>, run: At<String>) -> Answer {
    let run = at(run)?.parse::<RunId>()?;
    to_its_end(async move { shared.api.cancel(&run).await }).await?;
    ok(&json!({}))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RejudgeFrom {
    #[serde(default)]
    from: u32,
}

async fn rejudge(State(shared): State<Shared>, run: At<String>, body: Body<RejudgeFrom>) -> Answer {
    ok(&shared.api.rejudge(&at(run)?.parse::<RunId>()?, body.0.from).await?)
}

async fn procedures(State(shared): State<Shared>) -> Answer {
    ok(&shared.api.procedures().await?)
}

async fn jobs(State(shared): State<Shared>) -> Answer {
    ok(&shared.api.records().jobs().await?)
}

async fn start_job(State(shared): State<Shared>, body: Body<JobOpened>) -> Answer {
    let job = to_its_end(async move { Ok(shared.api.records().start_job(body.0).await?) }).await?;
    Ok((StatusCode::CREATED, Json(job)).into_response())
}

async fn job(State(shared): State<Shared>, job: At<String>) -> Answer {
    ok(&shared.api.records().job(&at(job)?.parse::<JobId>()?).await?)
}

async fn add_to_job(State(shared): State<Shared>, job: At<String>, body: Body<JobEvent>) -> Answer {
    let job = at(job)?.parse::<JobId>()?;
    // That a run proved it is the runner's to say.
    if let JobEvent::ScrapTapeRan(ran) = &body.0
        && ran.run.is_some()
    {
        let text = "a scrap tape that a run proved is noted by that run".to_owned();
        return Err(ApiError::new(ApiErrorKind::Invalid, text, "leave `run` out, or run `tape-safe` in the job"));
    }
    ok(&to_its_end(async move { Ok(shared.api.records().add_to_job(&job, body.0).await?) }).await?)
}

/// What changes something is done to its end, also when the client that asked for it has gone away.
async fn to_its_end<T: Send + 'static>(
    work: impl Future<Output = Result<T, ApiError>> + Send + 'static,
) -> Result<T, ApiError> {
    tokio::spawn(work).await.unwrap_or_else(|e| Err(ApiError::internal(&e)))
}

fn ok(thing: &impl Serialize) -> Answer {
    let bytes = serde_json::to_vec(thing).map_err(|e| ApiError::internal(&e))?;
    Ok(([(CONTENT_TYPE, "application/json")], bytes).into_response())
}

fn at<T>(path: At<T>) -> Result<T, ApiError> {
    let bad =
        |e: PathRejection| ApiError::new(ApiErrorKind::Invalid, e.body_text(), "write the name as the list has it");
    path.map(|Path(names)| names).map_err(bad)
}

fn asked<T>(query: Asked<T>) -> Result<T, ApiError> {
    let bad =
        |e: QueryRejection| ApiError::new(ApiErrorKind::Invalid, e.body_text(), "look at what stands after the `?`");
    query.map(|Query(asked)| asked).map_err(bad)
}

/// A body of JSON. A page's plain form cannot send one without being asked first: its type is checked.
struct Body<T>(T);

impl<T: DeserializeOwned> FromRequest<Shared> for Body<T> {
    type Rejection = ApiError;

    async fn from_request(request: Request, shared: &Shared) -> Result<Self, ApiError> {
        let kind = request.headers().get(CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
        let media = kind.split(';').next().unwrap_or_default().trim();
        if !media.eq_ignore_ascii_case("application/json") {
            let text = format!("the body is said to be `{kind}`");
            return Err(ApiError::new(ApiErrorKind::NotJson, text, "send JSON, with `Content-Type: application/json`"));
        }
        let bytes = Bytes::from_request(request, shared).await.map_err(|e| {
            if e.status() == StatusCode::PAYLOAD_TOO_LARGE {
                let text = format!("the body is longer than {} bytes", limits::BODY_BYTES);
                ApiError::new(ApiErrorKind::TooLong, text, "send less")
            } else {
                ApiError::new(ApiErrorKind::Invalid, e.body_text(), "send it again")
            }
        })?;
        serde_json::from_slice(&bytes).map(Self).map_err(|e| {
            ApiError::new(
                ApiErrorKind::Invalid,
                format!("the body is not what is wanted here: {e}"),
                "mend it, and send it again",
            )
        })
    }
}
