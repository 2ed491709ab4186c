//! The frames of one invented night, rendered once and dated anew for each night that is wanted.

use dawnledger::facts::Kind;
use dawnledger::simulate::{Planned, Scenario, frames, render};
use jiff::{SignedDuration, Timestamp};

pub struct Frame {
    pub is_light: bool,
    pub bytes: Vec<u8>,
    /// Where the time of the exposure stands in the header.
    date: usize,
    start: Timestamp,
}

const SMALL: &str = "{width: 32, height: 24}";
const LARGE: &str = "{width: 6248, height: 4176}";

/// A night of small frames: so many lights, flats and bias frames.
pub fn night(lights: usize, flats: usize, bias: usize) -> Vec<Frame> {
    of(SMALL, [lights, flats, bias], 5)
}

/// Three bias frames, three flats and a light of 26 megapixels with 3,000 stars.
pub fn large() -> Vec<Frame> {
    of(LARGE, [1, 3, 3], 3000)
}

fn of(sensor: &str, [lights, flats, bias]: [usize; 3], stars: usize) -> Vec<Frame> {
    let scenario = format!(
        "rigs:
  - camera: Petrel 26M
    sensor: {sensor}
    filters: [{{name: Ha}}]
    targets: [{{name: Veil Nebula, stars: {stars}}}]
    runs:
      - {{kind: bias, start: '2022-09-05T18:00:00Z', count: {bias}, every_s: 2}}
      - {{kind: flat, filter: Ha, exposure_s: 2, start: '2022-09-05T19:00:00Z', count: {flats}, every_s: 5}}
      - {{kind: light, filter: Ha, target: Veil Nebula, exposure_s: 5, start: '2022-09-05T20:00:00Z',
         count: {lights}, every_s: 6}}
"
    );
    let scenario = Scenario::parse(&scenario).unwrap();
    frames(&scenario)
        .iter()
        .map(|file| {
            let Planned::Frame(exposure) = &file.content else {
                unreachable!("there are no strays in it");
            };
            let bytes = render(&scenario, file);
            let date = bytes.windows(9).position(|card| card == b"DATE-OBS=");
            Frame {
                is_light: exposure.kind == Kind::Light,
                bytes,
                date: date.unwrap() + 11,
                start: exposure.start,
            }
        })
        .collect()
}

impl Frame {
    /// The same frame that many nights later.
    pub fn later(&self, nights: i64) -> Vec<u8> {
        let start = self.start + SignedDuration::from_hours(24 * nights);
        let date = start.strftime("%Y-%m-%dT%H:%M:%S").to_string();
        let mut bytes = self.bytes.clone();
        bytes[self.date..self.date + date.len()].copy_from_slice(date.as_bytes());
        bytes
    }
}
