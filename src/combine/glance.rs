//! What a look at a chunk of 16-bit samples tells before it is sorted through: which pixels lose nothing by a method of
//! [`Ranked`].

use super::chunk::Chunk;
use super::lanes::LANES;
use super::near::{Near, Pace, chunks_of, means_from};
use super::network::Network;
use super::quiet::Quiet;
use super::ranked::Ranked;
use super::stored::Stored;
use super::strays;
use super::winsor;

type Flags = strays::Flags<LANES>;

/// More lanes that may lose something than these, and sorting all of them at once is faster.
const MOST_LOSING: u32 = LANES as u32 / 3;

/// What a glance tells of a chunk.
pub(super) struct Glance {
    /// Means of all samples of each lane.
    pub means: [f32; LANES],
    /// One for lanes with a sample that must not enter, else zero; not known of all that may lose something.
    pub apart: Flags,
    /// One for lanes that may lose something, else zero.
    pub loses: Flags,
}

impl Glance {
    pub(super) fn new() -> Self {
        Self {
            means: [0.0; LANES],
            apart: [0; LANES],
            loses: [0; LANES],
        }
    }
}

/// Looks at one chunk after the other of some exposures.
pub(super) struct Eye<'a> {
    exposures: &'a [&'a [Stored]],
    chunks: Vec<&'a [[Stored; LANES]]>,
    /// That of [`Lane::limit`](super::lanes::Lane::limit).
    limit: i32,
    pace: Pace,
    way: Way,
}

/// What each method looks at.
enum Way {
    /// Median, extremes, and sums with the outer samples pulled in.
    Winsorized {
        limits: (f64, f64),
        middle: Network,
        lanes: Chunk<i16, LANES>,
    },
    /// Extremes and sums, and sums with the outer samples pulled in.
    GeneralizedEsd { quiet: Quiet, near: Box<Near> },
}

impl<'a> Eye<'a> {
    /// Nothing for methods that sort everything.
    pub(super) fn new(
        ranked: &mut Ranked,
        exposures: &'a [&'a [Stored]],
        limit: i32,
    ) -> Option<Self> {
        let count = exposures.len();
        let way = match ranked {
            Ranked::Winsorized { low, high } => Way::Winsorized {
                limits: (*low, *high),
                middle: Network::only(count, &[(count - 1) / 2, count / 2]),
                lanes: Chunk::new(count),
            },
            Ranked::GeneralizedEsd(test) => Way::GeneralizedEsd {
                quiet: Quiet::new(test, count),
                near: Box::new(Near::new()),
            },
            Ranked::Trimmed { .. } | Ranked::NoiseModel(_) => return None,
        };
        Some(Self {
            exposures,
            chunks: chunks_of(exposures),
            limit,
            pace: Pace::new(),
            way,
        })
    }

    /// Glances at the whole chunk from pixel `first` on. False, and the glance means nothing, where many pixels may
    /// lose something, or did before.
    #[inline(always)]
    pub(super) fn look(&mut self, first: usize, glance: &mut Glance) -> bool {
        if !self.pace.looks() {
            return false;
        }
        let (chunks, chunk) = (&self.chunks, first / LANES);
        let has_looked = match &mut self.way {
            Way::Winsorized {
                limits,
                middle,
                lanes,
            } => {
                lanes.gather_blocks(self.exposures, first, LANES);
                let (least, most) = lanes.extremes_of_blocks();
                lanes.merge(middle);
                let rows = lanes.sorted();
                (glance.means, glance.loses) =
                    winsor::may_lose(chunks, chunk, rows, (&least, &most), *limits);
                for lane in 0..LANES {
                    glance.apart[lane] = u8::from(i32::from(most[lane]) > self.limit);
                }
                true
            }
            Way::GeneralizedEsd { quiet, near } => {
                let told = self.pace.look::<true>(chunks, chunk, near);
                if told {
                    glance.means = means_from(&near.reference, &near.plain, chunks.len());
                    glance.apart = near.above(self.limit);
                    glance.loses = quiet.may_lose(chunks, chunk, near);
                }
                told
            }
        };
        let told = has_looked && count(&glance.loses) <= MOST_LOSING;
        self.pace.tell(told);
        told
    }
}

/// How many lanes are flagged.
#[inline(always)]
fn count(flags: &Flags) -> u32 {
    flags.iter().map(|&flag| u32::from(flag)).sum()
}
