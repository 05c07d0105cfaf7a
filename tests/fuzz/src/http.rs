//! The daemon's HTTP side: a real server on loopback, any request line, headers and body.

use serde_json::{Value, json};
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use tapewright::http::{Answered, Api, ApiError, ApiErrorKind, ApiFuture, BenchEvents, ServeOptions, Server};
use tapewright::records::{DataFolder, RunId};
use tapewright_clock::Clock;
use tapewright_formats::Mode;

struct Bench(DataFolder);

fn known(bench: &str) -> Result<(), ApiError> {
    if bench == "b" { Ok(()) } else { Err(ApiError::new(ApiErrorKind::NotFound, "no such bench", "list them")) }
}

impl Api for Bench {
    fn records(&self) -> &DataFolder {
        &self.0
    }
    fn benches(&self) -> ApiFuture<'_, Vec<Value>> {
        Box::pin(async { Ok(vec![json!({"bench": "b"})]) })
    }
    fn start_run<'a>(&'a self, bench: &'a str, _request: Value) -> ApiFuture<'a, RunId> {
        Box::pin(async move {
            known(bench)?;
            Ok("r20260301-142913-001".parse()?)
        })
    }
    fn run<'a>(&'a self, run: &'a RunId) -> ApiFuture<'a, Value> {
        Box::pin(async move { Ok(json!({"lines": self.0.read_run(run).await?.lines.len()})) })
    }
    fn rejudge<'a>(&'a self, run: &'a RunId, from: u32) -> ApiFuture<'a, Value> {
        Box::pin(async move { Ok(json!({"lines": self.0.read_run(run).await?.lines.len(), "from": from})) })
    }
    fn events<'a>(&'a self, bench: &'a str, after: u64, _wait: Duration) -> ApiFuture<'a, BenchEvents> {
        Box::pin(async move {
            known(bench)?;
            Ok(BenchEvents { events: Vec::new(), next_number: after.saturating_add(1) })
        })
    }
    fn prompts<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, Vec<Value>> {
        Box::pin(async move { known(bench).map(|()| Vec::new()) })
    }
    fn answer<'a>(&'a self, bench: &'a str, _prompt: &'a str, _answer: Answered) -> ApiFuture<'a, ()> {
        Box::pin(async move { known(bench) })
    }
    fn cancel<'a>(&'a self, _run: &'a RunId) -> ApiFuture<'a, ()> {
        Box::pin(async { Ok(()) })
    }
    fn stop<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, ()> {
        Box::pin(async move { known(bench) })
    }
    fn procedures(&self) -> ApiFuture<'_, Vec<Value>> {
        Box::pin(async { Ok(Vec::new()) })
    }
    fn readings<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, Value> {
        Box::pin(async move { known(bench).map(|()| Value::Null) })
    }
    fn start_live<'a>(&'a self, bench: &'a str, _request: Value) -> ApiFuture<'a, ()> {
        Box::pin(async move { known(bench) })
    }
    fn live<'a>(&'a self, bench: &'a str, after: u64, _wait: Duration) -> ApiFuture<'a, Value> {
        Box::pin(async move { known(bench).map(|()| json!({ "number": after.saturating_add(1) })) })
    }
    fn live_say<'a>(&'a self, bench: &'a str, _word: &'a str) -> ApiFuture<'a, ()> {
        Box::pin(async move { known(bench) })
    }
    fn live_key<'a>(&'a self, bench: &'a str, _mode: Mode) -> ApiFuture<'a, ()> {
        Box::pin(async move { known(bench) })
    }
    fn end_live<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, ()> {
        Box::pin(async move { known(bench) })
    }
}

/// The server, started once: its address, its token, and the folder that it works in.
fn server() -> &'static (SocketAddr, String, tempfile::TempDir) {
    static SERVER: OnceLock<(SocketAddr, String, tempfile::TempDir)> = OnceLock::new();
    SERVER.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let token_file = folder.path().join("token");
        let options = ServeOptions {
            address: "127.0.0.1:0".parse().expect("an address"),
            token_file: token_file.clone(),
            beyond_loopback: false,
            names: Vec::new(),
        };
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let runtime = runtime.expect("a runtime");
        let server = runtime.block_on(async {
            let data = DataFolder::open(&folder.path().join("data"), Clock::real()).await.expect("it opens");
            Server::bind(&options, Arc::new(Bench(data))).await.expect("it binds")
        });
        let address = server.address();
        std::thread::spawn(move || runtime.block_on(server.run(core::future::pending())).expect("it serves"));
        let token = std::fs::read_to_string(&token_file).expect("the token").trim().to_owned();
        (address, token, folder)
    })
}

/// One request. The first byte says how much of it is right already: bit 0 the host, bit 1 the token, bit 2 the
/// length; the rest is a request line, headers and body, up to the first empty line the head.
pub fn http(bytes: &[u8]) {
    let Some((&first, bytes)) = bytes.split_first() else { return };
    if bytes.len() > 8_192 {
        return;
    }
    let (address, token, _) = server();
    let place = bytes.windows(2).position(|pair| pair == b"\n\n");
    let (head, body) = place.map_or((bytes, &b""[..]), |place| (&bytes[..place], &bytes[place + 2..]));
    let mut lines = head.split(|&byte| byte == b'\n');
    let mut request = lines.next().unwrap_or_default().to_vec();
    request.extend_from_slice(b" HTTP/1.1\r\nConnection: close\r\n");
    if first & 1 != 0 {
        request.extend_from_slice(format!("Host: {address}\r\n").as_bytes());
    }
    if first & 2 != 0 {
        request.extend_from_slice(format!("Authorization: Bearer {token}\r\n").as_bytes());
    }
    if first & 4 != 0 {
        request.extend_from_slice(format!("Content-Length: {}\r\n", body.len()).as_bytes());
    }
    for line in lines {
        request.extend_from_slice(line);
        request.extend_from_slice(b"\r\n");
    }
    request.extend_from_slice(b"\r\n");
    request.extend_from_slice(body);
    let mut stream = TcpStream::connect(address).expect("the server takes connections");
    stream.set_read_timeout(Some(Duration::from_secs(20))).expect("a time-out");
    // It may refuse, and close, before all is sent.
    let _sent = stream.write_all(&request);
    let _shut = stream.shutdown(std::net::Shutdown::Write);
    let mut answer = Vec::new();
    match stream.read_to_end(&mut answer) {
        Ok(_) => {}
        Err(error) if error.kind() == std::io::ErrorKind::ConnectionReset => {}
        Err(error) => panic!("it neither answers nor closes: {error}"),
    }
    let status = answer.split(|&byte| byte == b' ').nth(1).unwrap_or_default();
    assert_ne!(status, b"500", "{}", answer.escape_ascii());
}
