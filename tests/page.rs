//! The pages, as a reader and as a browser would take them.
//!
//! The pages of an invented night of 300 lights are left in `target/tmp/pages` for looking at.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "page/document.rs"]
mod document;
#[path = "page/scene.rs"]
mod scene;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use dawnledger::facts::{Goals, NightState, NightSummary, RowOrder, SessionLog, Verdict};
use dawnledger::night;
use dawnledger::page::{index, morning, sensors, targets};
use document::{Document, Element};

fn pages() -> Vec<(&'static str, String)> {
    let log = scene::log();
    let history = scene::history();
    vec![
        (
            "nights/2026-11-14/morning.html",
            morning(&log, &scene::facts(), scene::previews()),
        ),
        ("index.html", index(&history, "Skarn Hill")),
        (
            "targets.html",
            targets(&history, &scene::goals(&history), "Skarn Hill"),
        ),
        ("sensors.html", sensors(&history, "Skarn Hill")),
    ]
}

fn page_of(log: &SessionLog) -> String {
    morning(log, &scene::facts(), &[])
}

#[test]
fn pages_are_left_for_looking_at() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
    fs::create_dir_all(folder.join("nights/2026-11-14")).unwrap();
    for (name, page) in pages() {
        fs::write(folder.join(name), page).unwrap();
    }
}

#[test]
fn a_night_of_300_lights_stays_far_below_three_megabytes() {
    let log = scene::log();
    assert_eq!(log.lights.len(), 300);
    let bare = page_of(&log).len();
    let whole = morning(&log, &scene::facts(), scene::previews()).len();
    assert!(bare < 800_000, "{bare} bytes without pictures");
    assert!(whole < 1_500_000, "{whole} bytes with pictures");
}

#[test]
fn pages_are_well_formed_and_reach_for_nothing() {
    for (name, page) in pages() {
        let document = Document::read(&page);
        for element in &document.elements {
            assert!(
                !matches!(&*element.name, "script" | "iframe" | "object" | "form"),
                "{name}"
            );
            for (key, value) in &element.attributes {
                assert!(!key.starts_with("on") && key != "style", "{name}: {key}");
                if matches!(&**key, "href" | "src") {
                    let relative = !value.contains(':') && !value.starts_with("//");
                    let inside = value.starts_with("data:image/jpeg;base64,") || value == "data:,";
                    assert!(relative || inside, "{name}: {value:.80}");
                }
            }
        }
        let style = &document.named("style").next().unwrap().text;
        assert!(
            !style.contains("url(") && !style.contains("@import"),
            "{name}"
        );
        let policy = document
            .named("meta")
            .find(|meta| meta.get("http-equiv") == Some("Content-Security-Policy"));
        assert!(
            policy
                .unwrap()
                .get("content")
                .unwrap()
                .starts_with("default-src 'none';")
        );
    }
}

#[test]
fn every_link_within_a_page_arrives() {
    for (name, page) in pages() {
        let document = Document::read(&page);
        let ids = document.ids();
        let known: BTreeSet<&str> = ids.iter().copied().collect();
        assert_eq!(ids.len(), known.len(), "{name}: an id stands twice");
        for element in &document.elements {
            let link = element.get("href").and_then(|href| href.strip_prefix('#'));
            for id in link.into_iter().chain(element.get("aria-labelledby")) {
                assert!(known.contains(id), "{name}: #{id} leads nowhere");
            }
        }
    }
}

#[test]
fn pages_link_each_other() {
    let pages = pages();
    let names: Vec<&str> = pages.iter().map(|(name, _)| *name).collect();
    for (name, page) in &pages {
        let up = "../".repeat(name.matches('/').count());
        for other in ["index.html", "targets.html", "sensors.html"] {
            assert!(
                page.contains(&format!("href=\"{up}{other}\"")),
                "{name} lacks {other}"
            );
            assert!(names.contains(&other));
        }
    }
    let index = Document::read(&pages[1].1);
    assert!(index.named("a").any(|a| a.get("href") == Some(names[0])));
    let morning = Document::read(&pages[0].1);
    let link = |rel| {
        morning
            .named("a")
            .find(|a| a.get("rel") == Some(rel))
            .unwrap()
    };
    assert_eq!(link("prev").get("href"), Some("../2026-11-11/morning.html"));
    assert_eq!(link("next").get("href"), Some("../2026-11-15/morning.html"));
}

