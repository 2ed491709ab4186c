//! Single steps of the loop, with a clock and a disk of the tests' own.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod at_hand;
mod blame;
mod faults;
mod shelf;
mod stop;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use super::engine::Engine;
use super::intake::{Intake, Taken};
use super::service::Stop;
use super::supplied::Shelf;
use super::turn::Turn;
use super::{DaemonError, Mode, space};
use crate::config;
use crate::facts::{
    Content, Fingerprint, Hook, Made, MadeStats, Occasion, Recipe, RelPath, Settings, Task,
};
use crate::fits::Unpacker;
use crate::make::{MakeError, Maker, Pool, Pulse};
use crate::publish::{Disk, Gate, Op};
use crate::simulate::{Scenario, write_all};
use crate::watch::Hint;

const PROFILE: &str = "name: north-pier
camera: Petrel 26M
calibration:
  bias: {rule: required, min_frames: 3, quiet_s: 0}
  dark: {rule: never}
  flat-dark: {rule: never}
  flat: {rule: if-present}
";

const FRAMES: &str = "rigs:
  - camera: Petrel 26M
    sensor: {width: 32, height: 24}
    filters: [{name: H}]
    targets: [{name: Veil Nebula, stars: 3}]
    runs:
      - {kind: bias, start: '2026-09-05T18:00:00Z', count: 3}
      - {kind: light, filter: H, target: Veil Nebula, exposure_s: 60, start: '2026-09-05T21:00:00Z', count: 1}
";

/// Longer than files settle.
const LONG: SignedDuration = SignedDuration::from_secs(3600);

/// Refuses everything while it is shut.
#[derive(Default)]
struct Door {
    shut: AtomicBool,
}

impl Door {
    fn shut(&self, shut: bool) {
        self.shut.store(shut, Ordering::SeqCst);
    }
}

impl Gate for Door {
    fn pass(&self, _: Op, _: &Path) -> io::Result<()> {
        match self.shut.load(Ordering::SeqCst) {
            true => Err(io::ErrorKind::StorageFull.into()),
            false => Ok(()),
        }
    }
}

/// A folder with settings, one profile and a few frames.
struct Place {
    folder: tempfile::TempDir,
    door: Arc<Door>,
}

impl Place {
    fn new() -> Self {
        let here = Self {
            folder: tempfile::tempdir().unwrap(),
            door: Arc::default(),
        };
        fs::create_dir(here.path("incoming")).unwrap();
        write_all(&Scenario::parse(FRAMES).unwrap(), &here.path("incoming")).unwrap();
        here
    }

    fn path(&self, inside: &str) -> PathBuf {
        self.folder.path().join(inside)
    }

    fn settings(&self, profile: &str) -> Arc<Settings> {
        let text = "site: {name: Skarn Hill, latitude_deg: 57.3, longitude_deg: -4.4, elevation_m: 310}\n\
                    watch: [{path: incoming}]\noutput: products\nstate: state\nprofiles: [rig.yaml]\nthreads: 1\n";
        let draft = config::parse_settings(text, &self.path("settings.yaml")).unwrap();
        let path = draft.profile_paths()[0].clone();
        let profile = config::parse_profile(profile, &path).unwrap();
        Arc::new(draft.complete(vec![(path, profile)]).unwrap())
    }

    fn open(&self, profile: &str, mode: Mode) -> Engine {
        let disk = Disk::gated(self.door.clone());
        let settings = self.settings(profile);
        Engine::open(settings, disk, self.shelf(), mode, Stop::default()).unwrap()
    }

    fn shelf(&self) -> Shelf {
        let unpacker = Unpacker::new("no-such-program".into(), self.path("scratch"));
        Shelf::new(unpacker)
    }

    fn intake(&self, profile: &str) -> Intake {
        Intake {
            profiles: self.settings(profile).profiles.clone(),
            unpacker: Unpacker::new("no-such-program".into(), self.path("scratch")),
            pixels: Pool::default(),
        }
    }

