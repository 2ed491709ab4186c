//! `plan`: what would be made now, and what waits for what.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;

use super::run::program;
use super::{Failure, say, settings};
use crate::catalogue::{Catalogue, CatalogueError};
use crate::daemon::{CATALOGUE, Shelf};
use crate::facts::{LightState, MasterState, Plan, Settings, Snapshot};
use crate::fits::Unpacker;
use crate::plan::{Patience, describe};

/// Reads the settings, and the catalogue beside a daemon that may be running.
pub fn read(config: &Path) -> Result<(Arc<Settings>, Snapshot), Failure> {
    let settings = settings::read(config)?;
    let snapshot = snapshot(&settings)?;
    Ok((settings, snapshot))
}

/// What the catalogue knows, with the supplied masters that are there now.
pub fn snapshot(settings: &Settings) -> Result<Snapshot, Failure> {
    let path = settings.state.join(CATALOGUE);
    let mut snapshot = match Catalogue::open_reading(&path) {
        Err(CatalogueError::Missing { .. }) => Snapshot::default(),
        opened => opened?.snapshot()?,
    };
    let unpacker = Unpacker::new(program()?, settings.state.join("scratch"));
    let mut shelf = Shelf::new(unpacker);
    shelf.look(settings, &|| Ok(()))?;
    snapshot.supplied = shelf.found().to_vec();
    Ok(snapshot)
}

/// Prints the plan.
pub fn plan(config: &Path) -> Result<(), Failure> {
    let (settings, snapshot) = read(config)?;
    let plan = crate::plan::plan(&snapshot, &settings, Patience::Until(Timestamp::now()));
    lines(&plan, &settings).iter().for_each(|line| say(line));
    Ok(())
}

fn lines(plan: &Plan, settings: &Settings) -> Vec<String> {
    let mut lines = Vec::new();
    lines.push(format!("to make: {}", plan.tasks.len()));
    lines.extend(plan.tasks.iter().map(|task| format!("  {}", task.product)));
    lines.push(format!("sensors to be measured: {}", plan.to_know.len()));
    let waiting = sets(plan, settings);
    lines.push(format!("sets that wait: {}", waiting.len()));
    lines.extend(waiting.iter().map(|set| format!("  {set}")));
    let mut lights: BTreeMap<String, usize> = BTreeMap::new();
    for state in plan.lights.values() {
        if let LightState::Waiting(wait) = state {
            *lights.entry(wait.to_string()).or_default() += 1;
        }
    }
    lines.push(format!(
        "lights that wait: {}",
        lights.values().sum::<usize>()
    ));
    lines.extend(
        lights
            .iter()
            .map(|(wait, count)| format!("  {count}: {wait}")),
    );
    lines.push(format!("superseded: {}", plan.superseded.len()));
    lines
}

/// The sets that wait, each with the reason.
pub fn sets(plan: &Plan, settings: &Settings) -> Vec<String> {
    let waiting = plan.masters.values().filter_map(|master| {
        let MasterState::Waiting(wait) = &master.state else {
            return None;
        };
        let what = describe(&master.facts, &settings.site);
        Some(format!("{what}: {wait}"))
    });
    waiting.collect()
}
