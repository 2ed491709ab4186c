//! Full disks, other processes, other programs and damage.

use std::sync::atomic::{AtomicBool, Ordering};

use super::fixtures::*;
use super::*;

#[test]
fn commit_that_is_not_allowed_leaves_the_old_state() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("catalogue");
    let full = Arc::new(AtomicBool::new(true));
    let allow = || -> Allow {
        let full = full.clone();
        Box::new(move || {
            if full.load(Ordering::Relaxed) {
                Err(io::ErrorKind::StorageFull.into())
            } else {
                Ok(())
            }
        })
    };
    let error = Catalogue::open(&path, allow()).err().unwrap();
    assert!(error.is_passing(), "{error}");
    full.store(false, Ordering::Relaxed);
    let mut catalogue = Catalogue::open(&path, allow()).unwrap();
    record(&mut catalogue, &every_content());
    catalogue.made(&made(1)).unwrap();
    let before = catalogue.snapshot().unwrap();
    let generation = catalogue.generation();

    full.store(true, Ordering::Relaxed);
    let files = [file(b"a.fits")];
    let one = Fingerprint::new([1; 32]);
    let errors = [
        catalogue.record(&[(entry(b"new.fits", recognised()), "now")]),
        catalogue.vanish(&files),
        catalogue.forget(&files),
        catalogue.refuse_pixels(&file(b"d.fits"), &stamp(6), "odd"),
        catalogue.made(&made(2)),
        catalogue.unmade(&[one]),
        catalogue.failed(&one, "odd"),
        catalogue.clear_failures(),
    ];
    for result in errors {
        let error = result.unwrap_err();
        assert!(matches!(error, CatalogueError::Refused { .. }), "{error}");
        assert!(error.is_passing());
        assert!(!error.to_string().contains('\n'));
    }
    assert_eq!(catalogue.snapshot().unwrap(), before);
    assert_eq!(catalogue.generation(), generation);
    full.store(false, Ordering::Relaxed);
    catalogue.unmade(&[one]).unwrap();
    assert!(catalogue.snapshot().unwrap().made.is_empty());
}

#[test]
fn reader_beside_a_writer_sees_what_is_committed() {
    let (folder, mut writer) = fresh();
    let path = folder.path().join("catalogue");
    let mode: String = writer
        .connection
        .query_row("PRAGMA journal_mode", [], |row| row.get(0))
        .unwrap();
    assert_eq!(mode, "wal");
    let mut reader = Catalogue::open_reading(&path).unwrap();
    assert_eq!(reader.snapshot().unwrap(), Snapshot::default());
    record(&mut writer, &every_content());
    assert_eq!(reader.snapshot().unwrap(), writer.snapshot().unwrap());
    let error = reader.clear_failures().unwrap_err();
    assert!(error.to_string().contains("clear failures"), "{error}");
    // A writer in the middle of a change keeps no reader waiting.
    let transaction = writer.connection.transaction().unwrap();
    transaction.execute("DELETE FROM seen", []).unwrap();
    assert_eq!(reader.snapshot().unwrap().entries.len(), 6);
    drop(transaction);
    drop(writer);
    assert_eq!(reader.snapshot().unwrap().entries.len(), 6);
    drop(reader);
    let reader = Catalogue::open_reading(&path).unwrap();
    assert_eq!(reader.snapshot().unwrap().entries.len(), 6);
}

