//! Disks that are full, may not be written to, or are gone. Where it takes a mount and mounting
//! is not allowed, a test says so and is left out.

use super::*;

/// Something mounted; taken off again when a test ends, however it ends.
struct Mount {
    path: PathBuf,
}

impl Mount {
    /// Nothing where it is not allowed.
    fn new(path: PathBuf, arguments: &[&str], what: &Path) -> Option<Self> {
        fs::create_dir_all(&path).unwrap();
        let mount = Command::new("mount")
            .args(arguments)
            .arg(what)
            .arg(&path)
            .status();
        if mount.is_ok_and(|status| status.success()) {
            return Some(Self { path });
        }
        eprintln!("not allowed to mount: left out");
        None
    }

    /// A file system of this size in the observatory's folder `small`.
    fn small(here: &Observatory, size: &str) -> Option<Self> {
        let size = format!("size={size}");
        Self::new(
            here.path("small"),
            &["-t", "tmpfs", "-o", &size],
            Path::new("none"),
        )
    }

    fn again(&self, options: &str) {
        let mount = Command::new("mount")
            .args(["-o", options])
            .arg(&self.path)
            .status();
        assert!(mount.unwrap().success(), "{options}");
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.path).status();
    }
}

/// How many files below a folder have names that end so.
fn ending(folder: &Path, end: &str) -> usize {
    let all = files(folder);
    let ends = |path: &&PathBuf| path.to_string_lossy().ends_with(end);
    all.iter().filter(ends).count()
}

#[test]
fn a_full_disk_is_waited_out() {
    let here = by_events();
    let Some(small) = Mount::small(&here, "1000k") else {
        return;
    };
    change_settings(&here, "output: products", "output: small/products");
    let ballast = small.path.join("ballast");
    fs::write(&ballast, vec![1; 990_000]).unwrap();
    here.shoot(FRAMES);
    let mut daemon = Daemon::start(&here);
    daemon.wait_to_hear("no space left");
    let visible = |end: &str| ending(&small.path, end);
    assert_eq!(visible(".fits"), 0, "nothing half-written is visible");
    fs::remove_file(&ballast).unwrap();
    daemon.wait_for("all products once there is room", || visible(".fits") == 4);
    assert!(daemon.end(Signal::TERM).success());
}

