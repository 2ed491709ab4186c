//! A profile as typed becomes a checked one, or an error with its place. Frames are then read by it.

#![no_main]

use std::path::Path;
use std::sync::Arc;

use dawnledger::config::parse_profile;
use dawnledger::facts::{Card, Header, RelPath, Value};
use dawnledger::frame::{of_supplied, recognise};
use libfuzzer_sys::fuzz_target;

fn header() -> Header {
    let text = |keyword, value: &str| Card::new(keyword, Value::Text(value.to_owned()), "");
    Header::new(vec![
        text("IMAGETYP", "Light Frame"),
        text("INSTRUME", "Petrel 26M"),
        text("FILTER", "H"),
        text("DATE-OBS", "2026-09-05T21:00:00"),
        Card::new("EXPTIME", Value::Real(120.0), ""),
        Card::new("GAIN", Value::Integer(100), ""),
    ])
}

fuzz_target!(|text: &str| {
    match parse_profile(text, Path::new("/etc/profile.yaml")) {
        Ok(profile) => {
            let path = RelPath::new(Path::new("night/flats/a.fits")).expect("a path");
            let profiles = [Arc::new(profile)];
            let _ = recognise(&header(), 96, 64, &path, &profiles);
            for file in &profiles[0].supplied {
                let _ = of_supplied(&header(), 96, 64, file, &profiles[0]);
            }
        }
        Err(error) => {
            assert!(error.line > 0 && error.column > 0 && !error.message.is_empty());
        }
    }
});
