//! Builds crates of this workspace to components, from within a build script.
//!
//! Two build scripts include this file: the one of the shipped procedures and the one of the
//! components that the host's tests run. A nested cargo builds the crates for wasm under the profile
//! `component`, into the target folder of the outer build. A target folder has a lock for each profile,
//! so the nested build never waits for the outer one, which holds another profile's.
//!
//! The bytes depend on the sources, the lock file and the compiler alone: flags and wrappers of the
//! outer build (clippy's, a continuous-integration's) are cleared, and paths are remapped.

use std::env;
use std::error::Error;
use std::ffi::OsString;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

use sha2::{Digest as _, Sha256};

type Result<T> = std::result::Result<T, Box<dyn Error>>;

const TARGET: &str = "wasm32-unknown-unknown";
const PROFILE: &str = "component";

/// What every guest stands on, from the workspace's root.
const COMMON: &[&str] = &[
    "Cargo.toml",
    "Cargo.lock",
    "rust-toolchain.toml",
    "plugins/shipped/build",
    "plugins/wit",
    "plugins/sdk",
    "daemon/formats",
    "daemon/measure",
];

/// One crate that becomes a component.
pub(crate) struct Guest {
    /// Name under which it is embedded.
    pub(crate) name: &'static str,
    /// Name of the crate.
    pub(crate) package: &'static str,
}

/// Builds every guest and writes `components.rs` into `OUT_DIR`: a list of `Shipped { name, bytes, sha256 }`.
///
/// `watched` are paths from the workspace's root whose change calls for another build.
pub(crate) fn build(guests: &[Guest], watched: &[&str]) -> Result<()> {
    let out = PathBuf::from(variable("OUT_DIR")?);
    let root = workspace_root()?;
    for path in watched.iter().chain(COMMON) {
        println!("cargo::rerun-if-changed={}", root.join(path).display());
    }
    println!("cargo::rerun-if-env-changed=RUSTUP_TOOLCHAIN");

    have_target()?;
    let target_dir = target_folder(&out)?;
    compile(guests, &root, &target_dir)?;

    let mut listing = String::from("&[\n");
    for guest in guests {
        let module = target_dir.join(TARGET).join(PROFILE).join(format!("{}.wasm", guest.package.replace('-', "_")));
        let core = fs::read(&module).map_err(|e| format!("the nested build left no {}: {e}", module.display()))?;
        let component = wit_component::ComponentEncoder::default()
            .module(&core)
            .and_then(|encoder| encoder.validate(true).encode())
            .map_err(|e| format!("{} does not make a component: {e:#}", guest.package))?;
        let path = out.join(format!("{}.component.wasm", guest.name));
        fs::write(&path, &component)?;
        let mut sha256 = String::new();
        for byte in Sha256::digest(&component) {
            write!(sha256, "{byte:02x}")?;
        }
        writeln!(
            listing,
            "    Shipped {{ name: {:?}, bytes: include_bytes!({:?}), sha256: {sha256:?} }},",
            guest.name,
            path.to_str().ok_or("the target folder's path is not UTF-8: move the project")?
        )?;
    }
    listing.push_str("]\n");
    fs::write(out.join("components.rs"), listing)?;
    Ok(())
}

/// How a build script ends: with the error's text, if there is one.
pub(crate) fn finish(result: Result<()>) -> ExitCode {
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            println!("cargo::error={}", error.to_string().replace('\n', " "));
            ExitCode::FAILURE
        }
    }
}

fn variable(name: &str) -> Result<OsString> {
    env::var_os(name).ok_or_else(|| format!("cargo did not set {name}: run this through cargo").into())
}

/// The workspace: the nearest folder above the crate that holds `Cargo.lock`.
fn workspace_root() -> Result<PathBuf> {
    let crate_folder = PathBuf::from(variable("CARGO_MANIFEST_DIR")?);
    crate_folder
        .ancestors()
        .find(|folder| folder.join("Cargo.lock").is_file())
        .map(Path::to_path_buf)
        .ok_or_else(|| format!("no Cargo.lock above {}", crate_folder.display()).into())
}

/// The target folder of the outer build: the nearest folder above `OUT_DIR` that cargo marked as a cache.
/// (`CARGO_TARGET_DIR` would not tell of `--target-dir`.)
fn target_folder(out: &Path) -> Result<PathBuf> {
    out.ancestors()
        .find(|folder| folder.join("CACHEDIR.TAG").is_file())
        .or_else(|| out.ancestors().nth(4))
        .map(Path::to_path_buf)
        .ok_or_else(|| format!("no target folder above {}", out.display()).into())
}

