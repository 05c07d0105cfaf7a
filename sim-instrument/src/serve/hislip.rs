//! A port over HiSLIP (IVI-6.1, version 1, synchronised mode): several clients, two connections each.
//!
//! Behind it is the same message exchange as behind the other ports; END ends a message, and a reply
//! carries the number of the message that asked for it. Memory does not depend on what a header claims.
//!
//! Not simulated: locks (asked for, they are refused), service requests, overlapped mode.

use super::framing::{Framed, HEADER, Head, Item, kind};
use super::{ServeError, until_output};
use crate::port::SimPort;
use core::time::Duration;
use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};
use tapewright_clock::Clock;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

/// Most clients at once.
const MOST_CLIENTS: usize = 4;
/// How long the opening of a connection may take.
const OPEN_WITHIN: Duration = Duration::from_secs(5);
/// Largest message taken, header included.
const MOST: u64 = 1 << 20;
/// Largest payload sent while the client has not told what it takes.
const USUAL: usize = 1 << 20;
/// Protocol version 1.0.
const VERSION: u32 = 0x0100;
/// Letters of no maker.
const VENDOR: u32 = 0x5349;
/// Number of a reply whose question carried none.
const ANY_ID: u32 = 0xFFFF_FFFF;

/// A running server; it ends when this is dropped.
#[derive(Debug)]
pub struct HislipServer {
    address: SocketAddr,
    task: JoinHandle<()>,
}

impl HislipServer {
    /// Where it listens.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for HislipServer {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// Sessions whose second connection is still to come, and how many run.
#[derive(Default)]
struct Sessions {
    waiting: HashMap<u16, oneshot::Sender<Framed>>,
    last: u16,
    running: usize,
}

type Shared = Arc<Mutex<Sessions>>;

fn locked(shared: &Shared) -> std::sync::MutexGuard<'_, Sessions> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Serves ports on an address, a port for each client; port 0 takes any that is free.
///
/// # Errors
/// The address could not be listened on.
pub async fn serve_hislip(
    ports: impl Fn() -> SimPort + Send + 'static,
    address: SocketAddr,
    clock: Clock,
) -> Result<HislipServer, ServeError> {
    let listener = TcpListener::bind(address).await.map_err(|source| ServeError::Listen { address, source })?;
    let address = listener.local_addr().map_err(|source| ServeError::Listen { address, source })?;
    let task = tokio::spawn(async move {
        let shared = Shared::default();
        // Ends with this task, and so with the server.
        let mut clients = tokio::task::JoinSet::new();
        loop {
            match listener.accept().await {
                Ok((stream, client)) => {
                    tracing::info!(%address, %client, "connected");
                    let (port, shared, clock) = (ports(), Arc::clone(&shared), clock.clone());
                    clients.spawn(async move {
                        let why = connection(stream, port, &shared, &clock).await;
                        tracing::info!(%address, %client, why, "disconnected");
                    });
                    while clients.try_join_next().is_some() {}
                }
                Err(error) => {
                    tracing::warn!(%address, %error, "accepting a connection failed");
                    clock.sleep(super::LOOK_AGAIN).await;
                }
            }
        }
    });
    Ok(HislipServer { address, task })
}

/// One connection, of either kind: why it ended.
async fn connection(stream: TcpStream, port: SimPort, shared: &Shared, clock: &Clock) -> String {
    let mut framed = Framed::new(stream);
    let until = clock.now() + OPEN_WITHIN;
    let head = match clock.deadline(until, opening(&mut framed)).await {
        Some(Ok(head)) => head,
        Some(Err(why)) => return why,
        None => return "nothing came to open it".to_owned(),
    };
    match head.kind {
        kind::INITIALIZE => session(framed, head, port, shared, clock).await,
        kind::ASYNC_INITIALIZE => {
            let waiting = u16::try_from(head.parameter).ok().and_then(|id| locked(shared).waiting.remove(&id));
            let Some(waiting) = waiting else {
                return fatal(&mut framed, 3, "no such session").await;
            };
            if let Err(why) = framed.send(Head::new(kind::ASYNC_INITIALIZE_RESPONSE, 0, VENDOR), &[]).await {
                return why;
            }
            match waiting.send(framed) {
                Ok(()) => "it is the second of a session".to_owned(),
                Err(_) => "its session has ended".to_owned(),
            }
        }
        // Nothing may be said before the opening.
        _ => fatal(&mut framed, 2, "open both channels first").await,
    }
}

/// The first message of a connection; its payload, a name, is not looked at: there is one instrument.
async fn opening(framed: &mut Framed) -> Result<Head, String> {
    loop {
        match framed.item().await? {
            Item { head, last: true, .. } => return Ok(head),
            Item { head, .. } if head.length > 256 => return Err(fatal(framed, 1, "that is no name").await),
            Item { .. } => {}
        }
    }
}

async fn fatal(framed: &mut Framed, code: u8, why: &str) -> String {
    // Where it cannot be told any more, the connection is gone anyway.
    framed.send(Head::new(kind::FATAL_ERROR, code, 0), why.as_bytes()).await.ok();
    why.to_owned()
}

/// Takes one off the number of sessions when it ends, however it does.
struct Counted<'a>(&'a Shared);

