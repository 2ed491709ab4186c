//! Supplied masters, as files come, go and cannot be read.

use super::*;

fn looks(shelf: &mut Shelf, settings: &Settings) -> bool {
    shelf.look(settings, &|| Ok(())).unwrap()
}

#[test]
fn a_supplied_master_is_read_again_only_when_its_file_changes() {
    let here = Place::new();
    let profile = format!("{PROFILE}supplied: [{{file: library.fits, kind: bias}}]\n");
    let (settings, file) = (here.settings(&profile), here.path("library.fits"));
    let mut engine = here.open(&profile, Mode::Run);
    let mut shelf = here.shelf();
    let master = |shelf: &Shelf| shelf.found()[0].master.clone();
    assert!(looks(&mut shelf, &settings) && !looks(&mut shelf, &settings));
    assert_eq!(master(&shelf), Err("it is not there".to_owned()));
    engine.scan(0, at(0)).unwrap();
    let before = engine.generation();
    // A single bias frame is a master too.
    let frames = fs::read_dir(here.path("incoming")).unwrap();
    let mut frames = frames.map(|entry| entry.unwrap().path());
    let is_bias = |path: &PathBuf| path.to_string_lossy().to_lowercase().contains("bias");
    let bias = frames.find(is_bias).unwrap();
    fs::copy(&bias, &file).unwrap();
    assert!(looks(&mut shelf, &settings) && !looks(&mut shelf, &settings));
    let first = master(&shelf).unwrap();
    engine.scan(0, at(0)).unwrap();
    assert_ne!(engine.generation(), before, "the plan is out of date");
    // Unusable, as long as it looks like that.
    assert!(!shelf.distrust(&bias, "bad") && shelf.distrust(&file, "bad"));
    assert!(looks(&mut shelf, &settings) && !looks(&mut shelf, &settings));
    assert_eq!(master(&shelf), Err("bad".to_owned()));
    fs::remove_file(&file).unwrap();
    fs::copy(&bias, &file).unwrap();
    assert!(looks(&mut shelf, &settings));
    let again = master(&shelf).unwrap();
    assert_eq!(again.fingerprint, first.fingerprint);
    assert_eq!(shelf.changes(), 4);
}

#[test]
fn what_the_system_refuses_is_no_supplied_master_s_fault() {
    let here = Place::new();
    let profile = format!("{PROFILE}supplied: [{{file: library.fits.gz, kind: bias}}]\n");
    let settings = here.settings(&profile);
    // Compressed, as far as its first bytes tell; there is no room to decode it.
    fs::write(here.path("library.fits.gz"), [0x1f, 0x8b, 8, 0]).unwrap();
    fs::write(here.path("scratch"), "not a folder").unwrap();
    let mut shelf = here.shelf();
    let said = |shelf: &Shelf| shelf.found()[0].master.clone().unwrap_err();
    assert!(looks(&mut shelf, &settings) && !looks(&mut shelf, &settings));
    assert!(said(&shelf).contains("scratch file"), "{}", said(&shelf));
    fs::remove_file(here.path("scratch")).unwrap();
    assert!(
        looks(&mut shelf, &settings),
        "the same file is looked at again"
    );
    assert!(!said(&shelf).contains("scratch file"), "{}", said(&shelf));
}

/// What was left in the middle tells nothing of a file.
#[test]
fn what_a_stop_left_off_is_not_believed() {
    let here = Place::new();
    let profile = format!("{PROFILE}supplied: [{{file: library.fits, kind: bias}}]\n");
    let settings = here.settings(&profile);
    let mut shelf = here.shelf();
    let stopped = shelf.look(&settings, &|| Err(DaemonError::Stopped));
    assert!(matches!(stopped, Err(DaemonError::Stopped)));
    assert!(shelf.found().is_empty() && shelf.changes() == 0);
    assert!(looks(&mut shelf, &settings));
}
