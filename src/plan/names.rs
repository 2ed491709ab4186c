//! File names of products: a readable slug, then the first eight digits of the fingerprint.
//!
//! Slugs come from facts alone, so that a product's name does not depend on what its raw file was
//! called. Lower-case letters, digits and hyphens only: safe on every file system and in every
//! shell.

use jiff::tz::TimeZone;

use crate::facts::{Fingerprint, Kind, LightFacts, MasterFacts, Site};

/// The longest slug made from one fact.
const LONGEST: usize = 40;

/// Lower-case ASCII letters and digits, anything else as single hyphens.
pub fn slug(text: &str) -> String {
    let mut slug = String::new();
    for character in text.chars() {
        if character.is_ascii_alphanumeric() {
            slug.push(character.to_ascii_lowercase());
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
        if slug.len() >= LONGEST {
            break;
        }
    }
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() {
        "unnamed".to_owned()
    } else {
        slug.to_owned()
    }
}

/// A number in a name: `300`, `0.5` as `0p5`, `-10` as `m10`; what no camera means by it in few
/// digits as well, since a name has room for 255 bytes.
fn number(value: f64) -> String {
    let text = match value.abs() {
        ..1e9 => format!("{}", (value * 1000.0).round() / 1000.0),
        _ => format!("{value:.3e}"),
    };
    text.replace('-', "m").replace('.', "p")
}

/// Where a master lies in the output folder.
pub fn master(facts: &MasterFacts, fingerprint: Fingerprint, site: &Site) -> String {
    let mut words = vec![facts.kind.to_string()];
    match facts.kind {
        Kind::Flat => {
            words.push(slug(&facts.filter));
            words.extend(
                facts
                    .rotator
                    .map(|angle| format!("r{}", number(angle.get().round()))),
            );
        }
        Kind::Dark | Kind::FlatDark => {
            words.push(format!("{}s", number(facts.exposure.get())));
            words.extend(facts.temperature.map(|t| format!("{}c", number(t.get()))));
        }
        Kind::Bias | Kind::Light => {}
    }
    words.extend(
        facts
            .camera
            .gain
            .map(|gain| format!("g{}", number(gain.get()))),
    );
    words.extend(facts.last.map(|last| site.night_of(last).to_string()));
    format!(
        "masters/{}/{}/{}-{}.fits",
        slug(&facts.camera.name),
        facts.kind,
        words.join("-"),
        fingerprint.short()
    )
}

/// Where a calibrated light lies in the output folder.
pub fn light(facts: &LightFacts, fingerprint: Fingerprint) -> String {
    let start = facts.start.to_zoned_datetime(TimeZone::UTC);
    format!(
        "nights/{}/{}/subs/{}-{}-{}s-{}-{}.fits",
        facts.night,
        facts.rig,
        slug(facts.target.as_deref().unwrap_or("no-target")),
        slug(&facts.filter),
        number(facts.exposure.get()),
        start.strftime("%Y%m%dt%H%M%S"),
        fingerprint.short()
    )
}

/// Where a line's plane of a light lies in the output folder.
pub fn line(facts: &LightFacts, line: &str, fingerprint: Fingerprint) -> String {
    let line = format!("{} {line}", facts.filter);
    let facts = LightFacts {
        filter: line.into(),
        ..facts.clone()
    };
    light(&facts, fingerprint)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slugs_are_safe_whatever_the_text() {
        for (text, wanted) in [
            ("Veil Nebula", "veil-nebula"),
            ("../../etc/passwd", "etc-passwd"),
            ("IC 1805 / panel 2", "ic-1805-panel-2"),
            ("", "unnamed"),
            ("\u{0}\n<script>", "script"),
            ("\u{5929}\u{9df9}", "unnamed"),
        ] {
            assert_eq!(slug(text), wanted);
        }
        assert!(slug(&"x".repeat(5000)).len() <= LONGEST);
    }

    #[test]
    fn numbers_keep_sign_and_fraction() {
        assert_eq!(number(-10.0), "m10");
        assert_eq!(number(0.5), "0p5");
        assert_eq!(number(300.0), "300");
        assert_eq!(number(-1e300), "m1p000e300");
    }
}
