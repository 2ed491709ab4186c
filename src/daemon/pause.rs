//! How long what failed slowly is left alone: a share that stands still must not hold up what lies
//! elsewhere.

use std::time::Duration;

/// So many times as long as it took.
const TIMES: u32 = 10;
/// For no more than this.
const LONGEST: Duration = Duration::from_secs(3600);

/// How long what took so long before it failed is left alone.
pub fn pause_after(took: Duration) -> Duration {
    took.saturating_mul(TIMES).min(LONGEST)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_failed_fast_is_soon_tried_again_and_nothing_rests_for_ever() {
        let rests =
            [0, 1, 30, 359, 361, u64::MAX].map(|s| pause_after(Duration::from_secs(s)).as_secs());
        assert_eq!(rests, [0, 10, 300, 3590, 3600, 3600]);
    }
}
