#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::civil::{date, time};
use proptest::prelude::*;

use super::*;
use crate::facts::{
    CfaChoice, Combining, FlatLevel, GainMeaning, Kind, Rule, ShortShots, Tolerance, WatchMode,
    Windows,
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

#[test]
fn odd_texts_have_their_places_too() {
    let settings = |text: &str| {
        let error = parse_settings(text, Path::new("s.yaml")).unwrap_err();
        error.to_string()
    };
    let crlf = MINIMAL_SETTINGS.replace('\n', "\r\n");
    assert!(parse_settings(&crlf, Path::new("s.yaml")).is_ok());
    let crlf = crlf.replace("57.3", "95");
    assert_eq!(
        settings(&crlf),
        "s.yaml:1:26: found 95, want -90 to 90 degrees"
    );
    let marked = format!("\u{feff}{MINIMAL_SETTINGS}");
    assert!(parse_settings(&marked, Path::new("s.yaml")).is_ok());
    let marked = marked.replace("57.3", "95");
    assert_eq!(
        settings(&marked),
        "s.yaml:1:26: found 95, want -90 to 90 degrees"
    );
    // Columns count characters, not bytes.
    assert_eq!(
        settings(
            &MINIMAL_SETTINGS
                .replace("Skarn Hill", "Sk\u{e4}rn Hill")
                .replace("57.3", "95")
        ),
        "s.yaml:1:26: found 95, want -90 to 90 degrees"
    );
    assert_eq!(
        settings("a: 1\n---\nb: 2\n"),
        "s.yaml:1:1: found more than one document, want one: no `---` between lines"
    );
    assert_eq!(
        settings(&"[".repeat(10_000)),
        "s.yaml:1:129: recursion limit exceeded"
    );
    // Each line doubles the last: refused before it has filled the memory.
    let mut doubling = "a0: &a0 [x, x]\n".to_owned();
    for n in 1..64 {
        doubling += &format!("a{n}: &a{n} [*a{}, *a{}]\n", n - 1, n - 1);
    }
    assert_eq!(settings(&doubling), "s.yaml:1:1: repetition limit exceeded");
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
        (rules.bias, clip(4.0, 4.0), 600, 24),
        (rules.dark, clip(4.0, 3.0), 600, 24),
        (rules.flat_dark, clip(4.0, 3.0), 300, 6),
        (rules.flat, clip(3.0, 2.5), 300, 6),
    ] {
        assert_eq!(rule.min_frames, 10);
        assert_eq!(rule.combining, combining);
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
    assert_eq!(profile.flat_level, FlatLevel::PerColour);
    assert_eq!(profile.flat_range, (0.15, 0.70));
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
saturation_adu: 60000
flat: {level: common, min_fraction: 0.2, max_fraction: 0.5}
bias_max_s: 0.1
short_shots: {under_s: 5, under_fraction: 0.1}
train_changes: [2026-08-20, 2026-01-02]
windows: {flat_before_nights: 1, flat_after_nights: 0}
tolerance: {flat_dark_exposure_fraction: 0.2}
",
        ),
    ]);
    let profile = parse_profile(&text, Path::new("p.yaml")).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(profile.cameras, ["Petrel 26M", "Dunlin*"]);
    assert_eq!(profile.telescope.as_deref(), Some("Tern*"));
    let dark = profile.calibration.dark;
    assert_eq!((dark.rule, dark.min_frames), (Rule::Measured, 7));
    assert_eq!(dark.quiet, Duration::from_secs(60));
    assert_eq!(dark.run_gap, Duration::from_secs(7200));
    assert_eq!(
        dark.combining,
        Combining::SigmaClip {
            low: 2.0,
            high: 3.5,
            iterations: 2,
            median_centre: false
        }
    );
    assert_eq!(profile.calibration.flat.combining, Combining::Median);
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
    assert_eq!(profile.flat_level, FlatLevel::Common);
    assert_eq!(profile.flat_range, (0.2, 0.5));
    assert_eq!(profile.bias_max_s, 0.1);
    assert_eq!(profile.short_shots.under_s, 5.0);
    assert_eq!(profile.train_changes, [date(2026, 1, 2), date(2026, 8, 20)]);
    assert_eq!(profile.windows.flat_before, 1);
    assert_eq!(profile.tolerance.flat_dark_exposure_fraction, 0.2);
}

