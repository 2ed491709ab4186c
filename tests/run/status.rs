//! What `status` tells of a daemon, and that nothing depends on its file.

use super::*;

/// What `status` says, and its exit status.
pub fn status(here: &Observatory) -> (String, Option<i32>) {
    let output = here.call(&["status"]);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    (text, output.status.code())
}

#[test]
fn status_knows_a_daemon_that_runs_from_one_that_stopped_or_was_killed() {
    let here = by_events();
    let (text, code) = status(&here);
    assert!(text.starts_with("no word  ") && code == Some(1), "{text}");
    let mut daemon = Daemon::start(&here);
    here.shoot(&FRAMES.replace("kind: bias", "kind: dark, exposure_s: 9"));
    daemon.wait_for("what waits", || {
        let (text, code) = status(&here);
        let waits = text.contains("no bias master for");
        code == Some(0) && text.starts_with("running") && text.contains("watching") && waits
    });
    let (text, _) = status(&here);
    assert!(text.contains("the night of 2026-09-05 closes"), "{text}");
    assert!(text.contains(" for output in "), "{text}");
    daemon.end(Signal::KILL);
    let (text, code) = status(&here);
    assert!(text.starts_with("not running  last heard of"), "{text}");
    assert_eq!(code, Some(1));
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("the start", || status(&here).0.starts_with("running"));
    daemon.end(Signal::TERM);
    let (text, _) = status(&here);
    assert!(
        text.starts_with("not running") && text.contains("told to stop"),
        "{text}"
    );
    // What an earlier daemon said is not true of `once`, nor is there anything left of it.
    here.once();
    assert!(status(&here).0.contains("no daemon has left word"));
}

#[test]
fn a_status_file_that_cannot_be_written_holds_nothing_up_and_is_written_later() {
    let here = by_events();
    let in_the_way = here.path("state/status.json");
    fs::create_dir_all(in_the_way.join("not-empty")).unwrap();
    let mut manager = Manager::of(&here);
    let mut daemon = manager.start(&here);
    here.shoot(FRAMES);
    manager.hear_until("STATUS=making");
    manager.heard.clear();
    manager.hear_until("STATUS=watching");
    // At rest, over more than one look at what there is to say.
    for _ in 0..9 {
        manager.heard.clear();
        manager.hear_until("WATCHDOG=1");
    }
    // Nobody hears any more: what is not read would hold it up in the end.
    drop(manager);
    assert_eq!(calibrated(&here), 3);
    assert!(in_the_way.is_dir());
    fs::remove_dir_all(&in_the_way).unwrap();
    daemon.wait_for("its word", || {
        in_the_way.is_file() && status(&here).0.contains("watching, since")
    });
    ends_as_by_once(daemon, &here);
}
