//! A folder as real nights leave it: odd names, decoys, broken and spoiled frames. Every file is
//! accounted for once, in the state it deserves.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use dawnledger::facts::Kind;

use crate::observatory::{Observatory, files};
use crate::{NIGHT, NORTH, SOUTH};

/// Where each file is expected: in which list, in which state.
type Expected = BTreeMap<PathBuf, (&'static str, &'static str)>;

struct Mess<'a> {
    here: &'a Observatory,
    expected: Expected,
}

impl Mess<'_> {
    fn raw(&self, name: &str) -> Vec<u8> {
        fs::read(self.here.incoming().join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
    }

    /// Adds a file.
    fn add(
        &mut self,
        name: impl AsRef<Path>,
        bytes: &[u8],
        list: &'static str,
        state: &'static str,
    ) {
        let path = self.here.incoming().join(&name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, bytes).unwrap();
        self.expected
            .insert(name.as_ref().to_owned(), (list, state));
    }

    /// Renames a file of the night.
    fn rename(&mut self, from: &str, to: impl AsRef<Path>) {
        let to_path = self.here.incoming().join(&to);
        fs::create_dir_all(to_path.parent().unwrap()).unwrap();
        fs::rename(self.here.incoming().join(from), to_path).unwrap();
        let state = self
            .expected
            .remove(Path::new(from))
            .unwrap_or_else(|| panic!("{from}"));
        self.expected.insert(to.as_ref().to_owned(), state);
    }
}

/// The frame with one card's value replaced, and one pixel changed so that it is no copy.
fn with(bytes: &[u8], keyword: &str, value: &str, mark: u8) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    let record = bytes
        .chunks_mut(80)
        .take(72)
        .find(|record| record.starts_with(format!("{keyword:<8}=").as_bytes()))
        .unwrap_or_else(|| panic!("no {keyword}"));
    record.copy_from_slice(format!("{keyword:<8}= {value:<70}").as_bytes());
    marked(&bytes, mark)
}

fn marked(bytes: &[u8], mark: u8) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    let at = bytes.len() - 4000;
    bytes[at] ^= mark;
    bytes
}

fn state_of(path: &Path) -> (&'static str, &'static str) {
    let name = path.to_string_lossy();
    match name.as_ref() {
        name if name.contains("light_OIII") => ("lights", "waiting"),
        name if name.contains("light_") => ("lights", "calibrated"),
        _ => ("calibration", "used"),
    }
}

