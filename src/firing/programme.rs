//! Segments of a firing programme and the times that follow from them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Temperature in °C at which a programme starts where none is stated: a room.
pub const ROOM_TEMPERATURE_C: f64 = 25.0;

/// One segment: a ramp to a target, then a hold there.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Segment {
    /// Rate of the ramp, above zero for heating and cooling alike; null if unknown.
    pub ramp_rate_k_min: Option<f64>,
    /// Temperature at the end of the ramp and during the hold.
    pub target_c: f64,
    /// Time at the target; null if unknown.
    pub hold_min: Option<f64>,
}

/// A firing programme.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Programme {
    /// Temperature before the first segment.
    pub start_c: f64,
    /// Segments in their order.
    pub segments: Vec<Segment>,
}

/// Times of one segment in minutes; null where its rate or hold is unknown.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SegmentTimes {
    /// Time of the ramp.
    pub ramp_min: Option<f64>,
    /// Time of the hold.
    pub hold_min: Option<f64>,
}

/// A stretch of a programme at constant rate: a ramp or a hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stretch {
    pub from_c: f64,
    pub to_c: f64,
    /// `None` if unknown.
    pub minutes: Option<f64>,
}

impl Programme {
    /// Highest temperature of the programme, its start included.
    pub fn peak_c(&self) -> f64 {
        self.segments.iter().map(|segment| segment.target_c).fold(self.start_c, f64::max)
    }

    /// The first segment that reaches the highest target; `None` without segments.
    pub fn peak_segment(&self) -> Option<&Segment> {
        let highest = self.segments.iter().map(|segment| segment.target_c).max_by(f64::total_cmp)?;
        self.segments.iter().find(|segment| segment.target_c == highest)
    }

    /// Times of each segment: ramp |target − start| / rate, and hold.
    pub fn segment_times(&self) -> Vec<SegmentTimes> {
        let stretches: Vec<Stretch> = self.stretches().collect();
        stretches
            .chunks_exact(2)
            .map(|pair| SegmentTimes { ramp_min: pair[0].minutes, hold_min: pair[1].minutes })
            .collect()
    }

    /// Time of the whole programme in minutes; `None` if a part of it is unknown.
    pub fn duration_min(&self) -> Option<f64> {
        self.stretches().map(|stretch| stretch.minutes).sum()
    }

    /// Minutes spent at or above a temperature in °C, of the segments stated; `None` if a stretch that counts is unknown.
    ///
    /// A cooling that is not part of the programme is not counted.
    pub fn minutes_above(&self, temperature_c: f64) -> Option<f64> {
        self.stretches().map(|stretch| stretch.minutes_above(temperature_c)).sum()
    }

    /// Ramp and hold of each segment, in turn.
    pub(super) fn stretches(&self) -> impl Iterator<Item = Stretch> + '_ {
        let starts = std::iter::once(self.start_c).chain(self.segments.iter().map(|s| s.target_c));
        self.segments.iter().zip(starts).flat_map(|(segment, from_c)| {
            let to_c = segment.target_c;
            let change = (to_c - from_c).abs();
            let ramp =
                if change == 0.0 { Some(0.0) } else { segment.ramp_rate_k_min.map(|rate| change / rate) };
            [
                Stretch { from_c, to_c, minutes: ramp },
                Stretch { from_c: to_c, to_c, minutes: segment.hold_min },
            ]
        })
    }
}

impl Stretch {
    fn minutes_above(&self, temperature_c: f64) -> Option<f64> {
        let (low, high) = (self.from_c.min(self.to_c), self.from_c.max(self.to_c));
        if temperature_c > high {
            return Some(0.0);
        }
        let share = if temperature_c <= low { 1.0 } else { (high - temperature_c) / (high - low) };
        self.minutes.map(|minutes| share * minutes)
    }
}