    /// Takes in everything there is.
    fn take_in(&self, engine: &mut Engine, now: Timestamp) {
        engine.scan(0, now).unwrap();
        let taken = engine.due(now + LONG).into_iter().map(|request| {
            let taken = self.intake(PROFILE).take(
                &request.path,
                &request.look,
                request.known,
                true,
                &Pulse::default(),
            );
            (request.look, taken)
        });
        let taken = taken.collect();
        engine.taken_in(taken, now + LONG).unwrap();
    }
}

fn at(second: i64) -> Timestamp {
    Timestamp::from_second(1_790_000_000 + second).unwrap()
}

fn full(result: Result<(), DaemonError>) {
    let error = result.unwrap_err();
    assert!(error.is_passing(), "{error}");
}

#[test]
fn files_whose_rows_could_not_be_written_are_handed_out_again() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    engine.scan(0, at(0)).unwrap();
    let taken: Vec<_> = engine
        .due(at(100))
        .into_iter()
        .map(|request| {
            (
                request.look,
                Taken::In(Content::Refused("no frame".to_owned())),
            )
        })
        .collect();
    assert_eq!(taken.len(), 4);
    here.door.shut(true);
    full(engine.taken_in(taken, at(100)));
    here.door.shut(false);
    engine.scan(0, at(200)).unwrap();
    assert_eq!(
        engine.due(at(300)).len(),
        4,
        "handed out once there is room"
    );
}

#[test]
fn a_raw_file_that_cannot_be_read_holds_up_only_what_needs_it() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    here.take_in(&mut engine, at(0));
    let now = at(10_000);
    let tasks = engine.plan(now).unwrap().tasks;
    assert_eq!(tasks.len(), 1, "the bias: {tasks:?}");
    let unread = MakeError::Read {
        path: here.path("incoming/bias.fits"),
        source: io::Error::from_raw_os_error(5),
    };
    engine
        .not_made(&tasks[0], unread, Duration::ZERO, now)
        .unwrap();
    let plan = engine.plan(now).unwrap();
    assert!(plan.tasks.is_empty(), "not tried at once: {:?}", plan.tasks);
    engine.tell(now).unwrap();
    let log = here.path("products/nights/2026-09-05/session.yaml");
    let log = fs::read_to_string(log).unwrap();
    assert!(log.contains("could not read"), "the log says why: {log}");
    assert!(!engine.try_again(now));
    let soon = engine.again().unwrap();
    assert!(engine.try_again(soon));
    let again = engine.plan(now).unwrap().tasks;
    let prints = |tasks: &[Task]| {
        tasks
            .iter()
            .map(|task| task.fingerprint)
            .collect::<Vec<_>>()
    };
    assert_eq!(prints(&again), prints(&tasks), "tried again later");
}

#[test]
fn a_master_is_made_anew_even_where_the_disk_was_full_at_first() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    here.take_in(&mut engine, at(0));
    let task = engine.plan(at(10_000)).unwrap().tasks.remove(0);
    let product = "masters/any.fits".to_owned();
    let master = Made {
        fingerprint: Fingerprint::new([7; 32]),
        product: product.clone(),
        size: 2880,
        method: task.recipe.method().into(),
        inputs: Vec::new(),
        masters: Vec::new(),
        facts: None,
        stats: MadeStats::default(),
    };
    engine.made(master).unwrap();
    let unusable = || MakeError::Master {
        path: here.path("products").join(&product),
        reason: "damaged".to_owned(),
    };
    // The row of the damaged master cannot be taken out: that must not count as its second time.
    here.door.shut(true);
    let at_once = Duration::ZERO;
    full(engine.not_made(&task, unusable(), at_once, at(10_000)));
    here.door.shut(false);
    engine
        .not_made(&task, unusable(), at_once, at(10_001))
        .unwrap();
    assert_eq!(engine.plan(at(10_002)).unwrap().tasks.len(), 1);
}

