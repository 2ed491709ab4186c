//! What a night has to say of the sensors, and their history over all nights.
//!
//! Entries of an earlier log stay where files of their rig are not known any more, as the files'
//! entries do.
//!
//! It does not know which frames were measured, nor decides whether darks are needed.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::compose::known;
use super::text::rounded;
use crate::facts::{
    ColourGain, DarkCheck, DarkCheckEntry, DarkSet, DarkSignal, Estimate, Need, Plan,
    SENSORS_SCHEMA, SensorEntry, SensorFigures, SensorHistory, SensorNight, SensorNights,
    SensorState, SessionLog, Setting, Snapshot,
};
use crate::measure::sensor::{PhotonTransfer, dark_charge, photon_transfer};

/// The entries of a night, by rig, camera, gain, exposure and temperature.
pub fn sensors(snapshot: &Snapshot, plan: &Plan, night: Date) -> Vec<SensorEntry> {
    let states = plan.sensors.iter().filter(|state| state.night == night);
    let mut entries: Vec<SensorEntry> = states.map(|state| entry(snapshot, state)).collect();
    entries.sort_by(order);
    entries
}

/// The entries of a night, and those of its earlier log that stay.
pub(super) fn with_earlier(
    entries: &[SensorEntry],
    snapshot: &Snapshot,
    previous: Option<&SessionLog>,
) -> Vec<SensorEntry> {
    let mut entries = entries.to_vec();
    if let Some(previous) = previous {
        let is_lost = |rig: &str| {
            let lights = previous.lights.iter();
            let lights = lights.map(|light| (&light.rig, &light.watch, &light.file));
            let frames = previous.calibration.iter();
            let mut files =
                lights.chain(frames.map(|frame| (&frame.rig, &frame.watch, &frame.file)));
            files.any(|(of, watch, file)| of == rig && known(snapshot, watch, file).is_none())
        };
        let kept = previous.sensors.iter().filter(|old| {
            let stays = !entries.iter().any(|new| order(new, old).is_eq());
            stays && is_lost(&old.rig)
        });
        let kept: Vec<SensorEntry> = kept.cloned().collect();
        entries.extend(kept);
    }
    entries.sort_by(order);
    entries
}

/// What tells the entries of a night apart.
fn order(a: &SensorEntry, b: &SensorEntry) -> std::cmp::Ordering {
    let number = |x: Option<f64>, y: Option<f64>| {
        let low = f64::NEG_INFINITY;
        x.unwrap_or(low).total_cmp(&y.unwrap_or(low))
    };
    let words = |entry: &SensorEntry| (entry.rig.clone(), entry.camera.clone());
    words(a)
        .cmp(&words(b))
        .then(number(a.gain, b.gain))
        .then(number(a.offset, b.offset))
        .then_with(|| a.readout_mode.cmp(&b.readout_mode))
        .then(a.binning.cmp(&b.binning))
        .then(number(a.exposure_s, b.exposure_s))
        .then(number(a.temperature_c, b.temperature_c))
}

fn entry(snapshot: &Snapshot, state: &SensorState) -> SensorEntry {
    let camera = &state.camera;
    let mut entry = SensorEntry {
        rig: state.rig.clone(),
        camera: camera.name.to_string(),
        gain: camera.gain.map(Setting::get),
        offset: camera.offset.map(Setting::get),
        readout_mode: camera.readout_mode.as_ref().map(ToString::to_string),
        binning: Some([camera.binning.0, camera.binning.1]),
        ..SensorEntry::default()
    };
    let transfer = state.transfer.and_then(|(key, night)| {
        entry.flats_of = Some(night.to_string());
        match snapshot.sensors.get(&key)? {
            SensorFigures::Transfer(transfer) => photon_transfer(transfer),
            SensorFigures::Dark(_) => None,
        }
    });
    if let Some(transfer) = &transfer {
        gain(&mut entry, transfer);
    }
    if let Some(set) = state.dark
        && let Some(SensorFigures::Dark(dark)) = snapshot.sensors.get(&set.key)
    {
        darks(&mut entry, transfer.as_ref(), set, dark);
    }
    if let Some(verdict) = &state.verdict {
        entry.darks = Some(verdict.need);
        entry.dark_verdict = verdict.to_string();
        let check = |check: &DarkCheck| DarkCheckEntry {
            effect: check.effect,
            value: rounded(check.value, 6),
            limit: rounded(check.limit, 6),
        };
        entry.dark_checks = verdict.checks.iter().map(check).collect();
    }
    entry
}

/// Value and error to so many decimals.
fn both(estimate: Estimate, decimals: i32) -> (Option<f64>, Option<f64>) {
    let Estimate { value, error } = estimate;
    (
        Some(rounded(value, decimals)),
        Some(rounded(error, decimals)),
    )
}