/// What the timeline's marks link to, with the mark; of several marks in a link the first.
fn marks(document: &Document) -> BTreeMap<String, String> {
    let mut marks = BTreeMap::new();
    let mut href = None;
    for element in &document.elements {
        let in_plot = element.around.iter().any(|name| name == "svg");
        match (&*element.name, in_plot) {
            ("a", true) if element.get("tabindex").is_none() => {
                href = element.get("href").map(str::to_owned);
            }
            ("rect", true) => {
                if let Some(href) = href.take() {
                    marks.insert(href, element.get("class").unwrap().to_owned());
                }
            }
            ("use", true) => {
                if let Some(href) = href.take() {
                    let class = element.get("href").unwrap().trim_start_matches("#k-");
                    marks.insert(href, class.to_owned());
                }
            }
            _ => {}
        }
    }
    marks
}

#[test]
fn every_light_has_its_mark_and_its_row() {
    let log = scene::log();
    let document = Document::read(&page_of(&log));
    let marks = marks(&document);
    let of_lights = marks.keys().filter(|href| href.starts_with("#l"));
    assert_eq!(of_lights.count(), log.lights.len());
    for (at, light) in log.lights.iter().enumerate() {
        let wanted = match (&*light.state, light.verdict) {
            ("calibrated", Some(Verdict::SetAside)) => "aside",
            ("calibrated", Some(Verdict::Kept)) => "kept",
            (state, _) => state,
        };
        assert_eq!(marks[&format!("#l{at}")], wanted, "light {at}");
        let row = document.with_id(&format!("l{at}")).unwrap();
        assert_eq!(row.name, "tr");
        let file = light.file.rsplit('/').next().unwrap();
        assert!(row.text.contains(file), "{} does not name {file}", row.text);
        assert_eq!(row.text.contains("limit"), !light.findings.is_empty());
    }
}

#[test]
fn a_file_name_that_stands_twice_is_told_with_its_folder() {
    let mut log = scene::log();
    log.lights[3].file = "2026-11-14/a/dusk.fits".to_owned();
    log.lights[4].file = "2026-11-14/b/dusk.fits".to_owned();
    log.lights[5].file = "2026-11-14/b/dawn.fits".to_owned();
    let document = Document::read(&page_of(&log));
    let files = document
        .named("td")
        .filter(|td| td.has_class("file") && td.get("title").is_some());
    let files: Vec<&Element> = files.collect();
    assert_eq!(files.len(), log.lights.len());
    let told = [3, 4, 5].map(|at| &*files[at].text);
    assert_eq!(told, ["a/dusk.fits", "b/dusk.fits", "dawn.fits"]);
    assert_eq!(files[5].get("title"), Some("2026-11-14/b/dawn.fits"));
}

