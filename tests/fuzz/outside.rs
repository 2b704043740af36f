//! One of the checks of `fobwatch::hostile` under the fuzzer: the one that `FOBWATCH_CHECK` names.
#![no_main]

use std::{panic, path::Path, sync::LazyLock};

use fobwatch::hostile::{CHECKS, Check};

static CHECK: LazyLock<Check> = LazyLock::new(|| {
    let name = std::env::var("FOBWATCH_CHECK").unwrap_or_default();
    let found = CHECKS.iter().find(|(known, _)| *known == name);
    let Some((_, check)) = found else {
        let known = CHECKS.map(|(known, _)| known).join(", ");
        eprintln!("FOBWATCH_CHECK is `{name}`; allowed: {known}");
        std::process::exit(2);
    };
    if name == "columns" {
        forgive_the_library();
    }
    *check
});

/// The fuzzer ends at any panic. Those with which the library of Parquet gives up are caught by our reader, and are no finding.
fn forgive_the_library() {
    let ends = panic::take_hook();
    panic::set_hook(Box::new(move |panic| {
        // Paths within the workspace are relative to it.
        if panic
            .location()
            .is_none_or(|at| Path::new(at.file()).is_relative())
        {
            ends(panic);
        }
    }));
}

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| (*CHECK)(bytes));
