//! `tapewright bench find`: what is plugged in, and what to write into the configuration.

use super::exit::Exit;
use super::out;
use core::fmt::Write as _;
use core::time::Duration;
use std::path::Path;
use tapewright_clock::Clock;
use tapewright_instrument::find::{self, FoundNode, NodeKind};
use tapewright_instrument::scpi::Profile;
use tapewright_instrument::{Address, Session, link};

/// How long the first byte of an identity may take.
const FIRST_BYTE: Duration = Duration::from_secs(2);

/// An address that was asked who it is.
struct Asked {
    address: String,
    answer: Result<String, String>,
}

/// Lists what is plugged in, and asks where it was told to.
pub(crate) async fn find(ask: &[String], root: &Path, json: bool) -> Exit {
    let nodes = match find::nodes(root) {
        Ok(nodes) => nodes,
        Err(error) => {
            out::say(&format!("error: looking for serial ports and USB instruments below /sys failed: {error}"));
            return Exit::ToolFailed;
        }
    };
    let mut asked = Vec::new();
    for address in ask {
        asked.push(Asked { address: address.clone(), answer: identity(address).await });
    }
    if json {
        out::json(&as_json(&nodes, &asked));
    } else {
        out::data(&as_text(&nodes, &asked));
    }
    if asked.iter().any(|asked| asked.answer.is_err()) { Exit::Faulty } else { Exit::Done }
}

async fn identity(address: &str) -> Result<String, String> {
    let address: Address = address.parse().map_err(|error| crate::report::chain(&error))?;
    let clock = Clock::real();
    let link = link::connect(&address, &clock).await.map_err(|error| crate::report::chain(&error))?;
    let mut session = Session::new(link, clock, Profile { first_byte: FIRST_BYTE, ..Profile::default() });
    session.identify().await.map(|identity| identity.to_string()).map_err(|error| crate::report::chain(&error))
}

fn as_json(nodes: &[FoundNode], asked: &[Asked]) -> serde_json::Value {
    let nodes: Vec<_> = nodes
        .iter()
        .map(|node| {
            serde_json::json!({
                "kind": node.kind,
                "node": node.node,
                "stable": node.stable,
                "usb": node.ids,
                "address": node.address(),
            })
        })
        .collect();
    let asked: Vec<_> = asked
        .iter()
        .map(|asked| match &asked.answer {
            Ok(identity) => serde_json::json!({ "address": asked.address, "identity": identity }),
            Err(error) => serde_json::json!({ "address": asked.address, "error": error }),
        })
        .collect();
    serde_json::json!({ "nodes": nodes, "asked": asked })
}

/// For people, with what to write down.
fn as_text(nodes: &[FoundNode], asked: &[Asked]) -> String {
    let mut text = String::new();
    let mut list = |kind, title: &str, none: &str| {
        text.push_str(title);
        text.push('\n');
        let of_kind: Vec<&FoundNode> = nodes.iter().filter(|node| node.kind == kind).collect();
        for node in &of_kind {
            let name = node.ids.as_ref().and_then(|ids| ids.name.as_deref()).unwrap_or("");
            let ids = node.ids.as_ref().map_or_else(|| "not on USB".to_owned(), ToString::to_string);
            let line = format!("  {:<14} {ids}  {name}", node.node.display());
            let end = if kind == NodeKind::Serial { "BAUD" } else { "" };
            // Writing to a string cannot fail.
            let _ = writeln!(text, "{}\n    address = \"{}{end}\"", line.trim_end(), node.address());
        }
        if of_kind.is_empty() {
            let _ = writeln!(text, "  none: {none}");
        }
    };
    list(
        NodeKind::Serial,
        "serial ports (vendor:product:serial number)",
        "check the cable; a USB adapter shows here as soon as it is plugged in",
    );
    list(
        NodeKind::Usbtmc,
        "USB instruments (vendor:product:serial number)",
        "check the cable, and that the instrument's USB is set to test and measurement (usbtmc), not to printer or storage",
    );
    if !asked.is_empty() {
        text.push_str("asked *IDN?\n");
        for asked in asked {
            let said = match &asked.answer {
                Ok(identity) => identity.clone(),
                Err(error) => format!("error: {error}"),
            };
            let _ = writeln!(text, "  {}\n    {said}", asked.address);
        }
    }
    text.push_str(
        "Write the address under [bench.scope] in bench.toml, with BAUD as set in the instrument's own menu.\n\
         A port is asked who it is only by --ask ADDRESS: what another device makes of it is not known.\n",
    );
    text
}