#[test]
fn what_another_hand_does_to_the_files_is_noticed_and_what_readers_do_is_not() {
    let damages: [fn(&Path); 4] = [
        |path| std::fs::remove_file(path).unwrap(),
        |path| std::fs::write(path, "other contents").unwrap(),
        |path| {
            let copy = path.with_extension("copy");
            std::fs::copy(path, &copy).unwrap();
            std::fs::rename(&copy, path).unwrap();
        },
        |path| {
            let file = std::fs::File::options().append(true).open(path).unwrap();
            file.set_modified(std::time::UNIX_EPOCH).unwrap();
        },
    ];
    for damage in damages {
        for which in [0, 1] {
            let (folder, mut catalogue) = fresh();
            let path = folder.path().join("catalogue");
            record(&mut catalogue, &every_content());
            catalogue.made(&made(1)).unwrap();
            let reader = Catalogue::open_reading(&path).unwrap();
            reader.snapshot().unwrap();
            drop(reader);
            catalogue.snapshot().unwrap();
            catalogue.holds().unwrap();
            damage(&files(&path)[which]);
            let error = catalogue.holds().unwrap_err();
            assert!(error.is_touched() && !error.is_passing(), "{error}");
            // A change of our own does not cover it up.
            let _ = catalogue.made(&made(2));
            assert!(catalogue.holds().is_err());
        }
    }
}

#[test]
fn a_transaction_that_is_undone_counts_as_ours() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("catalogue");
    let full = Arc::new(AtomicBool::new(false));
    let shut = full.clone();
    let allow: Allow = Box::new(move || match shut.load(Ordering::Relaxed) {
        true => Err(io::ErrorKind::StorageFull.into()),
        false => Ok(()),
    });
    let mut catalogue = Catalogue::open(&path, allow).unwrap();
    record(&mut catalogue, &every_content());
    // So few pages are held that most go to the journal before the end.
    catalogue
        .connection
        .pragma_update(None, "cache_size", 1)
        .unwrap();
    full.store(true, Ordering::Relaxed);
    let many: Vec<_> = (0..2000)
        .map(|number: u32| entry(number.to_string().as_bytes(), recognised()))
        .collect();
    let many: Vec<_> = many.into_iter().map(|entry| (entry, "now")).collect();
    let length = || std::fs::metadata(&files(&path)[1]).unwrap().len();
    let before = length();
    catalogue.record(&many).unwrap_err();
    assert!(length() > before, "nothing was left behind in the journal");
    catalogue.holds().unwrap();
}

#[test]
fn file_that_nobody_can_write_beside_is_read_as_it_lies() {
    let (folder, mut writer) = fresh();
    record(&mut writer, &every_content());
    drop(writer);
    // What a reader without leave to write falls back to, under a name full of URI characters.
    let odd = folder.path().join(OsStr::from_bytes(b"a?b#c%d \xff"));
    std::fs::copy(folder.path().join("catalogue"), &odd).unwrap();
    let connection = Connection::open_with_flags(
        schema::unchanging(&odd),
        rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY | rusqlite::OpenFlags::SQLITE_OPEN_URI,
    )
    .unwrap();
    let reader = Catalogue::around(&odd, connection, yes());
    assert_eq!(reader.snapshot().unwrap().entries.len(), 6);
}

#[test]
fn an_earlier_catalogue_is_brought_up_to_date_by_who_writes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("catalogue");
    let mut catalogue = Catalogue::open(&path, yes()).unwrap();
    record(&mut catalogue, &every_content());
    let before = catalogue.snapshot().unwrap();
    drop(catalogue);
    let first = Connection::open(&path).unwrap();
    first
        .execute_batch("DROP TABLE sensor; DROP TABLE measured; PRAGMA user_version = 1;")
        .unwrap();
    drop(first);
    let error = Catalogue::open_reading(&path).err().unwrap();
    assert!(matches!(error, CatalogueError::Earlier { .. }), "{error}");
    let no: Allow = Box::new(|| Err(std::io::ErrorKind::StorageFull.into()));
    assert!(Catalogue::open(&path, no).is_err(), "a step of its own");
    let catalogue = Catalogue::open(&path, yes()).unwrap();
    assert_eq!(catalogue.snapshot().unwrap(), before);
    drop(catalogue);
    assert!(Catalogue::open_reading(&path).is_ok());
}

