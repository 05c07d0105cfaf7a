//! Addresses of instruments, written as URLs.

use core::fmt;
use core::str::FromStr;
use serde::{Deserialize, Serialize};

/// Flow control of a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Flow {
    /// None: the reader must keep up, and does.
    #[default]
    None,
    /// RTS and CTS lines: right for binary data.
    Rts,
    /// XON and XOFF bytes: they vanish from binary data, so a block may come back short.
    Xon,
}

/// Where an instrument is.
///
/// ```
/// use tapewright_instrument::Address;
/// let scope: Address = "serial:///dev/ttyUSB0?baud=115200&flow=rts".parse().unwrap();
/// assert_eq!(scope.to_string(), "serial:///dev/ttyUSB0?baud=115200&flow=rts");
/// assert!("tcp://bench-scope:5025".parse::<Address>().is_ok());
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum Address {
    /// Raw TCP.
    Tcp {
        /// Name or address of the host.
        host: String,
        /// Port, 1 to 65535.
        port: u16,
    },
    /// HiSLIP (IVI-6.1).
    Hislip {
        /// Name or address of the host.
        host: String,
        /// Port, 1 to 65535.
        port: u16,
        /// The instrument behind it.
        name: String,
    },
    /// USB test and measurement, by the node of the kernel's driver.
    Usbtmc {
        /// Path of the node.
        path: String,
    },
    /// A serial port.
    Serial(SerialAddress),
}

/// A serial port: 8 bits, no parity, 1 stop bit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SerialAddress {
    /// Path of the device.
    pub path: String,
    /// Bits a second.
    pub baud: u32,
    /// Flow control.
    pub flow: Flow,
    /// Whether DTR and RTS are raised after opening, as most instruments want it; boards with a boot loader
    /// may reset when they are (common practice, no source).
    pub lines: bool,
}

/// Why a text is no address.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{given}` is not an address of an instrument: {why}; expected `tcp://HOST:PORT`, `hislip://HOST:PORT/hislip0`, `usbtmc:///dev/usbtmc0` or `serial:///dev/NAME?baud=BAUD&flow=none|rts|xon&lines=on|off`"
)]
pub struct AddressError {
    /// What was given.
    pub given: String,
    /// What is wrong with it.
    pub why: String,
}

/// Port of raw SCPI where none is given (seen in an instrument maker's manual, not named).
const DEFAULT_PORT: u16 = 5025;
/// Port of HiSLIP (IVI-6.1, 2.1).
const HISLIP_PORT: u16 = 4880;
/// The instrument behind it where none is named (IVI-6.1, 2.1).
const HISLIP_NAME: &str = "hislip0";

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let wrong = |why: String| AddressError { given: text.to_owned(), why };
        let Some((scheme, rest)) = text.split_once("://") else {
            return Err(wrong("there is no `://`".into()));
        };
        if text.chars().any(|c| c.is_whitespace() || c.is_control()) {
            return Err(wrong("there is a blank or a control character in it".into()));
        }
        match scheme {
            "tcp" => tcp(rest).map_err(wrong),
            "hislip" => hislip(rest).map_err(wrong),
            "usbtmc" => usbtmc(rest).map_err(wrong),
            "serial" => serial(rest).map_err(wrong),
            other => Err(wrong(format!("`{other}` is none of `tcp`, `hislip`, `usbtmc`, `serial`"))),
        }
    }
}

fn tcp(rest: &str) -> Result<Address, String> {
    let rest = rest.trim_end_matches('/');
    if rest.contains(['/', '?']) {
        return Err("a tcp address ends with its port".into());
    }
    let (host, port) = host_port(rest, DEFAULT_PORT)?;
    Ok(Address::Tcp { host, port })
}

fn hislip(rest: &str) -> Result<Address, String> {
    let (rest, name) = rest.split_once('/').unwrap_or((rest, ""));
    let name = if name.is_empty() { HISLIP_NAME } else { name };
    if name.len() > 64 || !name.chars().all(|c| c.is_ascii_alphanumeric() || "_-.".contains(c)) {
        return Err(format!("`{name}` is no name of an instrument behind HiSLIP, such as `{HISLIP_NAME}`"));
    }
    let (host, port) = host_port(rest, HISLIP_PORT)?;
    Ok(Address::Hislip { host, port, name: name.to_owned() })
}

