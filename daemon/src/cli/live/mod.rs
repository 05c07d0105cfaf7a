//! `tapewright live`: a procedure's live readings, while somebody adjusts.
//!
//! In a terminal a screen that is read from two metres; elsewhere, and with `--plain`, a line a second; with
//! `--json` each frame as a line of JSON. Nothing moves but by a key.

mod big;
mod terminal;
mod view;

use super::client::{AskError, Where, finish};
use super::exit::Exit;
use super::out;
use crate::bench::transport_task::DONE;
use crate::http::{Answered, Client};
use crate::live::{LiveFrame, LiveSpec};
use clap::Args;
use core::time::Duration;
use std::io::{BufRead, IsTerminal};
use std::sync::mpsc::TryRecvError;
use tapewright_clock::{Clock, Instant};
use tapewright_formats::{Mode, TapeKind};
use tapewright_host::Description;
use terminal::Screen;
use view::Around;

/// How long one request waits for the next frame: keys are looked at in between.
const WAIT: Duration = Duration::from_millis(200);

/// In plain lines, how often one is printed while nothing but numbers change.
const A_LINE: Duration = Duration::from_secs(1);

/// Options of `live`.
#[derive(Debug, Args)]
pub(crate) struct LiveArgs {
    /// The procedure, e.g. guide-adjust
    procedure: String,
    /// The bench
    #[arg(long)]
    bench: String,
    /// The machine's shelf mark; needed with a job, left out: that of the run that waits for the adjustment
    #[arg(long)]
    machine: Option<String>,
    /// Format of the machine's tapes; left out: that of the run that waits for the adjustment
    #[arg(long)]
    format: Option<String>,
    /// Which tape is in: alignment, own, other, unknown; left out: as above
    #[arg(long)]
    tape: Option<TapeKind>,
    /// The tape's label
    #[arg(long, default_value = "")]
    tape_name: String,
    /// The tape's picture is the same from top to bottom
    #[arg(long)]
    even_picture: bool,
    /// The job; an alignment tape needs one in which a scrap tape ran safely
    #[arg(long)]
    job: Option<String>,
    /// The cautions were read beforehand
    #[arg(long)]
    acknowledge: bool,
    /// Lines instead of a screen, as where there is no terminal
    #[arg(long)]
    plain: bool,
    #[command(flatten)]
    at: Where,
}

pub(crate) fn run(args: &LiveArgs) -> Exit {
    finish(watching(args))
}

fn watching(args: &LiveArgs) -> Result<Exit, AskError> {
    let client = args.at.client()?;
    let mut spec = LiveSpec {
        procedure: args.procedure.clone(),
        machine: args.machine.clone(),
        format: args.format.clone(),
        tape: args.tape,
        tape_name: args.tape_name.clone(),
        even_picture: args.even_picture,
        job: args.job.clone(),
        acknowledge: args.acknowledge,
    };
    // What was shown before this session began is not of it.
    let before = client.live(&args.bench, 0, Duration::ZERO)?.number;
    if !spec.acknowledge {
        spec.acknowledge = acknowledged(&client, &args.procedure)?;
    }
    client.start_live(&args.bench, &spec)?;
    let clock = Clock::real();
    let session = Session { client: &client, bench: &args.bench, clock: &clock };
    let done = if args.at.json() || args.plain || !terminal::is_one() {
        session.lines(before, args.at.json())
    } else {
        session.screen(before)
    };
    // Ended here whatever happened, so that the bench is free; the machine is left as it is.
    let _ = client.end_live(&args.bench);
    done
}

/// Shows the cautions and asks for them, where somebody can answer.
fn acknowledged(client: &Client, procedure: &str) -> Result<bool, AskError> {
    for row in client.procedures()? {
        let description: Description = serde_json::from_value(row["description"].clone())?;
        if description.name != procedure {
            continue;
        }
        if description.cautions.is_empty() {
            return Ok(true);
        }
        for caution in &description.cautions {
            out::say(caution.text());
        }
        if !std::io::stdin().is_terminal() {
            return Ok(false);
        }
        out::say("Read, and understood? Type yes.");
        let mut line = String::new();
        std::io::stdin().lock().read_line(&mut line).map_err(|_| AskError::NoAnswer)?;
        return Ok(line.trim() == crate::run::YES);
    }
    Ok(false)
}

struct Session<'a> {
    client: &'a Client,
    bench: &'a str,
    clock: &'a Clock,
}

/// What a key or a word asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Wish {
    Say(String),
    Key(Mode),
    Done,
    Leave,
    Nothing,
}

