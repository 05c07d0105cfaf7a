//! What instruments may be plugged in: serial ports and USB test-and-measurement nodes, with their ids.
//!
//! On Linux this reads `/sys/class/tty`, `/sys/class/usbmisc` and `/dev/serial/by-id`; nothing is opened
//! and nothing is sent. Elsewhere the serial ports are asked of the system.

use serde::Serialize;
use std::path::{Path, PathBuf};

/// What a node is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, PartialOrd, Ord)]
#[serde(rename_all = "kebab-case")]
pub enum NodeKind {
    /// A serial port.
    Serial,
    /// A USB test-and-measurement instrument.
    Usbtmc,
}

/// Ids of a USB device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct UsbIds {
    /// Vendor, four hexadecimal digits.
    pub vendor: String,
    /// Product, four hexadecimal digits.
    pub product: String,
    /// Serial number; none: the device has none, so two of a kind cannot be told apart.
    pub serial: Option<String>,
    /// What the device calls itself.
    pub name: Option<String>,
}

impl core::fmt::Display for UsbIds {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "{}:{}:{}", self.vendor, self.product, self.serial.as_deref().unwrap_or("-"))
    }
}

/// Something that was found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FoundNode {
    /// What it is.
    pub kind: NodeKind,
    /// Its device.
    pub node: PathBuf,
    /// A name that stays the same when it is plugged in again, if it has one.
    pub stable: Option<PathBuf>,
    /// Its ids, if it is on USB.
    pub ids: Option<UsbIds>,
}

impl FoundNode {
    /// Its address, for the configuration; that of a serial port lacks the baud rate, which no port tells.
    #[must_use]
    pub fn address(&self) -> String {
        let node = self.stable.as_ref().unwrap_or(&self.node).display();
        match self.kind {
            NodeKind::Serial => format!("serial://{node}?baud="),
            NodeKind::Usbtmc => format!("usbtmc://{node}"),
        }
    }
}

/// Looks below a root, which is `/` but in tests; sorted by kind and name.
///
/// # Errors
/// A folder that is there and cannot be read.
pub fn nodes(root: &Path) -> std::io::Result<Vec<FoundNode>> {
    let mut found = linux::nodes(root)?;
    if cfg!(not(target_os = "linux")) && root == Path::new("/") {
        found.extend(elsewhere());
    }
    found.sort_by_key(|found| (found.kind, natural(&found.node)));
    Ok(found)
}

/// The name of a serial device that stays the same when it is plugged in again, if the system gives it one.
#[must_use]
pub fn stable_name(root: &Path, device: &Path) -> Option<PathBuf> {
    if device.starts_with("/dev/serial") {
        return None;
    }
    let name = device.file_name()?.to_str()?;
    linux::by_id(root).ok()?.remove(name)
}

/// A path so that `ttyUSB10` comes after `ttyUSB9`.
fn natural(path: &Path) -> (String, u64) {
    let text = path.display().to_string();
    let digits = text.len() - text.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    let (name, number) = text.split_at(text.len() - digits);
    (name.to_owned(), number.parse().unwrap_or(0))
}

/// Serial ports as the system lists them.
fn elsewhere() -> Vec<FoundNode> {
    let ports = serialport::available_ports().unwrap_or_default();
    let node = |port: serialport::SerialPortInfo| FoundNode {
        kind: NodeKind::Serial,
        node: PathBuf::from(port.port_name),
        stable: None,
        ids: match port.port_type {
            serialport::SerialPortType::UsbPort(usb) => Some(UsbIds {
                vendor: format!("{:04x}", usb.vid),
                product: format!("{:04x}", usb.pid),
                serial: usb.serial_number,
                name: usb.product,
            }),
            _ => None,
        },
    };
    ports.into_iter().map(node).collect()
}

mod linux {
    use super::{FoundNode, NodeKind, UsbIds};
    use std::collections::BTreeMap;
    use std::io;
    use std::path::{Path, PathBuf};