fn gain(entry: &mut SensorEntry, found: &PhotonTransfer) {
    (entry.gain_e_per_adu, entry.gain_error_e_per_adu) = both(found.electrons_per_adu, 6);
    (entry.read_noise_e, entry.read_noise_error_e) = both(found.read_noise_e, 5);
    if let Some(linearity) = found.linearity {
        (entry.linearity, entry.linearity_error) = both(linearity, 6);
    }
    let of_colour = |(colour, gain): &(_, Estimate)| ColourGain {
        colour: *colour,
        gain_e_per_adu: rounded(gain.value, 6),
        gain_error_e_per_adu: rounded(gain.error, 6),
    };
    entry.colours = found.colours.iter().map(of_colour).collect();
}

fn darks(
    entry: &mut SensorEntry,
    transfer: Option<&PhotonTransfer>,
    set: DarkSet,
    dark: &DarkSignal,
) {
    entry.darks_of = Some(set.night.to_string());
    entry.exposure_s = Some(set.exposure.get());
    entry.temperature_c = set.temperature.map(|t| rounded(t.get(), 2));
    let hot = both(dark.hot_per_megapixel, 1);
    (
        entry.hot_pixels_per_megapixel,
        entry.hot_pixels_error_per_megapixel,
    ) = hot;
    let Some(gain) = transfer.map(|transfer| transfer.electrons_per_adu) else {
        return;
    };
    let seconds = set.exposure.get();
    if seconds > 0.0 {
        let per_second = |electrons: Estimate| both(electrons.times(1.0 / seconds), 7);
        let [current, level] = dark_charge(dark, gain).map(per_second);
        (entry.dark_current_e_per_s, entry.dark_current_error_e_per_s) = current;
        (entry.dark_level_e_per_s, entry.dark_level_error_e_per_s) = level;
        let glow = per_second(dark.glow.by(gain));
        (entry.glow_e_per_s, entry.glow_error_e_per_s) = glow;
    }
}

/// The history, from the entries of all nights: what was measured on the night's own frames. Gain and
/// read noise stand beside the darks of the night, or alone where there are none.
pub fn sensor_history(nights: &BTreeMap<Date, Vec<SensorEntry>>) -> SensorHistory {
    let mut lists: Vec<SensorNights> = Vec::new();
    for (night, entries) in nights {
        let night = night.to_string();
        let own = |date: &Option<String>| date.as_ref() == Some(&night);
        let (with_darks, others): (Vec<_>, Vec<_>) = entries
            .iter()
            .cloned()
            .partition(|entry| own(&entry.darks_of));
        let mut lines = with_darks;
        for entry in others.into_iter().filter(|entry| own(&entry.flats_of)) {
            let alike = |line: &SensorEntry| {
                line.flats_of == entry.flats_of && is_same_readout(line, &entry)
            };
            if !lines.iter().any(alike) {
                lines.push(without_darks(entry));
            }
        }
        for entry in lines {
            let (rig, camera, gain) = (entry.rig.clone(), entry.camera.clone(), entry.gain);
            let line = SensorNight {
                night: night.clone(),
                entry: SensorEntry {
                    rig: String::new(),
                    camera: String::new(),
                    gain: None,
                    ..entry
                },
            };
            let is_it = |list: &&mut SensorNights| {
                (&list.rig, &list.camera, list.gain) == (&rig, &camera, gain)
            };
            match lists.iter_mut().find(is_it) {
                Some(list) => list.nights.push(line),
                None => lists.push(SensorNights {
                    rig,
                    camera,
                    gain,
                    nights: vec![line],
                }),
            }
        }
    }
    lists.sort_by(|a, b| {
        let words = (&a.rig, &a.camera).cmp(&(&b.rig, &b.camera));
        let gain = |list: &SensorNights| list.gain.unwrap_or(f64::NEG_INFINITY);
        words.then(gain(a).total_cmp(&gain(b)))
    });
    SensorHistory {
        schema: SENSORS_SCHEMA.to_owned(),
        sensors: lists,
    }
}

/// Do two entries speak of one rig, camera and readout?
fn is_same_readout(a: &SensorEntry, b: &SensorEntry) -> bool {
    (&a.rig, &a.camera, a.gain, a.offset) == (&b.rig, &b.camera, b.gain, b.offset)
        && (&a.readout_mode, a.binning) == (&b.readout_mode, b.binning)
}

/// What an entry says of bias and flats alone.
fn without_darks(entry: SensorEntry) -> SensorEntry {
    SensorEntry {
        rig: entry.rig,
        camera: entry.camera,
        gain: entry.gain,
        offset: entry.offset,
        readout_mode: entry.readout_mode,
        binning: entry.binning,
        flats_of: entry.flats_of,
        gain_e_per_adu: entry.gain_e_per_adu,
        gain_error_e_per_adu: entry.gain_error_e_per_adu,
        colours: entry.colours,
        read_noise_e: entry.read_noise_e,
        read_noise_error_e: entry.read_noise_error_e,
        linearity: entry.linearity,
        linearity_error: entry.linearity_error,
        ..SensorEntry::default()
    }
}

