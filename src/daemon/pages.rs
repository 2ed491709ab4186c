//! Keeps the morning pages current: which nights need one, which pictures it needs, and writing it.
//!
//! A page follows from its log and from pictures of products, which the worker makes: they are asked
//! for ([`Pages::wanted`]), handed in ([`Pages::picture`]), and when all are there the page is
//! written. One night comes after the other, the latest first, and only the pictures of the last page are
//! remembered, so that a year of nights without pages neither fills the memory nor keeps new files
//! waiting.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use jiff::civil::Date;

use super::DaemonError;
use super::history::{History, publish};
use super::session::session;
use super::tell::GoOn;
use crate::facts::{ChannelLine, SessionLog, Settings};
use crate::make::ToPicture;
use crate::night;
use crate::page::{self, NightFacts, Preview};
use crate::publish::Disk;

/// Pages to be written.
#[derive(Default)]
pub struct Pages {
    due: BTreeMap<Date, SessionLog>,
    /// By product; nothing where none could be made.
    pictures: BTreeMap<String, Option<Preview>>,
}

impl Pages {
    /// A log is as on file now; `is_new` where it was not so before. Its page is due where it is new,
    /// or where there is no page that was written after it.
    pub fn note(&mut self, output: &Path, night: Date, log: &SessionLog, is_new: bool) {
        if is_new || !is_current(output, night) {
            self.due.insert(night, log.clone());
        }
    }

    /// Another night has come beside this one: its page is to link there.
    pub fn again(&mut self, output: &Path, night: Date) {
        if morning(output, night).exists()
            && let Ok(text) = fs::read_to_string(session(output, night))
            && let Ok(log) = night::parse(&text)
        {
            self.due.entry(night).or_insert(log);
        }
    }

    /// Pictures that the next page needs and that are not there.
    pub fn wanted(&self) -> Vec<ToPicture> {
        let next = self.due.last_key_value();
        let wanted: BTreeMap<_, _> = next.into_iter().flat_map(|(_, log)| shown(log)).collect();
        wanted
            .into_iter()
            .filter(|(product, _)| !self.pictures.contains_key(product))
            .map(|(product, lines)| ToPicture { product, lines })
            .collect()
    }

    /// A picture was made, or cannot be.
    pub fn picture(&mut self, product: String, picture: Option<Preview>) {
        self.pictures.insert(product, picture);
    }

    /// Writes the next pages, as long as their pictures are there.
    pub fn write(
        &mut self,
        settings: &Settings,
        disk: &Disk,
        history: &History,
        go_on: GoOn<'_>,
    ) -> Result<(), DaemonError> {
        while self.wanted().is_empty()
            && let Some((&night, log)) = self.due.last_key_value()
        {
            go_on()?;
            let [previous, next] = history.beside(night);
            let shown = shown(log);
            let pictures = shown.iter().map(|(product, _)| self.pictures.get(product));
            let pictures: Vec<Preview> = pictures.flatten().flatten().cloned().collect();
            let facts = NightFacts::new(&settings.site, night, previous, next);
            let text = page::morning(log, &facts, &pictures);
            let path = morning(&settings.output, night);
            publish(disk, &path, &text)?;
            self.due.remove(&night);
            self.pictures
                .retain(|product, _| shown.iter().any(|(shown, _)| shown == product));
        }
        Ok(())
    }
}

/// Is a night's page there, and as young as its log? A process that was killed between the two leaves
/// an older one.
fn is_current(output: &Path, night: Date) -> bool {
    let changed = |path: PathBuf| fs::metadata(path)?.modified();
    match (
        changed(session(output, night)),
        changed(morning(output, night)),
    ) {
        (Ok(log), Ok(page)) => log <= page,
        _ => false,
    }
}

/// Where a night's page lies.
fn morning(output: &Path, night: Date) -> PathBuf {
    session(output, night).with_file_name("morning.html")
}

/// The products that a page shows, in its order: the best light of each group, then the masters.
fn shown(log: &SessionLog) -> Vec<(String, Vec<ChannelLine>)> {
    let groups = log
        .groups
        .iter()
        .filter_map(|group| Some((group.best.clone()?, group.channel_lines.clone())));
    let made_here = log
        .masters
        .iter()
        .filter(|master| master.frames_left_out.is_some());
    let masters = made_here.map(|master| (master.product.clone(), Vec::new()));
    groups.chain(masters).collect()
}
