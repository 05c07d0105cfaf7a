//! A serial port: raw, 8 bits, no parity, 1 stop bit, for ourselves alone.
//!
//! A thread does nothing but copy what arrives into bounded memory, because a port without flow
//! control loses what is not read in time. When the memory is full the thread stops reading until
//! there is room; the system's own buffer and the flow control then hold the rest.

use super::{Address, BoxFuture, Flow, Link, LinkError};
use core::time::Duration;
use serialport::{DataBits, FlowControl, Parity, SerialPort, StopBits, TTYPort};
use std::io::{ErrorKind, Read, Write};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use tapewright_clock::{Clock, Instant};
use tokio::sync::Notify;

/// Bytes kept until they are asked for.
const MEMORY: usize = 8 << 20;
/// How long the thread waits for bytes before it looks whether it shall end.
const LOOK: Duration = Duration::from_millis(25);
/// Longest wait of a write inside the system.
const WRITE_STEP: Duration = Duration::from_millis(500);
/// Waits after opening, while a device settles and other programs' probing ends.
const SETTLE: Duration = Duration::from_millis(100);

/// What the thread and the link share.
struct Shared {
    state: Mutex<State>,
    arrived: Notify,
    room: Condvar,
}

#[derive(Default)]
struct State {
    bytes: Vec<u8>,
    gone: Option<String>,
    stop: bool,
}

impl Shared {
    fn state(&self) -> MutexGuard<'_, State> {
        // Each change is whole in itself, so a panic elsewhere leaves nothing half done.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// An open port with its reading thread.
struct Port {
    shared: Arc<Shared>,
    writer: Arc<Mutex<TTYPort>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Drop for Port {
    fn drop(&mut self) {
        self.shared.state().stop = true;
        self.shared.room.notify_all();
        if let Some(thread) = self.thread.take() {
            // It ends within one look; the port may not be opened again before.
            thread.join().ok();
        }
    }
}

/// A serial port.
pub struct Serial {
    port: Option<Port>,
    path: String,
    baud: u32,
    flow: Flow,
    clock: Clock,
}

impl Serial {
    /// Opens a port.
    ///
    /// # Errors
    /// [`LinkError::Open`] when it is not there, not ours, or cannot keep the rate;
    /// [`LinkError::NeedsRealClock`] on a virtual clock.
    pub async fn open(path: &str, baud: u32, flow: Flow, clock: Clock) -> Result<Self, LinkError> {
        let mut link = Self { port: None, path: path.to_owned(), baud, flow, clock };
        if link.clock.is_virtual() {
            return Err(LinkError::NeedsRealClock { link: link.describe() });
        }
        link.connect().await?;
        Ok(link)
    }

    async fn connect(&mut self) -> Result<(), LinkError> {
        let old = self.port.take();
        let (path, baud, flow) = (self.path.clone(), self.baud, self.flow);
        let opened = tokio::task::spawn_blocking(move || {
            drop(old);
            open_port(&path, baud, flow)
        });
        let failed = |why: String, remedy, source| LinkError::Open { link: self.describe(), why, remedy, source };
        let port = opened
            .await
            .map_err(|error| failed(error.to_string(), "try again", None))?
            .map_err(|error| failed(error.to_string(), remedy(&error), Some(std::io::Error::from(error))))?;
        self.clock.sleep(SETTLE).await;
        self.port = Some(port);
        Ok(())
    }

