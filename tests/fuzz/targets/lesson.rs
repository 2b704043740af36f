#![no_main]
libfuzzer_sys::fuzz_target!(|bytes: &[u8]| fobwatch::hostile::lesson(bytes));
