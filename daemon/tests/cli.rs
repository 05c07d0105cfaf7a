//! The program as it is started: what it says, and its exit codes.

mod support;

use sim_instrument::scenario::Scenario;
use sim_instrument::serve::serve_tcp;
use std::path::Path;
use support::in_tree;
use support::program::{check_code, err, out, run};
use tapewright_clock::Clock;

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
