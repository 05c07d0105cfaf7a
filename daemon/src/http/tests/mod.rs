//! Tests of the server and client together, over real connections.

mod bounds;
mod events;
mod guard;
mod paths;
mod token;

use super::{Answered, Api, ApiError, ApiErrorKind, ApiFuture, BenchEvents, Client, ServeOptions, Server, wire};
use crate::bench::events::{BenchEvent, EventLog};
use crate::bench::prompts::PromptDesk;
use crate::records::{DataFolder, RunId};
use core::time::Duration;
use serde_json::{Value, json};
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use tapewright_clock::Clock;
use tokio::sync::{Semaphore, mpsc, oneshot};

/// A bench with the house's own log and prompts, and nothing on it.
struct Bench {
    data: DataFolder,
    clock: Clock,
    log: EventLog,
    prompts: PromptDesk,
    /// Told the wait of each request for events.
    asked: mpsc::UnboundedSender<Duration>,
    /// Each request for readings takes one and keeps it.
    gate: Semaphore,
    /// Requests for readings that came so far.
    came: AtomicUsize,
    done: Mutex<Vec<String>>,
}

impl Bench {
    fn known(bench: &str) -> Result<(), ApiError> {
        if bench == "bench-1" {
            return Ok(());
        }
        Err(ApiError::new(ApiErrorKind::NotFound, format!("no bench `{bench}`"), "list them with GET /v1/benches"))
    }

    fn note(&self, what: String) {
        self.done.lock().expect("nobody panicked").push(what);
    }
}

impl Api for Bench {
    fn records(&self) -> &DataFolder {
        &self.data
    }

    fn benches(&self) -> ApiFuture<'_, Vec<Value>> {
        Box::pin(async { Ok(vec![json!({"bench": "bench-1"})]) })
    }

    fn start_run<'a>(&'a self, bench: &'a str, request: Value) -> ApiFuture<'a, RunId> {
        Box::pin(async move {
            Self::known(bench)?;
            self.note(format!("run {}", request["sequence"]));
            Ok("r20260301-142913-001".parse()?)
        })
    }

    fn run<'a>(&'a self, run: &'a RunId) -> ApiFuture<'a, Value> {
        Box::pin(async move { Ok(json!({"lines": self.data.read_run(run).await?.lines.len()})) })
    }

    fn rejudge<'a>(&'a self, run: &'a RunId, from: u32) -> ApiFuture<'a, Value> {
        Box::pin(async move {
            self.data.read_run(run).await?;
            Ok(json!({"rejudged": null, "next": from + 1}))
        })
    }

    fn events<'a>(&'a self, bench: &'a str, after: u64, wait: Duration) -> ApiFuture<'a, BenchEvents> {
        Box::pin(async move {
            Self::known(bench)?;
            self.asked.send(wait).expect("somebody listens");
            let found = self.log.after(after, self.clock.now() + wait).await;
            let events = found.iter().map(wire).collect::<Result<_, _>>()?;
            Ok(BenchEvents { events, next_number: self.log.next_number() })
        })
    }

    fn prompts<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, Vec<Value>> {
        Box::pin(async move {
            Self::known(bench)?;
            self.prompts.open().iter().map(wire).collect()
        })
    }

    fn answer<'a>(&'a self, bench: &'a str, prompt: &'a str, answer: Answered) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            Self::known(bench)?;
            let conflict = |e| ApiError::new(ApiErrorKind::Conflict, format!("{e}"), "list the open prompts");
            self.prompts.answer(prompt, &answer.text).map_err(conflict)
        })
    }

    fn cancel<'a>(&'a self, run: &'a RunId) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            self.note(format!("cancel {run}"));
            Ok(())
        })
    }

    fn stop<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            Self::known(bench)?;
            self.note("stop".into());
            Ok(())
        })
    }

    fn procedures(&self) -> ApiFuture<'_, Vec<Value>> {
        Box::pin(async { Ok(vec![json!({"name": "control-track"})]) })
    }

    fn start_live<'a>(&'a self, bench: &'a str, request: Value) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            Self::known(bench)?;
            self.note(format!("live {}", request["procedure"]));
            Ok(())
        })
    }

    fn live<'a>(&'a self, bench: &'a str, after: u64, wait: Duration) -> ApiFuture<'a, Value> {
        Box::pin(async move {
            Self::known(bench)?;
            self.asked.send(wait).expect("somebody listens");
            Ok(json!({ "number": after + 1 }))
        })
    }

    fn live_say<'a>(&'a self, bench: &'a str, word: &'a str) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            Self::known(bench)?;
            self.note(format!("say {word}"));
            Ok(())
        })
    }

    fn live_key<'a>(&'a self, bench: &'a str, mode: tapewright_formats::Mode) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            Self::known(bench)?;
            self.note(format!("key {mode}"));
            Ok(())
        })
    }

    fn end_live<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            Self::known(bench)?;
            self.note("end live".into());
            Ok(())
        })
    }

    fn readings<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, Value> {
        Box::pin(async move {
            Self::known(bench)?;
            self.came.fetch_add(1, Ordering::SeqCst);
            self.gate.acquire().await.expect("it is never closed").forget();
            Ok(json!([]))
        })
    }
}

