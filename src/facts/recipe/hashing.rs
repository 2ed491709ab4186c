//! A quick hash of a recipe, for those that remember fingerprints: recipes of the same
//! [`Recipe::parts`] have the same.
//!
//! Everything is taken apart by name, so that what is added to a recipe cannot be forgotten here.

use std::hash::{BuildHasher, Hash, Hasher};

use foldhash::quality::{FixedState, FoldHasher};
use jiff::Timestamp;

use super::{
    Extras, LightFacts, LightRecipe, LineRecipe, MasterMethod, MasterRecipe, MasterUse, Recipe,
};
use crate::facts::{Combining, Digest, Pedestal, Sensor, SensorNoise};

/// The hasher of those who remember: quick, and good in all 64 bits.
pub fn quick_hasher() -> FoldHasher<'static> {
    FixedState::default().build_hasher()
}

impl Recipe {
    /// [`Hash`] by [`quick_hasher`].
    pub fn quick(&self) -> u64 {
        let mut hasher = quick_hasher();
        self.hash(&mut hasher);
        hasher.finish()
    }
}

impl MasterMethod {
    /// [`Recipe::quick`] of a master that is made so from frames of these contents, in their order.
    pub fn quick<'a>(&self, inputs: impl ExactSizeIterator<Item = &'a Digest>) -> u64 {
        let mut hasher = quick_hasher();
        MASTER.hash(&mut hasher);
        hash_master(self, inputs, &mut hasher);
        hasher.finish()
    }
}

/// [`Recipe::quick`] of lights that are calibrated alike: what they share is hashed once.
#[derive(Clone)]
pub struct AlikeHash(FoldHasher<'static>);

impl AlikeHash {
    /// Of lights like this one.
    pub fn of(light: &LightRecipe) -> Self {
        let mut hasher = quick_hasher();
        LIGHT.hash(&mut hasher);
        light.hash_shared(&mut hasher);
        Self(hasher)
    }

    /// Of the light with these contents, this start, and this mask among its extras.
    pub fn quick(&self, digest: &Digest, start: Timestamp, mask: Option<f64>) -> u64 {
        let mut hasher = self.0.clone();
        hash_own(digest, start, mask, &mut hasher);
        hasher.finish()
    }
}

const MASTER: u8 = 0;
const LIGHT: u8 = 1;
const LINE: u8 = 2;

impl Hash for Recipe {
    fn hash<H: Hasher>(&self, state: &mut H) {
        match self {
            Self::Master(master) => {
                MASTER.hash(state);
                master.hash(state);
            }
            Self::Light(light) => {
                LIGHT.hash(state);
                light.hash(state);
            }
            Self::Line(LineRecipe { light, passband }) => {
                LINE.hash(state);
                passband.hash(state);
                light.hash(state);
            }
        }
    }
}

impl Hash for MasterRecipe {
    fn hash<H: Hasher>(&self, state: &mut H) {
        let Self { method, inputs } = self;
        hash_master(method, inputs.iter().map(|input| &input.digest), state);
    }
}

/// Where a file lies does not count.
fn hash_master<'a, H: Hasher>(
    method: &MasterMethod,
    inputs: impl ExactSizeIterator<Item = &'a Digest>,
    state: &mut H,
) {
    let MasterMethod {
        facts,
        combining,
        saturation,
        flat_level,
        subtract,
    } = method;
    facts.hash(state);
    combining.hash(state);
    // At the highest of numbers nothing saturates.
    let saturation = (*saturation < f64::MAX).then_some(saturation.to_bits());
    (saturation, flat_level, subtract, inputs.len()).hash(state);
    inputs.for_each(|digest| digest.hash(state));
}

impl Hash for Combining {
    fn hash<H: Hasher>(&self, state: &mut H) {
        std::mem::discriminant(self).hash(state);
        match self {
            Self::Mean | Self::Median => {}
            Self::SigmaClip {
                low,
                high,
                iterations,
                median_centre,
            } => (low.to_bits(), high.to_bits(), iterations, median_centre).hash(state),
            Self::Winsorized { low, high } => (low.to_bits(), high.to_bits()).hash(state),
            Self::GeneralizedEsd {
                alpha,
                max_outliers,
            } => (alpha.to_bits(), max_outliers).hash(state),
            Self::Trimmed { low, high } => (low, high).hash(state),
            Self::NoiseModel { low, high, sensor } => {
                let SensorNoise {
                    read_noise_adu,
                    electrons_per_adu,
                    pedestal,
                } = sensor;
                let level = match pedestal {
                    Pedestal::Whole => None,
                    Pedestal::Level(adu) => Some(adu.to_bits()),
                };
                (low.to_bits(), high.to_bits(), level).hash(state);
                (read_noise_adu.to_bits(), electrons_per_adu.to_bits()).hash(state);
            }
        }
    }
}

