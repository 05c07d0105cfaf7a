//! `tapewright prompts` and `tapewright answer`: what a bench asks, answered from another terminal than the run's.
//!
//! A prompt is always named: what is open may have changed since it was read, and some answers let the machine move.

use super::client::{AskError, Where, answered, finish};
use super::exit::Exit;
use super::out;
use crate::bench::prompts::OpenPrompt;
use crate::http::Client;
use clap::Args;

/// Options of `prompts`.
#[derive(Debug, Args)]
pub(crate) struct PromptsArgs {
    /// The bench
    bench: String,
    #[command(flatten)]
    at: Where,
}

/// Options of `answer`.
#[derive(Debug, Args)]
pub(crate) struct AnswerArgs {
    /// The bench
    bench: String,
    /// The prompt, as `prompts` lists it
    prompt: String,
    /// The answer: one of the prompt's choices, or a text where it has none
    answer: String,
    #[command(flatten)]
    at: Where,
}

pub(crate) fn prompts(args: &PromptsArgs) -> Exit {
    let listed = || -> Result<Exit, AskError> {
        let open = open(&args.at.client()?, &args.bench)?;
        if args.at.json() {
            out::json(&open);
        } else if open.is_empty() {
            out::say(&format!("bench `{}` asks nothing", args.bench));
        } else {
            open.iter().for_each(|prompt| out::data(&text(&args.bench, prompt)));
        }
        Ok(Exit::Done)
    };
    finish(listed())
}

pub(crate) fn answer(args: &AnswerArgs) -> Exit {
    let sent = || -> Result<Exit, AskError> {
        args.at.client()?.answer(&args.bench, &args.prompt, &answered(&args.answer))?;
        if args.at.json() {
            out::json(&serde_json::json!({ "answered": args.prompt, "with": args.answer }));
        } else {
            out::data(&format!("prompt `{}` was answered with `{}`", args.prompt, args.answer));
        }
        Ok(Exit::Done)
    };
    finish(sent())
}

fn open(client: &Client, bench: &str) -> Result<Vec<OpenPrompt>, AskError> {
    Ok(client.prompts(bench)?.into_iter().map(serde_json::from_value).collect::<Result<_, _>>()?)
}

/// The command that answers a prompt.
pub(crate) fn command(bench: &str, prompt: &OpenPrompt) -> String {
    let choices = &prompt.question.choices;
    let answer = if choices.is_empty() { "TEXT".to_owned() } else { choices.join("|") };
    format!("tapewright answer {bench} {} {answer}", prompt.id)
}

fn text(bench: &str, prompt: &OpenPrompt) -> String {
    format!("{}\n    {}", prompt.question.text, command(bench, prompt))
}
