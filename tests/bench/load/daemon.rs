//! The daemon as a child process, watched from outside: what it tells the service manager, and what
//! the kernel says that it holds.

use std::fs;
use std::io::ErrorKind;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command};
use std::time::{Duration, Instant};

/// It does nothing for so long: it rests.
const STILL: Duration = Duration::from_secs(4);

/// Its log, in the job's folder.
const LOG: &str = "errors.log";

pub struct Daemon {
    child: Child,
    begun: Instant,
    notices: UnixDatagram,
    folder: std::path::PathBuf,
}

impl Daemon {
    pub fn start(folder: &Path) -> Self {
        let socket = folder.join("notify.sock");
        let _ = fs::remove_file(&socket);
        let notices = UnixDatagram::bind(&socket).unwrap();
        notices
            .set_read_timeout(Some(Duration::from_secs(60)))
            .unwrap();
        let begun = Instant::now();
        let errors = fs::File::options()
            .create(true)
            .append(true)
            .open(folder.join(LOG))
            .unwrap();
        let child = Command::new(env!("CARGO_BIN_EXE_dawnledger"))
            .args(["run", "--config"])
            .arg(folder.join("settings.yaml"))
            .env("NOTIFY_SOCKET", &socket)
            .stderr(errors)
            .spawn()
            .unwrap();
        Self {
            child,
            begun,
            notices,
            folder: folder.to_owned(),
        }
    }

    /// Waits until it says that it is ready. Seconds since the start.
    pub fn ready(&mut self) -> f64 {
        let mut notice = [0; 4096];
        loop {
            let length = self.notices.recv(&mut notice).unwrap();
            if notice[..length].starts_with(b"READY=1") {
                return self.begun.elapsed().as_secs_f64();
            }
        }
    }

    /// Waits until it has had no work for some seconds: it uses no processor time and logs nothing. One
    /// of both does not tell: it may wait for a disk between two lines, or plan for long.
    pub fn rests(&mut self) {
        self.drain();
        let (mut ticks, mut told) = (self.ticks(), self.told());
        let mut since = Instant::now();
        while since.elapsed() < STILL {
            std::thread::sleep(Duration::from_millis(200));
            self.drain();
            let now = (self.ticks(), self.told());
            if now.0 > ticks + 1 || now.1 != told {
                since = Instant::now();
            }
            (ticks, told) = now;
            assert!(self.child.try_wait().unwrap().is_none(), "it ended");
        }
    }

    /// Bytes of its log.
    fn told(&self) -> u64 {
        let log = fs::metadata(self.folder.join(LOG));
        log.unwrap().len()
    }

    /// Notices that nobody reads would fill the socket.
    pub fn drain(&self) {
        self.notices.set_nonblocking(true).unwrap();
        let mut notice = [0; 4096];
        while !matches!(self.notices.recv(&mut notice), Err(error) if error.kind() == ErrorKind::WouldBlock)
        {
        }
        self.notices.set_nonblocking(false).unwrap();
    }

    fn about(&self, file: &str) -> String {
        fs::read_to_string(format!("/proc/{}/{file}", self.child.id())).unwrap()
    }

    /// Processor time, clock ticks.
    fn ticks(&self) -> u64 {
        let stat = self.about("stat");
        let fields = stat.rsplit(')').next().unwrap();
        let of = |place: usize| -> u64 {
            let field = fields.split_whitespace().nth(place);
            field.unwrap().parse().unwrap()
        };
        of(11) + of(12)
    }

    /// Resident memory and its highest value, MiB.
    pub fn memory(&self) -> (f64, f64) {
        let status = self.about("status");
        let of = |name: &str| {
            let line = status.lines().find(|line| line.starts_with(name)).unwrap();
            let kib = line.split_whitespace().nth(1).unwrap();
            kib.parse::<f64>().unwrap() / 1024.0
        };
        (of("VmRSS:"), of("VmHWM:"))
    }

    /// Open files.
    pub fn handles(&self) -> usize {
        fs::read_dir(format!("/proc/{}/fd", self.child.id()))
            .unwrap()
            .count()
    }

    pub fn holds(&self) -> String {
        let (memory, highest) = self.memory();
        format!(
            "{memory:.1} MiB resident, {highest:.1} at the highest, {} handles",
            self.handles()
        )
    }

    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    pub fn stop(mut self) {
        let pid = rustix::process::Pid::from_raw(self.child.id().cast_signed()).unwrap();
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
        let status = self.child.wait().unwrap();
        let errors = self.folder.join(LOG);
        assert!(
            status.success(),
            "{status}\n{}",
            fs::read_to_string(errors).unwrap()
        );
    }
}
