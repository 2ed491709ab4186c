//! `check` and the schemas say the same of every key, with every kind of value that could be typed.
//!
//! Two documents hold all keys there are. Each value in them is replaced in turn by values of every
//! type, by the limits that the schema states and what lies just beyond them, and by each of its
//! words; keys are left out and unknown ones put in.

use jsonschema::Validator;
use serde_json::{Value, json};

use super::*;

/// Places where the schema lets pass what `check` refuses, since it depends on other keys or on
/// more than the text. Nowhere does the schema refuse what `check` takes.
const ONLY_CHECK_KNOWS: [(&str, &str); 14] = [
    ("/site/time_zone", "which zones there are"),
    (
        "/hooks/0/command/0",
        "a program is a path, an argument may be empty",
    ),
    (
        "/calibration/*/rule",
        "what the four rules need of each other",
    ),
    (
        "/calibration/*/combine/method",
        "which keys mean something to a method",
    ),
    (
        "/calibration/*/combine/low",
        "standard deviations have another range than numbers of samples",
    ),
    (
        "/calibration/*/combine/high",
        "standard deviations have another range than numbers of samples",
    ),
    (
        "/calibration/dark/scaling",
        "scaling needs a bias and a dark",
    ),
    ("/sensor", "an uncertainty needs the sensor's noise"),
    ("/overscan/columns", "columns or rows are named"),
    ("/overscan/columns/count", "count is above skip"),
    ("/overscan/columns/skip", "skip is below count"),
    ("/flat/*", "min_fraction is below max_fraction"),
    ("/passbands/Duo/*", "two lines reach different photosites"),
    ("/supplied/0/kind", "only a flat has a filter"),
];

/// The same, but for places that other choices of one key alone bring about.
const ONLY_WITH_OTHERS: [(&str, &str); 3] = [
    ("/products/mask", "a repair needs the mask"),
    ("/products/samples", "compressed samples are whole numbers"),
    (
        "/products/samples/bits",
        "compressed samples are whole numbers, with a level added",
    ),
];

fn all_settings() -> Value {
    json!({
        "site": {"name": "Skarn Hill", "latitude_deg": 57.3, "longitude_deg": -4.4,
                 "elevation_m": 310, "time_zone": "Europe/London"},
        "watch": [{"path": "incoming", "name": "in", "poll_s": 30, "ignore": ["*.tmp"]}],
        "output": "products",
        "state": "state",
        "profiles": ["profiles/north-pier.yaml"],
        "settle_s": 4, "scan_interval_s": 60,
        "close": {"sun_altitude_deg": 5, "quiet_minutes": 30, "at": "11:00"},
        "memory_mib": 512, "threads": 2,
        "hooks": [{"when": ["failed"], "command": ["/bin/tell", "night"], "timeout_s": 10}],
        "stalled_minutes": 20, "disk_low_gb": 5,
    })
}