/// A run of frames is one link to the row of its first; runs outside the hours drawn are links in words.
#[test]
fn calibration_frames_have_their_mark_too() {
    let mut log = scene::log();
    let document = Document::read(&page_of(&log));
    let marks = marks(&document);
    let runs = marks.iter().filter(|(href, _)| href.starts_with("#c"));
    let runs: Vec<(&str, &str)> = runs.map(|(href, mark)| (&**href, &**mark)).collect();
    // Flats through Ha with two left out, flats through L, bias; darks that no rule wants; the other rig's.
    assert_eq!(
        runs,
        [
            ("#c0", "kept"),
            ("#c135", "unjudged"),
            ("#c30", "kept"),
            ("#c60", "kept"),
            ("#c85", "kept")
        ]
    );
    let titles: Vec<&str> = document.named("title").map(|title| &*title.text).collect();
    assert!(
        titles.contains(&"16:20 to 16:24 flat, Ha: 28 used, 2 left out"),
        "{titles:?}"
    );
    for frame in &mut log.calibration[85..135] {
        frame.start_utc = Some("2026-11-15T10:30:00.000Z".to_owned());
    }
    log.calibration[135].start_utc = None;
    let document = Document::read(&page_of(&log));
    let text = |href: &str| {
        let mut links = document.named("a").filter(|a| a.get("href") == Some(href));
        links.next().unwrap().text.clone()
    };
    assert_eq!(text("#c85"), "10:30 bias: 50 used (north-pier)");
    assert_eq!(text("#c135"), "dark: 1 spare (north-pier)");
    for at in 0..log.calibration.len() {
        assert_eq!(document.with_id(&format!("c{at}")).unwrap().name, "tr");
    }
}

#[test]
fn a_light_without_a_time_still_has_its_mark() {
    let mut log = scene::log();
    log.lights[7].start_utc = None;
    log.lights[8].start_utc = Some("yesterday".to_owned());
    let document = Document::read(&page_of(&log));
    for at in [7, 8] {
        let href = format!("#l{at}");
        let mut links = document.named("a").filter(|a| a.get("href") == Some(&href));
        assert!(links.any(|a| a.text.contains("kept") || a.text.contains("set aside")));
    }
}

#[test]
fn verdicts_differ_in_shape_too() {
    let document = Document::read(&page_of(&scene::log()));
    let shape = |class: &str| {
        let id = format!("k-{class}");
        let symbol = document.with_id(&id).unwrap();
        let outline = class == "waiting" || class == "unjudged";
        (
            symbol.name.clone(),
            symbol.get("height").map(str::to_owned),
            outline,
        )
    };
    let classes = ["kept", "unjudged", "aside", "waiting", "refused"];
    let shapes: BTreeSet<_> = classes.map(shape).into_iter().collect();
    assert_eq!(shapes.len(), classes.len(), "{shapes:?}");
}

#[test]
fn the_page_says_what_matters_in_numbers_of_the_log() {
    let log = scene::log();
    let page = page_of(&log);
    let document = Document::read(&page);
    let kept = log
        .lights
        .iter()
        .filter(|light| light.verdict == Some(Verdict::Kept));
    let seconds: f64 = kept.clone().map(|light| light.exposure_s).sum();
    let minutes = (seconds / 60.0).round() as u64;
    let sum = document
        .elements
        .iter()
        .find(|element| element.has_class("sum"))
        .unwrap();
    assert_eq!(
        sum.text,
        format!("{} h {:02} min kept", minutes / 60, minutes % 60)
    );
    let text = &document.named("main").next().unwrap().text;
    assert!(text.contains(&format!("300 lights: {} kept", kept.count())));
    // Flats stand first, with the caution.
    let wish = document
        .named("li")
        .find(|li| li.text.contains("through OIII"))
        .unwrap();
    assert!(
        wish.text.starts_with("20 flats through OIII on north-pier"),
        "{}",
        wish.text
    );
    assert!(wish.text.contains("rotator 123.4 deg"));
    assert!(
        wish.text
            .contains("never point unfiltered optics at the Sun")
    );
    assert_eq!(text.matches("unfiltered optics").count(), 1);
    for warning in &log.warnings {
        assert!(text.contains(warning), "{warning}");
    }
    // Sunset to the minute: the spells are checked against astropy where they are made.
    assert!(text.contains("sunset 16:05"), "local time");
}

