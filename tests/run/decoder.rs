//! Decoders that hang or crash, and what becomes of them and of their file when the daemon is killed.

use rustix::process::test_kill_process;

use super::*;

/// The decoder of this file, once it writes: its limits are set, and it ends with its parent.
fn decoder(file: &Path) -> Option<Pid> {
    let entries = fs::read_dir("/proc").unwrap().flatten();
    let numbers = entries.filter_map(|entry| entry.file_name().to_str()?.parse::<i32>().ok());
    numbers.filter_map(Pid::from_raw).find(|pid| {
        let descriptors = Path::new("/proc").join(pid.to_string()).join("fd");
        let reads = fs::read_link(descriptors.join("0")).is_ok_and(|input| input == file);
        reads && fs::metadata(descriptors.join("1")).is_ok_and(|output| output.len() > 0)
    })
}

/// Three lights, and beside them one with a long tail of zeros, which takes a while to inflate; where that
/// lies.
fn with_a_slow_light() -> (Observatory, PathBuf) {
    let here = by_events();
    here.shoot(FRAMES);
    let tail = gzip(&vec![0; 16 << 20]).repeat(16);
    let file = here.incoming().join("new.fits.gz");
    fs::write(&file, [gzip(&another_light(1)), tail].concat()).unwrap();
    (here, fs::canonicalize(file).unwrap())
}

#[test]
fn a_decoder_that_hangs_is_no_hanging_daemon_and_killed_with_it_says_nothing_of_the_file() {
    let (here, file) = with_a_slow_light();
    let mut manager = Manager::of(&here);
    let mut daemon = manager.start(&here);
    // What nobody hears would hold it up.
    manager.socket.set_nonblocking(true).unwrap();
    let forget = || while manager.socket.recv(&mut [0; 4096]).is_ok() {};
    let mut found = None;
    daemon.wait_for("a decoder", || {
        forget();
        found = decoder(&file);
        found.is_some()
    });
    let found = found.unwrap();
    kill_process(found, Signal::STOP).unwrap();
    forget();
    manager.socket.set_nonblocking(false).unwrap();
    // More of them than could have been under way already.
    for _ in 0..3 {
        manager.heard.clear();
        manager.hear_until("WATCHDOG=1");
    }
    assert!(decoder(&file).is_some(), "it hangs still");
    daemon.signal(Signal::KILL);
    let patience = Instant::now() + Duration::from_secs(60);
    while test_kill_process(found).is_ok() && decoder(&file).is_some() {
        assert!(Instant::now() < patience, "the decoder outlives the daemon");
        std::thread::sleep(Duration::from_millis(20));
    }
    drop(daemon);
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("the fourth light", || calibrated(&here) == 4);
    let log = session(&here).unwrap();
    assert!(log.refused.is_empty(), "{:?}", log.refused);
    ends_as_by_once(daemon, &here);
}

/// As often as it takes: Rust looks at a first SIGSEGV for a stack that overflowed, and lets one that was real
/// happen again.
#[test]
fn a_decoder_that_crashes_costs_its_own_file_and_that_is_not_tried_again() {
    let (here, file) = with_a_slow_light();
    // Its header is not read, so it belongs to the night in which it was last changed.
    let handle = File::options().write(true).open(&file).unwrap();
    handle.set_modified(evening()).unwrap();
    let poisoned = || {
        let log = session(&here)?;
        let [place] = log.refused.as_slice() else {
            return None;
        };
        let told = place
            .file
            .ends_with("new.fits.gz")
            .then(|| place.reason.clone());
        told.filter(|_| calibrated(&here) == 3)
    };
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("three lights and the fourth file refused", || {
        if let Some(found) = decoder(&file) {
            // It may be gone by now.
            let _ = kill_process(found, Signal::SEGV);
        }
        poisoned().is_some()
    });
    let reason = poisoned().unwrap();
    assert!(
        reason.starts_with("poisoned: the decoder ended with SIGSEGV"),
        "{reason}"
    );
    daemon.signal(Signal::KILL);
    drop(daemon);
    let mut daemon = Daemon::start(&here);
    fs::write(here.incoming().join("other.fits"), another_light(2)).unwrap();
    daemon.wait_for("another light", || calibrated(&here) == 4);
    assert!(decoder(&file).is_none());
    let log = session(&here).unwrap();
    assert_eq!(log.refused.len(), 1);
    assert_eq!(log.refused[0].reason, reason);
    assert!(daemon.end(Signal::TERM).success());
}
