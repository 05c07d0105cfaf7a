//! What the link needs of the kernel's USB test-and-measurement driver, behind a trait so that its manners can
//! be imitated; and the driver itself on Linux.
//!
//! Numbers of the ioctls by the Linux driver's own header: type 91; CLEAR 2, ABORT_BULK_OUT 3, ABORT_BULK_IN
//! 4, SET_TIMEOUT 10 (u32 ms), USB488 READ_STB 18 (u8), MSG_IN_ATTR 24 (u8, bit 0 EOM). Not run on hardware.

use std::io;

/// The driver's calls. A call that this driver does not know fails with `ENOTTY`; a device that was
/// unplugged with `ENODEV`; what does not come in time with `ETIMEDOUT`.
pub trait Kernel: Send {
    /// Sends one message, and says how many of its bytes went.
    ///
    /// # Errors
    /// The system's.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize>;

    /// Asks the device for at most so many bytes of a reply.
    ///
    /// # Errors
    /// The system's.
    fn read(&mut self, most: usize) -> io::Result<Vec<u8>>;

    /// Sets the time-out of both.
    ///
    /// # Errors
    /// The system's; `EINVAL` when it is too short for this driver.
    fn set_timeout(&mut self, milliseconds: u32) -> io::Result<()>;

    /// Whether the last read took the end of a message.
    ///
    /// # Errors
    /// The system's.
    fn message_ended(&mut self) -> io::Result<bool>;

    /// Gives up the reply that was asked for.
    ///
    /// # Errors
    /// The system's.
    fn abort_in(&mut self) -> io::Result<()>;

    /// Gives up the message that was being sent.
    ///
    /// # Errors
    /// The system's.
    fn abort_out(&mut self) -> io::Result<()>;

    /// Device clear.
    ///
    /// # Errors
    /// The system's.
    fn clear(&mut self) -> io::Result<()>;

    /// The status byte, also while the device is busy.
    ///
    /// # Errors
    /// The system's.
    fn status_byte(&mut self) -> io::Result<u8>;
}

/// Opens the driver's node.
///
/// # Errors
/// The system's; on other systems than Linux there is no such driver.
#[cfg(target_os = "linux")]
pub fn open(path: &str) -> io::Result<Box<dyn Kernel>> {
    let file = std::fs::OpenOptions::new().read(true).write(true).open(path)?;
    Ok(Box::new(linux::Driver(file)))
}

/// Opens the driver's node.
///
/// # Errors
/// There is no such driver here.
#[cfg(not(target_os = "linux"))]
pub fn open(_path: &str) -> io::Result<Box<dyn Kernel>> {
    Err(io::Error::new(io::ErrorKind::Unsupported, "this system has no usbtmc driver"))
}

#[cfg(target_os = "linux")]
mod linux {
    use super::Kernel;
    use rustix::ioctl::{Getter, NoArg, Opcode, Setter, ioctl, opcode};
    use std::fs::File;
    use std::io::{self, Read, Write};

    const TYPE: u8 = 91;
    const CLEAR: Opcode = opcode::none(TYPE, 2);
    const ABORT_OUT: Opcode = opcode::none(TYPE, 3);
    const ABORT_IN: Opcode = opcode::none(TYPE, 4);
    const SET_TIMEOUT: Opcode = opcode::write::<u32>(TYPE, 10);
    const READ_STB: Opcode = opcode::read::<u8>(TYPE, 18);
    const MSG_IN_ATTR: Opcode = opcode::read::<u8>(TYPE, 24);
    /// EOM in the attributes of a message.
    const EOM: u8 = 1;

    pub(super) struct Driver(pub(super) File);

    #[expect(unsafe_code, reason = "an ioctl's number and argument cannot be checked by the compiler")]
    impl Driver {
        fn plain<const CODE: Opcode>(&self) -> io::Result<()> {
            // SAFETY: the driver's header gives these numbers no argument; another driver refuses them.
            Ok(unsafe { ioctl(&self.0, NoArg::<CODE>::new()) }?)
        }

        fn byte<const CODE: Opcode>(&self) -> io::Result<u8> {
            // SAFETY: the driver's header gives these numbers one byte that it writes.
            Ok(unsafe { ioctl(&self.0, Getter::<CODE, u8>::new()) }?)
        }

        fn timeout(&self, milliseconds: u32) -> io::Result<()> {
            // SAFETY: the driver's header gives this number a u32 that it reads.
            Ok(unsafe { ioctl(&self.0, Setter::<SET_TIMEOUT, u32>::new(milliseconds)) }?)
        }
    }

    impl Kernel for Driver {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.write(bytes)
        }

        fn read(&mut self, most: usize) -> io::Result<Vec<u8>> {
            let mut bytes = vec![0; most];
            let count = self.0.read(&mut bytes)?;
            bytes.truncate(count);
            Ok(bytes)
        }

        fn set_timeout(&mut self, milliseconds: u32) -> io::Result<()> {
            self.timeout(milliseconds)
        }

        fn message_ended(&mut self) -> io::Result<bool> {
            Ok(self.byte::<MSG_IN_ATTR>()? & EOM != 0)
        }

        fn abort_in(&mut self) -> io::Result<()> {
            self.plain::<ABORT_IN>()
        }

        fn abort_out(&mut self) -> io::Result<()> {
            self.plain::<ABORT_OUT>()
        }

        fn clear(&mut self) -> io::Result<()> {
            self.plain::<CLEAR>()
        }

        fn status_byte(&mut self) -> io::Result<u8> {
            self.byte::<READ_STB>()
        }
    }

    #[cfg(test)]
    mod tests {
        use super::*;

        #[test]
        fn numbers_are_those_of_the_driver() {
            // Direction (0 none, 1 to the driver, 2 from it), size, type and number, as Linux packs them on
            // common processors (include/uapi/asm-generic/ioctl.h).
            let code = |direction: u32, size: u32, number: u32| direction << 30 | size << 16 | 91 << 8 | number;
            assert_eq!([CLEAR, ABORT_OUT, ABORT_IN], [code(0, 0, 2), code(0, 0, 3), code(0, 0, 4)]);
            assert_eq!([SET_TIMEOUT, READ_STB, MSG_IN_ATTR], [code(1, 4, 10), code(2, 1, 18), code(2, 1, 24)]);
        }

        #[test]
        fn a_node_of_another_driver_knows_none_of_them() {
            let mut driver = Driver(File::options().read(true).write(true).open("/dev/null").expect("it is there"));
            let refused = |outcome: io::Result<()>| {
                assert_eq!(outcome.expect_err("it is no instrument").raw_os_error(), Some(super::super::ENOTTY));
            };
            refused(driver.clear());
            refused(driver.abort_in());
            refused(driver.set_timeout(1000));
            refused(driver.status_byte().map(drop));
            refused(driver.message_ended().map(drop));
        }
    }
}

/// The driver does not know the call.
pub(super) const ENOTTY: i32 = 25;
/// The argument is not right for this driver.
pub(super) const EINVAL: i32 = 22;
/// The device is gone.
pub(super) const ENODEV: i32 = 19;
