//! Where a procedure's calls and captures go: the journal and the store.

use crate::records::{CaptureStore, HostCall, Journal, RunEvent};
use core::error::Error;
use tapewright_host::{Call, Log};

/// Writes calls into the run's journal.
pub(crate) struct JournalLog {
    pub(crate) journal: Journal,
    /// Place of the procedure in the run.
    pub(crate) place: u32,
}

impl Log for JournalLog {
    fn call(&mut self, call: &Call) -> Result<(), Box<dyn Error + Send + Sync>> {
        let event = HostCall {
            place: self.place,
            call: u64::from(call.seq),
            name: call.name.clone(),
            args: call.args.clone(),
            result: call.result.clone(),
            captures: Vec::new(),
        };
        self.journal.append(&RunEvent::HostCall(event))?;
        Ok(())
    }
}

/// Keeps captures in the store.
pub(crate) struct StoreAdapter(pub(crate) CaptureStore);

impl tapewright_host::CaptureStore for StoreAdapter {
    fn put(&mut self, bytes: &[u8]) -> Result<String, Box<dyn Error + Send + Sync>> {
        Ok(self.0.put_blocking(bytes)?.to_string())
    }

    fn get(&self, hash: &str) -> Result<Vec<u8>, Box<dyn Error + Send + Sync>> {
        Ok(self.0.get_blocking(&hash.parse()?)?)
    }
}