#[test]
fn a_file_replaced_while_the_profiles_changed_is_read_in_full() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    here.take_in(&mut engine, at(0));
    drop(engine);
    let changed = format!("{PROFILE}filters: {{H: Ha}}\n");
    let light = fs::read_dir(here.path("incoming"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .find(|path| path.to_string_lossy().contains("light"))
        .unwrap();
    let mut bytes = fs::read(&light).unwrap();
    bytes[2880 + 100] ^= 1;
    fs::write(&light, bytes).unwrap();
    let mut engine = here.open(&changed, Mode::Run);
    engine.scan(0, at(20_000)).unwrap();
    let requests = engine.due(at(30_000));
    assert_eq!(requests.len(), 4, "all are recognised again");
    for request in requests {
        assert_eq!(
            request.known.is_none(),
            request.path == light,
            "{}: an old digest serves the old contents only",
            request.path.display()
        );
    }
}

#[test]
fn what_cannot_be_read_is_put_off_and_ends_once() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Once);
    engine.scan(0, at(0)).unwrap();
    let taken = engine.due(at(0)).into_iter().map(|request| {
        let denied = Taken::Later("denied".to_owned(), Duration::ZERO);
        (request.look, denied)
    });
    let taken = taken.collect();
    engine.taken_in(taken, at(0)).unwrap();
    assert_eq!(engine.due(at(0)).len(), 0, "once would never end");
    assert_eq!(engine.settle.put_off_count(), 4);
}

#[test]
fn a_product_fits_into_what_is_asked_for_and_no_task_begins_where_it_would_not() {
    let products = "products: {mask: true, uncertainty: true}\nsensor: {read_noise_e: 2, electrons_per_adu: 1}\n";
    let profile = format!("{PROFILE}{products}");
    let here = Place::new();
    let mut engine = here.open(&profile, Mode::Run);
    here.take_in(&mut engine, at(0));
    let folders = [("incoming".into(), here.path("incoming"))];
    let maker = Maker::new(
        Disk::default(),
        here.path("products"),
        folders.into(),
        Unpacker::new("no-such-program".into(), here.path("scratch")),
        1 << 26,
    );
    let mut last = None;
    while let Some(task) = engine.plan(at(10_000)).unwrap().tasks.pop() {
        space::check(&here.path("products"), &task).unwrap();
        let made = maker.make(&task, &Pulse::default()).unwrap();
        let needed = space::needed(&task.recipe);
        assert!(
            made.size <= needed,
            "{} > {needed}: {}",
            made.size,
            made.product
        );
        engine.made(made).unwrap();
        last = Some(task);
    }
    let mut task = last.unwrap();
    let Recipe::Light(light) = &mut task.recipe else {
        panic!("the light comes last: {task:?}");
    };
    let camera = Arc::make_mut(&mut light.facts.camera);
    (camera.width, camera.height) = (1 << 31, 1 << 31);
    full(space::check(&here.path("products"), &task));
}

