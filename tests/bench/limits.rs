//! The whole program against the machine: times of whole processes beside `cat`, `cp` and astropy on
//! the same files, alternating in one run, and their ratios.
//!
//! `tests/bench/limits [FOLDER] [PART...]`, or `cargo bench --bench limits -- ...`. Parts:
//!
//! - `masters`: 40 dark frames of 26 megapixels by every method: the program's own timing line, the
//!   whole of `once` from nothing, and `cat` of the files. Also astropy, where
//!   `tests/reference/verify_products.sh` has put a Python that has it.
//! - `light`: lights calibrated with masters at hand, beside `cp` of a raw file to a fresh name;
//!   what flushing to the disk takes stands apart.
//! - `judged`: what each light more takes of `once`, from its raw file to its verdict: a field of 3,000
//!   stars, with a dark and a flat.
//! - `packed`: the same 40 frames Rice-compressed, beside decoding them.
//! - `scaling`: N = 10 to 160 frames, and frames of a quarter of the size.
//! - `headers`: files a second whose headers are read.
//! - `large`: 200 frames of 61 megapixels (24 GB; only when asked for).
//!
//! Frames are made where they are missing; FOLDER is the temporary folder's `dawnledger-limits`
//! where it is left out. Medians of five alternating runs, warm page cache; `large` and astropy run once.
//! Ends with 1 where a limit was missed; the last line says which.

#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

#[path = "words.rs"]
mod words;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::Instant;

use dawnledger::fits::{ImageWriter, Plane, Samples, Source, Storage, Unpacker};
use dawnledger::publish::Disk;
use dawnledger::simulate::Scenario;
use words::words;

