//! Jobs: one machine in for service, as a chain of events like a run's.

use super::chain::{ChainWriter, Event};
use super::folder::{free_name, journals};
use super::ids::{self, NAME_CHARS, TEXT_CHARS};
use super::reader::{Reading, Tail};
use super::{DataFolder, JobId, RecordsError, RunId, files};
use serde::{Deserialize, Serialize};
use tapewright_clock::WallTime;
use tapewright_formats::{format_named, formats};

/// One event of a job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "payload", rename_all = "kebab-case")]
pub enum JobEvent {
    /// The machine came in.
    JobOpened(JobOpened),
    /// A scrap tape was played through the machine.
    ScrapTapeRan(ScrapTapeRan),
    /// A remark.
    JobNote {
        /// The remark.
        text: String,
    },
    /// The machine left.
    JobClosed {
        /// What was done, in words.
        conclusion: String,
    },
}

impl Event for JobEvent {
    const FORMAT: &'static str = "tapewright-job";

    fn ends(&self) -> bool {
        matches!(self, Self::JobClosed { .. })
    }
}

/// A machine that came in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct JobOpened {
    /// Shelf mark of the machine.
    pub machine: String,
    /// Format by name, e.g. `vhs-525-sp`.
    pub format: String,
    /// What is said to be wrong, in words.
    pub symptom: String,
}

/// A scrap tape was played, to see whether the machine is safe for a precious one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ScrapTapeRan {
    /// Whether it came out unharmed; of a run: whether that run showed that it does.
    pub safely: bool,
    /// Who says so.
    pub by: String,
    /// The run that proved it; none: somebody's word.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<RunId>,
}

/// A job as its events make it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Job {
    /// Name.
    pub id: JobId,
    /// What came in.
    #[serde(flatten)]
    pub opened: JobOpened,
    /// When it came in, in milliseconds since 1970.
    pub opened_ms: i64,
    /// The last word on the scrap tape, and when it was said, in milliseconds since 1970.
    pub scrap_tape: Option<(ScrapTapeRan, i64)>,
    /// Remarks, in order.
    pub notes: Vec<String>,
    /// What was done, and when the machine left, in milliseconds since 1970.
    pub closed: Option<(String, i64)>,
}

/// Why an alignment tape may not go in.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoAlignmentTape {
    /// Nobody has played a scrap tape in this job.
    #[error(
        "no alignment tape in job {0} yet: play a scrap tape through the machine first, look at it, and say how it came out"
    )]
    NoScrapTapeYet(JobId),
    /// The last scrap tape was harmed.
    #[error(
        "no alignment tape in job {0}: the last scrap tape was harmed; mend the tape path, then play another scrap tape"
    )]
    ScrapTapeHarmed(JobId),
    /// The last run that looked at a scrap tape did not pass.
    #[error(
        "no alignment tape in job {job}: the run {run} did not show that a scrap tape comes out unharmed; see with `tapewright show {run}` why, mend it, then run `tape-safe` again"
    )]
    TapeSafeNotPassed {
        /// The job.
        job: JobId,
        /// The run.
        run: RunId,
    },
}

/// Checks words that are kept with a job and printed in its lists.
fn check_words(what: &'static str, words: &str, most: usize) -> Result<(), RecordsError> {
    let empty = || words.trim().is_empty().then(|| "it is empty: say it in a few words".to_owned());
    match ids::wrong_words(words, most).or_else(empty) {
        Some(why) => Err(RecordsError::BadWords { what, why }),
        None => Ok(()),
    }
}

impl JobEvent {
    fn check(&self) -> Result<(), RecordsError> {
        match self {
            Self::JobOpened(opened) => opened.check(),
            Self::ScrapTapeRan(ran) => check_words("name of who looked at the scrap tape", &ran.by, NAME_CHARS),
            Self::JobNote { text } => check_words("remark", text, TEXT_CHARS),
            Self::JobClosed { conclusion } => check_words("conclusion", conclusion, TEXT_CHARS),
        }
    }
}

