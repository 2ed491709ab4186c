//! Runs the commands that the settings name, each with one event on its standard input.
//!
//! Invariants: of one hook no two run at once, what comes meanwhile waits in line, and a line that
//! is full turns away what comes. Whatever a hook does, the loop goes on: nothing here waits for
//! one. There is no shell; a hook finds `PATH` in its environment and nothing else, works in the
//! output folder, or in the root where that is not there, and is killed with its whole process group
//! when its time is up or the daemon ends. It has ended when its program has: what that left running goes
//! on, and is not listened to.
//!
//! It does not know why it is told an event.

use std::path::{Path, PathBuf};
use std::pin::pin;
use std::process::{ExitStatus, Stdio};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process_group};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt};
use tokio::process::{Child, Command};
use tokio::sync::mpsc::{Receiver, Sender, channel, error::TrySendError};

use crate::facts::{Hook, Occasion};
use crate::night::Event;

/// Events that may wait for one hook.
const LINE: usize = 16;

/// Bytes of each of a hook's streams that are logged.
const HEARD: usize = 2048;

/// How long a hook's last words are listened for once it has ended: what it started and left behind
/// may hold its output open for as long as it likes.
const LINGER: Duration = Duration::from_secs(1);

/// Where hooks find programs if the daemon's own environment does not say.
const PATH: &str = "/usr/local/bin:/usr/bin:/bin";

/// The hooks at work.
pub struct Hooks {
    lines: Vec<(Vec<Occasion>, PathBuf, Sender<String>)>,
}

impl Hooks {
    /// Gets them ready. Must be called within the runtime; hooks end with it.
    pub fn start(hooks: &[Hook], folder: &Path) -> Self {
        let line = |hook: &Hook| {
            let (sender, events) = channel(LINE);
            tokio::spawn(serve(hook.clone(), folder.to_owned(), events));
            (hook.when.clone(), hook.program.clone(), sender)
        };
        Self {
            lines: hooks.iter().map(line).collect(),
        }
    }

    /// Hands an event to the hooks that want it.
    pub fn tell(&self, event: &Event) {
        for (when, program, line) in &self.lines {
            if !when.contains(&event.occasion()) {
                continue;
            }
            if let Err(TrySendError::Full(_)) = line.try_send(event.document()) {
                let hook = program.display();
                tracing::warn!(%hook, "not told: {LINE} events wait for it already");
            }
        }
    }
}

/// One hook, one event after the other.
async fn serve(hook: Hook, folder: PathBuf, mut events: Receiver<String>) {
    while let Some(document) = events.recv().await {
        let program = hook.program.display();
        let heard = match call(&hook, &folder, &document).await {
            Ok(heard) => heard,
            Err(error) => {
                tracing::warn!(hook = %program, "could not be run: {error}");
                continue;
            }
        };
        let said = heard.said();
        match heard.status {
            Some(status) if status.success() => tracing::info!(hook = %program, "done{said}"),
            Some(status) => tracing::warn!(hook = %program, "failed, {status}{said}"),
            None => tracing::warn!(
                hook = %program,
                "killed: it ran for more than {} s{said}",
                hook.timeout.as_secs_f64()
            ),
        }
    }
}

/// What came of a hook.
#[derive(Debug, Default)]
struct Heard {
    /// Nothing where its time was up.
    status: Option<ExitStatus>,
    out: Vec<u8>,
    err: Vec<u8>,
}

impl Heard {
    /// What it said, for the end of a log line; line ends and control characters are escaped.
    fn said(&self) -> String {
        let streams = [&self.out, &self.err].map(|said| String::from_utf8_lossy(said));
        let said = streams.iter().map(|said| said.trim());
        let said: Vec<&str> = said.filter(|said| !said.is_empty()).collect();
        match said.is_empty() {
            true => String::new(),
            false => format!("; it said {:?}", said.join("\n")),
        }
    }
}

/// A hook's process; its group is killed when this is dropped before it has ended.
struct Group(Child);

impl Drop for Group {
    fn drop(&mut self) {
        // Until it is reaped the number is its own and that of its group.
        let number = self.0.id().and_then(|id| i32::try_from(id).ok());
        if let Some(group) = number.and_then(Pid::from_raw) {
            let _ = kill_process_group(group, Signal::KILL);
        }
    }
}

