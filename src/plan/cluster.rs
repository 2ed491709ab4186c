//! Real values that belong together: clusters whose whole spread stays within a limit.
//!
//! The two nearest neighbouring clusters are joined first, again and again, as long as the joined
//! spread stays within the limit (complete linkage on a line). So dense groups form before
//! stragglers join, nothing is rounded to a grid, nothing chains, and the outcome depends on the
//! set of values alone, never on their order.

/// Values a hair over the limit count as within it: decimal fractions are not exact in binary.
const SLACK: f64 = 1e-9;

/// Assigns each value the number of its cluster; clusters are numbered from the smallest value
/// up. Equal values always share a cluster. `spread` is the largest allowed distance between the
/// smallest and the largest member.
pub fn clusters(values: &[f64], spread: f64) -> Vec<usize> {
    let mut distinct: Vec<f64> = values.to_vec();
    distinct.sort_by(f64::total_cmp);
    distinct.dedup();
    let mut groups: Vec<(f64, f64)> = distinct.iter().map(|&value| (value, value)).collect();
    loop {
        let joined = |pair: &[(f64, f64)]| pair[1].1 - pair[0].0;
        let nearest = groups
            .windows(2)
            .enumerate()
            .map(|(index, pair)| (joined(pair), index))
            .filter(|(width, _)| *width <= spread + SLACK)
            .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let Some((_, index)) = nearest else { break };
        groups[index].1 = groups[index + 1].1;
        groups.remove(index + 1);
    }
    values
        .iter()
        .map(|value| groups.partition_point(|group| group.1 < *value))
        .collect()
}

/// [`clusters`] for angles in degrees: 359 and 1 are two apart. The circle is cut in its widest
/// gap.
pub fn angle_clusters(angles: &[f64], spread: f64) -> Vec<usize> {
    let mut sorted: Vec<f64> = angles.iter().map(|angle| angle.rem_euclid(360.0)).collect();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup();
    let gap_before = |index: usize| {
        let previous = sorted[(index + sorted.len() - 1) % sorted.len()];
        (sorted[index] - previous).rem_euclid(360.0)
    };
    let cut = (0..sorted.len())
        .max_by(|&a, &b| gap_before(a).total_cmp(&gap_before(b)).then(b.cmp(&a)))
        .map_or(0.0, |index| sorted[index]);
    let unrolled: Vec<f64> = angles
        .iter()
        .map(|angle| (angle - cut).rem_euclid(360.0))
        .collect();
    clusters(&unrolled, spread)
}

/// The distance between two angles in degrees, 0 to 180.
pub fn angle_between(a: f64, b: f64) -> f64 {
    let turn = (a - b).rem_euclid(360.0);
    turn.min(360.0 - turn)
}

/// The middle of a cluster of angles: its middle member after unrolling.
pub fn middle_angle(angles: &[f64]) -> Option<f64> {
    let reference = *angles.iter().min_by(|a, b| a.total_cmp(b))?;
    let mut turns: Vec<f64> = angles
        .iter()
        .map(|angle| (angle - reference + 180.0).rem_euclid(360.0))
        .collect();
    turns.sort_by(f64::total_cmp);
    let middle = turns[(turns.len() - 1) / 2];
    Some((middle + reference - 180.0).rem_euclid(360.0))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn neighbours_across_a_round_number_belong_together() {
        assert_eq!(clusters(&[-9.9, -10.1], 2.0), [0, 0]);
        let found = angle_clusters(&[359.5, 0.5, 180.0], 4.0);
        assert_eq!(found[0], found[1]);
        assert_ne!(found[0], found[2]);
    }

    #[test]
    fn values_do_not_chain() {
        assert_eq!(clusters(&[-10.0, -9.25, -8.25], 1.0), [0, 0, 1]);
        assert_eq!(clusters(&[-8.25, -10.0, -9.25], 1.0), [1, 0, 0]);
    }

    #[test]
    fn a_straggler_does_not_tear_a_dense_group_apart() {
        // Filling bins from the lowest value up would take -11.5..-9.5 and leave -9.4 alone.
        assert_eq!(
            clusters(&[-11.5, -10.1, -10.0, -9.9, -9.4], 2.0),
            [0, 1, 1, 1, 1]
        );
    }

    #[test]
    fn the_middle_of_angles_near_north_is_near_north() {
        assert_eq!(middle_angle(&[359.0, 0.0, 1.0]), Some(0.0));
        assert!(angle_between(359.0, 1.0) - 2.0 < 1e-12);
    }

    proptest! {
        #[test]
        fn spread_holds_and_order_is_nothing(
            values in prop::collection::vec(-20.0f64..20.0, 1..40),
            seed in any::<u64>(),
        ) {
            let found = clusters(&values, 2.0);
            for (i, a) in values.iter().enumerate() {
                for (j, b) in values.iter().enumerate() {
                    if found[i] == found[j] {
                        prop_assert!((a - b).abs() <= 2.0 + 2.0 * SLACK);
                    }
                }
            }
            let mut order: Vec<usize> = (0..values.len()).collect();
            order.sort_by_key(|&i| (i as u64 + 1).wrapping_mul(seed | 1));
            let shuffled: Vec<f64> = order.iter().map(|&i| values[i]).collect();
            let again = clusters(&shuffled, 2.0);
            for (place, &i) in order.iter().enumerate() {
                prop_assert_eq!(again[place], found[i]);
            }
        }
    }
}
