//! How the lights of a night stand: what was measured on each, how it compares with its group, and
//! what the groups say of the night.
//!
//! It needs what was measured on the night's lights, which is read from the catalogue only where it
//! may have changed; [`lights_of`] names the lights and so tells whether it has. It does not know how a verdict comes
//! about: that is `judge`'s.

mod group;
mod usual;

use std::collections::BTreeMap;

use super::Known;
use super::airmass::airmass;
use super::fits::{MasterFit, fits};
use super::text::{clock, rounded};
use super::warnings::example;
use crate::facts::{
    ColourSky, Conditions, Content, Entry, Finding, Fingerprint, Frame, GroupEntry, Judged,
    LightEntry, LightState, Measured, Measures, Profile, SensorEntry, SetAside, Trail, Verdict,
};
use crate::judge::{
    Apart, Course, Stray, Subframe, apart, focus_step, groups, pixel_scale, strays, verdicts,
};
use group::group;
use usual::usual;

pub use usual::usual_before;

/// How the lights of a night stand.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Standing {
    lights: BTreeMap<Fingerprint, LightStanding>,
    pub(super) groups: Vec<GroupEntry>,
    /// How its masters fit, by where they lie.
    pub(super) fits: BTreeMap<String, MasterFit>,
    pub(super) warnings: Vec<String>,
    /// What is known of the sensors, as it was handed in.
    pub(super) sensors: Vec<SensorEntry>,
}

/// How one light stands.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct LightStanding {
    pub(super) measures: Measures,
    pub(super) sky: Vec<ColourSky>,
    pub(super) findings: Vec<Finding>,
    pub(super) trails: Vec<Trail>,
}

impl LightStanding {
    /// It passes every rule.
    fn is_kept(&self) -> bool {
        self.findings.is_empty()
    }

    /// Writes it into the light's entry.
    pub(super) fn tell(&self, entry: &mut LightEntry) {
        entry.measures = Some(self.measures);
        entry.sky = self.sky.clone();
        entry.verdict = Some(match self.is_kept() {
            true => Verdict::Kept,
            false => Verdict::SetAside,
        });
        entry.set_aside_for = self.findings.iter().map(|finding| finding.reason).collect();
        entry.findings = self.findings.clone();
        entry.trails = self.trails.clone();
    }
}

impl Standing {
    /// How a light stands; nothing where it is not measured.
    pub(super) fn of(&self, light: &Fingerprint) -> Option<&LightStanding> {
        self.lights.get(light)
    }
}

/// The calibrated lights among a night's files, by index into the snapshot's entries.
fn calibrated(known: &Known<'_>, members: &[usize]) -> impl Iterator<Item = (usize, Fingerprint)> {
    members
        .iter()
        .filter_map(|&at| match known.plan.lights.get(at) {
            Some(LightState::Calibrated(fingerprint)) => Some((at, *fingerprint)),
            _ => None,
        })
}

/// The measured lights among a night's files, with the version of the methods they were measured by.
pub fn lights_of(known: &Known<'_>, members: &[usize]) -> BTreeMap<Fingerprint, u32> {
    calibrated(known, members)
        .filter_map(|(_, print)| Some((print, known.snapshot.made.measured_by(&print)?)))
        .collect()
}

/// A light of the night.
struct Light<'a> {
    fingerprint: Fingerprint,
    entry: &'a Entry,
    frame: &'a Frame,
    measured: &'a Measured,
    airmass: Option<f64>,
    /// Arcseconds per pixel.
    scale: Option<f64>,
    /// As measured, else as the profile or the header says. So for what follows.
    electrons_per_adu: Option<f64>,
    read_noise_e: Option<f64>,
}