async fn call(hook: &Hook, folder: &Path, document: &str) -> std::io::Result<Heard> {
    let folder = if folder.is_dir() {
        folder
    } else {
        Path::new("/")
    };
    let path = std::env::var_os("PATH").unwrap_or_else(|| PATH.into());
    let child = Command::new(&hook.program)
        .args(&hook.arguments)
        .env_clear()
        .env("PATH", path)
        .current_dir(folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .process_group(0)
        .spawn()?;
    let mut group = Group(child);
    let (stdin, stdout, stderr) = (
        group.0.stdin.take(),
        group.0.stdout.take(),
        group.0.stderr.take(),
    );
    let mut heard = Heard::default();
    let (out, err) = (&mut heard.out, &mut heard.err);
    let talk = async {
        let write = async {
            if let Some(mut stdin) = stdin {
                // A hook need not read what it is told.
                let _ = stdin.write_all(document.as_bytes()).await;
            }
        };
        tokio::join!(write, hear(stdout, out), hear(stderr, err))
    };
    let status = {
        let mut talk = pin!(talk);
        let mut is_over = false;
        let work = async {
            tokio::select! {
                _ = &mut talk => {
                    is_over = true;
                    group.0.wait().await
                }
                status = group.0.wait() => status,
            }
        };
        let status = tokio::time::timeout(hook.timeout, work).await;
        if status.is_ok() && !is_over {
            let _ = tokio::time::timeout(LINGER, talk).await;
        }
        status
    };
    if let Ok(status) = status {
        heard.status = Some(status?);
    }
    Ok(heard)
}

/// Reads to the end, so that nobody is held up by a full pipe, and keeps the beginning.
async fn hear(stream: Option<impl AsyncRead + Unpin>, kept: &mut Vec<u8>) {
    let Some(mut stream) = stream else {
        return;
    };
    let mut buffer = [0; 1024];
    while let Ok(count @ 1..) = stream.read(&mut buffer).await {
        let room = HEARD - kept.len();
        kept.extend_from_slice(&buffer[..count.min(room)]);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use std::fs;

    use jiff::Timestamp;

    use rustix::process::kill_process;

    use super::*;
    use crate::config;
    use crate::night::{Alarm, Cause};

    const SHELL: &str = "/bin/sh";

    fn shell(script: &str, timeout: Duration) -> Hook {
        Hook {
            when: vec![Occasion::Failed],
            program: SHELL.into(),
            arguments: ["-c", script].map(str::to_owned).to_vec(),
            timeout,
        }
    }

    fn patient(script: &str) -> Hook {
        shell(script, Duration::from_secs(600))
    }

    /// Runs it as the daemon does, without the runtime.
    fn block_on<T>(work: impl Future<Output = T>) -> T {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build();
        runtime.unwrap().block_on(work)
    }

    fn event(text: &str) -> Event {
        let settings = "site: {name: Skarn Hill, latitude_deg: 57.3, longitude_deg: -4.4}\n\
                        watch: [{path: w}]\noutput: o\nstate: s\nprofiles: [p.yaml]\n";
        let draft = config::parse_settings(settings, Path::new("/x/settings.yaml")).unwrap();
        let settings = draft.complete(Vec::new()).unwrap();
        let mut alarm = Alarm::new(settings.site, settings.alarms);
        alarm.failed(Cause::Disk, text, Timestamp::UNIX_EPOCH);
        alarm.events().remove(0)
    }

    #[test]
    fn a_hook_reads_the_event_in_a_bare_environment_where_the_products_are() {
        let folder = tempfile::tempdir().unwrap();
        let hook = patient("cat; pwd; env >&2");
        let heard = block_on(call(&hook, folder.path(), "{}\n")).unwrap();
        assert!(heard.status.unwrap().success());
        let here = folder.path().canonicalize().unwrap();
        assert_eq!(
            String::from_utf8(heard.out).unwrap(),
            format!("{{}}\n{}\n", here.display())
        );
        let names: Vec<String> = String::from_utf8(heard.err)
            .unwrap()
            .lines()
            .filter_map(|line| Some(line.split_once('=')?.0.to_owned()))
            // What the shell makes for itself.
            .filter(|name| !["PWD", "OLDPWD", "SHLVL", "_"].contains(&name.as_str()))
            .collect();
        assert_eq!(names, ["PATH"]);
    }

    #[test]
    fn where_the_products_are_not_there_a_hook_is_run_all_the_same() {
        let folder = tempfile::tempdir().unwrap();
        let away = folder.path().join("away");
        let heard = block_on(call(&patient("pwd"), &away, "{}\n")).unwrap();
        assert_eq!(String::from_utf8(heard.out).unwrap(), "/\n");
    }

    #[test]
    fn what_does_not_read_or_talks_without_end_or_fails_hurts_nobody() {
        let folder = tempfile::tempdir().unwrap();
        let long = "x".repeat(1 << 20);
        let heard = block_on(call(&patient("exit 3"), folder.path(), &long)).unwrap();
        assert_eq!(heard.status.unwrap().code(), Some(3));
        let chatty = patient("head -c 3000000 /dev/zero | tr '\\0' y; echo no >&2");
        let heard = block_on(call(&chatty, folder.path(), "{}")).unwrap();
        assert!(heard.status.unwrap().success());
        assert_eq!(heard.out.len(), HEARD);
        assert!(heard.said().ends_with("y\\nno\""), "{}", heard.said());
        let missing = Hook {
            program: folder.path().join("missing"),
            ..patient("")
        };
        assert!(block_on(call(&missing, folder.path(), "{}")).is_err());
    }

    #[test]
    fn a_hook_that_leaves_something_running_has_ended_all_the_same() {
        let folder = tempfile::tempdir().unwrap();
        // In time, though its last words are listened for until after that.
        let hook = shell("sleep 600 & echo $!; exit 4", LINGER);
        let heard = block_on(call(&hook, folder.path(), "{}")).unwrap();
        assert_eq!(heard.status.unwrap().code(), Some(4));
        let left = String::from_utf8(heard.out).unwrap();
        let left = Pid::from_raw(left.trim().parse().unwrap()).unwrap();
        kill_process(left, Signal::KILL).expect("it goes on");
    }

    #[test]
    fn a_hook_that_dawdles_is_killed_with_all_it_started() {
        let folder = tempfile::tempdir().unwrap();
        // The shell's child holds its output open and would write once the shell is gone.
        let script = "(echo $$ >started; sleep 600; echo late >late) & wait";
        let hook = shell(script, Duration::from_secs(1));
        let heard = block_on(call(&hook, folder.path(), "{}")).unwrap();
        assert!(heard.status.is_none());
        let leader = fs::read_to_string(folder.path().join("started")).unwrap();
        let leader = Pid::from_raw(leader.trim().parse().unwrap()).unwrap();
        // Killed processes vanish once they are reaped, the orphan by whoever adopts it.
        let gone = || {
            fs::read_dir("/proc").unwrap().flatten().all(|entry| {
                let stat = fs::read_to_string(entry.path().join("stat")).unwrap_or_default();
                let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or("").split(' ').collect();
                let group = fields.get(3).and_then(|group| group.parse().ok());
                group != Some(leader.as_raw_nonzero().get()) || fields.get(1) == Some(&"Z")
            })
        };
        for _ in 0..600 {
            if gone() {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("the group of {leader:?} is still there");
    }

    #[test]
    fn events_of_one_hook_are_told_one_after_the_other_and_others_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        // Fails where another is under way.
        let script = "mkdir busy || exit 1; sed -n 's/^  \"text\": //p' >>told; rmdir busy";
        let other = Hook {
            when: vec![Occasion::DiskLow],
            ..patient("touch other")
        };
        block_on(async {
            let hooks = Hooks::start(&[patient(script), other], folder.path());
            for number in 0..LINE + 4 {
                hooks.tell(&event(&format!("number {number}")));
            }
            let told = folder.path().join("told");
            let lines = || {
                fs::read_to_string(&told)
                    .unwrap_or_default()
                    .lines()
                    .count()
            };
            while lines() < LINE {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        });
        let told = fs::read_to_string(folder.path().join("told")).unwrap();
        // What came while the line was full is lost, nothing else.
        let wanted: String = (0..LINE).map(|n| format!("\"number {n}\"\n")).collect();
        assert_eq!(told, wanted);
        assert!(!folder.path().join("other").exists());
    }
}
