//! A request to stop in the middle of steps that take long: each leaves off there, and the next start
//! goes on.

use super::super::CATALOGUE;
use super::*;
use crate::catalogue::Catalogue;

/// A light of another night.
const LIGHT: &str = "rigs:
  - camera: Petrel 26M
    sensor: {width: 32, height: 24}
    filters: [{name: H}]
    targets: [{name: Veil Nebula, stars: 3}]
    runs:
      - {kind: light, filter: H, target: Veil Nebula, exposure_s: 60, start: '2026-09-DAYT21:00:00Z', count: 1}
";

/// Asks for a stop at one operation of those that are meant.
struct Asking {
    stop: Stop,
    is_meant: fn(Op, &Path) -> bool,
    left: AtomicUsize,
}

impl Gate for Asking {
    fn pass(&self, op: Op, path: &Path) -> io::Result<()> {
        if (self.is_meant)(op, path) && self.left.fetch_sub(1, Ordering::SeqCst) == 1 {
            self.stop.ask();
        }
        Ok(())
    }
}

/// Four of them.
fn nights() -> Place {
    let here = Place::new();
    for day in ["06", "07", "08"] {
        let folder = here.path("incoming").join(day);
        fs::create_dir(&folder).unwrap();
        let scenario = Scenario::parse(&LIGHT.replace("DAY", day)).unwrap();
        write_all(&scenario, &folder).unwrap();
    }
    here
}

/// A loop that is told to stop at the `number`th operation of those that are meant.
fn asked(
    here: &Place,
    profile: &str,
    number: usize,
    is_meant: fn(Op, &Path) -> bool,
) -> Result<Turn, DaemonError> {
    let stop = Stop::default();
    let gate = Asking {
        stop: stop.clone(),
        is_meant,
        left: AtomicUsize::new(number),
    };
    let disk = Disk::gated(Arc::new(gate));
    let program = "no-such-program".into();
    Turn::new(here.settings(profile), disk, program, Mode::Run, stop)
}

/// Lets it run, for as many rounds as are enough to do all there is. True where it was left.
async fn is_left(turn: &mut Turn) -> bool {
    for number in 0..60 {
        let now = at(0) + SignedDuration::from_secs(30) * number;
        match turn.step(now) {
            Ok(_) => {
                turn.hear(now).await.unwrap();
            }
            Err(DaemonError::Stopped) => return true,
            Err(error) => panic!("{error}"),
        }
    }
    false
}

/// How many nights have a file of this name.
fn count(here: &Place, name: &str) -> usize {
    let nights = fs::read_dir(here.path("products/nights"));
    let nights = nights.into_iter().flatten().flatten();
    nights
        .filter(|night| night.path().join(name).exists())
        .count()
}

#[tokio::test]
async fn logs_and_pages_of_many_nights_are_left_off_between_two_of_them() {
    // All lights wait, so no page waits for a picture.
    let profile = PROFILE.replace("min_frames: 3", "min_frames: 30");
    let here = nights();
    let is_log = |op, path: &Path| op == Op::Rename && path.ends_with("session.yaml");
    let mut turn = asked(&here, &profile, 2, is_log).unwrap();
    assert!(is_left(&mut turn).await);
    assert_eq!(count(&here, "session.yaml"), 2);
    drop(turn);
    let is_page = |op, path: &Path| op == Op::Rename && path.ends_with("morning.html");
    let mut turn = asked(&here, &profile, 1, is_page).unwrap();
    assert!(is_left(&mut turn).await);
    let counts = ["session.yaml", "morning.html"].map(|name| count(&here, name));
    assert_eq!(counts, [4, 1]);
    drop(turn);
    let mut turn = asked(&here, &profile, usize::MAX, is_page).unwrap();
    assert!(!is_left(&mut turn).await);
    assert_eq!(count(&here, "morning.html"), 4);
}

#[tokio::test]
async fn products_of_a_lost_catalogue_are_adopted_as_far_as_there_was_time() {
    let here = nights();
    let is_row = |op, _: &Path| op == Op::Commit;
    let mut turn = asked(&here, PROFILE, usize::MAX, is_row).unwrap();
    assert!(!is_left(&mut turn).await);
    drop(turn);
    let known = || {
        let catalogue = Catalogue::open_reading(&here.path("state").join(CATALOGUE)).unwrap();
        catalogue.snapshot().unwrap().made.len()
    };
    assert_eq!(known(), 5, "a master and four lights");
    fs::remove_dir_all(here.path("state")).unwrap();
    let mut found = Vec::new();
    for number in 1.. {
        match asked(&here, PROFILE, number, is_row) {
            Err(DaemonError::Stopped) => found.push(known()),
            Err(error) => panic!("{error}"),
            Ok(_) => break,
        }
    }
    let is_part = |found: &usize| (1..5).contains(found);
    assert!(found.iter().any(is_part), "{found:?}");
    assert!(found.is_sorted(), "what was adopted stays: {found:?}");
    assert_eq!(known(), 5);
}

#[test]
fn a_walk_that_is_left_has_no_file_vanish() {
    let here = Place::new();
    let stop = Stop::default();
    let settings = here.settings(PROFILE);
    let mut engine = Engine::open(
        settings,
        Disk::default(),
        here.shelf(),
        Mode::Run,
        stop.clone(),
    )
    .unwrap();
    here.take_in(&mut engine, at(0));
    let before = engine.generation();
    stop.ask();
    let left = engine.scan(0, at(10_000));
    assert!(matches!(left, Err(DaemonError::Stopped)), "{left:?}");
    assert_eq!(engine.generation(), before);
    let tasks = engine.plan(at(10_000)).unwrap().tasks;
    assert_eq!(tasks.len(), 1, "all files are there: {tasks:?}");
}

#[test]
fn after_a_request_to_stop_logs_are_written_only_while_there_is_time() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    here.take_in(&mut engine, at(0));
    let late = engine.tell_within(Duration::ZERO, at(10_000));
    assert!(matches!(late, Err(DaemonError::Stopped)), "{late:?}");
    assert_eq!(count(&here, "session.yaml"), 0);
    engine.tell_within(Duration::MAX, at(10_000)).unwrap();
    assert_eq!(count(&here, "session.yaml"), 1);
}