/// Judges the lights of a night. `before` is what [`usual_before`] says, `sensors` what [`sensors()`](super::sensors()) says
/// of the night.
pub fn standing(
    known: &Known<'_>,
    members: &[usize],
    measured: &BTreeMap<Fingerprint, Measured>,
    before: &[Conditions],
    sensors: &[SensorEntry],
) -> Standing {
    let mut lights: Vec<Light<'_>> = calibrated(known, members)
        .filter_map(|(at, print)| light(known, at, print, measured.get(&print)?, sensors))
        .collect();
    lights.sort_by_key(|light| (light.entry.moment(), light.fingerprint));
    let products = lights.iter().filter_map(|light| {
        let made = known.snapshot.made.get(&light.fingerprint)?;
        Some((made, light.measured))
    });
    let mut standing = Standing {
        fits: fits(products),
        sensors: sensors.to_vec(),
        ..Standing::default()
    };
    for (product, fit) in &standing.fits {
        let caution = fit.caution.iter();
        let caution = caution.map(|caution| format!("{product}: {caution}"));
        standing.warnings.extend(caution);
    }
    let frames: Vec<&Frame> = lights.iter().map(|light| light.frame).collect();
    let groups = groups(&frames);
    let strays = strays(&frames, &groups);
    let stayed = groups.iter().zip(&strays);
    let stayed = stayed.filter(|(_, stray)| stray.is_none());
    let stayed: Vec<usize> = stayed
        .flat_map(|(group, _)| group.iter().copied())
        .collect();
    for apart in apart(&frames, stayed) {
        standing.warnings.extend(elsewhere(known, &frames, &apart));
    }
    for (group, stray) in groups.iter().zip(strays) {
        let lights: Vec<&Light<'_>> = group.iter().map(|&at| &lights[at]).collect();
        let Some(first) = lights.first() else {
            continue;
        };
        let Some(profile) = known.settings.profile(&first.frame.rig) else {
            continue;
        };
        standing.judge(known, &lights, stray, profile, before);
    }
    standing
}

/// What is said of lights that are a group of their own under a name that others bear.
fn elsewhere(known: &Known<'_>, frames: &[&Frame], apart: &Apart) -> Option<String> {
    let (first, last) = (*apart.lights.first()?, *apart.lights.last()?);
    let hour = |at: usize| Some(clock(frames[at].start?, &known.settings.site.time_zone));
    let frame = frames[first];
    let target = frame.target.as_deref()?;
    let warning = apart.warning(&hour(first)?, &hour(last)?);
    Some(format!("{}, {target}: {warning}", frame.rig))
}

fn light<'a>(
    known: &Known<'a>,
    at: usize,
    fingerprint: Fingerprint,
    measured: &'a Measured,
    sensors: &[SensorEntry],
) -> Option<Light<'a>> {
    let entry = &known.snapshot.entries[at];
    let Content::Frame { frame, .. } = &entry.content else {
        return None;
    };
    let site = &known.settings.site;
    let air = || airmass(site, frame.pointing.as_ref()?, frame.start?, frame.exposure);
    let stated = frame.electrons_per_adu;
    let profile = known.settings.profile(&frame.rig);
    let profile = profile.and_then(|profile| profile.sensor);
    let measured_gain = sensors.iter().find(|entry| {
        *entry.rig == *frame.rig
            && *entry.camera == *frame.camera.name
            && entry.gain == frame.camera.gain.map(|gain| gain.get())
            && entry.gain_e_per_adu.is_some()
    });
    let gain = measured_gain.and_then(|entry| entry.gain_e_per_adu);
    let noise = measured_gain.and_then(|entry| entry.read_noise_e);
    Some(Light {
        electrons_per_adu: gain
            .or(profile.map(|sensor| sensor.electrons_per_adu))
            .or(stated),
        read_noise_e: noise.or(profile.map(|sensor| sensor.read_noise_e)),
        fingerprint,
        entry,
        frame,
        measured,
        airmass: air(),
        scale: pixel_scale(frame),
    })
}

