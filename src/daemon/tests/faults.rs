//! A fault at every disk operation while the daemon runs. It waits, goes on by itself, and ends
//! with the same bytes as if nothing had been.

use std::collections::BTreeMap;

use rustix::io::Errno;

use super::super::CATALOGUE;
use super::*;
use crate::catalogue::Catalogue;
use crate::facts::Snapshot;

/// Refuses the n-th operation with an error, and all that follow where the process dies there; takes
/// its time over each.
struct Nth {
    count: AtomicUsize,
    refused: usize,
    error: Errno,
    dies: bool,
    slow: Duration,
    /// What was refused was only the status file, for which nothing waits.
    is_status: AtomicBool,
}

impl Nth {
    fn new(refused: usize, error: Errno, dies: bool) -> Arc<Self> {
        let count = AtomicUsize::new(0);
        Arc::new(Self {
            count,
            refused,
            error,
            dies,
            slow: Duration::ZERO,
            is_status: AtomicBool::new(false),
        })
    }

    fn open() -> Arc<Self> {
        Self::new(usize::MAX, Errno::IO, false)
    }

    fn slow() -> Arc<Self> {
        let mut gate = Self::open();
        if let Some(gate) = Arc::get_mut(&mut gate) {
            gate.slow = Duration::from_millis(20);
        }
        gate
    }

    fn is_dead(&self) -> bool {
        self.dies && self.count.load(Ordering::SeqCst) >= self.refused
    }
}

impl Gate for Nth {
    fn pass(&self, _: Op, path: &Path) -> io::Result<()> {
        std::thread::sleep(self.slow);
        let number = self.count.fetch_add(1, Ordering::SeqCst) + 1;
        if number == self.refused {
            let is_status = path.to_string_lossy().contains("status.json");
            self.is_status.store(is_status, Ordering::SeqCst);
        }
        match number == self.refused || (self.dies && number > self.refused) {
            true => Err(self.error.into()),
            false => Ok(()),
        }
    }
}

/// What a disk that fails, fills up or is taken away says.
const ERRORS: [Errno; 4] = [Errno::IO, Errno::ACCESS, Errno::NOSPC, Errno::ROFS];

/// Between two rounds of the loop.
const ROUND: SignedDuration = SignedDuration::from_secs(30);

/// Rounds without anything to do after which nothing more will come: longer than files settle and
/// than whatever waits to be tried again.
const QUIET: usize = 5;

fn new(here: &Place, gate: Arc<Nth>) -> Result<Turn, DaemonError> {
    let disk = Disk::gated(gate);
    Turn::new(
        here.settings(PROFILE),
        disk,
        "no-such-program".into(),
        Mode::Run,
        Stop::default(),
    )
}

/// One round, borne as the loop bears it. True where there was something to do.
async fn round(turn: &mut Turn, now: Timestamp) -> bool {
    let result = match turn.step(now) {
        Ok(_) => turn.hear(now).await,
        Err(error) => Err(error),
    };
    match result {
        Ok(busy) => busy || turn.stale || turn.retry.is_some(),
        Err(error) => {
            assert!(error.is_passing(), "{error}");
            turn.trouble(&error, now);
            true
        }
    }
}

/// Lets the daemon run until nothing is left to do, then once more when its nights are over; or
/// until the disk is dead. How often it waited.
async fn run(turn: &mut Turn, gate: &Nth, mut clock: impl FnMut(usize) -> Timestamp) -> usize {
    let (mut quiet, mut waits) = (0, 0);
    let mut later = SignedDuration::ZERO;
    for number in 0..1000 {
        if quiet == QUIET && later.is_zero() {
            later = LONG * 2;
            quiet = 0;
        }
        if quiet == QUIET || gate.is_dead() {
            return waits;
        }
        let busy = round(turn, clock(number) + later).await;
        waits += usize::from(turn.retry.is_some());
        quiet = if busy { 0 } else { quiet + 1 };
    }
    panic!("it does not come to rest");
}

fn steady(number: usize) -> Timestamp {
    at(0) + ROUND * i32::try_from(number).unwrap()
}