fn all_of_a_profile() -> Value {
    json!({
        "name": "north-pier",
        "camera": ["Petrel 26M"],
        "telescope": "Tern 80",
        "calibration": {
            "bias": {"rule": "required",
                     "combine": {"method": "generalized-esd", "alpha": 0.01, "max_outliers": 3}},
            "dark": {"rule": "required", "min_frames": 20, "quiet_s": 60, "run_gap_hours": 2,
                     "combine": {"method": "sigma-clip", "low": 3, "high": 3, "iterations": 4,
                                 "center": "mean"},
                     "scaling": "ccd-without-glow"},
            "flat-dark": {"rule": "if-present"},
            "flat": {"rule": "required"},
        },
        "tolerance": {"temperature_c": 2, "exposure_fraction": 0.1,
                      "flat_dark_exposure_fraction": 0.2, "rotator_deg": 1},
        "windows": {"flat_before_nights": 1, "flat_after_nights": 1,
                    "library_before_nights": 1, "library_after_nights": 1},
        "filters": {"H": "Ha"},
        "passbands": {"Duo": {"Ha": "red", "OIII": "green-blue"}},
        "kinds": {"wall shot": "flat"},
        "keywords": {"rotator_deg": "ROTMECH", "temperature_c": ["CHIPT", "CCD-TEMP"]},
        "paths": [{"match": "**/darks/**", "facts": {"kind": "dark", "gain": 100}}],
        "gain_keyword": "setting",
        "cfa": "RGGB",
        "overscan": {"columns": {"first": 0, "count": 24, "skip": 4}, "rows": null},
        "saturation_adu": 16383,
        "flat": {"level": "common", "min_fraction": 0.2, "max_fraction": 0.6},
        "bias_max_s": 1,
        "short_shots": {"under_s": 5, "under_fraction": 0.1},
        "sensor": {"read_noise_e": 1.5, "electrons_per_adu": 0.78, "bias_adu": 500},
        "products": {"mask": true, "uncertainty": true, "repair_hot_pixels": true,
                     "samples": {"bits": 16, "added_level_adu": 500},
                     "compressed": true, "split_lines": true},
        "verdict": {"elongation": 2, "fwhm_ratio": 2, "transparency": 0.5, "stars_ratio": 0.4,
                    "sky_ratio": 3, "pointing_fraction": 0.2},
        "train_changes": ["2026-08-20"],
        "supplied": [{"file": "flat.fits", "kind": "flat", "exposure_s": 3, "temperature_c": -10,
                      "gain": 100, "offset": 50, "rotator_deg": 90, "filter": "Ha",
                      "readout_mode": "fast", "binning": "2x2", "row_order": "TOP-DOWN",
                      "cfa": "RGGB", "camera": "Petrel 26M"}],
    })
}

/// What the program makes of a text, in words that differ where it means something else.
fn checked(document: Document, text: &str) -> Result<String, ConfigError> {
    let file = Path::new("/sky/file.yaml");
    match document {
        Document::Settings => {
            let draft = parse_settings(text, file)?;
            Ok(format!("{:?}", draft.complete(Vec::new())?))
        }
        Document::Profile => Ok(format!("{:?}", parse_profile(text, file)?)),
    }
}

fn schema_value(document: Document) -> Value {
    serde_json::from_str(&schema(document)).unwrap()
}

fn type_of(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(_) => "number",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    }
}

/// The part of a schema that says something of this value: references followed, alternatives chosen.
fn resolved<'a>(root: &'a Value, node: &'a Value, value: &Value) -> &'a Value {
    if let Some(Value::String(to)) = node.get("$ref") {
        return resolved(root, root.pointer(&to[1..]).unwrap(), value);
    }
    if let Some(Value::Array(all)) = node.get("allOf") {
        return resolved(root, &all[0], value);
    }
    if let Some(Value::Array(any)) = node.get("anyOf") {
        let any = any.iter().map(|one| resolved(root, one, value));
        let typed = |one: &&Value| one["type"] == type_of(value) || one.get("enum").is_some();
        let (fitting, rest): (Vec<_>, Vec<_>) = any.partition(typed);
        return fitting.into_iter().chain(rest).next().unwrap();
    }
    node
}

struct Place<'a> {
    pointer: String,
    /// As it stands beside the key: defaults are there.
    stated: &'a Value,
    resolved: &'a Value,
}

/// Every value of a document with what its schema says of it.
fn places<'a>(
    root: &'a Value,
    node: &'a Value,
    at: &str,
    value: &Value,
    into: &mut Vec<Place<'a>>,
) {
    let found = resolved(root, node, value);
    match value {
        Value::Object(map) => {
            for (key, value) in map {
                let named = found["properties"].get(key);
                let node = named.unwrap_or(&found["additionalProperties"]);
                assert!(node.is_object(), "{at}/{key}: no key of the schema");
                places(root, node, &format!("{at}/{key}"), value, into);
            }
        }
        Value::Array(list) => {
            for (index, value) in list.iter().enumerate() {
                places(root, &found["items"], &format!("{at}/{index}"), value, into);
            }
        }
        _ => {}
    }
    into.push(Place {
        pointer: at.to_owned(),
        stated: node,
        resolved: found,
    });
}

