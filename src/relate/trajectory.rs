//! The sintering trajectory: grain size against relative density.

use super::observation::{GRAIN_SIZE, Observation, RELATIVE_DENSITY};
use super::relation::{Trajectory, TrajectoryPoint};
use crate::report::number::significant;

/// Relative density in percent above which pores close and stop holding boundaries back.
const CLOSED_PERCENT: f64 = 90.0;

/// The specimens that have both properties, by rising density; `None` with fewer than two.
///
/// # References
/// Grains of alumina grow little until about 90 % of the theoretical density and fast beyond it: P. D. Cameron, R. Raj,
/// J. Am. Ceram. Soc. 71 (1988) 1031 (abstract; volume and page from memory).
pub fn trajectory(observations: &[Observation]) -> Option<Trajectory> {
    let mut points: Vec<TrajectoryPoint> = observations
        .iter()
        .filter_map(|observation| {
            Some(TrajectoryPoint {
                specimen: observation.specimen.clone(),
                relative_density_percent: observation.properties.get(RELATIVE_DENSITY.key)?.value,
                mean_linear_intercept_um: observation.properties.get(GRAIN_SIZE.key)?.value,
            })
        })
        .collect();
    points.sort_by(|a, b| a.relative_density_percent.total_cmp(&b.relative_density_percent));
    (points.len() > 1).then(|| Trajectory { words: words(&points), points })
}

fn words(points: &[TrajectoryPoint]) -> Vec<String> {
    let split = points.partition_point(|point| point.relative_density_percent < CLOSED_PERCENT);
    let parts = [(&points[..split], "below"), (&points[split..], "above")];
    parts.iter().filter_map(|(part, side)| growth(part, side)).collect()
}

fn growth(points: &[TrajectoryPoint], side: &str) -> Option<String> {
    let (first, last) = (points.first()?, points.last()?);
    (points.len() > 1).then(|| {
        format!(
            "{side} {CLOSED_PERCENT} % of the theoretical density, from {} to {} %, grains grow from {} to {} µm, by a factor of {}",
            significant(first.relative_density_percent, 3),
            significant(last.relative_density_percent, 3),
            significant(first.mean_linear_intercept_um, 3),
            significant(last.mean_linear_intercept_um, 3),
            significant(last.mean_linear_intercept_um / first.mean_linear_intercept_um, 2)
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::relate::observation::Measured;

    #[test]
    fn the_8ysz_table_coarsens_beyond_closed_porosity() {
        // Conventional firing of 8YSZ nanopowder, Mazaheri, Zahedi, Hejazi, Mater. Sci. Eng. A 492 (2008) 261, read off the
        // figure by a third party.
        let table = [
            (0.652, 0.05),
            (0.675, 0.08),
            (0.721, 0.15),
            (0.769, 0.18),
            (0.821, 0.20),
            (0.925, 0.42),
            (0.948, 0.98),
            (0.975, 2.14),
        ];
        let observations: Vec<Observation> = table
            .iter()
            .map(|&(density, grain)| {
                let mut observation = Observation { specimen: grain.to_string(), ..Observation::default() };
                observation.properties.insert(RELATIVE_DENSITY.key, Measured::single(100.0 * density, None));
                observation.properties.insert(GRAIN_SIZE.key, Measured::single(grain, None));
                observation
            })
            .rev()
            .collect();
        let found = trajectory(&observations).unwrap();
        assert_eq!(found.points[0].specimen, "0.05");
        assert!(found.words[0].contains("factor of 4.0"), "{:?}", found.words);
        assert!(found.words[1].contains("factor of 5.1"), "{:?}", found.words);
        assert!(trajectory(&observations[..1]).is_none());
    }
}