const WIDTH: usize = 6248;
const HEIGHT: usize = 4176;
const FRAMES: usize = 40;
const RUNS: usize = 5;
/// A part by its name.
type Part = (&'static str, fn(&Path, &mut Limits));

const PARTS: [Part; 7] = [
    ("masters", masters),
    ("light", light),
    ("judged", judged),
    ("packed", packed),
    ("scaling", scaling),
    ("headers", headers),
    ("large", large),
];

fn main() -> ExitCode {
    let (parts, folder) = words(&PARTS.map(|(name, _)| name), "dawnledger-limits");
    let mut limits = Limits::default();
    for (name, measure) in PARTS {
        let wanted = match parts.is_empty() {
            true => name != "large",
            false => parts.iter().any(|part| part == name),
        };
        if wanted {
            measure(&folder, &mut limits);
        }
    }
    if limits.missed.is_empty() {
        return ExitCode::SUCCESS;
    }
    println!("\nmissed: {}", limits.missed.join("; "));
    ExitCode::FAILURE
}

/// Holds what was measured against what is allowed.
#[derive(Default)]
struct Limits {
    missed: Vec<String>,
}

impl Limits {
    fn at_most(&mut self, what: &str, found: f64, limit: f64) {
        if found.is_nan() || found > limit {
            self.missed
                .push(format!("{what} {found:.2}, at most {limit}"));
        }
    }

    fn at_least(&mut self, what: &str, found: f64, limit: f64) {
        if found.is_nan() || found < limit {
            self.missed
                .push(format!("{what} {found:.2}, at least {limit}"));
        }
    }
}

/// Masters by every method that a profile can ask for, and the limit of each as a ratio to `cat`, where it has one.
const METHODS: [(&str, &str, Option<f64>); 6] = [
    ("mean", "{method: mean}", None),
    ("median", "{method: median}", Some(1.6)),
    (
        "sigma-clip, mean",
        "{method: sigma-clip, low: 4, high: 3, center: mean}",
        Some(2.0),
    ),
    (
        "sigma-clip, median",
        "{method: sigma-clip, low: 4, high: 3, center: median}",
        Some(2.5),
    ),
    (
        "winsorized",
        "{method: winsorized, low: 4, high: 3}",
        Some(4.0),
    ),
    (
        "generalized-esd",
        "{method: generalized-esd, alpha: 0.05, max_outliers: 5}",
        Some(8.0),
    ),
];

/// The whole of `once` over the frames of a master, as a ratio to `cat`.
const ONCE_LIMIT: f64 = 5.0;
/// MiB.
const PEAK_LIMIT: u64 = 256;
/// How many times as long astropy takes.
const ASTROPY_LIMIT: f64 = 60.0;

fn masters(folder: &Path, limits: &mut Limits) {
    let job = Job::new(&folder.join(FRAMES.to_string()), FRAMES, WIDTH, HEIGHT);
    println!("\nmasters of {FRAMES} frames of {WIDTH}x{HEIGHT}");
    println!(
        "method               cat s  master s  ratio  limit   once s  ratio  limit  VmHWM MiB (limit: {PEAK_LIMIT})"
    );
    for (name, combine, limit) in METHODS {
        let mut runs = Runs::default();
        for _ in 0..RUNS {
            runs.cat.push(job.cat());
            let once = job.once(&rules("required", combine, "never"));
            runs.add(&once);
        }
        let (cat, master, once) = (median(runs.cat), median(runs.made), median(runs.whole));
        let shown = limit.map_or("-".to_owned(), |limit| format!("{limit:.1}"));
        println!(
            "{name:19} {cat:6.2}    {master:6.2}  {:5.2}  {shown:>5}   {once:6.2}  {:5.2}  {ONCE_LIMIT:5.1}  {:9}",
            master / cat,
            once / cat,
            runs.peak
        );
        if let Some(limit) = limit {
            limits.at_most(&format!("{name}, master over cat"), master / cat, limit);
        }
        limits.at_most(&format!("{name}, once over cat"), once / cat, ONCE_LIMIT);
        limits.at_most(
            &format!("{name}, VmHWM MiB"),
            runs.peak as f64,
            PEAK_LIMIT as f64,
        );
    }
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/reference/bin/python");
    if !python.exists() {
        println!("astropy is left out: {} is not there", python.display());
        limits.missed.push("astropy is left out".to_owned());
        return;
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/astropy_master.py");
    // As many runs before as after it: it takes so long that the machine may become another meanwhile.
    let mut runs = Runs::default();
    let (_, combine, _) = METHODS[3];
    let clip = |runs: &mut Runs| runs.add(&job.once(&rules("required", combine, "never")));
    (0..RUNS).for_each(|_| clip(&mut runs));
    let output = Command::new(python)
        .arg(script)
        .arg(&job.incoming)
        .arg(job.folder.join("astropy.fits"))
        .output()
        .expect("python");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let astropy: f64 = text.trim().parse().unwrap_or_else(|_| panic!("{output:?}"));
    (0..RUNS).for_each(|_| clip(&mut runs));
    let times = astropy / median(runs.made);
    println!(
        "astropy, sigma-clip, median, one run: {astropy:.1} s, {times:.0} times as long (limit: at least {ASTROPY_LIMIT})"
    );
    limits.at_least("astropy over master", times, ASTROPY_LIMIT);
}

/// A light, as a ratio to `cp`.
const LIGHT_LIMIT: f64 = 3.0;

fn light(folder: &Path, limits: &mut Limits) {
    let job = Job::new(&folder.join("light"), 2 * 10, WIDTH, HEIGHT);
    // Of twenty darks six become lights, whose level does not matter here, and six flats, which
    // get a level.
    for (number, path) in job.frames().iter().enumerate() {
        let kind = ["DARK ", "LIGHT", "FLAT "][number % 3];
        let mut bytes = fs::read(path).unwrap();
        let place = bytes.windows(9).position(|window| window == b"IMAGETYP=");
        let place = place.expect("IMAGETYP") + 11;
        if bytes[place..].starts_with(kind.as_bytes()) {
            continue;
        }
        bytes[place..place + 5].copy_from_slice(kind.as_bytes());
        if kind == "FLAT " {
            for sample in bytes[2880..].as_chunks_mut::<2>().0 {
                let stored = i16::from_be_bytes(*sample).saturating_add(20_000);
                *sample = stored.to_be_bytes();
            }
        }
        fs::write(path, bytes).unwrap();
    }
    let (mut copies, mut lights, mut flushed) = (Vec::new(), Vec::new(), Vec::new());
    let mut kept = Vec::new();
    let raw = job.frames()[1].clone();
    let profile = rules("required", "{method: mean}", "if-present");
    for run in 0..RUNS {
        let once = job.once(&profile);
        assert!(once.made.iter().any(|made| made.product.contains("/flat/")));
        // The first also loads the masters.
        let made = once
            .made
            .iter()
            .filter(|made| made.product.contains("/subs/"));
        for made in made.skip(1) {
            lights.push(made.seconds - made.flushing);
            flushed.push(made.flushing);
            let copy = job.folder.join(format!("copy-{run}-{}", lights.len()));
            let begun = Instant::now();
            let status = Command::new("cp").arg(&raw).arg(&copy).status().unwrap();
            assert!(status.success());
            copies.push(begun.elapsed().as_secs_f64());
            kept.push(copy);
        }
        // Not one by one: what is removed gives the next file memory that is warm already, which
        // lights, all of which stay, do not have.
        for copy in kept.drain(..) {
            fs::remove_file(copy).unwrap();
        }
    }
    let (copy, light) = (median(copies), median(lights));
    println!("\none light of {WIDTH}x{HEIGHT}, masters at hand");
    println!("cp s    light s  ratio  limit  flushing it s");
    println!(
        "{copy:.4}   {light:.4}  {:5.2}  {LIGHT_LIMIT:5.1}  {:.4}",
        light / copy,
        median(flushed)
    );
    limits.at_most("light over cp", light / copy, LIGHT_LIMIT);
}

/// Lights of the shorter and the longer night that are compared.
const LIGHTS: [usize; 2] = [3, 11];
/// Seconds for a light more.
const JUDGED_LIMIT: f64 = 0.8;

fn judged(folder: &Path, limits: &mut Limits) {
    let job = Job::empty(&folder.join("judged"));
    let all = LIGHTS[1] + 6;
    if job.frames().len() != all {
        let text = SCENARIO.replace("LIGHTS", &LIGHTS[1].to_string());
        let scenario = Scenario::parse(&text).expect("a scenario");
        dawnledger::simulate::write_all(&scenario, &job.incoming).expect("frames");
    }
    let aside = job.folder.join("aside");
    fs::create_dir_all(&aside).unwrap();
    let lights = job.frames();
    let lights = lights
        .iter()
        .filter(|path| path.to_string_lossy().contains("light"));
    let later: Vec<_> = lights.skip(LIGHTS[0]).cloned().collect();
    let profile = rules("required", "{method: mean}", "if-present");
    let mut each = Vec::new();
    for _ in 0..RUNS {
        let long = job.once(&profile);
        let moved = |path: &PathBuf| aside.join(path.file_name().unwrap());
        for path in &later {
            fs::rename(path, moved(path)).unwrap();
        }
        let short = job.once(&profile);
        for path in &later {
            fs::rename(moved(path), path).unwrap();
        }
        let count = |once: &Once| {
            once.made
                .iter()
                .filter(|made| made.product.contains("/subs/"))
                .count()
        };
        assert_eq!([count(&short), count(&long)], LIGHTS);
        each.push((long.whole - short.whole) / later.len() as f64);
    }
    println!("\none light more of {WIDTH}x{HEIGHT} and 3,000 stars, from raw file to verdict");
    let each = median(each);
    println!("seconds  limit\n{each:7.2}  {JUDGED_LIMIT:5.1}");
    limits.at_most("seconds for a light more", each, JUDGED_LIMIT);
}

/// A short night of a sensor of 26 megapixels.
const SCENARIO: &str = "
seed: 26
rigs:
  - camera: Gannet 26M
    sensor: {width: 6248, height: 4176, e_per_adu: 0.78, read_noise_e: 1.5, pedestal_adu: 500, set_point_c: -10}
    optics: {focal_length_mm: 540, vignetting: 0.2}
    filters: [{name: L, sky_e_per_s: 2}]
    targets:
      - {name: M 33, ra_deg: 23.46, dec_deg: 30.66, stars: 3000, faintest_e_per_s: 12, brightest_e_per_s: 3000}
    runs:
      - {kind: dark, start: '2026-09-05T19:00:00Z', count: 3, exposure_s: 120, every_s: 125, name: 'dark_{n}.fits'}
      - {kind: flat, filter: L, start: '2026-09-05T19:30:00Z', count: 3, exposure_s: 2, every_s: 8, level: 0.5, name: 'flat_{n}.fits'}
      - {kind: light, filter: L, target: M 33, start: '2026-09-05T21:00:00Z', count: LIGHTS, exposure_s: 120, every_s: 125, seeing_px: [2.8, 3.2], name: 'light_{n}.fits'}
";

fn packed(folder: &Path, _: &mut Limits) {
    let job = Job::new(&folder.join(FRAMES.to_string()), FRAMES, WIDTH, HEIGHT);
    let packed = Job::empty(&folder.join("packed"));
    for path in job.frames() {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let target = packed.incoming.join(name + ".fz");
        if !target.exists() {
            pack(&path, &target);
        }
    }
    let profile = rules("required", "{method: sigma-clip}", "never");
    let (mut plain, mut whole, mut decoding) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..RUNS {
        plain.push(job.once(&profile).whole);
        whole.push(packed.once(&profile).whole);
        decoding.push(packed.decode());
    }
    let (plain, whole, decoding) = (median(plain), median(whole), median(decoding));
    println!("\n{FRAMES} Rice-compressed frames of {WIDTH}x{HEIGHT}");
    println!(
        "once, plain s  once, compressed s  decoding them, two at a time s  compressed over both others"
    );
    println!(
        "{plain:13.2}  {whole:18.2}  {decoding:30.2}  {:23.2}",
        whole / (plain + decoding)
    );
}

/// A frame as a Rice-compressed one.
fn pack(path: &Path, target: &Path) {
    const STRUCTURE: [&str; 8] = [
        "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "BSCALE", "END",
    ];
    let unpacker = Unpacker::new(
        env!("CARGO_BIN_EXE_dawnledger").into(),
        std::env::temp_dir(),
    );
    let source = Source::open(path, &unpacker).unwrap();
    let (width, height) = (source.width(), source.height());
    let mut pixels = vec![0; width * height];
    source.rows_u16(0, height, &mut pixels).unwrap();
    let mut cards = source.header().cards().to_vec();
    cards.retain(|card| !STRUCTURE.contains(&card.keyword.as_str()));
    let plane = Plane {
        storage: Storage::PackedU16,
        cards: cards.clone(),
        height: None,
    };
    let draft = Disk::default().draft(target).unwrap();
    let writer = ImageWriter::begin(draft, width, height, vec![plane]).unwrap();
    writer.rows(0, 0, Samples::U16(&pixels)).unwrap();
    writer.finish(&cards).unwrap();
}

fn scaling(folder: &Path, _: &mut Limits) {
    println!("\nmasters by sigma-clip around the median");
    println!("frames  size       cat s  master s  ratio  ns per sample  VmHWM MiB");
    for (frames, height) in [10, 20, 40, 80, 160]
        .map(|frames| (frames, HEIGHT))
        .into_iter()
        .chain([(FRAMES, HEIGHT / 4)])
    {
        let name = match height {
            HEIGHT => frames.to_string(),
            _ => format!("{frames}-quarter"),
        };
        let job = Job::new(&folder.join(name), frames, WIDTH, height);
        let mut runs = Runs::default();
        for _ in 0..RUNS {
            runs.cat.push(job.cat());
            runs.add(&job.once(&rules("required", "{method: sigma-clip}", "never")));
        }
        let (cat, master) = (median(runs.cat), median(runs.made));
        let samples = (frames * WIDTH * height) as f64;
        println!(
            "{frames:6}  {WIDTH}x{height}  {cat:5.2}  {master:8.2}  {:5.2}  {:13.3}  {:9}",
            master / cat,
            master * 1e9 / samples,
            runs.peak
        );
    }
}

fn headers(folder: &Path, limits: &mut Limits) {
    const FILES: usize = 20_000;
    /// A second.
    const LIMIT: f64 = 20_000.0;
    let job = Job::new(&folder.join("headers"), FILES, 32, 32);
    let frames = job.frames();
    let mut rates = Vec::new();
    for _ in 0..RUNS {
        let begun = Instant::now();
        for path in &frames {
            dawnledger::fits::read_header(path).expect("a header");
        }
        rates.push(FILES as f64 / begun.elapsed().as_secs_f64());
    }
    let rate = median(rates);
    println!("\nheaders: {rate:.0} files a second, one thread (limit: at least {LIMIT})");
    limits.at_least("headers a second", rate, LIMIT);
}

fn large(folder: &Path, limits: &mut Limits) {
    const LARGE: usize = 200;
    /// MiB.
    const LIMIT: u64 = 512;
    let job = Job::new(&folder.join("large"), LARGE, 9576, 6388);
    let once = job.once(&rules("required", "{method: sigma-clip}", "never"));
    println!(
        "\n{LARGE} frames of 9576x6388: once {:.1} s, VmHWM {} MiB (limit {LIMIT})",
        once.whole, once.peak
    );
    limits.at_most("large, VmHWM MiB", once.peak as f64, LIMIT as f64);
}

/// A profile with these rules for darks and flats.
fn rules(dark: &str, combine: &str, flat: &str) -> String {
    format!(
        "name: north-pier
camera: \"*\"
calibration:
  bias: {{rule: never}}
  dark: {{rule: {dark}, min_frames: 3, combine: {combine}}}
  flat-dark: {{rule: never}}
  flat: {{rule: {flat}, min_frames: 3}}
"
    )
}

/// A folder with frames and settings.
struct Job {
    folder: PathBuf,
    incoming: PathBuf,
}

/// What `once` took and said.
struct Once {
    whole: f64,
    made: Vec<MadeLine>,
    /// Highest resident memory, MiB.
    peak: u64,
}

struct MadeLine {
    product: String,
    seconds: f64,
    flushing: f64,
}

impl Job {
    fn empty(folder: &Path) -> Self {
        let incoming = folder.join("incoming");
        fs::create_dir_all(&incoming).unwrap();
        let settings =
            "site: {name: Skarn Hill, latitude_deg: 57.3, longitude_deg: -4.4, elevation_m: 310}
watch: [{path: incoming}]
output: products
state: state
profiles: [profile.yaml]
";
        fs::write(folder.join("settings.yaml"), settings).unwrap();
        Self {
            folder: folder.to_owned(),
            incoming,
        }
    }

    fn new(folder: &Path, count: usize, width: usize, height: usize) -> Self {
        let job = Self::empty(folder);
        if job.frames().len() != count {
            dawnledger::simulate::write_stack(&job.incoming, count, width, height, 1)
                .expect("frames");
        }
        job
    }

    fn frames(&self) -> Vec<PathBuf> {
        let entries = fs::read_dir(&self.incoming).unwrap();
        let mut files: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
        files.sort();
        files
    }

    fn cat(&self) -> f64 {
        let frames = self.frames();
        let begun = Instant::now();
        let status = Command::new("cat")
            .args(frames)
            .stdout(Stdio::null())
            .status()
            .expect("cat");
        assert!(status.success());
        begun.elapsed().as_secs_f64()
    }

    /// Decodes every frame by the program's own decoder, two at a time, into nothing.
    fn decode(&self) -> f64 {
        let begun = Instant::now();
        for pair in self.frames().chunks(2) {
            let children = pair.iter().enumerate().map(|(place, path)| {
                // One each: a file that two write into has one of them wait.
                let output = self.folder.join(format!("decoded-{place}"));
                Command::new(env!("CARGO_BIN_EXE_dawnledger"))
                    .arg("unpack")
                    .stdin(fs::File::open(path).unwrap())
                    .stdout(fs::File::create(output).unwrap())
                    .spawn()
                    .unwrap()
            });
            for mut child in children.collect::<Vec<_>>() {
                assert!(child.wait().unwrap().success());
            }
        }
        begun.elapsed().as_secs_f64()
    }

    /// Runs `once` from nothing.
    fn once(&self, profile: &str) -> Once {
        fs::write(self.folder.join("profile.yaml"), profile).unwrap();
        for made in ["products", "state"] {
            let _ = fs::remove_dir_all(self.folder.join(made));
        }
        let log = self.folder.join("stderr.log");
        let begun = Instant::now();
        let mut child = Command::new(env!("CARGO_BIN_EXE_dawnledger"))
            .args(["once", "--config"])
            .arg(self.folder.join("settings.yaml"))
            .env(
                "DAWNLEDGER_LOG",
                "warn,dawnledger::daemon::turn=info,dawnledger::daemon::flushing=debug",
            )
            .stderr(fs::File::create(&log).unwrap())
            .spawn()
            .expect("dawnledger");
        let status = format!("/proc/{}/status", child.id());
        let mut peak = 0;
        while child.try_wait().unwrap().is_none() {
            let text = fs::read_to_string(&status).unwrap_or_default();
            let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
            let found = line.and_then(|line| line.split_whitespace().next()?.parse().ok());
            peak = peak.max(found.unwrap_or(0));
            std::thread::sleep(std::time::Duration::from_millis(2));
        }
        let whole = begun.elapsed().as_secs_f64();
        let text = fs::read_to_string(log).unwrap();
        assert!(child.wait().unwrap().success(), "{text}");
        let mut made = Vec::new();
        let mut flushing = 0.0;
        for line in text.lines() {
            let seconds = || {
                line.split("seconds=")
                    .nth(1)
                    .unwrap()
                    .trim()
                    .parse()
                    .unwrap()
            };
            if line.contains(" flushed ") {
                flushing += seconds();
            } else if let Some((_, product)) = line.split_once(" made product=\"") {
                made.push(MadeLine {
                    product: product.split('"').next().unwrap().to_owned(),
                    seconds: seconds(),
                    flushing: std::mem::take(&mut flushing),
                });
            }
        }
        assert!(!made.is_empty(), "{text}");
        Once {
            whole,
            made,
            peak: peak / 1024,
        }
    }
}

/// Times of alternating runs.
#[derive(Default)]
struct Runs {
    cat: Vec<f64>,
    made: Vec<f64>,
    whole: Vec<f64>,
    peak: u64,
}

impl Runs {
    fn add(&mut self, once: &Once) {
        self.made.push(once.made[0].seconds);
        self.whole.push(once.whole);
        self.peak = self.peak.max(once.peak);
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
