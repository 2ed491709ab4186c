//! Products of integers: plain and compressed, decoded by CFITSIO.

use std::fs;
use std::path::{Path, PathBuf};

use dawnledger::facts::{Card, Value};
use dawnledger::fits::{ImageWriter, Plane, Samples, Source, Storage, checksums_hold, read_header};
use dawnledger::publish::Disk;
use fitsio::FitsFile;
use proptest::prelude::*;
use tempfile::TempDir;

use super::{open, pixels, saved};

/// A picture, its flags and a plane of numbers, as a product holds them.
#[derive(Clone, Debug)]
struct Picture {
    width: usize,
    height: usize,
    image: Vec<u16>,
    flags: Vec<u8>,
    sigma: Vec<f32>,
}

impl Picture {
    /// Writes the rows in strips, the last strip first.
    fn write(&self, path: &Path, storage: (Storage, Storage), strip: usize) {
        let cards = |name: &str| vec![Card::new("EXTNAME", Value::Text(name.to_owned()), "")];
        let plane = |storage, cards| Plane {
            storage,
            cards,
            height: None,
        };
        let planes = vec![
            plane(storage.0, vec![Card::new("DLTEST", Value::Real(0.5), "")]),
            plane(storage.1, cards("DLMASK")),
            plane(Storage::F32, cards("DLSIGMA")),
        ];
        let draft = Disk::default().draft(path).unwrap();
        let writer = ImageWriter::begin(draft, self.width, self.height, planes).unwrap();
        let firsts: Vec<usize> = (0..self.height).step_by(strip).collect();
        for first in firsts.into_iter().rev() {
            let last = self.height.min(first + strip);
            let part = first * self.width..last * self.width;
            let sigma = Samples::F32(&self.sigma[part.clone()]);
            writer.rows(2, first, sigma).unwrap();
            let flags = Samples::U8(&self.flags[part.clone()]);
            writer.rows(1, first, flags).unwrap();
            writer
                .rows(0, first, Samples::U16(&self.image[part]))
                .unwrap();
        }
        let size = writer
            .finish(&[Card::new("DLTEST", Value::Real(2.5), "")])
            .unwrap();
        assert_eq!(size, fs::metadata(path).unwrap().len());
        assert_eq!(size % 2880, 0);
    }
}

/// Pictures with quiet rows, smooth ones, and noise of every depth.
fn picture() -> impl Strategy<Value = Picture> {
    let size = (1_usize..100, 1_usize..20);
    let row = (any::<u16>(), 0_u32..=16, any::<u64>());
    size.prop_flat_map(move |(width, height)| {
        prop::collection::vec(row.clone(), height).prop_map(move |rows| {
            let mut image = Vec::new();
            for (level, depth, seed) in rows {
                let mut state = seed;
                image.extend((0..width).map(|_| {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1_442_695_040_888_963_407);
                    let noise = (state >> 40) as u32 & ((1 << depth) - 1);
                    level.wrapping_add(noise as u16)
                }));
            }
            let flags = image.iter().map(|&v| (v % 251) as u8 & 0x83).collect();
            let sigma = image.iter().map(|&v| f32::from(v).sqrt()).collect();
            Picture {
                width,
                height,
                image,
                flags,
                sigma,
            }
        })
    })
}

const PACKED: (Storage, Storage) = (Storage::PackedU16, Storage::PackedU8);
const PLAIN: (Storage, Storage) = (Storage::U16, Storage::U8);

fn written(folder: &TempDir, picture: &Picture, storage: (Storage, Storage)) -> PathBuf {
    let path = folder.path().join("p.fits");
    picture.write(&path, storage, 7);
    path
}

/// The image behind the primary through our reader, which leaves tiles to CFITSIO, and the
/// extensions through CFITSIO itself.
fn assert_reads_back(path: &Path, picture: &Picture) {
    let source = open(path).unwrap();
    assert!(source.is_u16());
    let mut image = vec![0; picture.image.len()];
    source.rows_u16(0, picture.height, &mut image).unwrap();
    assert!(image == picture.image);
    assert_eq!(source.header().number("DLTEST"), Some(2.5));
    let mut file = FitsFile::open(path).unwrap();
    let mask = file.hdu("DLMASK").unwrap();
    let flags: Vec<u8> = mask.read_image(&mut file).unwrap();
    assert!(flags == picture.flags);
    let plane = Source::open_plane(path, "DLSIGMA").unwrap().unwrap();
    assert!(pixels(&plane) == picture.sigma);
    assert_eq!(checksums_hold(path).unwrap(), Some(true));
    assert_eq!(read_header(path).unwrap().number("DLTEST"), Some(2.5));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..Default::default() })]

    #[test]
    fn integers_read_back(
        picture in picture(),
        bad in any::<prop::sample::Index>(),
    ) {
        let folder = TempDir::new().unwrap();
        for storage in [PLAIN, PACKED] {
            let path = written(&folder, &picture, storage);
            assert_reads_back(&path, &picture);
            let bytes = fs::read(&path).unwrap();
            for strip in [1, 20] {
                picture.write(&path, storage, strip);
                prop_assert!(fs::read(&path).unwrap() == bytes, "strips of {}", strip);
            }
            // One bit anywhere behind the first header is noticed, but for the words by which a
            // unit and its sum are found.
            let mut bytes = bytes;
            let place = 2880 + bad.index(bytes.len() - 2880);
            let record = &bytes[place - place % 80..];
            let finds = record.starts_with(b"XTENSION= ") || record.starts_with(b"CHECKSUM= ");
            if place % 80 < 10 && finds {
                continue;
            }
            bytes[place] ^= 0x10;
            let path = saved(&folder, "bad.fits", &bytes);
            let verdict = checksums_hold(&path);
            prop_assert!(!matches!(verdict, Ok(Some(true))), "byte {}", place);
        }
    }
}

/// Noise of 8 ADU holds log2(8 sqrt(2 pi e)) = 5.0 bits. Differences hold half a bit more, the code
/// wastes some tenths, and tables and headers come on top; flags that are nearly all 0 take little.
#[test]
fn what_is_compressed_is_small() {
    let folder = TempDir::new().unwrap();
    let mut state = 1_u64;
    let mut uniform = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let (width, height) = (1024, 512);
    let count = width * height;
    let mut noise = || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
    let picture = Picture {
        width,
        height,
        image: (0..count)
            .map(|_| (1000.0 + 8.0 * noise()) as u16)
            .collect(),
        flags: (0..count).map(|n| u8::from(n % 9973 == 0)).collect(),
        sigma: vec![0.0; count],
    };
    let path = written(&folder, &picture, PACKED);
    let size = fs::metadata(&path).unwrap().len() as usize - 4 * count;
    let bits = 8.0 * size as f64 / count as f64;
    assert!((5.5..6.6).contains(&bits), "{bits} bits a pixel");
}

#[test]
fn samples_of_another_kind_are_refused() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("p.fits");
    for storage in [Storage::PackedU16, Storage::U16] {
        let draft = Disk::default().draft(&path).unwrap();
        let cards = Vec::new();
        let writer = ImageWriter::begin(
            draft,
            3,
            2,
            vec![Plane {
                storage,
                cards,
                height: None,
            }],
        )
        .unwrap();
        assert!(writer.rows(0, 0, Samples::U8(&[0; 6])).is_err());
        assert!(writer.rows(0, 0, Samples::F32(&[0.0; 6])).is_err());
        writer.rows(0, 0, Samples::U16(&[0; 3])).unwrap();
        assert!(writer.finish(&[]).is_err(), "a row is missing");
    }
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}