#[test]
fn targets_stand_beside_their_goals() {
    let history = scene::history();
    let list = scene::goals(&history);
    let page = targets(&history, &list, "Skarn Hill");
    let document = Document::read(&page);
    let rows: Vec<&Element> = document.named("tr").collect();
    let row = |filter: &str| {
        let mut rows = rows
            .iter()
            .filter(|row| row.text.trim_start().starts_with(filter));
        rows.next().unwrap().text.clone()
    };
    let hours = list.find("Lantern Nebula", "Ha").unwrap();
    let left = night::span(3600.0 * hours.hours_left.unwrap());
    assert!(row("Ha").contains("200 h 00 min"), "{}", row("Ha"));
    assert!(row("Ha").contains(&left), "{}", row("Ha"));
    let ratio = list.find("Skarn Cluster", "L").unwrap();
    let so_far = format!("{:.1} so far", ratio.signal_to_noise.unwrap());
    assert!(row("L").contains("S/N 90at 0.2 e-/s"), "{}", row("L"));
    assert!(row("L").contains(&so_far), "{}", row("L"));
    // Before its first light.
    assert!(row("SII").contains("not known"), "{}", row("SII"));
    // A target without goals has no columns for them.
    let heads = document
        .named("table")
        .filter(|table| table.text.contains("Still missing"));
    assert_eq!(heads.count(), 2);
}

#[test]
fn one_night_stands_at_one_end_of_the_axis() {
    let ends = |briefs: &[NightSummary]| {
        let page = targets(briefs, &scene::goals(briefs), "Skarn Hill");
        let document = Document::read(&page);
        let mut heads = document.named("th").filter(|th| th.has_class("nights"));
        heads.next().unwrap().text.clone()
    };
    let history = scene::history();
    assert_eq!(ends(&history[..1]), "2026-11-14");
    assert_eq!(ends(&history[..2]), "2026-11-11 2026-11-14");
}

/// The row of a table's body that begins with a word, as texts by the words above them.
fn row_by_heads(document: &Document, table: &str, first: &str) -> BTreeMap<String, String> {
    let elements = &document.elements;
    let is_caption = |element: &Element| element.name == "caption" && element.text.contains(table);
    let caption = elements.iter().position(is_caption).unwrap();
    let cells = elements[caption..].iter().skip(1);
    let cells = cells.take_while(|element| element.name != "caption");
    let cells = cells.filter(|element| element.name == "th" || element.name == "td");
    let cells: Vec<&Element> = cells.collect();
    let is_head = |cell: &&&Element| cell.get("scope") == Some("col");
    let heads: Vec<&Element> = cells.iter().take_while(is_head).copied().collect();
    let begins = |cell: &&Element| cell.get("scope") == Some("row") && cell.text == first;
    let row = cells.iter().position(begins).unwrap();
    let told = heads.iter().zip(&cells[row..]);
    told.map(|(head, cell)| (head.text.clone(), cell.text.clone()))
        .collect()
}

#[test]
fn sensors_are_told_with_their_glow_and_linearity() {
    let mut log = scene::log();
    log.sensors[0].linearity = Some(0.0123);
    log.sensors[0].glow_e_per_s = Some(0.0456);
    // A glow that reaches everywhere leaves little to be known.
    log.sensors[0].dark_current_e_per_s = Some(0.0141);
    log.sensors[0].dark_current_error_e_per_s = Some(0.0452);
    let camera = log.sensors[0].camera.clone();
    let history = [night::summary(&log)];
    let morning = Document::read(&page_of(&log));
    let list = Document::read(&sensors(&history, "Skarn Hill"));
    for row in [
        row_by_heads(&morning, "frames say of the sensors", &camera),
        row_by_heads(&list, &camera, &history[0].night),
    ] {
        assert_eq!(row["Linearity, %"], "1.23", "{row:?}");
        assert_eq!(row["Glow, e-/s"], "0.0456", "{row:?}");
        assert_eq!(row["Dark current, e-/s"], "0.0141 ± 0.0452", "{row:?}");
    }
    let page = sensors(&scene::history(), "Skarn Hill");
    for word in ["Linearity (% off the line)", "Glow (electrons per second)"] {
        assert_eq!(page.matches(word).count(), 2, "a drawing for each sensor");
    }
}

