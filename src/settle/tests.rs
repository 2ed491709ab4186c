//! Tables with a fake clock: seconds since some midnight.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use std::path::Path;

use proptest::prelude::*;

use super::*;
use crate::facts::RelPath;

const SETTLE: i64 = 5;

fn at(second: i64) -> Timestamp {
    Timestamp::from_second(1_780_000_000 + second).unwrap()
}

fn file(name: &str) -> FileId {
    FileId {
        watch: "incoming".into(),
        path: RelPath::new(Path::new(name)).unwrap(),
    }
}

fn stamp(size: u64) -> Stamp {
    Stamp {
        size,
        mtime_ns: size as i64,
        ctime_ns: size as i64,
        inode: 7,
    }
}

/// A folder of made-up files beside the machine, so that further looks have something to see.
struct World {
    settle: Settle,
    folder: BTreeMap<FileId, Stamp>,
}

/// What happens at one second.
enum Act {
    /// A file has this size now, and somebody looked.
    Write(&'static str, u64),
    /// A file has this size now, and nobody looked.
    Unseen(&'static str, u64),
    /// Somebody looked at it again.
    Again(&'static str),
    /// Its writer closed it.
    Close(&'static str),
    /// Renamed; the event for the new name arrives.
    Rename(&'static str, &'static str),
    /// Removed, reported.
    Remove(&'static str),
    /// Its taker found it short at this size.
    Short(&'static str, u64),
    /// Taken in at this size.
    Taken(&'static str, u64),
    /// Could not be read just now.
    PutBack(&'static str),
    /// Could not be read, and is tried again this many seconds after the start.
    PutOff(&'static str, i64),
    /// These, exactly, are due.
    Due(&'static [&'static str]),
    /// These, exactly, are handed out at the end.
    Finish(&'static [&'static str]),
    /// These, exactly, are arriving.
    Arriving(&'static [(&'static str, &'static str)]),
    /// This many seconds after the start it should be asked again.
    Next(Option<i64>),
}

use Act::*;

impl World {
    fn new() -> Self {
        Self {
            settle: Settle::new(Duration::from_secs(SETTLE as u64)),
            folder: BTreeMap::new(),
        }
    }

    fn seen(&self, name: &str) -> Look {
        let file = file(name);
        let stamp = self.folder[&file];
        Look { file, stamp }
    }

    fn act(&mut self, second: i64, act: &Act) {
        let now = at(second);
        let names = |looks: Vec<Look>| -> Vec<String> {
            looks
                .iter()
                .map(|look| look.file.path.to_string())
                .collect()
        };
        match act {
            Write(name, size) => {
                self.folder.insert(file(name), stamp(*size));
                self.settle.look(self.seen(name), now);
            }
            Unseen(name, size) => {
                self.folder.insert(file(name), stamp(*size));
            }
            Again(name) => self.settle.look(self.seen(name), now),
            Close(name) => self.settle.closed(self.seen(name), now),
            Rename(from, to) => {
                let moved = self.folder.remove(&file(from)).unwrap();
                self.folder.insert(file(to), moved);
                self.settle.vanished(&file(from));
                self.settle.closed(self.seen(to), now);
            }
            Remove(name) => {
                self.folder.remove(&file(name));
                self.settle.vanished(&file(name));
            }
            Short(name, size) => {
                self.settle
                    .short(&file(name), &stamp(*size), format!("{size} bytes so far"));
            }
            Taken(name, size) => self.settle.taken(&file(name), &stamp(*size)),
            PutBack(name) => self.settle.put_back(&file(name), now),
            PutOff(name, until) => {
                self.settle
                    .put_off(&file(name), "denied".to_owned(), at(*until));
            }
            Due(want) => {
                let folder = &self.folder;
                let due = self.settle.due(now, |file| folder.get(file).copied());
                assert_eq!(names(due), *want, "due at second {second}");
            }
            Finish(want) => {
                let all = self.settle.finish();
                assert_eq!(names(all), *want, "finished at second {second}");
            }
            Arriving(want) => {
                let have: Vec<(String, String)> = self
                    .settle
                    .arriving()
                    .map(|(file, note)| (file.path.to_string(), note.to_owned()))
                    .collect();
                let want: Vec<(String, String)> = want
                    .iter()
                    .map(|(name, note)| ((*name).to_owned(), (*note).to_owned()))
                    .collect();
                assert_eq!(have, want, "arriving at second {second}");
            }
            Next(want) => {
                assert_eq!(
                    self.settle.next_due(),
                    want.map(at),
                    "next appointment at second {second}"
                );
            }
        }
    }
}

fn play(story: &[(i64, Act)]) -> World {
    let mut world = World::new();
    for (second, act) in story {
        world.act(*second, act);
    }
    world
}

#[test]
fn unreadable_is_tried_again_at_its_time_or_when_it_changes() {
    play(&[
        (0, Write("a.fits", 9)),
        (0, Write("b.fits", 9)),
        (5, Due(&["a.fits", "b.fits"])),
        (5, PutOff("a.fits", 65)),
        (5, PutOff("b.fits", 65)),
        (6, Again("a.fits")),
        (6, Close("a.fits")),
        (6, Arriving(&[("a.fits", "denied"), ("b.fits", "denied")])),
        (6, Next(Some(65))),
        (6, Finish(&[])),
        (10, Write("b.fits", 10)),
        (15, Due(&["b.fits"])),
        (64, Due(&[])),
        (65, Due(&["a.fits"])),
        (65, Taken("a.fits", 9)),
        (65, Arriving(&[("b.fits", GROWING)])),
    ]);
}

#[test]
fn slow_writer_is_left_alone_until_it_is_quiet() {
    play(&[
        (0, Write("a.fits", 10)),
        (3, Write("a.fits", 20)),
        (3, Next(Some(8))),
        (5, Due(&[])),
        (7, Write("a.fits", 30)),
        (11, Due(&[])),
        (11, Arriving(&[("a.fits", GROWING)])),
        (12, Due(&["a.fits"])),
        (12, Next(None)),
        (13, Due(&[])),
        (14, Taken("a.fits", 30)),
        (14, Arriving(&[])),
    ]);
}

#[test]
fn same_look_again_does_not_put_off_the_appointment() {
    play(&[
        (0, Write("a.fits", 10)),
        (4, Again("a.fits")),
        (5, Due(&["a.fits"])),
    ]);
}

#[test]
fn growth_nobody_saw_is_found_by_the_further_look() {
    play(&[
        (0, Write("a.fits", 10)),
        (4, Unseen("a.fits", 20)),
        (60, Due(&[])),
        (64, Due(&[])),
        (65, Due(&["a.fits"])),
    ]);
}

#[test]
fn closing_or_renaming_ends_the_waiting() {
    play(&[
        (0, Write("a.fits", 10)),
        (1, Close("a.fits")),
        (1, Due(&["a.fits"])),
        (1, Taken("a.fits", 10)),
        (2, Write("b.tmp", 10)),
        (3, Rename("b.tmp", "b.fits")),
        (3, Arriving(&[("b.fits", GROWING)])),
        (3, Due(&["b.fits"])),
        (3, Close("b.fits")),
        (9, Due(&[])),
    ]);
}

#[test]
fn later_scan_does_not_undo_a_close() {
    play(&[
        (0, Write("a.fits", 10)),
        (1, Close("a.fits")),
        (1, Again("a.fits")),
        (1, Due(&["a.fits"])),
    ]);
}

#[test]
fn pause_longer_than_the_settle_time_keeps_it_arriving() {
    play(&[
        (0, Write("a.fits", 10)),
        (5, Due(&["a.fits"])),
        (5, Short("a.fits", 10)),
        (60, Again("a.fits")),
        (60, Close("a.fits")),
        (600, Due(&[])),
        (600, Next(None)),
        (600, Arriving(&[("a.fits", "10 bytes so far")])),
        (601, Write("a.fits", 20)),
        (601, Arriving(&[("a.fits", GROWING)])),
        (605, Due(&[])),
        (606, Due(&["a.fits"])),
        (606, Taken("a.fits", 20)),
        (606, Arriving(&[])),
    ]);
}

#[test]
fn short_file_is_final_at_the_finish() {
    play(&[
        (0, Write("a.fits", 10)),
        (5, Due(&["a.fits"])),
        (5, Short("a.fits", 10)),
        (6, Write("b.fits", 10)),
        (7, Finish(&["a.fits", "b.fits"])),
        (7, Due(&[])),
        (8, Taken("a.fits", 10)),
        (8, Taken("b.fits", 10)),
        (8, Finish(&[])),
    ]);
}

#[test]
fn judgement_on_an_older_state_does_not_hold_back_the_newer() {
    play(&[
        (0, Write("a.fits", 10)),
        (5, Due(&["a.fits"])),
        (6, Write("a.fits", 20)),
        (7, Short("a.fits", 10)),
        (8, Taken("a.fits", 10)),
        (11, Due(&["a.fits"])),
        (11, Taken("a.fits", 20)),
        (11, Arriving(&[])),
    ]);
}

#[test]
fn burst_of_five_thousand_is_handed_out_once() {
    let mut world = World::new();
    for number in 0..5000_u64 {
        let file = file(&format!("burst-{number:04}.fits"));
        world.folder.insert(file.clone(), stamp(number));
        let stamp = stamp(number);
        world.settle.look(Look { file, stamp }, at(0));
    }
    let folder = world.folder.clone();
    let due = world.settle.due(at(5), |file| folder.get(file).copied());
    assert_eq!(due.len(), 5000);
    assert!(due.is_sorted_by_key(|look| look.file.clone()));
    assert!(world.settle.due(at(50), |_| unreachable!()).is_empty());
    for look in &due {
        world.settle.taken(&look.file, &look.stamp);
    }
    assert_eq!(world.settle.arriving().count(), 0);
}

#[test]
fn replaced_under_its_name_settles_again() {
    let mut world = play(&[(0, Write("a.fits", 10)), (5, Due(&["a.fits"]))]);
    let other = Stamp {
        inode: 8,
        ..stamp(10)
    };
    world.folder.insert(file("a.fits"), other);
    world.act(6, &Again("a.fits"));
    world.act(6, &Taken("a.fits", 10));
    world.act(10, &Due(&[]));
    world.act(11, &Due(&["a.fits"]));
}

#[test]
fn vanished_before_it_was_taken_in_is_forgotten() {
    play(&[
        (0, Write("a.fits", 10)),
        (0, Write("b.fits", 10)),
        (1, Remove("a.fits")),
        (1, Arriving(&[("b.fits", GROWING)])),
        (5, Due(&["b.fits"])),
    ]);
    // The same without a report: the further look finds it gone.
    let mut world = play(&[(0, Write("a.fits", 10))]);
    world.folder.clear();
    world.act(5, &Due(&[]));
    world.act(5, &Arriving(&[]));
}

#[test]
fn clock_set_back_keeps_the_waiting_done_so_far() {
    play(&[
        (0, Write("a.fits", 10)),
        (3, Due(&[])),
        (-3600, Due(&[])),
        (-3600, Next(Some(-3598))),
        (-3598, Due(&["a.fits"])),
    ]);
}

#[test]
fn unreadable_for_now_is_handed_out_again() {
    play(&[
        (0, Write("a.fits", 10)),
        (5, Due(&["a.fits"])),
        (5, PutBack("a.fits")),
        (9, Due(&[])),
        (10, Due(&["a.fits"])),
    ]);
}

#[test]
fn no_settle_time_at_all_and_one_beyond_the_calendar() {
    let look = Look {
        file: file("a.fits"),
        stamp: stamp(1),
    };
    let mut none = Settle::new(Duration::ZERO);
    none.look(look.clone(), at(0));
    assert_eq!(none.due(at(0), |_| Some(stamp(1))).len(), 1);
    let mut never = Settle::new(Duration::MAX);
    never.look(look, at(0));
    assert!(never.due(at(1_000_000), |_| Some(stamp(1))).is_empty());
    assert_eq!(never.finish().len(), 1);
}

/// One step of a random story about file 0, 1 or 2.
#[derive(Clone, Debug)]
enum Step {
    Write { file: usize, seen: bool },
    Close(usize),
    Look(usize),
    Remove { file: usize, reported: bool },
    Pass(i64),
    SetBack(i64),
    Due(Answer),
}

#[derive(Clone, Copy, Debug)]
enum Answer {
    Taken,
    Short,
    PutBack,
}

fn any_step() -> impl Strategy<Value = Step> {
    let file = || 0..3_usize;
    let answer = prop_oneof![
        Just(Answer::Taken),
        Just(Answer::Short),
        Just(Answer::PutBack)
    ];
    prop_oneof![
        4 => (file(), any::<bool>()).prop_map(|(file, seen)| Step::Write { file, seen }),
        2 => file().prop_map(Step::Close),
        2 => file().prop_map(Step::Look),
        1 => (file(), any::<bool>()).prop_map(|(file, reported)| Step::Remove { file, reported }),
        4 => (0..8_i64).prop_map(Step::Pass),
        1 => (0..5000_i64).prop_map(Step::SetBack),
        4 => answer.prop_map(Step::Due),
    ]
}

/// What is true of a file, beside what the machine believes.
#[derive(Clone, Copy, Default)]
struct Truth {
    size: Option<u64>,
    /// True seconds since the start of the last write.
    written: i64,
    closed: bool,
    /// Reported to the machine, and not taken in since.
    looked: bool,
    taken: Option<u64>,
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_file_is_handed_out_early_changed_or_not_at_all(
        steps in prop::collection::vec(any_step(), 1..60)
    ) {
        let names = ["a.fits", "b.fits", "c.fits"].map(file);
        let mut settle = Settle::new(Duration::from_secs(SETTLE as u64));
        let mut truth = [Truth::default(); 3];
        let (mut passed, mut clock, mut size) = (0, 0, 0);
        let seen = |truth: &Truth, file: usize| {
            truth.size.map(|size| Look { file: names[file].clone(), stamp: stamp(size) })
        };
        for step in steps {
            match step {
                Step::Write { file, seen: looked } => {
                    size += 1;
                    let it = &mut truth[file];
                    (it.size, it.written, it.closed) = (Some(size), passed, false);
                    if looked {
                        it.looked = true;
                        settle.look(seen(it, file).unwrap(), at(clock));
                    }
                }
                Step::Close(file) => if let Some(look) = seen(&truth[file], file) {
                    (truth[file].closed, truth[file].looked) = (true, true);
                    settle.closed(look, at(clock));
                },
                Step::Look(file) => if let Some(look) = seen(&truth[file], file) {
                    // Only looks that differ from what was taken in are reported.
                    if truth[file].taken != truth[file].size {
                        truth[file].looked = true;
                        settle.look(look, at(clock));
                    }
                },
                Step::Remove { file, reported } => {
                    truth[file] = Truth { looked: truth[file].looked && !reported, ..Truth::default() };
                    if reported {
                        settle.vanished(&names[file]);
                    }
                }
                Step::Pass(seconds) => {
                    passed += seconds;
                    clock += seconds;
                }
                Step::SetBack(seconds) => clock -= seconds,
                Step::Due(answer) => {
                    let index = |id: &FileId| names.iter().position(|name| name == id).unwrap();
                    let due = settle.due(at(clock), |id| {
                        let it = &mut truth[index(id)];
                        it.looked &= it.size.is_some();
                        it.size.map(stamp)
                    });
                    for Look { file: id, stamp: now } in due {
                        let it = &mut truth[index(&id)];
                        prop_assert_eq!(it.size.map(stamp), Some(now), "handed out as it is");
                        prop_assert!(
                            it.closed || passed >= it.written + SETTLE,
                            "{} was written at {}, handed out at {}", id, it.written, passed
                        );
                        match answer {
                            Answer::Taken => {
                                (it.taken, it.looked) = (it.size, false);
                                settle.taken(&id, &now);
                            }
                            Answer::Short => settle.short(&id, &now, "short".to_owned()),
                            Answer::PutBack => settle.put_back(&id, at(clock)),
                        }
                    }
                    if let Some(next) = settle.next_due() {
                        prop_assert!(next <= at(clock + SETTLE), "nothing waits longer than it must");
                    }
                }
            }
        }
        let last: Vec<FileId> = settle.finish().into_iter().map(|look| look.file).collect();
        for (name, it) in names.iter().zip(&truth) {
            if it.looked && it.size.is_some() {
                prop_assert!(last.contains(name), "{} was seen and never handed out", name);
            }
        }
    }
}
