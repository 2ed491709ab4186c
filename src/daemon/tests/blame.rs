//! What a failure is put down to, and that its end is told.

use rustix::io::Errno;

use super::*;
use crate::night::Event;

#[test]
fn files_that_others_hold_open_are_not_blamed_on_a_small_set() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    here.take_in(&mut engine, at(0));
    let now = at(10_000);
    let task = engine.plan(now).unwrap().tasks.remove(0);
    let too_many = MakeError::Read {
        path: here.path("incoming/bias.fits"),
        source: Errno::MFILE.into(),
    };
    engine
        .not_made(&task, too_many, Duration::ZERO, now)
        .unwrap();
    let again = engine.again().expect("it is tried again");
    assert!(engine.try_again(again));
    assert_eq!(engine.plan(now).unwrap().tasks.len(), 1);
}

/// A disk without room for scratch files says nothing of the files that need one.
#[test]
fn a_disk_without_room_to_decode_is_waited_for_and_blamed_on_no_file() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    let no_room = || (here.path("state/scratch"), Errno::NOSPC.into());
    engine.scan(0, at(0)).unwrap();
    let mut requests = engine.due(at(0) + LONG);
    let packed = requests.remove(0);
    let (folder, source) = no_room();
    let mut taken = vec![(
        packed.look.clone(),
        Taken::NoRoom(DaemonError::scratch(folder, source)),
    )];
    taken.extend(requests.into_iter().map(|request| {
        let (path, look) = (&request.path, &request.look);
        let content = here
            .intake(PROFILE)
            .take(path, look, None, true, &Pulse::default());
        (request.look, content)
    }));
    full(engine.taken_in(taken, at(0) + LONG));
    let again = engine.due(at(1) + LONG);
    let again: Vec<_> = again.into_iter().map(|request| request.look).collect();
    assert_eq!(
        again,
        std::slice::from_ref(&packed.look),
        "only what waits, and at once"
    );
    let content =
        here.intake(PROFILE)
            .take(&packed.path, &packed.look, None, true, &Pulse::default());
    let taken = vec![(packed.look, content)];
    engine.taken_in(taken, at(1) + LONG).unwrap();
    let now = at(20_000);
    let task = engine.plan(now).unwrap().tasks.remove(0);
    let (folder, source) = no_room();
    let no_room = MakeError::Scratch { folder, source };
    full(engine.not_made(&task, no_room, Duration::ZERO, now));
    assert_eq!(engine.plan(now).unwrap().tasks.len(), 1, "no failure of it");
    let told = engine.alarm.events();
    assert!(told.is_empty(), "no raw file is to blame: {told:?}");
}

/// What one loop told of a watch folder, the next tells the end of, though it never saw it away.
#[test]
fn the_end_of_what_another_loop_told_is_told() {
    let here = Place::new();
    let (incoming, elsewhere) = (here.path("incoming"), here.path("elsewhere"));
    fs::rename(&incoming, &elsewhere).unwrap();
    let alarm = {
        let mut engine = here.open(PROFILE, Mode::Run);
        engine.scan(0, at(0)).unwrap();
        engine.alarm
    };
    fs::rename(&elsewhere, &incoming).unwrap();
    let mut engine = here.open(PROFILE, Mode::Run);
    engine.alarm.go_on(alarm);
    engine.scan(0, at(60)).unwrap();
    engine.scan(0, at(120)).unwrap();
    let events = engine.alarm.events();
    let told: Vec<Occasion> = events.iter().map(Event::occasion).collect();
    assert_eq!(told, [Occasion::Failed, Occasion::Recovered]);
}

/// A share that stands still costs two minutes a file. It is left alone for ten times as long.
#[test]
fn what_took_long_before_it_failed_is_left_alone_for_long() {
    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    engine.scan(0, at(0)).unwrap();
    let mut requests = engine.due(at(100));
    let slow = requests.remove(0).look;
    let still = |seconds| Taken::Later("it stood still".to_owned(), Duration::from_secs(seconds));
    let mut taken = vec![(slow.clone(), still(120))];
    taken.extend(requests.into_iter().map(|other| (other.look, still(0))));
    engine.taken_in(taken, at(100)).unwrap();
    assert_eq!(engine.due(at(159)).len(), 0);
    assert_eq!(engine.due(at(160)).len(), 3, "the others after a minute");
    assert_eq!(engine.due(at(1299)).len(), 0);
    assert_eq!(
        engine.due(at(1300)).len(),
        1,
        "the slow one after ten times its two"
    );

    let here = Place::new();
    let mut engine = here.open(PROFILE, Mode::Run);
    here.take_in(&mut engine, at(0));
    let task = engine.plan(at(10_000)).unwrap().tasks.remove(0);
    let mut fails = |took, now: Timestamp| {
        let error = MakeError::Read {
            path: here.path("incoming/bias.fits"),
            source: io::ErrorKind::TimedOut.into(),
        };
        engine.not_made(&task, error, took, now).unwrap();
        engine.again().unwrap().duration_since(now)
    };
    let seconds = Duration::from_secs;
    assert_eq!(fails(seconds(0), at(10_000)), SignedDuration::from_secs(60));
    assert_eq!(
        fails(seconds(120), at(10_120)),
        SignedDuration::from_secs(1200)
    );
    assert_eq!(
        fails(seconds(9000), at(20_000)),
        SignedDuration::from_hours(1)
    );
    // Another that failed at once does not wait for it.
    let other = Fingerprint::new([7; 32]);
    let soon = at(20_001);
    engine.put_off(other, "denied".to_owned(), Some(soon));
    assert_eq!(engine.again(), Some(soon));
    assert!(engine.try_again(soon) && !engine.try_again(soon));
    assert_eq!(engine.again(), Some(at(20_000 + 3600)));
    engine.set_back(at(500));
    assert_eq!(engine.again(), Some(at(500)));
}