/// Host and port; an IPv6 host is written in square brackets, so the port follows the last colon outside them.
fn host_port(rest: &str, usual: u16) -> Result<(String, u16), String> {
    let (host, port) = match rest.rsplit_once(':') {
        Some((host, port)) if !port.ends_with(']') => (host, Some(port)),
        _ => (rest, None),
    };
    let host = host.trim_start_matches('[').trim_end_matches(']');
    if host.is_empty() {
        return Err("the host is missing".into());
    }
    let port = match port {
        None => usual,
        Some(digits) => match digits.parse::<u16>() {
            Ok(port) if port > 0 => port,
            _ => return Err(format!("`{digits}` is not a port from 1 to 65535")),
        },
    };
    Ok((host.to_owned(), port))
}

fn usbtmc(rest: &str) -> Result<Address, String> {
    if !rest.starts_with('/') || rest.contains('?') {
        return Err(format!("`{rest}` is no absolute path: three slashes follow `usbtmc:`, nothing follows the node"));
    }
    Ok(Address::Usbtmc { path: rest.to_owned() })
}

fn serial(rest: &str) -> Result<Address, String> {
    let (path, options) = rest.split_once('?').unwrap_or((rest, ""));
    if path.is_empty() {
        return Err("the device is missing".into());
    }
    // On systems with drive names the path has no leading slash of its own.
    let path = if cfg!(windows) { path.trim_start_matches('/') } else { path };
    if !cfg!(windows) && !path.starts_with('/') {
        return Err(format!("`{path}` is not an absolute path: three slashes follow `serial:`"));
    }
    let (mut baud, mut flow, mut lines) = (None, None, None);
    for option in options.split('&').filter(|option| !option.is_empty()) {
        let (key, value) = option.split_once('=').unwrap_or((option, ""));
        match key {
            "baud" if baud.is_none() => match value.parse::<u32>() {
                Ok(rate) if (50..=12_000_000).contains(&rate) => baud = Some(rate),
                _ => return Err(format!("`{value}` is not a baud rate from 50 to 12000000")),
            },
            "flow" if flow.is_none() => {
                flow = Some(match value {
                    "none" => Flow::None,
                    "rts" => Flow::Rts,
                    "xon" => Flow::Xon,
                    _ => return Err(format!("flow `{value}` is none of `none`, `rts`, `xon`")),
                });
            }
            "lines" if lines.is_none() => {
                lines = Some(match value {
                    "on" => true,
                    "off" => false,
                    _ => return Err(format!("lines `{value}` is neither `on` nor `off`")),
                });
            }
            "baud" | "flow" | "lines" => return Err(format!("`{key}` stands twice")),
            _ => return Err(format!("`{key}` is none of `baud`, `flow`, `lines`")),
        }
    }
    let baud = baud.ok_or("`baud` is missing: a guessed rate gives garbage")?;
    let (flow, lines) = (flow.unwrap_or_default(), lines.unwrap_or(true));
    if flow == Flow::Rts && !lines {
        return Err("`flow=rts` works the RTS line, so `lines=off` cannot stand beside it".into());
    }
    Ok(Address::Serial(SerialAddress { path: path.to_owned(), baud, flow, lines }))
}

impl fmt::Display for Flow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::None => "none",
            Self::Rts => "rts",
            Self::Xon => "xon",
        })
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Tcp { host, port } if host.contains(':') => write!(f, "tcp://[{host}]:{port}"),
            Self::Tcp { host, port } => write!(f, "tcp://{host}:{port}"),
            Self::Usbtmc { path } => write!(f, "usbtmc://{path}"),
            Self::Hislip { host, port, name } if host.contains(':') => write!(f, "hislip://[{host}]:{port}/{name}"),
            Self::Hislip { host, port, name } => write!(f, "hislip://{host}:{port}/{name}"),
            Self::Serial(line) => line.fmt(f),
        }
    }
}