#[test]
fn every_file_is_accounted_for_once() {
    let here = Observatory::new(&[("north", NORTH), ("south", SOUTH)], "");
    here.shoot(NIGHT);
    // A second night with spoiled frames among the good.
    here.shoot(
        "seed: 7
rigs:
  - camera: Petrel 26M
    folder: second
    sensor: {width: 96, height: 64}
    filters: [{name: Ha, written: H}, {name: SII}]
    targets: [{name: IC 5070, stars: 8}]
    runs:
      - {kind: flat, filter: Ha, exposure_s: 2, start: '2026-09-06T19:00:00Z', count: 8,
         faults: [{at: [1], fault: {bright: 4.0}}, {at: [8], fault: {bright: 0.05}}]}
      - {kind: light, filter: Ha, target: IC 5070, exposure_s: 120, start: '2026-09-06T21:00:00Z', count: 3}
      - {kind: light, filter: Ha, target: IC 5070, exposure_s: 4, start: '2026-09-06T20:40:00Z', count: 1, name: 'focus.fits'}
  - camera: Dunlin 24C
    folder: second
    spelling: long
    sensor: {width: 96, height: 64, cfa: RGGB, glow_e_per_s: 1.0}
    runs:
      - {kind: dark, exposure_s: 120, start: '2026-09-07T04:10:00Z', count: 8,
         faults: [{at: [2], fault: {leak: 5.0}}, {at: [5], fault: {warm: 6.0}}]}
",
    );
    let mut mess = Mess {
        here: &here,
        expected: Expected::new(),
    };
    for path in files(&here.incoming()) {
        let path = path.strip_prefix(here.incoming()).unwrap().to_owned();
        let state = state_of(&path);
        mess.expected.insert(path, state);
    }
    for spoiled in [
        "flat_Ha_2s_0001",
        "flat_Ha_2s_0008",
        "dark_none_120s_0002",
        "dark_none_120s_0005",
    ] {
        mess.expected.insert(
            format!("second/{spoiled}.fits").into(),
            ("calibration", "left-out"),
        );
    }
    mess.expected
        .insert("second/focus.fits".into(), ("ignored", ""));

    // Odd names are ordinary.
    mess.rename("north/light_Ha_120s_0001.fits", "X [Ha].fits");
    mess.rename("north/light_Ha_120s_0002.fits", "deep/er/a+1.FIT");
    mess.rename("north/light_Ha_120s_0003.fits", " b(c) .fts");
    mess.rename("north/light_Ha_120s_0004.fits", "~x.fits");
    mess.rename(
        "south/light_L_120s_0001.fits",
        OsStr::from_bytes(b"caf\xe9 %41\n.fits"),
    );

    // Decoys and broken files.
    let light = mess.raw("south/light_L_120s_0002.fits");
    let bias = mess.raw("north/bias_none_0s_0001.fits");
    mess.add(
        "text.fits",
        b"these are notes, not a frame\n",
        "refused",
        "not FITS",
    );
    mess.add("empty.fits", b"", "refused", "empty");
    mess.add("header.fits", &light[..2880], "lights", "refused");
    mess.add(
        "cut.fits",
        &light[..light.len() - 5000],
        "lights",
        "refused",
    );
    mess.add("copy.fits", &bias, "calibration", "used");
    // The smallest path is the original.
    mess.expected.insert(
        "north/bias_none_0s_0001.fits".into(),
        ("calibration", "refused"),
    );
    mess.add(
        "nan.fits",
        &with(&light, "EXPOSURE", "'NaN'", 1),
        "refused",
        "EXPOSURE",
    );
    mess.add(
        "minus.fits",
        &with(&light, "EXPOSURE", "-120.0", 2),
        "refused",
        "EXPOSURE",
    );
    mess.add(
        "kind.fits",
        &with(&light, "IMAGETYP", "'Snapshot'", 3),
        "refused",
        "IMAGETYP",
    );
    mess.add(
        "stacked.fits",
        &with(&light, "IMAGETYP", "'Master Light'", 4),
        "refused",
        "already processed",
    );
    mess.add(
        "stranger.fits",
        &with(&light, "INSTRUME", "'Gannet 9'", 5),
        "refused",
        "Gannet 9",
    );
    mess.add(
        "cube.fits",
        &with(&with(&light, "NAXIS", "3", 6), "NAXIS2", "64", 0),
        "refused",
        "NAXIS",
    );
    mess.add(
        "huge.fits",
        &with(&light, "NAXIS1", "2000000000", 7),
        "refused",
        "NAXIS1",
    );
    mess.add("notes.txt", b"dew at 2 am", "ignored", "");
    mess.add("preview.jpg", b"\xff\xd8\xff", "ignored", "");
    mess.add("still.fits.part", &light[..3000], "ignored", "");
    mess.add(".hidden.fits", &light, "ignored", "");
    here.once();

    let nights = ["2026-09-05", "2026-09-06"].map(|night| here.session(night));
    // Undated and unrecognised files belong to the night of their last change, today's.
    let today: Vec<_> = fs::read_dir(here.products().join("nights"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|night| night.as_str() > "2026-09-06")
        .map(|night| here.session(&night))
        .collect();
    let mut found: BTreeMap<String, (&str, String)> = BTreeMap::new();
    let mut seen = 0;
    for log in nights.iter().chain(&today) {
        let ledger = log.ledger;
        assert_eq!(
            ledger.seen,
            ledger.lights + ledger.calibration + ledger.refused + ledger.ignored
        );
        assert_eq!(
            (
                ledger.lights,
                ledger.calibration,
                ledger.refused,
                ledger.ignored
            ),
            (
                log.lights.len(),
                log.calibration.len(),
                log.refused.len(),
                log.ignored.len()
            )
        );
        seen += ledger.seen;
        let all = log
            .lights
            .iter()
            .map(|entry| (&entry.file, ("lights", entry.state.clone())))
            .chain(
                log.calibration
                    .iter()
                    .map(|entry| (&entry.file, ("calibration", entry.state.clone()))),
            )
            .chain(
                log.refused
                    .iter()
                    .map(|entry| (&entry.file, ("refused", entry.reason.clone()))),
            )
            .chain(
                log.ignored
                    .iter()
                    .map(|entry| (&entry.file, ("ignored", entry.reason.clone()))),
            );
        for (file, state) in all {
            let twice = found.insert(file.clone(), state);
            assert!(twice.is_none(), "{file} stands twice");
        }
        for frame in &log.calibration {
            let kind = Path::new(&frame.file)
                .file_name()
                .unwrap()
                .to_str()
                .unwrap();
            let wanted = ["bias", "dark", "flat"]
                .into_iter()
                .find(|kind_word| kind.starts_with(kind_word));
            assert_eq!(
                frame.kind.word(),
                wanted.unwrap_or("bias"),
                "{}",
                frame.file
            );
        }
    }
    assert_eq!(seen, mess.expected.len());
    for (path, (list, state)) in &mess.expected {
        let name = dawnledger::facts::RelPath::new(path).unwrap().to_string();
        let (found_list, found_state) = found
            .remove(&name)
            .unwrap_or_else(|| panic!("{name} is in no list: {found:#?}"));
        assert_eq!(found_list, *list, "{name}: {found_state}");
        assert!(
            found_state.contains(state),
            "{name}: {found_state}, wanted {state}"
        );
    }
    assert!(found.is_empty(), "nobody put these there: {found:?}");

    let asked: Vec<_> = nights[0]
        .to_shoot
        .iter()
        .map(|s| (s.kind, s.filter.clone(), s.count))
        .collect();
    assert_eq!(asked, [(Kind::Flat, Some("OIII".to_owned()), 5)]);
    assert!(nights[1].to_shoot.is_empty(), "{:?}", nights[1].to_shoot);
}
