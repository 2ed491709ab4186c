#![allow(clippy::unwrap_used, clippy::expect_used)]

mod agreement;
mod complaints;

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::civil::{date, time};
use proptest::prelude::*;

use super::*;
use crate::combine::by_count;
use crate::facts::{
    Alarms, CfaChoice, Combining, CombiningRule, FlatLevel, GainMeaning, Hook, Kind, LightSamples,
    Occasion, Photosites, Rule, Sensor, ShortShots, Stripe, Stripes, SuppliedFile, Tolerance,
    VerdictLimits, WatchMode, Windows,
};

const SETTINGS: &str = include_str!("../../config/settings.yaml");

const PROFILES: [(&str, &str); 5] = [
    (
        "mono-cooled.yaml",
        include_str!("../../config/profiles/mono-cooled.yaml"),
    ),
    (
        "colour-cooled-glow.yaml",
        include_str!("../../config/profiles/colour-cooled-glow.yaml"),
    ),
    (
        "mono-cooled-glow.yaml",
        include_str!("../../config/profiles/mono-cooled-glow.yaml"),
    ),
    (
        "uncooled.yaml",
        include_str!("../../config/profiles/uncooled.yaml"),
    ),
    (
        "colour-consumer.yaml",
        include_str!("../../config/profiles/colour-consumer.yaml"),
    ),
];

fn shipped() -> Vec<(PathBuf, Profile)> {
    PROFILES
        .iter()
        .map(|(name, text)| {
            let path = Path::new("/sky/profiles").join(name);
            let profile = parse_profile(text, &path).unwrap_or_else(|error| panic!("{error}"));
            (path, profile)
        })
        .collect()
}

#[test]
fn shipped_files_are_sound_and_fit_together() {
    let draft = parse_settings(SETTINGS, Path::new("/sky/settings.yaml")).unwrap();
    assert_eq!(
        draft.profile_paths(),
        [
            Path::new("/sky/profiles/mono-cooled.yaml"),
            Path::new("/sky/profiles/colour-cooled-glow.yaml"),
        ]
    );
    let settings = draft.complete(shipped()).unwrap();
    let names: Vec<&str> = settings.profiles.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(
        names,
        ["north-pier", "south-pier", "west-dome", "garden", "meadow"]
    );
    assert_eq!(settings.watch[0].path, Path::new("/sky/incoming"));
    assert_eq!(&*settings.watch[0].name, "incoming");
    assert_eq!(settings.watch[0].mode, WatchMode::Events);
    assert_eq!(settings.output, Path::new("/sky/products"));
    assert_eq!(settings.state, Path::new("/sky/state"));
    assert_eq!(settings.settle, Duration::from_secs(5));
    assert_eq!(settings.scan_interval, Duration::from_secs(1800));
    assert_eq!(settings.close.quiet, Duration::from_secs(3600));
    assert_eq!(settings.close.sun_altitude_deg, 10.0);
    assert_eq!(settings.close.at, None);
    assert_eq!(settings.memory_budget, 256 << 20);
    assert_eq!(settings.threads, 0);
    assert_eq!(settings.site.time_zone.iana_name(), Some("Europe/London"));
}