/// Makes sure that the compiler has the wasm target, by rustup if need be: rustup adds the targets of
/// rust-toolchain.toml by itself, unless it was told not to (`RUSTUP_AUTO_INSTALL=0`).
fn have_target() -> Result<()> {
    if has_target()? {
        return Ok(());
    }
    let by_hand = format!("type `rustup target add {TARGET}` in the project's folder, then build again");
    let added = Command::new("rustup")
        .args(["target", "add", TARGET])
        .env("RUST_BACKTRACE", "0")
        .current_dir(workspace_root()?)
        .output();
    match added {
        Ok(done) if done.status.success() && has_target()? => Ok(()),
        Ok(done) => Err(format!(
            "the compiler lacks the target {TARGET}, which procedures are built for, and `rustup target add {TARGET}` did not add it ({}): {by_hand}",
            String::from_utf8_lossy(&done.stderr).trim()
        )
        .into()),
        Err(error) => Err(format!(
            "the compiler lacks the target {TARGET}, which procedures are built for, and rustup did not start ({error}): {by_hand}; \
             without rustup, install the package of your system that holds the standard library for {TARGET}"
        )
        .into()),
    }
}

fn has_target() -> Result<bool> {
    let rustc = variable("RUSTC")?;
    let asked = Command::new(&rustc).args(["--print", "target-libdir", "--target", TARGET]).output()?;
    let folder = PathBuf::from(String::from_utf8(asked.stdout)?.trim());
    let holds_core = |entry: &fs::DirEntry| entry.file_name().to_string_lossy().starts_with("libcore-");
    Ok(fs::read_dir(folder).is_ok_and(|mut entries| entries.any(|entry| entry.is_ok_and(|entry| holds_core(&entry)))))
}

fn compile(guests: &[Guest], root: &Path, target_dir: &Path) -> Result<()> {
    let mut cargo = Command::new(variable("CARGO")?);
    for (name, _) in env::vars_os() {
        if is_inherited(&name.to_string_lossy()) {
            cargo.env_remove(&name);
        }
    }
    cargo
        .current_dir(root)
        .args(["build", "--locked", "--profile", PROFILE, "--target", TARGET])
        .env("CARGO_TARGET_DIR", target_dir)
        .env("CARGO_ENCODED_RUSTFLAGS", flags(root)?);
    for guest in guests {
        cargo.args(["--package", guest.package]);
    }
    let done = cargo.output().map_err(|e| format!("cargo did not start: {e}"))?;
    if done.status.success() {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&done.stderr);
    let names: Vec<_> = guests.iter().map(|g| g.package).collect();
    // The whole text goes where cargo shows it: to the script's own error stream.
    std::io::Write::write_all(&mut std::io::stderr(), said.as_bytes())?;
    Err(format!("building {} for {TARGET} failed: the nested cargo's messages are above", names.join(", ")).into())
}

/// Whether a variable of the outer build would change the guests' bytes, or talk to the wrong crate.
fn is_inherited(name: &str) -> bool {
    const EXACT: &[&str] = &[
        "RUSTC_WORKSPACE_WRAPPER",
        "CLIPPY_ARGS",
        "CLIPPY_CONF_DIR",
        "RUSTFLAGS",
        "RUSTDOCFLAGS",
        "CARGO_ENCODED_RUSTFLAGS",
        "CARGO_INCREMENTAL",
        "RUSTC_LINKER",
        "CARGO_MANIFEST_DIR",
        "CARGO_MANIFEST_PATH",
        "CARGO_PRIMARY_PACKAGE",
    ];
    const PREFIXES: &[&str] = &[
        "CARGO_BUILD_",
        "CARGO_PROFILE_",
        "CARGO_TARGET_",
        "CARGO_CFG_",
        "CARGO_FEATURE_",
        "CARGO_PKG_",
        "CARGO_UNSTABLE_",
    ];
    EXACT.contains(&name) || PREFIXES.iter().any(|prefix| name.starts_with(prefix))
}

/// The guests' flags: fixed-width SIMD, and paths that say nothing about the machine.
fn flags(root: &Path) -> Result<OsString> {
    let rustc = variable("RUSTC")?;
    let sysroot = String::from_utf8(Command::new(rustc).args(["--print", "sysroot"]).output()?.stdout)?;
    let library = Path::new(sysroot.trim()).join("lib/rustlib/src/rust");
    let registry = env::var_os("CARGO_HOME")
        .map(PathBuf::from)
        .or_else(|| env::home_dir().map(|home| home.join(".cargo")))
        .ok_or("neither CARGO_HOME nor a home folder is known")?;
    let mut flags = OsString::from("-Ctarget-feature=+simd128");
    for (from, to) in [(library.as_path(), "/rust"), (registry.as_path(), "/cargo"), (root, "/tapewright")] {
        flags.push("\x1f--remap-path-prefix=");
        flags.push(from);
        flags.push("=");
        flags.push(to);
    }
    Ok(flags)
}
