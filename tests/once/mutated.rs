//! Spoilt frames of every form, and files from elsewhere, go the whole way: each ends in one list, in
//! one state, and the sound ones beside them are calibrated. `tests/bench/mutants.rs` does it to ten
//! thousand.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use crate::dice::Dice;
use crate::mutants::{FORMS, FRAMES, RIG, SPOILS, accounted, forms, spoilt};
use crate::observatory::{Observatory, files};

#[test]
fn spoilt_frames_are_calibrated_or_refused_and_nothing_else_suffers() {
    let here = Observatory::new(&[("any", RIG)], "");
    here.shoot(FRAMES);
    let lights = files(&here.incoming());
    let light = lights
        .iter()
        .find(|path| path.to_string_lossy().contains("light_"));
    let originals = forms(light.unwrap(), &here.path(""));
    let mut dice = Dice(40);
    for (form, original) in FORMS.iter().zip(&originals) {
        for spoil in SPOILS {
            for count in 0..6 {
                let name = format!("{form} {spoil} {count}.fits");
                let bytes = spoilt(original, spoil, &mut dice);
                fs::write(here.incoming().join(name), bytes).unwrap();
            }
        }
    }
    let others = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/fits");
    for path in files(&others) {
        let name = format!("elsewhere/{}", path.file_name().unwrap().display());
        let path_there = here.incoming().join(name);
        fs::create_dir_all(path_there.parent().unwrap()).unwrap();
        fs::copy(path, path_there).unwrap();
    }
    let told = here.once();
    let found = accounted(&here.products());
    let count = files(&here.incoming()).len();
    assert_eq!(found.len(), count, "{told}");
    for light in lights
        .iter()
        .filter(|path| path.to_string_lossy().contains("light_"))
    {
        let name = light.file_name().unwrap().to_str().unwrap();
        assert_eq!(found[name].0, "calibrated", "{name}: {}", found[name].1);
    }
    let mut states: BTreeMap<&str, usize> = BTreeMap::new();
    for (state, _) in found.values() {
        *states.entry(state).or_default() += 1;
    }
    // Both ends are reached.
    assert!(
        states["calibrated"] > 10 && states["refused"] > 40,
        "{states:?}"
    );
}