/// The commented defaults must be the defaults: taking the comment marks away changes nothing but
/// what the comment says is off by default.
#[test]
fn commented_lines_of_the_settings_are_settings() {
    let text: String = SETTINGS
        .lines()
        .map(|line| {
            let bare = line.trim_start().trim_start_matches("# ");
            let key = bare.split(':').next().unwrap_or_default();
            let indent = &line[..line.len() - line.trim_start().len()];
            let known = [
                "name",
                "poll_s",
                "ignore",
                "settle_s",
                "scan_interval_s",
                "close",
                "memory_mib",
                "threads",
                "hooks",
                "  - when",
                "    command",
                "    timeout_s",
                "stalled_minutes",
                "disk_low_gb",
                "  sun_altitude_deg",
                "  quiet_minutes",
                "  at",
            ];
            if line.trim_start().starts_with("# ") && known.contains(&key) {
                format!("{indent}{bare}\n")
            } else {
                format!("{line}\n")
            }
        })
        .collect();
    let open = parse_settings(&text, Path::new("/sky/settings.yaml"))
        .unwrap_or_else(|error| panic!("{error}\n{text}"))
        .complete(Vec::new())
        .unwrap();
    assert_eq!(open.close.at, Some(time(11, 0, 0, 0)));
    assert_eq!(
        open.watch[0].mode,
        WatchMode::Polling(Duration::from_secs(30))
    );
    assert_eq!(open.watch[0].ignore, ["*.tmp", "trash/**"]);
    assert_eq!(open.settle, Duration::from_secs(5));
    assert_eq!(open.scan_interval, Duration::from_secs(1800));
    assert_eq!(open.close.quiet, Duration::from_secs(3600));
    assert_eq!(open.memory_budget, 256 << 20);
    let hook = Hook {
        when: vec![
            Occasion::NightClosed,
            Occasion::Stalled,
            Occasion::Failed,
            Occasion::Recovered,
            Occasion::DiskLow,
        ],
        program: "/usr/local/lib/dawnledger/mail".into(),
        arguments: vec!["night@skarn.example".to_owned()],
        timeout: Duration::from_secs(30),
    };
    let spelt = Alarms {
        hooks: vec![hook],
        ..Alarms::default()
    };
    assert_eq!(open.alarms, spelt);
}

#[test]
fn a_hook_s_program_counts_from_the_settings_like_every_path() {
    let hooks = "hooks: [{when: [failed], command: [bin/tell, bin/x, '~']}]\n";
    let text = settings_with(&[("", hooks)]);
    let draft = parse_settings(&text, Path::new("/sky/settings.yaml")).unwrap();
    let hook = &draft.complete(Vec::new()).unwrap().alarms.hooks[0];
    assert_eq!(hook.program, Path::new("/sky/bin/tell"));
    assert_eq!(hook.arguments, ["bin/x", "~"]);
    assert_eq!(hook.timeout, Duration::from_secs(30));
}

/// Likewise for the profile that shows every key.
#[test]
fn commented_lines_of_a_profile_are_its_defaults() {
    let (name, text) = PROFILES[0];
    let shown = parse_profile(text, Path::new(name)).unwrap();
    let open = |line: &str| line.strip_prefix("# ").map(str::to_owned);
    let block = text.split("# Everything one kind may say").nth(1).unwrap();
    let rule: Vec<String> = block.lines().skip(1).map_while(open).collect();
    let plain = "  flat: {rule: required, min_frames: 10}\n";
    let spelt = with(text, &[(plain, &format!("{}\n", rule.join("\n")))]);
    assert_eq!(
        parse_profile(&spelt, Path::new(name)).unwrap(),
        shown,
        "{spelt}"
    );

    let defaults = [
        "windows",
        "  flat_before_nights",
        "  flat_after_nights",
        "  library_before_nights",
        "  library_after_nights",
        "flat",
        "  level",
        "  min_fraction",
        "  max_fraction",
        "bias_max_s",
        "short_shots",
        "verdict",
        "  elongation",
        "  fwhm_ratio",
        "  transparency",
        "  stars_ratio",
        "  sky_ratio",
        "  pointing_fraction",
    ];
    let samples = [
        "telescope",
        "saturation_adu",
        "train_changes",
        "gain_keyword",
        "cfa",
        "keywords",
        "kinds",
        "paths",
        "  - match",
        "    facts",
    ];
    let opened = |keys: &[&str]| -> String {
        let open = |line: &str| {
            let bare = line.strip_prefix("# ")?;
            keys.contains(&bare.split(':').next()?)
                .then(|| bare.to_owned())
        };
        let lines = text
            .lines()
            .map(|line| open(line).unwrap_or(line.to_owned()) + "\n");
        lines.collect()
    };
    // Inside the rule's block `  flat` is indented, so it is not taken for the key `flat`.
    let text_with_defaults = opened(&defaults);
    let parsed = parse_profile(&text_with_defaults, Path::new(name))
        .unwrap_or_else(|error| panic!("{error}\n{text_with_defaults}"));
    assert_eq!(parsed, shown, "{text_with_defaults}");
    let text_with_samples = opened(&samples);
    let parsed = parse_profile(&text_with_samples, Path::new(name))
        .unwrap_or_else(|error| panic!("{error}\n{text_with_samples}"));
    assert_eq!(parsed.telescope.as_deref(), Some("Tern 80*"));
    assert_eq!(parsed.saturation_adu, Some(65_535.0));
    assert_eq!(parsed.train_changes, [date(2026, 8, 20)]);
    assert_eq!(parsed.gain_keyword, GainMeaning::ElectronsPerAdu);
    assert_eq!(parsed.cfa, CfaChoice::Mono);
    assert_eq!(parsed.keywords.len(), 2);
    assert_eq!(parsed.kinds["wall shot"], Kind::Flat);
    assert_eq!(parsed.paths[0].facts["kind"], "flat-dark");
}

