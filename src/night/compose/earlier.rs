//! Entries of an earlier log that stay: their files are not known any more.

use std::collections::BTreeSet;
use std::path::Path;

use super::Lists;
use crate::facts::{Entry, FileId, RelPath, SessionLog, Settings, Snapshot, UsedMasters};

impl Lists {
    /// Keeps the entries of an earlier log whose files the catalogue has never heard of, all but
    /// the ignored ones. Gives the products of the masters that they name.
    ///
    /// A name that was used again by a file of another night, after the first went to storage, is
    /// kept where a product on file still stands for the first.
    pub(super) fn keep(
        &mut self,
        snapshot: &Snapshot,
        settings: &Settings,
        previous: &SessionLog,
    ) -> BTreeSet<String> {
        let products: BTreeSet<&str> = snapshot
            .made
            .iter()
            .map(|made| made.product.as_str())
            .collect();
        let stands = |product: &Option<String>| {
            product
                .as_deref()
                .is_some_and(|product| products.contains(product))
        };
        let is_lost = |watch: &str, file: &str| known(snapshot, watch, file).is_none();
        let used_again = |watch: &str, file: &str| {
            known(snapshot, watch, file).is_some_and(|entry| {
                settings.site.night_of(entry.moment()).to_string() != previous.night
            })
        };
        let place = |watch: &str, file: &str, start: Option<&String>| {
            (
                start.and_then(|text| text.parse().ok()),
                watch.to_owned(),
                file.to_owned(),
            )
        };
        let mut masters = BTreeSet::new();
        for light in &previous.lights {
            if is_lost(&light.watch, &light.file)
                || used_again(&light.watch, &light.file) && stands(&light.product)
            {
                let UsedMasters { bias, dark, flat } = &light.masters;
                masters.extend([bias, dark, flat].into_iter().flatten().cloned());
                let place = place(&light.watch, &light.file, light.start_utc.as_ref());
                self.lights.push((place, light.clone()));
            }
        }
        for frame in &previous.calibration {
            if is_lost(&frame.watch, &frame.file)
                || used_again(&frame.watch, &frame.file) && stands(&frame.master)
            {
                masters.extend(frame.master.clone());
                let place = place(&frame.watch, &frame.file, frame.start_utc.as_ref());
                self.calibration.push((place, frame.clone()));
            }
        }
        for entry in &previous.refused {
            if is_lost(&entry.watch, &entry.file) {
                let place = place(&entry.watch, &entry.file, None);
                self.refused.push((place, entry.clone()));
            }
        }
        masters
    }
}

/// What the catalogue knows of a file that a log names, be it of this night or another, there or
/// vanished.
pub(in crate::night) fn known<'a>(
    snapshot: &'a Snapshot,
    watch: &str,
    file: &str,
) -> Option<&'a Entry> {
    // A log writes unusual bytes with a backslash; any other text is the path itself.
    if file.contains('\\') {
        let is_it =
            |entry: &&Entry| *entry.file.watch == *watch && entry.file.path.to_string() == file;
        return snapshot.entries.iter().find(is_it);
    }
    snapshot.find(&FileId {
        watch: watch.into(),
        path: RelPath::new(Path::new(file))?,
    })
}
