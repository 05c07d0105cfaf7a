//! How the daemon, a run and its client end: by signals, by errors, by a key, and by a daemon that dies.

use crate::support;
use crate::support::program::{Served, check_code, err, out, program, run, serve, signal, start, write_config};
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, ChildStderr, Stdio};
use tapewright::bench::prompts::OpenPrompt;
use tapewright::records::DataFolder;
use tapewright::report::run_report::RunReport;
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::Outcome;

/// A bench with a tape in, its configuration, and the folder that holds both.
fn a_bench() -> (Served, tempfile::TempDir, String) {
    let served = serve(&support::vc_07());
    served.sim.command(served.clock.now(), "tape council-1991").expect("a tape goes in");
    let folder = tempfile::tempdir().expect("a folder");
    let config = write_config(folder.path(), &served).display().to_string();
    (served, folder, config)
}

/// `run signal-presence` as a child, and what it says.
fn a_run(config: &str, more: &[&str], stdin: Stdio) -> (Child, BufReader<ChildStderr>) {
    let mut command = program();
    command.args(["run", "signal-presence", "--bench", "first", "--machine", "VC-07", "--format", "vhs-525-sp"]);
    command.args(["--tape", "other", "--config", config]).args(more);
    let mut running = command.stdin(stdin).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
    let said = BufReader::new(running.stderr.take().expect("a pipe"));
    (running, said)
}

/// Reads until a line with some words; returns all that was read.
fn until(said: &mut impl BufRead, words: &str) -> String {
    let mut all = String::new();
    loop {
        let mut line = String::new();
        assert!(said.read_line(&mut line).expect("text") > 0, "`{words}` was not said: {all}");
        all.push_str(&line);
        if line.contains(words) {
            return all;
        }
    }
}

/// How often the stop key was pressed.
fn stops(served: &Served) -> u64 {
    served.sim.key_presses()[0]
}

/// The name of a run from what its client says first.
fn name_of(said: &str) -> &str {
    said.lines().find_map(|line| line.strip_prefix("run ")).expect("it says its name")
}

#[cfg(unix)]
fn check_ends_by(name: &str) {
    let (served, folder, config) = a_bench();
    let mut daemon = start(config.as_ref());
    let (mut running, mut said) = a_run(&config, &["--acknowledge"], Stdio::null());
    let first = until(&mut said, "going to play");
    let before = stops(&served);
    signal(name, daemon.process());
    assert_eq!(daemon.ended(), Some(0), "{name}");
    assert!(stops(&served) > before, "{name}: the stop key was pressed");
    drop(said);
    drop(running.wait());
    support::block_on(async {
        let clock = Clock::virtual_from(WallTime(1_700_000_000_000));
        let data = DataFolder::open(&folder.path().join("records"), clock).await.expect("records");
        assert_eq!(data.recovered(), [], "{name}: the journal of {} was closed", name_of(&first));
    });
}

#[cfg(unix)]
#[test]
fn whatever_ends_the_daemon_stops_the_transport() {
    // Under `nohup` a closed terminal ends nothing.
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:")).unwrap_or("0").trim();
    let ignored = u64::from_str_radix(mask, 16).is_ok_and(|mask| mask & 1 == 1);
    for name in ["INT", "TERM", "HUP"].into_iter().filter(|name| *name != "HUP" || !ignored) {
        check_ends_by(name);
    }
}

#[test]
fn a_daemon_that_cannot_serve_leaves_the_machine_alone() {
    let (served, _folder, config) = a_bench();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let text = std::fs::read_to_string(&config).expect("it reads");
    let listen = text.lines().find(|line| line.starts_with("listen")).expect("a line").to_owned();
    for (address, because) in [
        (taken.local_addr().expect("an address").to_string(), "cannot listen on"),
        ("0.0.0.0:0".into(), "beyond-loopback"),
    ] {
        std::fs::write(&config, text.replace(&listen, &format!("listen = \"{address}\""))).expect("it writes");
        let refused = run(&["serve", "--config", &config]);
        check_code(&refused, 20);
        assert!(err(&refused).contains(because), "{}", err(&refused));
    }
    assert_eq!(served.sim.key_presses().iter().sum::<u64>(), 0, "no key was touched, not even stop");
}