const MINIMAL_SETTINGS: &str = "\
site: {name: Skarn Hill, latitude_deg: 57.3, longitude_deg: -4.4}
watch:
  - path: incoming
output: products
state: state
profiles: [a.yaml]
";

const MINIMAL_PROFILE: &str = "\
name: north-pier
camera: Petrel 26M
calibration:
  bias: {rule: required}
  dark: {rule: never}
  flat-dark: {rule: if-present}
  flat: {rule: required}
";

fn settings_with(lines: &[(&str, &str)]) -> String {
    with(MINIMAL_SETTINGS, lines)
}

fn profile_with(lines: &[(&str, &str)]) -> String {
    with(MINIMAL_PROFILE, lines)
}

/// The text with parts replaced; what stands for "" is added at the end.
fn with(text: &str, parts: &[(&str, &str)]) -> String {
    let mut text = text.to_owned();
    for (old, new) in parts {
        if old.is_empty() {
            text.push_str(new);
        } else {
            assert!(text.contains(old), "{old:?} is not in the text");
            text = text.replacen(old, new, 1);
        }
    }
    text
}

#[test]
fn minimal_profile_has_the_documented_defaults() {
    let profile = parse_profile(MINIMAL_PROFILE, Path::new("p.yaml")).unwrap();
    let clip = |low, high| Combining::SigmaClip {
        low,
        high,
        iterations: 5,
        median_centre: true,
    };
    let rules = &profile.calibration;
    for (rule, combining, quiet, gap) in [
        (rules.bias, clip(4.0, 4.0), 600, 12),
        (rules.dark, clip(4.0, 3.0), 600, 12),
        (rules.flat_dark, clip(4.0, 3.0), 300, 6),
        (rules.flat, clip(3.0, 2.5), 300, 6),
    ] {
        assert_eq!(rule.min_frames, 10);
        assert_eq!(rule.combining, CombiningRule::Always(combining));
        assert_eq!(rule.quiet, Duration::from_secs(quiet));
        assert_eq!(rule.run_gap, Duration::from_secs(gap * 3600));
    }
    assert_eq!(rules.flat_dark.rule, Rule::IfPresent);
    assert_eq!(
        profile.tolerance,
        Tolerance {
            temperature_c: 1.0,
            exposure_fraction: 0.02,
            flat_dark_exposure_fraction: 0.10,
            rotator_deg: 2.0
        }
    );
    assert_eq!(
        profile.windows,
        Windows {
            flat_before: 14,
            flat_after: 3,
            library_before: 180,
            library_after: 7
        }
    );
    assert_eq!(profile.cameras, ["Petrel 26M"]);
    assert_eq!(profile.telescope, None);
    assert_eq!(profile.gain_keyword, GainMeaning::Setting);
    assert_eq!(profile.cfa, CfaChoice::Header);
    assert_eq!(profile.saturation_adu, None);
    assert_eq!(profile.overscan, None);
    assert_eq!(profile.flat_level, FlatLevel::PerColour);
    assert_eq!(profile.flat_range, (0.15, 0.70));
    let products = profile.products;
    assert!(products.mask && !products.uncertainty && !products.repair);
    assert_eq!(products.samples, LightSamples::Real);
    assert_eq!(profile.sensor, None);
    assert_eq!(profile.verdict, VerdictLimits::default());
    assert_eq!(profile.bias_max_s, 0.5);
    assert_eq!(
        profile.short_shots,
        ShortShots {
            under_s: 15.0,
            under_fraction: 0.25
        }
    );
    assert!(profile.train_changes.is_empty() && profile.paths.is_empty());
}

