//! Status: the byte, the standard event register, OPERation and QUEStionable (IEEE 488.2 clause 11,
//! SCPI-99 volume 1 chapter 9).

use super::fault::{ErrorQueue, Fault};

/// A SCPI register set: live condition, edge filters, latched events, mask.
#[derive(Debug, Clone)]
pub(crate) struct RegisterSet {
    pub(crate) condition: u16,
    pub(crate) event: u16,
    pub(crate) enable: u16,
    pub(crate) rising: u16,
    pub(crate) falling: u16,
}

/// Bit 15 is always 0 (SCPI-99 volume 1 chapter 9).
pub(crate) const MASK: u16 = 0x7FFF;

impl RegisterSet {
    const fn new() -> Self {
        Self { condition: 0, event: 0, enable: 0, rising: MASK, falling: 0 }
    }

    /// Moves to a new condition and latches the edges that the filters let through.
    pub(crate) const fn set_condition(&mut self, condition: u16) {
        let condition = condition & MASK;
        self.event |= (condition & !self.condition & self.rising) | (!condition & self.condition & self.falling);
        self.condition = condition;
    }

    /// STATus:PRESet.
    pub(crate) const fn preset(&mut self) {
        self.enable = 0;
        self.rising = MASK;
        self.falling = 0;
    }

    const fn summary(&self) -> bool {
        self.event & self.enable != 0
    }
}

/// Power-on bit of the standard event register.
const POWER_ON: u8 = 1 << 7;
/// Operation-complete bit of the standard event register.
pub(crate) const OPERATION_COMPLETE: u8 = 1;

/// All status of one instrument.
#[derive(Debug)]
pub(crate) struct Status {
    pub(crate) event: u8,
    pub(crate) event_enable: u8,
    pub(crate) service_enable: u8,
    pub(crate) operation: RegisterSet,
    pub(crate) questionable: RegisterSet,
    pub(crate) errors: ErrorQueue,
    /// How many entries may be read yet where `*ESR?` opens the queue.
    pub(crate) shown: usize,
    /// The last error of each class, where a register a class tells it: command, execution, device.
    pub(crate) registers: [u16; 3],
}

impl Status {
    /// As after power-on.
    pub(crate) fn new(error_capacity: usize) -> Self {
        Self {
            event: POWER_ON,
            event_enable: 0,
            service_enable: 0,
            operation: RegisterSet::new(),
            questionable: RegisterSet::new(),
            errors: ErrorQueue::new(error_capacity),
            shown: 0,
            registers: [0; 3],
        }
    }

    /// Queues an error and sets the bit of its class.
    pub(crate) fn raise(&mut self, fault: Fault) {
        self.event |= fault.code.event_bit();
        super::events::note(&mut self.registers, fault.code);
        self.errors.push(fault);
    }

    /// `*CLS`: events and the error queue go, the masks stay.
    pub(crate) fn clear(&mut self) {
        self.event = 0;
        self.operation.event = 0;
        self.questionable.event = 0;
        self.errors.clear();
        self.shown = 0;
        self.registers = [0; 3];
    }

    /// The status byte with the master summary in bit 6.
    pub(crate) fn byte(&self, message_available: bool) -> u8 {
        let bits = [
            (2, !self.errors.is_empty()),
            (3, self.questionable.summary()),
            (4, message_available),
            (5, self.event & self.event_enable != 0),
            (7, self.operation.summary()),
        ];
        let byte = bits.iter().filter(|(_, set)| *set).fold(0_u8, |byte, (bit, _)| byte | 1 << bit);
        if byte & self.service_enable & !(1 << 6) != 0 { byte | 1 << 6 } else { byte }
    }
}

#[cfg(test)]
mod tests {
    use super::super::fault::Code;
    use super::*;

    #[test]
    fn one_class_sets_one_bit() {
        for (code, bit) in [
            (Code::UndefinedHeader, 5),
            (Code::DataOutOfRange, 4),
            (Code::InputOverrun, 3),
            (Code::QueryInterrupted, 2),
            (Code::PowerOn, 7),
        ] {
            let mut status = Status::new(9);
            status.event = 0;
            status.raise(code.into());
            assert_eq!(status.event, 1 << bit, "{code:?}");
        }
    }

    #[test]
    fn edges_latch_through_their_filters() {
        let mut set = RegisterSet::new();
        set.set_condition(0x8030);
        assert_eq!((set.condition, set.event), (0x30, 0x30));
        set.event = 0;
        set.falling = 0x10;
        set.set_condition(0);
        assert_eq!(set.event, 0x10);
    }

    #[test]
    fn master_summary_follows_the_mask() {
        let mut status = Status::new(9);
        status.raise(Code::UndefinedHeader.into());
        assert_eq!(status.byte(false), 0b100);
        status.service_enable = 0b100;
        assert_eq!(status.byte(true), 0b101_0100);
    }
}
