//! The pages, as a reader and as a browser would take them.
//!
//! The pages of an invented night of 300 lights are left in `target/tmp/pages` for looking at.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "page/scene.rs"]
mod scene;

use std::fs;
use std::path::Path;

use dawnledger::page::{index, morning, sensors, targets};

#[test]
fn pages_are_left_for_looking_at() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
    let night = folder.join("nights/2026-11-14");
    fs::create_dir_all(&night).unwrap();
    let log = scene::log();
    let page = morning(&log, &scene::facts(), &scene::previews(&log));
    println!("{} bytes", page.len());
    fs::write(night.join("morning.html"), page).unwrap();
    let history = scene::history();
    fs::write(folder.join("index.html"), index(&history, "Skarn Hill")).unwrap();
    fs::write(folder.join("targets.html"), targets(&history, "Skarn Hill")).unwrap();
    fs::write(folder.join("sensors.html"), sensors(&history, "Skarn Hill")).unwrap();
}
