//! The procedures that this daemon has: the shipped ones and the shop's own, each compiled once.

use crate::records::ContentHash;
use crate::sequence::{self, Sequence, SequenceError, SettingValue, Step};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tapewright_clock::Clock;
use tapewright_host::{
    Call, Cancel, CaptureStore, Engine, Limits, Live, LiveError, LiveRun, Log, Permission, Procedure, RejudgeError,
    Run, RunError, Services, Setting, Value, Verdict,
};
use tokio::sync::Mutex;

/// Why a procedure cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum LibraryError {
    /// The wasm runtime did not start.
    #[error("the wasm runtime did not start")]
    Engine(#[from] tapewright_host::EngineError),
    /// No such procedure.
    #[error("there is no procedure `{name}`; known: {known}")]
    Unknown {
        /// What was asked for.
        name: String,
        /// What there is.
        known: String,
    },
    /// A file of the shop could not be read.
    #[error("reading `{}` failed: check that it is there and readable", path.display())]
    Read {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// It is no procedure.
    #[error("the component `{from}` was not taken")]
    Load {
        /// Name or file.
        from: String,
        /// Why.
        #[source]
        source: Box<tapewright_host::LoadError>,
    },
    /// A setting does not fit.
    #[error("the settings for {procedure} do not fit")]
    Setting {
        /// The procedure.
        procedure: String,
        /// Why.
        #[source]
        source: tapewright_host::SettingError,
    },
}

enum Source {
    Shipped(&'static [u8]),
    File(PathBuf),
}

/// The procedures, compiled when they are first asked for.
pub struct Library {
    engine: Engine,
    sources: BTreeMap<String, Source>,
    loaded: Mutex<BTreeMap<String, Arc<Loaded>>>,
}

/// A procedure that is ready to run.
pub struct Loaded {
    engine: Engine,
    procedure: Procedure,
}

impl Library {
    /// The shipped procedures, and every `.wasm` file in the shop's folders, by its file name. A shop's
    /// file with a shipped name takes its place.
    ///
    /// # Errors
    /// If the runtime does not start, or a folder cannot be read.
    pub fn open(folders: &[PathBuf]) -> Result<Self, LibraryError> {
        let mut sources: BTreeMap<String, Source> = tapewright_shipped::procedures()
            .iter()
            .map(|shipped| (shipped.name.to_owned(), Source::Shipped(shipped.bytes)))
            .collect();
        for folder in folders {
            let read = |source| LibraryError::Read { path: folder.clone(), source };
            for entry in std::fs::read_dir(folder).map_err(read)? {
                let path = entry.map_err(read)?.path();
                if path.extension().is_some_and(|e| e == "wasm")
                    && let Some(name) = path.file_stem().and_then(|n| n.to_str())
                {
                    sources.insert(name.to_owned(), Source::File(path));
                }
            }
        }
        Ok(Self { engine: Engine::new()?, sources, loaded: Mutex::default() })
    }

    /// Names of all procedures.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.sources.keys().map(String::as_str)
    }

    /// A procedure, compiled.
    ///
    /// # Errors
    /// [`LibraryError`].
    pub async fn procedure(&self, name: &str) -> Result<Arc<Loaded>, LibraryError> {
        let mut loaded = self.loaded.lock().await;
        if let Some(there) = loaded.get(name) {
            return Ok(Arc::clone(there));
        }
        let unknown =
            || LibraryError::Unknown { name: name.to_owned(), known: self.names().collect::<Vec<_>>().join(", ") };
        let procedure = match self.sources.get(name).ok_or_else(unknown)? {
            Source::Shipped(bytes) => self.load(name, bytes).await?,
            Source::File(path) => self.load_file(path).await?,
        };
        let ready = Arc::new(Loaded { engine: self.engine.clone(), procedure });
        loaded.insert(name.to_owned(), Arc::clone(&ready));
        Ok(ready)
    }

    /// Loads a component from a file, without keeping it.
    ///
    /// # Errors
    /// [`LibraryError`].
    pub async fn load_file(&self, path: &Path) -> Result<Procedure, LibraryError> {
        let read = |source| LibraryError::Read { path: path.to_owned(), source };
        let bytes = std::fs::read(path).map_err(read)?;
        self.load(&path.display().to_string(), &bytes).await
    }

    async fn load(&self, from: &str, bytes: &[u8]) -> Result<Procedure, LibraryError> {
        let failed = |source| LibraryError::Load { from: from.to_owned(), source: Box::new(source) };
        self.engine.load(bytes).await.map_err(failed)
    }

    /// A sequence by name or path, or one procedure by its name.
    ///
    /// # Errors
    /// [`SequenceError`] says what there is.
    pub fn sequence(&self, name: &str) -> Result<Sequence, SequenceError> {
        match sequence::find(name) {
            Err(SequenceError::Unknown { .. }) if self.sources.contains_key(name) => Ok(sequence::of_one(name)),
            Err(SequenceError::Unknown { name, known }) => {
                let procedures = self.names().collect::<Vec<_>>().join(", ");
                Err(SequenceError::Unknown { name, known: format!("{known}; procedures: {procedures}") })
            }
            other => other,
        }
    }
}

impl Loaded {
    /// What it says of itself.
    #[must_use]
    pub fn description(&self) -> &tapewright_host::Description {
        &self.procedure.description
    }

    /// What it may do.
    #[must_use]
    pub fn permissions(&self) -> &[Permission] {
        &self.procedure.permissions
    }

    /// Hash of its bytes.
    ///
    /// # Panics
    /// Never: the host hands out SHA-256 in hexadecimal.
    #[must_use]
    pub fn hash(&self) -> ContentHash {
        self.procedure.sha256.parse().expect("the host hands out a SHA-256 in hexadecimal")
    }

    /// The settings in force for a step: every parameter, with where its value comes from.
    ///
    /// # Errors
    /// [`LibraryError::Setting`] names the setting that does not fit.
    pub fn settings(&self, sequence: &str, step: &Step) -> Result<Vec<Setting>, LibraryError> {
        let set: Vec<Setting> = step
            .settings
            .iter()
            .map(|(name, value)| Setting {
                name: name.clone(),
                value: match value {
                    SettingValue::Number(number) => Value::Number(*number),
                    SettingValue::Text(text) => Value::Text(text.clone()),
                },
                source: format!("sequence {sequence}"),
            })
            .collect();
        let failed = |source| LibraryError::Setting { procedure: step.procedure.clone(), source };
        self.procedure.description.settings(&set).map_err(failed)
    }

    /// Whether it can show live readings.
    #[must_use]
    pub const fn is_live(&self) -> bool {
        self.procedure.is_live()
    }

    /// Begins a live session of it.
    ///
    /// # Errors
    /// [`LiveError`].
    pub async fn live(
        &self,
        services: impl Services + 'static,
        clock: &Clock,
        cancel: &Cancel,
    ) -> Result<Live, LiveError> {
        let run = LiveRun {
            settings: Vec::new(),
            limits: Limits::of_a_look(),
            services: Box::new(services),
            clock: clock.clone(),
            cancel: cancel.clone(),
        };
        self.engine.live(&self.procedure, run).await
    }

    /// Runs it again on a run's own evidence, under the limits of that run.
    ///
    /// # Errors
    /// [`RejudgeError`] at the call where the component, the log or a capture is not what it was.
    pub async fn rejudge(
        &self,
        calls: Vec<Call>,
        store: impl CaptureStore + 'static,
        limits: Limits,
        clock: &Clock,
    ) -> Result<Verdict, RejudgeError> {
        self.engine.rejudge(&self.procedure, calls, Box::new(store), limits, clock.clone()).await
    }

    /// Runs it.
    ///
    /// # Errors
    /// [`RunError`] when the tool is broken; whatever the component does is a verdict.
    pub async fn run(
        &self,
        settings: &[Setting],
        services: impl Services + 'static,
        log: impl Log + 'static,
        store: impl CaptureStore + 'static,
        clock: &Clock,
        cancel: &Cancel,
    ) -> Result<Verdict, RunError> {
        let run = Run {
            settings: settings.to_vec(),
            limits: Limits::default(),
            services: Box::new(services),
            log: Box::new(log),
            captures: Box::new(store),
            clock: clock.clone(),
            cancel: cancel.clone(),
        };
        self.engine.run(&self.procedure, run).await
    }
}
