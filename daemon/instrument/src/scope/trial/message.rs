//! How much goes in one message, and how it may be worded: several questions, as many as the instrument's input holds,
//! words in their short forms, a block among other answers. What came one by one must come again.

use super::record::{DIVISION_S, NO_RECORD};
use super::{Draft, Scope, ScopeError, TrialOutcome, TrialRow, Walk};
use crate::dialect::{Op, Values};
use crate::scpi::{Answer, Due, Message};

/// Rows of what a message may hold.
pub(super) const IN_A_MESSAGE: [&str; 3] = ["manners.compound", "manners.most-message", "manners.blocks-joined"];
/// Shortest message that is tried when longer ones are not answered, in bytes.
const SHORTEST: usize = 60;
/// Why none of it can be tried.
const ONE_BY_ONE: &str = "a message holds one command (manners.compound)";

impl Walk<'_> {
    /// The manners that say what a message may hold, on a record that stands.
    pub(super) async fn messages(&mut self, name: &Values) -> Result<(), ScopeError> {
        self.come_to_rest(name, 1.0, 0.0, DIVISION_S).await?;
        let rows = self.rows.len();
        if !self.shot().await? {
            self.not_tried(&IN_A_MESSAGE, NO_RECORD);
            return Ok(());
        }
        self.rows.truncate(rows);
        self.several(name).await?;
        self.joined(name).await
    }

    /// Says what was tried before again in short forms; what differs is kept for the row of `short-words`.
    pub(super) async fn in_short(&mut self, words: &[Message], told: Option<&str>) -> Result<(), ScopeError> {
        if !self.scope.dialect.profile.short_words {
            return Ok(());
        }
        for message in words {
            let short = message.clone().short();
            if short == *message {
                continue;
            }
            let mut draft = Draft::new("", "");
            let fault = match told {
                Some(told) => match self.ask(&mut draft, &short).await? {
                    Ok(again) if again == told => None,
                    Ok(again) | Err(again) => Some(again),
                },
                None => self.send(&mut draft, core::slice::from_ref(&short)).await?.pop(),
            };
            self.short_faults.extend(fault.map(|fault| format!("`{short}`: {fault}")));
        }
        Ok(())
    }

    /// The row of what was said in short forms.
    pub(super) fn short_words(&mut self) {
        let mut draft = Draft::new("manners.short-words", "each of these words is taken in its short form too");
        let row = if !self.scope.dialect.profile.short_words {
            draft.end(TrialOutcome::NotOffered, None)
        } else if self.short_faults.is_empty() {
            draft.good()
        } else {
            draft.came = core::mem::take(&mut self.short_faults);
            draft.differs(
                "write these words with their short form in capitals, as the manual has it, or set manners.short-words = false",
            )
        };
        self.rows.push(row);
    }

    /// Several questions in one message, and as many as fit in the longest.
    async fn several(&mut self, name: &Values) -> Result<(), ScopeError> {
        let says = self.scope.dialect.profile.compound;
        let mut draft = Draft::new("manners.compound", "the same answers in one message as one by one");
        let mut questions = Vec::new();
        for op in [Op::AskRange, Op::AskOffset, Op::AskTimebase, Op::AskPoints] {
            let question = self.scope.dialect.render(op, name).ok().and_then(|mut list| list.pop());
            let Some(question) = question else { continue };
            // What is not answered by itself has its own row.
            if let Ok(told) = self.ask(&mut draft, &question).await? {
                questions.push((question, told));
            }
        }
        self.scope.session.set_compound(true);
        let most = self.scope.dialect.profile.most_message;
        let two = questions.get(..2).unwrap_or(&questions);
        let together = self.together(two, &mut draft).await;
        if says && together.is_ok() {
            self.rows.push(draft.good());
            self.longest(&questions, most).await?;
        } else {
            self.scope.session.set_compound(false);
            self.rows.push(match together {
                Err(why) if says => draft.differs(format!(
                    "two questions in one message are not answered as one by one ({why}): set manners.compound = false"
                )),
                Err(_) => draft.good(),
                Ok(()) => draft.end(
                    TrialOutcome::Ok,
                    Some("it takes several in one message as well: manners.compound = true would save messages".into()),
                ),
            });
            let row = Draft::new("manners.most-message", "a message of this length is answered whole");
            self.rows.push(if says {
                row.end(TrialOutcome::NotTried, Some("not even two questions in one message are answered".into()))
            } else {
                row.end(TrialOutcome::NotOffered, None)
            });
        }
        Ok(())
    }

    /// A message as long as the file allows; where it is not answered whole, a shorter one that is.
    async fn longest(&mut self, questions: &[(Message, String)], most: usize) -> Result<(), ScopeError> {
        let mut draft = Draft::new("manners.most-message", format!("a message of {most} bytes is answered whole"));
        let fitting = |bytes: usize| {
            let mut list: Vec<(Message, String)> = Vec::new();
            let mut length = 0;
            for (question, told) in questions.iter().cycle() {
                // A `;` and a root between two, and the end.
                length += question.text().len() + 2;
                if length >= bytes {
                    break;
                }
                list.push((question.clone(), told.clone()));
            }
            list
        };
        let (mut bytes, mut fault) = (most, None);
        while let Err(why) = self.together(&fitting(bytes), &mut draft).await {
            fault.get_or_insert(why);
            bytes = bytes * 3 / 4;
            if bytes < SHORTEST {
                break;
            }
        }
        self.rows.push(match fault {
            None => draft.good(),
            Some(why) => draft.differs(format!(
                "so long a message is not answered whole ({why}): set manners.most-message = {bytes}, or what the manual says of the input buffer"
            )),
        });
        Ok(())
    }

    /// Asks in one message what was answered one by one; `Err`: how the answers differ.
    async fn together(&mut self, questions: &[(Message, String)], draft: &mut Draft) -> Result<(), String> {
        let joined = questions.iter().map(|(question, _)| question.clone()).reduce(|all, next| all.and(&next));
        let Some(joined) = joined else { return Err("no question is answered by itself".into()) };
        draft.sent.push(joined.text().to_owned());
        let told = self.scope.session.query_list(&[joined], |text| Ok(text.to_owned())).await;
        let told = match told {
            Ok(told) => told,
            Err(source) => {
                let why = self.survivable(source).map_err(|error| error.to_string())?;
                draft.came.push(why.clone());
                return Err(why);
            }
        };
        draft.came.push(told.join(";"));
        let other = questions.iter().zip(&told).find(|((_, one), together)| one != *together);
        other.map_or(Ok(()), |((_, one), together)| Err(format!("`{together}` came where `{one}` came by itself")))
    }

    /// A block among other answers, as a whole capture in one message asks for it: the codes and the scaling must be
    /// those that come one by one.
    async fn joined(&mut self, name: &Values) -> Result<(), ScopeError> {
        let profile = self.scope.dialect.profile.clone();
        let draft = Draft::new("manners.blocks-joined", "a block among other answers, all as one by one");
        if !profile.compound {
            self.rows.push(draft.end(TrialOutcome::NotOffered, Some(ONE_BY_ONE.into())));
            return Ok(());
        }
        let row = self.joined_row(name, draft, profile.blocks_joined).await?;
        self.rows.push(row);
        Ok(())
    }

    async fn joined_row(&mut self, name: &Values, mut draft: Draft, says: bool) -> Result<TrialRow, ScopeError> {
        let limits = &self.scope.dialect.limits;
        let count = limits.usual_points.min(limits.points_a_read);
        let values = Scope::part_values(name, 0, count);
        let doing = "try a whole capture in one message";
        let choose = self.scope.rendered(&[(Op::Chunk, values.clone())], doing)?;
        let mut units = self.scope.channel_row(&values, &choose, count, doing)?;
        let mut one_by_one = Vec::new();
        for (message, due) in &units {
            match self.by_itself(message, *due, &mut draft).await? {
                Ok(answer) => one_by_one.extend(answer),
                Err(why) => return Ok(draft.end(TrialOutcome::NotTried, Some(why))),
            }
        }
        if self.scope.dialect.profile.short_words {
            units = units.into_iter().map(|(message, due)| (message.short(), due)).collect();
        }
        let row: Vec<&str> = units.iter().map(|(message, _)| message.text()).collect();
        draft.sent.push(row.join(";"));
        if !self.scope.session.row_fits(&units) {
            let why = "it is longer than manners.most-message, so captures are asked for step by step";
            return Ok(draft.end(TrialOutcome::NotTried, Some(why.into())));
        }
        // What was in doubt before, and what the event register holds of it, is no fault of this.
        let fresh = self.scope.session.fresh().await;
        fresh.map_err(|source| self.scope.failed(doing, source))?;
        let events = self.scope.session.restarted().await;
        events.map_err(|source| self.scope.failed(doing, source))?;
        let fault = match self.scope.session.row(&units, self.scope.dialect.profile.first_byte).await {
            Err(source) => Some(self.survivable(source)?),
            Ok(row) if !row.settled.complaints.is_empty() => {
                Some(row.settled.complaints.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "))
            }
            Ok(row) if row.answers != one_by_one => Some("the answers are others than one by one".into()),
            Ok(_) => None,
        };
        draft.came.push(fault.clone().unwrap_or_else(|| "the same, in one response".into()));
        Ok(match (says, fault) {
            (true, Some(why)) => draft.differs(format!(
                "a block among other answers does not come as it does by itself ({why}): set manners.blocks-joined = false"
            )),
            (false, None) => draft.end(
                TrialOutcome::Ok,
                Some("it gives a block among other answers as well: manners.blocks-joined = true makes a capture one message".into()),
            ),
            _ => draft.good(),
        })
    }

    /// One of the messages by itself, and its answer.
    async fn by_itself(
        &mut self,
        message: &Message,
        due: Due,
        draft: &mut Draft,
    ) -> Result<Result<Option<Answer>, String>, ScopeError> {
        match due {
            Due::Nothing => {
                let complaints = self.send(draft, core::slice::from_ref(message)).await?;
                Ok(complaints.into_iter().next().map_or(Ok(None), Err))
            }
            Due::Texts(_) => Ok(self.ask(draft, message).await?.map(|text| Some(Answer::Text(text)))),
            Due::Block(most) => {
                draft.sent.push(message.text().to_owned());
                match self.scope.session.query_block(message, most).await {
                    Ok(block) => {
                        draft.came.push(format!("{} bytes", block.len()));
                        Ok(Ok(Some(Answer::Block(block))))
                    }
                    Err(source) => Ok(Err(self.survivable(source)?)),
                }
            }
        }
    }
}
