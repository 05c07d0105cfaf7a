//! What the contract's text becomes in Rust, on the host's side.

wasmtime::component::bindgen!({
    path: "../wit",
    world: "procedure",
    imports: { default: async | trappable },
    exports: { default: async },
    with: { "tapewright:procedure/captures.capture": crate::state::Held },
    require_store_data_send: true,
});

/// What a procedure with live readings exports besides.
pub(crate) mod live {
    wasmtime::component::bindgen!({
        path: "../wit",
        world: "live-procedure",
        exports: { default: async },
        with: { "tapewright:procedure/types": crate::bindings::tapewright::procedure::types },
        require_store_data_send: true,
    });
}
