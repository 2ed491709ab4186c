//! The choice among few beside a look at all: random masters, random wishes.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use jiff::SignedDuration;
use jiff::Timestamp;
use proptest::prelude::*;

use super::*;
use crate::facts::{Digest, Frame, Profile, Setting, Stamp, SuppliedMaster, Unstated};
use crate::plan::tests::bench::{evening, frame, profile, settings};

const WISHES: [&[Kind]; 3] = [&[Kind::Bias], &[Kind::Dark, Kind::FlatDark], &[Kind::Flat]];

/// What masters and lights can differ in, each by one of a few values.
#[derive(Clone, Debug)]
struct Traits {
    exposure: usize,
    celsius: usize,
    gain: usize,
    filter: usize,
    rotator: usize,
    telescope: usize,
    /// Hours after an evening.
    hour: i64,
}

fn traits() -> impl Strategy<Value = Traits> {
    let few = || prop_oneof![3 => Just(0usize), 1 => 1usize..3];
    // Nights beside each other, and both ends of the windows of 14 and 180.
    let hour = prop_oneof![-100i64..100, -400i64..-300, -4400i64..-4250];
    (few(), few(), few(), few(), few(), few(), hour).prop_map(
        |(exposure, celsius, gain, filter, rotator, telescope, hour)| Traits {
            exposure,
            celsius,
            gain,
            filter,
            rotator,
            telescope,
            hour,
        },
    )
}

impl Traits {
    fn frame(&self, kind: Kind) -> Frame {
        let at = evening("2026-09-05") + SignedDuration::from_hours(self.hour);
        let mut frame = frame(kind, at);
        frame.exposure = Seconds::new([300.0, 301.0, 600.0][self.exposure]).unwrap();
        frame.temperature = [Celsius::new(-10.0), Celsius::new(-9.5), None][self.celsius];
        let camera = Arc::make_mut(&mut frame.camera);
        camera.gain = Setting::new([100.0, 0.0, 300.0][self.gain]);
        frame.filter = ["Ha", "OIII", "SII"][self.filter].into();
        frame.rotator = [None, Degrees::new(10.0), Degrees::new(11.5)][self.rotator];
        frame.optics = Arc::new(Optics {
            telescope: [None, Some("Heron".into()), Some("Egret".into())][self.telescope].clone(),
            focal_length_mm: None,
        });
        frame
    }
}

/// A master as it is drawn: its kind, what it is, for how many hours its frames were taken, how far it
/// is, whether it is supplied.
type Drawn = (usize, Traits, i64, usize, bool);

fn facts((kind, traits, hours, _, is_supplied): &Drawn) -> MasterFacts {
    let kind = Kind::CALIBRATION[*kind];
    let frame = traits.frame(kind);
    let first: Option<Timestamp> = frame.start.filter(|_| !is_supplied);
    MasterFacts {
        kind,
        rig: frame.rig,
        camera: frame.camera,
        filter: frame.filter,
        exposure: frame.exposure,
        temperature: frame.temperature,
        optics: frame.optics,
        rotator: frame.rotator,
        first,
        last: first.map(|first| first + SignedDuration::from_hours(*hours)),
    }
}

fn supplied(number: u8, facts: MasterFacts) -> SuppliedMaster {
    SuppliedMaster {
        fingerprint: Fingerprint::new([number; 32]),
        digest: Digest::new([number; 32]),
        stamp: Stamp {
            size: 1,
            mtime_ns: 0,
            ctime_ns: 0,
            inode: 0,
        },
        facts,
        unstated: Unstated::default(),
        flat_level: None,
        frames: None,
        level: 500.0,
        spread: 5.0,
    }
}

fn readiness(which: usize) -> Readiness {
    match which {
        0..4 => Readiness::Sure,
        4 => Readiness::Later,
        5 => Readiness::TooFew { have: 1, need: 3 },
        6 => Readiness::Barred("its flat waits".to_owned()),
        _ => Readiness::Unfit("it is in other units".to_owned()),
    }
}

fn want<'a>(
    kinds: &'static [Kind],
    scaled: bool,
    light: &'a Frame,
    profile: &'a Profile,
    site: &'a Site,
) -> Want<'a> {
    let dark = kinds.contains(&Kind::Dark);
    Want {
        kinds,
        camera: &light.camera,
        exposure: dark.then_some((light.exposure, 0.02)),
        scaled: dark && scaled,
        temperature: dark.then_some((light.temperature, 1.0)),
        flat_for: kinds.contains(&Kind::Flat).then_some(light),
        moment: light.start.unwrap(),
        profile,
        site,
    }
}

/// The rule without any haste.
fn best_of_all<'o, 'a>(offers: &'o Offers<'a>, want: &Want<'_>) -> Option<&'o Offer<'a>> {
    let qualified: Vec<_> = offers
        .iter()
        .filter(|offer| want.kinds.contains(&offer.facts.kind) && want.accepts(offer))
        .collect();
    let now = qualified.iter().any(|offer| offer.supplied.is_some());
    let ready = |offer: &&Offer<'a>| !now || offer.readiness == Readiness::Sure;
    let ready = qualified.into_iter().filter(ready);
    ready.min_by(|a, b| want.compare(a, b))
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_best_of_the_few_is_the_best_of_all(
        drawn in prop::collection::vec(
            (0usize..4, traits(), 0i64..60, 0usize..8, prop::bool::weighted(0.15)),
            1..60,
        ),
        lights in prop::collection::vec(traits(), 4..16),
        scaled: bool,
        again in 0usize..60,
    ) {
        let mut profile = profile("north", "Petrel*");
        profile.train_changes = vec!["2026-09-03".parse().unwrap()];
        let settings = settings(vec![profile]);
        let (profile, site) = (&*settings.profiles[0], &settings.site);
        let supplied: Vec<SuppliedMaster> = (0..)
            .zip(&drawn)
            .map(|(number, drawn)| supplied(number, facts(drawn)))
            .collect();
        let lights: Vec<Frame> = lights.iter().map(|light| light.frame(Kind::Light)).collect();
        let mut offers = Offers::default();
        for (at, master) in drawn.iter().enumerate() {
            let offer = |which| Offer {
                fingerprint: supplied[at].fingerprint,
                facts: facts(master),
                readiness: readiness(which),
                supplied: master.4.then_some(&supplied[at]),
            };
            offers.admit(offer(master.3), site);
            if at == again {
                // A kept one, planned a second time.
                offers.admit(offer(0), site);
                prop_assert_eq!(offers.iter().count(), at + 1);
            }
            // Asked in between, so that what was remembered has to be forgotten.
            for light in &lights {
                for kinds in WISHES {
                    let want = want(kinds, scaled, light, profile, site);
                    let best = best_of_all(&offers, &want).map(|offer| offer.fingerprint);
                    let chosen = offers.choose(&want).map(|offer| offer.fingerprint);
                    prop_assert_eq!(chosen, best);
                    if chosen.is_none() {
                        let told = offers.instead(&want);
                        let anew = Misses::of(&offers, &want);
                        prop_assert_eq!((told.almost, told.nearest), (anew.almost, anew.nearest));
                    }
                }
            }
        }
    }
}
