//! Watch folders that go away, are replaced, run in circles, or of which the system does not tell.

use std::os::unix::fs::symlink;

use super::*;

#[test]
fn a_folder_that_goes_away_and_comes_back_loses_nothing() {
    for here in [by_events(), by_polling()] {
        // Without native events of the root's parent a scan must notice: make scans frequent.
        let mut daemon = Daemon::start(&here);
        let sub = here.incoming().join("one").join("two");
        fs::create_dir_all(&sub).unwrap();
        for (name, bytes) in rendered() {
            fs::write(sub.join(name), bytes).unwrap();
        }
        daemon.wait_for("three lights in a new sub-folder", || {
            calibrated(&here) == 3
        });
        let before = products(&here.tree());
        fs::rename(here.incoming(), here.path("elsewhere")).unwrap();
        daemon.wait_to_hear("count as away");
        assert_same(&products(&here.tree()), &before, "while it is away");
        assert_eq!(calibrated(&here), 3, "entries stay");
        fs::rename(here.path("elsewhere"), here.incoming()).unwrap();
        let (name, _) = rendered().pop().unwrap();
        fs::write(here.incoming().join("new.fits"), another_light(1)).unwrap();
        daemon.wait_for("a light after its return", || calibrated(&here) == 4);
        fs::remove_file(sub.join(name)).unwrap();
        assert!(daemon.end(Signal::TERM).success());
        assert_eq!(calibrated(&here), 4);
    }
}

#[test]
fn a_folder_that_is_not_there_yet_is_waited_for() {
    let here = by_polling();
    fs::remove_dir(here.incoming()).unwrap();
    let mut daemon = Daemon::start(&here);
    daemon.wait_to_hear("count as away");
    here.shoot(FRAMES);
    daemon.wait_for("three lights", || calibrated(&here) == 3);
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn another_folder_put_in_its_place_is_watched() {
    for here in [by_events(), by_polling()] {
        here.shoot(FRAMES);
        let mut daemon = Daemon::start(&here);
        daemon.wait_for("three lights", || calibrated(&here) == 3);
        let before = products(&here.tree());
        let fresh = here.path("fresh");
        fs::create_dir(&fresh).unwrap();
        fs::rename(here.incoming(), here.path("elsewhere")).unwrap();
        fs::rename(&fresh, here.incoming()).unwrap();
        daemon.wait_to_hear("no longer in their folders");
        assert_same(
            &products(&here.tree()),
            &before,
            "products of files that are gone",
        );
        fs::write(here.incoming().join("new.fits"), another_light(1)).unwrap();
        daemon.wait_for("a light in the other folder", || calibrated(&here) == 4);
        // What is written to the old one is none of ours.
        fs::write(here.path("elsewhere/more.fits"), another_light(2)).unwrap();
        fs::write(here.incoming().join("newer.fits"), another_light(4)).unwrap();
        daemon.wait_for("one more", || calibrated(&here) == 5);
        assert!(daemon.end(Signal::TERM).success());
    }
}

#[test]
fn links_that_run_in_circles_are_not_followed() {
    let here = by_events();
    let deep = here.incoming().join("one/two");
    fs::create_dir_all(&deep).unwrap();
    symlink(here.incoming(), deep.join("up")).unwrap();
    symlink("itself", deep.join("itself")).unwrap();
    symlink(".", here.incoming().join("here")).unwrap();
    symlink("ring-b", here.incoming().join("ring-a")).unwrap();
    symlink("ring-a", here.incoming().join("ring-b")).unwrap();
    symlink("round.fits", here.incoming().join("round.fits")).unwrap();
    let mut daemon = Daemon::start(&here);
    for (name, bytes) in rendered() {
        fs::write(deep.join(name), bytes).unwrap();
    }
    daemon.wait_for("three lights", || calibrated(&here) == 3);
    let log = session(&here).unwrap();
    assert_eq!(log.ledger.seen, 7, "each file once: {:?}", log.refused);
    assert!(daemon.end(Signal::TERM).success());
}

/// The limit of `user_namespaces(7)` on watches, lowered for the daemon alone.
#[test]
fn where_the_system_has_no_watches_left_folders_are_scanned() {
    let allowed = Command::new("unshare")
        .args(["--user", "--map-root-user", "sh", "-c"])
        .arg("echo 2 >/proc/sys/user/max_inotify_watches")
        .stderr(Stdio::null())
        .status();
    if !allowed.is_ok_and(|status| status.success()) {
        eprintln!("not allowed to lower the limit on watches: left out");
        return;
    }
    let here = by_events();
    change_settings(&here, "settle_s: 1", "settle_s: 1\nscan_interval_s: 1");
    let deep = here.incoming().join("one/two/three");
    fs::create_dir_all(&deep).unwrap();
    let script = "echo 2 >/proc/sys/user/max_inotify_watches && exec \"$0\" run --config \"$1\"";
    let errors = here.path("errors.log");
    let child = Command::new("unshare")
        .args(["--user", "--map-root-user", "sh", "-c", script])
        .args([program(), here.settings()])
        .stderr(File::create(&errors).unwrap())
        .spawn()
        .unwrap();
    let mut daemon = Daemon { child, errors };
    daemon.wait_to_hear("limit on watches is reached");
    for (name, bytes) in rendered() {
        fs::write(deep.join(name), bytes).unwrap();
    }
    daemon.wait_for("three lights", || calibrated(&here) == 3);
    let complaints = daemon.said().matches("limit on watches").count();
    assert_eq!(complaints, 1, "said once, not at every scan");
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn more_events_than_the_queue_holds_end_in_a_scan() {
    let most = fs::read_to_string("/proc/sys/fs/inotify/max_queued_events").unwrap();
    let most: usize = most.trim().parse().unwrap();
    if most > 100_000 {
        eprintln!("the queue of events holds {most}: left out");
        return;
    }
    let here = by_events();
    let mut daemon = Daemon::start(&here);
    daemon.wait_to_hear("watching");
    // While it stands still the queue fills, and what comes last is lost.
    daemon.signal(Signal::STOP);
    let scratch = here.incoming().join("scratch.txt");
    for _ in 0..=most / 2 {
        // Created, opened, closed, removed: no two events in a row are alike.
        drop(File::create(&scratch).unwrap());
        fs::remove_file(&scratch).unwrap();
    }
    for (name, bytes) in rendered() {
        fs::write(here.incoming().join(name), bytes).unwrap();
    }
    daemon.signal(Signal::CONT);
    daemon.wait_to_hear("more happened than the queue of file events holds");
    daemon.wait_for("three lights", || calibrated(&here) == 3);
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn files_from_the_future_are_taken_in_and_their_night_stays_open() {
    for here in [by_events(), by_polling()] {
        let frames = FRAMES.replace("2026-", "2126-");
        here.shoot(&frames);
        let mut daemon = Daemon::start(&here);
        let log = here.products().join("nights/2126-09-05/session.yaml");
        daemon.wait_for("three lights", || {
            let text = fs::read_to_string(&log).unwrap_or_default();
            dawnledger::night::parse(&text).is_ok_and(|log| {
                let made = |state: &str| state == "calibrated";
                log.state == dawnledger::facts::NightState::Open
                    && log.lights.iter().filter(|l| made(&l.state)).count() == 3
            })
        });
        assert!(daemon.end(Signal::TERM).success());
    }
}