    fn lost(&self) -> LinkError {
        LinkError::Closed { link: self.describe(), why: "the port was lost before".into() }
    }
}

fn open_port(path: &str, baud: u32, flow: Flow) -> serialport::Result<Port> {
    let mut port = serialport::new(path, baud)
        .data_bits(DataBits::Eight)
        .parity(Parity::None)
        .stop_bits(StopBits::One)
        .flow_control(match flow {
            Flow::None => FlowControl::None,
            Flow::Rts => FlowControl::Hardware,
            Flow::Xon => FlowControl::Software,
        })
        .timeout(WRITE_STEP)
        .open_native()?;
    // Modem lines are best effort: a pseudo terminal has none, and some instruments need both.
    port.write_data_terminal_ready(true).ok();
    if flow != Flow::Rts {
        port.write_request_to_send(true).ok();
    }
    let mut reader = port.try_clone_native()?;
    reader.set_timeout(LOOK)?;
    let shared = Arc::new(Shared { state: Mutex::default(), arrived: Notify::new(), room: Condvar::new() });
    let theirs = Arc::clone(&shared);
    let thread = std::thread::Builder::new().name(format!("read {path}")).spawn(move || copy(&mut reader, &theirs))?;
    Ok(Port { shared, writer: Arc::new(Mutex::new(port)), thread: Some(thread) })
}

/// The thread: copies, and nothing else.
fn copy(reader: &mut TTYPort, shared: &Shared) {
    let mut chunk = [0_u8; 16 * 1024];
    loop {
        {
            let mut state = shared.state();
            while state.bytes.len() >= MEMORY && !state.stop {
                state = shared.room.wait(state).unwrap_or_else(PoisonError::into_inner);
            }
            if state.stop {
                return;
            }
        }
        let gone = match reader.read(&mut chunk) {
            Ok(0) => Some("the device went away".to_owned()),
            Ok(count) => {
                shared.state().bytes.extend_from_slice(&chunk[..count]);
                None
            }
            Err(error) if matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => continue,
            Err(error) => Some(error.to_string()),
        };
        let ends = gone.is_some();
        if ends {
            shared.state().gone = gone;
        }
        shared.arrived.notify_one();
        if ends {
            return;
        }
    }
}

fn remedy(error: &serialport::Error) -> &'static str {
    use serialport::ErrorKind as Kind;
    match error.kind() {
        Kind::NoDevice | Kind::Io(ErrorKind::NotFound) => {
            "check the cable and the name (names under /dev/serial/by-id stay the same), and that no other program has it open"
        }
        Kind::Io(ErrorKind::PermissionDenied) => "give this user the right to it, usually by the group `dialout`",
        Kind::InvalidInput => "check the name of the device and its baud rate",
        _ => "check the cable, and that no other program has it open",
    }
}

impl Link for Serial {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        Box::pin(async move {
            let link = self.describe();
            let Some(port) = &self.port else { return Err(self.lost()) };
            let (writer, bytes) = (Arc::clone(&port.writer), bytes.to_vec());
            let clock = self.clock.clone();
            let writing = tokio::task::spawn_blocking(move || {
                let mut port = writer.lock().unwrap_or_else(PoisonError::into_inner);
                let mut rest = bytes.as_slice();
                while !rest.is_empty() {
                    match port.write(rest) {
                        Ok(count) => rest = &rest[count..],
                        Err(error) if error.kind() == ErrorKind::Interrupted => {}
                        Err(error) if error.kind() == ErrorKind::TimedOut => {
                            if clock.now() >= deadline {
                                return Err(error);
                            }
                        }
                        Err(error) => return Err(error),
                    }
                }
                Ok(())
            });
            match writing.await {
                Ok(Ok(())) => Ok(()),
                Ok(Err(error)) if error.kind() == ErrorKind::TimedOut => Err(LinkError::SendTimeout { link }),
                Ok(Err(error)) => Err(LinkError::Closed { link, why: error.to_string() }),
                Err(error) => Err(LinkError::Closed { link, why: error.to_string() }),
            }
        })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            loop {
                let Some(port) = &self.port else { return Err(self.lost()) };
                {
                    let mut state = port.shared.state();
                    if !state.bytes.is_empty() {
                        port.shared.room.notify_all();
                        return Ok(core::mem::take(&mut state.bytes));
                    }
                    if let Some(why) = state.gone.clone() {
                        drop(state);
                        // Closed at once: while it is open a device that returns gets another name.
                        self.port = None;
                        return Err(LinkError::Closed { link: self.describe(), why });
                    }
                }
                if self.clock.deadline(deadline, port.shared.arrived.notified()).await.is_none() {
                    // What came at the last moment counts.
                    if port.shared.state().bytes.is_empty() {
                        return Err(LinkError::Timeout { link: self.describe() });
                    }
                }
            }
        })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        Box::pin(self.connect())
    }

    fn describe(&self) -> String {
        Address::Serial { path: self.path.clone(), baud: self.baud, flow: self.flow }.to_string()
    }

    fn byte_s(&self) -> f64 {
        10.0 / f64::from(self.baud)
    }
}