/// Text, then the complaint after the file's name.
fn complaints(cases: &[(String, &str)], complain: impl Fn(&str) -> Option<ConfigError>) {
    for (text, wanted) in cases {
        let found = complain(text).map_or("no complaint".to_owned(), |error| error.to_string());
        assert_eq!(found, format!("bad.yaml:{wanted}"), "\n{text}");
    }
}

#[test]
fn bad_settings_are_named_with_line_and_column() {
    let cases = [
        (String::new(), "1:1: missing field `site`"),
        (
            "- a".to_owned(),
            "1:1: invalid type: sequence, expected a mapping of settings",
        ),
        (
            "a: b: c".to_owned(),
            "1:5: mapping values are not allowed in this context",
        ),
        (
            settings_with(&[("state: state", "stat: state")]),
            "5:1: unknown field `stat`, expected one of `site`, `watch`, `output`, `state`, \
             `profiles`, `settle_s`, `scan_interval_s`, `close`, `memory_mib`, `threads`",
        ),
        (
            settings_with(&[("", "output: other\n")]),
            "7:1: key \"output\" stands here a second time, want it once",
        ),
        (
            settings_with(&[("57.3", ".nan")]),
            "1:40: site.latitude_deg: found NaN, want a finite number",
        ),
        (
            settings_with(&[("57.3", "north")]),
            "1:40: site.latitude_deg: invalid type: string \"north\", expected a number",
        ),
        (
            settings_with(&[("57.3", "95")]),
            "1:26: found 95, want -90 to 90 degrees",
        ),
        (
            settings_with(&[("-4.4", "-190.5")]),
            "1:46: found -190.5, want -180 to 180 degrees, east positive",
        ),
        (
            settings_with(&[("-4.4}", "-4.4, time_zone: Skarn/Hill}")]),
            "1:67: found \"Skarn/Hill\", want a zone of the time zone database, such as \
             Europe/London or UTC",
        ),
        (
            settings_with(&[("Skarn Hill", "''")]),
            "1:8: found \"\", want a name",
        ),
        (
            settings_with(&[("\n  - path: incoming", " []")]),
            "2:1: found an empty list, want at least one folder to watch",
        ),
        (
            settings_with(&[("[a.yaml]", "[]")]),
            "6:1: found an empty list, want at least one profile file",
        ),
        (
            settings_with(&[("[a.yaml]", "[a.yaml, ./a.yaml]")]),
            "6:20: /sky/a.yaml stands here a second time, want it once",
        ),
        (
            settings_with(&[("incoming", "incoming\n  - path: elsewhere/incoming")]),
            "4:5: watch folder 1 is named \"incoming\" too, want a `name` of its own for each",
        ),
        (
            settings_with(&[("incoming", "incoming\n    poll_s: 0")]),
            "4:5: found 0, want 1 to 86400 seconds",
        ),
        (
            settings_with(&[("incoming", "incoming\n    ignore: ['*.tmp', 'a[']")]),
            "4:23: found \"a[\", want a pattern on a path: unclosed character class; missing ']'",
        ),
        (
            settings_with(&[("output: products", "output: incoming/products")]),
            "4:1: output at /sky/incoming/products overlaps with watch folder \"incoming\" at \
             /sky/incoming, want folders apart",
        ),
        (
            settings_with(&[("state: state", "state: products/../products/state")]),
            "5:1: state at /sky/products/state overlaps with output at /sky/products, want \
             folders apart",
        ),
        (
            settings_with(&[("output: products", "output: .")]),
            "4:1: output at /sky overlaps with watch folder \"incoming\" at /sky/incoming, want \
             folders apart",
        ),
        (
            settings_with(&[("", "close:\n  at: 9:30\n")]),
            "8:3: found \"9:30\", want a local time such as \"09:30\"",
        ),
        (
            settings_with(&[("", "close: {sun_altitude_deg: 80}\n")]),
            "7:9: found 80, want -18 to 60 degrees",
        ),
        (
            settings_with(&[("", "threads: 1.5\n")]),
            "7:10: threads: invalid type: floating point `1.5`, expected a whole number from 0",
        ),
        (
            settings_with(&[("", "memory_mib: 1\n")]),
            "7:1: found 1, want 64 to 1048576 MiB",
        ),
        (
            settings_with(&[("", "settle_s: 0\n")]),
            "7:1: found 0, want 0.5 to 3600 seconds",
        ),
        (
            settings_with(&[("output: products", "output: ~/products")]),
            "4:1: found \"~/products\", want the folder written out: `~` stands for nothing here",
        ),
        (
            settings_with(&[("output: products", "output: !here products")]),
            "4:9: output: found a tag, want a plain value without one",
        ),
    ];
    complaints(&cases, |text| {
        let found = parse_settings(text, Path::new("/sky/bad.yaml")).err();
        found.map(|mut error| {
            error.file = PathBuf::from("bad.yaml");
            error
        })
    });
}

