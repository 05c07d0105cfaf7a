//! The program as a running daemon, and its command line as that daemon's client: over HTTP and TCP.

mod ends;
#[path = "../support/mod.rs"]
mod support;

use std::io::{BufRead, BufReader, Read, Write};
use std::process::Stdio;
use support::program::{check_code, err, out, program, run, serve, start, write_config};
use tapewright::bench::prompts::OpenPrompt;
use tapewright::live::LiveFrame;
use tapewright::records::{DataFolder, Job};
use tapewright::report::run_report::RunReport;
use tapewright::run::rejudge::Rejudged;
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::Outcome;

/// Some file in a folder or one of its folders.
fn a_file_below(folder: &std::path::Path) -> std::path::PathBuf {
    let mut there = std::fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path());
    let first = there.next().expect("something is in it");
    if first.is_dir() { a_file_below(&first) } else { first }
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

    // The same evidence and the same component: the same verdict, bit for bit.
    let rejudged = run(&["rejudge", &report.run, "--config", &config_text]);
    check_code(&rejudged, 0);
    let said = out(&rejudged);
    assert!(said.contains("signal-presence      PASS, the same again"), "{said}");
    assert!(said.contains("1 of 1 procedures give the same verdict again"), "{said}");
    // Evidence that was changed proves nothing, and it says which.
    let capture = a_file_below(&folder.path().join("records/captures"));
    let kept = std::fs::read(&capture).expect("a capture");
    let mut other = kept.clone();
    other[kept.len() / 2] ^= 1;
    std::fs::write(&capture, other).expect("it is changed");
    let rejudged = run(&["rejudge", &report.run, "--config", &config_text]);
    check_code(&rejudged, 14);
    let (said, name) = (out(&rejudged), capture.file_name().expect("a name").to_string_lossy().into_owned());
    assert!(said.contains("was PASS, and cannot be judged again:") && said.contains(&name[..32]), "{said}");
    std::fs::write(&capture, kept).expect("it is put back");
    let as_json = run(&["rejudge", &report.run, "--json", "--config", &config_text]);
    check_code(&as_json, 0);
    let all: Vec<Rejudged> = serde_json::from_str(&out(&as_json)).expect("JSON");
    assert_eq!((all[0].again, all[0].differences.len()), (Some(Outcome::Pass), 0));

    let misspelt = run(&["runs", "--verdict", "banana", "--config", &config_text]);
    check_code(&misspelt, 2);
    assert!(err(&misspelt).contains("inconclusive") && !err(&misspelt).contains("500"), "{}", err(&misspelt));

    // Nor does a journal that was changed: no part of it is shown as if it were the run.
    let journal = folder.path().join(format!("records/runs/{}.journal", report.run));
    let kept = std::fs::read(&journal).expect("a journal");
    let mut other = kept.clone();
    other[kept.len() / 2] ^= 1;
    std::fs::write(&journal, other).expect("it is changed");
    let shown = run(&["show", &report.run, "--config", &config_text]);
    check_code(&shown, 20);
    assert!(err(&shown).contains("is broken at line") && out(&shown).is_empty(), "{}{}", out(&shown), err(&shown));
    let listed = run(&["runs", "--config", &config_text]);
    check_code(&listed, 0);
    assert!(out(&listed).contains("JOURNAL DAMAGED") && !out(&listed).contains("pass"), "{}", out(&listed));
    std::fs::write(&journal, kept).expect("it is put back");

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
    let rejudged = run(&["rejudge", &report.run, "--config", &config_text]);
    check_code(&rejudged, 14);
    assert!(out(&rejudged).contains("it was cancelled"), "{}", out(&rejudged));

    let unknown = run_it("no-such-sequence").output().expect("the program starts");
    check_code(&unknown, 2);
    assert!(err(&unknown).contains("no-such-sequence"), "{}", err(&unknown));
}

#[test]
fn a_run_whose_verdict_cannot_be_kept_ends_for_whoever_waits() {
    let served = serve(&support::vc_07());
    served.sim.command(served.clock.now(), "tape council-1991").expect("a tape goes in");
    let folder = tempfile::tempdir().expect("a folder");
    let config = write_config(folder.path(), &served);
    let _daemon = start(&config);
    let mut command = program();
    command.args(["run", "first-look", "--bench", "first", "--machine", "VC-07", "--format", "vhs-525-sp"]);
    command.args(["--tape", "other", "--acknowledge", "--config", &config.display().to_string()]);
    let mut running = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
    let mut said = BufReader::new(running.stderr.take().expect("a pipe"));
    // Captures that are gone cannot be brought to the disk, and without them no verdict is kept.
    let captures = folder.path().join("records/captures");
    loop {
        let mut line = String::new();
        assert!(said.read_line(&mut line).expect("text") > 0, "the run ended before it captured anything");
        if std::fs::read_dir(&captures).expect("a folder").next().is_some() {
            break;
        }
    }
    std::fs::rename(&captures, folder.path().join("gone")).expect("it is moved");
    let mut rest = String::new();
    said.read_to_string(&mut rest).expect("text");
    let ended = running.wait_with_output().expect("it ends");
    assert_eq!(ended.status.code(), Some(20), "{rest}");
    assert!(rest.contains("ended without a verdict") && rest.contains("then run again"), "{rest}");
}