#[test]
fn every_key_of_a_profile_arrives() {
    let text = profile_with(&[
        ("camera: Petrel 26M", "camera: [Petrel 26M, 'Dunlin*']"),
        (
            "dark: {rule: never}",
            "dark: {rule: measured, min_frames: 7, quiet_s: 60, run_gap_hours: 2, \
             scaling: ccd-without-glow, \
             combine: {method: sigma-clip, low: 2, high: 3.5, iterations: 2, center: mean}}",
        ),
        (
            "flat: {rule: required}",
            "flat: {rule: required, combine: {method: median}}",
        ),
        (
            "",
            "\
telescope: Tern*
filters: {H: Ha, 1: L, N: no, Slot 5: None}
kinds: {wall shot: flat, ' OFF ': flat-dark}
keywords: {exposure_s: HIERARCH cam  exp, gain: [amp, GAIN]}
paths: [{match: '**/d/**', facts: {kind: dark, exposure_s: 300}}]
gain_keyword: electrons-per-adu
cfa: gbrg
passbands: {Ha: green-blue, Two: {Ha: red, OIII: green-blue}}
saturation_adu: 60000
overscan: {columns: {first: 0, count: 24, skip: 4}}
flat: {level: common, min_fraction: 0.2, max_fraction: 0.5}
products: {mask: false, uncertainty: true, samples: {bits: 16, added_level_adu: 200}, compressed: true, split_lines: true}
verdict: {elongation: 1.5, fwhm_ratio: 1.3, transparency: 0.6, stars_ratio: 0.4, sky_ratio: 3, pointing_fraction: 0.2}
sensor: {read_noise_e: 1.5, electrons_per_adu: 0.78}
bias_max_s: 0.1
short_shots: {under_s: 5, under_fraction: 0.1}
train_changes: [2026-08-20, 2026-01-02]
supplied: [{file: ../m/ha.fits, kind: flat, filter: Ha, rotator_deg: 90, gain: 100, binning: 2x2}]
windows: {flat_before_nights: 1, flat_after_nights: 0}
tolerance: {flat_dark_exposure_fraction: 0.2}
",
        ),
    ]);
    let profile =
        parse_profile(&text, Path::new("/sky/rigs/p.yaml")).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(profile.cameras, ["Petrel 26M", "Dunlin*"]);
    assert_eq!(profile.telescope.as_deref(), Some("Tern*"));
    let dark = profile.calibration.dark;
    assert_eq!((dark.rule, dark.min_frames), (Rule::Measured, 7));
    assert_eq!(dark.quiet, Duration::from_secs(60));
    assert_eq!(dark.run_gap, Duration::from_secs(7200));
    assert_eq!(
        dark.combining,
        CombiningRule::Always(Combining::SigmaClip {
            low: 2.0,
            high: 3.5,
            iterations: 2,
            median_centre: false
        })
    );
    assert!(dark.scaled && !profile.calibration.bias.scaled);
    assert_eq!(
        profile.calibration.flat.combining,
        CombiningRule::Always(Combining::Median)
    );
    // Plain words that YAML could take for something else stay words.
    let filters: Vec<(&str, &str)> = profile
        .filters
        .iter()
        .map(|(word, filter)| (word.as_str(), filter.as_str()))
        .collect();
    assert_eq!(
        filters,
        [("1", "L"), ("H", "Ha"), ("N", "no"), ("Slot 5", "none")]
    );
    // What is stated comes before what every profile knows.
    let lines = |filter: &str| -> Vec<(&str, Photosites)> {
        let passbands = profile.passbands[filter].iter();
        passbands
            .map(|passband| (passband.line.as_str(), passband.photosites))
            .collect()
    };
    assert_eq!(lines("Ha"), [("Ha", Photosites::GreenBlue)]);
    assert_eq!(lines("SII"), [("SII", Photosites::Red)]);
    assert_eq!(
        lines("Two"),
        [("Ha", Photosites::Red), ("OIII", Photosites::GreenBlue)]
    );
    assert!(profile.products.split_lines);
    assert_eq!(profile.kinds["wall shot"], Kind::Flat);
    assert_eq!(profile.kinds["OFF"], Kind::FlatDark);
    assert_eq!(profile.keywords["exposure_s"], ["CAM EXP"]);
    assert_eq!(profile.keywords["gain"], ["AMP", "GAIN"]);
    assert_eq!(profile.paths[0].facts["exposure_s"], "300");
    assert_eq!(profile.gain_keyword, GainMeaning::ElectronsPerAdu);
    let CfaChoice::Fixed(cfa) = profile.cfa else {
        panic!("{:?}", profile.cfa)
    };
    assert_eq!(cfa.to_string(), "GBRG");
    assert_eq!(profile.saturation_adu, Some(60_000.0));
    let stripes = Stripes {
        columns: Some(Stripe {
            first: 0,
            count: 24,
            skip: 4,
        }),
        rows: None,
    };
    assert_eq!(profile.overscan, Some(stripes));
    assert_eq!(profile.flat_level, FlatLevel::Common);
    assert_eq!(profile.flat_range, (0.2, 0.5));
    let products = profile.products;
    assert!(!products.mask && products.uncertainty);
    let samples = |added_level, compressed| LightSamples::Whole {
        added_level,
        compressed,
    };
    assert_eq!(products.samples, samples(200, true));
    let usual = rig(&[("", "products: {samples: {bits: 16}}\n")]).products;
    assert_eq!(usual.samples, samples(1000, false));
    let noise = Sensor {
        read_noise_e: 1.5,
        electrons_per_adu: 0.78,
    };
    assert_eq!(profile.sensor, Some(noise));
    assert_eq!(profile.supplied.len(), 1);
    let SuppliedFile { path, kind, stated } = &profile.supplied[0];
    assert_eq!(
        (path.as_path(), *kind),
        (Path::new("/sky/m/ha.fits"), Kind::Flat)
    );
    let stated: Vec<_> = stated
        .iter()
        .map(|(fact, value)| (&**fact, &**value))
        .collect();
    assert_eq!(
        stated,
        [
            ("binning", "2x2"),
            ("filter", "Ha"),
            ("gain", "100"),
            ("rotator_deg", "90")
        ]
    );
    let limits = VerdictLimits {
        elongation: 1.5,
        fwhm_ratio: 1.3,
        transparency: 0.6,
        stars_ratio: 0.4,
        sky_ratio: 3.0,
        pointing_fraction: 0.2,
    };
    assert_eq!(profile.verdict, limits);
    assert_eq!(profile.bias_max_s, 0.1);
    assert_eq!(profile.short_shots.under_s, 5.0);
    assert_eq!(profile.train_changes, [date(2026, 1, 2), date(2026, 8, 20)]);
    assert_eq!(profile.windows.flat_before, 1);
    assert_eq!(profile.tolerance.flat_dark_exposure_fraction, 0.2);
}

