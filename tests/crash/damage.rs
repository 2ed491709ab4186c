//! A catalogue that is damaged is set aside and built anew: the same products, the same meaning.

use std::os::unix::fs::FileExt;

use super::*;

/// Damages the catalogue of a finished night, and looks at what becomes of it.
struct Hurt {
    here: Observatory,
    wanted: observatory::Tree,
    known: Snapshot,
    whole: Vec<u8>,
}

impl Hurt {
    fn new() -> Self {
        let here = small();
        once(&here, Counting::open()).unwrap();
        let (wanted, known) = (here.tree(), meaning(&here));
        let whole = fs::read(here.path("state").join(CATALOGUE)).unwrap();
        Self {
            here,
            wanted,
            known,
            whole,
        }
    }

    fn catalogue(&self) -> PathBuf {
        self.here.path("state").join(CATALOGUE)
    }

    fn is_set_aside(&self) -> bool {
        let aside = format!("{CATALOGUE}.damaged-1");
        self.here.path("state").join(aside).exists()
    }

    /// Puts these bytes in its place and lets the program run. True where it was set aside.
    fn try_with(&self, bytes: &[u8], when: &str) -> bool {
        fs::remove_dir_all(self.here.path("state")).unwrap();
        fs::create_dir(self.here.path("state")).unwrap();
        fs::write(self.catalogue(), bytes).unwrap();
        once(&self.here, Counting::open()).unwrap_or_else(|error| panic!("{when}: {error}"));
        assert_same(&self.here.tree(), &self.wanted, when);
        assert_no_leftovers(&self.here.products(), when);
        assert_eq!(meaning(&self.here), self.known, "{when}: its meaning");
        self.is_set_aside()
    }
}

#[test]
fn a_catalogue_that_is_cut_off_overwritten_or_of_a_later_version_is_built_anew() {
    let _alone = alone();
    let hurt = Hurt::new();
    let whole = &hurt.whole;
    assert!(!hurt.try_with(whole, "unharmed"));
    assert!(!hurt.try_with(b"", "empty: as none at all"));
    for cut in [1, 50, 100, 1024, 4096, whole.len() / 2, whole.len() - 100] {
        let when = format!("cut off at {cut}");
        assert!(hurt.try_with(&whole[..cut], &when), "{when}");
    }
    let text = "this is no database. ".repeat(1000);
    assert!(hurt.try_with(text.as_bytes(), "a text"));
    assert!(hurt.try_with(&vec![0; whole.len()], "zeros"));
    // The user version: bytes 60 to 63 of the header, <https://www.sqlite.org/fileformat.html>.
    let mut later = whole.clone();
    later[60..64].copy_from_slice(&1000_u32.to_be_bytes());
    assert!(hurt.try_with(&later, "of a later version"));
}

#[test]
fn a_catalogue_whose_pages_are_overwritten_is_built_anew() {
    let _alone = alone();
    let hurt = Hurt::new();
    let page = 4096;
    let mut aside = 0;
    let pages = hurt.whole.len() / page;
    for number in 0..pages {
        let mut bytes = hurt.whole.clone();
        bytes[number * page..(number + 1) * page].fill(0xa5);
        let when = format!("page {number} of {pages}");
        aside += usize::from(hurt.try_with(&bytes, &when));
    }
    assert_eq!(aside, pages, "each page matters");
}

#[test]
fn a_catalogue_that_is_damaged_while_it_is_in_use_is_built_anew() {
    let _alone = alone();
    let hurt = Hurt::new();
    fs::write(
        hurt.here.settings(),
        fs::read_to_string(hurt.here.settings()).unwrap() + "settle_s: 1\n",
    )
    .unwrap();
    let errors = hurt.here.path("errors.log");
    let mut child = Command::new(PROGRAM)
        .args(["run", "--config"])
        .arg(hurt.here.settings())
        .stderr(fs::File::create(&errors).unwrap())
        .spawn()
        .unwrap();
    let mut wait_for = |what: &str, come: &dyn Fn(&str) -> bool| {
        let patience = Instant::now() + Duration::from_secs(60);
        loop {
            let said = fs::read_to_string(&errors).unwrap();
            if come(&said) {
                return;
            }
            let ended = child.try_wait().unwrap();
            assert!(
                ended.is_none() && Instant::now() < patience,
                "{what}: {ended:?}\n{said}"
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    };
    wait_for("it watches", &|said| said.contains("watching"));
    // Everything but the header, which the system keeps checking anyway.
    let file = OpenOptions::new()
        .write(true)
        .open(hurt.catalogue())
        .unwrap();
    let rest = vec![0xa5; hurt.whole.len() - 100];
    file.write_all_at(&rest, 100).unwrap();
    let name = hurt.here.incoming().join("late.txt");
    fs::write(name, "a file that is new").unwrap();
    let lights = files(&hurt.here.incoming());
    let light = lights
        .iter()
        .find(|path| path.to_string_lossy().contains("light"))
        .unwrap();
    let mut bytes = fs::read(light).unwrap();
    let at = bytes.len() - 2900;
    bytes[at] ^= 1;
    fs::write(hurt.here.incoming().join("late.fits"), bytes).unwrap();
    wait_for("it is opened anew", &|said| said.contains("opened anew"));
    wait_for("what is new is made", &|said| said.contains("made product"));
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(hurt.is_set_aside());
    let calm = small();
    for path in files(&hurt.here.incoming()) {
        fs::copy(&path, calm.incoming().join(path.file_name().unwrap())).unwrap();
    }
    calm.once();
    hurt.here.once();
    let fits = |tree: observatory::Tree| -> observatory::Tree {
        let is = |path: &PathBuf| path.extension().is_some_and(|end| end == "fits");
        tree.into_iter().filter(|(path, _)| is(path)).collect()
    };
    assert_same(&fits(hurt.here.tree()), &fits(calm.tree()), "after all");
}
