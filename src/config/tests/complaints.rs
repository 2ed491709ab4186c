//! Bad files, and what is said about each, with its place.

use super::*;

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
             `profiles`, `settle_s`, `scan_interval_s`, `close`, `memory_mib`, `threads`, \
             `hooks`, `stalled_minutes`, `disk_low_gb`",
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
            settings_with(&[(
                "",
                "hooks:\n  - {when: [failed], command: [tell, -s, \"a\\0b\"]}\n",
            )]),
            "8:42: found \"a\\0b\", want text without a zero byte",
        ),
        (
            settings_with(&[("", "hooks:\n  - when: [dusk]\n    command: [tell]\n")]),
            "8:12: hooks[0].when[0]: unknown variant `dusk`, expected one of `night-closed`, \
             `stalled`, `failed`, `recovered`, `disk-low`",
        ),
        (
            settings_with(&[("", "hooks:\n  - when: []\n    command: [tell]\n")]),
            "8:5: found an empty list, want at least one of night-closed, stalled, failed, \
             recovered, disk-low",
        ),
        (
            settings_with(&[("", "hooks:\n  - when: [failed]\n    command: []\n")]),
            "9:5: found an empty list, want a program and its arguments",
        ),
        (
            settings_with(&[("", "hooks:\n  - {when: [failed], command: ['']}\n")]),
            "8:32: found \"\", want a path",
        ),
        (
            settings_with(&[(
                "",
                "hooks:\n  - {when: [failed], command: [tell], timeout_s: 0}\n",
            )]),
            "8:39: found 0, want 0.1 to 3600 seconds",
        ),
        (
            settings_with(&[("", "stalled_minutes: 0\n")]),
            "7:1: found 0, want 1 to 1440 minutes",
        ),
        (
            settings_with(&[("", "disk_low_gb: -1\n")]),
            "7:1: found -1, want 0 to 1000000 GB",
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
            profile_with(&[(
                "dark: {rule: never}",
                "dark: {rule: required, scaling: always}",
            )]),
            "5:35: calibration.dark.scaling: unknown variant `always`, expected `never` or \
             `ccd-without-glow`",
        ),
        (
            profile_with(&[(
                "dark: {rule: never}",
                "dark: {rule: never, scaling: ccd-without-glow}",
            )]),
            "5:23: darks are to be scaled while their rule is `never`: want another rule, or no \
             scaling",
        ),
        (
            profile_with(&[
                ("bias: {rule: required}", "bias: {rule: never}"),
                (
                    "dark: {rule: never}",
                    "dark: {rule: required, scaling: ccd-without-glow}",
                ),
            ]),
            "5:26: darks are to be scaled while bias is `never`, so their pedestal could not be \
             told from what grows with time: want required or if-present for bias",
        ),
        (
            profile_with(&[(
                "bias: {rule: required}",
                "bias: {rule: required, scaling: never}",
            )]),
            "4:26: only darks can be scaled to another exposure: want no such line for bias",
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
                "flat: {rule: required, combine: {method: winsorized, iterations: 3}}",
            )]),
            "7:56: `iterations` has no meaning for the method winsorized: want sigma-clip, or no \
             `iterations`",
        ),
        (
            profile_with(&[(
                "flat: {rule: required}",
                "flat: {rule: required, combine: {alpha: 0.1}}",
            )]),
            "7:36: `alpha` has no meaning for the method sigma-clip: want generalized-esd, or no `alpha`",
        ),
        (
            profile_with(&[(
                "flat: {rule: required}",
                "flat: {rule: required, combine: {method: generalized-esd, alpha: 0.7}}",
            )]),
            "7:61: found 0.7, want 0.000001 to 0.5",
        ),
        (
            profile_with(&[(
                "flat: {rule: required}",
                "flat: {rule: required, combine: {method: generalized-esd, max_outliers: 0}}",
            )]),
            "7:61: found 0, want 1 to 1000",
        ),
        (
            profile_with(&[(
                "flat: {rule: required}",
                "flat: {rule: required, combine: {method: trimmed, low: 1.5}}",
            )]),
            "7:53: found 1.5, want a whole number of samples, 0 to 10000",
        ),
        (
            profile_with(&[(
                "flat: {rule: required}",
                "flat: {rule: required, combine: {method: trimmed, high: 5}}",
            )]),
            "7:53: found 5 of at least 10 frames (min_frames), want 4 at most: the median must stay",
        ),
        (
            profile_with(&[(
                "flat: {rule: required}",
                "flat: {rule: required, combine: {method: noise-model}}",
            )]),
            "7:36: noise-model needs the sensor's own figures: want, at the top of the profile, sensor: {read_noise_e: ..., electrons_per_adu: ..., bias_adu: ...}",
        ),
        (
            profile_with(&[
                (
                    "dark: {rule: never}",
                    "dark: {rule: required, combine: {method: noise-model}}",
                ),
                ("", "sensor: {read_noise_e: 1.5, electrons_per_adu: 0.25}\n"),
            ]),
            "5:36: the noise of a dark follows from its level above the bias: want bias_adu in the profile's sensor, or another method",
        ),
        (
            profile_with(&[
                (
                    "dark: {rule: never}",
                    "dark: {rule: required, combine: {method: by-count}}",
                ),
                ("", "sensor: {read_noise_e: 1.5, electrons_per_adu: 0.25}\n"),
            ]),
            "5:36: the noise of a dark follows from its level above the bias: want bias_adu in the profile's sensor, or another method",
        ),
        (
            profile_with(&[(
                "flat: {rule: required}",
                "flat: {rule: required, combine: {method: plain}}",
            )]),
            "7:44: calibration.flat.combine.method: unknown variant `plain`, expected one of `mean`, `median`, `sigma-clip`, `winsorized`, `generalized-esd`, `trimmed`, `noise-model`, `by-count`",
        ),
        (
            profile_with(&[("", "sensor: {read_noise_e: 0, electrons_per_adu: 1}\n")]),
            "8:10: found 0, want 0.01 to 1000 electrons",
        ),
        (
            profile_with(&[("", "sensor: {read_noise_e: 1}\n")]),
            "8:9: sensor: missing field `electrons_per_adu`",
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
            profile_with(&[("", "passbands: {Ha: [red]}\n")]),
            "8:12: passbands: want red, green-blue, or a mapping of spectral lines to these",
        ),
        (
            profile_with(&[("", "passbands: {Two: {Ha: red, SII: red}}\n")]),
            "8:28: two lines on the red photosites cannot be told apart: want \
             one line on each",
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
        (
            profile_with(&[("", "products:\n  uncertainty: true\n")]),
            "9:3: an uncertainty needs the sensor's noise: want the key `sensor` with \
             read_noise_e and electrons_per_adu, or false",
        ),
        (
            profile_with(&[("", "products: {mask: false, repair_hot_pixels: true}\n")]),
            "8:25: repaired pixels must be told apart: want true for mask, or false here",
        ),
        (
            profile_with(&[("", "verdict:\n  fwhm_ratio: 0.9\n")]),
            "9:3: found 0.9, want 1.05 to 100 times the group's",
        ),
        (
            profile_with(&[("", "verdict: {transparency: 1}\n")]),
            "8:11: found 1, want 0 to 0.95 of the best lights'",
        ),
        (
            profile_with(&[("", "overscan: {}\n")]),
            "8:1: nothing is named: want columns, rows or both, such as columns: \
             {first: 0, count: 24}",
        ),
        (
            profile_with(&[("", "overscan:\n  columns: {first: 0, count: 0}\n")]),
            "9:23: found 0, want 1 to 65535 pixels",
        ),
        (
            profile_with(&[("", "overscan:\n  rows: {first: -3, count: 8}\n")]),
            "9:10: found -3, want 0 to 65535 pixels",
        ),
        (
            profile_with(&[("", "overscan: {rows: {first: 3, count: 8, skip: 8}}\n")]),
            "8:39: found 8, want 0 to 7 pixels",
        ),
        (
            profile_with(&[("", "products: {compressed: true}\n")]),
            "8:12: floating-point samples would have to be rounded to be worth compressing, which \
             is never done unasked: want samples: {bits: 16}, or false here",
        ),
        (
            profile_with(&[("", "products: {samples: {added_level_adu: 10}}\n")]),
            "8:22: floating-point samples hold negative values as they are: want bits: 16 beside \
             it, or no added level",
        ),
        (
            profile_with(&[("", "products:\n  samples: {bits: 12}\n")]),
            "9:13: found 12, want 16 (integers) or 32 (floating point)",
        ),
        (
            profile_with(&[(
                "",
                "products: {samples: {bits: 16, added_level_adu: 70000}}\n",
            )]),
            "8:32: found 70000, want 0 to 65535 whole ADU",
        ),
        (
            profile_with(&[("", "sensor: {read_noise_e: 1.5, electrons_per_adu: 0}\n")]),
            "8:29: found 0, want 0.001 to 1000 electrons per ADU",
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

#[test]
fn bad_supplied_masters_are_named_with_line_and_column() {
    let cases = [
        (
            profile_with(&[("", "supplied:\n  - {file: a.fits, kind: light}\n")]),
            "9:20: found light, want bias, dark, flat-dark or flat",
        ),
        (
            profile_with(&[("", "supplied: [{file: a.fits, kind: dark}]\n")]),
            "8:27: the rule for dark is never, so this file would not be used: want required or \
             if-present there",
        ),
        (
            profile_with(&[("", "supplied: [{file: '', kind: bias}]\n")]),
            "8:13: found \"\", want a path",
        ),
        (
            profile_with(&[(
                "",
                "supplied: [{file: a.fits, kind: bias, exposure_s: -1}]\n",
            )]),
            "8:39: found -1, want 0 to 86400 seconds",
        ),
        (
            profile_with(&[("", "supplied: [{file: a.fits, kind: bias, filter: L}]\n")]),
            "8:39: a bias has none of its own: only a flat does",
        ),
        (
            profile_with(&[("", "supplied: [{file: a.fits, kind: bias, gian: 1}]\n")]),
            "8:39: supplied[0]: unknown field `gian`, expected one of `file`, `kind`, `exposure_s`, \
             `temperature_c`, `gain`, `offset`, `rotator_deg`, `filter`, `readout_mode`, \
             `binning`, `row_order`, `cfa`, `camera`",
        ),
        (
            profile_with(&[(
                "",
                "supplied:\n  - {file: a.fits, kind: bias}\n  - {file: ./a.fits, kind: bias}\n",
            )]),
            "10:6: \"./a.fits\" stands here a second time, want it once",
        ),
    ];
    complaints(&cases, |text| {
        parse_profile(text, Path::new("bad.yaml")).err()
    });
}