fn tree(here: &Place) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![here.path("products")];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            match path.is_dir() {
                true => open.push(path),
                false => {
                    let name = path.strip_prefix(here.path("products")).unwrap();
                    found.insert(name.to_owned(), fs::read(&path).unwrap());
                }
            }
        }
    }
    found
}

/// What the catalogue knows, without the moments at which it learnt it.
fn meaning(here: &Place) -> Snapshot {
    let path = here.path("state").join(CATALOGUE);
    let mut known = Catalogue::open_reading(&path).unwrap().snapshot().unwrap();
    for entry in &mut known.entries {
        entry.arrived = Timestamp::UNIX_EPOCH;
        // The same file of another place has inodes and times of its own.
        entry.stamp.inode = 0;
        entry.stamp.ctime_ns = 0;
    }
    known
}

/// Files with their bytes, and what the catalogue knows.
type End = (BTreeMap<PathBuf, Vec<u8>>, Snapshot);

/// What comes of it if nothing is in the way, and how many operations it takes.
async fn calm() -> (End, usize) {
    let (here, gate) = (Place::new(), Nth::open());
    let mut turn = new(&here, gate.clone()).unwrap();
    assert_eq!(run(&mut turn, &gate, steady).await, 0);
    let operations = gate.count.load(Ordering::SeqCst);
    let (tree, known) = (tree(&here), meaning(&here));
    let fits = |path: &&PathBuf| path.extension().is_some_and(|end| end == "fits");
    assert_eq!(tree.keys().filter(fits).count(), 2, "{:?}", tree.keys());
    assert!(operations > 50, "{operations} are too few to be all");
    assert_eq!((known.entries.len(), known.made.len()), (4, 2));
    ((tree, known), operations)
}

fn assert_same(here: &Place, (wanted, known): &End, when: &str) {
    let found = tree(here);
    let names = |tree: &BTreeMap<PathBuf, Vec<u8>>| tree.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&found), names(wanted), "{when}");
    for (path, bytes) in wanted {
        assert!(found[path] == *bytes, "{when}: {} differs", path.display());
    }
    assert_eq!(meaning(here), *known, "{when}: the catalogue's meaning");
}

#[tokio::test]
async fn a_disk_that_fails_once_at_any_operation_is_waited_for() {
    let (wanted, operations) = calm().await;
    let (mut waits, mut wanted_waits) = (0, 0);
    let each = (1..=operations).flat_map(|number| ERRORS.map(|error| (number, error)));
    for (number, error) in each {
        let when = format!("{error} at operation {number} of {operations}");
        let (here, gate) = (Place::new(), Nth::new(number, error, false));
        let mut turn = match new(&here, gate.clone()) {
            Ok(turn) => turn,
            Err(refused) => {
                assert!(refused.is_passing(), "{when}: {refused}");
                waits += 1;
                new(&here, gate.clone()).unwrap()
            }
        };
        waits += run(&mut turn, &gate, steady).await;
        wanted_waits += usize::from(!gate.is_status.load(Ordering::SeqCst));
        assert_same(&here, &wanted, &when);
        assert_eq!(turn.trouble, None, "{when}: what is over is forgotten");
    }
    assert!(
        waits >= wanted_waits * 9 / 10 && wanted_waits > 50 * ERRORS.len(),
        "{waits} waits for {wanted_waits} faults"
    );
}

#[tokio::test]
async fn a_daemon_that_dies_at_any_operation_goes_on_where_it_was() {
    let (wanted, operations) = calm().await;
    for number in 1..=operations {
        let when = format!("operation {number} of {operations}");
        let (here, gate) = (Place::new(), Nth::new(number, ERRORS[0], true));
        if let Ok(mut turn) = new(&here, gate.clone()) {
            run(&mut turn, &gate, steady).await;
        }
        assert!(gate.is_dead(), "{when}");
        let gate = Nth::open();
        let mut turn = new(&here, gate.clone()).unwrap();
        run(&mut turn, &gate, steady).await;
        assert_same(&here, &wanted, &when);
    }
}

