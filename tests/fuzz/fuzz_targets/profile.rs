//! Any text as a profile: every problem has a place, and what is accepted can be told in words.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    match foldwatch_profile::parse(text) {
        Ok(loaded) => assert!(!foldwatch_profile::explain(&loaded.profile).is_empty()),
        Err(problems) => assert!(!problems.is_empty()),
    }
});