fn draft() -> SettingsDraft {
    let text = settings_with(&[("[a.yaml]", "[a.yaml, b.yaml]")]);
    parse_settings(&text, Path::new("/sky/s.yaml")).unwrap()
}

fn rig(parts: &[(&str, &str)]) -> Profile {
    parse_profile(&profile_with(parts), Path::new("p.yaml")).unwrap()
}

#[test]
fn profiles_must_fit_together() {
    let pair = |second: Profile| {
        draft().complete(vec![
            (PathBuf::from("a.yaml"), rig(&[("26M", "*")])),
            (PathBuf::from("b.yaml"), second),
        ])
    };
    let other = ("north-pier", "south-pier");
    let error = pair(rig(&[("Petrel 26M", "Dunlin 24C")])).unwrap_err();
    assert_eq!(
        error.to_string(),
        "/sky/s.yaml:6:20: a.yaml and b.yaml are both named \"north-pier\", want a name for each"
    );
    let error = pair(rig(&[other])).unwrap_err();
    assert_eq!(
        error.to_string(),
        "/sky/s.yaml:6:20: \"south-pier\" can never be chosen, since \"north-pier\" before it \
         takes its cameras: want `telescope` in both, or the narrower one first"
    );
    assert!(pair(rig(&[other, ("Petrel 26M", "[Petrel 26M, Dunlin 24C]")])).is_ok());
}