#[tokio::test]
async fn a_slow_disk_is_no_trouble() {
    let (wanted, operations) = calm().await;
    let (here, gate) = (Place::new(), Nth::slow());
    let mut turn = new(&here, gate.clone()).unwrap();
    assert_eq!(run(&mut turn, &gate, steady).await, 0);
    assert_same(&here, &wanted, "slow");
    assert_eq!(turn.trouble, None);
    assert_eq!(
        gate.count.load(Ordering::SeqCst),
        operations,
        "nothing is done twice"
    );
}

#[tokio::test]
async fn a_clock_that_leaps_changes_nothing() {
    let (wanted, _) = calm().await;
    let days = |days: i64| SignedDuration::from_hours(24 * days);
    for (there, back) in [
        (days(3650), days(0)),
        (days(-3650), days(0)),
        (days(9), days(-9)),
    ] {
        for leap in 0..8 {
            let (here, gate) = (Place::new(), Nth::open());
            let mut turn = new(&here, gate.clone()).unwrap();
            let clock = |number: usize| match number {
                number if number < leap => steady(number),
                number if number < leap + 3 => steady(number) + there,
                number if number < leap + 5 => steady(number) + back,
                number => steady(number),
            };
            run(&mut turn, &gate, clock).await;
            assert_same(
                &here,
                &wanted,
                &format!("by {there} and {back}, {leap} rounds in"),
            );
        }
    }
}

#[tokio::test]
async fn a_disk_that_is_gone_is_not_written_to_and_another_one_is_opened_anew() {
    let (wanted, _) = calm().await;
    let (here, gate) = (Place::new(), Nth::open());
    let mut turn = new(&here, gate.clone()).unwrap();
    let (products, elsewhere) = (here.path("products"), here.path("elsewhere"));
    fs::rename(&products, &elsewhere).unwrap();
    let error = turn.step(at(0)).unwrap_err();
    assert!(matches!(error, DaemonError::Away { .. }) && error.is_passing());
    turn.trouble(&error, at(0));
    assert!(!products.exists(), "it would lie where the disk is mounted");
    fs::rename(&elsewhere, &products).unwrap();
    run(&mut turn, &gate, |number| steady(number + 1)).await;
    assert_same(&here, &wanted, "back as it was");
    fs::rename(&products, &elsewhere).unwrap();
    fs::create_dir(&products).unwrap();
    let error = turn.step(steady(40)).unwrap_err();
    assert!(matches!(error, DaemonError::Replaced { .. }) && error.is_over());
    drop(turn);
    let mut turn = new(&here, gate.clone()).unwrap();
    run(&mut turn, &gate, |number| steady(number + 41)).await;
    assert_same(&here, &wanted, "on another disk");
}

#[tokio::test]
async fn a_crowd_of_foreign_files_is_not_listed_and_wanted_ones_are_found_among_them() {
    let (here, gate) = (Place::new(), Nth::open());
    let mut turn = new(&here, gate.clone()).unwrap();
    let ignored = |here: &Place| {
        let log = here.path("products/nights/2026-09-21/session.yaml");
        let log = fs::read_to_string(log).unwrap_or_default();
        log.matches("not a FITS name").count()
    };
    let since = Duration::from_secs(at(0).as_second().unsigned_abs());
    let evening = std::time::UNIX_EPOCH + since;
    let put = |number: usize| {
        let path = here.path(&format!("incoming/{number}.txt"));
        fs::File::create(path)
            .unwrap()
            .set_modified(evening)
            .unwrap();
    };
    (0..3).for_each(put);
    run(&mut turn, &gate, steady).await;
    assert_eq!(ignored(&here), 3);
    (3..10_001).for_each(put);
    drop(turn);
    let mut turn = new(&here, gate.clone()).unwrap();
    run(&mut turn, &gate, steady).await;
    assert_eq!(ignored(&here), 0, "too many for a list");
    assert!(turn.engine.plan(at(0)).unwrap().tasks.is_empty());
    fs::remove_file(here.path("incoming/7.txt")).unwrap();
    turn.scans.values_mut().for_each(|scan| *scan = at(0));
    run(&mut turn, &gate, steady).await;
    assert_eq!(ignored(&here), 10_000, "few enough");
}
