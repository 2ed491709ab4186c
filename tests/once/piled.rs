//! A camera of 14 bits whose files say 16: where its samples pile up they are saturated, and no header
//! or profile says where that is.

use dawnledger::facts::Kind;
use dawnledger::fits::Source;

use crate::demo::pixels;
use crate::observatory::Observatory;

/// The last two of eight flats reach the end of the converter; good ones would be too dark for 16 bits.
/// Bright stars, and hot pixels that a dark fills.
const NIGHT: &str = "rigs:
  - camera: Dunlin 24C
    folder: south
    sensor: {width: 128, height: 96, cfa: RGGB, bits: 14, scaled_to_16_bits: false, e_per_adu: 2, read_noise_e: 3,
             pedestal_adu: 100, hot_pixels_per_million: 4000, hot_e_per_s: 900, dark_e_per_s: 0.02}
    filters: [{name: L, sky_e_per_s: 3}]
    targets: [{name: M 33, stars: 12, faintest_e_per_s: 30000, brightest_e_per_s: 600000}]
    runs:
      - {kind: flat, filter: L, exposure_s: 2, level: 0.5, start: '2026-09-05T19:00:00Z', count: 6}
      - {kind: flat, filter: L, exposure_s: 5, level: 1, start: '2026-09-05T19:10:00Z', count: 2}
      - {kind: light, filter: L, target: M 33, exposure_s: 120, start: '2026-09-05T21:00:00Z', count: 3}
      - {kind: bias, start: '2026-09-06T04:00:00Z', count: 9}
      - {kind: dark, exposure_s: 120, start: '2026-09-06T04:10:00Z', count: 9}
";

/// The end of 14 bits, ADU.
const TOP: f32 = 16_383.0;

#[test]
fn what_reaches_the_end_of_14_bits_is_saturated() {
    let here = Observatory::new(&[("south", crate::SOUTH)], "");
    here.shoot(NIGHT);
    here.once();
    let log = here.session("2026-09-05");
    let flats = log
        .calibration
        .iter()
        .filter(|entry| entry.kind == Kind::Flat);
    let mut out = Vec::new();
    for flat in flats {
        match flat.state.as_str() {
            "used" => {}
            _ => out.push(flat.reason.clone().unwrap()),
        }
    }
    assert_eq!(out.len(), 2, "{out:?}");
    for reason in out {
        assert!(reason.starts_with("saturated: "), "{reason}");
        assert!(
            reason.contains(" at or above 16383 ADU, limit 1 %"),
            "{reason}"
        );
    }
    // A master goes by the frames that it is made of: of these, darks alone show it.
    for master in &log.masters {
        let told = master.method.contains(" saturation=16383");
        assert_eq!(told, master.kind == Kind::Dark, "{}", master.method);
    }
    let mut saturated = 0;
    for light in &log.lights {
        let path = here.products().join(light.product.as_ref().unwrap());
        let plane = Source::open_plane(&path, "DLMASK").unwrap().unwrap();
        let mut mask = vec![0; plane.width() * plane.height()];
        plane.rows_u16(0, plane.height(), &mut mask).unwrap();
        let raw = pixels(&here.incoming().join(&light.file));
        for (place, (&flags, &raw)) in mask.iter().zip(&raw).enumerate() {
            assert_eq!(flags & 1 != 0, raw >= TOP, "{place}: {raw} ADU");
            saturated += usize::from(raw >= TOP);
        }
    }
    assert!(saturated > 100, "{saturated}");
}
