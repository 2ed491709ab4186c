//! A catalogue that is damaged is set aside and built anew: the same products, the same meaning.

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
        assert_no_leftovers(&self.here, when);
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
        let aside = hurt.try_with(&whole[..cut], &when);
        // Less than a page counts as an empty file.
        assert!(aside || cut < 4096, "{when}");
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
