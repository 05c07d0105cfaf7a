//! A component of a later minor contract, with a function that this one has not.

/// Exports exist for wasm only: a host's linker would refuse their names.
#[cfg(target_arch = "wasm32")]
mod component {
    #![allow(unsafe_code, missing_docs, reason = "written by the binding generator")]

    wit_bindgen::generate!({
        inline: r"
            package tapewright:procedure@0.1.1;
            interface report { shout: func(text: string); }
            interface entry { describe: func() -> string; }
            world procedure { import report; export entry; }
        ",
    });

    struct Later;

    impl exports::tapewright::procedure::entry::Guest for Later {
        fn describe() -> String {
            tapewright::procedure::report::shout("here I am");
            "later".into()
        }
    }

    export!(Later);
}
