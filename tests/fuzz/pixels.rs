//! A whole file, plain or compressed, becomes pixels or is refused. Compressed ones go through the
//! decoder's own process, as in the program: `DAWNLEDGER` says where that is.

#![no_main]

use std::env;
use std::path::PathBuf;
use std::sync::LazyLock;

use dawnledger::combine::{Stored, sample};
use dawnledger::facts::Refusal;
use dawnledger::fits::{FitsError, Source, Unpacker};
use libfuzzer_sys::fuzz_target;

mod held;

/// More pixels than any file of a fuzzer's size holds, unless it is compressed.
const MOST: usize = 1 << 24;

static UNPACKER: LazyLock<Unpacker> = LazyLock::new(|| {
    let program = env::var_os("DAWNLEDGER").map(PathBuf::from);
    let program = program.unwrap_or_else(|| "target/debug/dawnledger".into());
    Unpacker::new(program, env::temp_dir().join("dawnledger-fuzz"))
});

fuzz_target!(|bytes: &[u8]| {
    let (_file, path) = held::held(bytes).expect("a file in memory");
    match Source::open(&path, &UNPACKER) {
        Ok(source) => {
            let (width, height) = (source.width(), source.height());
            if width * height > MOST {
                return;
            }
            let mut samples = vec![0.0; width * height];
            source
                .rows_f32(0, height, &mut samples)
                .expect("rows that were promised");
            if source.is_u16() {
                let mut counts = vec![Stored::default(); width * height];
                source
                    .rows_stored(0, height, &mut counts)
                    .expect("the same rows");
                let same = samples
                    .iter()
                    .zip(counts)
                    .all(|(&a, b)| a == f32::from(sample(b)));
                assert!(same, "both readings agree");
            }
        }
        // Our own decoder never gives up; that of others may, which costs the file.
        Err(FitsError::Refused(Refusal::Poisoned(signal))) => assert_ne!(signal, "SIGABRT"),
        Err(FitsError::Io { source, .. }) => panic!("{source}"),
        Err(_) => {}
    }
});