/// A server in a thread of its own, and what tests reach it by.
struct Running {
    bench: Arc<Bench>,
    address: SocketAddr,
    token_file: PathBuf,
    asked: mpsc::UnboundedReceiver<Duration>,
    end: Option<oneshot::Sender<()>>,
    thread: Option<std::thread::JoinHandle<()>>,
    _folder: tempfile::TempDir,
}

fn start() -> Running {
    let folder = tempfile::tempdir().expect("a folder");
    let token_file = folder.path().join("token");
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().expect("a runtime");
    let (told, asked) = mpsc::unbounded_channel();
    let (end, ended) = oneshot::channel::<()>();
    let options = ServeOptions {
        address: "127.0.0.1:0".parse().expect("an address"),
        token_file: token_file.clone(),
        beyond_loopback: false,
        names: Vec::new(),
    };
    let (bench, server) = runtime.block_on(async {
        let clock = Clock::real();
        let data = DataFolder::open(&folder.path().join("data"), clock.clone()).await.expect("it opens");
        let bench = Arc::new(Bench {
            data,
            log: EventLog::new(clock.clone()),
            clock,
            prompts: PromptDesk::default(),
            asked: told,
            gate: Semaphore::new(0),
            came: AtomicUsize::new(0),
            done: Mutex::default(),
        });
        let api: Arc<dyn Api> = Arc::clone(&bench) as _;
        (bench, Server::bind(&options, api).await.expect("it binds"))
    });
    let address = server.address();
    let thread = std::thread::spawn(move || {
        let ended = async move {
            let _gone = ended.await;
        };
        runtime.block_on(server.run(ended)).expect("it serves");
        runtime.shutdown_timeout(Duration::from_secs(5));
    });
    Running { bench, address, token_file, asked, end: Some(end), thread: Some(thread), _folder: folder }
}

impl Running {
    fn client(&self) -> Client {
        Client::new(&self.address.to_string(), &self.token_file).expect("the token reads")
    }

    fn token(&self) -> String {
        std::fs::read_to_string(&self.token_file).expect("it reads").trim().to_owned()
    }

    /// Sends bytes, and gives status and body of the answer.
    fn raw(&self, request: &str) -> (u16, Value) {
        let mut stream = TcpStream::connect(self.address).expect("it connects");
        stream.write_all(request.as_bytes()).expect("it sends");
        let mut answer = String::new();
        stream.read_to_string(&mut answer).expect("it answers and closes");
        let status = answer.split(' ').nth(1).expect("a status").parse().expect("a number");
        let body = answer.split_once("\r\n\r\n").expect("a body").1;
        let kind = answer.to_ascii_lowercase();
        assert!(kind.contains("cache-control: no-store") || status == 400 && body.is_empty(), "{answer}");
        (status, serde_json::from_str(body).unwrap_or(Value::Null))
    }

    /// A request line with the right host and token, other headers, and a body.
    fn ask(&self, line: &str, headers: &str, body: &str) -> (u16, Value) {
        let (address, token, length) = (self.address, self.token(), body.len());
        self.raw(&format!(
            "{line} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\nConnection: close\r\n\
             Content-Length: {length}\r\n{headers}\r\n{body}"
        ))
    }

    fn push(&self) {
        self.bench.log.push(BenchEvent::Trouble { text: "a remark".into() });
    }

    fn end(&mut self) {
        drop(self.end.take());
        if let Some(thread) = self.thread.take() {
            thread.join().expect("it ends well");
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        drop(self.end.take());
        if let Some(thread) = self.thread.take() {
            let _ended = thread.join();
        }
    }
}
