//! `tapewright rejudge`: a run again on its own evidence, procedure by procedure.

use super::client::{AskError, Where, finish};
use super::exit::Exit;
use super::out;
use crate::records::RunId;
use crate::report::text::verdict_word;
use crate::run::rejudge::Rejudged;
use clap::Args;

/// Options of `rejudge`.
#[derive(Debug, Args)]
pub(crate) struct RejudgeArgs {
    /// The run
    run: String,
    #[command(flatten)]
    at: Where,
}

pub(crate) fn run(args: &RejudgeArgs) -> Exit {
    finish(rejudging(args))
}

fn rejudging(args: &RejudgeArgs) -> Result<Exit, AskError> {
    let (run, client): (RunId, _) = (args.run.parse()?, args.at.client()?);
    let mut all: Vec<Rejudged> = Vec::new();
    let mut from = Some(0);
    while let Some(place) = from {
        let page = client.rejudge(&run, place)?;
        // A procedure at a time, each shown when it is done: some take a while.
        if let Some(one) = page.rejudged {
            if !args.at.json() {
                out::data(&lines_of(&one));
            }
            all.push(one);
        }
        from = page.next;
    }
    let same = all.iter().filter(|one| one.differences.is_empty()).count();
    if args.at.json() {
        out::json(&all);
    } else if all.is_empty() {
        out::data(&format!("{run}: no procedure came to a verdict, so there is none to judge again"));
    } else {
        out::data(&format!("{run}: {same} of {} procedures give the same verdict again, bit for bit", all.len()));
    }
    Ok(match all.len() {
        0 => Exit::Unable,
        n if n == same => Exit::Done,
        _ => Exit::Faulty,
    })
}

fn lines_of(one: &Rejudged) -> String {
    let was = verdict_word(Some(one.recorded));
    let said = match one.again {
        _ if one.differences.is_empty() => format!("{was}, the same again"),
        Some(again) => format!("was {was}, is {}:", verdict_word(Some(again))),
        None => format!("was {was}, and cannot be judged again:"),
    };
    let first = format!("{:<20} {said}", one.procedure);
    let below = one.made_otherwise.iter().chain(&one.differences).map(|line| format!("    {line}"));
    core::iter::once(first).chain(below).collect::<Vec<_>>().join("\n")
}
