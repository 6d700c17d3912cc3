//! Test lines on a label map: which pixels a line sees, and what is counted on the way.

mod circles;
mod parallel;
mod walk;

pub(crate) use circles::Circles;
pub(crate) use parallel::ParallelLines;
pub(crate) use walk::{Kept, LineCount, TILES};

use crate::grid::Frame;
use crate::options::LineOptions;
use crate::units::Spacing;

/// A test line in px; (0, 0) is the centre of the first pixel of the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TestLine {
    /// A straight line between two points.
    Straight {
        /// Column and row of one end.
        from: (f64, f64),
        /// Column and row of the other end.
        to: (f64, f64),
    },
    /// A circle.
    Circle {
        /// Column and row of the centre.
        centre: (f64, f64),
        /// Radius.
        radius: f64,
    },
}

/// Where the test lines of a frame run, every `every`th parallel line and all circles.
///
/// At the usual spacing of a few pixels all lines together would hide the picture that they are drawn on.
pub fn test_lines(frame: Frame, spacing: Spacing, options: &LineOptions, every: usize) -> Vec<TestLine> {
    let (width, height) = (frame.width, frame.height);
    let straight = options.angles_deg.iter().flat_map(|&angle| {
        parallel::ends(width, height, angle, options.spacing_px)
            .into_iter()
            .skip(every / 2)
            .step_by(every.max(1))
            .map(|(from, to)| TestLine::Straight { from, to })
    });
    let circles = if options.circles { circles::radii_px(width, height, spacing) } else { Vec::new() };
    let centre = ((width - 1) as f64 / 2.0, (height - 1) as f64 / 2.0);
    straight.chain(circles.into_iter().map(|radius| TestLine::Circle { centre, radius })).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_end_at_the_outermost_pixels_of_the_frame() {
        let frame = Frame { x: 0, y: 0, width: 40, height: 30 };
        let options = LineOptions { spacing_px: 10, angles_deg: vec![0.0, 90.0, 45.0], circles: true };
        let lines = test_lines(frame, Spacing::PIXELS, &options, 1);
        assert_eq!(lines[0], TestLine::Straight { from: (0.0, 4.0), to: (39.0, 4.0) });
        assert_eq!(lines[3], TestLine::Straight { from: (4.0, 0.0), to: (4.0, 29.0) });
        for line in &lines {
            if let TestLine::Straight { from, to } = line {
                for (x, y) in [from, to] {
                    assert!((0.0..=39.0).contains(x) && (0.0..=29.0).contains(y), "{line:?}");
                }
            }
        }
        let radii: Vec<f64> = lines
            .iter()
            .filter_map(|l| match l {
                TestLine::Circle { radius, .. } => Some(*radius),
                TestLine::Straight { .. } => None,
            })
            .collect();
        assert_eq!(radii.len(), 3);
        assert!((radii[0] - 14.5).abs() < 1e-9 && (radii[2] * 3.0 - 14.5).abs() < 1e-9);
    }
}
