//! A serial port: raw, 8 bits, no parity, 1 stop bit, for ourselves alone.
//!
//! A thread does nothing but copy what arrives into bounded memory, because a port without flow
//! control loses what is not read in time. When the memory is full the thread stops reading until
//! there is room; the system's own buffer and the flow control then hold the rest.
//!
//! A port that went away (a plug, a USB device that announces itself again) may come back under another
//! name: while the old one is open the kernel gives it the next number, so it is closed at once, and looked for
//! by the name that stays, below `/dev/serial/by-id`.

use super::{BoxFuture, Flow, Link, LinkError, SerialAddress};
use crate::find;
use core::time::Duration;
use serialport::{DataBits, FlowControl, Parity, SerialPort, StopBits, TTYPort};
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
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
/// Length of a break: longer than a character at any usual rate.
const BREAK: Duration = Duration::from_millis(300);
/// XON and XOFF (ISO/IEC 646: DC1 and DC3).
const XON_XOFF: [u8; 2] = [0x11, 0x13];

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
    address: SerialAddress,
    /// A name of the same device that stays when it is plugged in again.
    stable: Option<PathBuf>,
    clock: Clock,
}

impl Serial {
    /// Opens a port.
    ///
    /// # Errors
    /// [`LinkError::Open`] when it is not there, not ours, or cannot keep the rate;
    /// [`LinkError::NeedsRealClock`] on a virtual clock.
    pub async fn open(address: &SerialAddress, clock: Clock) -> Result<Self, LinkError> {
        let mut link = Self { port: None, address: address.clone(), stable: None, clock };
        if link.clock.is_virtual() {
            return Err(LinkError::NeedsRealClock { link: link.describe() });
        }
        link.connect().await?;
        link.stable = find::stable_name(Path::new("/"), Path::new(&link.address.path));
        Ok(link)
    }

    async fn connect(&mut self) -> Result<(), LinkError> {
        let old = self.port.take();
        let stable = self.stable.as_ref().filter(|name| name.exists()).and_then(|name| name.to_str());
        let address = self.address.clone();
        let path = stable.unwrap_or(&address.path).to_owned();
        let opened = tokio::task::spawn_blocking(move || {
            drop(old);
            open_port(&path, &address)
        });
        let failed = |why: String, remedy, source| LinkError::Open { link: self.describe(), why, remedy, source };
        let port = opened
            .await
            .map_err(|error| failed(error.to_string(), "try again", None))?
            .map_err(|error| failed(error.to_string(), remedy(&error), Some(std::io::Error::from(error))))?;
        self.clock.sleep(SETTLE).await;
        let early = core::mem::take(&mut port.shared.state().bytes);
        if !early.is_empty() {
            tracing::debug!(port = %self.address.path, "dropped what came before anything was asked: {}", early.escape_ascii());
        }
        self.port = Some(port);
        Ok(())
    }

    fn lost(&self) -> LinkError {
        LinkError::Closed { link: self.describe(), why: "the port was lost before".into() }
    }
}

/// The modem lines of a port that we work.
trait ModemLines {
    fn dtr(&mut self, on: bool);
    fn rts(&mut self, on: bool);
}

// Best effort: a pseudo terminal has none of them, and neither has a cable of three wires.
impl ModemLines for TTYPort {
    fn dtr(&mut self, on: bool) {
        self.write_data_terminal_ready(on).ok();
    }

    fn rts(&mut self, on: bool) {
        self.write_request_to_send(on).ok();
    }
}

/// Sets the lines after opening. Many instruments send nothing while DTR is low, or take low lines for
/// "switched off"; RTS under flow control is worked by the system.
fn set_lines(lines: &mut dyn ModemLines, address: &SerialAddress) {
    lines.dtr(address.lines);
    if address.flow != Flow::Rts {
        lines.rts(address.lines);
    }
}

const fn flow_control(flow: Flow) -> FlowControl {
    match flow {
        Flow::None => FlowControl::None,
        Flow::Rts => FlowControl::Hardware,
        Flow::Xon => FlowControl::Software,
    }
}

fn open_port(path: &str, address: &SerialAddress) -> serialport::Result<Port> {
    let mut port = serialport::new(path, address.baud)
        .data_bits(DataBits::Eight)
        .parity(Parity::None)
        .stop_bits(StopBits::One)
        .flow_control(flow_control(address.flow))
        .timeout(WRITE_STEP)
        .open_native()?;
    set_lines(&mut port, address);
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

    fn send_break(&mut self) -> BoxFuture<'_, Result<bool, LinkError>> {
        Box::pin(async move {
            let link = self.describe();
            let Some(port) = &self.port else { return Err(self.lost()) };
            let failed = |error: serialport::Error| LinkError::Closed { link: link.clone(), why: error.to_string() };
            let writer = || port.writer.lock().unwrap_or_else(PoisonError::into_inner);
            writer().set_break().map_err(failed)?;
            self.clock.sleep(BREAK).await;
            writer().clear_break().map_err(failed)?;
            Ok(true)
        })
    }

    fn swallows(&self) -> &'static [u8] {
        if self.address.flow == Flow::Xon { &XON_XOFF } else { &[] }
    }

    fn describe(&self) -> String {
        self.address.to_string()
    }

    fn byte_s(&self) -> f64 {
        10.0 / f64::from(self.address.baud)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Writes down what is done to its lines. A pseudo terminal has none, so this is as near as a test without
    /// a real port comes.
    #[derive(Default)]
    struct Written(Vec<(&'static str, bool)>);

    impl ModemLines for Written {
        fn dtr(&mut self, on: bool) {
            self.0.push(("dtr", on));
        }

        fn rts(&mut self, on: bool) {
            self.0.push(("rts", on));
        }
    }

    fn check(flow: Flow, lines: bool, control: FlowControl, expected: &[(&'static str, bool)]) {
        let mut written = Written::default();
        set_lines(&mut written, &SerialAddress { path: "/dev/ttyS0".into(), baud: 9600, flow, lines });
        assert_eq!((flow_control(flow), written.0.as_slice()), (control, expected), "{flow} {lines}");
    }

    #[test]
    fn lines_and_flow_control() {
        check(Flow::None, true, FlowControl::None, &[("dtr", true), ("rts", true)]);
        check(Flow::None, false, FlowControl::None, &[("dtr", false), ("rts", false)]);
        check(Flow::Xon, true, FlowControl::Software, &[("dtr", true), ("rts", true)]);
        // The system works RTS by the room in its buffer: it is left alone.
        check(Flow::Rts, true, FlowControl::Hardware, &[("dtr", true)]);
    }
}
