//! Files of a simulated night: names, bytes, times, independence; scenarios that are refused.

use super::*;

#[test]
fn nothing_depends_on_what_else_is_in_the_night() {
    let one = scenario(MONO);
    let more = scenario(&format!(
        "{MONO}      - {{kind: flat-dark, start: '2026-09-05T17:00:00Z', name: 'fd_{{n}}.fits'}}\n"
    ));
    let fewer_faults = scenario(&MONO.replace("{at: [2], fault: {clouds: 0.5}}, ", ""));
    let bytes = |scenario: &Scenario, name: &str| {
        let files = frames(scenario);
        let file = files.iter().find(|file| file.path.ends_with(name));
        render(scenario, file.unwrap_or_else(|| panic!("no {name}")))
    };
    for name in [
        "light_R_60s_0001.fits",
        "light_R_60s_0003.fits",
        "bias_none_0s_0002.fits",
    ] {
        assert!(bytes(&one, name) == bytes(&one, name), "{name}");
        assert!(bytes(&one, name) == bytes(&more, name), "{name}");
        assert!(bytes(&one, name) == bytes(&fewer_faults, name), "{name}");
    }
    let second = "light_R_60s_0002.fits";
    assert!(bytes(&one, second) != bytes(&fewer_faults, second));
    assert!(bytes(&one, "bias_none_0s_0001.fits") != bytes(&one, "bias_none_0s_0002.fits"));
}

#[test]
fn files_have_the_bytes_of_their_fault() {
    let text = "
rigs:
  - camera: Test 1M
    sensor: {width: 40, height: 30}
    cards: {TELESCOP: 'A''s [1]', FOCALLEN: null, GAIN: 7}
    runs:
      - {kind: bias, start: '2026-09-05T18:00:00Z', count: 5, name: '{n}.fits',
         faults: [{at: [2], fault: {truncated: 0.5}}, {at: [3], fault: header-only},
                  {at: [4], fault: junk}, {at: [5], fault: empty}]}
      - {kind: dark, start: '2026-09-05T19:00:00Z', count: 1, name: 'z{n}.fits', gzip: true}
strays:
  - {path: copy.fits, at: '2026-09-06T00:00:00Z', copy_of: 0001.fits}
  - {path: a/note.txt, at: '2026-09-05T00:00:00Z', text: hello}
";
    let scenario = scenario(text);
    let files = frames(&scenario);
    let paths: Vec<_> = files
        .iter()
        .map(|file| file.path.to_str().unwrap())
        .collect();
    let order = [
        "a/note.txt",
        "0001.fits",
        "0002.fits",
        "0003.fits",
        "0004.fits",
        "0005.fits",
        "z0001.fits.gz",
        "copy.fits",
    ];
    assert_eq!(paths, order);
    let bytes: Vec<_> = files.iter().map(|file| render(&scenario, file)).collect();
    let whole = &bytes[1];
    assert_eq!(bytes[0], b"hello");
    assert_eq!(whole.len(), 2880 * 2);
    assert_eq!(bytes[2].len(), 2880 + 1200);
    assert_eq!(bytes[3].len(), 2880);
    assert_eq!(bytes[4].len(), whole.len());
    assert!(!bytes[4].starts_with(b"SIMPLE"));
    assert!(bytes[5].is_empty());
    assert!(bytes[6].starts_with(&[0x1f, 0x8b]));
    assert!(&bytes[7] == whole);
    let header = String::from_utf8(whole[..2880].to_vec()).unwrap();
    assert!(header.contains("TELESCOP= 'A''s [1]'"), "{header}");
    assert!(!header.contains("FOCALLEN"), "{header}");
    assert!(
        header.contains("GAIN    =                    7"),
        "{header}"
    );
    let stored = i16::from_be_bytes([whole[2880], whole[2881]]);
    let first = pixels(&scenario, files[1].exposure().unwrap())[0];
    assert_eq!(i32::from(stored) + 32_768, i32::from(first));
}