impl Drop for Counted<'_> {
    fn drop(&mut self) {
        locked(self.0).running -= 1;
    }
}

async fn session(mut sync: Framed, hello: Head, mut port: SimPort, shared: &Shared, clock: &Clock) -> String {
    let room = {
        let mut sessions = locked(shared);
        let room = sessions.running < MOST_CLIENTS;
        sessions.running += usize::from(room);
        room
    };
    if !room {
        return fatal(&mut sync, 4, "four clients are served").await;
    }
    let _counted = Counted(shared);
    if !port.reopen(clock.now()) {
        return "the port is closed".to_owned();
    }
    let (sender, second) = oneshot::channel();
    let id = {
        let mut sessions = locked(shared);
        sessions.last = sessions.last.wrapping_add(1);
        let id = sessions.last;
        sessions.waiting.insert(id, sender);
        id
    };
    let version = VERSION.min(hello.parameter >> 16);
    let answer = Head::new(kind::INITIALIZE_RESPONSE, 0, version << 16 | u32::from(id));
    if let Err(why) = sync.send(answer, &[]).await {
        return why;
    }
    // What comes on the first channel before the second is open is out of order.
    let asynchronous = tokio::select! {
        second = clock.deadline(clock.now() + OPEN_WITHIN, second) => second.and_then(Result::ok),
        early = sync.item() => {
            locked(shared).waiting.remove(&id);
            return match early {
                Ok(_) => fatal(&mut sync, 2, "open both channels first").await,
                Err(why) => why,
            };
        }
    };
    locked(shared).waiting.remove(&id);
    let Some(asynchronous) = asynchronous else { return "the second connection did not come".to_owned() };
    let interrupted = port.counters().interrupted;
    let client = Client { sync, asynchronous, port, clock: clock.clone(), state: State::new(interrupted) };
    client.serve().await
}

/// What is known of a client's messages.
struct State {
    /// Largest payload that the client takes.
    most: usize,
    /// Number of the newest message.
    newest: u32,
    /// Whether a message is under way whose last part is still to come.
    inside: bool,
    /// Whether bytes of a reply were sent that the client has not yet told to have read to the end.
    unread: bool,
    /// The client clears: what comes on the first channel is void until it says that it is done.
    clearing: bool,
    /// Interruptions that the exchange behind has counted.
    interrupted: u64,
}

impl State {
    const fn new(interrupted: u64) -> Self {
        Self { most: USUAL, newest: ANY_ID, inside: false, unread: false, clearing: false, interrupted }
    }
}

struct Client {
    sync: Framed,
    asynchronous: Framed,
    port: SimPort,
    clock: Clock,
    state: State,
}

impl Client {
    async fn serve(mut self) -> String {
        loop {
            let outcome = tokio::select! {
                // In this order, so that a client's last words are heard before its going.
                biased;
                item = self.sync.item() => match item {
                    Ok(item) => self.message(item).await,
                    Err(why) => Err(why),
                },
                item = self.asynchronous.item() => match item {
                    Ok(item) => self.aside(item).await,
                    Err(why) => Err(why),
                },
                () = until_output(&mut self.port, &self.clock) => Ok(()),
            };
            let outcome = match outcome {
                Ok(()) => self.output().await,
                Err(why) if why == super::framing::NO_HEADER => Err(fatal(&mut self.sync, 1, &why).await),
                Err(why) => Err(why),
            };
            if let Err(why) = outcome {
                return why;
            }
        }
    }

    /// Sends what the instrument has to say.
    async fn output(&mut self) -> Result<(), String> {
        let now = self.clock.now();
        if !self.port.is_open(now) {
            return Err("the port was closed".to_owned());
        }
        let parts = self.port.read_parts(now);
        let interrupted = self.port.counters().interrupted;
        if interrupted != self.state.interrupted {
            self.state.interrupted = interrupted;
            self.tell_interrupted().await?;
        }
        for part in parts {
            let id = part.message.unwrap_or(self.state.newest);
            self.state.unread = true;
            let count = part.bytes.len().div_ceil(self.state.most);
            for (i, chunk) in part.bytes.chunks(self.state.most).enumerate() {
                let ends = part.ends && i + 1 == count;
                let kind = if ends { kind::DATA_END } else { kind::DATA };
                self.sync.send(Head::new(kind, 0, id), chunk).await?;
            }
        }
        Ok(())
    }

