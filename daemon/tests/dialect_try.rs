//! `tapewright dialect try FILE --bench B` from the command line, on a simulated scope over TCP.

mod support;

use sim_instrument::serve::{TcpServer, serve_tcp};
use std::path::{Path, PathBuf};
use std::process::Output;
use support::in_tree;
use support::program::program;
use tapewright_clock::Clock;

/// A scope in this process, and the configuration of a bench that has it.
struct Bench {
    _runtime: tokio::runtime::Runtime,
    _scope: TcpServer,
    folder: tempfile::TempDir,
}

impl Bench {
    /// A machine in play, its level on the first channel, its control track on the second.
    fn new() -> Self {
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime");
        let clock = Clock::real();
        let mut scenario = support::vc_07();
        // Of the file it is asked whether it is right, not whether the scope is calibrated.
        scenario.scope.specs = scenario.scope.specs.without_errors();
        let sim = scenario.bench().expect("a right machine");
        sim.command(clock.now(), "tape council-1991").expect("a tape goes in");
        sim.command(clock.now(), "key play").expect("it plays");
        let any = "127.0.0.1:0".parse().expect("an address");
        let scope = runtime.block_on(serve_tcp(sim.scope_port(), any, clock)).expect("a port");
        let folder = tempfile::tempdir().expect("a folder");
        let text = format!(
            r#"data = "records"
[[bench]]
name = "second"
[bench.scope]
address = "tcp://{}"
dialect = "channel-timebase-waveform"
[bench.hookup]
[[bench.hookup.point]]
signal = "rf"
channel = "CHANnel1"
expected-v = 0.4
[[bench.hookup.point]]
signal = "control-track"
channel = "CHANnel2"
form = "square"
expected-v = 5.0
"#,
            scope.address()
        );
        std::fs::write(folder.path().join("bench.toml"), text).expect("a file");
        Self { _runtime: runtime, _scope: scope, folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The shipped file with one mistake each in it, under a name of its own.
    fn file(&self, mistakes: &[(&str, &str)]) -> PathBuf {
        let shipped = in_tree("daemon/instrument/dialects/channel-timebase-waveform.toml");
        let mut text = std::fs::read_to_string(shipped).expect("a shipped file");
        for (from, to) in mistakes {
            assert!(text.contains(from), "`{from}` is not in the file");
            text = text.replacen(from, to, 1);
        }
        let path = self.path("shop.toml");
        std::fs::write(&path, text).expect("a file");
        path
    }

    fn tried(&self, file: &Path, more: &[&str]) -> Output {
        program()
            .args(["dialect", "try"])
            .arg(file)
            .args(["--bench", "second", "--config"])
            .arg(self.path("bench.toml"))
            .args(more)
            .output()
            .expect("the program starts")
    }
}

/// Tries a file, checks the exit code, and gives the rows that differ: the operation, and what to change.
#[track_caller]
fn check(bench: &Bench, mistakes: &[(&str, &str)], code: i32) -> Vec<(String, String)> {
    let output = bench.tried(&bench.file(mistakes), &["--json"]);
    let text = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(code), "{text}\n{}", String::from_utf8_lossy(&output.stderr));
    let told: serde_json::Value = serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error}: {text}"));
    assert_eq!(told["good"], serde_json::Value::Bool(code == 0));
    let rows = told["trial"]["rows"].as_array().expect("rows");
    assert!(rows.len() > 30, "only {} rows", rows.len());
    let differ = rows.iter().filter(|row| row["outcome"] == "differs");
    let word = |row: &serde_json::Value, key: &str| row[key].as_str().unwrap_or_default().to_owned();
    differ.map(|row| (word(row, "operation"), word(row, "advice"))).collect()
}

#[test]
fn a_right_file_has_nothing_to_change_and_the_report_is_kept() {
    let bench = Bench::new();
    assert_eq!(check(&bench, &[], 0), []);
    let kept = bench.path("kept");
    let output = bench.tried(Path::new("channel-timebase-waveform"), &["--keep", &kept.display().to_string()]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stdout));
    let said = String::from_utf8_lossy(&output.stdout);
    let text = std::fs::read_to_string(kept.join("channel-timebase-waveform-second.txt")).expect("a report");
    assert_eq!(said.trim_end(), text.trim_end());
    let json = std::fs::read_to_string(kept.join("channel-timebase-waveform-second.json")).expect("a report");
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(json["instrument"].as_str().map(|who| who.starts_with("Simulated Instruments,")), Some(true));
}

#[test]
fn a_report_that_cannot_be_kept_is_shown_all_the_same() {
    let bench = Bench::new();
    std::fs::write(bench.path("file"), "no folder").expect("a file");
    let keep = bench.path("file").join("kept").display().to_string();
    let output = bench.tried(Path::new("channel-timebase-waveform"), &["--keep", &keep, "--json"]);
    assert_eq!(output.status.code(), Some(20));
    let said: serde_json::Value = serde_json::from_slice(&output.stdout).expect("the report");
    assert_eq!(said["good"], true);
    let error = String::from_utf8_lossy(&output.stderr);
    assert!(error.contains("writing the report") && error.contains(&keep), "{error}");
}

#[test]
fn a_wrong_word_of_slope_and_a_wrong_level_are_found() {
    let bench = Bench::new();
    let slope = check(&bench, &[("[commands]", "[words]\nslope-falling = \"FALLing\"\n\n[commands]")], 14);
    assert!(slope.iter().any(|(what, change)| what == "trigger-edge" && change.contains("[words]")), "{slope:?}");
    let level = check(&bench, &[(":TRIGger:EDGE:LEVel {level-v}", ":TRIGger:EDGE:LEVel 0")], 14);
    assert!(level.iter().any(|(_, change)| change.contains("commands.trigger-edge")), "{level:?}");
}

#[test]
fn what_cannot_be_tried_says_why() {
    let bench = Bench::new();
    let output = bench.tried(&bench.path("no-such.toml"), &[]);
    assert_eq!(output.status.code(), Some(20));
    assert!(String::from_utf8_lossy(&output.stderr).contains("no-such.toml"));
    let nobody = std::fs::read_to_string(bench.path("bench.toml")).expect("the configuration");
    let gone = std::net::TcpListener::bind("127.0.0.1:0").and_then(|port| port.local_addr()).expect("a free port");
    let line = nobody.lines().find(|line| line.starts_with("address")).expect("an address").to_owned();
    std::fs::write(bench.path("bench.toml"), nobody.replace(&line, &format!("address = \"tcp://{gone}\"")))
        .expect("a file");
    let output = bench.tried(Path::new("channel-timebase-waveform"), &[]);
    assert_eq!(output.status.code(), Some(20));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains(&gone.to_string()), "{said}");
}
