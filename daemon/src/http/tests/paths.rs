//! The paths, by hand and by the client.

use super::*;
use crate::http::ClientError;
use crate::records::{JobEvent, JobOpened, RunFilter, RunOpened, ScrapTapeRan};
use tapewright_formats::TapeKind;

fn refused<T: core::fmt::Debug>(result: Result<T, ClientError>) -> (u16, String) {
    match result {
        Err(ClientError::Refused { status, body, .. }) => (status, format!("{} | {}", body.error, body.hint)),
        other => panic!("{other:?}"),
    }
}

#[test]
fn what_is_wrong_with_a_request_is_said() {
    let server = start();
    let json = "Content-Type: application/json\r\n";
    let run = "POST /v1/benches/bench-1/runs";
    for (line, headers, body, status, text) in [
        ("GET /v2/benches", "", "", 404, "there is nothing at `/v2/benches`"),
        ("GET /", "", "", 404, "there is nothing at `/`"),
        ("DELETE /v1/benches", "", "", 405, "`/v1/benches` does not know DELETE"),
        ("GET /v1/benches/bench-1/stop", "", "", 405, "does not know GET"),
        (run, "", "{}", 415, "the body is said to be ``"),
        (run, "Content-Type: text/plain\r\n", "{}", 415, "the body is said to be `text/plain`"),
        (run, json, "{", 400, "the body is not what is wanted here: EOF"),
        (run, json, "", 400, "the body is not what is wanted here: EOF"),
        ("POST /v1/benches/bench-1/prompts/1-x/answer", json, "{\"txt\": 1}", 400, "unknown field `txt`"),
        ("GET /v1/benches/bench-2/prompts", "", "", 404, "no bench `bench-2`"),
        ("GET /v1/benches/bench-1/events?after=-1", "", "", 400, "invalid digit"),
        ("GET /v1/benches/bench-1/events?wait_s=-1", "", "", 400, "`-1` is no time to wait"),
        ("GET /v1/benches/bench-1/events?wait_s=NaN", "", "", 400, "is no time to wait"),
        ("GET /v1/runs?colour=red", "", "", 400, "unknown field `colour`"),
        ("GET /v1/runs/..%2f..%2flock", "", "", 400, "is not a name of a run"),
        ("GET /v1/runs/r-none", "", "", 404, "no run `r-none` in data folder"),
        ("GET /v1/jobs/j-none", "", "", 404, "no job `j-none` in data folder"),
        ("GET /v1/runs/%ff", "", "", 400, "UTF-8"),
        ("POST /v1/runs/r-none/rejudge", json, "{}", 404, "no run `r-none` in data folder"),
        ("POST /v1/runs/r-none/rejudge", json, "{\"from\": -1}", 400, "expected u32"),
    ] {
        let (found, body) = server.ask(line, headers, body);
        assert_eq!(found, status, "{line}: {body}");
        assert!(body["error"].as_str().unwrap_or_default().contains(text), "{line}: {body}");
        assert!(body["hint"].as_str().is_some_and(|hint| !hint.is_empty()), "{line}: {body}");
    }
}

#[test]
fn a_long_body_is_refused_and_a_just_fitting_one_is_not() {
    let server = start();
    let ask = |length: usize| {
        let body = format!("{{\"sequence\":\"{}\"}}", "x".repeat(length - 15));
        assert_eq!(body.len(), length);
        server.ask("POST /v1/benches/bench-1/runs", "Content-Type: application/json\r\n", &body)
    };
    assert_eq!(ask(64 << 10).0, 201);
    let (status, body) = ask((64 << 10) + 1);
    assert_eq!((status, &body["error"]), (413, &json!("the body is longer than 65536 bytes")));
    // One that does not say how long it is is measured.
    let (address, token, chunk) = (server.address, server.token(), "x".repeat(60_000));
    let (status, _) = server.raw(&format!(
        "POST /v1/benches/bench-1/runs HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\
         Content-Type: application/json\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n\
         EA60\r\n{chunk}\r\nEA60\r\n{chunk}\r\n0\r\n\r\n"
    ));
    assert_eq!(status, 413);
    assert_eq!(server.bench.done.lock().expect("nobody panicked").len(), 1, "only the fitting one was done");
}

