//! `support`: one text with what somebody needs to know who is to help from afar. It goes to
//! standard output, so that it can be read before it is sent.
//!
//! Invariants: no pixels; the site's name, its place beyond a whole degree, the arguments of hooks and
//! the names of home folders stay at home. Whatever cannot be found out is said, and the rest goes on.

use std::collections::BTreeMap;
use std::fmt::{Display, Write};
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::process::Command;

use jiff::Timestamp;
use serde_yaml::{Mapping, Value};

use super::{Failure, instructions, plan, settings, status};
use crate::combine::Level;
use crate::daemon::IDENTIFIER;
use crate::facts::{Content, Settings, Snapshot};

/// So many lines of the journal.
const LINES: &str = "400";

/// Stands for what stays at home.
const AT_HOME: &str = "(left out)";

/// Prints the text.
pub fn support(config: &Path) -> Result<(), Failure> {
    let read = settings::read(config);
    let now = Timestamp::now();
    let mut text = Text::default();
    text.part("Dawnledger, for whoever helps");
    text.line("written", format!("{now:.0}"));
    text.line("version", env!("CARGO_PKG_VERSION"));
    text.line("private", "no pixels; without the site's name and exact place, hooks' arguments, names of home folders");
    text.line(
        "please",
        "read it before you send it: paths, targets and log lines are as they are",
    );
    system(&mut text);
    text.part("Settings and profiles");
    match &read {
        Ok(_) => text.line("check", "in order"),
        Err(failure) => text.line("check", failure),
    }
    texts(&mut text, config);
    if let Ok(settings) = &read {
        folders(&mut text, settings);
        text.part("Catalogue");
        text.body(told(
            plan::snapshot(settings).map(|snapshot| counts(&snapshot)),
        ));
        text.part("Status");
        text.body(told(status::text(settings, now).map(|(text, _)| text)));
    }
    text.part("Journal");
    text.body(journal());
    let site = read.as_ref().map_or("", |settings| &settings.site.name);
    print!("{}", discreet(&text.0, site));
    Ok(())
}

/// The text as far as it is written.
#[derive(Default)]
struct Text(String);

impl Text {
    fn part(&mut self, name: &str) {
        let gap = if self.0.is_empty() { "" } else { "\n" };
        let _ = writeln!(self.0, "{gap}== {name}");
    }

    fn line(&mut self, word: &str, text: impl Display) {
        let _ = writeln!(self.0, "{word:<12} {text}");
    }

    fn body(&mut self, text: String) {
        self.0 += text.trim_end();
        self.0.push('\n');
    }
}

fn told(found: Result<String, Failure>) -> String {
    found.unwrap_or_else(|failure| format!("not available: {failure}"))
}

fn system(text: &mut Text) {
    let line_of = |file: &str, key: &str| {
        let lines = fs::read_to_string(file).unwrap_or_default();
        let found = lines.lines().find_map(|line| line.strip_prefix(key));
        found
            .unwrap_or("unknown")
            .trim_matches(['"', ' '])
            .to_owned()
    };
    text.part("System");
    text.line("system", line_of("/etc/os-release", "PRETTY_NAME="));
    text.line("kernel", line_of("/proc/sys/kernel/osrelease", ""));
    text.line("memory", line_of("/proc/meminfo", "MemTotal:"));
    let cores = std::thread::available_parallelism();
    text.line(
        "cores",
        cores.map_or_else(|error| error.to_string(), |cores| cores.to_string()),
    );
    text.line(
        "instructions",
        format!("{} of {}", Level::widest().name(), instructions::names()),
    );
}

/// What is where, whose, and with which rights.
fn folders(text: &mut Text, settings: &Settings) {
    text.part("Folders");
    let watched = settings.watch.iter().map(|folder| ("watch", &folder.path));
    for (role, path) in watched.chain([("output", &settings.output), ("state", &settings.state)]) {
        let about = match fs::metadata(path) {
            Ok(about) => format!(
                "mode {:o}, user {}, group {}, disk {}",
                about.mode() & 0o7777,
                about.uid(),
                about.gid(),
                about.dev()
            ),
            Err(error) => error.to_string(),
        };
        text.line(role, format!("{}: {about}", path.display()));
    }
}

/// The files as they are understood: comments are nobody's business.
fn texts(text: &mut Text, config: &Path) {
    let mut add = |path: &Path, change: fn(&mut Mapping)| {
        let read = || -> anyhow::Result<String> {
            let mut yaml: Mapping = serde_yaml::from_slice(&fs::read(path)?)?;
            change(&mut yaml);
            Ok(serde_yaml::to_string(&yaml)?)
        };
        text.body(format!("# {}", path.display()));
        text.body(read().unwrap_or_else(|error| format!("not available: {error}")));
    };
    add(config, without_private);
    for path in settings::profile_paths(config).unwrap_or_default() {
        add(&path, |_| {});
    }
}