impl Standing {
    fn judge(
        &mut self,
        known: &Known<'_>,
        lights: &[&Light<'_>],
        stray: Option<Stray>,
        profile: &Profile,
        before: &[Conditions],
    ) {
        let subframes: Vec<Subframe<'_>> = lights
            .iter()
            .map(|light| Subframe {
                measured: light.measured,
                start: light.frame.start,
                exposure: light.frame.exposure,
                air_mass: light.airmass,
                pixel_scale: light.scale,
                size: (light.frame.camera.width, light.frame.camera.height),
            })
            .collect();
        let usual = lights.first().and_then(|light| usual(light.frame, before));
        let mut judged = verdicts(&subframes, usual.as_ref(), &profile.verdict);
        let pointing_limit = profile.verdict.pointing_fraction;
        let strayed = stray.and_then(|stray| stray.finding(pointing_limit));
        if let Some(finding) = strayed {
            for light in &mut judged {
                let others = |finding: &Finding| finding.reason != SetAside::OffTarget;
                light.findings.retain(others);
                light.findings.push(finding);
            }
        }
        let course = Course::of(&subframes, &judged);
        let standings: Vec<LightStanding> = lights
            .iter()
            .zip(&judged)
            .map(|(light, judged)| light.standing(judged))
            .collect();
        if let Some(mut group) = group(known, lights, &standings, &course) {
            // A line has no colour to balance.
            if profile.passbands.contains_key(&group.filter) {
                group.channel_lines.clear();
            }
            // A wrong place is nothing to show, and none to take advice from.
            if strayed.is_some() {
                group.best = None;
                group.advice.clear();
            }
            let target = group.target.as_deref().unwrap_or("no target");
            let name = format!("{}, {target}, {}", group.rig, group.filter);
            if let Some(warning) = course.warning() {
                self.warnings.push(format!("{name}: {warning}"));
            }
            let step = focus_step(&subframes, &judged, &profile.verdict);
            if let Some(step) = step.filter(|_| strayed.is_none())
                && let Some(start) = lights[step.before].frame.start
            {
                let warning = step.warning(&clock(start, &known.settings.site.time_zone));
                self.warnings.push(format!("{name}: {warning}"));
            }
            if let Some(warning) = stray.and_then(|stray| stray.warning(pointing_limit)) {
                let files: Vec<_> = lights.iter().map(|light| &light.entry.file).collect();
                let files = example(&files, "light");
                self.warnings.push(format!("{name}: {files} {warning}"));
            }
            self.groups.push(group);
        }
        let prints = lights.iter().map(|light| light.fingerprint);
        self.lights.extend(prints.zip(standings));
    }
}

impl Light<'_> {
    fn standing(&self, judged: &Judged) -> LightStanding {
        let found = self.measured;
        let shape = found.stars.shape;
        let number = |value: f32, decimals| rounded(f64::from(value), decimals);
        let relative = judged.relative;
        let shift = relative.map(|relative| relative.shift_px);
        let arcsec = |pixels: f64| Some(rounded(self.scale? * pixels, 3));
        let sky = || {
            let electrons = self.electrons_per_adu? * found.background_adu;
            let exposure = self.frame.exposure.get();
            (exposure > 0.0).then(|| rounded(electrons / exposure, 4))
        };
        let findings: Vec<Finding> = judged
            .findings
            .iter()
            .map(|finding| Finding {
                reason: finding.reason,
                value: rounded(finding.value, 4),
                limit: rounded(finding.limit, 4),
                beyond_sd: finding.beyond_sd.map(|sd| rounded(sd, 1)),
                gauge: finding.gauge,
            })
            .collect();
        LightStanding {
            measures: Measures {
                background_adu: rounded(found.background_adu, 3),
                noise_adu: rounded(found.noise_adu, 3),
                noise_e: self
                    .electrons_per_adu
                    .map(|gain| rounded(gain * found.noise_adu, 3)),
                gradient_adu: Some(rounded(found.gradient_adu, 3)),
                stars: Some(found.stars.count),
                fwhm_px: shape.map(|shape| number(shape.fwhm_px, 3)),
                fwhm_arcsec: shape.and_then(|shape| arcsec(f64::from(shape.fwhm_px))),
                fwhm_spread_px: shape.map(|_| number(found.stars.fwhm_spread_px, 3)),
                half_flux_px: shape.map(|shape| number(shape.half_flux_px, 3)),
                elongation: shape.map(|shape| number(shape.elongation, 3)),
                elongation_angle_deg: shape.map(|shape| number(shape.angle_deg, 1)),
                elongation_spread: shape.map(|_| number(found.stars.elongation_spread, 3)),
                transparency: relative.map(|relative| rounded(relative.transparency, 4)),
                shift_x_px: shift.map(|(x, _)| rounded(x, 2)),
                shift_y_px: shift.map(|(_, y)| rounded(y, 2)),
                shift_arcsec: shift.and_then(|(x, y)| arcsec(x.hypot(y))),
                rotation_deg: relative.map(|relative| rounded(relative.rotation_deg, 3)),
                scale: relative.map(|relative| rounded(relative.scale, 5)),
                airmass: self.airmass.map(|air| rounded(air, 3)),
                sky_e_per_s: sky(),
            },
            sky: found
                .sky
                .iter()
                .map(|sky| ColourSky {
                    colour: sky.colour,
                    level_adu: rounded(sky.level_adu, 3),
                    noise_adu: rounded(sky.noise_adu, 3),
                })
                .collect(),
            findings,
            trails: found.trails.clone(),
        }
    }
}
