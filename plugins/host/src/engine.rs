//! Taking a component: compiled, its imports looked at, asked to describe itself.

use crate::bindings::live::LiveProcedurePre;
use crate::bindings::{ProcedurePre, exports::tapewright::procedure::entry};
use crate::description::Description;
use crate::error::{EngineError, LoadError, Permission};
use crate::limits::{ASYNC_STACK_BYTES, COMPONENT_BYTES, DESCRIBE_FUEL, FUEL_A_YIELD, Limits, STACK_BYTES};
use crate::run::reason;
use crate::services::sha256_hex;
use crate::state::State;
use tapewright_clock::Clock;
use wasmtime::component::{Component, HasSelf, Linker};
use wasmtime::{Config, Store};

/// The contract that this daemon has.
pub const CONTRACT: &str = "0.1.0";

/// The wasm runtime's version, as the workspace pins it.
pub const WASMTIME: &str = "48.0.8";

/// The runtime's switches that may change a result, for the record.
pub const SWITCHES: &str = "cranelift; simd128; no relaxed simd; no nan canonicalization; fuel";

const PACKAGE: &str = "tapewright:procedure/";

/// The wasm runtime, set up for procedures. Cheap to clone.
#[derive(Clone)]
pub struct Engine {
    pub(crate) engine: wasmtime::Engine,
    linker: Linker<State>,
}

/// A component that was taken: compiled, and described.
#[derive(Clone)]
pub struct Procedure {
    pub(crate) pre: ProcedurePre<State>,
    /// Its live readings, if it exports them.
    pub(crate) live: Option<LiveProcedurePre<State>>,
    /// What it says of itself.
    pub description: Description,
    /// What it may do: the interfaces that it imports.
    pub permissions: Vec<Permission>,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// The contract that it was built for.
    pub contract: String,
}

impl Procedure {
    /// Whether it can show live readings.
    #[must_use]
    pub const fn is_live(&self) -> bool {
        self.live.is_some()
    }
}

impl std::fmt::Debug for Engine {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Engine(wasmtime {WASMTIME}, contract {CONTRACT})")
    }
}

impl std::fmt::Debug for Procedure {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Procedure({} {}, {})", self.description.name, self.description.version, self.sha256)
    }
}

impl Engine {
    /// Starts the runtime.
    ///
    /// # Errors
    /// If the machine does not allow it, e.g. too little address space.
    pub fn new() -> Result<Self, EngineError> {
        let mut config = Config::new();
        config
            .consume_fuel(true)
            .wasm_memory64(false)
            .wasm_relaxed_simd(false)
            .max_wasm_stack(STACK_BYTES)
            .async_stack_size(ASYNC_STACK_BYTES)
            .concurrency_support(false);
        let engine = wasmtime::Engine::new(&config).map_err(EngineError)?;
        let mut linker = Linker::new(&engine);
        crate::bindings::Procedure::add_to_linker::<_, HasSelf<State>>(&mut linker, |state| state)
            .map_err(EngineError)?;
        Ok(Self { engine, linker })
    }

    /// Takes a component: compiles it (this blocks for some tenths of a second), refuses what is not a
    /// procedure of this contract, and asks it to describe itself.
    ///
    /// # Errors
    /// [`LoadError`] says what is wrong with it.
    pub async fn load(&self, bytes: &[u8]) -> Result<Procedure, LoadError> {
        if bytes.len() > COMPONENT_BYTES {
            return Err(LoadError::TooLarge { bytes: bytes.len(), allowed: COMPONENT_BYTES });
        }
        if !bytes.starts_with(b"\0asm") {
            return Err(LoadError::NotWasm { begins: beginning(bytes) });
        }
        // A core module and a component differ in the layer, the upper half of the version.
        if bytes.starts_with(b"\0asm\x01\0\0\0") {
            return Err(LoadError::CoreModule);
        }
        let component = Component::from_binary(&self.engine, bytes).map_err(LoadError::NotAComponent)?;
        let contract = self.contract_of(&component)?;
        let permissions = self.permissions_of(&component)?;
        let pre = self.linker.instantiate_pre(&component).and_then(ProcedurePre::new).map_err(|source| {
            if contract == CONTRACT {
                LoadError::DoesNotFit { needs: contract.clone(), source }
            } else {
                LoadError::WrongContract { needs: contract.clone(), have: CONTRACT, source: Some(source) }
            }
        })?;
        let live = self.live_of(&component, &pre, &contract)?;
        let description = self.describe(&pre).await?;
        Ok(Procedure { pre, live, description, permissions, sha256: sha256_hex(bytes), contract })
    }

