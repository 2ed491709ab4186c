//! The daemon at work: writers that dawdle, names that change, folders that go away, signals.
//!
//! Tests wait for what should come about, for as long as a slow machine may need, and never
//! measure time.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod observatory;

#[path = "run/damage.rs"]
mod damage;
#[path = "run/decoder.rs"]
mod decoder;
#[path = "run/disk.rs"]
mod disk;
#[path = "run/folders.rs"]
mod folders;
#[path = "run/limits.rs"]
mod limits;
#[path = "run/status.rs"]
mod status;

use std::fs::{self, File, OpenOptions};
use std::io::{Read, Write};
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant, SystemTime};

use dawnledger::facts::SessionLog;
use observatory::{EVENING, FRAMES, Observatory, PROFILE, assert_same, files, program};
use rustix::process::{Pid, Signal, kill_process};
use status::status;

const SETTLE: Duration = Duration::from_secs(1);

fn by_events() -> Observatory {
    Observatory::new(&[("north", PROFILE)], "settle_s: 1")
}

/// An observatory whose watch folder is polled, as on a share that reports no events.
fn by_polling() -> Observatory {
    let here = by_events();
    let text = fs::read_to_string(here.settings()).unwrap();
    fs::write(
        here.settings(),
        text.replace("{path: incoming}", "{path: incoming, poll_s: 1}"),
    )
    .unwrap();
    here
}

/// Frames rendered beforehand, to be written by hand.
fn rendered() -> Vec<(PathBuf, Vec<u8>)> {
    let scenario = dawnledger::simulate::Scenario::parse(FRAMES).unwrap();
    dawnledger::simulate::frames(&scenario)
        .iter()
        .map(|file| {
            (
                file.path.clone(),
                dawnledger::simulate::render(&scenario, file),
            )
        })
        .collect()
}

/// The daemon; killed when a test fails.
struct Daemon {
    child: Child,
    errors: PathBuf,
}

impl Daemon {
    fn start(here: &Observatory) -> Self {
        Self::start_with(here, |_| {})
    }

    fn start_with(here: &Observatory, change: impl FnOnce(&mut Command)) -> Self {
        let errors = here.path("errors.log");
        let mut command = Command::new(program());
        command
            .args(["run", "--config"])
            .arg(here.settings())
            .stderr(
                OpenOptions::new()
                    .create(true)
                    .append(true)
                    .open(&errors)
                    .unwrap(),
            );
        change(&mut command);
        Self {
            child: command.spawn().unwrap(),
            errors,
        }
    }

    fn said(&self) -> String {
        fs::read_to_string(&self.errors).unwrap_or_default()
    }

    fn wait_to_hear(&mut self, words: &str) {
        let errors = self.errors.clone();
        self.wait_for(words, || {
            let said = fs::read_to_string(&errors).unwrap_or_default();
            said.to_lowercase().contains(words)
        });
    }

