//! The usbtmc link against an imitation of the kernel's driver: short reads, ends of messages, and a read
//! that timed out and then gives the old message unless it was aborted.

use crate::common::run;
use core::time::Duration;
use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard};
use tapewright_clock::Clock;
use tapewright_instrument::link::usbtmc::kernel::Kernel;
use tapewright_instrument::link::{Link, LinkError, Usbtmc};
use tapewright_instrument::scpi::{Message, Profile, Session, SessionError, frame};

const ENODEV: i32 = 19;
const EINVAL: i32 = 22;
const ENOTTY: i32 = 25;
const ETIMEDOUT: i32 = 110;

/// The device behind the driver, and what was done with it.
#[derive(Default)]
struct Device {
    /// Reply bytes that can be read now, message by message.
    ready: VecDeque<Vec<u8>>,
    /// Whether the reply that is next comes only after its reader gave up.
    late: bool,
    /// Most bytes that one read gives, however many are asked for.
    short: Option<usize>,
    ended: bool,
    unplugged: bool,
    /// The calls of an old driver are all there are.
    old: bool,
    /// The device does not say when a message is available.
    mute_status: bool,
    aborted: u32,
    cleared: u32,
    /// Reads with nothing to read: each is an error for the instrument.
    untimely: u32,
    timeouts: Vec<u32>,
    event_mask: String,
    heard: Vec<String>,
}

#[derive(Clone, Default)]
struct Driver(Arc<Mutex<Device>>);

fn fail<T>(number: i32) -> io::Result<T> {
    Err(io::Error::from_raw_os_error(number))
}

impl Driver {
    fn device(&self) -> MutexGuard<'_, Device> {
        self.0.lock().unwrap()
    }

    fn there(&self) -> io::Result<MutexGuard<'_, Device>> {
        let device = self.device();
        if device.unplugged { fail(ENODEV) } else { Ok(device) }
    }

    async fn link(&self, clock: &Clock) -> Usbtmc {
        let driver = self.clone();
        let opener = move || {
            let unplugged = driver.device().unplugged;
            if unplugged {
                Err(io::Error::from(io::ErrorKind::NotFound))
            } else {
                Ok(Box::new(driver.clone()) as Box<dyn Kernel>)
            }
        };
        Usbtmc::over(Box::new(opener), "/dev/usbtmc0", clock.clone()).await.unwrap()
    }

    async fn session(&self, clock: &Clock) -> Session {
        Session::new(Box::new(self.link(clock).await), clock.clone(), Profile::default())
    }
}

impl Kernel for Driver {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut device = self.there()?;
        let text = String::from_utf8_lossy(bytes).trim().to_owned();
        let mut lines: Vec<String> = Vec::new();
        for unit in text.split(';') {
            match unit {
                "*IDN?" => lines.push("Workshop,Scripted,7,1.0".into()),
                "*ESR?" => lines.push("0".into()),
                "SYSTem:ERRor?" | ":SYSTem:ERRor?" => lines.push("0,\"No error\"".into()),
                "*ESE?" => lines.push(device.event_mask.clone()),
                "LATE?" => {
                    lines.push("late".into());
                    device.late = true;
                }
                "BLOCK?" => {
                    let block = frame::print_block(&[b'\n'; 5000]);
                    device.ready.push_back(block);
                }
                "ENDLESS?" => device.ready.push_back(b"#0by END alone".to_vec()),
                "BARE?" => device.ready.push_back(b"no end of line".to_vec()),
                _ => {
                    if let Some(mask) = unit.strip_prefix("*ESE ") {
                        device.event_mask = mask.to_owned();
                    }
                }
            }
        }
        if !lines.is_empty() {
            device.ready.push_back(format!("{}\n", lines.join(";")).into_bytes());
        }
        device.heard.push(text);
        Ok(bytes.len())
    }

    fn read(&mut self, most: usize) -> io::Result<Vec<u8>> {
        let mut device = self.there()?;
        if device.late || device.ready.is_empty() {
            device.untimely += u32::from(device.ready.is_empty());
            return fail(ETIMEDOUT);
        }
        let most = device.short.unwrap_or(most).min(most);
        let message = device.ready.front_mut().unwrap();
        let bytes: Vec<u8> = message.drain(..most.min(message.len())).collect();
        let ended = message.is_empty();
        if ended {
            device.ready.pop_front();
        }
        device.ended = ended;
        Ok(bytes)
    }

    fn set_timeout(&mut self, milliseconds: u32) -> io::Result<()> {
        let mut device = self.there()?;
        if device.old && milliseconds < 500 {
            return fail(EINVAL);
        }
        assert!(milliseconds >= 100, "the driver takes no less");
        device.timeouts.push(milliseconds);
        Ok(())
    }

    fn message_ended(&mut self) -> io::Result<bool> {
        let device = self.there()?;
        if device.old { fail(ENOTTY) } else { Ok(device.ended) }
    }

    fn abort_in(&mut self) -> io::Result<()> {
        let mut device = self.there()?;
        device.aborted += 1;
        // What the device had begun to say is gone, and it is no longer late.
        device.late = false;
        device.ready.pop_front();
        Ok(())
    }

    fn abort_out(&mut self) -> io::Result<()> {
        self.there().map(drop)
    }

    fn clear(&mut self) -> io::Result<()> {
        let mut device = self.there()?;
        device.cleared += 1;
        device.late = false;
        device.ready.clear();
        Ok(())
    }

    fn status_byte(&mut self) -> io::Result<u8> {
        let device = self.there()?;
        match () {
            () if device.old => fail(ENOTTY),
            () if device.mute_status || device.late || device.ready.is_empty() => Ok(0),
            () => Ok(16),
        }
    }
}

