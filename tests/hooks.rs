//! Hooks: when the daemon runs them, and the shipped ones for mail and HTTP.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod observatory;

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use observatory::{EVENING, FRAMES, Observatory, PROFILE, program, said};
use rustix::process::{Pid, Signal, kill_process};

/// Keeps each event in a file of its own, named by its kind.
const KEEPER: &str = "#!/bin/sh
set -eu
cd \"$1\"
cat >arriving
kind=$(sed -n 's/^  \"event\": \"\\(.*\\)\",/\\1/p' arriving)
count=$(ls | grep -c \"^$kind\" || true)
mv arriving \"$kind-$count\"
";

fn script(path: &Path, text: &str) -> PathBuf {
    fs::write(path, text).unwrap();
    fs::set_permissions(path, fs::Permissions::from_mode(0o755)).unwrap();
    path.to_owned()
}

/// An observatory whose hook keeps what it is told in `told`.
fn observatory(more: &str) -> Observatory {
    let hooks = format!(
        "settle_s: 1\n{more}\nhooks:\n  - when: [night-closed, stalled, failed, disk-low]\n    \
         command: [keeper, told]\n"
    );
    let here = Observatory::new(&[("north", PROFILE)], &hooks);
    let text = fs::read_to_string(here.settings()).unwrap();
    let told = format!("command: [keeper, {}]", here.path("told").display());
    let text = text.replace("command: [keeper, told]", &told);
    let text = text.replace("{path: incoming}", "{path: incoming, poll_s: 1}");
    fs::write(here.settings(), text).unwrap();
    fs::create_dir(here.path("told")).unwrap();
    script(&here.path("keeper"), KEEPER);
    here
}

struct Daemon(Child);

impl Daemon {
    fn start(here: &Observatory) -> Self {
        let errors = fs::File::create(here.path("errors.log")).unwrap();
        let child = Command::new(program())
            .args(["run", "--config"])
            .arg(here.settings())
            .stderr(errors)
            .spawn();
        Self(child.unwrap())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let id = i32::try_from(self.0.id()).unwrap();
        let _ = kill_process(Pid::from_raw(id).unwrap(), Signal::TERM);
        let _ = self.0.wait();
    }
}

/// Waits for an event and reads it.
fn event(here: &Observatory, name: &str) -> serde_json::Value {
    let patience = Instant::now() + Duration::from_secs(60);
    loop {
        if let Ok(text) = fs::read_to_string(here.path("told").join(name)) {
            return serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error}: {text}"));
        }
        let errors = || fs::read_to_string(here.path("errors.log")).unwrap_or_default();
        assert!(Instant::now() < patience, "no {name}\n{}", errors());
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn told(here: &Observatory) -> Vec<String> {
    let names = fs::read_dir(here.path("told")).unwrap();
    let mut names: Vec<String> = names
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn a_night_that_ends_is_told_of_with_its_digest_and_only_by_the_daemon() {
    let here = observatory("disk_low_gb: 0");
    here.shoot(FRAMES);
    here.once();
    assert_eq!(told(&here), Vec::<String>::new(), "once has no hooks");
    // As it was left by a daemon that was stopped before the night was over.
    let log = here
        .products()
        .join("nights")
        .join(EVENING)
        .join("session.yaml");
    let text = fs::read_to_string(&log).unwrap();
    fs::write(&log, text.replace("\"closed\"", "\"open\"")).unwrap();
    let daemon = Daemon::start(&here);
    let event = event(&here, "night-closed-0");
    assert_eq!(event["schema"], "dawnledger-event/1");
    assert_eq!(event["night"], EVENING);
    assert_eq!(event["site"], "Skarn Hill");
    assert_eq!(event["numbers"]["calibrated"], 3);
    assert_eq!(event["numbers"]["kept_s"], 180.0);
    let digest = event["digest"].as_str().unwrap();
    assert!(
        digest.starts_with("Skarn Hill, night of 2026-09-05"),
        "{digest}"
    );
    // Another start finds the log closed.
    drop(daemon);
    let _daemon = Daemon::start(&here);
    fs::rename(here.incoming(), here.path("elsewhere")).unwrap();
    self::event(&here, "failed-0");
    assert_eq!(told(&here), ["failed-0", "night-closed-0"]);
}

#[test]
fn words_for_a_hook_mean_nothing_to_a_shell() {
    let words = [
        "$(touch bad)",
        "; touch bad",
        "*",
        "`touch bad`",
        "a  b",
        ">bad",
    ];
    let here = observatory("disk_low_gb: 1000000");
    let quoted: Vec<String> = words.iter().map(|word| format!("'{word}'")).collect();
    let text = fs::read_to_string(here.settings()).unwrap();
    let told = here.path("told").display().to_string();
    let command = |more: &str| format!("command: [keeper, {told}{more}]");
    assert!(text.contains(&command("")));
    let more = format!(", {}", quoted.join(", "));
    fs::write(here.settings(), text.replace(&command(""), &command(&more))).unwrap();
    let keeper =
        "#!/bin/sh\ncd \"$1\"\nshift\nprintf '%s\\n' \"$@\" >arriving\nmv arriving words\n";
    script(&here.path("keeper"), keeper);
    let _daemon = Daemon::start(&here);
    let patience = Instant::now() + Duration::from_secs(60);
    let kept = here.path("told").join("words");
    while !kept.exists() {
        assert!(Instant::now() < patience, "no words");
        std::thread::sleep(Duration::from_millis(50));
    }
    assert_eq!(
        fs::read_to_string(kept)
            .unwrap()
            .lines()
            .collect::<Vec<_>>(),
        words
    );
    assert_eq!(self::told(&here), ["words"]);
    assert!(!here.path("bad").exists() && !Path::new("bad").exists());
}

#[test]
fn a_watch_folder_that_is_away_and_a_low_disk_are_told_of_once() {
    let here = observatory("disk_low_gb: 1000000");
    let _daemon = Daemon::start(&here);
    let low = event(&here, "disk-low-0");
    assert!(low["free_bytes"].as_u64().unwrap() < 1_000_000_000_000_000);
    assert_eq!(low["limit_bytes"], 1_000_000_000_000_000_u64);
    assert_eq!(low["folder"], here.products().to_str().unwrap());
    fs::rename(here.incoming(), here.path("elsewhere")).unwrap();
    let failed = event(&here, "failed-0");
    assert_eq!(failed["cause"], "watch-folder");
    let text = failed["text"].as_str().unwrap();
    assert!(text.contains(here.incoming().to_str().unwrap()), "{text}");
}

/// Runs a shipped hook as the daemon does, with `programs` in front of its path.
fn call(name: &str, arguments: &[&str], programs: &Path, event: &str) -> Output {
    let hook = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("deploy/hooks")
        .join(name);
    let mut child = Command::new(hook)
        .args(arguments)
        .env_clear()
        .env("PATH", format!("{}:/usr/bin:/bin", programs.display()))
        .current_dir(programs)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A hook that complains at once need not read.
    let _ = child.stdin.take().unwrap().write_all(event.as_bytes());
    child.wait_with_output().unwrap()
}

/// An event with all that may trip a shell script.
fn tricky() -> String {
    let event = serde_json::json!({
        "schema": "dawnledger-event/1",
        "event": "night-closed",
        "numbers": {"text": "not this one", "files": 3},
        "digest": "Sk\u{e1}rn Hill\n  \"12\" lights \\n $(touch bad) `touch bad` %s\n\tna\u{7}me\n",
        "site": "Sk\u{e1}rn\nHill",
        "text": "night of 2026-09-05: 3 lights\nBcc: everybody@skarn.example",
    });
    format!("{}\n", serde_json::to_string_pretty(&event).unwrap())
}

#[test]
fn the_hook_for_mail_writes_a_message_that_its_reader_can_read() {
    let folder = tempfile::tempdir().unwrap();
    script(
        &folder.path().join("sendmail"),
        "#!/bin/sh\nprintf '%s\\n' \"$@\" >arguments\ncat >message\n",
    );
    let to = ["night@skarn.example", "day@skarn.example"];
    let output = call("mail", &to, folder.path(), &tricky());
    assert!(output.status.success(), "{}", said(&output));
    let read = |name| fs::read_to_string(folder.path().join(name)).unwrap();
    assert_eq!(
        read("arguments"),
        "-i\n--\nnight@skarn.example\nday@skarn.example\n"
    );
    let message = read("message");
    let (head, body) = message.split_once("\n\n").unwrap();
    assert_eq!(
        head,
        "To: night@skarn.example, day@skarn.example\n\
         Subject: Sk??rn?Hill: night-closed, night of 2026-09-05: 3 lights?Bcc: everybody@skarn.example\n\
         MIME-Version: 1.0\nContent-Type: text/plain; charset=UTF-8\n\
         Content-Transfer-Encoding: 8bit\nAuto-Submitted: auto-generated"
    );
    assert_eq!(
        body,
        "night of 2026-09-05: 3 lights\nBcc: everybody@skarn.example\n\n\
         Sk\u{e1}rn Hill\n  \"12\" lights \\n $(touch bad) `touch bad` %s\n\tna?me\n"
    );
    assert!(!folder.path().join("bad").exists());
}

#[test]
fn the_hook_for_mail_fails_where_the_mail_does_or_nobody_is_named() {
    let folder = tempfile::tempdir().unwrap();
    script(&folder.path().join("sendmail"), "#!/bin/sh\nexit 75\n");
    let output = call("mail", &["night@skarn.example"], folder.path(), &tricky());
    assert_eq!(output.status.code(), Some(75), "{}", said(&output));
    let output = call("mail", &[], folder.path(), &tricky());
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
}

/// The file that says where to, readable as `mode` says.
fn address(folder: &Path, text: &str, mode: u32) -> String {
    let path = folder.join("push");
    fs::write(&path, text).unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
    path.to_str().unwrap().to_owned()
}

#[test]
fn the_hook_for_http_sends_the_event_and_keeps_the_address_to_itself() {
    let folder = tempfile::tempdir().unwrap();
    script(
        &folder.path().join("curl"),
        "#!/bin/sh\nprintf '%s ' \"$@\" >arguments\ncat >body\n",
    );
    let secret = "url = \"http://push.skarn.example/token\"\n";
    let file = address(folder.path(), secret, 0o600);
    let output = call("push", &[&file], folder.path(), &tricky());
    assert!(output.status.success(), "{}", said(&output));
    let read = |name| fs::read_to_string(folder.path().join(name)).unwrap();
    assert_eq!(read("body"), tricky());
    assert_eq!(
        read("arguments"),
        format!(
            "--config {file} --fail --silent --show-error --max-time 20 --output /dev/null \
             --header Content-Type: application/json --data-binary @- "
        )
    );
    // What everybody may read is no secret, and what is not there leads nowhere.
    address(folder.path(), secret, 0o644);
    for named in [&[&*file][..], &["missing"], &[]] {
        let output = call("push", named, folder.path(), &tricky());
        assert_eq!(
            output.status.code(),
            Some(2),
            "{named:?}: {}",
            said(&output)
        );
    }
}

/// The same with the real program, where there is one, and a listener on this machine.
#[test]
fn the_hook_for_http_arrives() {
    let path = std::env::var_os("PATH").unwrap_or_default();
    if !std::env::split_paths(&path).any(|folder| folder.join("curl").is_file()) {
        eprintln!("there is no curl here: only the hook's own part was tested");
        return;
    }
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let server = std::thread::spawn(move || {
        ["204 No Content", "500 Internal Server Error"].map(|answer| {
            let (stream, _) = listener.accept().unwrap();
            let mut reader = BufReader::new(stream);
            let (mut head, mut length) = (Vec::new(), 0);
            loop {
                let mut line = String::new();
                reader.read_line(&mut line).unwrap();
                let line = line.trim_end().to_lowercase();
                if line.is_empty() {
                    break;
                }
                if let Some(value) = line.strip_prefix("content-length: ") {
                    length = value.parse().unwrap();
                }
                head.push(line);
            }
            let mut body = vec![0; length];
            reader.read_exact(&mut body).unwrap();
            let answer = format!("HTTP/1.1 {answer}\r\nContent-Length: 0\r\n\r\n");
            reader.into_inner().write_all(answer.as_bytes()).unwrap();
            (head, String::from_utf8(body).unwrap())
        })
    });
    let folder = tempfile::tempdir().unwrap();
    let text = format!("url = \"http://127.0.0.1:{port}/night\"\nnoproxy = \"*\"\n");
    let file = address(folder.path(), &text, 0o600);
    let sent = call("push", &[&file], folder.path(), &tricky());
    let refused = call("push", &[&file], folder.path(), &tricky());
    assert!(sent.status.success(), "{}", said(&sent));
    assert!(!refused.status.success(), "{}", said(&refused));
    for (head, body) in server.join().unwrap() {
        assert_eq!(head[0], "post /night http/1.1");
        assert!(
            head.contains(&"content-type: application/json".to_owned()),
            "{head:?}"
        );
        assert_eq!(body, tricky());
    }
}