#[test]
fn one_bad_entry_in_the_records_keeps_no_daemon_from_starting() {
    let (served, folder, config) = a_bench();
    std::fs::create_dir_all(folder.path().join("records")).expect("a folder");
    drop(start(config.as_ref()));
    std::fs::create_dir(folder.path().join("records/runs/dir.journal")).expect("a folder");
    let before = stops(&served);
    let _daemon = start(config.as_ref());
    assert!(stops(&served) > before, "it sent stop");
    let listed = run(&["runs", "--config", &config]);
    check_code(&listed, 0);
    let said = out(&listed);
    assert!(said.contains("dir ") && said.contains("JOURNAL DAMAGED"), "{said}");
    check_code(&run(&["show", "dir", "--config", &config]), 20);
}

#[cfg(target_os = "linux")]
#[test]
fn data_that_cannot_be_written_are_an_error() {
    let full = || std::fs::OpenOptions::new().write(true).open("/dev/full").expect("Linux has it");
    for arguments in [&["dialect", "list"][..], &["dialect", "list", "--json"], &["dialect", "show", "scpi-99"]] {
        let output = program().args(arguments).stdout(full()).output().expect("the program starts");
        check_code(&output, 20);
        assert_eq!(err(&output).matches("writing to standard output failed").count(), 1, "{}", err(&output));
        // Whoever reads and has seen enough is no error.
        let (reader, writer) = std::io::pipe().expect("a pipe");
        drop(reader);
        let output = program().args(arguments).stdout(writer).output().expect("the program starts");
        check_code(&output, 0);
    }
}

#[test]
fn a_wrong_command_line_is_no_failure_of_the_tool() {
    let (served, _folder, config) = a_bench();
    let _daemon = start(config.as_ref());
    let to_run = |sequence, bench, format, more: &[&'static str]| {
        let known = ["run", sequence, "--bench", bench, "--machine", "VC-07", "--format", format, "--tape", "other"];
        [&known[..], more].concat()
    };
    for (arguments, because) in [
        (to_run("first-look", "first", "vhs-525-sp", &["--known-level", "nan"]), "the known level is NaN: give volts"),
        (to_run("first-look", "first", "vhs-525-sp", &["--known-level", "inf"]), "the known level is inf: give volts"),
        (
            to_run("first-look", "first", "vhs-525-sp", &["--known-level", "-0.1"]),
            "the known level is -0.1: give volts",
        ),
        (to_run("first-look", "first", "vhs-525-sp", &["--known-level", "-1"]), "the known level is -1: give volts"),
        (to_run("first-look", "first", "vhs", &[]), "there is no format `vhs`"),
        (to_run("first-look", "second", "vhs-525-sp", &[]), "there is no bench `second`"),
        (to_run("last-look", "first", "vhs-525-sp", &[]), "there is no sequence `last-look`"),
        (vec!["runs", "--finding", "banana"], "there is no finding `banana`"),
        (vec!["show", "r-none"], "list the runs with `tapewright runs`"),
        (vec!["job", "show", "j-none"], "list the jobs with `tapewright job list`"),
        (
            vec!["job", "open", "--machine", "A\nB\u{1b}[31m", "--format", "vhs-525-sp", "--symptom", "snow"],
            "write it in one line",
        ),
    ] {
        let refused = run(&[&arguments[..], &["--config", &config]].concat());
        check_code(&refused, 2);
        let said = err(&refused);
        assert!(said.contains(because), "{said}");
        for word in ["/v1", "GET", "(400", "(404", "request", "HTTP"] {
            assert!(!said.contains(word), "`{word}`: {said}");
        }
    }
    assert_eq!(served.sim.key_presses().iter().skip(1).sum::<u64>(), 0, "nothing moved");
}

