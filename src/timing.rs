//! How long the stages take: one list of their names, and a recorder that the pipeline hands its stages through.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// A part of the work on one picture, in the order of the work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// Bytes of a file to grey levels.
    Decode,
    /// Info strip.
    Strip,
    /// Scale bar, and what is said about the scale.
    Scale,
    /// Fitness of the picture, and its fingerprint for finding overlaps.
    Check,
    /// The network for boundaries and pores, at the scale of the picture.
    Network,
    /// Even light, median, threshold, labels.
    Pores,
    /// Boundary map, basins, merging.
    Grains,
    /// Size and shape of each pore, its place among the grains, and pull-out.
    PoreMeasures,
    /// Size and shape of each grain, its neighbours and boundaries.
    GrainMeasures,
    /// Test lines.
    Intercepts,
    /// Error of the area fraction from its covariance.
    AreaFractionError,
    /// Overlay, label map and small pictures for the report.
    Pictures,
}

impl Stage {
    /// Every stage, in the order of the work.
    pub const ALL: [Self; 12] = [
        Self::Decode,
        Self::Strip,
        Self::Scale,
        Self::Check,
        Self::Network,
        Self::Pores,
        Self::Grains,
        Self::PoreMeasures,
        Self::GrainMeasures,
        Self::Intercepts,
        Self::AreaFractionError,
        Self::Pictures,
    ];

    /// The name that tables show.
    pub fn name(self) -> &'static str {
        match self {
            Self::Decode => "decode",
            Self::Strip => "info strip",
            Self::Scale => "scale",
            Self::Check => "picture check",
            Self::Network => "network",
            Self::Pores => "pores",
            Self::Grains => "grains",
            Self::PoreMeasures => "pore measures",
            Self::GrainMeasures => "grain measures",
            Self::Intercepts => "intercepts",
            Self::AreaFractionError => "area fraction error",
            Self::Pictures => "overlay and label map",
        }
    }
}

/// What one stage took, over all calls.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StageTime {
    /// The stage.
    pub stage: Stage,
    /// How often it ran.
    pub calls: u64,
    /// Wall-clock time from its start to its end in s, summed over the calls.
    pub seconds: f64,
    /// Pixels that it worked on, summed over the calls.
    pub pixels: u64,
}

impl StageTime {
    /// Pixels in millions for each second.
    pub fn megapixels_per_second(&self) -> f64 {
        self.pixels as f64 / 1e6 / self.seconds
    }
}

/// Sums of the time that stages took; threads may add to it at once.
///
/// Wall-clock time: a stage that waits for its own threads while they work on another stage or picture counts that as well.
/// Scale and check are done beside each other, and so are the measures of pores and of grains and the error of the area
/// fraction; with several pictures in flight pictures are as well. So the sum of all stages exceeds the time of the run.
#[derive(Debug, Default)]
pub struct Timings {
    tallies: [Tally; Stage::ALL.len()],
}

#[derive(Debug, Default)]
struct Tally {
    calls: AtomicU64,
    nanoseconds: AtomicU64,
    pixels: AtomicU64,
}

impl Timings {
    /// Does `work` on so many `pixels` and adds the time to `stage`.
    pub fn time<T>(&self, stage: Stage, pixels: usize, work: impl FnOnce() -> T) -> T {
        let start = Instant::now();
        let result = work();
        self.add(stage, pixels, start.elapsed());
        result
    }

    /// Adds a call of `stage` that was timed elsewhere.
    pub fn add(&self, stage: Stage, pixels: usize, took: Duration) {
        let tally = &self.tallies[stage as usize];
        tally.nanoseconds.fetch_add(took.as_nanos() as u64, Ordering::Relaxed);
        tally.calls.fetch_add(1, Ordering::Relaxed);
        tally.pixels.fetch_add(pixels as u64, Ordering::Relaxed);
    }

    /// The stages that ran, in the order of the work.
    pub fn stages(&self) -> Vec<StageTime> {
        let read = |count: &AtomicU64| count.load(Ordering::Relaxed);
        let stages = Stage::ALL.iter().zip(&self.tallies).map(|(&stage, tally)| StageTime {
            stage,
            calls: read(&tally.calls),
            seconds: read(&tally.nanoseconds) as f64 / 1e9,
            pixels: read(&tally.pixels),
        });
        stages.filter(|stage| stage.calls > 0).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stages_stand_at_their_own_place_in_the_list() {
        assert!(Stage::ALL.iter().enumerate().all(|(index, &stage)| stage as usize == index));
    }

    #[test]
    fn calls_pixels_and_time_add_up_for_each_stage() {
        let timings = Timings::default();
        let slept = || std::thread::sleep(Duration::from_millis(3));
        timings.time(Stage::Grains, 10, slept);
        assert_eq!(timings.time(Stage::Pores, 7, || 5), 5);
        timings.time(Stage::Grains, 20, slept);
        let [pores, grains] = timings.stages()[..] else { panic!("two stages ran") };
        assert_eq!((pores.stage, pores.calls, pores.pixels), (Stage::Pores, 1, 7));
        assert_eq!((grains.stage, grains.calls, grains.pixels), (Stage::Grains, 2, 30));
        assert!((0.006..1.0).contains(&grains.seconds), "{}", grains.seconds);
    }
}