impl JobOpened {
    /// Checks what a run in this job will be held against.
    fn check(&self) -> Result<(), RecordsError> {
        if self.machine.trim().is_empty() {
            let why = "it is empty; give the machine's shelf mark, so that its runs can be told from others";
            return Err(RecordsError::BadName { what: "machine", given: self.machine.clone(), why });
        }
        check_words("machine's shelf mark", &self.machine, NAME_CHARS)?;
        check_words("symptom", &self.symptom, TEXT_CHARS)?;
        if format_named(&self.format).is_none() {
            let known = formats().iter().map(|format| format.name).collect::<Vec<_>>().join(", ");
            return Err(RecordsError::NotKnown { what: "format", given: self.format.clone(), known });
        }
        Ok(())
    }
}

impl Job {
    /// Whether an alignment tape may go in: only after a scrap tape ran safely in this job, and none
    /// was harmed since. Where a run did not show that, only a run does.
    ///
    /// # Errors
    /// Why not, and what to do.
    pub fn alignment_tape(&self) -> Result<(), NoAlignmentTape> {
        match &self.scrap_tape {
            Some((ScrapTapeRan { safely: true, .. }, _)) => Ok(()),
            Some((ScrapTapeRan { run: Some(run), .. }, _)) => {
                Err(NoAlignmentTape::TapeSafeNotPassed { job: self.id.clone(), run: run.clone() })
            }
            Some(_) => Err(NoAlignmentTape::ScrapTapeHarmed(self.id.clone())),
            None => Err(NoAlignmentTape::NoScrapTapeYet(self.id.clone())),
        }
    }

    /// Whether a run proved in this job that a scrap tape comes out unharmed: what the sequence that aligns asks
    /// for, beyond somebody's word.
    #[must_use]
    pub fn tape_safe_by_run(&self) -> Option<&RunId> {
        self.scrap_tape.as_ref().filter(|(ran, _)| ran.safely).and_then(|(ran, _)| ran.run.as_ref())
    }

    /// Whether this is somebody's word that a scrap tape ran safely, against a run that did not show it.
    fn is_contradicted(&self, ran: &ScrapTapeRan) -> bool {
        let last = self.scrap_tape.as_ref().map(|(last, _)| last);
        ran.safely && ran.run.is_none() && last.is_some_and(|last| !last.safely && last.run.is_some())
    }

    fn from_reading(id: &JobId, reading: &Reading<JobEvent>) -> Result<Self, RecordsError> {
        let mut job = None::<Self>;
        for line in &reading.lines {
            let WallTime(ms) = line.wall;
            match (&line.event, &mut job) {
                (Some(JobEvent::JobOpened(opened)), None) => {
                    let opened = opened.clone();
                    let new = Self {
                        id: id.clone(),
                        opened,
                        opened_ms: ms,
                        scrap_tape: None,
                        notes: Vec::new(),
                        closed: None,
                    };
                    job = Some(new);
                }
                (Some(JobEvent::ScrapTapeRan(ran)), Some(job)) if job.is_contradicted(ran) => {}
                (Some(JobEvent::ScrapTapeRan(ran)), Some(job)) => job.scrap_tape = Some((ran.clone(), ms)),
                (Some(JobEvent::JobNote { text }), Some(job)) => job.notes.push(text.clone()),
                (Some(JobEvent::JobClosed { conclusion }), Some(job)) => job.closed = Some((conclusion.clone(), ms)),
                (Some(_), _) => {
                    let why = format!("`{}` cannot stand here", line.kind);
                    return Err(RecordsError::Chain { file: reading.file.clone(), line: line.seq + 1, why });
                }
                (None, _) => {}
            }
        }
        job.ok_or_else(|| RecordsError::BadFormat { file: reading.file.clone(), why: "it does not begin a job".into() })
    }
}

