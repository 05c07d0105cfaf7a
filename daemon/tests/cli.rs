//! The program as it is started: what it says, its exit codes, and a run over HTTP and TCP.

mod support;

use sim_instrument::SimBench;
use sim_instrument::scenario::Scenario;
use sim_instrument::serve::{TcpServer, serve_tcp};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use support::in_tree;
use tapewright::live::LiveFrame;
use tapewright::report::run_report::RunReport;
use tapewright_clock::Clock;
use tapewright_formats::Outcome;

fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tapewright"));
    command.stdin(Stdio::null()).env_remove("TAPEWRIGHT_LOG");
    command
}

fn run(arguments: &[&str]) -> Output {
    program().args(arguments).output().expect("the program starts")
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

#[track_caller]
fn check_code(output: &Output, code: i32) {
    assert_eq!(output.status.code(), Some(code), "{}\n{}", out(output), err(output));
}

#[test]
fn help() {
    let output = run(&["--help"]);
    check_code(&output, 0);
    insta::assert_snapshot!(out(&output));
}

#[test]
fn a_wrong_command_line() {
    let output = run(&["envelope"]);
    check_code(&output, 2);
    assert!(err(&output).contains("envelope"), "{}", err(&output));
}

/// A made-up tree of what Linux tells of plugged-in devices.
fn made_up_devices(root: &Path) {
    let file = |path: &str, text: &str| {
        let path = root.join(path);
        std::fs::create_dir_all(path.parent().expect("it is in a folder")).expect("a folder");
        std::fs::write(path, text).expect("a file");
    };
    let link = |path: &str, target: &str| {
        let path = root.join(path);
        std::fs::create_dir_all(path.parent().expect("it is in a folder")).expect("a folder");
        std::os::unix::fs::symlink(target, path).expect("a link");
    };
    let usb = |place: &str, ids: [&str; 2], serial: &str, product: &str| {
        let folder = format!("sys/devices/usb1/{place}");
        file(&format!("{folder}/idVendor"), &format!("{}\n", ids[0]));
        file(&format!("{folder}/idProduct"), &format!("{}\n", ids[1]));
        file(&format!("{folder}/product"), &format!("{product}\n"));
        if !serial.is_empty() {
            file(&format!("{folder}/serial"), &format!("{serial}\n"));
        }
        file(&format!("{folder}/{place}:1.0/x/bInterface"), "");
        format!("../../../devices/usb1/{place}/{place}:1.0")
    };
    let adapter = usb("1-4", ["f055", "0001"], "WB0042", "Workbench serial adapter");
    let twin = usb("1-5", ["f055", "0001"], "", "Workbench\u{7} serial adapter");
    let scope = usb("1-6", ["f055", "0100"], "SB20001", "SB-2 scope");
    for (name, device) in [("ttyUSB10", &twin), ("ttyUSB9", &adapter)] {
        link(&format!("sys/class/tty/{name}/device"), device);
    }
    link("sys/class/usbmisc/usbtmc0/device", &scope);
    link("sys/class/usbmisc/hiddev0/device", &scope);
    // A built-in port, a place for one that is not there, and a terminal without hardware.
    file("sys/devices/pnp0/x", "");
    for (name, kind) in [("ttyS0", "4"), ("ttyS1", "0")] {
        link(&format!("sys/class/tty/{name}/device"), "../../../devices/pnp0");
        file(&format!("sys/class/tty/{name}/type"), kind);
    }
    file("sys/class/tty/tty7/dev", "4:7");
    link("dev/serial/by-id/usb-Workbench_serial_adapter_WB0042-if00-port0", "../../ttyUSB9");
}

#[test]
fn bench_find_lists_what_is_plugged_in() {
    let folder = tempfile::tempdir().expect("a folder");
    let root = folder.path().display().to_string();
    let output = run(&["bench", "find", "--root", &root]);
    check_code(&output, 0);
    insta::assert_snapshot!("bench_find_nothing_there", out(&output));
    made_up_devices(folder.path());
    let output = run(&["bench", "find", "--root", &root]);
    check_code(&output, 0);
    insta::assert_snapshot!("bench_find", out(&output));
    let output = run(&["bench", "find", "--root", &root, "--json"]);
    check_code(&output, 0);
    let found: serde_json::Value = serde_json::from_str(&out(&output)).expect("JSON");
    assert_eq!(found["nodes"][1]["usb"]["serial"], "WB0042");
    assert_eq!(found["nodes"][2]["usb"]["serial"], serde_json::Value::Null);
    assert_eq!(found["nodes"][3]["address"], "usbtmc:///dev/usbtmc0");
    assert_eq!(found["nodes"].as_array().map(Vec::len), Some(4));
}

#[test]
fn bench_find_asks_where_it_is_told_to() {
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime");
    let scenario = Scenario::parse(tapewright::demo::VC_07).expect("the shipped scenario");
    let sim = scenario.bench().expect("a right machine");
    let any = "127.0.0.1:0".parse().expect("an address");
    let server = runtime.block_on(serve_tcp(sim.scope_port(), any, Clock::real())).expect("a port");
    let folder = tempfile::tempdir().expect("a folder");
    let root = folder.path().display().to_string();
    let address = format!("tcp://{}", server.address());
    let output = run(&["bench", "find", "--root", &root, "--json", "--ask", &address, "--ask", "scope"]);
    check_code(&output, 14);
    let found: serde_json::Value = serde_json::from_str(&out(&output)).expect("JSON");
    assert!(found["asked"][0]["identity"].as_str().is_some_and(|name| name.starts_with("Simulated Instruments,SB-2")));
    assert!(found["asked"][1]["error"].as_str().is_some_and(|text| text.contains("there is no `://`")), "{found}");
}

#[test]
fn procedures() {
    let output = run(&["procedures"]);
    check_code(&output, 0);
    insta::assert_snapshot!(out(&output));
}

#[test]
fn a_procedures_page() {
    for name in ["envelope", "guide-adjust", "tape-safe"] {
        let output = run(&["procedures", "show", name]);
        check_code(&output, 0);
        insta::assert_snapshot!(format!("page_of_{name}"), out(&output));
    }
    let output = run(&["procedures", "show", "no-such-one"]);
    check_code(&output, 20);
    assert!(err(&output).contains("no procedure `no-such-one`"), "{}", err(&output));
}

#[test]
fn a_file_that_is_no_procedure() {
    let output = run(&["procedures", "check", &in_tree("README.md").display().to_string()]);
    check_code(&output, 14);
    assert!(err(&output).contains("no valid component"), "{}", err(&output));
}

#[test]
fn dialects_are_checked() {
    for name in ["channel-timebase-waveform", "scpi-99"] {
        let file = in_tree(&format!("daemon/instrument/dialects/{name}.toml"));
        let output = run(&["dialect", "check", &file.display().to_string()]);
        check_code(&output, 0);
        assert!(out(&output).contains("is right"), "{}", out(&output));
    }
    let bad = in_tree("daemon/instrument/tests/bad-dialects/unknown-keys.toml");
    let output = run(&["dialect", "check", &bad.display().to_string()]);
    check_code(&output, 14);
    let said = format!("{}{}", out(&output), err(&output));
    assert!(said.contains("not known"), "{said}");
    check_code(&run(&["dialect", "check", "/no/such/dialect.toml"]), 20);
}

#[test]
fn without_a_daemon() {
    let folder = tempfile::tempdir().expect("a folder");
    let config = folder.path().join("bench.toml");
    let output = run(&["runs", "--config", &config.display().to_string()]);
    check_code(&output, 20);
    assert!(err(&output).contains("bench.toml"), "{}", err(&output));
}

/// A simulated bench on TCP, and what keeps it there.
struct Served {
    _runtime: tokio::runtime::Runtime,
    sim: SimBench,
    clock: Clock,
    scope: TcpServer,
    relays: TcpServer,
}

fn serve(scenario: &Scenario) -> Served {
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
struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// Starts `serve`, and waits until it says where it listens.
fn start(config: &Path) -> Daemon {
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
fn free_port() -> u16 {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.local_addr().expect("an address").port()
}

fn write_config(folder: &Path, served: &Served) -> PathBuf {
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

#[test]
fn a_run_from_the_command_line() {
    let served = serve(&support::vc_07());
    served.sim.command(served.clock.now(), "tape council-1991").expect("a tape goes in");
    let folder = tempfile::tempdir().expect("a folder");
    let config = write_config(folder.path(), &served);
    let config_text = config.display().to_string();

    let checked = run(&["bench", "check", "--config", &config_text]);
    check_code(&checked, 0);
    assert!(out(&checked).contains("Simulated Instruments"), "{}", out(&checked));

    let _daemon = start(&config);
    let run_it = |sequence: &str| {
        let mut command = program();
        command.args(["run", sequence, "--bench", "first", "--machine", "VC-07", "--format", "vhs-525-sp"]);
        command.args(["--tape", "other", "--tape-name", "council-1991", "--acknowledge", "--json"]);
        command.args(["--config", &config_text]);
        command
    };
    let output = run_it("signal-presence").output().expect("the program starts");
    check_code(&output, 0);
    let report: RunReport = serde_json::from_str(&out(&output)).expect("one JSON object");
    assert_eq!(report.verdict, Some(Outcome::Pass), "{}", report.conclusion);
    assert!(served.sim.key_presses()[1] > 0, "play was pressed");

    let listed = run(&["runs", "--config", &config_text]);
    check_code(&listed, 0);
    assert!(out(&listed).contains(&report.run) && out(&listed).contains("pass"), "{}", out(&listed));

    let shown = run(&["show", &report.run, "--why", "--config", &config_text]);
    check_code(&shown, 0);
    assert!(out(&shown).contains("VC-07"), "{}", out(&shown));
    let as_json = run(&["show", &report.run, "--json", "--config", &config_text]);
    let again: RunReport = serde_json::from_str(&out(&as_json)).expect("JSON");
    assert_eq!(again, report, "the records say what was shown");

    // A run that is stopped ends without a verdict on the machine.
    let mut running = run_it("first-look").stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
    let mut said = BufReader::new(running.stderr.take().expect("a pipe"));
    loop {
        let mut line = String::new();
        assert!(said.read_line(&mut line).expect("text") > 0, "the run ended before it began");
        if line.contains("going to") {
            break;
        }
    }
    std::thread::spawn(move || drop(said.read_to_end(&mut Vec::new())));
    let stopped = run(&["stop", "first", "--config", &config_text]);
    check_code(&stopped, 0);
    let ended = running.wait_with_output().expect("it ends");
    check_code(&ended, 13);
    let report: RunReport = serde_json::from_str(&out(&ended)).expect("one JSON object");
    assert_eq!(report.verdict, Some(Outcome::Unable));

    let unknown = run_it("no-such-sequence").output().expect("the program starts");
    check_code(&unknown, 20);
    assert!(err(&unknown).contains("no-such-sequence"), "{}", err(&unknown));
}

#[test]
fn live_readings_in_lines_and_in_json() {
    let served = serve(&support::vc_07());
    served.sim.command(served.clock.now(), "tape council-1991").expect("a tape goes in");
    let folder = tempfile::tempdir().expect("a folder");
    let config = write_config(folder.path(), &served);
    let config_text = config.display().to_string();
    let _daemon = start(&config);
    let live = |more: &[&str]| {
        let mut command = program();
        command.args(["live", "guide-adjust", "--bench", "first", "--config", &config_text]).args(more);
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command.spawn().expect("it starts")
    };
    // What is missing is said before anything begins.
    let refused = live(&["--acknowledge"]).wait_with_output().expect("it ends");
    check_code(&refused, 20);
    assert!(err(&refused).contains("give the format"), "{}", err(&refused));
    let known = ["--format", "vhs-525-sp", "--tape", "other"];
    let unread = live(&known).wait_with_output().expect("it ends");
    check_code(&unread, 20);
    assert!(err(&unread).contains("not acknowledged"), "{}", err(&unread));
    let alignment = live(&["--format", "vhs-525-sp", "--tape", "alignment", "--acknowledge"]);
    let alignment = alignment.wait_with_output().expect("it ends");
    check_code(&alignment, 20);
    assert!(err(&alignment).contains("scrap tape"), "{}", err(&alignment));
    assert_eq!(served.sim.key_presses().iter().skip(1).sum::<u64>(), 0, "nothing moved");

    let mut watching = live(&[&known[..], &["--acknowledge", "--json"]].concat());
    let mut typed = watching.stdin.take().expect("a pipe");
    let frames = BufReader::new(watching.stdout.take().expect("a pipe")).lines();
    let mut rates = Vec::new();
    let mut looks = 0;
    for line in frames {
        let frame: LiveFrame = serde_json::from_str(&line.expect("text")).expect("a frame a line");
        let Some(reading) = frame.reading else { continue };
        if looks == 0 {
            assert_eq!(reading.headline, "NOT IN PLAY");
            typed.write_all(b"play\n").expect("it is heard");
        }
        looks += 1;
        rates.extend(frame.captures_a_second);
        if rates.len() == 60 {
            assert!(reading.gauges.iter().any(|gauge| gauge.name == "head-b.exit"), "{reading:?}");
            typed.write_all(b"quit\n").expect("it is heard");
        }
    }
    rates.sort_by(f64::total_cmp);
    // Looked at, never asserted: it is the machine's that the test runs on.
    #[expect(clippy::print_stderr, reason = "a figure to look at")]
    {
        eprintln!("captures a second: {:.1} (median of {})", rates[rates.len() / 2], rates.len());
    }
    let ended = watching.wait_with_output().expect("it ends");
    check_code(&ended, 0);
    // In play still, as it was left; and the bench is free.
    check_code(&run(&["stop", "first", "--config", &config_text]), 0);

    let mut watching = live(&[&known[..], &["--acknowledge"]].concat());
    let mut typed = watching.stdin.take().expect("a pipe");
    let mut lines = BufReader::new(watching.stdout.take().expect("a pipe")).lines();
    let said = lines.find(|line| line.as_ref().is_ok_and(|line| line.contains("NOT IN PLAY")));
    assert!(said.is_some(), "without a terminal it speaks in lines");
    typed.write_all(b"quit\n").expect("it is heard");
    drop(lines);
    check_code(&watching.wait_with_output().expect("it ends"), 0);
}