    fn wait_for(&mut self, what: &str, mut come: impl FnMut() -> bool) {
        let patience = Instant::now() + Duration::from_secs(60);
        while !come() {
            if let Some(status) = self.child.try_wait().unwrap() {
                panic!(
                    "the daemon ended with {status} before {what}\n{}",
                    self.said()
                );
            }
            assert!(
                Instant::now() < patience,
                "waited in vain for {what}\n{}",
                self.said()
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn signal(&self, signal: Signal) {
        kill_process(
            Pid::from_raw(self.child.id().cast_signed()).unwrap(),
            signal,
        )
        .unwrap();
    }

    fn end(mut self, signal: Signal) -> ExitStatus {
        self.signal(signal);
        let mut status = None;
        let patience = Instant::now() + Duration::from_secs(60);
        while status.is_none() {
            assert!(
                Instant::now() < patience,
                "it does not end\n{}",
                self.said()
            );
            std::thread::sleep(Duration::from_millis(10));
            status = self.child.try_wait().unwrap();
        }
        status.unwrap()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn session(here: &Observatory) -> Option<SessionLog> {
    let path = here
        .products()
        .join("nights")
        .join(EVENING)
        .join("session.yaml");
    dawnledger::night::parse(&fs::read_to_string(path).ok()?).ok()
}

/// Settings with other words in place of these.
fn change_settings(here: &Observatory, from: &str, to: &str) {
    let text = fs::read_to_string(here.settings()).unwrap();
    assert!(text.contains(from), "{from} in {text}");
    fs::write(here.settings(), text.replace(from, to)).unwrap();
}

/// A light that is not among the others: one of theirs with a pixel changed.
fn another_light(number: u8) -> Vec<u8> {
    let (_, mut bytes) = rendered().pop().unwrap();
    let at = bytes.len() - 2900;
    bytes[at] ^= number;
    bytes
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

/// Late in the evening of [`FRAMES`].
fn evening() -> SystemTime {
    SystemTime::UNIX_EPOCH + Duration::from_secs(1_788_645_600)
}

fn calibrated(here: &Observatory) -> usize {
    session(here).map_or(0, |log| {
        log.lights
            .iter()
            .filter(|light| light.state == "calibrated")
            .count()
    })
}

fn no_leftovers(here: &Observatory) {
    let left: Vec<_> = files(&here.products())
        .into_iter()
        .filter(|path| path.extension().is_some_and(|end| end == "making"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}

/// What `once` makes of the same frames.
fn wanted(here: &Observatory) -> observatory::Tree {
    let calm = by_events();
    calm.copy_frames(here);
    calm.once();
    calm.tree()
}

fn products(tree: &observatory::Tree) -> observatory::Tree {
    let mut tree = tree.clone();
    tree.retain(|path, _| path.extension().is_some_and(|end| end == "fits"));
    tree
}

/// Told to stop it ends well, and has left what `once` makes of the same files.
fn ends_as_by_once(daemon: Daemon, here: &Observatory) {
    assert!(daemon.end(Signal::TERM).success());
    assert_same(
        &products(&here.tree()),
        &products(&wanted(here)),
        "as by once",
    );
}

#[test]
fn a_night_comes_in_by_events_and_by_polling() {
    for here in [by_events(), by_polling()] {
        let mut daemon = Daemon::start(&here);
        for (name, bytes) in rendered() {
            fs::write(here.incoming().join(name), bytes).unwrap();
        }
        daemon.wait_for("three calibrated lights", || calibrated(&here) == 3);
        ends_as_by_once(daemon, &here);
        no_leftovers(&here);
    }
}

#[test]
fn slow_writers_are_waited_for() {
    for here in [by_events(), by_polling()] {
        let mut daemon = Daemon::start(&here);
        let mut frames = rendered();
        let (last, bytes) = frames.pop().unwrap();
        // One that pauses in mid-header, in mid-data and, half-way, far longer than the settle
        // time; the others come under a temporary name and are renamed.
        let mut slow = File::create(here.incoming().join(&last)).unwrap();
        slow.write_all(&bytes[..1000]).unwrap();
        for (name, bytes) in &frames {
            let temporary = here.incoming().join(format!("{}.tmp", name.display()));
            fs::write(&temporary, bytes).unwrap();
            fs::rename(&temporary, here.incoming().join(name)).unwrap();
        }
        slow.write_all(&bytes[1000..5000]).unwrap();
        slow.flush().unwrap();
        daemon.wait_for("the others", || calibrated(&here) == 2);
        std::thread::sleep(3 * SETTLE);
        let log = session(&here).unwrap();
        assert!(
            log.refused.is_empty() && log.lights.len() == 2,
            "taken in too early: {log:?}"
        );
        slow.write_all(&bytes[5000..]).unwrap();
        drop(slow);
        daemon.wait_for("the slow one", || calibrated(&here) == 3);
        let log = session(&here).unwrap();
        assert!(
            log.ignored.is_empty(),
            "a vanished temporary never counts: {:?}",
            log.ignored
        );
        ends_as_by_once(daemon, &here);
    }
}

#[test]
fn five_thousand_files_at_once_are_all_accounted_for() {
    let here = by_events();
    let tiny = FRAMES.replace("width: 64, height: 48", "width: 16, height: 12");
    let scenario = dawnledger::simulate::Scenario::parse(&tiny).unwrap();
    let frames = dawnledger::simulate::frames(&scenario);
    let mut bias = dawnledger::simulate::render(&scenario, &frames[0]);
    let mut daemon = Daemon::start(&here);
    let marked = bias.len() - 2880 + 40;
    for number in 0..5000_u32 {
        // Sets of a few, so that the test is about the burst and not about the masters.
        bias[marked..marked + 4].copy_from_slice(&number.to_be_bytes());
        fs::write(here.incoming().join(format!("{number:04}.fits")), &bias).unwrap();
    }
    let seen = || session(&here).map_or(0, |log| log.ledger.seen);
    daemon.wait_for("5,000 files in the log", || seen() == 5000);
    let log = session(&here).unwrap();
    assert_eq!(
        (log.ledger.calibration, log.calibration.len()),
        (5000, 5000)
    );
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn what_came_while_it_was_stopped_is_found() {
    let here = by_events();
    let mut frames = rendered();
    let late = frames.split_off(frames.len() - 1);
    for (name, bytes) in &frames {
        fs::write(here.incoming().join(name), bytes).unwrap();
    }
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("two lights", || calibrated(&here) == 2);
    assert!(daemon.end(Signal::INT).success());
    fs::write(here.incoming().join(&late[0].0), &late[0].1).unwrap();
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("the third", || calibrated(&here) == 3);
    // And one that is replaced under its name while the daemon runs.
    let before = session(&here).unwrap();
    let mut bytes = late[0].1.clone();
    let at = bytes.len() - 2900;
    bytes[at] ^= 1;
    fs::write(here.incoming().join(&late[0].0), &bytes).unwrap();
    let product = |log: &SessionLog| {
        log.lights
            .iter()
            .map(|light| light.product.clone())
            .collect::<Vec<_>>()
    };
    daemon.wait_for("the new contents", || {
        session(&here).is_some_and(|log| {
            log.lights.len() == 3 && calibrated(&here) == 3 && product(&log) != product(&before)
        })
    });
    ends_as_by_once(daemon, &here);
}

#[test]
fn told_to_stop_in_the_middle_it_ends_cleanly() {
    for signal in [Signal::TERM, Signal::INT] {
        let here = by_events();
        here.shoot(&FRAMES.replace("width: 64, height: 48", "width: 2000, height: 1500"));
        let mut daemon = Daemon::start(&here);
        daemon.wait_for("work to begin", {
            let products = here.products();
            move || {
                files(&products)
                    .iter()
                    .any(|path| path.extension().is_some_and(|end| end == "making"))
                    || !files(&products).is_empty()
            }
        });
        let errors = daemon.errors.clone();
        let status = daemon.end(signal);
        let said = fs::read_to_string(errors).unwrap();
        assert!(status.success(), "{status}\n{said}");
        no_leftovers(&here);
        here.once();
        assert_same(&here.tree(), &wanted(&here), "after all");
    }
}

#[test]
fn only_one_works_on_a_folder() {
    let here = by_events();
    let mut daemon = Daemon::start(&here);
    let state = here.path("state");
    daemon.wait_for("the catalogue", || state.join("catalogue.sqlite").exists());
    let output = here.call(&["once"]);
    assert_eq!(
        output.status.code(),
        Some(1),
        "{}",
        observatory::said(&output)
    );
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(text.contains("another dawnledger works here"), "{text}");
    for reader in ["plan", "check"] {
        let output = here.call(&[reader]);
        assert!(output.status.success(), "{}", observatory::said(&output));
    }
    assert!(daemon.end(Signal::TERM).success());
    here.once();
}

/// What a service manager hears.
struct Manager {
    socket: UnixDatagram,
    address: PathBuf,
    heard: Vec<String>,
}

impl Manager {
    fn of(here: &Observatory) -> Self {
        let address = here.path("notify");
        let socket = UnixDatagram::bind(&address).unwrap();
        let patience = Some(Duration::from_secs(60));
        socket.set_read_timeout(patience).unwrap();
        let heard = Vec::new();
        Self {
            socket,
            address,
            heard,
        }
    }

    /// The daemon with a watchdog of two seconds.
    fn start(&self, here: &Observatory) -> Daemon {
        Daemon::start_with(here, |command| {
            command
                .env("NOTIFY_SOCKET", &self.address)
                .env("WATCHDOG_USEC", "2000000");
        })
    }

    /// Hears on until something begins like this; what was heard before counts.
    fn hear_until(&mut self, wanted: &str) {
        let mut buffer = [0; 4096];
        while !self.heard.iter().any(|line| line.starts_with(wanted)) {
            let count = self.socket.recv(&mut buffer).unwrap_or_else(|error| {
                panic!(
                    "waited in vain for {wanted} ({error}), heard {:?}",
                    self.heard
                )
            });
            let text = String::from_utf8_lossy(&buffer[..count]);
            self.heard.extend(text.lines().map(str::to_owned));
        }
    }
}

#[test]
fn the_service_manager_hears_of_it() {
    let here = by_events();
    let mut manager = Manager::of(&here);
    let daemon = manager.start(&here);
    manager.hear_until("READY=1");
    // Ready means watched: what is written from now on is noticed at once.
    manager.hear_until("WATCHDOG=1");
    here.shoot(FRAMES);
    manager.hear_until("STATUS=making");
    manager.hear_until("STATUS=watching");
    daemon.signal(Signal::TERM);
    manager.hear_until("STOPPING=1");
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn a_hangup_has_the_settings_read_again_and_wrong_ones_are_refused() {
    let here = by_events();
    let mut daemon = Daemon::start(&here);
    let errors = daemon.errors.clone();
    let said = move |words: &str| fs::read_to_string(&errors).unwrap().contains(words);
    daemon.wait_for("the start", || said("watching"));
    let good = fs::read_to_string(here.settings()).unwrap();
    fs::create_dir(here.path("second")).unwrap();
    let two = good.replace("{path: incoming}", "{path: incoming}, {path: second}");
    fs::write(here.settings(), &two).unwrap();
    daemon.signal(Signal::HUP);
    daemon.wait_for("good settings", || said("the settings were read again"));
    // Folders apart on paper but not on disk: only the start finds that out.
    fs::remove_dir(here.path("second")).unwrap();
    std::os::unix::fs::symlink(here.incoming(), here.path("second")).unwrap();
    for (wrong, complaint) in [
        (two.replace("57.3", "157.3"), "settings.yaml:1:"),
        (
            two.replace("elevation_m: 310", "elevation_m: 311"),
            "must be apart",
        ),
    ] {
        fs::write(here.settings(), wrong).unwrap();
        let refusal = "the settings are refused, the old ones stay in force: ";
        daemon.signal(Signal::HUP);
        daemon.wait_for(complaint, || said(refusal) && said(complaint));
    }
    fs::remove_file(here.path("second")).unwrap();
    fs::create_dir(here.path("second")).unwrap();
    fs::write(here.path("second").join("note.fits"), "no frame").unwrap();
    let session = here.products();
    daemon.wait_for("a file in the new folder", || {
        let logs = files(&session);
        logs.iter()
            .any(|log| fs::read_to_string(log).is_ok_and(|text| text.contains("note.fits")))
    });
    daemon.wait_for("its word on what was wrong", || {
        let (text, code) = status(&here);
        text.starts_with("running") && text.contains("must be apart") && code == Some(0)
    });
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn each_room_has_a_level_of_its_own() {
    let here = by_events();
    here.shoot(FRAMES);
    let once = |filter: &str| {
        let mut command = Command::new(program());
        command.args(["once", "--config"]).arg(here.settings());
        let output = command.env("DAWNLEDGER_LOG", filter).output().unwrap();
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    let quiet = once("warn,dawnledger::daemon::flushing=debug");
    assert!(
        quiet.contains("flushed") && !quiet.contains("taken in"),
        "{quiet}"
    );
    fs::remove_dir_all(here.path("state")).unwrap();
    let usual = once("info,dawnledger::watch=debug");
    assert!(
        usual.contains("taken in") && !usual.contains("flushed"),
        "{usual}"
    );
    let wrong = once("dawnledger::scan=lots");
    assert!(
        wrong.contains("DAWNLEDGER_LOG: not understood, info is taken"),
        "{wrong}"
    );
}

#[test]
fn wrong_settings_are_wrong_usage() {
    let here = by_events();
    let text = fs::read_to_string(here.settings()).unwrap();
    fs::write(
        here.settings(),
        text.replace("latitude_deg: 57.3", "latitude_deg: 157.3"),
    )
    .unwrap();
    let mut child = Command::new(program())
        .args(["run", "--config"])
        .arg(here.settings())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut text = String::new();
    child
        .stderr
        .take()
        .unwrap()
        .read_to_string(&mut text)
        .unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(2), "{text}");
    assert!(
        text.contains("settings.yaml:1:") && text.contains("157.3"),
        "{text}"
    );
}

#[test]
fn a_short_file_is_refused_when_its_night_is_over() {
    let here = Observatory::new(
        &[("north", PROFILE)],
        "settle_s: 1\nclose: {quiet_minutes: 0}",
    );
    let (name, bytes) = rendered().pop().unwrap();
    let path = here.incoming().join(&name);
    fs::write(&path, &bytes[..5000]).unwrap();
    File::options()
        .write(true)
        .open(&path)
        .unwrap()
        .set_modified(evening())
        .unwrap();
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("the refusal", || {
        session(&here).is_some_and(|log| {
            log.lights.iter().any(|light| {
                let reason = light.reason.as_deref().unwrap_or_default();
                light.state == "refused" && reason.starts_with("truncated: 5000 bytes")
            })
        })
    });
    // And it is looked at again when the rest comes after all.
    fs::write(&path, &bytes).unwrap();
    daemon.wait_for("the whole file", || {
        session(&here).is_some_and(|log| log.lights.iter().any(|light| light.state == "waiting"))
    });
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn a_file_that_changes_leaves_the_night_it_was_in() {
    // Every file counts from the time of its last change; the night of the first is long over.
    let here = Observatory::new(
        &[("north", PROFILE)],
        "settle_s: 1\nclose: {quiet_minutes: 0}",
    );
    let text = fs::read_to_string(here.settings()).unwrap();
    let polled = text.replace("{path: incoming}", "{path: incoming, poll_s: 1}");
    fs::write(here.settings(), polled).unwrap();
    let notes = here.incoming().join("notes.txt");
    let write = |line: &str, at| {
        fs::write(&notes, line).unwrap();
        File::options()
            .write(true)
            .open(&notes)
            .unwrap()
            .set_modified(at)
            .unwrap();
    };
    write("dew\n", evening());
    let mut daemon = Daemon::start(&here);
    let ignored = |night: &str| {
        let path = here
            .products()
            .join("nights")
            .join(night)
            .join("session.yaml");
        let text = fs::read_to_string(path).unwrap_or_default();
        dawnledger::night::parse(&text).map_or(0, |log| log.ignored.len())
    };
    daemon.wait_for("the notes in the first night", || ignored(EVENING) == 1);
    write("dew\nand wind\n", evening() + Duration::from_secs(86_400));
    daemon.wait_for("the notes in the second night", || {
        ignored("2026-09-06") == 1
    });
    daemon.wait_for("the first night without them", || ignored(EVENING) == 0);
    assert!(daemon.end(Signal::TERM).success());
}
