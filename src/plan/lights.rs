//! A rig's lights find their masters.

mod alike;

use std::collections::BTreeMap;

use jiff::civil::Date;
use rayon::prelude::*;

use alike::Alike;

use super::cast::Member;
use super::matching::Want;
use super::rig::{Lack, Pick, Rig};
use super::shoot::{Needs, Waiting};
use super::tonight::Tonight;
use super::{black, names, supplied};
use crate::facts::{
    Celsius, Digest, Extras, Fingerprint, Kind, LightFacts, LightRecipe, LightSamples, LightState,
    LineRecipe, Made, Passband, Recipe, Shoot, Task, Wait, line_of,
};
use crate::measure::colour::{diagonal, single_line_caution};

/// A header's electrons per ADU may differ from the profile's by this part: one is a nominal value, the
/// other a measured one.
const GAIN_TOLERANCE: f64 = 0.1;

/// What becomes of the lights of a night, and what comes of that.
#[derive(Default)]
struct OfNight {
    states: Vec<(usize, LightState)>,
    /// As [`crate::facts::Plan::lines`].
    lines: BTreeMap<usize, BTreeMap<String, Fingerprint>>,
    tasks: Vec<Task>,
    needed: Vec<(Shoot, Waiting)>,
    warnings: Vec<String>,
}

impl OfNight {
    /// Notes odd things, each once.
    fn warn(&mut self, texts: impl IntoIterator<Item = String>) {
        for text in texts {
            if !self.warnings.contains(&text) {
                self.warnings.push(text);
            }
        }
    }
}

