//! A component that imports what no procedure gets.

/// Exports exist for wasm only: a host's linker would refuse their names.
#[cfg(target_arch = "wasm32")]
mod component {
    #![allow(unsafe_code, missing_docs, reason = "written by the binding generator")]

    wit_bindgen::generate!({
        inline: r"
            package test:foreign@1.0.0;
            interface sockets { connect: func(to: string) -> bool; }
            world foreign {
                import sockets;
                export tapewright:procedure/entry@0.1.0;
            }
        ",
        path: "../../../../wit",
        world: "test:foreign/foreign",
        generate_all,
    });

    use exports::tapewright::procedure::entry::{Description, Guest, Setting};
    use tapewright::procedure::types::Outcome;

    struct Foreign;

    impl Guest for Foreign {
        fn describe() -> Description {
            Description {
                name: "foreign".into(),
                version: "0.1.0".into(),
                purpose: "Calls home.".into(),
                needs: vec![],
                uses: vec![],
                modes: vec![],
                parameters: vec![],
                cautions: vec![],
                cover_off: false,
                tells: "Nothing.".into(),
                when_it_fails: "Nothing.".into(),
                duration_s: 0.0,
            }
        }

        fn run(_settings: Vec<Setting>) -> Outcome {
            if test::foreign::sockets::connect("home") { Outcome::Pass } else { Outcome::Unable }
        }
    }

    export!(Foreign);
}