/// The strokes of the field's drawing: from where to where in the drawing, by zone.
fn strokes(order: RowOrder) -> Vec<[f64; 4]> {
    let mut log = scene::log();
    log.groups.truncate(1);
    let group = &mut log.groups[0];
    group.row_order = order;
    group.zones_fwhm_px = vec![Some(2.0); 9];
    // Along the rows, halfway to the columns, without direction, out of bounds.
    let [none, level, half, beyond] = [
        (None, None),
        (Some(1.25), Some(0.0)),
        (Some(1.25), Some(45.0)),
        (Some(3.0), Some(90.0)),
    ];
    let zones = [level, half, none, none, none, none, none, none, beyond];
    (group.zones_elongation, group.zones_angle_deg) = zones.into_iter().unzip();
    let document = Document::read(&page_of(&log));
    let told = document.named("svg").find(|svg| {
        let label = svg.get("aria-label").unwrap_or_default();
        label.contains("FWHM in pixels") && label.contains("Elongation: ")
    });
    assert!(told.is_some());
    let lines = document.named("line").filter(|line| !line.text.is_empty());
    let ends = ["x1", "y1", "x2", "y2"];
    let place = |line: &Element| ends.map(|end| line.get(end).unwrap().parse().unwrap());
    lines.map(place).collect()
}

#[test]
fn strokes_in_the_field_lie_along_its_stars() {
    // Half of the longest, 28 pixels, at half of what is drawn longest; zones are 44 pixels wide.
    let [level, half, beyond] = [
        [15.0, 16.0, 29.0, 16.0],
        [61.1, 11.1, 70.9, 20.9],
        [110.0, 90.0, 110.0, 118.0],
    ];
    assert_eq!(strokes(RowOrder::TopDown), [level, half, beyond]);
    assert_eq!(strokes(RowOrder::Unstated), [level, half, beyond]);
    // The first stored row lies at the bottom, and what leaned downwards leans upwards.
    assert_eq!(
        strokes(RowOrder::BottomUp),
        [
            [110.0, 2.0, 110.0, 30.0],
            [29.0, 104.0, 15.0, 104.0],
            [70.9, 99.1, 61.1, 108.9],
        ]
    );
}

#[test]
fn electrons_are_written_in_one_way() {
    for (name, page) in pages() {
        assert!(!page.contains('\u{207b}'), "{name}");
    }
}

#[test]
fn a_screen_reader_finds_its_way() {
    for (name, page) in pages() {
        let document = Document::read(&page);
        let html = document.named("html").next().unwrap();
        assert_eq!(html.get("lang"), Some("en"));
        let mut last = 0;
        for element in &document.elements {
            if let Some(level) = element
                .name
                .strip_prefix('h')
                .and_then(|n| n.parse::<u32>().ok())
            {
                assert!(level <= last + 1, "{name}: h{level} after h{last}");
                assert!(!element.text.trim().is_empty());
                last = level;
            }
        }
        assert_eq!(document.named("h1").count(), 1, "{name}");
        assert_eq!(document.named("main").count(), 1, "{name}");
        assert_eq!(
            document.named("table").count(),
            document.named("caption").count(),
            "{name}"
        );
        assert!(
            document
                .named("img")
                .all(|img| img.get("alt").is_some_and(|alt| !alt.is_empty()))
        );
        let svgs: Vec<&Element> = document.named("svg").collect();
        for svg in svgs {
            let hidden = svg.get("aria-hidden") == Some("true");
            let told = svg.get("aria-label").or(svg.get("aria-labelledby"));
            assert!(
                hidden || told.is_some_and(|words| !words.is_empty()),
                "{name}"
            );
        }
        // What scrolls can be scrolled by keyboard.
        let wide = document
            .elements
            .iter()
            .filter(|element| element.has_class("wide"));
        for element in wide {
            assert_eq!(element.get("tabindex"), Some("0"), "{name}");
            assert!(element.get("aria-labelledby").is_some(), "{name}");
        }
    }
}

