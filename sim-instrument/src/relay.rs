//! The relay box: SCPI ROUTe words that press the machine's keys (SCPI-99 volume 2, ROUTe).

use crate::deck::TrackingKey;
use crate::ieee488::parse::{Node, Param};
use crate::ieee488::{Call, Code, Device, Fault, Reply, Table};
use crate::world::World;
use std::sync::LazyLock;
use tapewright_formats::Mode;

/// What a relay lies across.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Key {
    /// A key of the transport.
    To(Mode),
    /// Tracking up.
    TrackingUp,
    /// Tracking down.
    TrackingDown,
}

/// Keys by relay number, from 1 on.
pub const KEYS: [Key; 11] = [
    Key::To(Mode::Stop),
    Key::To(Mode::Play),
    Key::To(Mode::Still),
    Key::To(Mode::Advance),
    Key::To(Mode::Cue),
    Key::To(Mode::Review),
    Key::To(Mode::FastForward),
    Key::To(Mode::Rewind),
    Key::To(Mode::Record),
    Key::TrackingUp,
    Key::TrackingDown,
];

/// The box's own time-out: a relay left closed opens by itself after this long.
pub const OPENS_AFTER_S: f64 = 2.0;

#[derive(Debug, Clone, Copy)]
enum Command {
    Close,
    Open,
    OpenAll,
}

static TABLE: LazyLock<Table<Command>> = LazyLock::new(|| {
    Table::new([
        ("ROUTe:CLOSe", Command::Close),
        ("ROUTe:CLOSe:STATe", Command::Close),
        ("ROUTe:OPEN", Command::Open),
        ("ROUTe:OPEN:ALL", Command::OpenAll),
    ])
});

/// The relay box.
#[derive(Debug)]
pub(crate) struct RelayBox {
    /// When each relay was closed; `None`: it is open.
    closed: Vec<Option<f64>>,
    /// How often each relay closed.
    presses: Vec<u64>,
}

impl RelayBox {
    pub(crate) fn new() -> Self {
        Self { closed: vec![None; KEYS.len()], presses: vec![0; KEYS.len()] }
    }

    /// Opens the relays whose time is over.
    pub(crate) fn time_out(&mut self, now_s: f64) {
        for relay in &mut self.closed {
            if relay.is_some_and(|at_s| at_s + OPENS_AFTER_S <= now_s) {
                *relay = None;
            }
        }
    }

    pub(crate) fn open_all(&mut self) {
        self.closed.fill(None);
    }

    /// What the tracking keys that are down mean together.
    fn tracking(&self) -> Option<TrackingKey> {
        let down = |key: Key| KEYS.iter().zip(&self.closed).any(|(of, state)| *of == key && state.is_some());
        match (down(Key::TrackingUp), down(Key::TrackingDown)) {
            (true, true) => Some(TrackingKey::Both),
            (true, false) => Some(TrackingKey::Up),
            (false, true) => Some(TrackingKey::Down),
            (false, false) => None,
        }
    }

    pub(crate) fn presses(&self) -> Vec<u64> {
        self.presses.clone()
    }
}

impl Device for RelayBox {
    fn identity(&self) -> String {
        format!("Simulated Instruments,RB-9,0,{}", env!("CARGO_PKG_VERSION"))
    }

    fn execute(
        &mut self,
        nodes: &[Node],
        query: bool,
        params: &[Param],
        world: &mut World<'_>,
    ) -> Result<Reply, Fault> {
        let (command, suffixes) = TABLE.find(nodes)?;
        let call = Call { suffixes, params };
        self.time_out(world.now_s);
        let count = KEYS.len() as u32;
        if matches!(command, Command::OpenAll) {
            if query {
                return Err(Code::UndefinedHeader.about("it cannot be read"));
            }
            call.takes(0, 0)?;
            self.open_all();
            return Ok(Reply::None);
        }
        call.takes(1, 1)?;
        let relays: Vec<usize> = call.channels(0, count)?.into_iter().map(|relay| relay as usize - 1).collect();
        if query {
            let wanted = matches!(command, Command::Close);
            let state = |relay: &usize| {
                let closed = self.closed.get(*relay).copied().flatten().is_some();
                if closed == wanted { "1" } else { "0" }
            };
            return Ok(Reply::Text(relays.iter().map(state).collect::<Vec<_>>().join(",")));
        }
        let mut tracking = false;
        for relay in relays {
            let Some(state) = self.closed.get_mut(relay) else { continue };
            if matches!(command, Command::Close) {
                // A key is pressed by closing; one that is held stays as it is.
                if state.is_none()
                    && let (Some(key), Some(presses)) = (KEYS.get(relay), self.presses.get_mut(relay))
                {
                    *presses += 1;
                    match key {
                        Key::To(mode) => world.deck.key(*mode, world.now_s),
                        Key::TrackingUp | Key::TrackingDown => tracking = true,
                    }
                }
                *state = Some(world.now_s);
            } else {
                *state = None;
            }
        }
        if tracking && let Some(key) = self.tracking() {
            world.deck.tracking(key, world.now_s);
        }
        Ok(Reply::None)
    }

    fn idle_since(&mut self, world: &mut World<'_>) -> Option<f64> {
        Some(world.now_s)
    }

    fn reset(&mut self, _world: &mut World<'_>) {
        self.open_all();
    }

    fn conditions(&mut self, _world: &mut World<'_>) -> Vec<u16> {
        vec![0]
    }
}