/// Settings without what says who and where.
fn without_private(settings: &mut Mapping) {
    if let Some(Value::Mapping(site)) = settings.get_mut("site") {
        let coarse = [
            ("latitude_deg", 1.0),
            ("longitude_deg", 1.0),
            ("elevation_m", 100.0),
        ];
        for (key, step) in coarse {
            if let Some(value) = site.get_mut(key) {
                let rounded = value.as_f64().map(|value| (value / step).round() * step);
                *value = rounded.map_or(AT_HOME.into(), Value::from);
            }
        }
        if let Some(name) = site.get_mut("name") {
            *name = AT_HOME.into();
        }
    }
    let hooks = settings.get_mut("hooks").and_then(Value::as_sequence_mut);
    for hook in hooks.into_iter().flatten() {
        if let Some(command) = hook.get_mut("command").and_then(Value::as_sequence_mut) {
            let arguments = command.iter_mut().skip(1);
            arguments.for_each(|argument| *argument = AT_HOME.into());
        }
    }
}

/// How much of what the catalogue knows.
fn counts(snapshot: &Snapshot) -> String {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    let mut count = |what: String| *counts.entry(what).or_default() += 1;
    for entry in &snapshot.entries {
        let gone = if entry.present { "" } else { ", not there now" };
        match &entry.content {
            Content::Frame {
                frame, unusable, ..
            } => {
                let spoiled = unusable.as_ref().map_or("", |_| ", unusable");
                count(format!(
                    "{} frames of {}{spoiled}{gone}",
                    frame.kind, frame.rig
                ));
            }
            Content::Refused(_) => count(format!("refused{gone}")),
            Content::Ignored(_) => count(format!("ignored{gone}")),
        }
    }
    for made in snapshot.made.iter() {
        count(match &made.facts {
            Some(facts) => format!("masters, {}", facts.kind),
            None => "products of lights".to_owned(),
        });
    }
    let mut text = Text::default();
    text.line(
        &snapshot.made.measured_count().to_string(),
        "lights measured",
    );
    text.line(&snapshot.sensors.len().to_string(), "sensors measured");
    counts
        .iter()
        .for_each(|(what, count)| text.line(&count.to_string(), what));
    for failure in snapshot.failed.values() {
        text.line("failed", &failure.reason);
    }
    text.0
}

/// What the journal has of us and of our unit.
fn journal() -> String {
    let options = [
        "--quiet",
        "--no-pager",
        "--no-hostname",
        "--output=short-iso",
        "--lines",
        LINES,
    ];
    let ours = [
        &*format!("SYSLOG_IDENTIFIER={IDENTIFIER}"),
        "+",
        &*format!("UNIT={IDENTIFIER}.service"),
        "+",
        &*format!("USER_UNIT={IDENTIFIER}.service"),
    ];
    match Command::new("journalctl").args(options).args(ours).output() {
        Err(error) => format!("not available: journalctl: {error}"),
        Ok(output) if !output.status.success() => {
            let said = String::from_utf8_lossy(&output.stderr);
            format!("not available: journalctl: {}", said.trim())
        }
        Ok(output) if output.stdout.is_empty() => {
            "nothing; run as root or as a member of systemd-journal where there should be"
                .to_owned()
        }
        Ok(output) => String::from_utf8_lossy(&output.stdout).into_owned(),
    }
}

/// Without the site's name, and without names of people in paths.
fn discreet(text: &str, site: &str) -> String {
    let text = match site {
        "" => text.to_owned(),
        site => text.replace(site, AT_HOME),
    };
    let mut parts = text.split("/home/");
    let mut found = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        let name = part.find(|end: char| {
            end == '/' || end.is_whitespace() || end.is_ascii_punctuation() && !"-_.".contains(end)
        });
        found += "/home/USER";
        found += name.map_or("", |end| &part[end..]);
    }
    found
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    #[test]
    fn who_and_where_stay_at_home() {
        let mut yaml: Mapping = serde_yaml::from_str(
            "site: {name: Skarn Hill, latitude_deg: 57.3412, longitude_deg: -4.4137, elevation_m: 312}\n\
             output: products\nhooks: [{when: [failed], command: [/bin/tell, night@skarn.example]}]",
        )
        .unwrap();
        without_private(&mut yaml);
        assert_eq!(
            serde_yaml::to_string(&yaml).unwrap(),
            "site:\n  name: (left out)\n  latitude_deg: 57.0\n  longitude_deg: -4.0\n  elevation_m: 300.0\n\
             output: products\nhooks:\n- when:\n  - failed\n  command:\n  - /bin/tell\n  - (left out)\n"
        );
    }

    #[test]
    fn names_of_people_and_of_the_site_are_taken_out_of_paths_and_lines() {
        assert_eq!(
            discreet(
                "/home/ada.b/x of Skarn Hill: /home/ada.b: full, \"/home/ada\" /homes/ada /home/bo",
                "Skarn Hill"
            ),
            "/home/USER/x of (left out): /home/USER: full, \"/home/USER\" /homes/ada /home/USER"
        );
        assert_eq!(discreet("nothing", ""), "nothing");
    }
}