/// Everything foreign set to one text.
fn hostile(text: &str) -> SessionLog {
    let mut log = scene::log();
    log.state = NightState::Open;
    let bad = || text.to_owned();
    log.night = bad();
    for light in &mut log.lights[..40] {
        light.file = bad();
        light.watch = bad();
        light.rig = bad();
        light.target = Some(bad());
        light.filter = bad();
        light.reason = Some(bad());
        light.product = Some(bad());
        light.start_utc = Some(bad());
        light.state = bad();
    }
    for frame in &mut log.calibration[..10] {
        frame.file = bad();
        frame.rig = bad();
        frame.state = bad();
        frame.reason = Some(bad());
        frame.master = Some(bad());
    }
    for master in &mut log.masters {
        master.rig = bad();
        master.filter = Some(bad());
        master.method = bad();
        master.fit = Some(bad());
        master.product = bad();
        master.level_adu = f64::NAN;
        master.noise_adu = f64::INFINITY;
    }
    for entry in log.refused.iter_mut().chain(&mut log.ignored) {
        entry.file = bad();
        entry.watch = bad();
        entry.reason = bad();
    }
    for shoot in &mut log.to_shoot {
        shoot.rig = bad();
        shoot.filter = Some(bad());
        shoot.why = bad();
    }
    for group in &mut log.groups {
        group.rig = bad();
        group.target = Some(bad());
        group.filter = bad();
        group.advice = vec![bad()];
    }
    for sensor in &mut log.sensors {
        sensor.rig = bad();
        sensor.camera = bad();
        sensor.dark_verdict = bad();
    }
    log.warnings = vec![bad(); 3];
    log
}

#[test]
fn foreign_text_stays_text() {
    let long = "M 31 ".repeat(1000);
    let texts = [
        "<script>alert(1)</script>",
        "\"><img src=x onerror=alert(1)>",
        "' onmouseover='alert(1)",
        "]]></style><style>*{display:none}",
        "javascript:alert(1)",
        "{{ 7 * 7 }} {% block body %} &amp; &lt; &#x202e;",
        "\u{0}\u{1}\u{7}\u{8}\u{b}\u{1b}[2J\u{7f}\u{9b}\u{fffe}\u{ffff}\u{fdd0}",
        "\u{202e}gnp.rekcab\u{2066}\u{200b}\u{feff}\u{2028}\u{e0041}",
        "\u{5d0}\u{5d1}\u{5d2} \u{4e00}\u{1f52d}",
        "",
        &long,
    ];
    for text in texts {
        let log = hostile(text);
        let mut facts = scene::facts();
        facts.site = text.to_owned();
        let brief = night::summary(&log);
        let night = morning(&log, &facts, scene::previews());
        let briefs = [brief.clone(), brief];
        let all = [
            night,
            index(&briefs, text),
            targets(&briefs, &scene::goals(&briefs), text),
            sensors(&briefs, text),
        ];
        for page in all {
            let document = Document::read(&page);
            assert_eq!(document.named("style").count(), 1, "{text}");
            assert!(document.named("script").next().is_none(), "{text}");
            for element in &document.elements {
                assert!(
                    element
                        .attributes
                        .iter()
                        .all(|(key, _)| !key.starts_with("on")),
                    "{text}"
                );
                let link = element.get("href").or(element.get("src"));
                let harmless = |link: &str| !link.contains(':') || link.starts_with("data:");
                assert!(link.is_none_or(harmless), "{text}: {link:?}");
            }
            let invisible = |c: char| {
                (c.is_control() && c != '\n')
                    || matches!(u32::from(c), 0x200b..=0x200f | 0x2028..=0x202e | 0x2066..=0x2069 | 0xfeff | 0xe0000..=0xe007f)
            };
            assert!(!page.contains(invisible), "{text:?}");
            assert!(
                !page.contains(&"M 31 ".repeat(150)),
                "a long text is cut short"
            );
            assert!(page.len() < 3_000_000);
        }
    }
}

