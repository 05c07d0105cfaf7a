//! Who may ask.

use super::*;

/// Checks the status, and that text and hint say what they should.
fn check((status, body): (u16, Value), expected: u16, text: &str, hint: &str) {
    let said = |key: &str| body[key].as_str().unwrap_or_default().to_owned();
    assert_eq!(status, expected, "{body}");
    assert!(said("error").contains(text) && said("hint").contains(hint), "{body}");
}

#[test]
fn no_token_a_wrong_one_and_the_right_one() {
    let server = start();
    let (address, token) = (server.address, server.token());
    let ask = |headers: &str| {
        server.raw(&format!("GET /v1/benches HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n{headers}\r\n"))
    };
    let hint = "content of the token file";
    check(ask(""), 401, "no token was given", hint);
    let almost = format!("{}{}", &token[..63], if token.ends_with('0') { '1' } else { '0' });
    for wrong in ["Bearer", "Bearer ", "Basic eDp5", &format!("Bearer {almost}"), &format!("Bearer {token}0"), &token] {
        check(ask(&format!("Authorization: {wrong}\r\n")), 401, "the token is not this daemon's", hint);
    }
    let twice = format!("Authorization: Bearer {token}\r\n").repeat(2);
    check(ask(&twice), 400, "`authorization` is given more than once", "send it once");
    assert_eq!(ask(&format!("Authorization: Bearer {token}\r\n")), (200, json!([{"bench": "bench-1"}])));
    // Also what is not there is told only to who may ask.
    let nowhere = server.raw(&format!("GET /nowhere HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"));
    check(nowhere, 401, "no token was given", hint);
}

#[test]
fn a_foreign_host_is_refused() {
    let server = start();
    let (address, port, token) = (server.address, server.address.port(), server.token());
    let ask = |line: &str, hosts: &str| {
        server.raw(&format!("{line} HTTP/1.1\r\n{hosts}Authorization: Bearer {token}\r\nConnection: close\r\n\r\n"))
    };
    let here = "GET /v1/benches";
    for own in [format!("localhost:{port}"), format!("127.0.0.1:{port}"), format!("[::1]:{port}")] {
        assert_eq!(ask(here, &format!("Host: {own}\r\n")).0, 200, "{own}");
    }
    for foreign in ["evil.test", &format!("evil.test:{port}"), "127.0.0.1", &format!("127.0.0.1:{}", port ^ 1)] {
        check(ask(here, &format!("Host: {foreign}\r\n")), 403, "this is not that host", &format!("localhost:{port}"));
    }
    check(ask(here, ""), 403, "no `Host` was given", "ask it as");
    check(ask(here, &format!("Host: {address}\r\nHost: evil.test\r\n")), 400, "more than once", "send it once");
    let elsewhere = format!("GET http://evil.test:{port}/v1/benches");
    check(ask(&elsewhere, &format!("Host: {address}\r\n")), 403, "the address asked for is at", "ask it as");
}

#[test]
fn a_foreign_page_is_refused() {
    let server = start();
    let port = server.address.port();
    let ask = |origin: &str| server.ask("GET /v1/benches", &format!("Origin: {origin}\r\n"), "");
    for own in [format!("http://localhost:{port}"), format!("http://127.0.0.1:{port}")] {
        assert_eq!(ask(&own).0, 200, "{own}");
    }
    for foreign in
        ["http://evil.test", "null", &format!("https://localhost:{port}"), &format!("http://localhost:{}", port ^ 1)]
    {
        check(ask(foreign), 403, "may not use this daemon", "use the command line");
    }
}

#[test]
fn beyond_loopback_only_when_asked_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let server = start();
    let api: Arc<dyn Api> = Arc::clone(&server.bench) as _;
    let mut options = ServeOptions {
        address: "0.0.0.0:0".parse().expect("an address"),
        token_file: folder.path().join("token"),
        beyond_loopback: false,
        names: Vec::new(),
    };
    let refused = runtime.block_on(Server::bind(&options, Arc::clone(&api))).err().expect("it is refused").to_string();
    assert_eq!(
        refused,
        "0.0.0.0:0 can be reached from other computers: listen on 127.0.0.1, or set `beyond-loopback = true` in the configuration"
    );
    assert!(!options.token_file.exists(), "nothing was begun");
    options.beyond_loopback = true;
    assert!(runtime.block_on(Server::bind(&options, Arc::clone(&api))).is_ok());

    options.address = server.address;
    let taken = runtime.block_on(Server::bind(&options, api)).err().expect("it is taken").to_string();
    assert!(taken.contains("another program may have the port"), "{taken}");
}
