//! The daemon's HiSLIP client against the simulator's HiSLIP server, two independent readings of the
//! standard, over real TCP: sessions that time out, are interrupted and are cleared.

mod support;

use core::time::Duration;
use sim_instrument::SimPort;
use sim_instrument::serve::{HislipServer, serve_hislip};
use support::{Rig, block_on, scenario};
use tapewright_clock::Clock;
use tapewright_instrument::link::{self, Link};
use tapewright_instrument::scpi::{Message, Profile, Session, SessionError};

struct Setting {
    rig: Rig,
    server: HislipServer,
    port: SimPort,
    clock: Clock,
}

impl Setting {
    async fn new(front_end: &str) -> Self {
        let rig = Rig::new(&scenario(front_end, "", 7, ""));
        let clock = Clock::real();
        let ports = rig.sim.clone();
        let any = "127.0.0.1:0".parse().expect("an address");
        let server = serve_hislip(move || ports.scope_port(), any, clock.clone()).await.expect("a port");
        let port = rig.sim.scope_port();
        Self { rig, server, port, clock }
    }

    async fn link(&self) -> Box<dyn Link> {
        let address = format!("hislip://{}/hislip0", self.server.address()).parse().expect("an address");
        link::connect(&address, &self.clock).await.expect("it opens")
    }

    async fn session(&self) -> Session {
        let profile = Profile { first_byte: Duration::from_millis(250), ..Profile::default() };
        Session::new(self.link().await, self.clock.clone(), profile)
    }
}

fn message(header: &str) -> Message {
    Message::new(header).expect("a header")
}

#[test]
fn a_late_reply_is_cleared_and_never_anothers() {
    block_on(async {
        let setting = Setting::new("family-a").await;
        let mut session = setting.session().await;
        session.identify().await.expect("it answers");
        let (resyncs, reopened) = (session.resyncs(), session.reopened());
        for n in 1..=5_u32 {
            // One reply comes later than the session waits.
            setting.port.set_faults(|faults| {
                faults.late = 1.0;
                faults.late_s = 0.4 + 0.1 * f64::from(n);
                faults.replies_left = Some(1);
            });
            let error = session.query(&message("*ESE?")).await.expect_err("it is late");
            assert!(matches!(error, SessionError::NoReply { .. }), "{error}");
            let set = message("*SRE").integer(i64::from(n)).and(&message("*SRE?"));
            assert_eq!(session.query(&set).await.expect("it answers"), n.to_string());
        }
        assert_eq!(session.resyncs(), resyncs + 5, "each found its place by one clear");
        assert_eq!(session.reopened(), reopened, "the connection stayed");
        session.fresh().await.expect("in step");
        session.confirm().await.expect("in step");
    });
}

#[test]
fn a_second_question_before_the_first_was_read_is_an_interruption() {
    block_on(async {
        let setting = Setting::new("scpi-99").await;
        let mut link = setting.link().await;
        let soon = || setting.clock.now() + Duration::from_secs(10);
        link.send(b"*IDN?\n", soon()).await.expect("sent");
        // The status byte says when the reply is there, and it stays unread.
        while link.status_byte(soon()).await.expect("it answers").is_some_and(|status| status & 16 == 0) {}
        link.send(b"*ESE 33;*ESE?\n", soon()).await.expect("sent");
        assert_eq!(link.receive(soon()).await.expect("a reply"), b"33\n");
        link.send(b":SYST:ERR?\n", soon()).await.expect("sent");
        assert_eq!(link.receive(soon()).await.expect("a reply"), b"-410,\"Query INTERRUPTED\"\n");
    });
}

#[test]
fn an_end_of_the_connection_is_an_error_and_the_next_one_works() {
    block_on(async {
        let setting = Setting::new("family-a").await;
        let mut session = setting.session().await;
        session.identify().await.expect("it answers");
        setting.rig.sim.command(setting.clock.now(), "link closed").expect("it is understood");
        session.query(&message("*ESE?")).await.expect_err("it is closed");
        setting.rig.sim.command(setting.clock.now(), "link clear").expect("it is understood");
        let identity = session.identify().await.expect("it answers again");
        assert_eq!(identity.maker, "Simulated Instruments");
        assert!(session.reopened() > 0);
    });
}
