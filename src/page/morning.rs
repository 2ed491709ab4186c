//! The morning page: one night on one sheet.

use std::collections::BTreeMap;

use askama::Template;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::account::{Field, Master, Sensor, field, master, master_rows, master_title, sensor};
use super::axis::{Band, Hour, TimeAxis};
use super::chart::{Chart, charts};
use super::glance::Glance;
use super::lists::{self, CalibrationRow, LightRow, Notes, PlainGroup, shared_folder};
use super::mark::Sub;
use super::text::{
    base64, clock, exposure, filter_word, name, night_words, number, path, sentence, target_word,
};
use super::timeline::Timeline;
use crate::facts::{Ledger, NightState, SessionLog, Site};
use crate::night::{Spell, spells};

/// What the page tells of a night beyond its log.
#[derive(Clone, Debug)]
pub struct NightFacts {
    /// The site's name.
    pub site: String,
    /// Times of day are told in it.
    pub time_zone: TimeZone,
    /// The sky's light from noon to noon.
    pub sky: Vec<Spell>,
    /// The night before this that has a page.
    pub previous: Option<Date>,
    /// The night after this that has a page.
    pub next: Option<Date>,
}

impl NightFacts {
    /// The facts of a night at a site. `previous` and `next` are its neighbours with pages.
    pub fn new(site: &Site, night: Date, previous: Option<Date>, next: Option<Date>) -> Self {
        Self {
            site: site.name.clone(),
            time_zone: site.time_zone.clone(),
            sky: spells(site, night),
            previous,
            next,
        }
    }
}

/// A small picture of a product.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Preview {
    /// The light's or master's path relative to the output folder, as the log has it; the page
    /// takes the words and the link from that entry. Pictures of anything else are left out.
    pub product: String,
    /// What is to be said of the picture itself; may be empty.
    pub note: String,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// The picture as JPEG.
    pub jpeg: Vec<u8>,
}

#[derive(Template)]
#[template(path = "morning.html", config = "src/page/askama.toml")]
struct Page {
    title: String,
    site: String,
    home: &'static str,
    night: String,
    state: &'static str,
    previous: Option<Date>,
    next: Option<Date>,
    glance: Glance,
    timeline: Timeline,
    rigs: Vec<RigCharts>,
    bands: Vec<Band>,
    hours: Vec<Hour>,
    fields: Vec<Field>,
    masters: Vec<Master>,
    sensors: Vec<Sensor>,
    pictures: Vec<Figure>,
    master_pictures: Vec<Figure>,
    ledger: Ledger,
    arcseconds: bool,
    lights: Vec<LightRow>,
    light_notes: Notes,
    light_folder: String,
    calibration: Vec<CalibrationRow>,
    calibration_notes: Notes,
    calibration_folder: String,
    refused: Vec<PlainGroup>,
    ignored: Vec<PlainGroup>,
}

struct RigCharts {
    rig: String,
    charts: Vec<Chart>,
}

struct Figure {
    is_light: bool,
    anchor: String,
    title: String,
    words: String,
    note: String,
    width: usize,
    height: usize,
    data: String,
}

/// The page of a night, to lie at `nights/<night>/morning.html` in the output folder. Pictures
/// are shown in the order given.
pub fn morning(log: &SessionLog, facts: &NightFacts, previews: &[Preview]) -> String {
    let subs = log.lights.iter().enumerate();
    let subs: Vec<Sub<'_>> = subs.map(|(at, light)| Sub::new(at, light)).collect();
    let axis = TimeAxis::new(&subs, facts);
    let rows = master_rows(log);
    let [mut light_notes, mut calibration_notes] = ["l", "c"].map(Notes::new);
    let figures = previews
        .iter()
        .filter_map(|preview| figure(log, facts, preview));
    let (pictures, master_pictures) = figures.partition(|figure| figure.is_light);
    let night = night_words(&log.night);
    let site = name(&facts.site);
    let page = Page {
        title: format!("{site}, night of {night}"),
        site,
        home: "../../",
        night,
        state: match log.state {
            NightState::Open => "still open",
            NightState::Closed => "closed",
        },
        previous: facts.previous,
        next: facts.next,
        glance: Glance::new(log, &subs, facts),
        timeline: Timeline::new(log, &subs, &axis, facts),
        rigs: rigs(&subs, &axis, facts),
        bands: axis.bands(facts),
        hours: axis.hours(facts),
        fields: log.groups.iter().map(field).collect(),
        masters: log.masters.iter().map(master).collect(),
        sensors: log.sensors.iter().map(sensor).collect(),
        pictures,
        master_pictures,
        ledger: log.ledger,
        arcseconds: lists::has_arcseconds(&subs),
        lights: lists::lights(&subs, &rows, facts, &mut light_notes),
        light_notes,
        light_folder: path(shared_folder(log.lights.iter().map(|light| &*light.file))),
        calibration: lists::calibration(&log.calibration, &rows, facts, &mut calibration_notes),
        calibration_notes,
        calibration_folder: path(shared_folder(
            log.calibration.iter().map(|frame| &*frame.file),
        )),
        refused: lists::plain(&log.refused),
        ignored: lists::plain(&log.ignored),
    };
    written(&page)
}

/// A template's text.
#[allow(
    clippy::expect_used,
    reason = "the only failure is that of writing to a String, which cannot fail"
)]
pub(super) fn written(page: &impl Template) -> String {
    page.render().expect("writing to a String cannot fail")
}

fn rigs(subs: &[Sub<'_>], axis: &TimeAxis, facts: &NightFacts) -> Vec<RigCharts> {
    let mut rigs: BTreeMap<&str, Vec<&Sub<'_>>> = BTreeMap::new();
    for sub in subs {
        rigs.entry(&sub.light.rig).or_default().push(sub);
    }
    let rigs = rigs.into_iter().map(|(rig, subs)| RigCharts {
        rig: name(rig),
        charts: charts(&subs, axis, facts),
    });
    rigs.filter(|rig| !rig.charts.is_empty()).collect()
}

fn figure(log: &SessionLog, facts: &NightFacts, preview: &Preview) -> Option<Figure> {
    let is_it = |product: &Option<String>| product.as_ref() == Some(&preview.product);
    let light = log.lights.iter().position(|light| is_it(&light.product));
    let (anchor, title, words) = match light {
        Some(at) => {
            let sub = Sub::new(at, &log.lights[at]);
            let light = sub.light;
            let width = light.measures.and_then(|measures| measures.fwhm_px);
            let width = width.map_or(String::new(), |px| format!(", FWHM {} px", number(px, 2)));
            let start = sub.start.map(|at| clock(at, &facts.time_zone) + ", ");
            let target = target_word(light.target.as_deref().unwrap_or_default());
            (
                format!("l{at}"),
                format!("{target}, {}", filter_word(&light.filter)),
                format!(
                    "{}{} s{width}",
                    start.unwrap_or_default(),
                    exposure(light.exposure_s)
                ),
            )
        }
        None => {
            let masters = &log.masters;
            let at = masters
                .iter()
                .position(|master| master.product == preview.product)?;
            let rig = name(&masters[at].rig);
            let words = match masters[at].frames_used {
                Some(frames) => format!("master of {frames} on {rig}"),
                None => format!("supplied master on {rig}"),
            };
            (format!("m{at}"), master_title(&masters[at]), words)
        }
    };
    Some(Figure {
        is_light: light.is_some(),
        anchor,
        title,
        words,
        note: sentence(&preview.note),
        width: preview.width,
        height: preview.height,
        data: base64(&preview.jpeg),
    })
}
