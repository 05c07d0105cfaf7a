//! Many scopes at once over TCP: captures a second, memory, and whether each gets its share.

use clap::Parser;
use sim_instrument::serve::serve_tcp;
use std::io::Write;
use std::process::ExitCode;
use tapewright_clock::Clock;
use tapewright_formats::Signal;
use tapewright_instrument::{Address, CaptureRequest, Scope, ScopeError, link};
use tapewright_tests::storm::mix::DIALECTS;
use tapewright_tests::storm::pieces;

/// Takes captures from 1, 4, 16 and 64 simulated scopes at once.
#[derive(Debug, Parser)]
struct Options {
    /// Seconds for each number of scopes
    #[arg(long, default_value_t = 5.0)]
    seconds: f64,
    /// Threads for scopes and simulators together
    #[arg(long, default_value_t = 2)]
    threads: usize,
}

fn main() -> ExitCode {
    let options = Options::parse();
    let mut out = std::io::stdout().lock();
    let mut write = |text: String| writeln!(out, "{text}").is_ok();
    if !write("scopes  captures  a second  least  most  fairness  of alike  MiB".into()) {
        return ExitCode::FAILURE;
    }
    for scopes in [1, 4, 16, 64] {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(options.threads).enable_all().build();
        let Ok(runtime) = runtime else { return ExitCode::FAILURE };
        let counts = match runtime.block_on(together(scopes, options.seconds)) {
            Ok(counts) => counts,
            Err(error) => {
                write(format!("error: {}", tapewright::report::chain(&*error)));
                return ExitCode::FAILURE;
            }
        };
        let sum: u64 = counts.iter().sum();
        let (least, most) = (counts.iter().min().copied(), counts.iter().max().copied());
        write(format!(
            "{scopes:>6}  {sum:>8}  {:>8.1}  {:>5}  {:>4}  {:>8.3}  {:>8.3}  {:>3}",
            sum as f64 / options.seconds,
            least.unwrap_or_default(),
            most.unwrap_or_default(),
            fairness(&counts),
            of_alike(&counts),
            memory_mib()
        ));
    }
    ExitCode::SUCCESS
}

/// Fairness: (sum of x)^2 / (n * sum of x^2); 1 where all are served alike, 1/n where one gets all (an index of the
/// literature on shared networks, from memory).
fn fairness(counts: &[u64]) -> f64 {
    let (sum, squares) = counts.iter().fold((0.0, 0.0), |(sum, squares), &count| {
        let x = count as f64;
        (sum + x, squares + x * x)
    });
    if squares > 0.0 { sum * sum / (counts.len() as f64 * squares) } else { 0.0 }
}

/// The least fairness among scopes of one dialect: others take more or fewer messages to a capture.
fn of_alike(counts: &[u64]) -> f64 {
    let alike = |first| counts.iter().skip(first).step_by(DIALECTS.len()).copied().collect::<Vec<_>>();
    (0..DIALECTS.len().min(counts.len())).map(|first| fairness(&alike(first))).fold(1.0, f64::min)
}

/// Resident memory of this process, as the system's `/proc/self/status` has it; 0 where there is none.
fn memory_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    line.and_then(|line| line.trim().split(' ').next()?.parse::<u64>().ok()).unwrap_or(0) / 1024
}

/// Captures that each of so many scopes gave in so many seconds.
async fn together(scopes: usize, seconds: f64) -> Result<Vec<u64>, Box<dyn std::error::Error + Send + Sync>> {
    let clock = Clock::real();
    let mut opened = Vec::new();
    let mut servers = Vec::new();
    for number in 0..scopes {
        let (name, front_end) = DIALECTS[number % DIALECTS.len()];
        let (sim, dialect, hookup) = pieces(name, front_end, number as u64, false, None);
        let server = serve_tcp(sim.scope_port(), "127.0.0.1:0".parse()?, clock.clone()).await?;
        let address: Address = format!("tcp://{}", server.address()).parse()?;
        servers.push((sim, server));
        let link = link::connect(&address, &clock).await?;
        opened.push((Scope::open(link, dialect, clock.clone()).await?, hookup));
    }
    let until = clock.now() + core::time::Duration::from_secs_f64(seconds);
    let tasks: Vec<_> = opened
        .into_iter()
        .map(|(mut scope, hookup)| {
            let clock = clock.clone();
            tokio::spawn(async move {
                let request = CaptureRequest {
                    least_points: 2_500,
                    ..CaptureRequest::free([Signal::Rf, Signal::ControlTrack], 1e-3)
                };
                let mut count = 0;
                while clock.now() < until {
                    count += scope.acquire(&hookup, &request).await?.len() as u64;
                }
                Ok::<u64, ScopeError>(count)
            })
        })
        .collect();
    let mut counts = Vec::new();
    for task in tasks {
        counts.push(task.await??);
    }
    Ok(counts)
}