/// What is put in the place of a value.
fn replacements(place: &Place) -> Vec<Value> {
    let mut values = vec![
        json!(null),
        json!(true),
        json!(false),
        json!(7),
        json!(0.5),
        json!(-3),
        json!("x"),
        json!("7"),
        json!(""),
        json!(" ~ "),
        json!("~/x"),
        json!("a\u{7}b"),
        json!([]),
        json!({}),
    ];
    let schema = place.resolved;
    for list in ["enum", "oneOf"] {
        let words = schema[list].as_array().into_iter().flatten();
        values.extend(words.map(|word| word.get("const").unwrap_or(word).clone()));
    }
    let whole = schema["type"].to_string().contains("integer");
    for (limit, sign) in [("minimum", -1.0), ("maximum", 1.0)] {
        if let Some(limit) = schema[limit].as_f64() {
            let beyond = if whole {
                1.0
            } else {
                (limit.abs() * 1e-6).max(1e-6)
            };
            for number in [limit, limit + sign * beyond] {
                values.push(if whole {
                    json!(number as i64)
                } else {
                    json!(number)
                });
            }
        }
    }
    values
}

/// The document with a change to one place.
fn with(document: &Value, pointer: &str, change: impl FnOnce(&mut Value)) -> Value {
    let mut changed = document.clone();
    change(changed.pointer_mut(pointer).unwrap());
    changed
}

fn known_to_check_only(pointer: &str) -> bool {
    let fits = |pattern: &str| {
        let (mut left, mut right) = (pattern.split('/'), pointer.split('/'));
        loop {
            match (left.next(), right.next()) {
                (None, None) => return true,
                (Some(one), Some(other)) if one == "*" || one == other => {}
                _ => return false,
            }
        }
    };
    let all = ONLY_CHECK_KNOWS.iter().chain(&ONLY_WITH_OTHERS);
    all.into_iter().any(|(pattern, _)| fits(pattern))
}

/// How often both said yes, and how often no.
fn compare(
    document: Document,
    validator: &Validator,
    (pointer, changed): (&str, &Value),
    tally: &mut [usize; 2],
    complaints: &mut Vec<String>,
) {
    let text = changed.to_string();
    let by_check = checked(document, &text);
    let by_schema = validator.is_valid(changed);
    if by_check.is_ok() == by_schema {
        tally[usize::from(!by_schema)] += 1;
    } else if by_check.is_ok() || !known_to_check_only(pointer) {
        let value = changed.pointer(pointer);
        let why = by_check.err().map(|error| error.message);
        complaints.push(format!(
            "{pointer} = {value:?}: the schema says {by_schema}, check {why:?}"
        ));
    }
}

fn agree(document: Document, full: &Value, at_least: [usize; 2]) {
    let root = schema_value(document);
    let validator = jsonschema::draft7::new(&root).unwrap();
    let (mut tally, mut complaints) = ([0, 0], Vec::new());
    compare(
        document,
        &validator,
        ("", full),
        &mut tally,
        &mut complaints,
    );
    assert_eq!(tally, [1, 0], "{complaints:#?}");
    let mut all = Vec::new();
    places(&root, &root, "", full, &mut all);
    for place in &all {
        let pointer = place.pointer.as_str();
        let mut changes: Vec<(String, Value)> = replacements(place)
            .into_iter()
            .map(|value| (pointer.to_owned(), with(full, pointer, |old| *old = value)))
            .collect();
        let closed = place.resolved["additionalProperties"] == false
            || place.resolved.get("propertyNames").is_some();
        if let Some(Value::Object(map)) = full.pointer(pointer) {
            for key in map.keys() {
                let without = with(full, pointer, |old| {
                    old.as_object_mut().unwrap().remove(key);
                });
                changes.push((format!("{pointer}/{key}"), without));
            }
            if closed {
                let more = with(full, pointer, |old| old["no_such_key"] = json!("x"));
                changes.push((pointer.to_owned(), more));
            }
        }
        for (at, changed) in changes {
            compare(
                document,
                &validator,
                (&at, &changed),
                &mut tally,
                &mut complaints,
            );
        }
        // A default that is written out changes nothing.
        if let Some(default) = place.stated.get("default") {
            let parsed = |value: &Value| {
                let changed = with(full, pointer, |old| *old = value.clone());
                checked(document, &changed.to_string()).ok()
            };
            if parsed(default) != parsed(&Value::Null) {
                complaints.push(format!("{pointer}: the default is not {default}"));
            }
        }
    }
    assert!(complaints.is_empty(), "\n{}\n", complaints.join("\n"));
    assert!(
        tally >= at_least,
        "both said yes and no only {tally:?} times"
    );
}