/// For each verdict on darks a line or two: what asks for them, else what comes nearest to its limit.
pub(super) fn in_brief(entries: &[SensorEntry]) -> Vec<String> {
    entries.iter().filter_map(brief).collect()
}

fn brief(entry: &SensorEntry) -> Option<String> {
    let need = entry.darks?;
    let of = |check: &DarkCheckEntry| check.value / check.limit;
    let words = |entry: &DarkCheckEntry| {
        let check = DarkCheck {
            effect: entry.effect,
            value: entry.value,
            limit: entry.limit,
        };
        check.to_string()
    };
    let checks = entry.dark_checks.iter();
    let why = match need {
        Need::Needed if !entry.dark_checks.is_empty() => {
            let above: Vec<String> = checks.filter(|check| of(check) > 1.0).map(words).collect();
            above.join("; ")
        }
        Need::NotNeeded => {
            let nearest = checks.max_by(|a, b| of(a).total_cmp(&of(b)));
            nearest.map_or(String::new(), |check| format!("nearest: {}", words(check)))
        }
        // After the colon stands what is missing, or speaks for them.
        Need::Needed | Need::Unknown => entry
            .dark_verdict
            .split_once(": ")
            .map_or("", |(_, why)| why)
            .to_owned(),
    };
    let answer = match need {
        Need::Needed => "needed",
        Need::NotNeeded => "not needed",
        Need::Unknown => "not known whether needed",
    };
    let at = [
        entry.exposure_s.map(|exposure| format!("{exposure} s")),
        entry.temperature_c.map(|t| format!("{t} C")),
        entry.gain.map(|gain| format!("gain {gain}")),
    ];
    let at: Vec<String> = at.into_iter().flatten().collect();
    Some(format!("{}, {}: {answer}; {why}", entry.rig, at.join(", ")))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;
    use crate::night::scene;

    #[test]
    fn a_verdict_in_brief_names_what_matters() {
        let mut entry = scene::sensor();
        let text = |entry: &SensorEntry| in_brief(std::slice::from_ref(entry)).remove(0);
        let at = "south-pier, 180 s, -5 C, gain 120";
        let needed = format!(
            "{at}: needed; glow 1.00 e-, limit 0.50 e-; 250 hot pixels per megapixel, limit 100"
        );
        assert_eq!(text(&entry), needed);
        entry.darks = Some(Need::NotNeeded);
        entry.dark_checks.truncate(1);
        let nearest = format!("{at}: not needed; nearest: fixed pattern 0.10 e-, limit 0.50 e-");
        assert_eq!(text(&entry), nearest);
        entry.darks = Some(Need::Unknown);
        entry.dark_verdict =
            "whether darks are needed is not known: two flat frames settle it".to_owned();
        let missing = format!("{at}: not known whether needed; two flat frames settle it");
        assert_eq!(text(&entry), missing);
        entry.darks = None;
        assert!(in_brief(&[entry]).is_empty());
    }

    /// A night that only leans on earlier frames adds no line.
    #[test]
    fn the_history_lists_what_was_measured() {
        let mut nights = BTreeMap::new();
        let other = SensorEntry {
            gain: Some(0.0),
            ..scene::sensor()
        };
        for date in ["2026-08-14", "2026-08-20", "2026-09-05"] {
            nights.insert(date.parse().unwrap(), vec![scene::sensor(), other.clone()]);
        }
        let history = sensor_history(&nights);
        let gains: Vec<_> = history.sensors.iter().map(|list| list.gain).collect();
        assert_eq!(gains, [Some(0.0), Some(120.0)]);
        for list in &history.sensors {
            let dates: Vec<&str> = list.nights.iter().map(|line| &*line.night).collect();
            assert_eq!(dates, ["2026-08-14", "2026-09-05"]);
            let current = |line: &SensorNight| line.entry.dark_current_e_per_s;
            let currents: Vec<_> = list.nights.iter().map(current).collect();
            assert_eq!(currents, [Some(0.0125), None]);
        }
        let text = crate::night::sensors_yaml(&history);
        assert!(
            text.contains("    nights:\n      - night: \"2026-08-14\"\n        flats_of:"),
            "{text}"
        );
        assert_eq!(
            serde_yaml::from_str::<SensorHistory>(&text).unwrap(),
            history
        );
    }

    /// The raw files have gone to storage, and the catalogue was lost.
    #[test]
    fn entries_stay_where_their_files_are_not_known_any_more() {
        let mut log = scene::full_log();
        log.sensors.push(SensorEntry {
            rig: "north-pier".to_owned(),
            ..scene::sensor()
        });
        let night = log.night.parse().unwrap();
        let none = sensors(&Snapshot::default(), &Plan::default(), night);
        let kept = with_earlier(&none, &Snapshot::default(), Some(&log));
        // Files of the north pier alone are named in the log.
        assert_eq!(kept, log.sensors[1..]);
        log.calibration.clear();
        log.lights.clear();
        assert_eq!(with_earlier(&none, &Snapshot::default(), Some(&log)), []);
    }
}