/// A compressed light is decoded on the state's disk.
#[test]
fn a_state_disk_too_small_to_decode_is_waited_for_and_blamed_on_no_file() {
    let hook = "settle_s: 1\nhooks:\n  - when: [failed, recovered]\n    command: [/bin/sh, -c, ";
    let here = by_events();
    let Some(small) = Mount::small(&here, "4m") else {
        return;
    };
    let told = here.path("told");
    change_settings(&here, "state: state", "state: small/state");
    let hook = format!("{hook}'cat >>{}']", told.display());
    change_settings(&here, "settle_s: 1", &hook);
    here.shoot(FRAMES);
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("three lights", || calibrated(&here) == 3);
    let mut light = another_light(1);
    light.resize(light.len() + (16 << 20), 0);
    fs::write(here.incoming().join("new.fits.gz"), gzip(&light)).unwrap();
    let events = || {
        let text = fs::read_to_string(&told).unwrap_or_default();
        let documents = serde_json::Deserializer::from_str(&text).into_iter();
        let documents: Vec<serde_json::Value> = documents.map_while(Result::ok).collect();
        let words = documents.iter().map(|document| {
            assert_eq!(document["cause"], "disk", "{text}");
            document["event"].as_str().unwrap().to_owned()
        });
        words.collect::<Vec<_>>()
    };
    daemon.wait_for("the hook", || events() == ["failed"]);
    daemon.wait_for("its word", || {
        let (text, code) = status(&here);
        code == Some(0)
            && text.contains("waiting: ")
            && text.contains("scratch file: No space left")
    });
    assert!(!daemon.said().contains("could not be read"));
    small.again("remount,size=64m");
    daemon.wait_for("the fourth light", || calibrated(&here) == 4);
    daemon.wait_for("the end of it", || events() == ["failed", "recovered"]);
    let log = session(&here).unwrap();
    assert!(log.refused.is_empty(), "{:?}", log.refused);
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn a_full_state_disk_is_waited_out_even_at_the_start() {
    let here = by_events();
    let Some(small) = Mount::small(&here, "2000k") else {
        return;
    };
    change_settings(&here, "state: state", "state: small/state");
    let ballast = small.path.join("ballast");
    // As much as there is room for.
    let _ = fs::write(&ballast, vec![1; 3_000_000]);
    here.shoot(FRAMES);
    let mut daemon = Daemon::start(&here);
    daemon.wait_to_hear("trying again");
    // There is no room for its word, but it holds the folder.
    daemon.wait_for("a sign of it", || {
        let (text, code) = status(&here);
        code == Some(0) && text.starts_with("at work") && text.contains("waits for room here")
    });
    fs::remove_file(&ballast).unwrap();
    daemon.wait_for("three lights once there is room", || calibrated(&here) == 3);
    ends_as_by_once(daemon, &here);
}

#[test]
fn told_to_stop_while_it_waits_for_its_disk_it_ends() {
    let here = by_events();
    fs::write(here.products(), "in the way").unwrap();
    let mut daemon = Daemon::start(&here);
    daemon.wait_to_hear("trying again");
    assert!(daemon.end(Signal::TERM).success());
    let (text, code) = status(&here);
    assert!(
        text.starts_with("not running") && text.contains("told to stop"),
        "{text}"
    );
    assert_eq!(code, Some(1));
}

#[test]
fn told_to_read_the_settings_again_while_it_waits_it_does() {
    let here = by_events();
    fs::write(here.products(), "in the way").unwrap();
    let good = fs::read_to_string(here.settings()).unwrap();
    let mut daemon = Daemon::start(&here);
    daemon.wait_to_hear("trying again");
    change_settings(&here, "57.3", "157.3");
    daemon.signal(Signal::HUP);
    daemon.wait_to_hear("the settings are refused, the old ones stay in force");
    let elsewhere = good.replace("output: products", "output: elsewhere");
    fs::write(here.settings(), elsewhere).unwrap();
    daemon.signal(Signal::HUP);
    daemon.wait_to_hear("the settings were read again");
    here.shoot(FRAMES);
    daemon.wait_for("products where they go now", || {
        ending(&here.path("elsewhere"), ".fits") == 4
    });
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn what_it_waits_for_at_the_start_is_told_as_any_trouble_is() {
    let hook = "settle_s: 1\nhooks:\n  - when: [failed, recovered]\n    command: [/bin/sh, -c, ";
    let here = by_events();
    let told = here.path("told");
    let hook = format!("{hook}'cat >>{}']", told.display());
    change_settings(&here, "settle_s: 1", &hook);
    fs::write(here.products(), "in the way").unwrap();
    here.shoot(FRAMES);
    let events = || {
        let text = fs::read_to_string(&told).unwrap_or_default();
        let documents = serde_json::Deserializer::from_str(&text).into_iter();
        let documents: Vec<serde_json::Value> = documents.map_while(Result::ok).collect();
        let words = documents.iter().map(|document| {
            assert_eq!(document["cause"], "disk");
            let text = document["text"].as_str().unwrap();
            assert!(
                text.contains("products: could not make the folder"),
                "{text}"
            );
            document["event"].as_str().unwrap().to_owned()
        });
        words.collect::<Vec<_>>()
    };
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("the hook", || events() == ["failed"]);
    daemon.wait_for("its word", || {
        let (text, code) = status(&here);
        let waits =
            text.contains("waiting: ") && text.contains("products: could not make the folder");
        code == Some(0) && text.starts_with("running") && waits
    });
    fs::remove_file(here.products()).unwrap();
    daemon.wait_for("three lights", || calibrated(&here) == 3);
    daemon.wait_for("the end of it", || events() == ["failed", "recovered"]);
    ends_as_by_once(daemon, &here);
    assert_eq!(events(), ["failed", "recovered"]);
}

#[test]
fn a_disk_that_is_full_when_the_settings_are_read_again_is_waited_out() {
    let here = by_events();
    let Some(small) = Mount::small(&here, "2000k") else {
        return;
    };
    change_settings(&here, "state: state", "state: small/state");
    here.shoot(FRAMES);
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("three lights", || calibrated(&here) == 3);
    let ballast = small.path.join("ballast");
    // What the loop gives back on its way must not be room enough for the next.
    let fill = || fs::write(&ballast, vec![1; 3_000_000]).unwrap_err();
    fill();
    let two = "{path: incoming}, {path: second}";
    change_settings(&here, "{path: incoming}", two);
    fs::create_dir(here.path("second")).unwrap();
    daemon.signal(Signal::HUP);
    daemon.wait_to_hear("trying again");
    fs::remove_file(&ballast).unwrap();
    daemon.wait_to_hear("the settings were read again");
    assert!(!daemon.said().contains("refused"), "they are good");
    fs::write(here.incoming().join("new.fits"), another_light(1)).unwrap();
    daemon.wait_for("a light once there is room", || calibrated(&here) == 4);
    ends_as_by_once(daemon, &here);
}

#[test]
fn an_output_that_becomes_read_only_is_waited_for() {
    let here = by_events();
    let Some(small) = Mount::small(&here, "10m") else {
        return;
    };
    change_settings(&here, "output: products", "output: small/products");
    here.shoot(FRAMES);
    let visible = |end: &str| ending(&small.path, end);
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("all products", || visible(".fits") == 4);
    daemon.wait_for("the page", || visible("morning.html") == 1);
    small.again("remount,ro");
    fs::write(here.incoming().join("new.fits"), another_light(1)).unwrap();
    daemon.wait_to_hear("read-only file system");
    small.again("remount,rw");
    daemon.wait_for("the product that was held up", || visible(".fits") == 5);
    assert_eq!(visible(".making"), 0);
    assert!(daemon.end(Signal::TERM).success());
}

#[test]
fn an_output_whose_disk_is_taken_off_is_waited_for_and_not_made_anew() {
    let here = by_events();
    let real = here.path("real");
    fs::create_dir(&real).unwrap();
    let Some(mount) = Mount::new(here.path("disk"), &["--bind"], &real) else {
        return;
    };
    let mount_point = mount.path.clone();
    change_settings(&here, "output: products", "output: disk/products");
    here.shoot(FRAMES);
    let products = || {
        let all = files(&real);
        all.iter()
            .filter(|path| path.extension().is_some_and(|end| end == "fits"))
            .count()
    };
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("all products", || products() == 4);
    drop(mount);
    fs::write(here.incoming().join("new.fits"), another_light(1)).unwrap();
    daemon.wait_to_hear("not there any more");
    daemon.signal(Signal::HUP);
    daemon.wait_to_hear("everything is opened anew");
    // Who hears of this has tried to open the folders.
    change_settings(&here, "57.3", "157.3");
    daemon.signal(Signal::HUP);
    daemon.wait_to_hear("the settings are refused");
    change_settings(&here, "157.3", "57.3");
    assert_eq!(
        fs::read_dir(&mount_point).unwrap().count(),
        0,
        "on the wrong disk"
    );
    let mount = Mount::new(mount_point, &["--bind"], &real);
    daemon.wait_for("the product that was held up", || products() == 5);
    assert!(daemon.end(Signal::TERM).success());
    drop(mount);
}

/// A watch folder's disk is taken off and comes back: no event tells of either.
#[test]
fn a_watch_folder_whose_disk_is_taken_off_is_away_not_emptied() {
    let here = by_events();
    change_settings(&here, "settle_s: 1", "settle_s: 1\nscan_interval_s: 1");
    let real = here.path("real");
    fs::create_dir(&real).unwrap();
    let Some(other) = Mount::small(&here, "10m") else {
        return;
    };
    let mount = || Mount::new(here.incoming(), &["--bind"], &other.path);
    let mounted = mount();
    here.shoot(FRAMES);
    let mut daemon = Daemon::start(&here);
    daemon.wait_for("three lights", || calibrated(&here) == 3);
    let before = products(&here.tree());
    drop(mounted);
    daemon.wait_to_hear("empty, and its disk is not the one it was");
    assert_same(&products(&here.tree()), &before, "while it is away");
    let mounted = mount();
    daemon.wait_to_hear("the watch folder is back");
    fs::write(here.incoming().join("new.fits"), another_light(1)).unwrap();
    daemon.wait_for("a light after its return", || calibrated(&here) == 4);
    assert!(daemon.end(Signal::TERM).success());
    drop(mounted);
}