#[test]
fn check_and_schema_agree_on_settings() {
    agree(Document::Settings, &all_settings(), [100, 400]);
}

#[test]
fn check_and_schema_agree_on_profiles() {
    agree(Document::Profile, &all_of_a_profile(), [200, 800]);
}

/// The documents above hold every key, every key says what it is, and every number has limits.
#[test]
fn every_key_is_described_and_tried() {
    fn keys<'a>(node: &'a Value, into: &mut Vec<(&'a str, &'a Value)>) {
        if let Some(Value::Object(map)) = node.get("properties") {
            into.extend(map.iter().map(|(key, node)| (key.as_str(), node)));
        }
        match node {
            Value::Object(map) => map.values().for_each(|node| keys(node, into)),
            Value::Array(list) => list.iter().for_each(|node| keys(node, into)),
            _ => {}
        }
    }
    for (document, full) in [
        (Document::Settings, all_settings()),
        (Document::Profile, all_of_a_profile()),
    ] {
        let root = schema_value(document);
        let (mut tried, mut all) = (Vec::new(), Vec::new());
        places(&root, &root, "", &full, &mut tried);
        keys(&root, &mut all);
        assert!(all.len() > 20, "{all:?}");
        for (key, node) in all {
            let is_tried = tried.iter().any(|place| std::ptr::eq(place.stated, node));
            assert!(is_tried, "{key}: not in the document that holds every key");
            let text = node["description"].as_str().unwrap_or_default();
            assert!(text.len() > 5, "{key}: says nothing of itself");
            let kind = node["type"].to_string();
            if kind.contains("number") || kind.contains("integer") && node.get("enum").is_none() {
                let limits = node.get("minimum").and(node.get("maximum"));
                assert!(limits.is_some(), "{key}: a number without limits");
            }
        }
    }
}

#[test]
fn shipped_documents_fit_their_schemas() {
    let shipped = PROFILES.map(|(name, text)| (Document::Profile, name, text));
    for (document, name, text) in
        shipped
            .into_iter()
            .chain([(Document::Settings, "settings.yaml", SETTINGS)])
    {
        let validator = jsonschema::draft7::new(&schema_value(document)).unwrap();
        let value: Value = serde_yaml::from_str(text).unwrap();
        let complaints: Vec<String> = validator
            .iter_errors(&value)
            .map(|error| error.to_string())
            .collect();
        assert!(complaints.is_empty(), "{name}: {complaints:#?}");
        assert!(
            text.starts_with("# yaml-language-server: $schema="),
            "{name}"
        );
    }
}

#[test]
fn shipped_schemas_are_what_is_printed() {
    for (document, name, shipped) in [
        (
            Document::Settings,
            "settings",
            include_str!("../../../config/settings.schema.json"),
        ),
        (
            Document::Profile,
            "profile",
            include_str!("../../../config/profile.schema.json"),
        ),
    ] {
        assert!(
            schema(document) == shipped,
            "dawnledger schema {name} >config/{name}.schema.json brings it up to date"
        );
    }
}

/// Numbers are no text; else `007` would mean 7 to one reader and 007 to another.
#[test]
fn text_is_typed_as_text() {
    let text = all_settings().to_string().replace("\"in\"", "7");
    let error = checked(Document::Settings, &text).unwrap_err();
    assert!(
        error
            .message
            .contains("in quotes where it looks like a number"),
        "{error}"
    );
}
