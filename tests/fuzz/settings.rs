//! Settings as typed become checked ones, or an error with its place.

#![no_main]

use std::path::Path;

use dawnledger::config::{ConfigError, parse_profile, parse_settings};
use libfuzzer_sys::fuzz_target;

const PROFILE: &str = "name: any\ncamera: '*'\ncalibration: {bias: {rule: required}, dark: {rule: never}, flat-dark: {rule: never}, flat: {rule: never}}\n";

fn placed(error: &ConfigError) {
    assert!(error.line > 0 && error.column > 0 && !error.message.is_empty());
}

fuzz_target!(|text: &str| {
    let file = Path::new("/etc/settings.yaml");
    match parse_settings(text, file) {
        Ok(draft) => {
            let profile = parse_profile(PROFILE, file).expect("a profile");
            let paths = draft.profile_paths().iter().cloned();
            let profiles = paths.map(|path| (path, profile.clone())).collect();
            if let Err(error) = draft.complete(profiles) {
                placed(&error);
            }
        }
        Err(error) => placed(&error),
    }
});