#[test]
fn a_night_without_anything_is_a_page_too() {
    let mut log = scene::log();
    log.lights.clear();
    log.calibration.clear();
    log.masters.clear();
    log.groups.clear();
    log.sensors.clear();
    log.to_shoot.clear();
    log.warnings.clear();
    let document = Document::read(&morning(&log, &scene::facts(), scene::previews()));
    let text = &document.named("main").next().unwrap().text;
    assert!(text.contains("No light was taken.") && text.contains("Nothing is missing."));
    assert!(
        document.named("img").next().is_none(),
        "pictures of what the log does not name"
    );
    for page in [
        index(&[], "Skarn Hill"),
        targets(&[], &night::targets(&[], &Goals::new()), "Skarn Hill"),
        sensors(&[], "Skarn Hill"),
    ] {
        Document::read(&page);
    }
}

/// Relative luminance after WCAG 2.2.
fn luminance([red, green, blue]: [f64; 3]) -> f64 {
    let linear = |c: f64| {
        if c <= 0.04045 {
            c / 12.92
        } else {
            ((c + 0.055) / 1.055).powf(2.4)
        }
    };
    0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue)
}

/// Contrast ratio after WCAG 2.2.
fn contrast(a: [f64; 3], b: [f64; 3]) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

fn palette(block: &str) -> BTreeMap<String, [f64; 3]> {
    let colours = block.split(';').filter_map(|part| {
        let (name, value) = part.split_once(':')?;
        let hex = u32::from_str_radix(value.trim().strip_prefix('#')?, 16).ok()?;
        let channel = |shift: u32| f64::from(hex >> shift & 0xff) / 255.0;
        let name = name.trim().trim_start_matches("--").to_owned();
        Some((name, [channel(16), channel(8), channel(0)]))
    });
    colours.collect()
}

#[test]
fn colours_stand_out_in_both_themes() {
    let black_on_white = contrast([0.0; 3], [1.0; 3]);
    assert!((black_on_white - 21.0).abs() < 1e-9);
    let page = page_of(&scene::log());
    let blocks: Vec<&str> = page.split(":root {").skip(1).collect();
    let blocks: Vec<_> = blocks
        .iter()
        .map(|rest| palette(rest.split('}').next().unwrap()))
        .collect();
    assert_eq!(blocks.len(), 2, "a light and a dark theme");
    assert!(luminance(blocks[0]["paper"]) > 0.5 && luminance(blocks[1]["paper"]) < 0.1);
    let skies = ["day", "civil", "nautical", "astronomical", "dark"];
    for theme in &blocks {
        let holds = |what: &str, ground: [f64; 3], least: f64| {
            let ratio = contrast(theme[what], ground);
            assert!(
                ratio >= least,
                "{what} on {ground:?}: {ratio:.2}, wanted {least}"
            );
        };
        // Text: 4.5 to 1 on the paper, on the sky and on a row that was linked to.
        for text in ["ink", "soft"] {
            for ground in skies.iter().chain(&["paper", "glow"]) {
                holds(text, theme[*ground], 4.5);
            }
        }
        for word in ["aside", "kept"] {
            holds(word, theme["paper"], 4.5);
        }
        // Marks: 3 to 1 on anything they lie on.
        for mark in ["kept", "aside", "waiting", "refused"] {
            for ground in skies.iter().chain(&["paper", "glow"]) {
                holds(mark, theme[*ground], 3.0);
            }
        }
        // The worst zone of a field: 45 % of the mark's colour over the paper.
        let mix = |at: usize| 0.45 * theme["aside"][at] + 0.55 * theme["paper"][at];
        holds("ink", [mix(0), mix(1), mix(2)], 4.5);
    }
}