impl DataFolder {
    /// Begins a job; it is on the disk when this returns.
    ///
    /// # Errors
    /// If the machine has no name or the format is not known, or its file cannot be made.
    pub async fn start_job(&self, opened: JobOpened) -> Result<Job, RecordsError> {
        opened.check()?;
        let naming = self.naming().await;
        let wall = self.clock().wall();
        let folder = self.jobs_folder();
        let id = files::blocking(self.clock(), move || {
            let _naming = naming;
            let name = free_name(&folder, 'j', wall)?;
            let path = folder.join(format!("{name}.journal"));
            ChainWriter::create(&path, &name, wall, &JobEvent::JobOpened(opened))?;
            name.parse::<JobId>()
        })
        .await?;
        self.job(&id).await
    }

    /// Adds an event to a job, and returns the job as it is then; it is on the disk when this returns.
    /// A line that was cut by a kill is dropped on the way.
    ///
    /// # Errors
    /// If there is no such job, it is closed, its file is damaged or newer, the words are none to keep, or the disk refuses.
    pub async fn add_to_job(&self, id: &JobId, event: JobEvent) -> Result<Job, RecordsError> {
        event.check()?;
        let order = self.naming().await;
        let reading = self.read_job(id).await?;
        if matches!(event, JobEvent::JobOpened(_)) {
            let why = "a job begins once".to_owned();
            return Err(RecordsError::Unfit { file: reading.file, kind: "job-opened".into(), why });
        }
        if !reading.header.version.continued_here() {
            let found = reading.header.version;
            return Err(RecordsError::NotRewritten { file: reading.file, found, ours: super::OURS });
        }
        if reading.ended() {
            return Err(RecordsError::JobClosed { job: id.to_string() });
        }
        if let JobEvent::ScrapTapeRan(ran) = &event {
            let job = Job::from_reading(id, &reading)?;
            if let (true, Err(error)) = (job.is_contradicted(ran), job.alignment_tape()) {
                let why = format!("somebody's word does not stand against it: {error}");
                return Err(RecordsError::Unfit { file: reading.file, kind: "scrap-tape-ran".into(), why });
            }
        }
        let wall = self.clock().wall();
        files::blocking(self.clock(), move || {
            let _order = order;
            let path = &reading.file;
            let mut writer = ChainWriter::resume(path, reading.end(), reading.next_seq())?;
            writer.append(wall, &event)?;
            writer.file().sync_all().map_err(RecordsError::io("sync", path))
        })
        .await?;
        self.job(id).await
    }

    /// A job as its file has it now.
    ///
    /// # Errors
    /// If there is no such job, or its file is damaged.
    pub async fn job(&self, id: &JobId) -> Result<Job, RecordsError> {
        Job::from_reading(id, &self.read_job(id).await?)
    }

    /// Every job, oldest first. A damaged file is logged and left out.
    ///
    /// # Errors
    /// If the folder cannot be read.
    pub async fn jobs(&self) -> Result<Vec<Job>, RecordsError> {
        let folder = self.jobs_folder();
        let mut jobs = Vec::new();
        for (path, name) in files::blocking(self.clock(), move || journals(&folder)).await? {
            let job = match name.parse() {
                Ok(id) => self.job(&id).await,
                Err(error) => Err(error),
            };
            match job {
                Ok(job) => jobs.push(job),
                Err(error) => tracing::error!(file = %path.display(), %error, "a job is left out of the list"),
            }
        }
        Ok(jobs)
    }

    async fn read_job(&self, id: &JobId) -> Result<Reading<JobEvent>, RecordsError> {
        let unknown = RecordsError::Unknown { what: "job", id: id.to_string(), folder: self.path().to_owned() };
        let reading: Reading<JobEvent> = self.read(self.jobs_folder().join(format!("{id}.journal")), unknown).await?;
        match reading.tail {
            // What was cut had not been answered for: the job stands without it.
            Tail::Torn { .. } | Tail::Whole => Ok(reading),
            Tail::Broken { .. } => reading.sound(),
        }
    }
}
