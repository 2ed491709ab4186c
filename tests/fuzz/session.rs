//! A session log as found on disk is read, written again without loss, and told in every form.

#![no_main]

use std::path::Path;
use std::sync::LazyLock;

use dawnledger::config::{parse_profile, parse_settings};
use dawnledger::facts::Site;
use dawnledger::night::{Beside, digest, parse, parse_targets, summary, targets_yaml, yaml};
use dawnledger::page::{NightFacts, index, morning};
use libfuzzer_sys::fuzz_target;

const SETTINGS: &str = "site: {name: Skarn Hill, latitude_deg: 57.3, longitude_deg: -4.4, elevation_m: 310}\nwatch: [{path: incoming}]\noutput: products\nstate: state\nprofiles: [any.yaml]\n";

const PROFILE: &str = "name: any\ncamera: '*'\ncalibration: {bias: {rule: required}, dark: {rule: never}, flat-dark: {rule: never}, flat: {rule: never}}\n";

static SITE: LazyLock<Site> = LazyLock::new(|| {
    let draft = parse_settings(SETTINGS, Path::new("/etc/settings.yaml")).expect("settings");
    let profile = parse_profile(PROFILE, Path::new("/etc/any.yaml")).expect("a profile");
    let profiles = vec![("/etc/any.yaml".into(), profile)];
    draft.complete(profiles).expect("they go together").site
});

fuzz_target!(|text: &str| {
    if let Ok(log) = parse(text) {
        let written = yaml(&log);
        let again = parse(&written).expect("what was written is read");
        assert_eq!(yaml(&again), written);
        let digest = digest(&log, &SITE, &Beside::default());
        assert!(
            digest.chars().all(|c| c == '\n' || !c.is_control()),
            "{digest:?}"
        );
        let night = summary(&log);
        index(&[night], &SITE.name);
        if let Ok(date) = log.night.parse() {
            morning(&log, &NightFacts::new(&SITE, date, None, None), &[]);
        }
    }
    if let Ok(targets) = parse_targets(text) {
        let written = targets_yaml(&targets);
        let again = parse_targets(&written).expect("what was written is read");
        assert_eq!(targets_yaml(&again), written);
    }
});
