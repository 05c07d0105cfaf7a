//! The program as it is started, and a simulated bench on TCP for it.
#![allow(dead_code, unreachable_pub, reason = "each test file uses a part")]

use sim_instrument::SimBench;
use sim_instrument::scenario::Scenario;
use sim_instrument::serve::{TcpServer, serve_tcp};
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use tapewright_clock::Clock;

pub fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tapewright"));
    command.stdin(Stdio::null()).env_remove("TAPEWRIGHT_LOG");
    command
}

pub fn run(arguments: &[&str]) -> Output {
    program().args(arguments).output().expect("the program starts")
}

pub fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

pub fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

#[track_caller]
pub fn check_code(output: &Output, code: i32) {
    assert_eq!(output.status.code(), Some(code), "{}\n{}", out(output), err(output));
}

/// A simulated bench on TCP, and what keeps it there.
pub struct Served {
    _runtime: tokio::runtime::Runtime,
    pub sim: SimBench,
    pub clock: Clock,
    scope: TcpServer,
    relays: TcpServer,
}

pub fn serve(scenario: &Scenario) -> Served {
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime");
    let clock = Clock::real();
    let sim = scenario.bench().expect("a right machine");
    let any = "127.0.0.1:0".parse().expect("an address");
    let scope = runtime.block_on(serve_tcp(sim.scope_port(), any, clock.clone())).expect("a port");
    let relays = runtime.block_on(serve_tcp(sim.relay_port(), any, clock.clone())).expect("a port");
    Served { _runtime: runtime, sim, clock, scope, relays }
}

/// The running daemon; killed when dropped, since a failed test must not leave it.
pub struct Daemon(Child);

impl Daemon {
    pub fn process(&self) -> u32 {
        self.0.id()
    }

    /// Waits until it ended by itself.
    pub fn ended(&mut self) -> Option<i32> {
        self.0.wait().expect("it is a child").code()
    }

    /// Ends it as a loss of power would.
    pub fn kill(&mut self) {
        self.0.kill().expect("it runs");
        self.0.wait().expect("it is a child");
    }
}

/// Sends a signal by its name to a process.
pub fn signal(name: &str, process: u32) {
    let sent = Command::new("kill").args(["-s", name, &process.to_string()]).status().expect("there is `kill`");
    assert!(sent.success(), "{name} was not sent");
}

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// Starts `serve`, and waits until it says where it listens.
pub fn start(config: &Path) -> Daemon {
    let mut child = program()
        .args(["serve", "--config", &config.display().to_string()])
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the daemon starts");
    let mut said = BufReader::new(child.stderr.take().expect("a pipe"));
    let daemon = Daemon(child);
    let mut all = String::new();
    loop {
        let mut line = String::new();
        let read = said.read_line(&mut line).expect("text");
        all.push_str(&line);
        assert!(read > 0, "the daemon ended: {all}");
        if line.contains("listening on") {
            // What it says later must not fill the pipe.
            std::thread::spawn(move || drop(said.read_to_end(&mut Vec::new())));
            return daemon;
        }
    }
}

/// A port that is free now.
pub fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.local_addr().expect("an address").port()
}

pub fn write_config(folder: &Path, served: &Served) -> PathBuf {
    let text = format!(
        r#"data = "records"
listen = "127.0.0.1:{port}"
[[bench]]
name = "first"
hands-clear-s = 0.0
[bench.scope]
address = "tcp://{scope}"
dialect = "channel-timebase-waveform"
[bench.relays]
address = "tcp://{relays}"
[bench.relays.table]
pulse-s = 0.1
verify = true
[bench.relays.table.keys.stop]
relays = [1]
settle-s = 1.0
[bench.relays.table.keys.play]
relays = [2]
settle-s = 2.0
[bench.relays.table.keys.still]
relays = [3]
settle-s = 1.0
via = "play"
[bench.hookup]
lines = 525
[[bench.hookup.point]]
signal = "rf"
channel = "CHANnel1"
probe-factor = 1.0
expected-v = 0.4
[[bench.hookup.point]]
signal = "control-track"
channel = "CHANnel2"
form = "square"
expected-v = 5.0
[[bench.hookup.point]]
signal = "head-switch"
channel = "EXTernal"
probe-factor = 1.0
form = "square"
expected-v = 5.0
"#,
        port = free_port(),
        scope = served.scope.address(),
        relays = served.relays.address(),
    );
    let path = folder.join("bench.toml");
    std::fs::write(&path, text).expect("a file");
    path
}