#[test]
fn written_nights_carry_their_times() {
    let folder = tempfile::tempdir().unwrap();
    let text = "
rigs:
  - camera: Test 1M
    folder: a b
    sensor: {width: 8, height: 8}
    runs: [{kind: bias, start: '2026-09-05T18:00:00Z', count: 2}]
";
    let scenario = scenario(text);
    let paths = write_all(&scenario, folder.path()).unwrap();
    for (path, file) in paths.iter().zip(frames(&scenario)) {
        let metadata = std::fs::metadata(path).unwrap();
        assert_eq!(metadata.modified().unwrap(), file.file_time());
        assert_eq!(std::fs::read(path).unwrap(), render(&scenario, &file));
    }
    assert_eq!(paths.len(), 2);
}

#[test]
fn scenarios_that_cannot_be_played_are_refused() {
    let cases = [
        ("rigs: [{camera: A, lens: 3}]", "unknown field `lens`"),
        ("rigs: [{camera: A, lens: 3}]", "line 1 column"),
        (
            "rigs: [{camera: A, sensor: {width: 2}}]",
            "width and height",
        ),
        (
            "rigs: [{camera: A, sensor: {e_per_adu: .nan}}]",
            "e_per_adu",
        ),
        (
            "rigs: [{camera: A, runs: [{kind: light, start: '2026-09-05T18:00:00Z'}]}]",
            "needs a target",
        ),
        (
            "rigs: [{camera: A, runs: [{kind: flat, filter: X, start: '2026-09-05T18:00:00Z'}]}]",
            "no filter X",
        ),
        (
            "rigs: [{camera: A, runs: [{kind: bias, start: '2026-09-05T18:00:00Z', name: x}]}]",
            "two files",
        ),
        (
            "rigs: [{camera: A, runs: [{kind: bias, start: '2026-09-05T18:00:00Z', name: ../x}]}]",
            "inside",
        ),
        (
            "rigs: [{camera: A, runs: [{kind: bias, start: '2026-09-05T18:00:00Z', faults: [{at: [11], fault: junk}]}]}]",
            "no exposure 11",
        ),
        (
            "rigs: [{camera: A, runs: [{kind: bias, start: '2026-09-05T18:00:00Z', faults: [{at: [1], fault: {clouds: 2}}]}]}]",
            "cannot be played",
        ),
        (
            "rigs: []\nstrays: [{path: x, at: '2026-09-05T18:00:00Z', copy_of: y}]",
            "no frame is called y",
        ),
    ];
    for (text, wanted) in cases {
        let error = Scenario::parse(text).unwrap_err().to_string();
        assert!(error.contains(wanted), "{text}\n{error}");
    }
}

#[test]
fn big_stacks_are_dark_frames_with_outliers() {
    let folder = tempfile::tempdir().unwrap();
    let paths = write_stack(folder.path(), 2, 1501, 701, 5).unwrap();
    let read = |path: &Path| {
        let bytes = std::fs::read(path).unwrap();
        assert_eq!(bytes.len() % BLOCK, 0);
        let data = &bytes[BLOCK..BLOCK + 2 * 1501 * 701];
        data.chunks(2)
            .map(|two| f64::from(u16::from_be_bytes([two[0], two[1]]) ^ 0x8000))
            .collect::<Vec<f64>>()
    };
    let (first, second) = (read(&paths[0]), read(&paths[1]));
    let struck = first.iter().filter(|&&value| value > 580.0).count();
    assert!((60..160).contains(&struck), "{struck} of about 105");
    let difference: Vec<f64> = minus(&first, &second)
        .into_iter()
        .filter(|value| value.abs() < 60.0)
        .collect();
    near("noise", (variance(&difference) / 2.0).sqrt(), 6.0, 0.02);
    assert!(mean(&difference).abs() < 0.05);
}
