//! `tapewright serve`, and `tapewright bench`.

use super::end::End;
use super::exit::Exit;
use super::out;
use crate::bench::{self, Bench, OpenError};
use crate::config::{Config, ConfigError};
use crate::daemon::{Daemon, Unreachable};
use crate::http::{Bound, HttpError, ServeOptions};
use crate::library::{Library, LibraryError};
use crate::records::{DataFolder, RecordsError};
use clap::Subcommand;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tapewright_clock::Clock;
use tapewright_instrument::{Scope, ScopeError};

/// Why the daemon did not start.
#[derive(Debug, thiserror::Error)]
enum ServeError {
    #[error(transparent)]
    Config(#[from] ConfigError),
    #[error("`listen` in the configuration is `{0}`: give an address and a port, e.g. 127.0.0.1:7525")]
    Listen(String),
    #[error(transparent)]
    Records(#[from] RecordsError),
    #[error(transparent)]
    Library(#[from] LibraryError),
    #[error(transparent)]
    Open(#[from] OpenError),
    #[error(transparent)]
    Http(#[from] HttpError),
    #[error("what ends the daemon (Ctrl-C, a shutdown) cannot be listened for")]
    Signal(#[source] std::io::Error),
    #[error("checking the bench `{bench}` failed")]
    Check {
        bench: String,
        #[source]
        source: Box<ScopeError>,
    },
}

/// Where the token of a configuration lies.
pub(crate) fn token_file(config: &Config) -> PathBuf {
    config.token_file.clone().unwrap_or_else(|| config.data.join("token"))
}

/// Runs the daemon until it is told to end.
pub(crate) async fn serve(path: &Path, rebuild_index: bool) -> Exit {
    match serving(path, rebuild_index).await {
        Ok(()) => Exit::Done,
        Err(error) => {
            out::error(&error);
            Exit::ToolFailed
        }
    }
}

async fn serving(path: &Path, rebuild_index: bool) -> Result<(), ServeError> {
    let config = Config::read(path)?;
    let address = config.listen.parse().map_err(|_| ServeError::Listen(config.listen.clone()))?;
    let clock = Clock::real();
    let mut end = End::listen().map_err(ServeError::Signal)?;
    let data = if rebuild_index {
        DataFolder::open_and_rebuild(&config.data, clock.clone()).await?
    } else {
        DataFolder::open(&config.data, clock.clone()).await?
    };
    for recovered in data.recovered() {
        out::say(&recovered.to_string());
    }
    let library = Arc::new(Library::open(&config.procedures)?);
    let options = ServeOptions {
        address,
        token_file: token_file(&config),
        beyond_loopback: config.beyond_loopback,
        names: Vec::new(),
    };
    // Who cannot serve leaves the machines alone.
    let bound = Bound::at(&options).await?;
    let (benches, unreachable) = tokio::select! {
        opened = open_all(&config, &clock, &data, &library) => opened?,
        what = end.heard() => {
            out::say(&format!("{what}: ending before anything was served"));
            return Ok(data.close().await?);
        }
    };
    let daemon = Arc::new(Daemon::new(data.clone(), library, benches).with_unreachable(unreachable));
    let server = bound.serving(Arc::clone(&daemon) as Arc<dyn crate::http::Api>);
    out::say(&format!(
        "listening on http://{}/v1, token in {}; Ctrl-C ends",
        server.address(),
        options.token_file.display()
    ));
    let told = Arc::clone(&daemon);
    let served = server
        .run(async move {
            let what = end.heard().await;
            out::say(&format!("{what}: stopping the transports and closing the journals"));
            // At once: clients have some seconds to go, and the machines must not play on meanwhile.
            told.stop_all();
        })
        .await;
    // Also where the server failed: no transport is left running.
    daemon.close().await;
    data.close().await?;
    Ok(served?)
}

/// Opens the benches. One that does not answer is said and left out, so that the others can be used; if none answers there is
/// nothing to serve.
async fn open_all(
    config: &Config,
    clock: &Clock,
    data: &DataFolder,
    library: &Arc<Library>,
) -> Result<(Vec<Bench>, Vec<Unreachable>), OpenError> {
    let (mut benches, mut unreachable) = (Vec::new(), Vec::new());
    let mut first = None;
    for bench in &config.benches {
        let opened = match bench::connect(bench, clock).await {
            Ok(parts) => Bench::open(parts, clock.clone(), data.clone(), Arc::clone(library)).await,
            Err(error) => Err(error),
        };
        match opened {
            Ok(open) => {
                out::say(&format!("bench `{}`: {}", bench.name, open.shared().scope.identity()));
                benches.push(open);
            }
            // What is written wrongly stays wrong: it is corrected before anything is served.
            Err(error @ (OpenError::Address { .. } | OpenError::Dialect { .. })) => return Err(error),
            Err(error) => {
                let why = crate::report::chain(&error);
                unreachable.push(Unreachable { bench: bench.name.clone(), why });
                first.get_or_insert(error);
            }
        }
    }
    match first {
        Some(error) if benches.is_empty() => Err(error),
        _ => {
            for Unreachable { bench, why } in &unreachable {
                out::say(&format!(
                    "NOT REACHABLE: bench `{bench}` is left out until the daemon is started again: {why}"
                ));
            }
            Ok((benches, unreachable))
        }
    }
}

/// Work with benches.
#[derive(Debug, Subcommand)]
pub(crate) enum BenchCommand {
    /// Ask each scope who it is, and look at every hooked-up point
    Check {
        /// One bench; all of the configuration if left out
        name: Option<String>,
        /// The configuration
        #[arg(long, value_name = "FILE", default_value = super::DEFAULT_CONFIG)]
        config: PathBuf,
        /// One JSON object instead of text
        #[arg(long)]
        json: bool,
    },
    /// List serial ports and USB instruments, and ask who answers where told to
    Find {
        /// Ask who answers at this address, e.g. serial:///dev/ttyUSB0?baud=9600; may be given several times
        #[arg(long, value_name = "ADDRESS")]
        ask: Vec<String>,
        /// One JSON object instead of text
        #[arg(long)]
        json: bool,
        /// Look below this folder instead of /
        #[arg(long, value_name = "FOLDER", default_value = "/", hide = true)]
        root: PathBuf,
    },
}

pub(crate) async fn bench(command: BenchCommand) -> Exit {
    let (name, config, json) = match command {
        BenchCommand::Check { name, config, json } => (name, config, json),
        BenchCommand::Find { ask, json, root } => return super::find::find(&ask, &root, json).await,
    };
    match checked(name.as_deref(), &config, json).await {
        Ok(true) => Exit::Done,
        Ok(false) => Exit::Faulty,
        Err(error) => {
            out::error(&error);
            Exit::ToolFailed
        }
    }
}

async fn checked(name: Option<&str>, path: &Path, json: bool) -> Result<bool, ServeError> {
    let config = Config::read(path)?;
    let benches = match name {
        Some(name) => vec![config.bench(name, path)?],
        None => config.benches.iter().collect(),
    };
    let clock = Clock::real();
    let mut good = true;
    let mut all = Vec::new();
    for bench in benches {
        let failed = |source| ServeError::Check { bench: bench.name.clone(), source: Box::new(source) };
        let parts = bench::connect(bench, &clock).await?;
        let mut scope = Scope::open(parts.scope, parts.dialect, clock.clone()).await.map_err(failed)?;
        let check = scope.check(&bench.hookup).await.map_err(failed)?;
        good &= check.is_good();
        if json {
            let points: Vec<_> = check
                .points
                .iter()
                .map(|p| match &p.seen {
                    Ok(None) => serde_json::json!({ "signal": p.signal, "channel": p.channel, "trigger_only": true }),
                    Ok(Some(seen)) => serde_json::json!({ "signal": p.signal, "channel": p.channel, "low_v": seen.low_v, "high_v": seen.high_v, "steps": seen.steps }),
                    Err(error) => serde_json::json!({ "signal": p.signal, "channel": p.channel, "error": crate::report::chain(error) }),
                })
                .collect();
            all.push(serde_json::json!({ "bench": bench.name, "scope": check.identity.to_string(), "points": points }));
            continue;
        }
        out::data(&format!("bench `{}`: {}", bench.name, check.identity));
        for entry in &check.errors {
            out::data(&format!("  its error queue held {entry}"));
        }
        for p in &check.points {
            let line = match &p.seen {
                Ok(None) => "can only trigger: it gives no samples".to_owned(),
                Ok(Some(seen)) => {
                    format!("{:.4} V to {:.4} V, {:.0} steps of the converter", seen.low_v, seen.high_v, seen.steps)
                }
                Err(error) => format!("error: {}", crate::report::chain(error)),
            };
            out::data(&format!("  {:<14} {:<10} {line}", p.signal, p.channel));
        }
    }
    if json {
        out::json(&serde_json::json!({ "benches": all, "good": good }));
    }
    Ok(good)
}