impl<'a> Rig<'a, '_> {
    /// The wishes of a light: dark, bias, flat.
    pub(super) fn wishes<'m>(&'m self, light: &'m Member<'a>) -> [(Kind, Want<'m>); 3] {
        let frame = light.frame;
        let tolerance = &self.profile().tolerance;
        let base = |kinds: &'static [Kind]| Want {
            kinds,
            camera: &frame.camera,
            exposure: None,
            scaled: false,
            temperature: None,
            flat_for: None,
            moment: light.moment,
            profile: self.profile(),
            site: &self.given.settings.site,
        };
        [
            (
                Kind::Dark,
                Want {
                    exposure: Some((frame.exposure, tolerance.exposure_fraction)),
                    scaled: self.rule(Kind::Dark).is_some_and(|rule| rule.scaled)
                        && !self.holds_black(light),
                    temperature: Some((frame.felt_temperature(), tolerance.temperature_c)),
                    ..base(&[Kind::Dark])
                },
            ),
            (Kind::Bias, base(&[Kind::Bias])),
            (
                Kind::Flat,
                Want {
                    flat_for: Some(frame),
                    ..base(&[Kind::Flat])
                },
            ),
        ]
    }

    fn light_recipe(&self, light: &Member<'a>) -> Result<LightRecipe, Lack> {
        let frame = light.frame;
        // Asked for at the set-point where there is one: that is what the person sets.
        let at = frame.set_point.or_else(|| {
            frame
                .temperature
                .and_then(|measured| Celsius::new(measured.get().round()))
        });
        let [(_, dark), (_, bias), (_, flat)] = self.wishes(light);
        let mut subtract = None;
        if self.wants_dark(light) {
            match self.pick(&dark, Kind::Dark, at) {
                Pick::Found(used) => subtract = Some(used),
                Pick::None(lack) if self.holds_black(light) => return Err(lack.because(black::WHY)),
                Pick::None(lack) if self.requires(Kind::Dark) => return Err(lack),
                Pick::None(_) => {}
            }
        }
        let subtract = match subtract {
            Some(used) => used,
            // A flat divides what is left of the light without its pedestal: there is no way
            // around the bias where no dark is used.
            None => match self.pick(&bias, Kind::Bias, None) {
                Pick::Found(used) => used,
                Pick::None(lack) => return Err(lack),
            },
        };
        let products = &self.profile().products;
        let uncertainty = self.profile().sensor.filter(|_| products.uncertainty);
        let mut pedestal = None;
        if subtract.scale.is_some()
            || subtract.kind == Kind::Dark && uncertainty.is_some() && self.wants(Kind::Bias)
        {
            match self.pick(&bias, Kind::Bias, None) {
                Pick::Found(used) => pedestal = Some(used),
                Pick::None(lack) if subtract.scale.is_some() => return Err(lack),
                // A light's charge without its bias is only guessed; better than no light.
                Pick::None(_) => {}
            }
        }
        let mut divide = None;
        if self.wants(Kind::Flat) {
            match self.pick(&flat, Kind::Flat, None) {
                Pick::Found(used) => divide = Some(used),
                Pick::None(lack) if self.requires(Kind::Flat) => return Err(lack),
                Pick::None(_) => {}
            }
        }
        Ok(LightRecipe {
            input: light.input(),
            facts: LightFacts {
                rig: frame.rig.clone(),
                camera: frame.camera.clone(),
                night: light.night,
                filter: frame.filter.clone(),
                target: frame.target.clone(),
                exposure: frame.exposure,
                start: light.moment,
            },
            subtract,
            pedestal,
            divide,
            extras: Extras {
                mask: products.mask.then_some(light.saturation),
                uncertainty,
                repair: products.repair,
                samples: products.samples,
            },
        })
    }

    /// Says of which nights' flats the label of the colour filter array is wrong: the first of each.
    fn check_labels(&mut self) {
        let mut told = BTreeMap::new();
        for flat in self.cast.calibration.get(&Kind::Flat).into_iter().flatten() {
            let camera = &flat.frame.camera;
            let size = (camera.width as usize, camera.height as usize);
            let found = camera.cfa.and_then(|cfa| diagonal(flat.sample, size, cfa));
            if let Some(caution) = found.and_then(|found| found.caution()) {
                let first = told
                    .entry(flat.night)
                    .or_insert((flat.moment, caution.clone()));
                *first = first.clone().min((flat.moment, caution));
            }
        }
        for (night, (_, caution)) in told {
            self.warn(night, &caution);
        }
    }

    /// Plans all lights, each night by itself.
    pub(super) fn lights(&mut self, needs: &mut Needs) {
        self.check_labels();
        let faults = self.faults();
        let rig = &*self;
        let nights: Vec<&[Member<'a>]> = self.cast.nights().collect();
        let night = |lights: &&[Member<'a>]| rig.night(lights, &faults);
        let outcomes: Vec<OfNight> = nights.par_iter().map(night).collect();
        for (lights, outcome) in nights.into_iter().zip(outcomes) {
            let OfNight {
                states,
                lines,
                tasks,
                needed,
                warnings,
            } = outcome;
            self.plan.lights.extend(states);
            self.plan.lines.extend(lines);
            self.plan.tasks.extend(tasks);
            for warning in warnings {
                self.warn(lights[0].night, &warning);
            }
            for (shoot, waiting) in needed {
                needs.add(lights[0].night, shoot, waiting);
            }
        }
    }

    /// What becomes of the lights of one night.
    fn night(&self, lights: &[Member<'a>], faults: &[String]) -> OfNight {
        let mut outcome = OfNight {
            states: Vec::with_capacity(lights.len()),
            ..OfNight::default()
        };
        let mut tonight = Tonight::default();
        for light in lights {
            let alike = tonight.of(light, || None);
            let state = match alike.as_ref().and_then(|alike| self.like(alike, light)) {
                Some(state) => state,
                None => self.by_itself(light, faults, alike, &mut outcome),
            };
            outcome.states.push((light.index, state));
        }
        outcome
    }

    /// What becomes of a light by itself. Where others of its night may be alike, that is noted.
    fn by_itself(
        &self,
        light: &Member<'a>,
        faults: &[String],
        alike: &mut Option<Alike>,
        outcome: &mut OfNight,
    ) -> LightState {
        outcome.warn(faults.iter().cloned());
        let earliest = self.cast.lights.first();
        let other_gain = earliest.and_then(|earliest| self.other_gain(light, earliest));
        outcome.warn(other_gain);
        if let Some(wait) = self.awaits_verdict(light) {
            return match self.last_product(light.digest) {
                Some(print) => LightState::Calibrated(print),
                None => LightState::Waiting(Box::new(wait)),
            };
        }
        let passbands = self.passbands(light);
        let caution = single_line_caution(&light.frame.filter, &passbands);
        outcome.warn(caution);
        match self.light_recipe(light) {
            Ok(recipe) => {
                *alike = self.alike(light, &recipe);
                for passband in passbands.iter().filter(|_| passbands.len() > 1) {
                    self.line(light, &recipe, passband, outcome);
                }
                if let Some(k) = recipe.subtract.scale.filter(|&k| k > 1.0) {
                    outcome.warn([format!(
                        "lights of {} have no dark that is as long; a shorter one is scaled up by {k:.4}, and its noise with it",
                        recipe.facts.exposure
                    )]);
                }
                self.light(light, recipe, outcome)
            }
            // Nothing is to be shot for a light that is gone: it could not be calibrated.
            Err(lack) if !light.entry.present => match self.last_product(light.digest) {
                Some(print) => LightState::Calibrated(print),
                None => LightState::Waiting(lack.wait),
            },
            Err(_) if let Some(made) = self.without_its_master(light.digest) => {
                LightState::Calibrated(made.fingerprint)
            }
            Err(lack) => {
                let target = light.frame.target.as_deref();
                let needed = lack.shoot.map(|shoot| (*shoot, Waiting::light(target)));
                outcome.needed.extend(needed);
                LightState::Waiting(lack.wait)
            }
        }
    }

    /// What speaks against a light having the gain that the profile's `sensor` is given for: what its
    /// header says, else a gain setting that is not that of the rig's earliest light.
    fn other_gain(&self, light: &Member<'a>, earliest: &Member<'a>) -> Option<String> {
        let said = self.profile().sensor?.electrons_per_adu;
        if let Some(stated) = light.frame.electrons_per_adu {
            return ((stated / said - 1.0).abs() > GAIN_TOLERANCE).then(|| {
                format!("lights say {stated} electrons per ADU, the profile's `sensor` says {said}")
            });
        }
        let (gain, usual) = (light.frame.camera.gain?, earliest.frame.camera.gain?);
        (gain != usual).then(|| {
            format!(
                "lights at gain {gain}, the earliest ones at gain {usual}: the profile's `sensor` holds for one gain only"
            )
        })
    }

    /// The lines that a light's filter passes, where they meet a colour sensor.
    fn passbands(&self, light: &Member<'a>) -> Vec<Passband> {
        let known = self.profile().passbands.get(&*light.frame.filter);
        let known = known.filter(|_| light.frame.camera.cfa.is_some());
        known.cloned().unwrap_or_default()
    }

    /// Plans the plane of one line of a light, where the profile asks for it. What is on file goes on
    /// standing until a better one is.
    fn line(
        &self,
        light: &Member<'a>,
        recipe: &LightRecipe,
        passband: &Passband,
        outcome: &mut OfNight,
    ) {
        if !self.profile().products.split_lines {
            return;
        }
        let facts = recipe.facts.clone();
        let mut calibrated = recipe.clone();
        calibrated.extras.uncertainty = None;
        calibrated.extras.samples = LightSamples::Real;
        // Flags serve repairs here; the plane has none of its own.
        calibrated.extras.mask = recipe.extras.mask.filter(|_| recipe.extras.repair);
        let recipe = Recipe::Line(LineRecipe {
            light: calibrated,
            passband: passband.clone(),
        });
        let fingerprint = self.light_print(light, &recipe);
        let made = &self.given.snapshot.made;
        let mut lines = made.each(made.lines_of(light.digest));
        let is_line = |made: &&Made| line_of(&made.method) == Some(passband.line.as_str());
        let last = lines.find(is_line);
        let standing = match self.given.snapshot.made.contains(&fingerprint) {
            true => Some(fingerprint),
            false => last.map(|made| made.fingerprint),
        };
        if let Some(standing) = standing {
            let lines = outcome.lines.entry(light.index).or_default();
            lines.insert(passband.line.clone(), standing);
        }
        let masters_wait = self.first_pending(&recipe).is_some();
        let can_be_made = light.entry.present
            && standing != Some(fingerprint)
            && !self.given.snapshot.failed.contains_key(&fingerprint)
            && !masters_wait;
        if can_be_made {
            outcome.tasks.push(Task {
                fingerprint,
                product: names::line(&facts, &passband.line, fingerprint),
                supplied: supplied::behind(self.given.snapshot, &recipe),
                recipe,
            });
        }
    }

    /// Notes an odd thing of a night once.
    pub(super) fn warn(&mut self, night: Date, text: &str) {
        let warning = format!("{}: {text}", self.profile().name);
        let warnings = self.plan.warnings.entry(night).or_default();
        if !warnings.contains(&warning) {
            warnings.push(warning);
        }
    }

    fn light(&self, light: &Member<'a>, recipe: LightRecipe, outcome: &mut OfNight) -> LightState {
        let facts = recipe.facts.clone();
        let recipe = Recipe::Light(recipe);
        let fingerprint = self.light_print(light, &recipe);
        if self.calibrated(light.digest).contains(&fingerprint) {
            return LightState::Calibrated(fingerprint);
        }
        let wait = if !light.entry.present {
            Wait::Gone
        } else if let Some(failure) = self.given.snapshot.failed.get(&fingerprint) {
            Wait::Failed(failure.reason.clone())
        } else if let Some(wait) = self.first_pending(&recipe) {
            wait
        } else {
            let product = names::light(&facts, fingerprint);
            outcome.tasks.push(Task {
                fingerprint,
                product,
                supplied: supplied::behind(self.given.snapshot, &recipe),
                recipe,
            });
            Wait::InLine
        };
        // While better masters are on their way, the product on file goes on standing.
        match self.last_product(light.digest) {
            Some(print) => LightState::Calibrated(print),
            None => LightState::Waiting(Box::new(wait)),
        }
    }

    /// The fingerprint of what is made of a light.
    fn light_print(&self, light: &Member<'a>, recipe: &Recipe) -> Fingerprint {
        let work = || recipe.fingerprint();
        self.memory.fingerprint(light.digest, recipe.quick(), work)
    }

    fn last_product(&self, digest: &Digest) -> Option<Fingerprint> {
        self.calibrated(digest).first().copied()
    }

    /// What is on file of a light.
    fn calibrated(&self, digest: &Digest) -> &'a [Fingerprint] {
        self.given.snapshot.made.lights_of(digest)
    }
}
