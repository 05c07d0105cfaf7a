//! Who may ask: every request passes here before anything looks at its path.
//!
//! In this order: the name that the client thinks it talks to (`Host`), the page that it comes from
//! (`Origin`), the token, and whether there is room.

use super::limits;
use super::{ApiError, ApiErrorKind, Token};
use axum::extract::{Request, State};
use axum::http::header::{AUTHORIZATION, CACHE_CONTROL, HOST, ORIGIN, X_CONTENT_TYPE_OPTIONS};
use axum::http::{HeaderMap, HeaderName, HeaderValue};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::sync::Semaphore;

/// What the guard knows.
#[derive(Debug)]
pub(super) struct Guard {
    token: Token,
    /// Lower-case `name` and `name:port` that this server goes by.
    hosts: Vec<String>,
    room: Semaphore,
}

impl Guard {
    /// A guard for a server that listens at `address`, and also goes by other `names`.
    pub(super) fn new(token: Token, address: SocketAddr, names: &[String]) -> Self {
        let port = address.port();
        let mut all: Vec<String> = ["localhost", "127.0.0.1", "[::1]"].map(str::to_owned).into();
        if !address.ip().is_unspecified() {
            let ip = SocketAddr::new(address.ip(), port).to_string();
            all.extend(ip.rsplit_once(':').map(|(host, _)| host.to_owned()));
        }
        all.extend(names.iter().map(|name| name.to_ascii_lowercase()));
        let mut hosts: Vec<String> = all.iter().map(|name| format!("{name}:{port}")).collect();
        if port == 80 {
            hosts.extend(all);
        }
        Self { token, hosts, room: Semaphore::new(limits::REQUESTS) }
    }

    fn check(&self, request: &Request) -> Result<(), ApiError> {
        let headers = request.headers();
        let host = only(headers, &HOST)?.ok_or_else(|| self.foreign("no `Host` was given".into()))?;
        if !self.known(host) {
            return Err(self.foreign(format!("`Host` is `{host}`, and this is not that host")));
        }
        if let Some(authority) = request.uri().authority().filter(|a| !self.known(a.as_str())) {
            return Err(self.foreign(format!("the address asked for is at `{authority}`, and this is not that host")));
        }
        if let Some(origin) = only(headers, &ORIGIN)?
            && !origin.strip_prefix("http://").is_some_and(|host| self.known(host))
        {
            let text = format!("the request comes from a page of `{origin}`, which may not use this daemon");
            return Err(ApiError::new(
                ApiErrorKind::Forbidden,
                text,
                "use the command line, or a program that is no page of another host",
            ));
        }
        let given = only(headers, &AUTHORIZATION)?;
        if !given.is_some_and(|header| self.token.is_in(header.as_bytes())) {
            let text = if given.is_some() { "the token is not this daemon's" } else { "no token was given" };
            let hint =
                "send `Authorization: Bearer` with the content of the token file that the daemon names at its start";
            return Err(ApiError::new(ApiErrorKind::Unauthorised, text, hint));
        }
        Ok(())
    }

    fn known(&self, host: &str) -> bool {
        self.hosts.iter().any(|known| known.eq_ignore_ascii_case(host))
    }

    fn foreign(&self, text: String) -> ApiError {
        ApiError::new(ApiErrorKind::Forbidden, text, format!("ask it as {}", self.hosts.join(" or ")))
    }
}

/// A header's value, if it is given once and as text. Given twice it would be one thing to us and
/// another to whatever stands between.
fn only<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, ApiError> {
    let mut values = headers.get_all(name).iter();
    let value = values.next();
    let bad = |why: &str| {
        ApiError::new(ApiErrorKind::Invalid, format!("header `{name}` {why}"), "send it once, as plain text")
    };
    if values.next().is_some() {
        return Err(bad("is given more than once"));
    }
    value.map(|v| v.to_str().map_err(|_| bad("is not plain text"))).transpose()
}

/// Lets a request through or answers it here.
pub(super) async fn pass(State(guard): State<Arc<Guard>>, request: Request, next: Next) -> Response {
    let mut response = match guard.check(&request) {
        Err(refused) => refused.into_response(),
        Ok(()) => match guard.room.try_acquire() {
            Ok(_place) => next.run(request).await,
            Err(_) => {
                let text = format!("{} requests are being answered already", limits::REQUESTS);
                ApiError::new(ApiErrorKind::Busy, text, "ask again in a second").into_response()
            }
        },
    };
    let headers = response.headers_mut();
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    headers.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_names_of_a_server() {
        let token = Token::read_or_make(&tempfile::tempdir().expect("a folder").path().join("token")).expect("a token");
        let check = |address: &str, names: &[&str], known: &[&str], foreign: &[&str]| {
            let names: Vec<String> = names.iter().map(|n| (*n).to_owned()).collect();
            let guard = Guard::new(token.clone(), address.parse().expect("an address"), &names);
            for host in known {
                assert!(guard.known(host), "{address} is {host}");
            }
            for host in foreign {
                assert!(!guard.known(host), "{address} is not {host}");
            }
        };
        let elsewhere =
            ["evil.test:8473", "localhost.evil.test:8473", "127.0.0.1:8474", "127.0.0.1", "", "localhost:8473:8473"];
        check("127.0.0.1:8473", &[], &["127.0.0.1:8473", "localhost:8473", "LocalHost:8473", "[::1]:8473"], &elsewhere);
        check("[::1]:8473", &[], &["[::1]:8473", "localhost:8473"], &["[::2]:8473"]);
        check("127.0.0.1:80", &[], &["127.0.0.1", "localhost", "localhost:80"], &["localhost:81"]);
        check(
            "0.0.0.0:8473",
            &["Bench.Archive.test"],
            &["bench.archive.test:8473", "localhost:8473"],
            &["0.0.0.0:8473"],
        );
        check("192.0.2.7:8473", &[], &["192.0.2.7:8473"], &["192.0.2.8:8473"]);
    }
}