impl Session<'_> {
    fn screen(&self, mut number: u64) -> Result<Exit, AskError> {
        let keys = terminal::keys();
        let mut screen = Screen::enter().map_err(AskError::Terminal)?;
        let (mut leaving, mut remark, mut rung) = (false, String::new(), None);
        loop {
            let frame = self.client.live(self.bench, number, WAIT)?;
            number = frame.number;
            if let Some(why) = &frame.ended {
                drop(screen);
                out::say(&format!("the live session ended: {why}"));
                return Ok(Exit::Done);
            }
            loop {
                let wish = match keys.try_recv() {
                    Ok(key) => wish_of_key(key, &frame),
                    Err(TryRecvError::Empty) => break,
                    Err(TryRecvError::Disconnected) => Wish::Leave,
                };
                let moves = frame.mode != Mode::Stop;
                if wish == Wish::Leave && (leaving || !moves) {
                    return Ok(Exit::Done);
                }
                leaving = wish == Wish::Leave;
                remark = self.carry_out(&wish, &frame);
            }
            // The end of a still is loud: the bell with each second that is shown.
            let left = frame.dwell_left_s.filter(|left| *left <= 30.0).map(|left| left.ceil() as u64);
            if left.is_some() && left != rung {
                terminal::bell();
            }
            rung = left;
            let size = Screen::size();
            let around = Around { bench: self.bench, remark: &remark, leaving, colour: true };
            screen.show(view::screen(&frame, size, around), size).map_err(AskError::Terminal)?;
        }
    }

    fn lines(&self, mut number: u64, json: bool) -> Result<Exit, AskError> {
        let words = terminal::lines();
        let mut open = true;
        let mut shown: Option<(Instant, String)> = None;
        loop {
            let frame = self.client.live(self.bench, number, WAIT)?;
            if json && frame.number > number {
                out::json(&frame);
            }
            number = frame.number;
            if let Some(why) = &frame.ended {
                out::say(&format!("the live session ended: {why}"));
                return Ok(Exit::Done);
            }
            while open {
                match words.try_recv() {
                    Ok(word) => match wish_of_word(&word) {
                        Wish::Leave => return Ok(Exit::Done),
                        wish => out::say(&self.carry_out(&wish, &frame)),
                    },
                    Err(TryRecvError::Empty) => break,
                    // Nobody types here: it is watched all the same, until it is interrupted.
                    Err(TryRecvError::Disconnected) => open = false,
                }
            }
            let headline =
                frame.reading.as_ref().map_or_else(String::new, |r| format!("{}{:?}", r.headline, r.warnings));
            let now = self.clock.now();
            let due = shown.as_ref().is_none_or(|(at, last)| now.since(*at) >= A_LINE || *last != headline);
            if !json && due && frame.number > 0 {
                let warnings = frame.reading.iter().flat_map(|reading| &reading.warnings);
                if shown.as_ref().is_none_or(|(_, last)| *last != headline) {
                    warnings.for_each(|warning| out::data(&format!("! {warning}")));
                    frame.reading.iter().for_each(|reading| out::data(&format!("> {}", reading.says)));
                }
                out::data(&view::line(&frame));
                shown = Some((now, headline));
            }
        }
    }

    /// Does what was asked, and remarks what came of it.
    fn carry_out(&self, wish: &Wish, frame: &LiveFrame) -> String {
        let done = match wish {
            Wish::Say(word) => self.client.live_say(self.bench, word).map(|()| format!("said: {word}")),
            Wish::Key(mode) => {
                self.client.live_key(self.bench, *mode).map(|()| format!("hands clear: going to {mode}"))
            }
            Wish::Done => match &frame.prompt {
                Some(prompt) => {
                    let answered = Answered { text: DONE.to_owned(), by: "command line".to_owned() };
                    self.client.answer(self.bench, &prompt.id, &answered).map(|()| String::new())
                }
                None => Ok(String::new()),
            },
            Wish::Leave | Wish::Nothing => Ok(String::new()),
        };
        done.unwrap_or_else(|error| crate::report::chain(&error))
    }
}

/// What a key means with this frame.
fn wish_of_key(key: u8, frame: &LiveFrame) -> Wish {
    const CTRL_C: u8 = 3;
    let choices = frame.reading.as_ref().map_or(&[][..], |reading| &reading.choices);
    match key {
        b'1'..=b'9' => {
            choices.get(usize::from(key - b'1')).map_or(Wish::Nothing, |choice| Wish::Say(choice.word.clone()))
        }
        b'p' => Wish::Key(Mode::Play),
        b's' | b' ' => Wish::Key(Mode::Stop),
        b'd' => Wish::Done,
        b'q' | CTRL_C => Wish::Leave,
        _ => Wish::Nothing,
    }
}

/// What a typed word means.
fn wish_of_word(word: &str) -> Wish {
    match word {
        "" => Wish::Nothing,
        "play" => Wish::Key(Mode::Play),
        "stop" => Wish::Key(Mode::Stop),
        "done" => Wish::Done,
        "quit" | "leave" => Wish::Leave,
        other => Wish::Say(other.to_owned()),
    }
}