    /// The version of the exported entry.
    fn contract_of(&self, component: &Component) -> Result<String, LoadError> {
        let exports: Vec<String> =
            component.component_type().exports(&self.engine).map(|(name, _)| name.to_owned()).collect();
        let entry = format!("{PACKAGE}entry@");
        let needs = exports.iter().find_map(|name| name.strip_prefix(&entry)).map(str::to_owned);
        match needs {
            Some(needs) if track(&needs) == track(CONTRACT) => Ok(needs),
            Some(needs) => Err(LoadError::WrongContract { needs, have: CONTRACT, source: None }),
            None => Err(LoadError::NoEntry { entry: format!("{entry}{CONTRACT}"), exports }),
        }
    }

    /// The live readings, where it exports any.
    fn live_of(
        &self,
        component: &Component,
        pre: &ProcedurePre<State>,
        contract: &str,
    ) -> Result<Option<LiveProcedurePre<State>>, LoadError> {
        let live = format!("{PACKAGE}live@");
        if !component.component_type().exports(&self.engine).any(|(name, _)| name.starts_with(&live)) {
            return Ok(None);
        }
        LiveProcedurePre::new(pre.instance_pre().clone())
            .map(Some)
            .map_err(|source| LoadError::DoesNotFit { needs: contract.to_owned(), source })
    }

    fn permissions_of(&self, component: &Component) -> Result<Vec<Permission>, LoadError> {
        let mut permissions = Vec::new();
        for (import, _) in component.component_type().imports(&self.engine) {
            let interface =
                import.strip_prefix(PACKAGE).and_then(|rest| rest.split_once('@')).map(|(interface, _)| interface);
            match interface {
                Some("types") => {}
                Some(interface) => match Permission::ALL.iter().find(|permission| permission.as_str() == interface) {
                    Some(permission) => permissions.push(*permission),
                    None => return Err(LoadError::UnknownImport { import: import.to_owned() }),
                },
                None => return Err(LoadError::UnknownImport { import: import.to_owned() }),
            }
        }
        permissions.sort_unstable();
        permissions.dedup();
        Ok(permissions)
    }

    pub(crate) fn store(&self, state: State, fuel: u64) -> wasmtime::Result<Store<State>> {
        let (bytes_a_call, handles) = (state.limits.bytes_a_call, state.limits.captures_held);
        let mut store = Store::new(&self.engine, state);
        store.limiter(|state| &mut state.limiter);
        store.set_fuel(fuel)?;
        store.fuel_async_yield_interval(Some(FUEL_A_YIELD))?;
        store.set_hostcall_fuel(bytes_a_call);
        // The table of captures says it in words, and a little sooner.
        store.set_max_component_handles(handles.saturating_add(1));
        Ok(store)
    }

    /// Nothing answers while a component describes itself, so nothing can take time but computing.
    async fn describe(&self, pre: &ProcedurePre<State>) -> Result<Description, LoadError> {
        let limits = Limits { fuel: DESCRIBE_FUEL, ..Limits::default() };
        let mute = |reason: String| LoadError::Mute { reason };
        let state = State::new(None, Clock::real(), limits);
        let mut store = self.store(state, DESCRIBE_FUEL).map_err(|e| mute(e.to_string()))?;
        let told: wasmtime::Result<entry::Description> = async {
            let instance = pre.instantiate_async(&mut store).await?;
            instance.tapewright_procedure_entry().call_describe(&mut store).await
        }
        .await;
        let told = told.map_err(|error| mute(reason(&error, store.data())))?;
        Description::from_told(told).map_err(|faults| LoadError::Description { faults })
    }
}

/// How a file begins, in words: as text where it is one, else in bytes.
fn beginning(bytes: &[u8]) -> String {
    const SHOWN: usize = 16;
    let first = &bytes[..bytes.len().min(SHOWN)];
    if first.is_empty() {
        return "is empty".to_owned();
    }
    let is_text = |byte: &u8| (0x20..0x7f).contains(byte) || matches!(byte, b'\n' | b'\r' | b'\t');
    if first.iter().all(is_text) {
        return format!("begins with the text `{}`", String::from_utf8_lossy(first).replace(['\n', '\r', '\t'], " "));
    }
    let shown = first.iter().map(|byte| format!("{byte:02x}")).collect::<Vec<_>>().join(" ");
    format!("begins with the bytes {shown}")
}

/// What must be equal for two versions to go together: the major number, or the minor one while that is 0.
fn track(version: &str) -> (&str, &str) {
    let mut parts = version.split('.');
    match (parts.next().unwrap_or(""), parts.next().unwrap_or("")) {
        ("0", minor) => ("0", minor),
        (major, _) => (major, ""),
    }
}