    async fn tell_interrupted(&mut self) -> Result<(), String> {
        let id = self.state.newest;
        self.sync.send(Head::new(kind::INTERRUPTED, 0, id), &[]).await?;
        self.asynchronous.send(Head::new(kind::ASYNC_INTERRUPTED, 0, id), &[]).await
    }

    /// Something on the first channel.
    async fn message(&mut self, item: Item) -> Result<(), String> {
        let head = item.head;
        match head.kind {
            kind::DEVICE_CLEAR_COMPLETE if item.last => {
                self.state = State { most: self.state.most, ..State::new(self.port.counters().interrupted) };
                self.sync.send(Head::new(kind::DEVICE_CLEAR_ACKNOWLEDGE, 0, 0), &[]).await
            }
            _ if self.state.clearing => Ok(()),
            kind::DATA | kind::DATA_END | kind::TRIGGER => self.data(item).await,
            kind::FATAL_ERROR => Err("the client gave up".to_owned()),
            kind::ERROR | kind::DEVICE_CLEAR_COMPLETE => Ok(()),
            _ if item.last => self.sync.send(Head::new(kind::ERROR, 1, 0), b"not on this channel").await,
            _ => Ok(()),
        }
    }

    async fn data(&mut self, item: Item) -> Result<(), String> {
        let head = item.head;
        let now = self.clock.now();
        if item.first && !self.state.inside {
            // RMT delivered: the client has read the whole reply before it sent this.
            let delivered = head.control & 1 != 0;
            let interrupts = self.state.unread && !delivered;
            self.state.unread = false;
            self.state.newest = head.parameter;
            if interrupts {
                self.port.interrupt(now);
                self.state.interrupted = self.port.counters().interrupted;
                self.tell_interrupted().await?;
            }
        }
        self.state.newest = head.parameter;
        self.state.inside = !(item.last && head.kind != kind::DATA);
        if head.length > MOST - HEADER as u64 {
            // The message is lost as a whole: half of it might mean something else.
            if item.first {
                self.sync.send(Head::new(kind::ERROR, 4, 0), b"at most 1 MiB").await?;
            }
            return Ok(());
        }
        let end = (!self.state.inside).then_some(head.parameter);
        // A trigger message means what `*TRG` does (IEEE 488.2, 10.37).
        let bytes = if head.kind == kind::TRIGGER { b"*TRG" } else { item.bytes.as_slice() };
        self.port.write_part(now, bytes, end);
        Ok(())
    }

    /// Something on the second channel.
    async fn aside(&mut self, item: Item) -> Result<(), String> {
        let Item { head, bytes, last, .. } = item;
        let answer = |kind, control| Head::new(kind, control, 0);
        let size;
        let (answer, payload): (Head, &[u8]) = match head.kind {
            kind::ASYNC_MAXIMUM_MESSAGE_SIZE => {
                // Eight bytes may come in two pieces only from a client that is hardly there; it keeps the usual.
                if let Ok(told) = <[u8; 8]>::try_from(bytes.as_slice()) {
                    let told = usize::try_from(u64::from_be_bytes(told)).unwrap_or(usize::MAX);
                    self.state.most = told.saturating_sub(HEADER).clamp(1, USUAL);
                }
                size = MOST.to_be_bytes();
                (answer(kind::ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE, 0), &size)
            }
            kind::ASYNC_DEVICE_CLEAR => {
                self.port.reopen(self.clock.now());
                self.state.clearing = true;
                (answer(kind::ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0), &[])
            }
            kind::ASYNC_STATUS_QUERY => {
                self.state.unread &= head.control & 1 == 0;
                let status = self.port.status_byte(self.clock.now(), self.state.unread);
                (answer(kind::ASYNC_STATUS_RESPONSE, status), &[])
            }
            // 3: error, no lock was given.
            kind::ASYNC_LOCK => (answer(kind::ASYNC_LOCK_RESPONSE, 3), &[]),
            kind::ASYNC_LOCK_INFO => (answer(kind::ASYNC_LOCK_INFO_RESPONSE, 0), &[]),
            kind::ASYNC_REMOTE_LOCAL => (answer(kind::ASYNC_REMOTE_LOCAL_RESPONSE, 0), &[]),
            kind::FATAL_ERROR => return Err("the client gave up".to_owned()),
            kind::ERROR => return Ok(()),
            _ => (answer(kind::ERROR, 1), b"not on this channel"),
        };
        if last { self.asynchronous.send(answer, payload).await } else { Ok(()) }
    }
}
