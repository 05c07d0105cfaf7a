//! A component of a newer contract.

/// Exports exist for wasm only: a host's linker would refuse their names.
#[cfg(target_arch = "wasm32")]
mod component {
    #![allow(unsafe_code, missing_docs, reason = "written by the binding generator")]

    wit_bindgen::generate!({
        inline: r"
            package tapewright:procedure@0.2.0;
            interface entry { describe: func() -> string; }
            world procedure { export entry; }
        ",
    });

    struct Newer;

    impl exports::tapewright::procedure::entry::Guest for Newer {
        fn describe() -> String {
            "newer".into()
        }
    }

    export!(Newer);
}