fn message(header: &str) -> Message {
    Message::new(header).unwrap()
}

#[test]
fn a_session_works_and_nothing_is_read_on_suspicion() {
    run(async |clock| {
        let driver = Driver::default();
        let mut session = driver.session(&clock).await;
        assert_eq!(session.identify().await.unwrap().model, "Scripted");
        driver.device().short = Some(100);
        assert_eq!(session.query_block(&message("BLOCK?"), 10_000).await.unwrap(), vec![b'\n'; 5000]);
        session.command(&message("*CLS")).await.unwrap();
        assert_eq!(session.query_block(&message("ENDLESS?"), 10_000).await.unwrap(), b"by END alone");
        assert_eq!(session.query(&message("BARE?")).await.unwrap(), "no end of line");
        session.confirm().await.unwrap();
        assert_eq!(driver.device().untimely, 0, "each would be a query error of the instrument");
        assert_eq!(driver.device().cleared, 1, "once, at the beginning");
    });
}

#[test]
fn after_a_time_out_the_old_reply_is_never_anothers() {
    run(async |clock| {
        for mute_status in [false, true] {
            let driver = Driver::default();
            driver.device().mute_status = mute_status;
            let mut session = driver.session(&clock).await;
            session.identify().await.unwrap();
            for _ in 0..3 {
                let error = session.query(&message("LATE?")).await.unwrap_err();
                assert!(matches!(error, SessionError::NoReply { .. }), "{error}");
                // It may answer now: unless that was cleared away it would come next.
                driver.device().late = false;
                assert_eq!(session.identify().await.unwrap().model, "Scripted");
            }
            let device = driver.device();
            assert!(device.aborted + device.cleared >= 4, "{} {}", device.aborted, device.cleared);
        }
    });
}

#[test]
fn a_read_that_timed_out_is_aborted() {
    run(async |clock| {
        let driver = Driver::default();
        driver.device().mute_status = true;
        let mut link = driver.link(&clock).await;
        let soon = clock.now() + Duration::from_millis(300);
        link.send(b"LATE?\n", soon).await.unwrap();
        assert!(link.receive(soon).await.unwrap_err().is_timeout());
        assert_eq!(driver.device().aborted, 1);
        link.send(b"*IDN?\n", clock.now() + Duration::from_secs(1)).await.unwrap();
        let got = link.receive(clock.now() + Duration::from_secs(1)).await.unwrap();
        assert_eq!(got, b"Workshop,Scripted,7,1.0\n");
    });
}

#[test]
fn an_old_driver_will_do() {
    run(async |clock| {
        let driver = Driver::default();
        driver.device().old = true;
        driver.device().short = Some(7);
        let mut session = driver.session(&clock).await;
        assert_eq!(session.identify().await.unwrap().model, "Scripted");
        assert_eq!(session.query_block(&message("BLOCK?"), 10_000).await.unwrap().len(), 5000);
        let mut link = driver.link(&clock).await;
        assert_eq!(link.status_byte(clock.now()).await.unwrap(), None);
        let near = clock.now() + Duration::from_millis(50);
        link.send(b"*CLS\n", near).await.unwrap();
        assert_eq!(driver.device().timeouts.last(), Some(&500), "it takes no less");
    });
}

#[test]
fn unplugged_and_back() {
    run(async |clock| {
        let driver = Driver::default();
        let mut link = driver.link(&clock).await;
        driver.device().unplugged = true;
        let soon = clock.now() + Duration::from_secs(1);
        let error = link.send(b"*IDN?\n", soon).await.unwrap_err();
        assert!(matches!(error, LinkError::Closed { .. }), "{error}");
        assert_eq!(
            error.to_string(),
            "usbtmc:///dev/usbtmc0 is closed: the instrument was unplugged or switched off; check the cable and the power, then try again"
        );
        let error = link.reopen().await.unwrap_err();
        assert!(matches!(error, LinkError::Open { .. }), "{error}");
        driver.device().unplugged = false;
        link.reopen().await.unwrap();
        assert_eq!(link.status_byte(clock.now()).await.unwrap(), Some(0));
    });
}