impl Hash for LightRecipe {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.hash_shared(state);
        hash_own(
            &self.input.digest,
            self.facts.start,
            self.extras.mask,
            state,
        );
    }
}

impl LightRecipe {
    /// All but what [`hash_own`] hashes.
    fn hash_shared<H: Hasher>(&self, state: &mut H) {
        let Self {
            input: _,
            facts,
            subtract,
            pedestal,
            divide,
            extras,
        } = self;
        let LightFacts {
            rig,
            camera,
            night,
            filter,
            target,
            exposure,
            start: _,
        } = facts;
        let Extras {
            mask: _,
            uncertainty,
            repair,
            samples,
        } = extras;
        let sensor = |sensor: &Sensor| {
            let Sensor {
                read_noise_e,
                electrons_per_adu,
            } = sensor;
            (read_noise_e.to_bits(), electrons_per_adu.to_bits())
        };
        (rig, camera, night, filter, target, exposure).hash(state);
        (subtract, pedestal, divide).hash(state);
        (uncertainty.as_ref().map(sensor), repair, samples).hash(state);
    }
}

/// What each of many lights that are calibrated alike has of its own.
fn hash_own<H: Hasher>(digest: &Digest, start: Timestamp, mask: Option<f64>, state: &mut H) {
    (digest, start, mask.map(f64::to_bits)).hash(state);
}