#[test]
fn what_is_not_ours_is_refused_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("catalogue");
    let open = || Catalogue::open(&path, yes()).err().unwrap();
    let read = || Catalogue::open_reading(&path).err().unwrap();

    assert!(matches!(read(), CatalogueError::Missing { .. }));
    std::fs::write(&path, b"").unwrap();
    assert!(matches!(read(), CatalogueError::Missing { .. }));

    drop(Catalogue::open(&path, yes()).unwrap());
    let later = Connection::open(&path).unwrap();
    later.pragma_update(None, "user_version", 7).unwrap();
    drop(later);
    for error in [open(), read()] {
        assert!(
            matches!(error, CatalogueError::Version { found: 7, .. }),
            "{error}"
        );
        assert!(error.to_string().contains("version 7"), "{error}");
        assert!(!error.is_passing());
    }

    std::fs::remove_file(&path).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("CREATE TABLE t (x)").unwrap();
    drop(other);
    let before = std::fs::read(&path).unwrap();
    for error in [open(), read()] {
        assert!(matches!(error, CatalogueError::Foreign { .. }), "{error}");
    }
    assert_eq!(std::fs::read(&path).unwrap(), before, "left as it was");
}

#[test]
fn damage_is_told_from_bad_luck() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("catalogue");
    std::fs::write(
        &path,
        b"This is no database, whatever it is called. ".repeat(50),
    )
    .unwrap();
    let error = Catalogue::open(&path, yes()).err().unwrap();
    assert!(matches!(error, CatalogueError::Damaged { .. }), "{error}");
    std::fs::remove_file(&path).unwrap();

    let mut catalogue = Catalogue::open(&path, yes()).unwrap();
    for _ in 0..20 {
        let entries: Vec<Entry> = (0..50)
            .map(|n| entry(format!("{n:03}.fits").as_bytes(), recognised()))
            .collect();
        record(&mut catalogue, &entries);
    }
    drop(catalogue);
    let mut bytes = std::fs::read(&path).unwrap();
    let len = bytes.len();
    bytes[8192..len].fill(0x5a);
    std::fs::write(&path, &bytes).unwrap();
    let error = Catalogue::open(&path, yes()).err().unwrap();
    assert!(matches!(error, CatalogueError::Damaged { .. }), "{error}");

    let nowhere = folder.path().join("not/there");
    let error = Catalogue::open(&nowhere, yes()).err().unwrap();
    assert!(error.is_passing(), "{error}");
}

#[test]
fn row_that_cannot_be_understood_is_damage() {
    for (column, value) in [
        ("frame SET facts", "'{}'"),
        ("frame SET sample", "x'00'"),
        ("seen SET path", "x'2f'"),
        ("seen SET digest", "x'00'"),
        ("seen SET digest", "NULL"),
        ("seen SET kind", "9"),
    ] {
        let (_folder, mut catalogue) = fresh();
        record(&mut catalogue, &[entry(b"a.fits", recognised())]);
        catalogue
            .connection
            .execute(&format!("UPDATE {column} = {value}"), [])
            .unwrap();
        let error = catalogue.snapshot().unwrap_err();
        assert!(
            matches!(error, CatalogueError::Damaged { .. }),
            "{column} = {value}: {error}"
        );
    }
}

#[test]
fn killed_process_leaves_what_it_committed() {
    let (folder, mut catalogue) = fresh();
    record(&mut catalogue, &every_content());
    let before = catalogue.snapshot().unwrap();
    let transaction = catalogue.connection.transaction().unwrap();
    transaction.execute("DELETE FROM seen", []).unwrap();
    // The disk as a process that is killed now leaves it.
    let left = tempfile::tempdir().unwrap();
    let path = left.path().join("catalogue");
    for (from, to) in files(&folder.path().join("catalogue"))
        .iter()
        .zip(files(&path))
    {
        std::fs::copy(from, to).unwrap();
    }
    let again = Catalogue::open(&path, yes()).unwrap();
    assert_eq!(again.snapshot().unwrap(), before);
}