#[test]
fn relative_settings_paths_stay_relative() {
    let draft = parse_settings(MINIMAL_SETTINGS, Path::new("s.yaml")).unwrap();
    assert_eq!(draft.profile_paths(), [Path::new("a.yaml")]);
    let text = settings_with(&[("[a.yaml]", "[/etc/a.yaml, ../b.yaml]")]);
    let draft = parse_settings(&text, Path::new("/sky/s.yaml")).unwrap();
    assert_eq!(
        draft.profile_paths(),
        [Path::new("/etc/a.yaml"), Path::new("/b.yaml")]
    );
}

/// A word that belongs in such files, or any text at all.
fn scrap() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => prop::sample::select(vec![
            "site", "watch", "path", "name", "output", "state", "profiles", ": ", "\n", "\n  ",
            "- ", "{", "}", "[", "]", ", ", "'", "\"", "#", "&a", "*a", "<<", "!t ", ".nan",
            "1e999", "-0", "|", ">", "---\n", "calibration", "bias", "rule", "required", "?", "%",
        ]).prop_map(str::to_owned),
        1 => ".*",
    ]
}

proptest! {
    #[test]
    fn any_text_is_read_or_refused(
        scraps in prop::collection::vec(scrap(), 0..30),
        cut in 0usize..400,
        at in 0usize..400,
    ) {
        let text = scraps.concat();
        for base in [MINIMAL_SETTINGS, MINIMAL_PROFILE] {
            // The scraps alone, and in place of a piece of a sound file.
            let end = (at + cut).min(base.len());
            let start = at.min(end);
            let broken = format!("{}{}{}", &base[..start], text, &base[end..]);
            for text in [&text, &broken] {
                for error in [
                    parse_settings(text, Path::new("s.yaml")).err(),
                    parse_profile(text, Path::new("p.yaml")).err(),
                ].into_iter().flatten() {
                    prop_assert!(error.line >= 1 && error.column >= 1);
                    prop_assert!(!error.message.is_empty());
                }
            }
        }
    }
}

#[test]
fn every_way_of_combining_arrives() {
    let combined = |combine: &str| {
        let rule = |kind: &str| format!("{kind}: {{rule: required, combine: {{{combine}}}}}");
        let (bias, dark, flat) = (rule("bias"), rule("dark"), rule("flat"));
        let text = profile_with(&[
            ("bias: {rule: required}", bias.as_str()),
            ("dark: {rule: never}", dark.as_str()),
            ("flat: {rule: required}", flat.as_str()),
            (
                "",
                "sensor: {read_noise_e: 1.5, electrons_per_adu: 0.25, bias_adu: 500}\n",
            ),
        ]);
        let profile = parse_profile(&text, Path::new("p.yaml")).unwrap_or_else(|e| panic!("{e}"));
        let rules = profile.calibration;
        [rules.bias, rules.dark, rules.flat]
            .map(|rule| by_count::method(&rule.combining, 9).to_string())
    };
    let model = "read_noise_adu=6 electrons_per_adu=0.25 pedestal";
    assert_eq!(
        combined("method: winsorized"),
        [
            "winsorized low=4 high=4",
            "winsorized low=4 high=3",
            "winsorized low=3 high=2.5"
        ]
    );
    assert_eq!(
        combined("method: generalized-esd, alpha: 0.01, max_outliers: 3")[0],
        "generalized-esd alpha=0.01 max_outliers=3"
    );
    assert_eq!(
        combined("method: generalized-esd")[0],
        "generalized-esd alpha=0.05 max_outliers=5"
    );
    assert_eq!(
        combined("method: trimmed, low: 0, high: 3")[1],
        "trimmed low=0 high=3"
    );
    assert_eq!(
        combined("method: noise-model, low: 5"),
        [
            format!("noise-model low=5 high=4 {model}=whole"),
            format!("noise-model low=5 high=3 {model}=500"),
            format!("noise-model low=5 high=2.5 {model}=0"),
        ]
    );
    assert_eq!(
        combined("method: by-count")[1],
        format!("noise-model low=4 high=3 {model}=500")
    );
}