impl fmt::Display for SerialAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "serial://{}?baud={}", self.path, self.baud)?;
        if self.flow != Flow::None {
            write!(f, "&flow={}", self.flow)?;
        }
        if self.lines { Ok(()) } else { f.write_str("&lines=off") }
    }
}

impl TryFrom<String> for Address {
    type Error = AddressError;
    fn try_from(text: String) -> Result<Self, AddressError> {
        text.parse()
    }
}

impl From<Address> for String {
    fn from(address: Address) -> Self {
        address.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, expected: &str) {
        let got = match text.parse::<Address>() {
            Ok(address) => {
                assert_eq!(address.to_string().parse::<Address>().as_ref(), Ok(&address), "print and parse again");
                address.to_string()
            }
            Err(error) => error.why,
        };
        assert_eq!(got, expected, "{text}");
    }

    #[test]
    fn addresses() {
        check("tcp://bench-scope:5025", "tcp://bench-scope:5025");
        check("tcp://192.0.2.7", "tcp://192.0.2.7:5025");
        check("tcp://[::1]:99", "tcp://[::1]:99");
        check("tcp://[::1]", "tcp://[::1]:5025");
        check("tcp://:5025", "the host is missing");
        check("tcp://a:0", "`0` is not a port from 1 to 65535");
        check("tcp://a:70000", "`70000` is not a port from 1 to 65535");
        check("tcp://a:5025/x", "a tcp address ends with its port");
        check("http://a", "`http` is none of `tcp`, `hislip`, `usbtmc`, `serial`");
        check("usbtmc:///dev/usbtmc0", "usbtmc:///dev/usbtmc0");
        check(
            "usbtmc://usbtmc0",
            "`usbtmc0` is no absolute path: three slashes follow `usbtmc:`, nothing follows the node",
        );
        check("hislip://bench-scope", "hislip://bench-scope:4880/hislip0");
        check("hislip://[::1]:99/hislip1", "hislip://[::1]:99/hislip1");
        check("hislip://a/b/c", "`b/c` is no name of an instrument behind HiSLIP, such as `hislip0`");
        check("/dev/ttyUSB0", "there is no `://`");
        check("serial:///dev/ttyUSB0?baud=115200", "serial:///dev/ttyUSB0?baud=115200");
        check("serial:///dev/ttyUSB0?baud=9600&flow=rts", "serial:///dev/ttyUSB0?baud=9600&flow=rts");
        check("serial:///dev/ttyUSB0?baud=9600&flow=xon", "serial:///dev/ttyUSB0?baud=9600&flow=xon");
        check("serial:///dev/ttyUSB0?baud=9600&flow=maybe", "flow `maybe` is none of `none`, `rts`, `xon`");
        check("serial:///dev/ttyUSB0", "`baud` is missing: a guessed rate gives garbage");
        check("serial:///dev/ttyUSB0?baud=fast", "`fast` is not a baud rate from 50 to 12000000");
        check("serial:///dev/ttyUSB0?baud=1&baud=2", "`1` is not a baud rate from 50 to 12000000");
        check("serial:///dev/ttyUSB0?baud=9600&baud=9600", "`baud` stands twice");
        check("serial:///dev/ttyUSB0?baud=9600&parity=odd", "`parity` is none of `baud`, `flow`, `lines`");
        check("serial:///dev/ttyACM0?baud=9600&lines=off", "serial:///dev/ttyACM0?baud=9600&lines=off");
        check("serial:///dev/ttyACM0?baud=9600&lines=on", "serial:///dev/ttyACM0?baud=9600");
        check("serial:///dev/ttyACM0?baud=9600&lines=1", "lines `1` is neither `on` nor `off`");
        check(
            "serial:///dev/ttyACM0?baud=9600&lines=off&flow=rts",
            "`flow=rts` works the RTS line, so `lines=off` cannot stand beside it",
        );
        check("serial://ttyUSB0?baud=9600", "`ttyUSB0` is not an absolute path: three slashes follow `serial:`");
        check("serial:///dev/tty USB0?baud=9600", "there is a blank or a control character in it");
    }
}
