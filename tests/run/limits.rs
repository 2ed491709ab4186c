//! A set of more exposures than files may be open at once.

use super::*;

#[test]
fn a_set_too_large_for_the_limit_on_open_files_says_what_to_raise() {
    let here = by_events();
    let few = "kind: bias, start: '2026-09-05T18:00:00Z', count: 4";
    assert!(FRAMES.contains(few));
    here.shoot(&FRAMES.replace(few, &few.replace("count: 4", "count: 90")));
    let errors = here.path("errors.log");
    let child = Command::new("sh")
        .args(["-c", "ulimit -n 64 && exec \"$0\" run --config \"$1\""])
        .args([program(), here.settings()])
        .stderr(File::create(&errors).unwrap())
        .spawn()
        .unwrap();
    let mut daemon = Daemon { child, errors };
    daemon.wait_to_hear("its 90 exposures are more files than may be open at once, 64: raise");
    // It stays one master's failure, told once: the lights wait, and the loop goes on.
    daemon.wait_for("the reason in the log", || {
        let log = session(&here);
        log.is_some_and(|log| {
            log.lights.len() == 3 && log.lights.iter().all(|light| light.state == "waiting")
        })
    });
    fs::write(here.incoming().join("new.fits"), another_light(1)).unwrap();
    daemon.wait_for("one more light", || {
        session(&here).unwrap().lights.len() == 4
    });
    assert_eq!(
        daemon.said().matches("more files than may be open").count(),
        1
    );
    assert!(daemon.end(Signal::TERM).success());
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("all lights", || calibrated(&here) == 4);
    ends_as_by_once(daemon, &here);
}