#[test]
fn the_client_does_all_that_there_is() {
    let mut server = start();
    let client = server.client();
    assert_eq!(client.benches().expect("it answers"), [json!({"bench": "bench-1"})]);
    assert_eq!(client.procedures().expect("it answers"), [json!({"name": "control-track"})]);
    let run = client.start_run("bench-1", &json!({"sequence": "first-look"})).expect("it starts");
    client.stop("bench-1").expect("it stops");
    client.cancel(&run).expect("it cancels");
    let done = ["run \"first-look\"".to_owned(), "stop".into(), format!("cancel {run}")];
    assert_eq!(*server.bench.done.lock().expect("nobody panicked"), done);
    server.bench.gate.add_permits(1);
    assert_eq!(client.readings("bench-1").expect("it answers"), json!([]));

    let opened =
        JobOpened { machine: "VC-07".into(), format: "vhs-525-sp".into(), symptom: "no picture & no sound".into() };
    let job = client.start_job(&opened).expect("it starts");
    assert_eq!(job.opened, opened);
    let ran = JobEvent::ScrapTapeRan(ScrapTapeRan { safely: true, by: "command line".into(), run: None });
    assert!(client.job(&job.id).expect("it is there").alignment_tape().is_err());
    assert!(client.add_to_job(&job.id, &ran).expect("it adds").alignment_tape().is_ok());
    assert_eq!(client.jobs().expect("they are there"), [client.job(&job.id).expect("it is there")]);

    let data = server.bench.data.clone();
    let opened = RunOpened {
        job: Some(job.id),
        bench: "bench-1".into(),
        machine: "VC-07 & co".into(),
        format: "vhs-525-sp".into(),
        tape: TapeKind::Own,
        sequence: "first-look".into(),
        subject: json!({}),
        hookup: json!([]),
        instrument: json!({}),
        settings: json!({}),
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let kept = runtime.block_on(data.start_run(opened)).expect("it starts").run().clone();
    let filter = |machine: &str| RunFilter { machine: Some(machine.into()), limit: Some(5), ..RunFilter::default() };
    let found = client.runs(&filter("VC-07 & co")).expect("it answers");
    assert_eq!(found.iter().map(|row| row.id.as_str()).collect::<Vec<_>>(), [kept.as_str()]);
    assert_eq!(client.runs(&filter("VC-07")).expect("it answers"), []);
    assert_eq!(client.run(&kept).expect("it answers"), json!({"lines": 1}));

    let (status, text) = refused(client.start_run("bench/2", &json!({})));
    assert_eq!((status, text.as_str()), (404, "no bench `bench/2` | list them with GET /v1/benches"));
    server.end();
    let gone = client.benches().expect_err("nobody is there").to_string();
    assert!(gone.contains("cannot ask the daemon at 127.0.0.1:") && gone.contains("tapewright serve"), "{gone}");
}

#[test]
fn two_clients_answer_one_prompt_and_the_first_wins() {
    use crate::bench::prompts::{Action, Question};
    let server = start();
    for _ in 0..20 {
        let question = Question {
            name: "probe-proof".into(),
            text: "Is the probe on the test point?".into(),
            action: Action::Answer,
            choices: vec!["yes".into(), "no".into()],
            deadline_s: 60.0,
        };
        let (prompt, reply) = server.bench.prompts.ask(question).expect("there is room");
        let listed = server.client().prompts("bench-1").expect("it answers");
        assert_eq!(listed.len(), 1);
        assert_eq!(listed[0]["id"], prompt.id);
        let (status, text) = refused(server.client().answer("bench-1", &prompt.id, &answered("maybe")));
        assert_eq!(status, 409, "{text}");

        let start = std::sync::Barrier::new(2);
        let results = std::thread::scope(|scope| {
            let threads = ["yes", "no"].map(|word| {
                let (client, start, id) = (server.client(), &start, &prompt.id);
                scope.spawn(move || {
                    start.wait();
                    (word, client.answer("bench-1", id, &answered(word)))
                })
            });
            threads.map(|thread| thread.join().expect("it ran"))
        });
        let won = reply.blocking_recv().expect("it is answered");
        for (word, result) in results {
            match result {
                Ok(()) => assert_eq!(word, won),
                late => {
                    assert_ne!(word, won);
                    let (status, text) = refused(late);
                    assert!(status == 409 && text.contains("is not open"), "{status} {text}");
                }
            }
        }
        assert_eq!(server.client().prompts("bench-1").expect("it answers"), Vec::<Value>::new());
    }
}

fn answered(text: &str) -> Answered {
    Answered { text: text.into(), by: "test".into() }
}
