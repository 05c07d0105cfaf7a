//! Errors as a client gets them: `{"error": text, "hint": text}` with a fitting status.

use crate::records::RecordsError;
use crate::report::chain;
use axum::http::header::{CONNECTION, RETRY_AFTER, WWW_AUTHENTICATE};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use core::fmt;
use serde::{Deserialize, Serialize};

/// What kind of error it is; decides the status.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ApiErrorKind {
    /// The request is not understood: 400.
    Invalid,
    /// No token, or a wrong one: 401.
    Unauthorised,
    /// The request comes from where it may not: 403.
    Forbidden,
    /// What is named is not there: 404.
    NotFound,
    /// The path does not know this method: 405.
    WrongMethod,
    /// It cannot be done as things stand, e.g. the bench has a run already: 409.
    Conflict,
    /// The body is too long: 413.
    TooLong,
    /// The body is not JSON: 415.
    NotJson,
    /// A fault of the daemon: 500.
    Internal,
    /// Too much at once, or the daemon is ending: 503.
    Busy,
}

/// An error for a client.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ApiError {
    /// Decides the status.
    pub kind: ApiErrorKind,
    /// What was tried on what, and what went wrong.
    pub text: String,
    /// What to do.
    pub hint: String,
}

/// The body of an error.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ErrorBody {
    /// What went wrong.
    pub error: String,
    /// What to do.
    pub hint: String,
}

impl ApiError {
    /// An error with its text and hint.
    #[must_use]
    pub fn new(kind: ApiErrorKind, text: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { kind, text: text.into(), hint: hint.into() }
    }

    /// A fault of the daemon, with its causes.
    #[must_use]
    pub fn internal(error: &(dyn core::error::Error + 'static)) -> Self {
        Self::new(ApiErrorKind::Internal, chain(error), "look at the daemon's log")
    }

    const fn status(&self) -> StatusCode {
        match self.kind {
            ApiErrorKind::Invalid => StatusCode::BAD_REQUEST,
            ApiErrorKind::Unauthorised => StatusCode::UNAUTHORIZED,
            ApiErrorKind::Forbidden => StatusCode::FORBIDDEN,
            ApiErrorKind::NotFound => StatusCode::NOT_FOUND,
            ApiErrorKind::WrongMethod => StatusCode::METHOD_NOT_ALLOWED,
            ApiErrorKind::Conflict => StatusCode::CONFLICT,
            ApiErrorKind::TooLong => StatusCode::PAYLOAD_TOO_LARGE,
            ApiErrorKind::NotJson => StatusCode::UNSUPPORTED_MEDIA_TYPE,
            ApiErrorKind::Internal => StatusCode::INTERNAL_SERVER_ERROR,
            ApiErrorKind::Busy => StatusCode::SERVICE_UNAVAILABLE,
        }
    }
}

impl fmt::Display for ApiError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.text, self.hint)
    }
}

impl core::error::Error for ApiError {}

impl From<RecordsError> for ApiError {
    fn from(error: RecordsError) -> Self {
        let (kind, hint) = match &error {
            RecordsError::Unknown { what: "job", .. } => {
                (ApiErrorKind::NotFound, "list the jobs with `tapewright job list`")
            }
            RecordsError::Unknown { .. } => (ApiErrorKind::NotFound, "list the runs with `tapewright runs`"),
            RecordsError::BadName { what: "run" | "job", .. } => {
                (ApiErrorKind::Invalid, "take the name as the list has it")
            }
            RecordsError::BadName { .. } | RecordsError::BadWords { .. } => {
                (ApiErrorKind::Invalid, "nothing was written")
            }
            RecordsError::NotKnown { .. } => (ApiErrorKind::Invalid, "give one of the known words"),
            RecordsError::Ended { .. } => (ApiErrorKind::Conflict, "begin a new one"),
            RecordsError::JobClosed { .. } | RecordsError::Unfit { .. } => {
                (ApiErrorKind::Conflict, "nothing was written")
            }
            RecordsError::Chain { .. } | RecordsError::BadFormat { .. } | RecordsError::JournalGone { .. } => {
                (ApiErrorKind::Internal, "nothing of this record counts until it is whole again")
            }
            _ => (ApiErrorKind::Internal, "look at the daemon's log"),
        };
        Self::new(kind, chain(&error), hint)
    }
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        if self.kind == ApiErrorKind::Internal {
            tracing::error!(error = %self.text, "a request failed");
        }
        let status = self.status();
        let mut response = (status, axum::Json(ErrorBody { error: self.text, hint: self.hint })).into_response();
        let headers = response.headers_mut();
        match self.kind {
            ApiErrorKind::Unauthorised => {
                headers.insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
            }
            ApiErrorKind::Busy => {
                headers.insert(RETRY_AFTER, HeaderValue::from_static("1"));
            }
            // What is left of a body that is too long is not read.
            ApiErrorKind::TooLong => {
                headers.insert(CONNECTION, HeaderValue::from_static("close"));
            }
            _ => {}
        }
        response
    }
}
