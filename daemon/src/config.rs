//! The configuration file of `serve` and `bench check`.

use serde::Deserialize;
use std::path::{Path, PathBuf};
use tapewright_instrument::Hookup;
use tapewright_instrument::transport::TransportTable;

/// The file.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Config {
    /// The data folder. Relative paths count from the file.
    pub data: PathBuf,
    /// Where HTTP listens; loopback unless something wider is asked for and allowed.
    #[serde(default = "default_listen")]
    pub listen: String,
    /// Lets HTTP listen beyond loopback. Said at every start.
    #[serde(default)]
    pub beyond_loopback: bool,
    /// The token file; by default `token` in the data folder.
    #[serde(default)]
    pub token_file: Option<PathBuf>,
    /// Folders with components of this shop.
    #[serde(default)]
    pub procedures: Vec<PathBuf>,
    /// Benches.
    #[serde(rename = "bench")]
    pub benches: Vec<BenchConfig>,
}

fn default_listen() -> String {
    "127.0.0.1:7525".to_owned()
}

/// One bench.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct BenchConfig {
    /// Its name.
    pub name: String,
    /// Its scope.
    pub scope: ScopeConfig,
    /// Its relays; without them the operator is asked to press the keys.
    #[serde(default)]
    pub relays: Option<RelayConfig>,
    /// How long a machine takes to settle after the operator pressed a key.
    #[serde(default = "default_settle")]
    pub settle_s: f64,
    /// How long "hands clear" stands before each commanded motion.
    #[serde(default = "default_hands_clear")]
    pub hands_clear_s: f64,
    /// What is hooked up.
    #[serde(default)]
    pub hookup: Hookup,
}

const fn default_settle() -> f64 {
    8.0
}

const fn default_hands_clear() -> f64 {
    2.0
}

/// Where the scope is.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ScopeConfig {
    /// `tcp://host:5025`, `hislip://host/hislip0`, `usbtmc:///dev/usbtmc0` or
    /// `serial:///dev/ttyUSB0?baud=115200`.
    pub address: String,
    /// A shipped dialect by name, or a file.
    pub dialect: String,
    /// Whether each block is read twice and compared; on a serial line, which has no check of its own,
    /// that is the rule.
    #[serde(default)]
    pub read_twice: Option<bool>,
}

/// The relays that press the machine's keys.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct RelayConfig {
    /// Their address.
    pub address: String,
    /// Which relays press which key.
    pub table: TransportTable,
}

/// What is wrong with a configuration.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// It could not be read.
    #[error("reading the configuration `{}` failed: check that it is there and readable", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// It is not TOML, or has a key that is not known.
    #[error("the configuration `{}` is not right: {problem}", path.display())]
    Parse {
        /// The file.
        path: PathBuf,
        /// What, and where.
        problem: String,
    },
    /// Its values do not fit.
    #[error("the configuration `{}` has faults:\n  {}", path.display(), faults.join("\n  "))]
    Faults {
        /// The file.
        path: PathBuf,
        /// All of them.
        faults: Vec<String>,
    },
    /// No such bench.
    #[error("there is no bench `{name}` in `{}`; it has: {known}", path.display())]
    NoBench {
        /// The file.
        path: PathBuf,
        /// What was asked for.
        name: String,
        /// What there is.
        known: String,
    },
}

impl Config {
    /// Reads and checks a file; paths in it come back relative to the file's folder.
    ///
    /// # Errors
    /// [`ConfigError`]: all faults of the values at once.
    pub fn read(path: &Path) -> Result<Self, ConfigError> {
        let text =
            std::fs::read_to_string(path).map_err(|source| ConfigError::Read { path: path.to_owned(), source })?;
        let mut config: Self = toml::from_str(&text).map_err(|error| ConfigError::Parse {
            path: path.to_owned(),
            problem: error.to_string().trim_end().to_owned(),
        })?;
        let faults = config.faults();
        if !faults.is_empty() {
            return Err(ConfigError::Faults { path: path.to_owned(), faults });
        }
        let folder = path.parent().unwrap_or(Path::new(""));
        config.data = folder.join(&config.data);
        config.token_file = config.token_file.map(|file| folder.join(file));
        config.procedures = config.procedures.iter().map(|p| folder.join(p)).collect();
        for bench in &mut config.benches {
            if bench.scope.dialect.ends_with(".toml") {
                bench.scope.dialect = folder.join(&bench.scope.dialect).display().to_string();
            }
        }
        Ok(config)
    }

    /// One bench by name.
    ///
    /// # Errors
    /// [`ConfigError::NoBench`] with the names that there are.
    pub fn bench(&self, name: &str, path: &Path) -> Result<&BenchConfig, ConfigError> {
        self.benches.iter().find(|b| b.name == name).ok_or_else(|| ConfigError::NoBench {
            path: path.to_owned(),
            name: name.to_owned(),
            known: self.benches.iter().map(|b| b.name.as_str()).collect::<Vec<_>>().join(", "),
        })
    }

    fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        if self.benches.is_empty() {
            faults.push("it has no [[bench]]: give at least one".to_owned());
        }
        for (i, bench) in self.benches.iter().enumerate() {
            let name = &bench.name;
            if self.benches[..i].iter().any(|other| other.name == *name) {
                faults.push(format!("two benches are named `{name}`: names tell them apart"));
            }
            faults.extend(bench.hookup.faults().into_iter().map(|fault| format!("bench `{name}`: {fault}")));
            if bench.hookup.points.is_empty() {
                faults
                    .push(format!("bench `{name}` has nothing hooked up: give [[bench.hookup.point]] for each probe"));
            }
            for (key, value) in [("settle-s", bench.settle_s), ("hands-clear-s", bench.hands_clear_s)] {
                if !(0.0..=600.0).contains(&value) {
                    faults.push(format!("bench `{name}`: `{key}` is {value}: expected 0 to 600 seconds"));
                }
            }
            if let Some(relays) = &bench.relays {
                faults
                    .extend(relays.table.faults().into_iter().map(|fault| format!("bench `{name}`: relays: {fault}")));
            }
        }
        faults
    }
}