#[test]
fn a_prompt_is_answered_from_another_terminal() {
    let served = serve(&support::vc_07());
    let folder = tempfile::tempdir().expect("a folder");
    let config = write_config(folder.path(), &served).display().to_string();
    let _daemon = start(config.as_ref());
    let tell = |arguments: &[&str]| run(&[arguments, &["--config", &config]].concat());
    let nothing = tell(&["prompts", "first"]);
    check_code(&nothing, 0);
    assert!(out(&nothing).is_empty() && err(&nothing).contains("asks nothing"), "{}", err(&nothing));

    let mut command = program();
    command.args(["run", "signal-presence", "--bench", "first", "--machine", "VC-07", "--format", "vhs-525-sp"]);
    command.args(["--tape", "other", "--config", &config]);
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut running = command.spawn().expect("it starts");
    let mut said = BufReader::new(running.stderr.take().expect("a pipe")).lines();
    // Where nobody sits, it says how to answer.
    let how = said.find_map(|line| line.expect("text").split_once("answer with `").map(|(_, how)| how.to_owned()));
    let how = how.expect("it asks");
    let listed = tell(&["prompts", "first", "--json"]);
    check_code(&listed, 0);
    let listed: Vec<OpenPrompt> = serde_json::from_str(&out(&listed)).expect("JSON");
    let id = listed[0].id.as_str();
    assert!(how.starts_with(&format!("tapewright answer first {id} ")), "{how}");
    let text = out(&tell(&["prompts", "first"]));
    assert!(text.contains(listed[0].question.text.lines().next().expect("a text")) && text.contains(id), "{text}");

    for (prompt, answer, code, because) in
        [(id, "maybe", 2, "answer one of: yes, no"), ("9-nothing", "no", 20, "tapewright prompts")]
    {
        let refused = tell(&["answer", "first", prompt, answer]);
        check_code(&refused, code);
        assert!(err(&refused).contains(because), "{}", err(&refused));
    }
    let taken = tell(&["answer", "first", id, "no"]);
    check_code(&taken, 0);
    assert!(out(&taken).contains("was answered with `no`"), "{}", out(&taken));
    said.for_each(|line| drop(line.expect("text")));
    let ended = running.wait_with_output().expect("it ends");
    check_code(&ended, 13);
    assert!(out(&ended).contains("cautions were not acknowledged"), "{}", out(&ended));
    // The first answer counts.
    let late = tell(&["answer", "first", id, "yes"]);
    check_code(&late, 20);
    assert!(err(&late).contains("is not open"), "{}", err(&late));
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
    check_code(&refused, 2);
    assert!(err(&refused).contains("give the format"), "{}", err(&refused));
    let known = ["--format", "vhs-525-sp", "--tape", "other"];
    let unread = live(&known).wait_with_output().expect("it ends");
    check_code(&unread, 2);
    assert!(err(&unread).contains("not acknowledged"), "{}", err(&unread));
    let alignment = live(&["--format", "vhs-525-sp", "--tape", "alignment", "--acknowledge"]);
    let alignment = alignment.wait_with_output().expect("it ends");
    check_code(&alignment, 20);
    assert!(err(&alignment).contains("scrap tape"), "{}", err(&alignment));
    // A job is of one machine and format, live as in a run.
    let opened = run(&[
        "job",
        "open",
        "--machine",
        "VC-07",
        "--format",
        "vhs-525-sp",
        "--symptom",
        "bands of snow",
        "--json",
        "--config",
        &config_text,
    ]);
    let opened: serde_json::Value = serde_json::from_str(&out(&opened)).expect("JSON");
    let job = opened["job"]["id"].as_str().expect("a name");
    for (more, because) in [
        (&["--job", "j20000101-000000-001", "--machine", "VC-07"][..], "there is no job"),
        (&["--job", job], "give the machine"),
        (&["--job", job, "--machine", "CM-02"], "of the machine `CM-02`"),
        (&["--job", job, "--machine", "VC-07", "--format", "vhs-525-lp"], "of the format `vhs-525-lp`"),
    ] {
        let known = if more.contains(&"--format") { &known[2..] } else { &known[..] };
        let refused = live(&[known, more, &["--acknowledge"]].concat()).wait_with_output().expect("it ends");
        check_code(&refused, 2);
        assert!(err(&refused).contains(because), "{more:?}: {}", err(&refused));
    }
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

#[test]
fn a_job_from_the_command_line() {
    let served = serve(&support::vc_07());
    let folder = tempfile::tempdir().expect("a folder");
    let config = write_config(folder.path(), &served).display().to_string();
    let _daemon = start(config.as_ref());
    let job = |arguments: &[&str]| run(&[&["job"], arguments, &["--config", &config]].concat());

    let opened = job(&["open", "--machine", "VC-07", "--format", "vhs-525-sp", "--symptom", "bands of snow", "--json"]);
    check_code(&opened, 0);
    let opened: serde_json::Value = serde_json::from_str(&out(&opened)).expect("JSON");
    let opened: Job = serde_json::from_value(opened["job"].clone()).expect("a job");
    let name = opened.id.to_string();

    // Nobody said anything of a scrap tape: no alignment tape, and nothing moves.
    let refused = |because: &str| {
        let mut command = program();
        command.args(["run", "alignment", "--bench", "first", "--machine", "VC-07", "--format", "vhs-525-sp"]);
        command.args(["--tape", "alignment", "--acknowledge", "--json", "--config", &config, "--job", &name]);
        let output = command.output().expect("the program starts");
        check_code(&output, 13);
        let report: RunReport = serde_json::from_str(&out(&output)).expect("one JSON object");
        assert!(report.conclusion.contains(because), "{}", report.conclusion);
    };
    refused("play a scrap tape");
    check_code(&job(&["scrap-tape", &name, "--came-out", "harmed"]), 0);
    refused("was harmed");
    assert_eq!(served.sim.key_presses().iter().skip(1).sum::<u64>(), 0, "nothing moved");

    check_code(&job(&["note", &name, "the exit guide is scratched"]), 0);
    let shown = job(&["show", &name]);
    check_code(&shown, 0);
    for part in ["VC-07", "bands of snow", "was harmed", "the exit guide is scratched"] {
        assert!(out(&shown).contains(part), "`{part}` is missing\n{}", out(&shown));
    }
    check_code(&job(&["close", &name, "--conclusion", "guide changed"]), 0);
    assert!(out(&job(&["list"])).contains("left") && out(&job(&["list", "--open"])).is_empty());
    let late = job(&["note", &name, "one more word"]);
    check_code(&late, 20);
    assert!(err(&late).contains(&format!("job {name} is closed")), "{}", err(&late));
    check_code(&job(&["show", "j-none"]), 2);
}

#[test]
fn what_was_found_at_the_start_is_said_in_a_sentence() {
    let folder = tempfile::tempdir().expect("a folder");
    let config = write_config(folder.path(), &serve(&support::vc_07()));
    support::block_on(async {
        let clock = Clock::virtual_from(WallTime(1_700_000_000_000));
        let data = DataFolder::open(&folder.path().join("records"), clock).await.expect("records");
        let opened = serde_json::json!({
            "bench": "first", "machine": "VC-07", "format": "vhs-525-sp", "tape": "other", "sequence": "first-look",
        });
        data.start_run(serde_json::from_value(opened).expect("a run")).await.expect("it begins");
        data.close().await.expect("it closes");
    });
    // Nobody listens at its bench any more: the daemon ends after it said what it found.
    let ended = run(&["serve", "--config", &config.display().to_string()]);
    check_code(&ended, 20);
    let said = err(&ended);
    assert!(said.contains("had no end and is marked interrupted") && !said.contains("RunId"), "{said}");
}

#[test]
fn a_bench_that_does_not_answer_leaves_the_others_usable() {
    let served = serve(&support::vc_07());
    served.sim.command(served.clock.now(), "tape council-1991").expect("a tape goes in");
    let folder = tempfile::tempdir().expect("a folder");
    let config = write_config(folder.path(), &served);
    let config_text = config.display().to_string();
    let second = format!(
        "[[bench]]\nname = \"second\"\n[bench.scope]\naddress = \"tcp://127.0.0.1:{}\"\ndialect = \"scpi-99\"\n\
         [[bench.hookup.point]]\nsignal = \"rf\"\nchannel = \"1\"\nprobe-factor = 1.0\nexpected-v = 0.4\n",
        support::program::free_port()
    );
    let first = std::fs::read_to_string(&config).expect("it reads");
    std::fs::write(&config, format!("{first}{second}")).expect("it writes");
    let _daemon = start(&config);
    let run_on = |bench: &str| {
        let mut command = program();
        command.args(["run", "signal-presence", "--bench", bench, "--machine", "VC-07", "--format", "vhs-525-sp"]);
        command.args(["--tape", "other", "--acknowledge", "--config", &config_text]);
        command.output().expect("the program starts")
    };
    check_code(&run_on("first"), 0);
    let refused = run_on("second");
    check_code(&refused, 20);
    assert!(err(&refused).contains("bench `second` was not reachable"), "{}", err(&refused));
}
