//! Where a program message ends: at NL, but not inside a block.

/// Finds the end of a program message in a row of bytes: NL outside of a block.
#[derive(Debug, Default)]
pub(crate) struct Framing {
    quote: Option<u8>,
    hash: Hash,
}

#[derive(Debug, Default)]
enum Hash {
    #[default]
    None,
    Seen,
    Count {
        digits: u8,
        count: usize,
    },
    Data(usize),
}

impl Framing {
    /// Whether this byte ends the message.
    pub(crate) fn ends(&mut self, byte: u8) -> bool {
        match &mut self.hash {
            Hash::Data(left) => {
                *left -= 1;
                if *left == 0 {
                    self.hash = Hash::None;
                }
                return false;
            }
            Hash::Count { digits, count } if byte.is_ascii_digit() => {
                *count = *count * 10 + usize::from(byte - b'0');
                *digits -= 1;
                if *digits == 0 {
                    self.hash = if *count == 0 { Hash::None } else { Hash::Data(*count) };
                }
                return false;
            }
            Hash::Seen if (b'1'..=b'9').contains(&byte) => {
                self.hash = Hash::Count { digits: byte - b'0', count: 0 };
                return false;
            }
            Hash::Seen | Hash::Count { .. } => self.hash = Hash::None,
            Hash::None => {}
        }
        if byte == b'\n' {
            *self = Self::default();
            return true;
        }
        match self.quote {
            Some(quote) if quote == byte => self.quote = None,
            None if matches!(byte, b'"' | b'\'') => self.quote = Some(byte),
            None if byte == b'#' => self.hash = Hash::Seen,
            _ => {}
        }
        false
    }
}
