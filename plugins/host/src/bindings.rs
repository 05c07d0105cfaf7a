//! What the contract's text becomes in Rust, on the host's side.

wasmtime::component::bindgen!({
    path: "../wit",
    world: "procedure",
    imports: { default: async | trappable },
    exports: { default: async },
    with: { "tapewright:procedure/captures.capture": crate::state::Held },
    require_store_data_send: true,
});
