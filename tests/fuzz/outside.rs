//! One of the checks of `fobwatch::hostile` under the fuzzer: the one that `FOBWATCH_CHECK` names.
#![no_main]

use std::sync::LazyLock;

use fobwatch::hostile::{CHECKS, Check};

static CHECK: LazyLock<Check> = LazyLock::new(|| {
    let name = std::env::var("FOBWATCH_CHECK").unwrap_or_default();
    let found = CHECKS.iter().find(|(known, _)| *known == name);
    let Some((_, check)) = found else {
        let known = CHECKS.map(|(known, _)| known).join(", ");
        eprintln!("FOBWATCH_CHECK is `{name}`; allowed: {known}");
        std::process::exit(2);
    };
    *check
});

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| (*CHECK)(bytes));