    /// Folders between a device and the USB device that it is part of, at most.
    const MOST_UP: usize = 6;

    pub(super) fn nodes(root: &Path) -> io::Result<Vec<FoundNode>> {
        let stable = by_id(root)?;
        let mut found = Vec::new();
        for (class, kind) in [("sys/class/tty", NodeKind::Serial), ("sys/class/usbmisc", NodeKind::Usbtmc)] {
            for entry in entries(&root.join(class))? {
                let name = entry.file_name().and_then(|name| name.to_str()).unwrap_or_default().to_owned();
                let wanted = match kind {
                    NodeKind::Serial => is_port(&entry),
                    NodeKind::Usbtmc => name.starts_with("usbtmc"),
                };
                if wanted {
                    let node = Path::new("/dev").join(&name);
                    found.push(FoundNode { kind, node, stable: stable.get(&name).cloned(), ids: ids(&entry) });
                }
            }
        }
        Ok(found)
    }

    /// What a folder holds; nothing where there is no such folder.
    fn entries(folder: &Path) -> io::Result<Vec<PathBuf>> {
        match std::fs::read_dir(folder) {
            Ok(list) => list.map(|entry| entry.map(|entry| entry.path())).collect(),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
            Err(error) => Err(error),
        }
    }

    /// Whether hardware is behind it: terminals without have no `device`, and the places that are kept for
    /// built-in ports have type 0 while there is none.
    fn is_port(entry: &Path) -> bool {
        entry.join("device").exists() && text(&entry.join("type")).is_none_or(|kind| kind != "0")
    }

    fn text(path: &Path) -> Option<String> {
        // What a device says of itself may hold anything.
        let text = std::fs::read_to_string(path).ok()?;
        let clean: String = text.trim().chars().filter(|c| !c.is_control()).take(120).collect();
        Some(clean).filter(|text| !text.is_empty())
    }

    /// Ids of the USB device that a device is part of.
    fn ids(entry: &Path) -> Option<UsbIds> {
        let device = std::fs::canonicalize(entry.join("device")).ok()?;
        device.ancestors().take(MOST_UP).find_map(|folder| {
            Some(UsbIds {
                vendor: text(&folder.join("idVendor"))?,
                product: text(&folder.join("idProduct"))?,
                serial: text(&folder.join("serial")),
                name: text(&folder.join("product")),
            })
        })
    }

    /// Names that stay the same, by the device that they lead to now.
    pub(super) fn by_id(root: &Path) -> io::Result<BTreeMap<String, PathBuf>> {
        let mut names = BTreeMap::new();
        for link in entries(&root.join("dev/serial/by-id"))? {
            let target = std::fs::read_link(&link).ok();
            let device = target.as_deref().and_then(Path::file_name).and_then(|name| name.to_str());
            if let (Some(device), Some(name)) = (device, link.file_name()) {
                names.insert(device.to_owned(), Path::new("/dev/serial/by-id").join(name));
            }
        }
        Ok(names)
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn the_name_that_stays_is_found_by_the_one_that_does_not() {
        let root = std::env::temp_dir().join(format!("tapewright-find-{}", std::process::id()));
        let by_id = root.join("dev/serial/by-id");
        std::fs::create_dir_all(&by_id).expect("a folder");
        std::os::unix::fs::symlink("../../ttyACM3", by_id.join("usb-Workbench_scope-if00")).expect("a link");
        let check = |device: &str, expected: Option<&str>| {
            assert_eq!(stable_name(&root, Path::new(device)), expected.map(PathBuf::from), "{device}");
        };
        check("/dev/ttyACM3", Some("/dev/serial/by-id/usb-Workbench_scope-if00"));
        check("/dev/ttyACM4", None);
        // That one stays already.
        check("/dev/serial/by-id/usb-Workbench_scope-if00", None);
        std::fs::remove_dir_all(&root).expect("it goes away");
        assert_eq!(nodes(&root).expect("nothing is no error"), []);
    }
}
