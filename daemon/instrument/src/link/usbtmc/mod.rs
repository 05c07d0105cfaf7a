//! USB test and measurement through the kernel's driver, `/dev/usbtmcN`: messages with ends, a status byte
//! and a device clear. Not run on hardware: the logic is tested against an imitation of the driver.
//!
//! A read asks the device to talk, and one that has nothing to say counts that as an error (IEEE 488.2,
//! 6.3.2.2) or hangs the call. So nothing is read on suspicion: before a reply the status byte is asked for
//! "message available", and only where the driver or the device has no use of it the read simply waits.
//! After a read that timed out the transfer is aborted, or the next one would get the old reply.

pub mod kernel;

use super::{Address, BoxFuture, Link, LinkError};
use core::time::Duration;
use kernel::{EINVAL, ENODEV, ENOTTY, Kernel};
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_clock::{Clock, Instant};

/// Most bytes asked for at once.
const CHUNK: usize = 64 * 1024;
/// Least time-out that current drivers take, and that older ones do, in milliseconds.
const LEAST_MS: [u32; 2] = [100, 500];
/// Message available (IEEE 488.2, 11.2.1.2).
const MAV: u8 = 1 << 4;
/// Least and longest pause between questions for the status byte.
const FAST: Duration = Duration::from_millis(1);
const SLOW: Duration = Duration::from_millis(20);

/// Opens the driver's node anew.
pub type Opener = Box<dyn FnMut() -> io::Result<Box<dyn Kernel>> + Send>;

/// The open node, and what is known of it.
struct Inner {
    kernel: Box<dyn Kernel>,
    /// Bytes read and not handed on yet: the asker may have gone meanwhile.
    got: Vec<u8>,
    /// Whether the last read took the end of a message; none: the driver cannot tell.
    ended: Option<bool>,
    /// Whether the status byte can be asked, and whether it ever told of a message.
    status: bool,
    told: bool,
    timeout_ms: u32,
}

/// What a read brought.
enum Came {
    Bytes,
    Nothing,
    Failed(io::Error),
}

fn is(error: &io::Error, number: i32) -> bool {
    error.raw_os_error() == Some(number)
}

impl Inner {
    fn new(kernel: Box<dyn Kernel>) -> Self {
        Self { kernel, got: Vec::new(), ended: None, status: true, told: false, timeout_ms: 0 }
    }

    fn set_timeout(&mut self, time: Duration) -> io::Result<()> {
        let wanted = u32::try_from(time.as_millis()).unwrap_or(u32::MAX).max(LEAST_MS[0]);
        if wanted == self.timeout_ms {
            return Ok(());
        }
        match self.kernel.set_timeout(wanted) {
            Err(error) if is(&error, EINVAL) && wanted < LEAST_MS[1] => self.kernel.set_timeout(LEAST_MS[1])?,
            // A driver without this call keeps its own time-out.
            Err(error) if is(&error, ENOTTY) => {}
            other => other?,
        }
        self.timeout_ms = wanted;
        Ok(())
    }

    fn send(&mut self, bytes: &[u8], time: Duration) -> io::Result<bool> {
        self.set_timeout(time)?;
        let whole = match self.kernel.write(bytes) {
            Ok(count) => count == bytes.len(),
            Err(error) if error.kind() == io::ErrorKind::TimedOut => false,
            Err(error) => return Err(error),
        };
        if !whole {
            self.given_up(|kernel| kernel.abort_out())?;
        }
        Ok(whole)
    }

    fn read(&mut self, time: Duration) -> Came {
        let read = self.set_timeout(time).and_then(|()| self.kernel.read(CHUNK));
        match read {
            Ok(bytes) => {
                self.ended = self.kernel.message_ended().ok();
                let none = bytes.is_empty();
                self.got.extend_from_slice(&bytes);
                if none { Came::Nothing } else { Came::Bytes }
            }
            Err(error) if error.kind() == io::ErrorKind::TimedOut => {
                self.ended = None;
                match self.given_up(|kernel| kernel.abort_in()) {
                    Ok(()) => Came::Nothing,
                    Err(error) => Came::Failed(error),
                }
            }
            Err(error) => Came::Failed(error),
        }
    }

    /// Aborts a transfer; where that cannot be done, clears the device.
    fn given_up(&mut self, abort: impl FnOnce(&mut dyn Kernel) -> io::Result<()>) -> io::Result<()> {
        match abort(self.kernel.as_mut()) {
            Err(error) if is(&error, ENODEV) => Err(error),
            Err(_) => self.clear().map(drop),
            Ok(()) => Ok(()),
        }
    }

    /// Whether there is such a thing as a clear.
    fn clear(&mut self) -> io::Result<bool> {
        self.got.clear();
        self.ended = None;
        match self.kernel.clear() {
            Ok(()) => Ok(true),
            Err(error) if is(&error, ENOTTY) => Ok(false),
            Err(error) => Err(error),
        }
    }

    /// The status byte; none where it cannot be asked.
    fn status_byte(&mut self) -> io::Result<Option<u8>> {
        if !self.status {
            return Ok(None);
        }
        match self.kernel.status_byte() {
            Ok(status) => {
                self.told |= status & MAV != 0;
                Ok(Some(status))
            }
            Err(error) if is(&error, ENOTTY) || is(&error, EINVAL) => {
                self.status = false;
                Ok(None)
            }
            // Late is not never: it is asked again, or given up by its asker.
            Err(error) if error.kind() == io::ErrorKind::TimedOut => Ok(Some(0)),
            Err(error) => Err(error),
        }
    }
}

/// A USB test-and-measurement instrument.
pub struct Usbtmc {
    inner: Option<Arc<Mutex<Inner>>>,
    opener: Opener,
    path: String,
    clock: Clock,
    ended: Option<bool>,
}

