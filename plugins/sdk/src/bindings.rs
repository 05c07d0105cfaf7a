//! What the contract's text becomes in Rust. Procedures use the friendlier names of the crate's root.
#![expect(missing_docs, reason = "written by the binding generator")]
#![allow(clippy::all, reason = "written by the binding generator, which is not held to the house's style")]

wit_bindgen::generate!({
    path: "../wit",
    world: "procedure",
    pub_export_macro: true,
    export_macro_name: "export_bindings",
    default_bindings_module: "tapewright_sdk::bindings",
});

/// What a procedure with live readings exports besides.
#[allow(clippy::all, reason = "written by the binding generator, which is not held to the house's style")]
pub mod live {
    wit_bindgen::generate!({
        path: "../wit",
        world: "live-procedure",
        with: { "tapewright:procedure/types@0.1.0": crate::bindings::tapewright::procedure::types },
        pub_export_macro: true,
        export_macro_name: "export_live_bindings",
        default_bindings_module: "tapewright_sdk::bindings::live",
    });
}