/// What a product is called does not count.
impl Hash for MasterUse {
    fn hash<H: Hasher>(&self, state: &mut H) {
        let Self {
            kind,
            fingerprint,
            product: _,
            scale,
        } = self;
        (kind, fingerprint, scale.map(f64::to_bits)).hash(state);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use std::collections::HashSet;
    use std::path::Path;
    use std::sync::Arc;

    use super::*;
    use crate::facts::{
        Camera, Celsius, Combining, Degrees, Digest, FileId, Fingerprint, FlatLevel, Input, Kind,
        LightFacts, LightSamples, MasterFacts, Optics, Passband, Photosites, RelPath, RowOrder,
        Seconds, Setting, Stamp,
    };

    fn camera() -> Camera {
        Camera {
            name: "Petrel 26M".into(),
            width: 64,
            height: 48,
            binning: (1, 1),
            gain: Setting::new(100.0),
            offset: None,
            readout_mode: None,
            row_order: RowOrder::Unstated,
            origin: (0, 0),
            cfa: None,
            overscan: None,
        }
    }

    fn input(number: u8) -> Input {
        Input {
            digest: Digest::new([number; 32]),
            file: FileId {
                watch: "incoming".into(),
                path: RelPath::new(Path::new("a.fits")).unwrap(),
            },
            stamp: Stamp {
                size: 1,
                mtime_ns: 2,
                ctime_ns: 3,
                inode: 4,
            },
        }
    }

    fn used(number: u8) -> MasterUse {
        MasterUse {
            kind: Kind::Dark,
            fingerprint: Fingerprint::new([number; 32]),
            product: "masters/a.fits".into(),
            scale: None,
        }
    }

    fn master() -> MasterRecipe {
        let method = MasterMethod {
            facts: MasterFacts {
                kind: Kind::Flat,
                rig: "north".into(),
                camera: Arc::new(camera()),
                filter: "Ha".into(),
                exposure: Seconds::new(2.0).unwrap(),
                temperature: Celsius::new(-10.0),
                optics: Arc::default(),
                rotator: None,
                first: Some("2026-09-05T21:00:00Z".parse().unwrap()),
                last: Some("2026-09-05T21:10:00Z".parse().unwrap()),
            },
            combining: Combining::Mean,
            saturation: 65535.0,
            flat_level: Some(FlatLevel::PerColour),
            subtract: Some(used(9)),
        };
        MasterRecipe {
            method,
            inputs: vec![input(1), input(2)],
        }
    }

    fn light() -> LightRecipe {
        LightRecipe {
            input: input(3),
            facts: LightFacts {
                rig: "north".into(),
                camera: Arc::new(camera()),
                night: "2026-09-05".parse().unwrap(),
                filter: "Ha".into(),
                target: Some("Veil".into()),
                exposure: Seconds::new(300.0).unwrap(),
                start: "2026-09-05T22:00:00Z".parse().unwrap(),
            },
            subtract: used(7),
            pedestal: None,
            divide: Some(used(8)),
            extras: Extras::default(),
        }
    }

    /// Each differs from the first, and from each other, in one thing.
    fn masters() -> Vec<Recipe> {
        let changes: [fn(&mut MasterRecipe); 19] = [
            |_| {},
            |recipe| recipe.method.facts.kind = Kind::FlatDark,
            |recipe| recipe.method.facts.rig = "south".into(),
            |recipe| Arc::make_mut(&mut recipe.method.facts.camera).gain = Setting::new(101.0),
            |recipe| Arc::make_mut(&mut recipe.method.facts.camera).row_order = RowOrder::TopDown,
            |recipe| recipe.method.facts.filter = "OIII".into(),
            |recipe| recipe.method.facts.exposure = Seconds::new(2.5).unwrap(),
            |recipe| recipe.method.facts.temperature = None,
            |recipe| {
                recipe.method.facts.optics = Arc::new(Optics {
                    telescope: None,
                    focal_length_mm: Setting::new(500.0),
                });
            },
            |recipe| recipe.method.facts.rotator = Degrees::new(1.0),
            |recipe| recipe.method.facts.first = None,
            |recipe| recipe.method.facts.last = None,
            |recipe| recipe.method.combining = Combining::Median,
            |recipe| recipe.method.saturation = 60000.0,
            |recipe| recipe.method.flat_level = Some(FlatLevel::Common),
            |recipe| recipe.inputs.swap(0, 1),
            |recipe| drop(recipe.inputs.pop()),
            |recipe| recipe.inputs.push(input(3)),
            |recipe| recipe.method.subtract = None,
        ];
        let changed = changes.into_iter().map(|change| {
            let mut recipe = master();
            change(&mut recipe);
            Recipe::Master(recipe)
        });
        let combined = combinings().into_iter().map(|combining| {
            let mut recipe = master();
            recipe.method.combining = combining;
            Recipe::Master(recipe)
        });
        changed.chain(combined).collect()
    }

    /// Each differs from the others, and none is a mean or a median.
    fn combinings() -> Vec<Combining> {
        let clip = |low, high, iterations, median_centre| Combining::SigmaClip {
            low,
            high,
            iterations,
            median_centre,
        };
        let winsorized = |low, high| Combining::Winsorized { low, high };
        let esd = |alpha, max_outliers| Combining::GeneralizedEsd {
            alpha,
            max_outliers,
        };
        let trimmed = |low, high| Combining::Trimmed { low, high };
        let noise = |low, high, read_noise_adu, electrons_per_adu, pedestal| {
            let sensor = SensorNoise {
                read_noise_adu,
                electrons_per_adu,
                pedestal,
            };
            Combining::NoiseModel { low, high, sensor }
        };
        vec![
            clip(4.0, 3.0, 5, true),
            clip(4.5, 3.0, 5, true),
            clip(4.0, 3.5, 5, true),
            clip(4.0, 3.0, 6, true),
            clip(4.0, 3.0, 5, false),
            winsorized(4.0, 3.0),
            winsorized(4.5, 3.0),
            winsorized(4.0, 3.5),
            esd(0.05, 5),
            esd(0.01, 5),
            esd(0.05, 6),
            trimmed(1, 2),
            trimmed(2, 2),
            trimmed(1, 1),
            noise(4.0, 3.0, 1.5, 0.8, Pedestal::Whole),
            noise(4.5, 3.0, 1.5, 0.8, Pedestal::Whole),
            noise(4.0, 3.5, 1.5, 0.8, Pedestal::Whole),
            noise(4.0, 3.0, 1.6, 0.8, Pedestal::Whole),
            noise(4.0, 3.0, 1.5, 0.9, Pedestal::Whole),
            noise(4.0, 3.0, 1.5, 0.8, Pedestal::Level(0.0)),
            noise(4.0, 3.0, 1.5, 0.8, Pedestal::Level(500.0)),
        ]
    }

    fn lights() -> Vec<LightRecipe> {
        let changes: [fn(&mut LightRecipe); 21] = [
            |_| {},
            |recipe| recipe.input = input(4),
            |recipe| recipe.facts.rig = "south".into(),
            |recipe| Arc::make_mut(&mut recipe.facts.camera).offset = Setting::new(1.0),
            |recipe| recipe.facts.night = "2026-09-06".parse().unwrap(),
            |recipe| recipe.facts.filter = "OIII".into(),
            |recipe| recipe.facts.target = None,
            |recipe| recipe.facts.exposure = Seconds::new(301.0).unwrap(),
            |recipe| recipe.facts.start = "2026-09-05T22:00:00.001Z".parse().unwrap(),
            |recipe| recipe.subtract = used(6),
            |recipe| recipe.subtract.kind = Kind::Bias,
            |recipe| recipe.subtract.scale = Some(0.5),
            |recipe| recipe.subtract.scale = Some(0.25),
            |recipe| recipe.pedestal = Some(used(5)),
            |recipe| recipe.divide = None,
            |recipe| recipe.extras.mask = Some(65535.0),
            |recipe| recipe.extras.mask = Some(65534.0),
            |recipe| {
                recipe.extras.uncertainty = Some(Sensor {
                    read_noise_e: 1.5,
                    electrons_per_adu: 0.8,
                });
            },
            |recipe| recipe.extras.repair = true,
            |recipe| {
                recipe.extras.samples = LightSamples::Whole {
                    added_level: 100,
                    compressed: false,
                };
            },
            |recipe| {
                recipe.extras.samples = LightSamples::Whole {
                    added_level: 100,
                    compressed: true,
                };
            },
        ];
        let changed = changes.into_iter().map(|change| {
            let mut recipe = light();
            change(&mut recipe);
            recipe
        });
        changed.collect()
    }

    #[test]
    fn what_changes_the_fingerprint_changes_the_hash() {
        let line = |name: &str, light| {
            let (line, photosites) = (name.to_owned(), Photosites::Red);
            Recipe::Line(LineRecipe {
                light,
                passband: Passband { line, photosites },
            })
        };
        let mut all = masters();
        all.extend(lights().into_iter().map(Recipe::Light));
        all.extend(lights().into_iter().map(|light| line("Ha", light)));
        all.push(line("SII", light()));
        let prints: HashSet<Fingerprint> = all.iter().map(Recipe::fingerprint).collect();
        let hashes: HashSet<u64> = all.iter().map(Recipe::quick).collect();
        assert_eq!((prints.len(), hashes.len()), (all.len(), all.len()));
    }

    #[test]
    fn a_master_s_hash_needs_no_list_of_its_frames() {
        for recipe in masters() {
            let Recipe::Master(MasterRecipe { method, inputs }) = &recipe else {
                panic!("{recipe:?}");
            };
            let digests = inputs.iter().map(|input| &input.digest);
            assert_eq!(method.quick(digests), recipe.quick());
        }
    }

    #[test]
    fn where_nothing_saturates_it_does_not_matter_how_high() {
        let [highest, beyond] = [f64::MAX, f64::INFINITY].map(|saturation| {
            let mut recipe = master();
            recipe.method.saturation = saturation;
            Recipe::Master(recipe)
        });
        assert_eq!(highest.fingerprint(), beyond.fingerprint());
        assert_eq!(highest.quick(), beyond.quick());
    }

    #[test]
    fn where_things_lie_changes_neither() {
        let here = light();
        let mut there = light();
        there.input.file.path = RelPath::new(Path::new("b.fits")).unwrap();
        there.input.stamp.inode = 5;
        there.divide.as_mut().unwrap().product = "masters/b.fits".into();
        let (here, there) = (Recipe::Light(here), Recipe::Light(there));
        assert_eq!(here.fingerprint(), there.fingerprint());
        assert_eq!(here.quick(), there.quick());
        let here = master();
        let mut there = master();
        there.inputs[0].file.path = RelPath::new(Path::new("b.fits")).unwrap();
        there.method.subtract.as_mut().unwrap().product = "masters/b.fits".into();
        let (here, there) = (Recipe::Master(here), Recipe::Master(there));
        assert_eq!(here.fingerprint(), there.fingerprint());
        assert_eq!(here.quick(), there.quick());
    }

    #[test]
    fn alike_or_alone_the_hash_is_the_same() {
        let alike = AlikeHash::of(&light());
        let own: [fn(&mut LightRecipe); 4] = [
            |_| {},
            |recipe| recipe.input = input(4),
            |recipe| recipe.facts.start = "2026-09-05T23:00:00Z".parse().unwrap(),
            |recipe| recipe.extras.mask = Some(60000.0),
        ];
        for change in own {
            let mut other = light();
            change(&mut other);
            let quick = alike.quick(&other.input.digest, other.facts.start, other.extras.mask);
            assert_eq!(quick, Recipe::Light(other).quick());
        }
    }
}