#[test]
fn bad_profiles_are_named_with_line_and_column() {
    let cases = [
        (
            profile_with(&[("north-pier", "North Pier")]),
            "1:1: found \"North Pier\", want 1 to 40 lower-case letters, digits and inner \
             hyphens, such as north-pier",
        ),
        (
            profile_with(&[("Petrel 26M", "600")]),
            "2:9: camera: invalid type: integer `600`, expected text or a list of texts, in \
             quotes where it looks like a number",
        ),
        (
            profile_with(&[("Petrel 26M", "[Petrel, ' ']")]),
            "2:18: found \" \", want the camera's name as headers give it",
        ),
        (
            profile_with(&[("bias: {rule: required}", "bias: {rule: often}")]),
            "4:16: calibration.bias.rule: unknown variant `often`, expected one of `required`, \
             `if-present`, `never`, `measured`",
        ),
        (
            profile_with(&[("bias: {rule: required}", "bias: {rule: measured}")]),
            "4:10: found `measured`, which only darks can be: want required, if-present or never \
             for bias",
        ),
        (
            profile_with(&[(
                "bias: {rule: required}",
                "bias: {rule: required, min_frames: 2}",
            )]),
            "4:26: found 2, want 3 to 10000: fewer cannot be judged by each other",
        ),
        (
            profile_with(&[("  flat-dark: {rule: if-present}\n", "")]),
            "4:3: calibration: missing field `flat-dark`",
        ),
        (
            profile_with(&[
                ("bias: {rule: required}", "bias: {rule: never}"),
                ("if-present", "never"),
            ]),
            "7:10: flats are wanted while bias, dark and flat-dark are all `never`, so nothing \
             would take the pedestal off the flat: want one of them",
        ),
        (
            profile_with(&[("bias: {rule: required}", "bias: {rule: never}")]),
            "7:10: flats are wanted while bias and dark are both `never`, so nothing would take \
             the pedestal off the light before it is divided by the flat: want one of them",
        ),
        (
            profile_with(&[
                ("bias: {rule: required}", "bias: {rule: never}"),
                (
                    "if-present}\n  flat: {rule: required}",
                    "never}\n  flat: {rule: never}",
                ),
            ]),
            "3:1: all four kinds are never wanted, so nothing would be calibrated: want bias or \
             dark at least",
        ),
        (
            profile_with(&[
                ("bias: {rule: required}", "bias: {rule: never}"),
                ("dark: {rule: never}", "dark: {rule: measured}"),
            ]),
            "5:10: the dark is `measured` while bias is `never`, so there would be nothing to \
             measure it against: want required or if-present for bias",
        ),
        (
            profile_with(&[("flat: {rule: required}", "flat: {rule: never}")]),
            "6:15: flat-darks are wanted while flats are `never`, so nothing would use them: \
             want `never`",
        ),
        (
            profile_with(&[(
                "flat: {rule: required}",
                "flat: {rule: required, combine: {method: mean, low: 3}}",
            )]),
            "7:50: `low` has no meaning for the method mean: want sigma-clip, or no `low`",
        ),
        (
            profile_with(&[(
                "flat: {rule: required}",
                "flat: {rule: required, combine: {low: 0}}",
            )]),
            "7:36: found 0, want 0.5 to 100 standard deviations",
        ),
        (
            profile_with(&[("", "filters: {h: Ha, H: Hb}\n")]),
            "8:11: \"h\" and \"H\" are the same but for letter case, want one",
        ),
        (
            profile_with(&[("", "filters: {H: Ha, H: Hb}\n")]),
            "8:18: filters: key \"H\" stands here a second time, want it once",
        ),
        (
            profile_with(&[("", "filters: {H: ~}\n")]),
            "8:11: found \"~\", want the name of a physical filter, or none",
        ),
        (
            profile_with(&[("", "kinds: {wall: flats}\n")]),
            "8:15: kinds.wall: unknown variant `flats`, expected one of `bias`, `flat-dark`, \
             `dark`, `flat`, `light`",
        ),
        (
            profile_with(&[("", "keywords: {gain: [GAIN, HISTORY]}\n")]),
            "8:25: found \"HISTORY\", want a header keyword that holds a value",
        ),
        (
            profile_with(&[("", "paths:\n- match: 'a['\n  facts: {kind: dark}\n")]),
            "9:3: found \"a[\", want a pattern on a path: unclosed character class; missing ']'",
        ),
        (
            profile_with(&[("", "cfa: RGB\n")]),
            "8:1: found \"RGB\", want header, mono, RGGB, BGGR, GRBG or GBRG",
        ),
        (
            profile_with(&[("", "flat: {min_fraction: 0.8}\n")]),
            "8:8: min_fraction is 0.8, max_fraction 0.7: want the first below the second",
        ),
        (
            profile_with(&[("", "tolerance: {temperature_c: .inf}\n")]),
            "8:28: tolerance.temperature_c: found inf, want a finite number",
        ),
        (
            profile_with(&[("", "tolerance: {temperature_c: -1}\n")]),
            "8:13: found -1, want 0 to 20 degrees",
        ),
        (
            profile_with(&[("", "windows: {flat_after_nights: -1}\n")]),
            "8:11: found -1, want 0 to 3660 nights",
        ),
        (
            profile_with(&[("", "train_changes:\n- 2026-08-20\n- 2026-8-21\n")]),
            "10:3: found \"2026-8-21\", want an evening date such as 2026-09-05",
        ),
    ];
    complaints(&cases, |text| {
        parse_profile(text, Path::new("bad.yaml")).err()
    });
}

#[test]
fn unknown_facts_list_the_known_ones() {
    for text in [
        "keywords: {gian: GAIN}\n",
        "paths: [{match: '*', facts: {gian: 3}}]\n",
    ] {
        let text = profile_with(&[("", text)]);
        let error = parse_profile(&text, Path::new("p.yaml")).unwrap_err();
        assert_eq!(error.line, 8);
        assert_eq!(
            error.column,
            text.lines().last().unwrap().find("gian").unwrap() + 1
        );
        let start = "found the fact \"gian\", want one of kind, camera, exposure_s, ";
        assert!(error.message.starts_with(start), "{error}");
    }
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