fn locked(inner: &Mutex<Inner>) -> MutexGuard<'_, Inner> {
    // Each change is whole in itself, so a panic elsewhere leaves nothing half done.
    inner.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Usbtmc {
    /// Opens a node.
    ///
    /// # Errors
    /// [`LinkError::Open`] when it is not there or not ours; [`LinkError::NeedsRealClock`] on a virtual
    /// clock.
    pub async fn open(path: &str, clock: Clock) -> Result<Self, LinkError> {
        if clock.is_virtual() {
            return Err(LinkError::NeedsRealClock { link: describe(path) });
        }
        let node = path.to_owned();
        Self::over(Box::new(move || kernel::open(&node)), path, clock).await
    }

    /// The same over something that behaves as the driver does.
    ///
    /// # Errors
    /// [`LinkError::Open`].
    pub async fn over(opener: Opener, path: &str, clock: Clock) -> Result<Self, LinkError> {
        let mut link = Self { inner: None, opener, path: path.to_owned(), clock, ended: None };
        link.connect()?;
        Ok(link)
    }

    fn connect(&mut self) -> Result<(), LinkError> {
        // Closed at once: while it is open a device that returns gets another name.
        self.inner = None;
        self.ended = None;
        match (self.opener)() {
            Ok(kernel) => {
                self.inner = Some(Arc::new(Mutex::new(Inner::new(kernel))));
                Ok(())
            }
            Err(error) => Err(LinkError::Open {
                link: self.describe(),
                why: error.to_string(),
                remedy: match error.kind() {
                    io::ErrorKind::PermissionDenied => {
                        "give this user the right to the node by a udev rule with a group"
                    }
                    io::ErrorKind::Unsupported => "use the instrument's serial line or network",
                    _ => "check the cable and the power; `tapewright bench find` lists the nodes that are there",
                },
                source: Some(error),
            }),
        }
    }

    /// Does something with the node where it may block.
    async fn run<T: Send + 'static>(
        &mut self,
        work: impl FnOnce(&mut Inner) -> T + Send + 'static,
    ) -> Result<T, LinkError> {
        let link = self.describe();
        let lost = |why: String| LinkError::Closed { link, why };
        let Some(inner) = self.inner.clone() else { return Err(lost("the device was lost before".into())) };
        let busy = self.clock.busy();
        let done = tokio::task::spawn_blocking(move || {
            let _busy = busy;
            work(&mut locked(&inner))
        });
        done.await.map_err(|error| lost(error.to_string()))
    }

    /// An error of the system, as one of the link.
    fn failed(&mut self, doing: &'static str, source: io::Error) -> LinkError {
        let link = self.describe();
        if is(&source, ENODEV) {
            self.inner = None;
            return LinkError::Closed { link, why: "the instrument was unplugged or switched off".into() };
        }
        LinkError::Io { link, doing, source }
    }

    /// Waits until the status byte tells of a reply; whether it is worth reading now.
    async fn available(&mut self, deadline: Instant) -> Result<bool, LinkError> {
        let mut pause = FAST;
        loop {
            let asked = self.run(Inner::status_byte).await?;
            let status = asked.map_err(|error| self.failed("asking the status byte", error))?;
            let now = self.clock.now();
            match status {
                None => return Ok(true),
                Some(status) if status & MAV != 0 => return Ok(true),
                // One that never told of a reply may not be able to: a last read will show.
                Some(_) if now >= deadline => return self.run(|inner| !inner.told).await,
                Some(_) => self.clock.sleep(pause.min(deadline.since(now)).max(FAST)).await,
            }
            pause = (pause * 2).min(SLOW);
        }
    }
}

fn describe(path: &str) -> String {
    Address::Usbtmc { path: path.to_owned() }.to_string()
}

impl Link for Usbtmc {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        Box::pin(async move {
            let (bytes, time) = (bytes.to_vec(), deadline.since(self.clock.now()));
            let sent = self.run(move |inner| inner.send(&bytes, time)).await?;
            match sent.map_err(|error| self.failed("sending a message", error))? {
                true => Ok(()),
                false => Err(LinkError::SendTimeout { link: self.describe() }),
            }
        })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            let timeout = |link: &Self| Err(LinkError::Timeout { link: link.describe() });
            loop {
                let (got, inside, ended) = self
                    .run(|inner| (core::mem::take(&mut inner.got), inner.ended == Some(false), inner.ended))
                    .await?;
                if !got.is_empty() {
                    self.ended = ended;
                    return Ok(got);
                }
                if !inside && (self.clock.now() >= deadline || !self.available(deadline).await?) {
                    return timeout(self);
                }
                let time = deadline.since(self.clock.now());
                match self.run(move |inner| inner.read(time)).await? {
                    Came::Bytes => {}
                    Came::Nothing if self.clock.now() >= deadline => return timeout(self),
                    Came::Nothing => {}
                    Came::Failed(error) => return Err(self.failed("reading a reply", error)),
                }
            }
        })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        Box::pin(async move { self.connect() })
    }

    fn clear(&mut self, _deadline: Instant) -> BoxFuture<'_, Result<bool, LinkError>> {
        Box::pin(async move {
            let cleared = self.run(Inner::clear).await?;
            self.ended = None;
            cleared.map_err(|error| self.failed("a device clear", error))
        })
    }

    fn status_byte(&mut self, _deadline: Instant) -> BoxFuture<'_, Result<Option<u8>, LinkError>> {
        Box::pin(async move {
            let asked = self.run(Inner::status_byte).await?;
            asked.map_err(|error| self.failed("asking the status byte", error))
        })
    }

    fn message_ended(&self) -> Option<bool> {
        self.ended
    }

    fn describe(&self) -> String {
        describe(&self.path)
    }
}
