//! A file's header becomes a frame, or a refusal.

#![no_main]

use std::path::Path;
use std::sync::{Arc, LazyLock};

use dawnledger::config::parse_profile;
use dawnledger::facts::{Header, Profile, RelPath};
use dawnledger::fits::{checksums_hold, header_block, read_header, read_header_of_cut};
use dawnledger::frame::recognise;
use libfuzzer_sys::fuzz_target;

mod held;

/// Any camera, read in different ways.
const PROFILES: [&str; 2] = [
    "name: other\ncamera: '*'\ntelescope: '*2*'\ngain_keyword: electrons-per-adu\ncalibration: {bias: {rule: required}, dark: {rule: never}, flat-dark: {rule: never}, flat: {rule: never}}\n",
    "name: any\ncamera: '*'\nfilters: {H: Ha}\ncalibration: {bias: {rule: required}, dark: {rule: never}, flat-dark: {rule: never}, flat: {rule: never}}\n",
];

static RIGS: LazyLock<Vec<Arc<Profile>>> = LazyLock::new(|| {
    let read = |text| parse_profile(text, Path::new("profile.yaml")).map(Arc::new);
    PROFILES.map(|text| read(text).expect("a profile")).into()
});

fn frame(header: &Header) {
    let side = |keyword| {
        header
            .integer(keyword)
            .and_then(|side| u32::try_from(side).ok())
    };
    let (Some(width), Some(height)) = (side("NAXIS1"), side("NAXIS2")) else {
        return;
    };
    let path = RelPath::new(Path::new("flats/Ha/a.fits")).expect("a path");
    match recognise(header, width, height, &path, &RIGS) {
        Ok(frame) => {
            assert!(frame.exposure.get().is_finite());
        }
        Err(refusal) => assert!(!refusal.to_string().is_empty()),
    }
}

fuzz_target!(|bytes: &[u8]| {
    let (_file, path) = held::held(bytes).expect("a file in memory");
    let _ = checksums_hold(&path);
    if let Ok(header) = read_header(&path) {
        frame(&header);
        // A product carries its raw file's cards on.
        assert_eq!(header_block(header.cards()).len() % 2880, 0);
    }
    if let Ok(header) = read_header_of_cut(&path) {
        frame(&header);
    }
});
