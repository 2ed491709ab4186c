//! What a product says of itself in its header, in keywords that begin with `DL`.
//!
//! | keyword | meaning |
//! |---|---|
//! | `DLPRINT` | fingerprint of the recipe |
//! | `DLMETHOD` | the method with its settings |
//! | `DLFACTS` | what the product is, as one line of JSON |
//! | `DLPIX`, `DLLEVEL`, `DLNOISE` | pixels, level (without what was added) and pixel-to-pixel noise |
//! | `DLADDED`, `DLCUT` | of a 16-bit light: the level that was added, ADU; pixels cut off |
//! | `DLREDSLP`, `DLREDINT`, `DLBLUSLP`, `DLBLUINT` | of a colour sensor's light, where its stars tell it: the channel lines, slope and intercept (ADU) of red and blue over green |
//! | `DLLINE`, `DLSITES` | of a line's plane: the spectral line, the photosites it is made of |
//! | `DLOFFX`, `DLOFFY` | of a line's plane: where its light was gathered, from the middle of its 2x2 cell, in its pixels |
//! | `DLRESP`, `DLBLUE` | of green and blue joined: blue's response over green's, the weight of blue |
//! | `DLOSCAN` | of a light with an overscan: the level that was taken off with it, ADU |
//! | `DLTNOISE`, `DLTIDEAL` | of a master: temporal noise as measured, and that of an ideal mean |
//! | `DLNIN`, `DLI00001`... | raw files that went in: their number, their BLAKE3 digests |
//! | `DLR00001`... | of a master: pixels rejected low and high per raw file, in the same order |
//! | `DLNMS`, `DLM00001`... | masters it was made with: kind, fingerprint, product |
//! | `DLSCALE` | of a light: the factor on its dark's signal, where it is of another exposure |
//!
//! A master also tells its facts in the de facto keywords, for other readers ([`fact_cards`]).
//!
//! [`cards`] writes and [`read`] reads them; together they lose nothing, so that a catalogue can be
//! rebuilt from the products alone.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::facts::{
    Camera, Card, Digest, Fingerprint, Header, InputCount, Kind, LightSamples, Made, MadeStats,
    MasterFacts, MasterUse, Recipe, RowOrder, Temporal, Value,
};

/// The cards that describe a product.
pub fn cards(recipe: &Recipe, stats: &MadeStats) -> Vec<Card> {
    let text = |keyword: &str, value: String, comment: &str| {
        Card::new(keyword, Value::Text(value), comment)
    };
    let count = |number: usize| Value::Integer(number as i64);
    let facts = match recipe {
        Recipe::Master(recipe) => json(&recipe.method.facts),
        Recipe::Light(recipe) => json(&recipe.facts),
        Recipe::Line(recipe) => json(&recipe.light.facts),
    };
    let mut cards = vec![
        text("DLPRINT", recipe.fingerprint().to_string(), ""),
        text("DLMETHOD", recipe.method(), "method"),
        text("DLFACTS", facts, "what this is"),
        Card::new("DLPIX", count(stats.pixels as usize), "pixels"),
        Card::new("DLLEVEL", Value::Real(stats.level), "[adu] level"),
        Card::new("DLNOISE", Value::Real(stats.noise), "pixel-to-pixel noise"),
    ];
    if let Recipe::Light(light) = recipe
        && let LightSamples::Whole { added_level, .. } = light.extras.samples
    {
        let integer = |number: u64| Value::Integer(i64::try_from(number).unwrap_or(i64::MAX));
        cards.push(Card::new(
            "DLADDED",
            integer(added_level.into()),
            "[adu] level added to every pixel",
        ));
        cards.push(Card::new(
            "DLCUT",
            integer(stats.cut),
            "pixels cut off at 0 or 65535",
        ));
    }
    if let Some(noise) = stats.temporal {
        let real = |keyword, value, comment| Card::new(keyword, Value::Real(value), comment);
        cards.push(real("DLTNOISE", noise.measured, "temporal noise"));
        cards.push(real("DLTIDEAL", noise.ideal, "that of an ideal mean"));
    }
    cards.push(Card::new(
        "DLNIN",
        count(recipe.raws().len()),
        "raw files that went in",
    ));
    for (index, input) in recipe.raws().iter().enumerate() {
        cards.push(text(&numbered("DLI", index), input.digest.to_string(), ""));
    }
    for (index, rejected) in stats.rejected.iter().enumerate() {
        let value = format!("{} {}", rejected.low, rejected.high);
        cards.push(text(
            &numbered("DLR", index),
            value,
            "pixels rejected low, high",
        ));
    }
    let masters = recipe.masters();
    cards.push(Card::new(
        "DLNMS",
        count(masters.len()),
        "masters it was made with",
    ));
    for (index, used) in masters.iter().enumerate() {
        let value = format!("{} {} {}", used.kind, used.fingerprint, used.product);
        cards.push(text(&numbered("DLM", index), value, ""));
        if let Some(k) = used.scale {
            let comment = "factor on the dark above its bias";
            cards.push(Card::new("DLSCALE", Value::Real(k), comment));
        }
    }
    cards
}