#[tokio::test]
async fn what_fails_is_told_to_a_hook() {
    let here = Place::new();
    let mut settings = Arc::unwrap_or_clone(here.settings(PROFILE));
    settings.alarms.hooks.push(Hook {
        when: vec![Occasion::Failed],
        program: "/bin/sh".into(),
        arguments: vec![
            "-c".to_owned(),
            "cat >../arriving; mv ../arriving ../told".to_owned(),
        ],
        timeout: Duration::from_secs(600),
    });
    let disk = Disk::gated(here.door.clone());
    let mut turn = Turn::new(
        Arc::new(settings),
        disk,
        "no-such-program".into(),
        Mode::Run,
        Stop::default(),
    )
    .unwrap();
    here.take(&mut turn, at(0));
    let task = turn.engine.plan(at(10_000)).unwrap().tasks.remove(0);
    let error = MakeError::Internal("it fell over".to_owned());
    let took = Duration::ZERO;
    turn.engine
        .not_made(&task, error, took, at(10_000))
        .unwrap();
    turn.step(at(10_000)).unwrap();
    let told = || fs::read_to_string(here.path("told"));
    while told().is_err() {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    let told = told().unwrap();
    assert!(told.contains(r#""event": "failed""#), "{told}");
    assert!(told.contains("it fell over"), "{told}");
}

fn turn(here: &Place) -> Turn {
    let disk = Disk::gated(here.door.clone());
    let settings = here.settings(PROFILE);
    let program = "no-such-program".into();
    Turn::new(settings, disk, program, Mode::Run, Stop::default()).unwrap()
}

#[tokio::test]
async fn a_clock_set_back_takes_all_appointments_with_it() {
    let here = Place::new();
    let mut turn = turn(&here);
    turn.step(at(1_000_000)).unwrap();
    let now = at(0);
    turn.step(now).unwrap();
    for (index, next) in &turn.scans {
        assert!(*next <= now + LONG, "folder {index} is scanned at {next}");
    }
    // While it waits for a disk, too.
    let error = DaemonError::Catalogue(crate::catalogue::CatalogueError::Missing {
        path: here.path("state"),
    });
    turn.step(at(1_000_000)).unwrap();
    turn.trouble(&error, at(1_000_000));
    turn.step(now).unwrap();
    assert!(
        turn.retry.is_none_or(|at| at <= now + LONG),
        "{:?}",
        turn.retry
    );
}

#[tokio::test]
async fn a_worker_that_gives_no_sign_of_life_is_not_vouched_for() {
    let here = Place::new();
    let mut turn = turn(&here);
    assert!(turn.is_alive() && turn.is_alive(), "nobody works");
    turn.worker.busy = true;
    assert!(!turn.is_alive(), "busy without a beat");
    turn.worker.pulse.beat().unwrap();
    assert!(turn.is_alive(), "a beat");
    assert!(!turn.is_alive(), "one sign vouches once");
    turn.worker.busy = false;
    assert!(turn.is_alive(), "nobody works any more");
}

#[tokio::test]
async fn hints_that_change_nothing_ask_for_no_new_plan() {
    let here = Place::new();
    let mut turn = turn(&here);
    let now = at(0);
    while turn.stale {
        turn.scans.values_mut().for_each(|at| *at = Timestamp::MAX);
        turn.step(now).unwrap();
    }
    let name = RelPath::new(Path::new("new.fits")).unwrap();
    fs::write(here.path("incoming/new.fits"), "SIMPLE").unwrap();
    turn.follow(vec![Hint::Touched(0, name)], now).unwrap();
    assert!(!turn.stale, "it has not been taken in yet");
    assert!(turn.engine.settle.next_due().is_some(), "but it settles");
}

#[tokio::test]
async fn hints_that_could_not_be_followed_end_in_a_scan() {
    let here = Place::new();
    let mut turn = turn(&here);
    let now = at(0);
    let name = |name: &str| RelPath::new(Path::new(name)).unwrap();
    here.take(&mut turn, now);
    let next = |turn: &Turn| *turn.scans.values().next().unwrap();
    assert!(next(&turn) > now);
    let gone = fs::read_dir(here.path("incoming"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .file_name();
    fs::remove_file(here.path("incoming").join(&gone)).unwrap();
    here.door.shut(true);
    let hints = vec![
        Hint::Gone(0, name(gone.to_str().unwrap())),
        Hint::Closed(0, name("z.fits")),
    ];
    full(turn.follow(hints, now));
    assert!(next(&turn) <= now, "what the lost hints said is looked for");
}

#[test]
fn many_files_that_go_at_once_are_noted_at_once() {
    let here = Place::new();
    let mut turn = turn(&here);
    here.take(&mut turn, at(0));
    let files: Vec<PathBuf> = fs::read_dir(here.path("incoming"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    let mut hints = Vec::new();
    for file in &files {
        fs::remove_file(file).unwrap();
        let name = RelPath::new(Path::new(file.file_name().unwrap())).unwrap();
        hints.push(Hint::Gone(0, name));
    }
    // One is there again before the hints are followed.
    fs::write(&files[0], "written anew").unwrap();
    let before = turn.engine.generation();
    turn.follow(hints, at(10)).unwrap();
    assert_eq!(turn.engine.generation(), before + 1, "one transaction");
    let plan = turn.engine.plan(at(10)).unwrap();
    assert!(plan.tasks.is_empty(), "{:?}", plan.tasks);
    assert_eq!(turn.engine.settle.arriving().count(), 1);
}

impl Place {
    /// Takes everything in and lets the loop scan once.
    fn take(&self, turn: &mut Turn, now: Timestamp) {
        self.take_in(&mut turn.engine, now);
        turn.step(now).unwrap();
    }
}
