//! The simulated bench as a program: ports on TCP and pseudo-terminals, commands on standard input.

use clap::Parser;
use core::error::Error;
use sim_instrument::scenario::Scenario;
use sim_instrument::serve::{serve_hislip, serve_pty, serve_tcp};
use sim_instrument::{SimBench, SimPort};
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use tapewright_clock::Clock;

/// A simulated scope, relay box and tape machine.
///
/// Prints what was drawn and where the ports are, then takes commands on standard input (`help` lists
/// them) until that ends or Ctrl-C.
#[derive(Debug, Parser)]
#[command(name = "sim-instrument", version)]
struct Options {
    /// Scenario file.
    #[arg(long, value_name = "FILE")]
    scenario: PathBuf,
    /// Seed instead of the scenario's.
    #[arg(long)]
    seed: Option<u64>,
    /// Serve the scope on this address; port 0 takes any that is free.
    #[arg(long, value_name = "ADDRESS")]
    tcp: Option<SocketAddr>,
    /// Serve the scope by HiSLIP on this address (its usual port is 4880).
    #[arg(long, value_name = "ADDRESS")]
    hislip: Option<SocketAddr>,
    /// Serve the relay box on this address.
    #[arg(long, value_name = "ADDRESS")]
    relay_tcp: Option<SocketAddr>,
    /// Serve the scope behind a pseudo-terminal.
    #[arg(long)]
    pty: bool,
    /// Serve the relay box behind a pseudo-terminal.
    #[arg(long)]
    relay_pty: bool,
}

fn say(text: &str) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{text}")?;
    out.flush()
}

fn main() -> ExitCode {
    let options = Options::parse();
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_env_filter(tracing_subscriber::EnvFilter::try_from_default_env().unwrap_or_else(|_| "info".into()))
        .init();
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let outcome = runtime.map_err(Into::into).and_then(|runtime| {
        let outcome = runtime.block_on(run(options));
        // A thread may still be waiting for standard input.
        runtime.shutdown_background();
        outcome
    });
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let mut text = format!("error: {error}");
            let mut cause = error.source();
            while let Some(error) = cause {
                text.push_str(": ");
                text.push_str(&error.to_string());
                cause = error.source();
            }
            // Where even standard error is gone there is nobody left to tell.
            drop(writeln!(std::io::stderr(), "{text}"));
            ExitCode::FAILURE
        }
    }
}

/// A device at a serial line, and how its port is put there.
async fn serve(
    name: &str,
    port: impl Fn() -> SimPort,
    baud: Option<u32>,
    address: Option<SocketAddr>,
    terminal: bool,
    clock: &Clock,
    keep: &mut Vec<Box<dyn core::any::Any>>,
) -> Result<(), Box<dyn Error>> {
    if let Some(address) = address {
        let server = serve_tcp(port(), address, clock.clone()).await?;
        say(&format!("{name} tcp://{}", server.address()))?;
        keep.push(Box::new(server));
    }
    if terminal {
        let pty = serve_pty(port(), clock.clone())?;
        let baud = baud.map_or_else(String::new, |baud| format!("?baud={baud}"));
        say(&format!("{name} serial://{}{baud}", pty.path().display()))?;
        keep.push(Box::new(pty));
    }
    Ok(())
}

async fn run(options: Options) -> Result<(), Box<dyn Error>> {
    let text = std::fs::read_to_string(&options.scenario)
        .map_err(|error| format!("reading the scenario {} failed: {error}", options.scenario.display()))?;
    let mut scenario = Scenario::parse(&text)?;
    scenario.seed = options.seed.unwrap_or(scenario.seed);
    let bench = scenario.bench()?;
    say(&format!("scenario {}", scenario.title))?;
    say(&format!("seed {}", bench.seed()))?;
    say(&drawn(&bench))?;
    let clock = Clock::real();
    let mut keep = Vec::new();
    // A port each, so that an answer goes where the question came from.
    let scope = || bench.scope_port();
    let relays = || bench.relay_port();
    serve("scope", scope, scenario.scope.port.baud, options.tcp, options.pty, &clock, &mut keep).await?;
    if let Some(address) = options.hislip {
        let ports = bench.clone();
        let server = serve_hislip(move || ports.scope_port(), address, clock.clone()).await?;
        say(&format!("scope hislip://{}/hislip0", server.address()))?;
        keep.push(Box::new(server));
    }
    serve("relays", relays, scenario.relays.baud, options.relay_tcp, options.relay_pty, &clock, &mut keep).await?;
    if keep.is_empty() {
        return Err("no port is served: give --tcp, --hislip, --pty, --relay-tcp or --relay-pty".into());
    }
    say("ready")?;
    commands(&bench, &clock).await
}

/// What the seed drew.
fn drawn(bench: &SimBench) -> String {
    let errors = bench.errors();
    let mut text = format!("time base error {:+.3e}", errors.timebase);
    for (i, channel) in errors.channels.iter().enumerate() {
        let row = format!(
            "\nCH{} gain error {:+.4}, offset error {:+.4} div {:+.3e} V",
            i + 1,
            channel.gain,
            channel.offset_div,
            channel.offset_v
        );
        text.push_str(&row);
    }
    text
}

/// Takes commands until standard input ends or Ctrl-C comes; with no input it serves until Ctrl-C.
async fn commands(bench: &SimBench, clock: &Clock) -> Result<(), Box<dyn Error>> {
    let (sender, mut lines) = tokio::sync::mpsc::channel::<String>(16);
    std::thread::spawn(move || {
        for line in std::io::stdin().lines() {
            let Ok(line) = line else { break };
            if sender.blocking_send(line).is_err() {
                break;
            }
        }
    });
    // Bench time goes on, and events happen, even when no client asks for anything.
    let mut next = clock.now();
    loop {
        tokio::select! {
            interrupted = tokio::signal::ctrl_c() => {
                interrupted?;
                return Ok(());
            }
            line = lines.recv() => match line.as_deref().map(str::trim) {
                None => return Ok(()),
                Some("") => {}
                Some("quit") => return Ok(()),
                Some(text) => match bench.command(clock.now(), text) {
                    Ok(said) => say(&said)?,
                    Err(error) => say(&format!("error: {error}"))?,
                },
            },
            () = clock.sleep_until(next) => {
                next = clock.now() + core::time::Duration::from_millis(100);
                bench.advance(clock.now());
            }
        }
    }
}