/// The facts of a master in the de facto keywords, for other readers.
pub fn fact_cards(facts: &MasterFacts) -> Vec<Card> {
    let mut cards = Vec::new();
    let mut add = |keyword: &str, value: Value, comment: &str| {
        cards.push(Card::new(keyword, value, comment));
    };
    let camera = &facts.camera;
    add(
        "DLKIND",
        Value::Text(facts.kind.to_string()),
        "kind of master",
    );
    if facts.kind != Kind::Flat {
        add("BUNIT", Value::Text("adu".to_owned()), "");
    }
    add("INSTRUME", Value::Text(camera.name.to_string()), "camera");
    add("EXPTIME", Value::Real(facts.exposure.get()), "[s] exposure");
    if let Some(temperature) = facts.temperature {
        add(
            "CCD-TEMP",
            Value::Real(temperature.get()),
            "[degC] sensor temperature",
        );
    }
    if let Some(gain) = camera.gain {
        add("GAIN", Value::Real(gain.get()), "gain setting");
    }
    if let Some(offset) = camera.offset {
        add("OFFSET", Value::Real(offset.get()), "offset setting");
    }
    add("XBINNING", Value::Integer(i64::from(camera.binning.0)), "");
    add("YBINNING", Value::Integer(i64::from(camera.binning.1)), "");
    match camera.row_order {
        RowOrder::TopDown => add("ROWORDER", Value::Text("TOP-DOWN".to_owned()), ""),
        RowOrder::BottomUp => add("ROWORDER", Value::Text("BOTTOM-UP".to_owned()), ""),
        RowOrder::Unstated => {}
    }
    if facts.kind == Kind::Flat {
        add("FILTER", Value::Text(facts.filter.to_string()), "");
        if let Some(telescope) = &facts.optics.telescope {
            add("TELESCOP", Value::Text(telescope.to_string()), "");
        }
    }
    if let Some(first) = facts.first {
        let text = first.to_string().trim_end_matches('Z').to_owned();
        add("DATE-OBS", Value::Text(text), "UTC");
    }
    cards
}

/// The hard keys of a product's frames, as it tells them.
pub(super) fn camera(header: &Header) -> Option<Camera> {
    #[derive(Deserialize)]
    struct Facts {
        camera: Camera,
    }
    let facts: Facts = serde_json::from_str(header.text("DLFACTS")?).ok()?;
    Some(facts.camera)
}

/// Reads a product's description back; none where the file is no product of ours.
pub fn read(header: &Header, product: &str, size: u64) -> Option<Made> {
    let method: Arc<str> = header.text("DLMETHOD")?.into();
    let inputs: Vec<Digest> = (0..count(header, "DLNIN")?)
        .map(|index| header.text(&numbered("DLI", index))?.parse().ok())
        .collect::<Option<_>>()?;
    let facts: Option<MasterFacts> = if ["light/", "line/"]
        .iter()
        .any(|start| method.starts_with(start))
    {
        None
    } else {
        Some(serde_json::from_str(header.text("DLFACTS")?).ok()?)
    };
    let rejected = match facts {
        Some(_) => (0..inputs.len())
            .map(|index| {
                let (low, high) = header.text(&numbered("DLR", index))?.split_once(' ')?;
                Some(InputCount {
                    low: low.parse().ok()?,
                    high: high.parse().ok()?,
                })
            })
            .collect::<Option<_>>()?,
        None => Vec::new(),
    };
    let masters = (0..count(header, "DLNMS")?)
        .map(|index| {
            let mut words = header.text(&numbered("DLM", index))?.splitn(3, ' ');
            let kind = kind(words.next()?)?;
            Some(MasterUse {
                kind,
                fingerprint: words.next()?.parse().ok()?,
                product: words.next()?.into(),
                scale: (kind == Kind::Dark)
                    .then(|| header.number("DLSCALE"))
                    .flatten(),
            })
        })
        .collect::<Option<_>>()?;
    Some(Made {
        fingerprint: header.text("DLPRINT")?.parse::<Fingerprint>().ok()?,
        product: product.to_owned(),
        size,
        method,
        inputs,
        masters,
        facts,
        stats: MadeStats {
            pixels: u64::try_from(header.integer("DLPIX")?).ok()?,
            level: header.number("DLLEVEL")?,
            noise: header.number("DLNOISE")?,
            temporal: header
                .number("DLTNOISE")
                .zip(header.number("DLTIDEAL"))
                .map(|(measured, ideal)| Temporal { measured, ideal }),
            cut: header
                .integer("DLCUT")
                .map_or(Some(0), |cut| u64::try_from(cut).ok())?,
            rejected,
        },
    })
}

fn numbered(stem: &str, index: usize) -> String {
    format!("{stem}{:05}", index + 1)
}

/// A count that a header may claim: more than five digits cannot be numbered.
fn count(header: &Header, keyword: &str) -> Option<usize> {
    usize::try_from(header.integer(keyword)?)
        .ok()
        .filter(|&count| count <= 99_999)
}

fn kind(word: &str) -> Option<Kind> {
    Kind::CALIBRATION
        .into_iter()
        .find(|kind| kind.word() == word)
}

#[allow(
    clippy::expect_used,
    reason = "plain structs of strings, options and finite numbers always serialise"
)]
fn json(facts: &impl Serialize) -> String {
    serde_json::to_string(facts).expect("plain facts serialise")
}