#[cfg(unix)]
#[test]
fn ctrl_c_ends_the_run_and_reports_it() {
    let (served, _folder, config) = a_bench();
    let _daemon = start(config.as_ref());
    let (running, mut said) = a_run(&config, &["--acknowledge", "--json"], Stdio::null());
    let first = until(&mut said, "going to play");
    let name = name_of(&first).to_owned();
    // While it goes on it is listed so, and shown so; another one is told how to end it.
    let listed = out(&run(&["runs", "--config", &config]));
    assert!(listed.contains(&name) && listed.contains("running"), "{listed}");
    let shown = out(&run(&["show", &name, "--config", &config]));
    assert!(shown.contains("RUNNING") && shown.contains("`tapewright stop first` ends it"), "{shown}");
    let (second, mut refused) = a_run(&config, &[], Stdio::null());
    let busy = until(&mut refused, "`tapewright stop first` cancels a run");
    assert!(busy.contains(&name) && !busy.contains("409"), "{busy}");
    check_code(&second.wait_with_output().expect("it ends"), 20);

    let before = stops(&served);
    signal("INT", running.id());
    until(&mut said, "bench `first` was told to stop");
    std::thread::spawn(move || drop(said.read_to_end(&mut Vec::new())));
    let ended = running.wait_with_output().expect("it ends");
    check_code(&ended, 13);
    let report: RunReport = serde_json::from_str(&out(&ended)).expect("one JSON object");
    assert_eq!((report.verdict, report.run), (Some(Outcome::Unable), name));
    assert!(report.next.contains("run it again from its beginning"), "{}", report.next);
    assert!(stops(&served) > before, "the stop key was pressed");
}

#[test]
fn a_daemon_that_dies_leaves_a_machine_that_may_move() {
    let (_served, _folder, config) = a_bench();
    let mut daemon = start(config.as_ref());
    let (running, mut said) = a_run(&config, &["--acknowledge"], Stdio::null());
    let first = until(&mut said, "going to play");
    daemon.kill();
    let mut rest = String::new();
    said.read_to_string(&mut rest).expect("text");
    check_code(&running.wait_with_output().expect("it ends"), 20);
    for part in [name_of(&first), "may still be moving", "press stop by hand", "`tapewright serve`"] {
        assert!(rest.contains(part), "`{part}`: {rest}");
    }
    let _daemon = start(config.as_ref());
    let listed = out(&run(&["runs", "--config", &config]));
    assert!(listed.contains("interrupted"), "{listed}");
    let shown = out(&run(&["show", name_of(&first), "--config", &config]));
    assert!(shown.contains("INTERRUPTED") && shown.contains("bench `first`, vhs-525-sp"), "{shown}");
}

/// A terminal: the side of whoever types, and the program's.
#[cfg(unix)]
fn terminal() -> (std::fs::File, std::fs::File) {
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    let typing = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a terminal");
    grantpt(&typing).expect("it is ours");
    unlockpt(&typing).expect("it opens");
    let name = ptsname(&typing, Vec::new()).expect("a name").into_string().expect("text");
    let program = std::fs::OpenOptions::new().read(true).write(true).open(name).expect("its other side");
    (std::fs::File::from(typing), program)
}

#[cfg(unix)]
#[test]
fn an_attended_run_is_left_answered_and_stopped_from_its_terminal() {
    let (_served, _folder, config) = a_bench();
    let _daemon = start(config.as_ref());
    // What is done at the first question, how the client ends, and what it says.
    for (typed, code, says) in [
        ("\u{4}", 20, "still waits for its answer"),
        ("maybe\nno\n", 13, "answer one of: yes, no"),
        // Somebody answers elsewhere: nobody need press Enter here.
        ("", 13, "answered: no"),
    ] {
        let (mut typing, side) = terminal();
        let (running, mut said) = a_run(&config, &[], side.into());
        let mut all = until(&mut said, "answer one of");
        typing.write_all(typed.as_bytes()).expect("it is heard");
        if typed.is_empty() {
            let open = run(&["prompts", "first", "--json", "--config", &config]);
            let open: Vec<OpenPrompt> = serde_json::from_str(&out(&open)).expect("JSON");
            check_code(&run(&["answer", "first", &open[0].id, "no", "--config", &config]), 0);
        }
        said.read_to_string(&mut all).expect("text");
        let ended = running.wait_with_output().expect("it ends");
        assert_eq!(ended.status.code(), Some(code), "{typed:?}: {all}");
        assert!(all.contains(says), "{typed:?}: {all}");
        if code == 20 {
            assert!(all.contains(name_of(&all)) && all.contains("`tapewright stop first` ends the run"), "{all}");
            check_code(&run(&["stop", "first", "--config", &config]), 0);
            // The bench is free when the run has ended.
            while out(&run(&["runs", "--config", &config])).contains("running") {}
        }
    }
    // Ctrl-C at a question.
    let (_typing, side) = terminal();
    let (running, mut said) = a_run(&config, &[], side.into());
    until(&mut said, "answer one of");
    signal("INT", running.id());
    std::thread::spawn(move || drop(said.read_to_end(&mut Vec::new())));
    check_code(&running.wait_with_output().expect("it ends"), 13);
}
