//! Replies, blocks, preambles and dialect files: what comes from an instrument, or from a shop's file.

use std::collections::VecDeque;
use std::sync::LazyLock;
use tapewright_clock::{Clock, Instant, WallTime};
use tapewright_instrument::Dialect;
use tapewright_instrument::dialect::{CodeScale, RawPreamble, decode};
use tapewright_instrument::link::{InProcess, Peer};
use tapewright_instrument::scpi::{Message, Profile, Session, answer, frame};

/// Every reader of a line: what one reads, prints and reads again, must be the same.
pub fn replies(bytes: &[u8]) {
    let _line = frame::line(bytes, 4096);
    let text = String::from_utf8_lossy(bytes);
    let text = text.as_ref();
    if let Ok(number) = answer::number(text) {
        let printed = number.to_string();
        let again = answer::number(&printed);
        assert_eq!(again.as_ref().map(ToString::to_string), Ok(printed), "{text}");
    }
    if let Ok(value) = answer::value(text) {
        assert!(value.is_finite() && value.abs() < 9.9e37, "{text}");
    }
    let _integer = answer::integer(text);
    if let Ok(numbers) = answer::numbers(text) {
        let printed: Vec<String> = numbers.iter().map(ToString::to_string).collect();
        let again = answer::numbers(&printed.join(",")).map(|list| list.len());
        assert_eq!(again, Ok(numbers.len()), "{text}");
    }
    let _boolean = answer::boolean(text);
    if let Ok(word) = answer::word(text) {
        assert_eq!(answer::word(&word).as_ref(), Ok(&word));
    }
    if let Ok(string) = answer::string(text) {
        assert_eq!(answer::string(&answer::print_string(&string)).as_ref(), Ok(&string));
    }
    if let Ok(entry) = answer::error_entry(text) {
        assert_eq!(answer::error_entry(&entry.to_string()).as_ref(), Ok(&entry));
    }
    if let Ok(identity) = answer::identity(text) {
        let again = answer::identity(&identity.to_string());
        assert_eq!(again.as_ref(), Ok(&identity), "{text}");
    }
    assert!(text.ends_with(answer::without_header("CHANnel1:SCALe?", text)));
    let parts: usize = answer::parts(text).iter().map(|part| part.len()).sum();
    assert!(parts <= text.len());
}

/// Gives the same bytes to whatever is asked, a few at a time.
struct Parrot {
    bytes: Vec<u8>,
    output: VecDeque<(Instant, Vec<u8>)>,
}

impl Peer for Parrot {
    fn write(&mut self, now: Instant, _bytes: &[u8]) {
        // At most a few answers wait: an instrument does not answer for ever.
        if self.output.len() < 16 {
            let soon = core::time::Duration::from_millis(1);
            self.output.extend(self.bytes.chunks(31).map(|part| (now + soon, part.to_vec())));
        }
    }

    fn read(&mut self, now: Instant) -> Vec<u8> {
        match self.output.front() {
            Some((due, _)) if *due <= now => self.output.pop_front().map(|(_, bytes)| bytes).unwrap_or_default(),
            _ => Vec::new(),
        }
    }

    fn next_output(&mut self, _now: Instant) -> Option<Instant> {
        self.output.front().map(|(due, _)| *due)
    }
}

/// Blocks, alone and through a session whose instrument answers everything with these bytes.
pub fn blocks(bytes: &[u8]) {
    const MOST: usize = 4096;
    for cr in [false, true] {
        if let Ok((used, data)) = frame::block(bytes, MOST, cr) {
            assert!(used <= bytes.len() && data.len() <= MOST);
            let printed = frame::print_block(data);
            assert_eq!(frame::block(&printed, MOST, cr), Ok((printed.len(), data)));
        }
    }
    // A conversation costs ten thousand times a reading: one input in sixteen, and short ones, hold one.
    let sum: u32 = bytes.iter().map(|&byte| u32::from(byte)).sum();
    if bytes.len() > 128 || !sum.is_multiple_of(16) {
        return;
    }
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime without drivers");
    runtime.block_on(async {
        let clock = Clock::virtual_from(WallTime(0));
        let parrot = Parrot { bytes: bytes.to_vec(), output: VecDeque::new() };
        let link = InProcess::new(parrot, clock.clone(), "a parrot");
        let mut session = Session::new(Box::new(link), clock.clone(), Profile::default());
        let message = Message::new("DATA?").expect("a header");
        // One that only repeats itself is never in step: no block may come of it.
        let block = session.query_block(&message, MOST).await;
        assert!(block.is_err(), "a block from an instrument that was never in step");
        let took_s = clock.now().as_secs_f64();
        assert!(took_s < 600.0, "it gave up only after {took_s} s");
    });
}

/// Reading a file takes far longer than what is to be fuzzed.
static SHIPPED: LazyLock<Vec<Dialect>> =
    LazyLock::new(|| Dialect::shipped_names().iter().filter_map(|name| Dialect::shipped(name).ok()).collect());

/// Preambles of every form, and codes with their scaling.
pub fn preambles(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    if let Ok(raw) = RawPreamble::parse(&text) {
        assert!(raw.x_increment_s.is_finite() && raw.y_increment_v.is_finite());
    }
    for dialect in SHIPPED.iter() {
        let _raw = dialect.read_preamble(&text);
        let _raw = dialect.read_descriptor(bytes);
        let _state = dialect.read_state(&text);
        for bits in [8, 16] {
            let scale = CodeScale { gain_v: 1e-3, offset_v: 0.0 };
            if let Ok(decoded) = decode(dialect, bytes, bits, scale) {
                assert!(decoded.codes.len() <= bytes.len());
            }
        }
    }
}

/// Dialect files: faults are told, and what passes can be used.
pub fn dialects(bytes: &[u8]) {
    let Ok(text) = core::str::from_utf8(bytes) else { return };
    match Dialect::check(text) {
        Ok(dialect) => {
            for variant in dialect.variants() {
                assert!(dialect.with_variant(&variant).is_ok(), "a variant that was checked is faulty");
            }
        }
        Err(faults) => assert!(!faults.is_empty() && faults.iter().all(|fault| !fault.what.is_empty())),
    }
}
