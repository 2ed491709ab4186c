//! A night's log in brief.
//!
//! It knows the log alone; sums and medians run in sorted order, so the log's order plays no part.

use std::collections::BTreeMap;

use super::depth::depth;
use super::text::rounded;
use crate::combine::median;
use crate::facts::{Conditions, Integration, LightEntry, NightSummary, SessionLog, Verdict};

/// Boils a log down to what is told of it elsewhere.
pub fn summary(log: &SessionLog) -> NightSummary {
    let waiting = log.lights.iter().filter(|light| light.state == "waiting");
    NightSummary {
        night: log.night.clone(),
        state: log.state,
        ledger: log.ledger,
        waiting: waiting.count(),
        integrations: integrations(&log.lights),
        conditions: conditions(&log.lights),
        sensors: log.sensors.clone(),
        warnings: log.warnings.len(),
        to_shoot: log.to_shoot.len(),
    }
}

/// Calibrated, and nothing speaks against it.
pub(super) fn is_kept(light: &LightEntry) -> bool {
    light.state == "calibrated" && light.verdict != Some(Verdict::SetAside)
}

/// A rig, a target and a filter.
type Place<'a> = (&'a str, &'a str, &'a str);

fn integrations(lights: &[LightEntry]) -> Vec<Integration> {
    let mut groups: BTreeMap<Place<'_>, Vec<&LightEntry>> = BTreeMap::new();
    for light in lights.iter().filter(|light| light.state == "calibrated") {
        let target = light.target.as_deref().unwrap_or_default();
        let group = groups.entry((&light.rig, target, &light.filter));
        group.or_default().push(light);
    }
    let integration = |((rig, target, filter), mut lights): (Place<'_>, Vec<&LightEntry>)| {
        lights.sort_by(|a, b| a.exposure_s.total_cmp(&b.exposure_s));
        let exposures = lights.iter().map(|light| light.exposure_s);
        let kept = lights.iter().filter(|light| is_kept(light));
        Integration {
            rig: rig.to_owned(),
            target: target.to_owned(),
            filter: filter.to_owned(),
            frames: lights.len(),
            kept: kept.clone().count(),
            integration_s: rounded(exposures.sum(), 3),
            kept_s: rounded(kept.clone().map(|light| light.exposure_s).sum(), 3),
            depth: depth(kept.copied()),
        }
    };
    groups.into_iter().map(integration).collect()
}

fn conditions(lights: &[LightEntry]) -> Vec<Conditions> {
    let mut groups: BTreeMap<(&str, &str), Vec<&LightEntry>> = BTreeMap::new();
    for light in lights.iter().filter(|light| is_kept(light)) {
        let group = groups.entry((&light.rig, &light.filter));
        group.or_default().push(light);
    }
    let conditions = |((rig, filter), lights): ((&str, &str), Vec<&LightEntry>)| {
        let measures = lights.iter().filter_map(|light| light.measures);
        let middle = |values: &mut dyn Iterator<Item = f64>, decimals| {
            let mut values: Vec<f64> = values.collect();
            median(&mut values).map(|value| rounded(value, decimals))
        };
        let mut sky = lights.iter().filter_map(|light| {
            let exposed = light.exposure_s > 0.0;
            Some(light.measures?.background_adu / light.exposure_s).filter(|_| exposed)
        });
        Conditions {
            rig: rig.to_owned(),
            filter: filter.to_owned(),
            fwhm_px: middle(&mut measures.clone().filter_map(|m| m.fwhm_px), 3),
            fwhm_arcsec: middle(&mut measures.clone().filter_map(|m| m.fwhm_arcsec), 3),
            elongation: middle(&mut measures.clone().filter_map(|m| m.elongation), 3),
            background_adu: middle(&mut measures.map(|m| m.background_adu), 3),
            background_adu_per_s: middle(&mut sky, 6),
        }
    };
    groups.into_iter().map(conditions).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;
    use crate::night::scene;

    #[test]
    fn a_night_in_brief_counts_what_its_log_lists() {
        let mut log = scene::full_log();
        log.lights[3].verdict = Some(Verdict::SetAside);
        for (at, light) in log.lights.iter_mut().take(3).enumerate() {
            let measures = light.measures.as_mut().unwrap();
            measures.fwhm_px = Some(2.0 + at as f64);
            measures.background_adu = 100.0 + at as f64;
        }
        let brief = summary(&log);
        let sums: Vec<_> = brief
            .integrations
            .iter()
            .map(|integration| {
                (
                    &*integration.target,
                    &*integration.filter,
                    integration.frames,
                    integration.kept,
                    integration.kept_s,
                )
            })
            .collect();
        // 40 lights of 300 s, one of them set aside; 12 of 60 s, one of them refused.
        assert_eq!(
            sums,
            [
                ("Lantern Nebula", "Ha", 40, 39, 11_700.0),
                ("Skarn Cluster", "L", 11, 11, 660.0)
            ]
        );
        assert_eq!(
            (brief.kept(), brief.set_aside(), brief.waiting),
            (50, 1, 52)
        );
        assert_eq!(brief.kept_s(), 12_360.0);
        assert_eq!(brief.conditions[0].fwhm_px, Some(3.0));
        assert_eq!(brief.conditions[0].background_adu, Some(412.75));
        assert_eq!(brief.conditions[1].fwhm_px, None);

        let mut turned = log.clone();
        turned.lights.reverse();
        assert_eq!(summary(&turned), brief);
    }

    #[test]
    fn nothing_seen_is_nothing_gained() {
        let brief = summary(&scene::empty_log());
        assert_eq!((brief.kept(), brief.set_aside()), (0, 0));
        assert!(brief.integrations.is_empty() && brief.conditions.is_empty());
    }
}
